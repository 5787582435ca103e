"""What follows from the gaps of one photo across the neck: string height, relief, nut clearance, a high fret."""

import numpy as np
import pytest

from inspect_app.measure.backdrop.neck import neck_readings
from inspect_app.reading.ask import Ask
from inspect_app.reading.key import Key, Place, on_fret
from shared.measured import Measured


def gap(value, u=0.03):
    return Measured.of(value, "mm", crown_below_the_foot=u)


def readings(gaps, held=(), **more):
    ask = Ask("side", scale_length=640.0, string="first", held=held, **more)
    return neck_readings({n: gap(v) for n, v in gaps.items()}, {n: (-v, 0.012) for n, v in gaps.items()}, ask)


def test_an_open_string_gives_its_height_at_the_twelfth_fret():
    out, lost = readings({11: 1.9, 12: 2.0, 13: 2.1})
    assert out[Key(Place("neck"), "treble string height")].value == 2.0
    assert lost == ()


def test_held_at_both_ends_of_the_bow_it_gives_the_relief():
    """A bow of 0.2 mm between frets 1 and 16, as a parabola over the neck; its middle lies at fret 7."""
    places = 640.0 * (1.0 - 2.0 ** (-np.arange(0, 20) / 12.0))
    low, high = places[1], places[16]
    t = (places - (low + high) / 2.0) / ((high - low) / 2.0)
    bow = {n: float(0.2 * (1.0 - t[n] ** 2)) for n in (5, 6, 7, 8, 9)}
    out, lost = readings(bow, (1, 16))
    assert out[Key(Place("neck"), "treble relief")].value == pytest.approx(0.2, abs=0.001)
    assert lost == ()
    out, lost = readings({2: 0.05, 3: 0.07}, (1, 16))
    assert "half-way" in lost[0].reason


def test_held_between_the_second_and_third_it_gives_the_nuts_clearance():
    out, _ = readings({1: 0.12, 4: 0.3}, (2, 3))
    assert out[Key(Place("neck"), "treble nut clearance")].value == 0.12
    _, lost = readings({4: 0.3}, (2, 3))
    assert "first fret" in lost[0].reason


def test_a_single_high_crown_stands_over_its_neighbours():
    out, _ = readings({4: 0.80, 5: 0.79, 6: 0.88})
    over = out[on_fret(5, "height over neighbours")]
    assert over.value == pytest.approx(0.05, abs=0.003)
    assert over.expanded < 0.04
