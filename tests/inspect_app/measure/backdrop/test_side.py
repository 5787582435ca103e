"""Photos across the neck: the gap from string to crown at every fret, within its U, or not at all."""

import math
from dataclasses import replace

import numpy as np
import pytest

from calib.scales.base import Scale
from inspect_app.measure import calibrate, measure
from inspect_app.measure.backdrop import side
from inspect_app.measure.backdrop.crown_heights import crown_heights, on_the_highest, over_neighbours
from inspect_app.measure.backdrop.daylight import NONE_SEEN_U_MM, UNSEEN_MM
from inspect_app.measure.backdrop.fret_faces import FretFace
from inspect_app.measure.backdrop.string_gap import (
    BACKDROP_ASKED,
    CardStand,
    CrownSeen,
    GapGeometry,
    gaps_of,
    measure_gaps,
)
from inspect_app.reading.ask import Ask, HandEdge, parse_held
from inspect_app.reading.key import on_fret, parse_key
from shared.errors import OptionError, ScaleError
from shared.trade import END_SHORT_U_MM
from tests.conftest import rest_slow
from tests.inspect_app.measure.backdrop.side_pictures import FOOT, SideScene, draw_side, side_ask

SCENES = (
    SideScene(),
    SideScene(elevation=0.5, fall=5.0, behind=1.3, seed=1),
    SideScene(elevation=5.0, fall=2.0, behind=2.0, wood=150, seed=2),
    SideScene(nut="right", first=12, frets=5, string=0.9, string_tones=(90, 200, 50, 90, 60), under=(2.2, 1.8), seed=3),
    SideScene(under=(0.15, 0.08), elevation=3.0, seed=5),
)


@pytest.fixture(scope="module")
def answers():
    return [(s, measure(draw_side(s), side_ask(s))) for s in SCENES]


@pytest.fixture(scope="module")
def level():
    scene = SideScene(seed=6)
    return measure(draw_side(scene), side_ask(scene))


@pytest.fixture(scope="module")
def dropped():
    """One crown 0.09 mm below the foot."""
    scene = SideScene(drop=(0.0, 0.09, 0.0, 0.0), seed=6)
    return scene, measure(draw_side(scene), side_ask(scene))


def errors(scene, answer):
    true = scene.gaps()
    return {f.number: f.string_gap.value - true[f.number] for f in answer.frets if f.string_gap}


@pytest.mark.slow
def test_every_gap_lies_within_its_u_and_the_target(answers):
    off, shares = [], []
    for scene, answer in answers:
        found = errors(scene, answer)
        assert set(found) == set(scene.numbers)
        off += found.values()
        shares += [abs(found[f.number]) / f.string_gap.expanded for f in answer.frets]
    assert np.sqrt(np.mean(np.square(off))) < 0.02
    assert np.abs(off).max() < 0.06
    assert max(shares) < 1.0


@pytest.mark.slow
def test_ends_that_look_like_their_crowns_widen_u(level):
    """Their flanks may be taken for each other's, so they say nothing of how far before the card they stand."""
    scene = SideScene(face=120, metal=150, height=1.3, width=2.7, scale_length=628.0, seed=4)
    answer = measure(draw_side(scene), side_ask(scene))
    found = errors(scene, answer)
    assert len(found) >= 3
    for f in answer.frets:
        assert abs(found[f.number]) < f.string_gap.expanded
        assert f.string_gap.u > 1.5 * level.frets[0].string_gap.u


@pytest.mark.slow
def test_u_names_what_it_comes_from(answers):
    sources = {c.source for f in answers[0][1].frets for c in f.string_gap.contributions}
    assert sources >= {
        "backdrop behind the string",
        "backdrop leaning",
        "camera elevation",
        "slope of the crowns' arc",
        "string's edge",
        "crown below the foot",
    }


@pytest.mark.slow
def test_the_card_is_found_as_far_behind_the_string_as_it_stands(answers):
    for scene, answer in answers:
        u = answer.checks["behind_string_mm_u"]
        assert abs(answer.checks["behind_string_mm"] - scene.behind) < 2.0 * u


TONGUES = (
    SideScene(card_kind="tongue", behind=0.2, start=6.0, frets=3, string=0.3, elevation=4.5, focal_px=9000.0, seed=21),
    SideScene(
        card_kind="tongue", behind=0.27, start=5.0, frets=2, first=1, string=0.25, under=(0.25, 0.3), elevation=5.0,
        focal_px=9000.0, wood=60, seed=22,
    ),
)  # fmt: skip
"""The tongue touching the string: an open one, and one close to the crowns that would hide the backdrop's foot."""


