"""Pictures made smaller: every place keeps its coordinates."""

from __future__ import annotations

import numpy as np
import pytest

from calib.scales.reduced import halved, reduced


def ramp(width: int, height: int) -> np.ndarray:
    """A picture whose codes tell the column."""
    return np.broadcast_to((np.arange(width) % 256).astype(np.uint8), (height, width)).copy()


@pytest.mark.parametrize(
    ("size", "least", "factor"), [((400, 300), 100, 4), ((400, 300), 101, 2), ((401, 303), 200, 2)]
)
def test_halving_stops_at_the_least_size(size, least, factor):
    small, by = halved(ramp(*size), least)
    assert by == factor
    assert small.shape == (size[1] // factor, size[0] // factor)


def test_a_small_picture_is_left_as_it_is():
    picture = ramp(90, 120)
    small, by = halved(picture, 100)
    assert small is picture
    assert by == 1


@pytest.mark.parametrize("columns", [240, 243, 255])
@pytest.mark.parametrize("make_smaller", [halved, reduced])
def test_a_place_found_is_where_it_was(make_smaller, columns):
    small, factor = make_smaller(ramp(columns, 180), 28)
    assert factor >= 8
    there = (np.arange(small.shape[1] - 1) + 0.5) * factor - 0.5
    np.testing.assert_allclose(small[10, :-1], there, atol=2.0)  # each halving rounds up; the last is not whole


def test_the_longer_side_is_as_wide_as_asked():
    small, factor = reduced(np.zeros((1000, 700, 3), np.uint8), 300)
    assert small.shape == (300, 210, 3)
    assert factor == pytest.approx(1000 / 300)
