"""Repeatability and reproducibility against ISO 5725-2, NIST StRD and simulated studies."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from inspect_app.decide.precision import pooled_precision, precision
from shared.errors import OptionError

REFERENCE = Path(__file__).parents[2] / "reference"
ISO_5725 = tomllib.loads((REFERENCE / "iso5725_2.toml").read_text("utf-8"))["level"]
NIST = tomllib.loads((REFERENCE / "nist_anova.toml").read_text("utf-8"))["set"]


@pytest.mark.parametrize("level", ISO_5725, ids=lambda level: f"{level['mean']}")
def test_sulfur_in_coal_iso_5725_2_b1(level):
    """ISO 5725-2:1994, B.1; from memory, each printed digit follows from the data."""
    p = precision(level["groups"])
    assert [round(v, 3) for v in (p.mean, p.repeatability, p.reproducibility)] == [
        level["mean"],
        level["s_r"],
        level["s_R"],
    ]


@pytest.mark.parametrize("data", NIST, ids=lambda data: data["name"].split(":")[0])
def test_certified_analyses_of_variance_of_nist(data):
    """NIST StRD, Analysis of Variance."""
    p = precision(data["groups"])
    n = len(data["groups"][0])
    assert {len(g) for g in data["groups"]} == {n}
    assert p.repeatability == pytest.approx(data["residual_sd"], rel=1e-9)
    between = max(0.0, (data["between_mean_square"] - data["within_mean_square"]) / n)
    assert p.between == pytest.approx(math.sqrt(between), rel=1e-8)


def test_small_differences_of_large_values_keep_their_digits():
    """NIST StRD, SmLs06: 18009 values near 1000000; certified mean squares 20.01 and 0.01."""
    tenths = (4, 3, 5, 3, 5, 3, 5, 3, 5)
    groups = [[1e6 + t / 10] + [1e6 + (t - 1) / 10, 1e6 + (t + 1) / 10] * 1000 for t in tenths]
    p = precision(groups)
    assert p.readings == 18009
    assert p.repeatability == pytest.approx(0.1, rel=1e-8)
    assert p.between == pytest.approx(math.sqrt((20.01 - 0.01) / 2001), rel=1e-8)


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
