"""Combining measured values, against the worked examples of the GUM."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2

from calib.budget import _one_in_a_hundred, difference, effective_dof, evaluate, ratio, scaled, total, weighted_mean
from shared.measured import Measured


def test_end_gauge_gum_h1(published):
    g = published("gum")["h1"]

    def exact(value: float, source: str, u: float) -> Measured:
        return Measured.of(value, "1", **{source: u})

    d = total([exact(g[k]["value"], k, g[k]["u"]) for k in ("d", "d1", "d2")])
    assert d.u == pytest.approx(g["u_d"], abs=0.05)
    dof_d = effective_dof([g[k]["u"] for k in ("d", "d1", "d2")], [g[k]["dof"] for k in ("d", "d1", "d2")])
    assert dof_d == pytest.approx(g["dof_d"], abs=0.2)  # printed from unrounded d1, d2

    rectangular = {k: g[k]["half_width"] / math.sqrt(3) for k in ("aS", "da", "dtheta")}
    u_theta = math.hypot(g["theta_mean"]["u"], g["theta_cyclic_half_width"] / math.sqrt(2))
    inputs = {
        "lS": exact(g["lS"]["value"], "lS", g["lS"]["u"]),
        "d": d,
        "aS": exact(g["aS"]["value"], "aS", rectangular["aS"]),
        "theta": exact(g["theta_mean"]["value"], "theta", u_theta),
        "da": exact(0.0, "da", rectangular["da"]),
        "dtheta": exact(0.0, "dtheta", rectangular["dtheta"]),
    }
    length = evaluate(lambda lS, d, aS, theta, da, dtheta: lS + d - lS * (da * theta + aS * dtheta), inputs, "1")
    parts = {c.source: c.u for c in length.contributions}
    assert length.value == pytest.approx(g["l"], abs=0.5)
    assert length.u == pytest.approx(g["uc"], abs=0.5)
    assert length.u == pytest.approx(g["uc_exact"], rel=1e-6)
    for k in ("lS", "dtheta", "da"):
        assert parts[k] == pytest.approx(g[f"component_{k}"], abs=0.06)
    dof = effective_dof(
        [parts["lS"], d.u, parts["da"], parts["dtheta"]], [g["lS"]["dof"], dof_d, g["da"]["dof"], g["dtheta"]["dof"]]
    )
    assert dof == pytest.approx(g["dof"], abs=0.1)


def test_welch_satterthwaite_gum_g41(published):
    g = published("gum")["g41"]
    assert math.hypot(*g["u_percent"]) == pytest.approx(g["uc_percent"], abs=0.005)
    assert effective_dof(g["u_percent"], g["dof"]) == pytest.approx(g["dof_effective"], abs=0.05)


def test_a_common_source_adds_with_sign(published):
    """GUM H.2: Z = V / I, inputs correlated. V and I are split into common and separate parts by it."""
    g = published("gum")["h2"]
    v, i = np.array(g["V"]), np.array(g["I_mA"]) / 1000
    cov = np.cov(v, i) / len(v)
    # V = common + own, I carries k times the common part; r is negative, so k is too: write I's effect through 1 / I
    uv, r = math.sqrt(cov[0, 0]), cov[0, 1] / math.sqrt(cov[0, 0] * cov[1, 1])
    inverse = 1 / i.mean()
    u_inverse = math.sqrt(cov[1, 1]) * inverse**2
    big_v = Measured.of(v.mean(), "1", common=uv)
    conductance = Measured.of(inverse, "1", common=abs(r) * u_inverse, own=math.sqrt(1 - r**2) * u_inverse)
    z = evaluate(lambda a, b: a * b, {"a": big_v, "b": conductance}, "1", common=("common",))
    assert z.value == pytest.approx(g["Z"], abs=0.001)
    assert z.u == pytest.approx(g["u_Z"], abs=0.001)


def test_sum_of_four_jcgm_101(published):
    """JCGM 101:2008, 9.2.2."""
    four = total([Measured.of(0.0, "1", **{f"x{k}": 1.0}) for k in range(4)])
    assert four.u == pytest.approx(published("gum")["jcgm101_9_2_2"]["u"])


def test_what_is_common_cancels_in_a_difference():
    a = Measured.of(50.0, "mm", scale=0.050, edge=0.01)
    b = Measured.of(47.0, "mm", scale=0.047, edge=0.01)
    d = difference(a, b, common=("scale",))
    parts = {c.source: c.u for c in d.contributions}
    assert d.value == pytest.approx(3.0)
    assert parts["scale"] == pytest.approx(0.003)
    assert parts["edge"] == pytest.approx(0.01 * math.sqrt(2))
    assert difference(a, b).u > 0.06
    assert total([a, b], common=("scale",)).u == pytest.approx(math.hypot(0.097, 0.01 * math.sqrt(2)))
    assert ratio(a, b, common=("scale",)).u == pytest.approx(math.hypot(0.01 / 47, 0.01 * 50 / 47**2), rel=1e-5)


def test_scaling_keeps_names_flags_and_hands():
    q = Measured(2.0, "mm", Measured.of(0, "mm", edge=0.1, scale=0.2).contributions, ("GLARE",), by_hand=True)
    s = scaled(q, -3.0)
    assert (s.value, s.unit, s.flags, s.by_hand) == (-6.0, "mm", ("GLARE",), True)
    assert {c.source: pytest.approx(c.u) for c in s.contributions} == {"edge": 0.3, "scale": 0.6}


def test_coverage_of_a_nonlinear_result():
    """A flat's depth from its width, d = r - sqrt(r^2 - f^2 / 4): stated u against drawn inputs."""
    rng = np.random.default_rng(1)
    width, radius = Measured.of(0.9, "mm", edge=0.03), Measured.of(1.3, "mm", edge=0.05)

    def depth(f: float, r: float) -> float:
        return r - math.sqrt(r**2 - f**2 / 4)

    d = evaluate(depth, {"f": width, "r": radius}, "mm")
    drawn = [depth(f, r) for f, r in zip(rng.normal(0.9, 0.03, 20000), rng.normal(1.3, 0.05, 20000), strict=True)]
    assert d.u == pytest.approx(np.std(drawn), rel=0.03)
    assert np.mean(np.abs(np.array(drawn) - d.value) < 2 * d.u) == pytest.approx(0.954, abs=0.01)


