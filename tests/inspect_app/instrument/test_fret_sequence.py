"""Frets told from other lines by equal temperament alone."""

import numpy as np
import pytest

from inspect_app.instrument.fret_sequence import fret_sequence
from inspect_app.instrument.fretboard import fret_position

GAP = (5.0, 60.0)


def sequence(at, **how):
    return fret_sequence(at, np.ones(len(at)), GAP, **how)


@pytest.mark.parametrize("gone", [[], [3], [2, 5], [1]])
def test_frets_are_kept_and_what_lies_between_and_beyond_is_not(gone):
    numbers = np.delete(np.arange(9), gone)
    frets = fret_position(648.0, numbers + 4)
    other = np.array([frets[0] - 50.0, frets[3] + 9.0, frets[-1] + 47.0])
    at = np.sort(np.concatenate([frets, other]))
    said = sequence(at)
    assert at[list(said.kept)].tolist() == frets.tolist()
    assert said.numbers.tolist() == numbers.tolist()
    assert said.score > 0.0


@pytest.mark.slow
def test_lines_anywhere_are_seldom_likely_frets():
    rng = np.random.default_rng(0)
    tries = [sequence(np.sort(rng.uniform(0.0, 400.0, rng.integers(4, 14)))) for _ in range(150)]
    assert np.mean([s is not None and s.score > 0.0 for s in tries]) < 0.04


def test_even_stripes_are_no_frets():
    said = sequence(np.arange(12) * 20.0)
    assert said is None or said.score < 0.0


@pytest.mark.parametrize(("first", "last"), [(1, 4), (5, 9), (12, 20)])
def test_frets_counted_from_the_wrong_side_are_less_likely(first, last):
    at = fret_position(630.0, np.arange(first, last + 1))
    wrong = sequence(-at[::-1])
    assert sequence(at).score > (wrong.score if wrong else 0.0) + 2.0


@pytest.mark.parametrize("bend", [-8e-4, 6e-4])
def test_a_neck_tilted_away_is_followed_where_the_tilt_is_unknown(bend):
    at = fret_position(648.0, np.arange(3, 13))
    seen = at - at.mean()
    seen = np.sort(seen / (1.0 - bend * seen))
    bends = tuple(np.linspace(-1e-3, 1e-3, 9))
    said = sequence(seen, bends=bends)
    assert len(said.kept) == 10
    plain = sequence(seen)
    assert plain is None or len(plain.kept) < 10 or plain.score < said.score
