"""Something laid over frets whose edge could be taken for their ends: a cloth, a bar across the middle."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure.plan import covered_ends
from inspect_app.measure.plan.covered_ends import doubted_ends
from inspect_app.measure.plan.fret_ends import FretEnd
from inspect_app.measure.plan.frets import FittedEnd
from inspect_app.measure.plan.recipe import measure
from tests.inspect_app.measure.plan.board_pictures import Shot, asked

SHOT = Shot(first=5, last=8, px_per_mm=11.0)


def _with_a_bar(shot, photo, y_mm):
    """The photo with a grey bar along the neck laid over all frets, from one place across the board to another."""
    rng = np.random.default_rng(5)
    h, w = photo.bgr.shape[:2]
    y = -(np.arange(h) - (h - 1) / 2.0) / shot.px_per_mm
    there = (y > y_mm[0]) & (y < y_mm[1])
    bar = np.clip(150.0 + rng.normal(0.0, 2.0, (h, w, 3)), 0, 255)
    return replace(photo, bgr=np.where(there[:, None, None], bar, photo.bgr).astype(np.uint8))


@pytest.mark.slow
def test_a_bar_over_the_middle_of_the_frets_is_not_where_they_end():
    photo, scale, plane, ask = asked(SHOT)
    said = measure(_with_a_bar(SHOT, photo, (-14.0, -5.0)), scale, plane, ask)
    assert len(said.frets) == 4
    assert all(f.length is None for f in said.frets)
    why = [n.reason for n in said.not_measured if n.what.feature == "length"]
    assert len(why) == 4
    assert all("seen again farther out" in reason for reason in why)


@pytest.fixture(scope="module")
def in_view():
    from inspect_app.measure.plan.fret_location import locate_frets

    photo, *rest = asked(SHOT)
    return photo, locate_frets(photo, *rest)[1]


@pytest.mark.parametrize("slope", [0.0, 0.03])
@pytest.mark.parametrize(("off", "read"), [(0.2, True), (1.0, False)])
def test_ends_that_stray_from_a_straight_line_are_none(in_view, off, read, slope, monkeypatch):
    """Whatever its slope: a lens bends and turns a line by more than frets' ends scatter about it."""
    photo, frets = in_view
    monkeypatch.setattr(covered_ends, "goes_on_mm", lambda *_: 0.0)
    at = [f.frame.length_mm + slope * f.frame.origin_mm @ f.frame.across for f in frets]
    side = [FittedEnd(FretEnd(a + by, 0.05)) for a, by in zip(at, (off, -off, -off, off), strict=True)]
    said = doubted_ends(photo, (), frets, side)
    assert [not e.why_not for e in said] == [read] * 4
    assert all(e.at.u >= (0.05 if read else off - 1e-9) for e in said)


def test_a_fret_is_not_seen_again_beyond_its_own_end(in_view):
    photo, frets = in_view
    least = covered_ends.least_alike(frets)
    assert len(frets) == 4
    for f in frets:
        middle = f.frame.length_mm / 2.0
        assert covered_ends.goes_on_mm(photo, (), f, f.frame.length_mm, least) == 0.0
        assert covered_ends.goes_on_mm(photo, (), f, middle + 0.1, least) == pytest.approx(middle, abs=2.5)
