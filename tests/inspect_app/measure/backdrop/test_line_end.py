"""A crown line that was lost before the fret's end: told, and what hangs on its ends said so."""

from dataclasses import replace

import pytest

from inspect_app.measure import calibrate
from inspect_app.measure.backdrop.crown_line import crown_line_of
from inspect_app.measure.backdrop.divots import read_profile
from inspect_app.measure.backdrop.elevation import SHORT_ARC, DetectedElevation, _hollows, _radius
from inspect_app.measure.backdrop.fret import detect_fret
from inspect_app.measure.backdrop.line_end import goes_on_unfollowed
from inspect_app.measure.backdrop.treble_foot import treble_foot
from inspect_app.reading.key import NotMeasured, on_fret
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw, scene_ask

UNREAD = NotMeasured(on_fret(1, "bevel treble"), "not seen")
SHORT = 10.0, 12.0
"""How far short of the treble and the bass end the line is cut, mm."""


@pytest.fixture(scope="module")
def seen():
    """A photo and its fret, whose ends lie 22 mm to both sides of the board's top."""
    photo, _ = draw(Scene(divots=((-6.0, 0.18, 3.6),)))
    return photo, detect_fret(photo, *calibrate(photo, scene_ask(Scene())), scene_ask(Scene()))


@pytest.fixture(scope="module")
def cut(seen):
    """The same fret with a crown line that was lost early to both sides."""
    line, pose = seen[1].line, seen[1].pose
    keep = (line.y > line.span[0] + SHORT[0]) & (line.y < line.span[1] - SHORT[1])
    return replace(
        seen[1], line=crown_line_of(line.edge.only(keep), pose, line.radius, seen[1].mm_per_px, line.used[keep])
    )


@pytest.mark.parametrize("end", ["treble", "bass"])
def test_an_outline_that_goes_on_is_told_from_one_that_ends(seen, cut, end):
    photo, fret = seen
    assert not goes_on_unfollowed(photo, fret, end)
    assert goes_on_unfollowed(photo, cut, end)


def test_a_divot_is_read_and_its_place_is_as_unsure_as_the_end(seen, cut):
    detected = DetectedElevation(seen[0], *calibrate(seen[0], scene_ask(Scene())), cut, {})
    (_,), (why,) = _hollows(detected, cut, read_profile(cut.line), 1, lost=True)
    assert "over part of the fret" in why.reason
    place, u = treble_foot(cut, UNREAD, UNREAD, frozenset({"treble", "bass"}))
    assert abs(place - treble_foot(seen[1], UNREAD, UNREAD)[0]) < 2.0 * u
    assert u > 5.0


def test_a_short_arc_tells_no_radius(seen, cut):
    assert _radius(seen[1], read_profile(seen[1].line), 1).value == pytest.approx(300.0, rel=0.02)
    assert _radius(cut, read_profile(cut.line), 1).reason == SHORT_ARC
