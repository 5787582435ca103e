"""Frets in the overview: clusters of steps of light that persist across the board."""

import numpy as np
import pytest

from inspect_app.measure.plan.board_overview import _board_rows, _clusters
from inspect_app.measure.plan.board_search import best_turn
from inspect_app.measure.plan.overview_bands import BAND_MM, Bands

PX_PER_MM = 5.0


def bands(frets):
    """Twenty bands with steps (8-bit codes) at places (mm), alike in every band; noise of a code."""
    raw = np.random.default_rng(0).normal(0.0, 1.0, (20, 1000))
    for at, steps in frets:
        for off, step in steps:
            raw[:, round((at + off) * PX_PER_MM)] += step
    v = np.arange(20) * 2.0
    return Bands(np.clip(raw, -8.0, 8.0), raw, np.ones(raw.shape, bool), 0.0, v, PX_PER_MM)


EDGES = ((-1.2, -25.0), (1.2, 25.0))


@pytest.mark.parametrize(
    "steps",
    [
        EDGES,
        (*EDGES, (-0.4, 60.0), (0.4, -60.0)),
        (*EDGES, (-0.2, 200.0), (0.2, -200.0)),  # a lamp's line alone is narrower than any fret
    ],
    ids=["edges alone", "a lamp", "a lamp that outshines the edges"],
)
def test_a_fret_is_found_under_any_lamp(steps):
    at, width, *_ = _clusters(bands([(50.0, EDGES), (100.0, steps)]), slice(0, 20))
    assert at / PX_PER_MM == pytest.approx([50.0, 100.0], abs=0.3)
    assert np.all((width > 1.2) & (width < 3.5))


def test_a_single_line_is_no_fret():
    line = ((0.0, 60.0), (0.2, -60.0))
    at, *_ = _clusters(bands([(50.0, EDGES), (100.0, line)]), slice(0, 20))
    assert at / PX_PER_MM == pytest.approx([50.0], abs=0.3)


@pytest.mark.parametrize("side", [-1, 1])
def test_the_edge_of_tape_beside_a_fret_is_no_part_of_it(side):
    """It is as near as the two edges of wide wire are to each other, but the light stays changed beyond it."""
    taped = (*EDGES, (side * 3.4, 60.0), (side * 3.6, 40.0))
    at, width, *_ = _clusters(bands([(50.0, EDGES), (100.0, taped)]), slice(0, 20))
    assert at / PX_PER_MM == pytest.approx([50.0, 100.0], abs=0.3)
    assert np.all((width > 1.2) & (width < 3.5))


@pytest.mark.parametrize("slope", [-0.3, -0.0213, 0.0, 0.0105, 0.21])
def test_frets_askew_are_turned_upright(slope):
    v = np.arange(24) * BAND_MM
    raw = np.random.default_rng(1).normal(0.0, 1.0, (len(v), 1000))
    for at in (60.0, 92.0, 122.0, 150.0):
        for off, step in EDGES:
            x = (at + off + slope * (v - v.mean())) * PX_PER_MM
            raw += step * np.exp(-0.5 * (np.arange(1000) - x[:, None]) ** 2)  # a step of a blurred edge
    steps = np.clip(raw, -8.0, 8.0)
    found = best_turn(Bands(steps, raw, np.ones(raw.shape, bool), 0.0, v, PX_PER_MM))
    assert found == pytest.approx(slope, abs=1.0 / PX_PER_MM / v.max())  # a column over the board


def test_a_scale_that_hides_all_frets_but_one_is_not_bridged():
    """Beside it bench shows, and by chance steps where that fret does: the board ends before the scale all the same."""
    hidden, board = slice(0, 9), slice(10, 30)
    raw = np.random.default_rng(2).normal(0.0, 0.3, (32, 1000))
    for at in (20.0, 60.0, 98.0, 134.0):
        for off, step in EDGES:
            raw[board, round((at + off) * PX_PER_MM)] += step
    visible = np.ones(raw.shape, bool)
    visible[hidden, 30 * round(PX_PER_MM) :] = False
    raw[hidden.stop - 1] = np.where(visible[hidden.stop - 1], 0.6 * raw[board].mean(axis=0), 0.0)
    rows = _board_rows(np.clip(raw * visible, -8.0, 8.0), visible, np.ones(len(raw), bool))
    assert rows == (board.start, board.stop)
