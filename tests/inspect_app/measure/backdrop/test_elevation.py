"""The elevation view on drawn photos: what is there is found and covered, the rest declined with its reason."""

import math
from dataclasses import replace

import cv2
import pytest

from calib.scales.ask import ScaleAsk
from inspect_app.measure import measure
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import parse_key
from shared.errors import ScaleError
from shared.flags import FLAGS
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw, scene_ask

pytestmark = pytest.mark.slow


def inspected(scene):
    photo, _ = draw(scene)
    return measure(photo, scene_ask(scene))


def within(measured, true):
    return abs(measured.value - true) <= 2.0 * measured.u


@pytest.mark.parametrize(
    "scene",
    [
        Scene(),
        Scene(card=110, metal=190, seed=1, elevation=3.0, radius=184.15),
        Scene(card=235, metal=215, seed=2, elevation=6.0, tilt=-1.0, yaw=-2.0),
        Scene(card=60, metal=150, noise=1.0, seed=3, radius=406.4, bevels=(20.0, 35.0)),
    ],
    ids=["dark metal", "dark card", "pale on pale", "dim"],
)
def test_divots_radius_and_bevels_are_within_their_uncertainty(scene):
    (fret,) = (found := inspected(scene)).frets
    assert len(fret.divots) == len(scene.divots), found.not_measured
    for divot, (at, depth, _) in zip(fret.divots, scene.divots, strict=True):
        assert within(divot.depth, depth)
        parts = {c.source: c.u for c in divot.depth.contributions}
        assert math.hypot(*(u for source, u in parts.items() if source != "flat not resolved")) < 0.02
        assert parts["flat not resolved"] < depth / math.sqrt(12.0)
        assert divot.from_treble_end.value == pytest.approx(at - scene.ends[0], abs=0.3)
    assert within(fret.crown_line_radius, scene.radius)
    assert fret.crown_line_radius.u < 0.02 * scene.radius
    for bevel, true in ((fret.bevel_treble, scene.bevels[0]), (fret.bevel_bass, scene.bevels[1])):
        assert bevel is None or abs(bevel.value - true) <= 2.5 * bevel.u  # one of eight may pass 2 u
    assert fret.bevel_treble or fret.bevel_bass


def test_a_fresh_fret_has_no_divots():
    assert inspected(Scene(divots=(), seed=4)).frets[0].divots == ()


def test_blind_depth_is_stated_and_a_steep_view_says_to_lower_the_camera():
    scene = Scene(elevation=11.0, seed=5, tilt=0.0, noise=3.0)
    found = inspected(scene)
    blind = found.frets[0].blind_depth
    e = math.radians(found.checks["elevation_deg"])
    assert blind.value == pytest.approx(scene.crown.radius * (1 - math.cos(e)))
    assert "STEEP_VIEW" in found.flags
    (reason,) = [n.reason for n in found.not_measured if n.what == parse_key("fret 5, divots")]
    assert "lower the camera to 2 to 5 degrees" in reason


def test_a_doubtful_divot_says_that_a_lower_camera_would_settle_it():
    scene = Scene(elevation=8.0, tilt=0.0, divots=((-9.0, 0.05, 4.0), (7.0, 0.3, 4.0)), noise=0.8, seed=14)
    shallow, deep = inspected(scene).frets[0].divots
    assert within(shallow.depth, 0.05)
    assert "STEEP_VIEW" in shallow.depth.flags
    assert "STEEP_VIEW" not in deep.depth.flags
    assert "Lower the camera" in FLAGS["STEEP_VIEW"].advice


def test_metal_of_the_cards_own_tone_is_refused_and_the_lamps_line_on_it_not_taken_for_the_outline():
    found = inspected(Scene(card=150, metal=150, wood=60, near=(300.0,), noise=1.0, seed=15))
    assert not found.frets[0].divots
    assert found.frets[0].crown_line_radius is None
    assert "change the light" in next(n.reason for n in found.not_measured if n.what == parse_key("fret 5, divots"))