@pytest.mark.slow
@pytest.mark.parametrize("scene", TONGUES, ids=["open", "close to the crowns"])
def test_a_tongue_that_touches_the_string_makes_u_small_and_is_not_hidden_by_it(scene):
    answer = measure(draw_side(scene), side_ask(scene))
    found = errors(scene, answer)
    assert set(found) == set(scene.numbers)
    assert answer.scale.kind == "tongue"
    u = {f.number: f.string_gap.expanded for f in answer.frets}
    assert all(abs(found[n]) < u[n] for n in found)
    behind = [c.u for f in answer.frets for c in f.string_gap.contributions if c.source == "backdrop behind the string"]
    assert max(behind) < 0.02  # 0.02 to 0.03 with the backdrop from there: 0.2 mm of what is 0.1 here


@pytest.mark.slow
def test_a_line_on_the_metal_is_not_taken_for_the_strings_edge():
    """Its dark and bright lines are as sharp as its edges, three pixels from them, and change the other way."""
    scene = SideScene(
        card_kind="tongue", behind=0.17, start=23.8, first=1, frets=2, string=0.23, focal_px=9000.0, seed=23
    )
    found = errors(scene, measure(draw_side(replace(scene, nut="left", start=8.0)), side_ask(scene)))
    assert found
    assert max(map(abs, found.values())) < 0.04


@pytest.mark.slow
def test_where_no_daylight_shows_at_all_heights_over_neighbours_are_less_sure(level, dropped):
    """With light behind the card a slit may not show; one that does shows that others would."""
    none, (_, some) = level, dropped
    key = on_fret(9, "height over neighbours")
    assert none.values[key].expanded > 0.05
    assert some.values[key].expanded < none.values[key].expanded


def test_a_shadow_taken_for_the_foot_is_found_out_by_how_the_crowns_would_fall():
    """A band 0.7 mm over the foot, as a string's shadow draws one, in the foot's place: gaps would be 0.7 mm short."""
    scene = SideScene(seed=11)
    photo, ask = draw_side(scene), side_ask(scene)
    scale, plane = calibrate(photo, ask)
    detected = side.detect(photo, scale, plane, ask)
    assert len(side.measure_detected(detected, ask).frets) == scene.frets
    moved = replace(detected, seen=tuple(replace(s, crown=s.crown + 0.7) for s in detected.seen))
    answer = side.measure_detected(moved, ask)
    assert not answer.frets
    assert answer.not_measured
    assert all("degrees towards the board's edge, as none do" in n.reason for n in answer.not_measured)


