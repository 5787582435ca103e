"""What is said where a known thing reads wrong, and how often an honest one does."""

import math

import numpy as np
import pytest

from inspect_app.decide.known_thing import compare, e_n
from shared.measured import Measured


def of(value, u, unit="mm"):
    return Measured.of(value, unit, all=u)


def test_about_one_in_twenty_honest_results_is_told_to_look_again():
    rng = np.random.default_rng(5)
    said = [compare(of(0.5 + rng.normal(0, 0.01), 0.01), of(0.5 + rng.normal(0, 0.003), 0.003)) for _ in range(2000)]
    assert np.mean([c.agrees for c in said]) == pytest.approx(math.erf(math.sqrt(2.0)), abs=0.012)


def test_a_leaf_of_another_thickness_is_found_out():
    c = compare(of(0.548, 0.006), of(0.50, 0.0025))
    assert not c.agrees
    assert c.number > 1.0
    assert "another thing, of 0.548 mm:" in c.advice[0]


def test_a_wrong_print_is_thought_of_first_where_all_is_a_little_off():
    c = compare(of(10.204, 0.02), of(10.0, 0.005))  # a print at 98 % reads 1/0.98
    assert not c.agrees
    assert "2 % too large" in c.advice[0]
    assert "check bar" in c.advice[0]


def test_what_agreement_is_worth():
    c = compare(of(0.50, 0.05), of(0.50, 0.002))
    assert c.agrees
    assert "20 % larger or smaller would just be noticed" in c.advice[0]
    assert "go closer" in c.advice[1]
    assert len(compare(of(0.50, 0.005), of(0.50, 0.0025)).advice) == 1


def test_of_a_print_nobody_measured_the_bar_comes_first():
    c = compare(of(0.50, 0.0075), of(0.50, 0.001), ("PRINT_UNVERIFIED",))
    assert c.agrees
    assert "Nobody has measured this print's check bar" in c.advice[1]
    assert not any("go closer" in a for a in c.advice)


def test_an_angle_is_looked_at_otherwise_than_a_length():
    c = compare(of(33.0, 0.5, "deg"), of(30.0, 0.1, "deg"))
    assert "square to the picture" in c.advice[0]


def test_units_must_agree():
    with pytest.raises(ValueError, match="can't be compared"):
        compare(of(1.0, 0.1), of(1.0, 0.1, "deg"))
    with pytest.raises(ValueError, match="needs an expanded uncertainty"):
        e_n(1.0, 0.0, 1.0, 0.0)
