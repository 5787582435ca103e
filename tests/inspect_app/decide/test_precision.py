"""Repeatability and reproducibility of simulated studies; published ones stand in tests/reference."""

import math

import numpy as np
import pytest

from inspect_app.decide.precision import pooled_precision, precision
from shared.errors import OptionError


def test_a_study_of_frets_gives_back_what_was_put_in():
    rng = np.random.default_rng(3)
    found = []
    for _ in range(60):
        things = 2.7 + rng.normal(0, 0.05, 12)
        offsets = rng.normal(0, 0.03, (4, 12))
        found.append(
            pooled_precision(
                {
                    f"fret {j}": {
                        f"person {i}": list(things[j] + offsets[i, j] + rng.normal(0, 0.02, 3)) for i in range(4)
                    }
                    for j in range(12)
                }
            )
        )
    assert np.mean([p.repeatability**2 for p in found]) == pytest.approx(0.02**2, rel=0.05)
    assert np.mean([p.between**2 for p in found]) == pytest.approx(0.03**2, rel=0.1)
    assert np.mean([p.of_things**2 for p in found]) == pytest.approx(0.05**2, rel=0.1)
    expected = math.hypot(0.02, 0.03) / math.hypot(0.02, 0.03, 0.05)
    assert np.mean([p.share for p in found]) == pytest.approx(expected, rel=0.1)


def test_one_person_tells_nothing_of_other_people():
    p = pooled_precision({"fret 1": {"A": [2.70, 2.72, 2.71]}, "fret 2": {"A": [2.60, 2.61, 2.62]}})
    assert p.between is None
    assert p.reproducibility is None
    assert p.measuring == p.repeatability
    assert p.dof == 4
    assert precision([[1.0, 1.1]]).share is None


def test_readings_taken_once_say_so():
    with pytest.raises(OptionError, match="Nothing was read twice"):
        pooled_precision({"fret 1": {"A": [2.7], "B": [2.8]}})
    with pytest.raises(OptionError, match="Nothing was read twice"):
        pooled_precision({})


def test_a_thing_that_nobody_could_read_is_passed_over():
    p = pooled_precision({"fret 1": {"A": [1.0, 2.0], "B": []}, "fret 2": {"A": [], "B": []}})
    assert (p.things, p.groups, p.readings) == (1, 1, 2)
