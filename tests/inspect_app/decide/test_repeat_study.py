"""A repeat study from answers: what is compared with what, and that the stated u stands beside the spread."""

import numpy as np
import pytest

from inspect_app.decide.repeat_study import repeat_study
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Divot, FretReading, Inspection, PhotoSummary
from shared.errors import OptionError
from shared.measured import Measured


def mm(value, own=0.02, scale=0.05):
    return Measured.of(value, "mm", edges=own, scale=scale)


def answer(widths, **more):
    frets = tuple(FretReading(n, crown_width=mm(w), position=mm(30.0 * n + w), **more) for n, w in widths.items())
    return Inspection("plan", PhotoSummary("x.jpg", "", 10, 10), "0", Ask("plan").to_dict(), frets)


def test_the_spread_over_photos_and_people_comes_back():
    rng = np.random.default_rng(2)
    true = {n: 2.5 + 0.05 * rng.normal() for n in range(1, 13)}
    answers = []
    for who, offset in (("A", 0.03), ("B", -0.03)):
        answers += [(who, answer({n: w + offset + rng.normal(0, 0.02) for n, w in true.items()})) for _ in range(6)]
    (row,) = repeat_study(answers)
    assert (row.quantity, row.unit) == ("crown width", "mm")  # the position only says where the scale lay
    assert row.precision.repeatability == pytest.approx(0.02, rel=0.15)
    assert row.precision.between == pytest.approx(0.03 * np.sqrt(2), rel=0.2)
    assert (row.precision.things, row.precision.groups, row.precision.readings) == (12, 2, 144)
    assert row.stated == pytest.approx(0.02)  # without the scale, which all photos share


def test_of_several_divots_the_deepest_stands_for_all():
    def divots(*depths):
        return tuple(Divot(mm(9.0), mm(3.0), mm(d)) for d in depths)

    pairs = [("A", answer({1: 2.5}, divots=divots(0.05, 0.12))), ("A", answer({1: 2.5}, divots=divots(0.14)))]
    rows = {r.quantity: r.precision for r in repeat_study(pairs)}
    assert set(rows) == {"crown width", "deepest divot"}
    assert rows["deepest divot"].mean == pytest.approx(0.13)


def test_frets_seen_once_are_left_out_and_nothing_twice_is_said():
    (row,) = repeat_study([("A", answer({1: 2.5, 2: 2.6})), ("A", answer({1: 2.52}))])
    assert row.precision.things == 1
    with pytest.raises(OptionError, match="Nothing was read twice"):
        repeat_study([("A", answer({1: 2.5})), ("B", answer({1: 2.5}))])
