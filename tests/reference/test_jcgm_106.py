"""Conformity by JCGM 106:2012 and the decision rule of ISO 14253-1:2017; jcgm106.toml names the clauses."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from inspect_app.decide.limits import Limit, conformance_probability, judge
from shared.measured import Measured

REFERENCE = tomllib.loads((Path(__file__).parent / "jcgm106.toml").read_text("utf-8"))


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
