"""One formatter for every number shown."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.measured import Measured
from shared.units import MM_PER_INCH, round_pair, show, show_plain, show_probability


@pytest.mark.parametrize(
    ("value", "expanded", "shown"),
    [
        # Particle Data Group, Review of Particle Physics, introduction, Rounding (from memory)
        (0.827, 0.119, ("0.83", "0.12")),
        (0.827, 0.367, ("0.8", "0.4")),
        # JCGM 100:2008 (GUM) 7.2.6 (from memory): 10.05762 with 27 milliohm is 10.058
        (10.05762, 0.027, ("10.058", "0.027")),
        # edges of the rule
        (1.23456, 0.0100, ("1.235", "0.010")),
        (1.23456, 0.0354, ("1.235", "0.035")),
        (1.23456, 0.0355, ("1.23", "0.04")),
        (1.23456, 0.0949, ("1.23", "0.09")),
        (1.23456, 0.0950, ("1.23", "0.10")),
        (1.23456, 0.0999, ("1.23", "0.10")),
        (1.23456, 0.99951, ("1.2", "1.0")),
        (123.456, 12.0, ("123", "12")),
        (1234.56, 123.0, ("1230", "120")),
        (1234.56, 450.0, ("1200", "400")),
        (-0.001, 0.012, ("-0.001", "0.012")),
        (-0.0001, 0.012, ("0.000", "0.012")),
        (0.0, 0.05, ("0.00", "0.05")),
        (2.5, 0.0, ("2.50000", "0")),
        # halves to the even digit, ISO 80000-1:2009 annex B rule A
        (2.345, 0.05, ("2.34", "0.05")),
        (2.355, 0.05, ("2.36", "0.05")),
    ],
)
def test_value_and_u_are_rounded_together(value, expanded, shown):
    v, u = round_pair(value, expanded)
    assert (f"{v:f}", f"{u:f}") == shown


def q(value: float, u: float, unit: str = "mm") -> Measured:
    return Measured.of(value, unit, edge=u)


@pytest.mark.parametrize(
    ("measured", "lengths", "text"),
    [
        (q(2.7134, 0.011), "mm", "2.713 ± 0.022 mm"),
        (q(2.7134, 0.02), "mm", "2.71 ± 0.04 mm"),
        (q(2.54, 0.0127), "inch", "100.0 ± 1.0 thou"),
        (q(1.27, 0.0254), "inch", "50.0 ± 2.0 thou"),
        (q(323.85, 0.0254), "inch", "12.7500 ± 0.0020 in"),
        (q(30.24, 0.4, "deg"), "mm", "30.2° ± 0.8°"),
        (q(30.24, 0.4, "deg"), "inch", "30.2° ± 0.8°"),
        (q(0.5, 0.05, "1"), "mm", "0.50 ± 0.10"),
    ],
)
def test_shown(measured, lengths, text):
    assert str(show(measured, lengths)) == text


def test_the_inch_is_exact():
    """International inch of 1959: 25.4 mm exactly."""
    assert MM_PER_INCH == 25.4
    assert show(q(25.4, 0.0254), "inch").value == "1.0000"


@pytest.mark.parametrize(
    ("args", "text"),
    [
        ((0.6, "mm"), "0.6 mm"),
        ((254.0, "mm"), "254 mm"),
        ((0.254, "mm", "inch"), "10 thou"),
        ((254.0, "mm", "inch"), "10 in"),
        ((30.0, "deg"), "30°"),
        ((647.7, "mm", "mm", 4), "647.7 mm"),
        ((0.0, "mm"), "0 mm"),
        ((0.33333, "1"), "0.333"),
    ],
)
def test_plain_numbers(args, text):
    assert show_plain(*args) == text


@pytest.mark.parametrize(("value", "expanded"), [(math.nan, 0.1), (1.0, math.inf), (1.0, -0.1)])
def test_what_cannot_be_shown_is_refused(value, expanded):
    with pytest.raises(ValueError, match="finite"):
        round_pair(value, expanded)


@pytest.mark.slow
@given(st.floats(-1e4, 1e4), st.floats(1e-6, 30.0))
def test_rounding_moves_neither_by_more_than_half_a_place(value, expanded):
    v, u = round_pair(value, expanded)
    place = Decimal(1).scaleb(u.as_tuple().exponent)
    assert abs(v - Decimal(repr(value))) <= place / 2
    assert abs(u - Decimal(repr(expanded))) <= place / 2
    assert abs(float(u) / expanded - 1) <= 0.15  # one digit kept from 355 on: at most 0.5 in 3.55


@given(st.floats(-100, 100), st.floats(1e-4, 10))
def test_both_texts_end_at_the_same_place(value, expanded):
    shown = show(q(value, expanded))
    decimals = [t.partition(".")[2] for t in (shown.value, shown.expanded)]
    assert len(decimals[0]) == len(decimals[1])


def test_what_is_nearly_sure_is_not_called_sure():
    assert [show_probability(p) for p in (0.0, 0.004, 0.5, 0.954, 0.996, 1.0)] == [
        "under 1 %", "under 1 %", "50 %", "95 %", "over 99 %", "over 99 %",
    ]  # fmt: skip
