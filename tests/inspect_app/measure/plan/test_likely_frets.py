"""Lines that may be strings, a nut or a drainpipe are no frets until something tells."""

from types import SimpleNamespace

import numpy as np
import pytest

from inspect_app.measure.plan.board_overview import Board
from inspect_app.measure.plan.likely_frets import must_be_frets, told_as_frets
from shared.errors import InspectError

STRINGS_MM, FRETS_MM = (4.2, 12.9, 21.4, 29.8), (4.2, 26.3, 47.2, 66.9)
STRINGS_ASIDE_MM = (2.5, 10.2, 17.3, 24.1, 30.1)


@pytest.mark.parametrize(
    ("at", "upright", "crowns", "said"),
    [
        (STRINGS_MM, True, 1, "hardly one has a crown"),
        (FRETS_MM, True, 1, "hardly one has a crown"),
        (STRINGS_MM, True, 3, "may be the strings"),
        (STRINGS_ASIDE_MM, True, 5, "at most 8 mm apart, may be the strings"),
        (FRETS_MM, True, 3, ""),
        (STRINGS_MM, False, 1, ""),
    ],
)
def test_lines_up_the_photo_that_may_be_strings_are_no_frets(at, upright, crowns, said):
    """As photos from aside show strings: spaced like frets, 9 to 6 mm apart, some mirroring light like a crown."""
    axes = np.eye(2)
    board = Board(axes[0], axes[1], np.array(at), np.full(len(at), 1.5), (-30, 30), np.arange(len(at)), upright=upright)
    if said:
        with pytest.raises(InspectError, match=said):
            must_be_frets(board, crowns)
    else:
        must_be_frets(board, crowns)


def lines(count, why_not=""):
    """A board of so many lines, all of which have a crown; its frets' ends are not read where there is a reason."""
    board = Board(*np.eye(2), np.arange(count) * 30.0, np.full(count, 2.4), (-20.0, 20.0), np.arange(count))
    return board, [
        SimpleNamespace(treble=SimpleNamespace(why_not=why_not), bass=SimpleNamespace(why_not="covered"))
    ] * count


@pytest.mark.parametrize(
    ("count", "tilt_told", "said"), [(1, True, "One line"), (2, True, "2 lines"), (3, False, "3 lines")]
)
def test_few_lines_without_an_end_may_be_anything(count, tilt_told, said):
    """As a drainpipe beside a lamp post, with the photo's width given for a span."""
    with pytest.raises(InspectError, match=said):
        told_as_frets(*lines(count, "it does not stand out from the board"), tilt_told=tilt_told, strung=False)


@pytest.mark.parametrize(
    ("count", "why_not", "tilt_told", "strung"),
    [(1, "", False, False), (3, "covered", True, False), (4, "covered", False, False), (3, "covered", False, True)],
)
def test_an_end_the_spacing_or_strings_tell_a_fret(count, why_not, tilt_told, strung):
    told_as_frets(*lines(count, why_not), tilt_told=tilt_told, strung=strung)
