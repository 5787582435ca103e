"""Limits and verdicts against JCGM 106:2012 and ISO 14253-1:2017 (tests/reference/jcgm106.toml)."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from inspect_app.decide.limits import Limit, Limits, Verdict, conformance_probability, judge, verdict_of
from shared.measured import Measured

REFERENCE = tomllib.loads((Path(__file__).parents[2] / "reference" / "jcgm106.toml").read_text("utf-8"))


@pytest.mark.parametrize(
    ("p", "z"), list(zip(REFERENCE["table_1"]["probability"], REFERENCE["table_1"]["z"], strict=True))
)
def test_one_sided_probability_follows_table_1(p, z):
    assert conformance_probability(0.0, 1.0, upper=z) == pytest.approx(p, abs=0.002)


@pytest.mark.parametrize("example", REFERENCE["example"], ids=lambda e: e["name"])
def test_worked_examples(example):
    p = conformance_probability(example["value"], example["u"], lower=example.get("lower"), upper=example.get("upper"))
    assert p == pytest.approx(example["probability"], abs=0.005)


def test_global_risks_of_the_resistors():
    """JCGM 106:2012, 9.5: what is accepted within the guard band and yet beyond the tolerance, and the reverse."""
    r = REFERENCE["resistors"]
    mean, spread, u = r["process"]["value"], r["process"]["u"], r["u"]
    seen = math.hypot(spread, u)
    read = mean + seen * np.linspace(-8.0, 8.0, 4001)
    density = np.exp(-0.5 * ((read - mean) / seen) ** 2)
    density /= density.sum()
    weight = spread**2 / seen**2  # Bayes' rule for a normal process and a normal reading
    true, u_true = mean + weight * (read - mean), spread * u / seen
    lower, upper = mean - r["tolerance"], mean + r["tolerance"]
    good = np.array([conformance_probability(t, u_true, lower=lower, upper=upper) for t in true])
    accepted = np.abs(read - mean) <= r["acceptance"]
    assert conformance_probability(mean, spread, lower=lower, upper=upper) == pytest.approx(r["in_tolerance"], abs=1e-6)
    assert float(density @ (accepted * (1.0 - good))) == pytest.approx(r["consumer_risk"], rel=0.01)
    assert float(density @ (~accepted * good)) == pytest.approx(r["producer_risk"], rel=0.01)


def test_verdict_vectors_of_the_decision_rule():
    ref = REFERENCE["iso14253_1"]
    limit = Limit("x", "x", ref["lower"], "mm", "lower", "test")
    said = [str(judge(Measured.of(v, "mm", all=ref["u"]), limit).verdict) for v in ref["values"]]
    assert said == ref["verdicts"]


def test_without_uncertainty_the_limit_itself_decides():
    assert conformance_probability(1.0, 0.0, upper=1.0) == 1.0
    assert conformance_probability(1.1, 0.0, upper=1.0) == 0.0


def test_a_limit_in_another_unit_is_refused():
    with pytest.raises(ValueError, match="deg"):
        judge(Measured.of(1.0, "mm", all=0.1), Limits.default()["bevel_deviation"])


def test_default_limits_name_their_source_and_survive_the_store():
    limits = Limits.default()
    assert all(e.source for e in limits.entries)
    assert Limits.from_dict(limits.to_dict()) == limits


def test_a_limit_set_by_the_shop_says_so():
    limits = Limits.default().with_value("crown_height", 0.8)
    assert limits["crown_height"].value == 0.8
    assert limits["crown_height"].source == "set by the shop"
    with pytest.raises(ValueError, match="above zero"):
        limits.with_value("crown_height", float("nan"))


def test_verdict_is_symmetric_about_one_half():
    assert verdict_of(0.95) == Verdict.WITHIN
    assert verdict_of(0.05) == Verdict.BEYOND
    assert verdict_of(0.5) == Verdict.CANNOT_TELL
