"""Certified values of the NIST Statistical Reference Datasets: univariate, analysis of variance, the line of Norris."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from calib.lines import weighted_lines
from inspect_app.decide.precision import precision

NIST = tomllib.loads((Path(__file__).parent / "nist_anova.toml").read_text("utf-8"))["set"]


@pytest.mark.parametrize("large", [1e6, 1e7])
def test_a_spread_far_below_the_values_keeps_its_digits(large):
    """NIST StRD, NumAcc3 and NumAcc4 (definition and certified values from memory): 1001 values about `large`."""
    p = precision([[large + 0.2] + [large + 0.1, large + 0.3] * 500])
    assert p.mean == pytest.approx(large + 0.2, rel=1e-14)
    assert p.repeatability == pytest.approx(0.1, rel=2e-7)


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


def test_weighted_line_nist_norris(published):
    """NIST StRD Norris: certified coefficients and their standard deviations."""
    data = published("nist_norris")
    x, y = np.array(data["data"]["x"])[None], np.array(data["data"]["y"])[None]
    certified = data["certified"]
    centre, a, b = weighted_lines(x, y, np.ones_like(x))
    b0 = a - b * centre
    residual = y - b0[:, None] - b[:, None] * x
    s = math.sqrt(float((residual**2).sum()) / (x.size - 2))
    sxx = float(((x - centre) ** 2).sum())
    assert b0[0] == pytest.approx(certified["b0"], rel=1e-10)
    assert b[0] == pytest.approx(certified["b1"], rel=1e-12)
    assert s == pytest.approx(certified["residual_sd"], rel=1e-11)
    assert s / math.sqrt(sxx) == pytest.approx(certified["u_b1"], rel=1e-11)
    assert s * math.sqrt(1 / x.size + centre[0] ** 2 / sxx) == pytest.approx(certified["u_b0"], rel=1e-11)
