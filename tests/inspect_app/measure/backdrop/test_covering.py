"""What is laid over a fret's end is not taken for its bevel, nor the place where it begins for the fret's end."""

from dataclasses import replace

import pytest

from inspect_app.measure import calibrate, measure
from inspect_app.measure.backdrop.covering import is_lifted
from inspect_app.measure.backdrop.crown_line import crown_line_of
from inspect_app.measure.backdrop.end_seen import COVERED, UNSEEN
from inspect_app.measure.backdrop.fret import detect_fret
from inspect_app.measure.backdrop.treble_foot import treble_foot
from inspect_app.reading.key import NotMeasured, on_fret
from shared.trade import ASSUMED_END_U_MM
from tests.inspect_app.measure.backdrop.fret_pictures import CARD_X, Scene, draw, scene_ask
from tests.inspect_app.measure.backdrop.test_end import close_up

pytestmark = pytest.mark.slow

TREBLE = -1.0
TALL = (-3.0, 6.0)
"""Foot and top of a card that reaches below the board and high over the crown, mm over the board."""


def why_not(found, end="treble"):
    return {n.what: n.reason for n in found.not_measured}[on_fret(found.frets[0].number, f"bevel {end}")]


def detected(scene):
    photo, _ = draw(scene)
    return detect_fret(photo, *calibrate(photo, scene_ask(scene)), scene_ask(scene))


@pytest.mark.parametrize(
    "cover",
    [
        pytest.param((0.0, 60, *TALL), id="dark, along the neck"),
        pytest.param((4.0, 150, *TALL), id="grey, a little aside"),
        pytest.param((25.0, 245, *TALL), id="brighter than the card, as steep as a bevel"),
        pytest.param((12.0, 190, *TALL), id="darker paper"),
        pytest.param((0.0, 225, -3.0, 2.2), id="of the card's own tone, over the wood"),
        pytest.param((0.0, 225, 0.0, 2.2), id="of the card's own tone, standing on the board"),
    ],
)
def test_a_card_over_an_end_is_said_and_no_bevel_is_given(cover):
    scene = close_up(30.0, "treble")
    photo, _ = draw(replace(scene, covers=((TREBLE, scene.ends[0] + 2.0, *cover),)))
    found = measure(photo, scene_ask(scene, "end", end="treble"))
    assert found.frets[0].bevel_treble is None
    assert why_not(found) == COVERED


@pytest.mark.parametrize("tones", [(225, 120), (90, 190)], ids=["dark metal", "bright metal"])
def test_an_end_that_nothing_covers_is_read(tones):
    scene = close_up(12.0, "treble", card=tones[0], metal=tones[1])
    photo, _ = draw(scene)
    angle = measure(photo, scene_ask(scene, "end", end="treble")).frets[0].bevel_treble
    assert angle is not None
    assert abs(angle.value - 12.0) <= angle.expanded


@pytest.mark.parametrize(
    ("width", "lift", "lifted"), [(8.0, 0.08, True), (10.0, 0.15, True), (5.0, 0.15, False), (0.0, 0.0, False)]
)
def test_tape_on_the_crown_up_to_its_end_is_told_by_its_step_where_the_arc_took_it_in(width, lift, lifted):
    """A little of it is left out of the arc, and bends nothing; a divot's walls make no such step."""
    scene = Scene(divots=((-11.0, 0.18, 3.6), (12.0, 0.28, 2.4)))
    fret = detected(scene)
    px = fret.line.edge.px.copy()
    px[fret.line.y > fret.line.span[1] - width, 1] -= lift / fret.mm_per_px
    edge = replace(fret.line.edge, px=px)
    line = crown_line_of(edge, fret.pose, fret.crown.radius, fret.mm_per_px)
    assert is_lifted(replace(fret, line=line)) is lifted
    assert (abs(line.circle.radius - scene.radius) < 0.01 * scene.radius) is not lifted


def test_divots_keep_their_places_where_the_treble_end_is_covered():
    """A card hides 3 mm of the fret: its edge is not where the divots are counted from."""
    scene = Scene(divots=((-11.0, 0.18, 3.6), (12.0, 0.28, 2.4)))
    photo, _ = draw(replace(scene, covers=((TREBLE, scene.ends[0] + 3.0, 0.0, 60, *TALL),)))
    found = measure(photo, scene_ask(scene))
    assert why_not(found) == COVERED
    places = [d.from_treble_end for d in found.frets[0].divots]
    assert len(places) == 2
    for place, (at, _, _) in zip(places, scene.divots, strict=True):
        assert abs(place.value - (at - scene.ends[0])) <= place.expanded
        assert place.expanded > 3.0  # the backdrop's level is all that tells


@pytest.mark.parametrize(
    ("radius", "reason"), [(240.0, COVERED), (240.0, UNSEEN), (400.0, COVERED), (400.0, UNSEEN), (1e6, COVERED)]
)
def test_an_end_that_was_not_read_lies_across_from_the_other_where_the_crown_line_falls_short(radius, reason):
    """On a flat board nothing lies across: any fret from what is seen to the longest there is."""
    scene = Scene(radius=radius, divots=())
    fret = detected(replace(scene, covers=((TREBLE, scene.ends[0] + 4.0, 0.0, 60, *TALL),)))
    foot, u = treble_foot(fret, NotMeasured(on_fret(5, "bevel treble"), reason), None)
    assert abs(foot - (scene.ends[0] - CARD_X)) <= 2.0 * u
    assert u > 1.0


def test_a_crown_line_that_ends_across_from_the_other_end_tells_where_an_unread_end_is():
    scene = Scene(divots=())
    fret = detected(scene)
    foot, u = treble_foot(fret, NotMeasured(on_fret(5, "bevel treble"), UNSEEN), None)
    assert abs(foot - (scene.ends[0] - CARD_X)) <= 2.0 * u
    assert u == ASSUMED_END_U_MM
