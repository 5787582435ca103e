"""Which line is the nut, and which number the first fret has, by widths and spacing."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from inspect_app.instrument.fretboard import fret_position
from inspect_app.measure.plan.board_overview import Board
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.measure.plan.fret_numbers import numbered
from inspect_app.measure.plan.frets import LocatedFret
from inspect_app.reading.ask import Ask
from shared.errors import InspectError
from tests.inspect_app.measure.plan.board_pictures import Shot

SCALE_LENGTH = 630.0


def told(plane, u_tilt):
    """The plane with so much doubt of its tilt, rad."""
    cov = plane.cov.copy()
    cov[:3, :3] = np.eye(3) * u_tilt**2
    return replace(plane, cov=cov)


def lines_at(at, width, u_tilt=1e-5):
    """Lines across a neck, which looked so wide, and the board they are on; of none an edge was read."""
    plane = told(Shot().plane(0.0), u_tilt)
    steps = np.arange(len(at))
    board = Board(*np.eye(2), np.asarray(at, dtype=float), np.asarray(width, dtype=float), (-20.0, 20.0), steps)
    u, v = np.eye(2)
    frames = [
        FretFrame(int(n), plane, np.array([x, -20.0]), v, u, 0.0, 20.0, 1e6, 40.0, 0.02)
        for n, x in zip(steps, at, strict=True)
    ]
    return [LocatedFret(f, SimpleNamespace(px_per_mm=10.0)) for f in frames], board


def numbers(found):
    return [f.frame.number for f in found[0]]


def test_a_line_as_wide_as_a_nut_after_the_last_fret_is_none():
    at = fret_position(SCALE_LENGTH, np.arange(3, 8))
    assert numbers(numbered(*lines_at(at, [3.0, 3.0, 3.0, 3.0, 5.8]), Ask(view="plan", first_fret=3))) == [3, 4, 5, 6]
    # two soft shadows make a fret as wide as this
    assert numbers(numbered(*lines_at(at, [3.0, 3.0, 3.0, 3.0, 5.4]), Ask(view="plan", first_fret=3))) == [
        3,
        4,
        5,
        6,
        7,
    ]


def test_a_nut_on_the_other_side_is_asked_for_where_nothing_tells_the_tilt():
    at = fret_position(SCALE_LENGTH, np.arange(3, 8))
    with pytest.raises(InspectError, match="as wide as a nut"):
        numbered(*lines_at(at, [3.0, 3.0, 3.0, 3.0, 5.8], u_tilt=0.1), Ask(view="plan", first_fret=3))


@pytest.mark.parametrize(
    ("stretch", "first"), [(1.0, [1, 2, 3, 4]), (1.04, [1, 2, 3, 4]), (1.0 / 1.059, [1, 2, 3, 4, 5])]
)
def test_lines_too_far_apart_for_the_first_frets_begin_with_the_nut(stretch, first):
    """By a scale that is off by 4 % more than its U as well: gaps wider than the nut's are on no neck."""
    at = fret_position(SCALE_LENGTH, np.arange(5)) * stretch
    ask = Ask(view="plan", first_fret=1, scale_length=SCALE_LENGTH)
    assert numbers(numbered(*lines_at(at, [3.0] * 5), ask)) == first