def test_weighted_mean_of_readings_that_agree_and_that_do_not():
    agree = weighted_mean([Measured.of(2.70, "mm", edge=0.02), Measured.of(2.71, "mm", edge=0.01)])
    assert agree.value == pytest.approx((2.70 / 4 + 2.71) / 1.25)
    assert agree.u == pytest.approx(0.01 / math.sqrt(1.25))
    assert not agree.flags
    apart = weighted_mean([Measured.of(2.60, "mm", edge=0.02), Measured.of(2.71, "mm", edge=0.01)])
    assert apart.flags == ("DISAGREES",)
    assert apart.u > 3 * agree.u
    one = Measured.of(2.7, "mm", edge=0.02, scale=0.01)
    together = weighted_mean([one, one], common=("scale",))
    assert together.u == pytest.approx(math.hypot(0.02 / math.sqrt(2), 0.01))
    assert weighted_mean([one]).value == one.value


def test_weighted_mean_covers():
    rng = np.random.default_rng(4)
    z, doubted = [], 0
    for _ in range(2000):
        us = rng.uniform(0.01, 0.03, 4)
        m = weighted_mean([Measured.of(2.7 + rng.normal(0, u), "mm", edge=u) for u in us])
        z.append((m.value - 2.7) / m.u)
        doubted += bool(m.flags)
    assert np.mean(np.abs(z) < 2) == pytest.approx(0.96, abs=0.02)
    assert doubted / 2000 == pytest.approx(0.01, abs=0.008)


@pytest.mark.parametrize("dof", [1, 2, 5, 20])
def test_the_one_percent_point_is_that_of_scipy(dof):
    assert _one_in_a_hundred(dof) == pytest.approx(chi2.ppf(0.99, dof), rel=0.03)


def test_units_must_agree():
    a, b = Measured.of(1.0, "mm", e=0.1), Measured.of(1.0, "deg", e=0.1)
    for call in (lambda: difference(a, b), lambda: ratio(a, b), lambda: total([]), lambda: weighted_mean([a, b])):
        with pytest.raises(ValueError, match="one unit"):
            call()
    with pytest.raises(ValueError, match="clear of zero"):
        ratio(a, Measured.of(0.1, "mm", e=0.1))