def recoloured(photo, change):
    """The photo with its codes changed: `change` takes and gives an array (H, W, 3)."""
    bgr = np.clip(np.round(change(photo.bgr.astype(float))), 0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return replace(photo, bgr=bgr)


@pytest.mark.parametrize(("over", "left"), [((0.7, 0.3), 0.75), ((1.0, 0.97), 0.78)], ids=["soft", "sharp"])
@pytest.mark.slow
def test_a_shadow_on_the_card_is_not_taken_for_its_foot(over, left):
    """A quarter of the card's light is gone from 0.3 mm over the foot, falling over 0.4 mm: a lamp's penumbra. Or a
    fifth from 1 mm at once: with its edge for a foot the crowns would fall as none do, so the next edge is read."""
    scene = SideScene(under=(1.6, 1.9), seed=12)
    rows = scene.plane().to_px([[46.0, FOOT + y, 0.0] for y in over])[:, 1]
    light = np.interp(np.arange(scene.size[1]), rows, [1.0, left])[:, None, None] ** (1 / 2.4)
    found = errors(scene, measure(recoloured(draw_side(scene), lambda codes: codes * light), side_ask(scene)))
    assert set(found) == set(scene.numbers)
    assert max(map(abs, found.values())) < 0.06


def test_the_first_fret_may_stand_far_from_the_photos_edge():
    """The nut lies between: nothing else would stand there."""
    scene = SideScene(first=1, frets=2, start=46.0, under=(1.1, 1.4), seed=14)
    found = errors(scene, measure(draw_side(scene), side_ask(scene)))
    assert set(found) == {1, 2}


def test_an_error_of_where_the_ends_stand_turns_the_crowns_slope_as_well():
    """All that follows from it is varied with it, so the gap's share of it is less than by the distance alone."""
    g, _ = no_daylight(SideScene(elevation=4.0), LIFTED)
    g = replace(g, away=np.array([s.face.x for s in g.seen]) * 0.978)
    q = measure_gaps(g)[0][2]
    by = {c.source: c.u for c in q.contributions}
    _, stand, behind, u_behind = measure_gaps(g)
    own = np.hypot(g.u_inset, END_SHORT_U_MM / np.sqrt(len(g.seen)))  # of the string's way to the ends
    share = BACKDROP_ASKED.u_behind**2 / (BACKDROP_ASKED.u_behind**2 + own**2)
    alone = by["backdrop behind the string"] / (np.sqrt(share) * own) * stand.u_ends
    assert u_behind == pytest.approx(np.hypot(np.sqrt(share) * own, share * stand.u_ends), rel=0.02)
    assert by["fret ends before the backdrop"] / alone == pytest.approx(share - behind.mean() / stand.ends, abs=0.15)


@pytest.mark.slow
def test_a_crown_under_the_foot_shows_by_its_daylight(level, dropped):
    scene, answer = dropped
    over = answer.values[on_fret(8, "height over neighbours")]
    plain = level.values[on_fret(8, "height over neighbours")]
    assert over.value < -over.expanded
    assert abs(plain.value) < plain.expanded
    assert max(map(abs, errors(scene, answer).values())) < 0.06


@pytest.mark.slow
def test_a_sliver_of_lit_wood_is_not_taken_for_card():
    """The same picture, all below the string's top as brown as wood: blue is half of red there."""
    scene = replace(SCENES[4], wood=150)
    photo = draw_side(scene)
    scale, plane = calibrate(photo, side_ask(scene))
    top = FOOT + max(scene.under) + scene.string
    rows = np.arange(photo.height)[:, None] > plane.to_px([[46.0, top, 0.0]])[0, 1]
    brown = np.where(rows[..., None], photo.bgr * np.array([0.75, 0.88, 1.0]), photo.bgr).astype(np.uint8)  # in codes
    brown.flags.writeable = False
    found, lost = (side.detect(p, scale, plane, side_ask(scene)) for p in (photo, replace(photo, bgr=brown)))
    assert found.lines.sliver
    assert isinstance(lost.lines, str) or not lost.lines.sliver


def test_frets_are_numbered_by_their_spacing():
    scene = SideScene(first=7, seed=7)
    answer = measure(draw_side(scene), side_ask(scene, first_fret=6))
    assert {f.number for f in answer.frets} == set(scene.numbers)
    (lost,) = answer.not_measured
    assert lost.what == on_fret(6, "string gap")
    assert "frets 7 to 10" in lost.reason


@pytest.mark.parametrize(
    ("scene", "said"),
    rest_slow(
        [
            (SideScene(string_tones=(225, 225, 225)), "hides the backdrop's foot"),
            (SideScene(under=(-0.1, -0.1), string_tones=(225, 225, 225)), "hides the backdrop's foot"),
            (SideScene(under=(-1.1, -1.1)), "hides the backdrop's foot"),
            (SideScene(frets=0, first=7), "no row of fret ends"),
        ]
    ),
)
def test_what_cannot_be_seen_is_declined_with_a_reason(scene, said):
    if scene.frets == 0:
        pictured = draw_side(replace(scene, frets=2, face=90, metal=90, start=-300.0))
    else:
        pictured = draw_side(scene)
    answer = measure(pictured, side_ask(scene))
    assert not [f for f in answer.frets if f.string_gap]
    assert any(said in n.reason for n in answer.not_measured)


@pytest.mark.parametrize("lean", [-2.0, 0.0, 2.0])
@pytest.mark.parametrize("elevation", [-2.0, 0.0, 5.0])
def test_the_geometry_gives_the_gap_of_points_in_space(lean, elevation):
    """Worked out in a frame that stands upright, the card leaning in it: nothing of the formula."""
    slope, radius, gap, d, e = -0.08, 320.0, 1.5, 1.7, 4.6
    b = math.radians(lean)
    camera = np.array([0.0, 220.0 * math.tan(math.radians(elevation)), 220.0])
    crown = lambda z: slope * z - z**2 / (2.0 * radius)  # noqa: E731
    top, string = np.array([0.0, crown(e), e]), np.array([0.0, crown(d) + gap, d])
    normal, up = np.array([0.0, math.sin(b), math.cos(b)]), np.array([0.0, math.cos(b), -math.sin(b)])

    def on_card(p):
        t = (normal @ camera) / (normal @ (camera - p))
        return float(up @ (camera + t * (p - camera)))

    scene = SideScene(elevation=elevation)
    plane = _plane_with_camera(scene, float(up @ camera), float(normal @ camera))
    face = FretFace(7, 46.0, 0.01, -1.3, 2.5, on_card(top))
    seen = CrownSeen(face, 46.0, on_card(string), 0.0, 0.0, 0.0)
    before = float(normal @ top)
    mean = (float(up @ top)) / before
    g = GapGeometry(plane, (seen,), 0.0, None, 0.0)
    stand = CardStand(before, 0.0, 46.0, mean, 0.0, 0.0, 0.0, 0.0)
    along = gap * abs(b) * (abs(b) / 2.0 + abs(mean)) + 5e-4  # measured along the card, not upright
    assert gaps_of(g, stand, np.array([float(normal @ string)]))[0] == pytest.approx(gap, abs=along)


def _plane_with_camera(scene, height, distance):
    """A plane at y = 0 with the camera there."""
    plane = scene.plane()
    rotation = plane.rotation
    params = plane.params.copy()
    params[3:6] = -rotation @ np.array([46.0, height, distance])
    return plane.with_params(params)


def test_along_the_crown_no_distance_is_needed():
    """Where the sight line runs along the crown's top, the card's distance drops out."""
    scene = SideScene()
    near, far = (_gap_behind(scene, d) for d in (1.0, 3.0))
    assert near == pytest.approx(far, abs=0.012)  # the arc's own bend is what is left


def _gap_behind(scene, behind):
    slope = -0.05
    plane = _plane_with_camera(scene, 1.0 + slope * 200.0, 200.0)
    seen = CrownSeen(FretFace(7, 46.0, 0.01, 0.0, 2.5, None), 46.0, 1.0, 0.0, 0.0, 0.0)
    g = GapGeometry(plane, (seen,), 0.0, None, 0.0)
    return float(gaps_of(g, CardStand(4.6, 0.0, 46.0, slope, 0.0, 0.0, 0.0, 0.0), np.array([behind]))[0])


@pytest.mark.slow
def test_u_falls_where_the_inset_is_measured():
    scene = SideScene(seed=8)
    photo = draw_side(scene)
    taken, given = (measure(photo, side_ask(scene, string_inset=v)).frets[0].string_gap for v in (None, 3.5))
    assert given.u < taken.u
    with pytest.raises(OptionError, match="board's edge"):
        Ask("side", string_inset=40.0)


@pytest.mark.slow
def test_a_placed_edge_moves_the_gap_by_as_much():
    scene = SideScene(seed=9)
    photo, ask = draw_side(scene), side_ask(scene)
    answer = measure(photo, ask)
    line = next(o for o in answer.frets[1].outlines if o.name == "string_gap")
    x, y = line.points[1]
    key = parse_key("fret 8, string gap, top")
    moved = measure(photo, ask.with_hand_edge(HandEdge(key, ((x, y - 6.6),)))).frets[1].string_gap
    was = answer.frets[1].string_gap
    px_per_mm = answer.camera.px_per_mm
    assert moved.by_hand
    assert not was.by_hand
    assert moved.value - was.value == pytest.approx(6.6 / px_per_mm, rel=0.03)


@pytest.mark.slow
def test_the_question_must_say_the_string_and_the_scale_length(answers):
    scene, photo = SCENES[0], draw_side(SCENES[0])
    for more in ({"string": None}, {"scale_length": None}):
        with pytest.raises(OptionError):
            measure(photo, side_ask(scene, **more))
    scale, plane = calibrate(photo, side_ask(scene))
    with pytest.raises(ScaleError, match="backdrop"):
        side.detect(photo, replace(scale, kind="strip"), plane, side_ask(scene))
    assert isinstance(scale, Scale)


@pytest.mark.parametrize(("text", "frets"), [("", ()), ("1,16", (1, 16)), ("3 2", (2, 3))])
def test_frets_held_down_are_read(text, frets):
    assert parse_held(text) == frets


def test_frets_that_are_none_are_refused():
    for bad in ("a", "1,2,3", "0"):
        with pytest.raises(OptionError):
            Ask("side", held=parse_held(bad))


LIFTED = {8: 0.0, 9: 0.0, 10: 0.08, 11: 0.0}
"""A fret that stands 0.08 mm over the others, mm by fret."""


def no_daylight(scene, lifts, rng=None, radius=320.0):
    """A photo in which no slit shows: the foot stands on the two crowns that carry it, the string 1.5 mm over a plane.

    Ends stop short, are beveled and eased as on real boards where `rng` is given.
    """
    plane = scene.plane()
    cy, distance = float(plane.camera_mm[1]), plane.distance_mm
    x = dict(zip(lifts, np.linspace(10.0, 82.0, len(lifts)), strict=True))
    high = max(lifts, key=lifts.get)

    def carries(at):
        return lifts[high] * (at - x[8]) / (x[high] - x[8]) if lifts[high] else 0.0

    def crown(z, up):
        return FOOT + up - 0.07 * z - z * (z - 4.6) / (2 * radius)

    seen, gaps = [], {}
    for n, lift in lifts.items():
        short, bevel, ease = (rng.uniform(-0.25, 0.25), rng.normal(0, 0.07), rng.normal(0, 0.015)) if rng else (0, 0, 0)
        z = 4.6 - 1.15 * math.tan(math.radians(30.0)) * (1 - 0.375) - short - bevel
        top = crown(z, lift) + ease
        on_card = cy + (top - cy) * distance / (distance - z)
        face = FretFace(n, x[n], 0.01, FOOT - 2.0, 2.5, on_card)
        string = crown(1.7, 0.0) + 1.5
        under = cy + (string - cy) * distance / (distance - 1.7)
        foot = FOOT + carries(x[n])
        seen.append(CrownSeen(face, x[n], under, 0.001, foot - UNSEEN_MM, NONE_SEEN_U_MM))
        gaps[n] = 1.5 - lift
    return GapGeometry(plane, tuple(seen), 0.002, None, 1.15), gaps


def test_where_no_daylight_shows_a_high_fret_is_found_by_the_ends_tops():
    scene = SideScene(elevation=1.0)
    g, true = no_daylight(scene, LIFTED)
    gaps, stand, *_ = measure_gaps(g)
    heights = crown_heights(g, stand, gaps)
    over, u = over_neighbours(heights, {s.face.number: s.at for s in g.seen})[10]
    assert over == pytest.approx(0.08, abs=0.01)
    assert over > 2 * u
    again, *_ = measure_gaps(on_the_highest(g, heights))
    off = [q.value - true[s.face.number] for q, s in zip(again, g.seen, strict=True)]
    assert np.ptp([q.value - true[s.face.number] for q, s in zip(gaps, g.seen, strict=True)]) > 0.05
    assert np.ptp(off) < 0.02


def test_level_frets_are_left_as_they_are_taken():
    g, _ = no_daylight(SideScene(elevation=1.0), dict.fromkeys(LIFTED, 0.0))
    gaps, stand, *_ = measure_gaps(g)
    assert on_the_highest(g, crown_heights(g, stand, gaps)) == g


def test_heights_by_the_ends_tops_lie_within_their_u():
    rng, scene, inside = np.random.default_rng(3), SideScene(elevation=3.0), []
    for _ in range(150):
        g, _ = no_daylight(scene, LIFTED, rng)
        gaps, stand, *_ = measure_gaps(g)
        found = over_neighbours(crown_heights(g, stand, gaps), {s.face.number: s.at for s in g.seen})
        inside += [abs(found[10][0] - 0.08) < 2 * found[10][1], abs(found[9][0] + 0.04) < 2 * found[9][1]]
    assert 0.90 < np.mean(inside) < 0.995


def test_seen_from_under_the_crowns_level_a_fret_of_a_twentieth_is_found_more_often():
    """Where the sight line runs along the crown's top, how far an end stops short no longer moves its top."""
    lifts, found = LIFTED | {10: 0.05}, {}
    for elevation in (-3.0, 4.0):
        rng, scene, out = np.random.default_rng(5), SideScene(elevation=elevation), []
        for _ in range(40):
            g, _ = no_daylight(scene, lifts, rng)
            gaps, stand, *_ = measure_gaps(g)
            over, u = over_neighbours(crown_heights(g, stand, gaps), {s.face.number: s.at for s in g.seen})[10]
            out.append((over > 2 * u, 2 * u))
        found[elevation] = np.mean(out, axis=0)
    assert found[-3.0][0] > 0.7 > found[4.0][0]
    assert found[-3.0][1] < 0.04 < 0.06 < found[4.0][1]


def test_the_gaps_of_a_photo_share_what_the_card_does():
    scene = SideScene()
    faces = [
        FretFace(n, float(x), 0.01, FOOT - 2.0, 2.5, FOOT - 0.7)
        for n, x in zip(scene.numbers, scene.places, strict=True)
    ]
    seen = tuple(CrownSeen(f, f.x, FOOT + 1.0, 0.01, FOOT, 0.01) for f in faces)
    gaps, *_ = measure_gaps(GapGeometry(scene.plane(), seen, 0.002, None, 1.15))
    keys = [{c.source: c.key for c in q.contributions} for q in gaps]
    assert keys[0]["backdrop behind the string"] == keys[1]["backdrop behind the string"] is not None
    assert keys[0]["crown below the foot"] is None