def test_a_soft_edge_is_not_taken_for_an_outline():
    scene = Scene(divots=(), seed=16)
    photo, _ = draw(scene)
    top = slice(650, 1100)
    soft = photo.bgr.copy()
    soft[top] = cv2.GaussianBlur(soft[top], (0, 0), 5.0)
    soft.flags.writeable = False
    found = measure(replace(photo, bgr=soft), scene_ask(scene))
    assert found.frets[0].crown_line_radius is None
    assert any("softer than the card" in n.reason for n in found.not_measured)


def test_a_divot_beside_the_end_is_found_and_its_place_told_from_the_end():
    scene = Scene(divots=((-18.6, 0.3, 4.2), (6.0, 0.2, 3.0)), seed=17)
    divots = inspected(scene).frets[0].divots
    assert [d.from_treble_end.value for d in divots] == pytest.approx([3.4, 28.0], abs=0.3)


def test_strings_across_the_crown_line_are_said_and_no_divot_is_given():
    scene = Scene(strings=tuple((y, 12.0) for y in (-16.0, -9.0, -2.0, 5.0, 12.0)), seed=6)
    found = inspected(scene)
    assert any("strings" in n.reason for n in found.not_measured if n.what == parse_key("fret 5, divots"))
    assert all(not f.divots for f in found.frets)


def test_metal_lost_in_noise_is_declined():
    found = inspected(Scene(card=150, metal=146, wood=143, noise=9.0, seed=7))
    assert {parse_key("fret 5, divots"), parse_key("fret 5, crown line")} & {n.what for n in found.not_measured}
    assert all(not f.divots for f in found.frets)


def test_out_of_focus_is_flagged_and_still_covered():
    scene = Scene(blur=4.0, seed=8, divots=((-8.0, 0.2, 4.0), (8.0, 0.3, 4.0)))
    found = inspected(scene)
    assert "BLURRED" in found.flags
    for divot, (_, depth, _) in zip(found.frets[0].divots, scene.divots, strict=True):
        assert within(divot.depth, depth)


def test_an_unstated_crown_size_is_flagged_and_widens_the_depth():
    scene = Scene(seed=9)
    photo, _ = draw(scene)
    told = measure(photo, scene_ask(scene))
    untold = measure(photo, replace(scene_ask(scene), crown_width=None, crown_height=None))
    assert "CROWN_ASSUMED" in untold.flags
    assert "CROWN_ASSUMED" not in told.flags
    radius = [{c.source: c.u for c in i.frets[0].divots[0].depth.contributions}["crown radius"] for i in (told, untold)]
    assert radius[1] > 3.0 * radius[0]


def test_the_boards_edges_narrow_the_elevation_and_nearer_frets_more():
    scene = Scene(near=(34.3, 70.66), tilt=1.2, seed=10)
    photo, _ = draw(scene)
    hidden, _ = draw(replace(scene, wood=scene.card, near=()))  # a board of the card's tone has no edges against it
    asked = (hidden, scene_ask(scene)), (photo, scene_ask(scene)), (photo, scene_ask(scene, scale_length=647.7))
    neither, edges, frets = (measure(p, replace(a, first_fret=2)).checks["u_elevation_deg"] for p, a in asked)
    assert edges < 0.6 * neither
    assert frets < 0.8 * edges


def test_another_scale_is_refused_with_what_to_do():
    scene = Scene(seed=11)
    photo, _ = draw(scene)
    with pytest.raises(ScaleError):
        measure(photo, Ask("elevation", ScaleAsk("strip")))


def test_the_answer_survives_its_own_form_and_draws_on_the_photo():
    scene = Scene(seed=12)
    found = inspected(scene)
    assert Inspection.from_dict(found.to_dict()) == found
    drawn = {o.name for o in found.frets[0].outlines}
    assert {"crown_line", "arc", "divot", "bevel"} <= drawn
    for o in found.frets[0].outlines:
        assert all(0 <= x < scene.size[0] and 0 <= y < scene.size[1] for x, y in o.points)


def test_the_same_photo_measures_the_same():
    photo, _ = draw(Scene(seed=13))
    ask = scene_ask(Scene(seed=13))
    assert measure(photo, ask) == measure(photo, ask)
