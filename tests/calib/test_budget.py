"""Combining measured values, against the worked examples of the GUM."""

from __future__ import annotations

import math
from dataclasses import replace

import GTC
import numpy as np
import pytest
from scipy import stats
from scipy.stats import chi2

from calib.budget import (
    Sampler,
    _one_in_a_hundred,
    correlation,
    difference,
    evaluate,
    ratio,
    scaled,
    total,
    weighted_mean,
)
from shared.measured import COVERAGE, Contribution, Measured, coverage_factor, effective_dof


def test_end_gauge_gum_h1(published):
    g = published("gum")["h1"]

    def exact(value: float, source: str, u: float) -> Measured:
        return Measured.of(value, "1", **{source: u})

    d = total([exact(g[k]["value"], k, g[k]["u"]) for k in ("d", "d1", "d2")])
    assert d.u == pytest.approx(g["u_d"], abs=0.05)
    dof_d = effective_dof([(g[k]["u"], g[k]["dof"]) for k in ("d", "d1", "d2")])
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
        [
            (parts["lS"], g["lS"]["dof"]),
            (d.u, dof_d),
            (parts["da"], g["da"]["dof"]),
            (parts["dtheta"], g["dtheta"]["dof"]),
        ]
    )
    assert dof == pytest.approx(g["dof"], abs=0.1)


def test_welch_satterthwaite_gum_g41(published):
    g = published("gum")["g41"]
    assert math.hypot(*g["u_percent"]) == pytest.approx(g["uc_percent"], abs=0.005)
    assert effective_dof(zip(g["u_percent"], g["dof"], strict=True)) == pytest.approx(g["dof_effective"], abs=0.05)


def correlated(means, cov, names):
    """Values with a given covariance: each a sum of the same independent influences (Cholesky)."""
    root = np.linalg.cholesky(cov)
    return [
        Measured(
            float(m),
            "1",
            tuple(Contribution("influence", abs(v), f"{k}", -1 if v < 0 else 1) for k, v in enumerate(row)),
        )
        for m, row, _ in zip(means, root, names, strict=True)
    ]


def test_simultaneous_resistance_and_reactance_gum_h2(published):
    """Three inputs read together, three results of them: values, u and correlations."""
    g = published("gum")["h2"]
    read = np.array([g["V"], np.array(g["I_mA"]) / 1000, g["phi"]])
    v, i, phi = correlated(read.mean(axis=1), np.cov(read) / read.shape[1], ("V", "I", "phi"))
    inputs = {"v": v, "i": i, "phi": phi}
    r = evaluate(lambda v, i, phi: v * math.cos(phi) / i, inputs, "1")
    x = evaluate(lambda v, i, phi: v * math.sin(phi) / i, inputs, "1")
    z = evaluate(lambda v, i, phi: v / i, inputs, "1")
    for name, q in (("R", r), ("X", x), ("Z", z)):
        assert q.value == pytest.approx(g[name], abs=0.001)
        assert q.u == pytest.approx(g[f"u_{name}"], abs=0.001)
    for name, (a, b) in {"RX": (r, x), "RZ": (r, z), "XZ": (x, z)}.items():
        assert correlation(a, b) == pytest.approx(g[f"r_{name}"], abs=0.001)


def test_calibration_line_gum_h3(published):
    """Slope and intercept are sums over the same observations, and a reading off the line is a sum of both."""
    g = published("gum")["h3"]
    x, b = np.array(g["t"]) - g["t0"], np.array(g["b"])
    slope, intercept = np.polyfit(x, b, 1)
    s = math.sqrt(np.sum((b - intercept - slope * x) ** 2) / (len(b) - 2))
    read = {f"b{k}": Measured(float(v), "1", (Contribution("reading", s, f"{k}"),)) for k, v in enumerate(b)}
    off = x - x.mean()
    by_slope = off / np.sum(off**2)
    by_intercept = 1.0 / len(b) - x.mean() * by_slope
    y1 = evaluate(lambda **o: float(by_intercept @ list(o.values())), read, "1")
    y2 = evaluate(lambda **o: float(by_slope @ list(o.values())), read, "1")
    at_30 = evaluate(lambda y1, y2: y1 + 10.0 * y2, {"y1": y1, "y2": y2}, "1")
    assert s == pytest.approx(g["s"], abs=5e-5)
    assert (y1.value, y2.value) == (pytest.approx(g["y1"], abs=5e-5), pytest.approx(g["y2"], abs=5e-6))
    assert (y1.u, y2.u) == (pytest.approx(g["u_y1"], abs=5e-5), pytest.approx(g["u_y2"], abs=5e-6))
    assert correlation(y1, y2) == pytest.approx(g["r"], abs=5e-4)
    assert (at_30.value, at_30.u) == (pytest.approx(g["b30"], abs=5e-5), pytest.approx(g["u_b30"], abs=5e-5))


def test_coverage_factor_of_few_degrees_of_freedom_gum_h1(published):
    g = published("gum")["h1_coverage"]
    assert coverage_factor(g["dof"], 0.99) == pytest.approx(g["k"], abs=0.005)
    assert coverage_factor(math.inf, 0.95) == pytest.approx(1.960, abs=0.0005)  # GUM table G.1
    assert coverage_factor(math.inf) == 2.0
    few = Measured(0.0, "1", (Contribution("a", 1.0, dof=4), Contribution("b", 1.0)))
    assert few.dof == pytest.approx(16.0)
    assert few.expanded == pytest.approx(few.u * stats.t.ppf((1 + COVERAGE) / 2, 16))


def widths(n, scale=0.008, own=0.02):
    return [
        Measured(2.6, "mm", (Contribution("scale", scale, "strip"), Contribution("crown edges", own, f"fret {k}")))
        for k in range(n)
    ]


def test_what_widths_share_stays_in_their_mean():
    assert weighted_mean(widths(24)).u == pytest.approx(0.0090, abs=5e-5)
    assert weighted_mean(widths(24)).u == pytest.approx(math.hypot(0.008, 0.02 / math.sqrt(24)))
    apart = [
        replace(q, contributions=(Contribution("scale", 0.008, f"strip {k}"), q.contributions[1]))
        for k, q in enumerate(widths(24))
    ]
    assert weighted_mean(apart).u == pytest.approx(0.0044, abs=5e-5)  # 24 scales would have been 24 chances
    height = [Measured.of(2.6, "mm", crown_height=0.025, crown_edges=0.02) for _ in range(21)]
    parts = {c.source: c.u for c in weighted_mean(height).contributions}
    assert parts["crown height"] == pytest.approx(0.025)


def test_the_law_agrees_with_drawing_by_brute_force():
    """Mean, difference, ratio and largest of readings that share a scale and a photo."""
    rng = np.random.default_rng(3)
    a, b = (
        Measured(v, "mm", (Contribution("scale", 0.004 * v, "s"), Contribution("edge noise", 0.02, name)))
        for v, name in ((2.6, "a"), (2.4, "b"))
    )
    scale = rng.standard_normal(200_000)
    x, y = (v * (1.0 + 0.004 * scale) + 0.02 * rng.standard_normal(200_000) for v in (2.6, 2.4))
    for ours, drawn in (
        (scaled(total([a, b]), 0.5), (x + y) / 2),
        (difference(a, b), x - y),
        (ratio(a, b), x / y),
        (total([a, b]), x + y),
    ):
        assert ours.u == pytest.approx(drawn.std(), rel=0.01)
    sampler = Sampler(200_000, seed=5)
    largest = np.maximum(sampler.draw(a), sampler.draw(b))
    assert largest.mean() == pytest.approx(np.maximum(x, y).mean(), abs=2e-4)
    assert largest.std() == pytest.approx(np.maximum(x, y).std(), rel=0.01)


def test_the_same_influence_is_drawn_alike_wherever_it_is_met():
    q = widths(1)[0]
    one, two = Sampler(100, seed=2), Sampler(100, seed=2)
    two.draw(widths(3)[2])  # what is drawn before does not matter
    assert np.array_equal(one.draw(q), two.draw(q))
    assert np.array_equal(one.draw(q), one.draw(q))
    bare = Measured.of(1.0, "mm", edges=0.1)
    assert not np.array_equal(one.draw(bare), one.draw(bare))  # nobody said that these are one reading


def test_an_effect_of_unknown_sign_never_cancels():
    a, b = (Measured(v, "mm", (Contribution("camera elevation", 0.01, "p", 0),)) for v in (0.2, 0.1))
    assert difference(a, b).u == pytest.approx(0.02)
    assert weighted_mean([a, b]).u == pytest.approx(0.01)


def test_the_law_agrees_with_gtc():
    """GTC 1.5 (Measurement Standards Laboratory of New Zealand): labelled influences, the same nonlinear model."""
    scale, e1, e2 = GTC.ureal(0, 0.004), GTC.ureal(0, 0.02), GTC.ureal(0, 0.03)
    f, w = 0.9 * (1 + scale) + e1, 2.6 * (1 + scale) + e2
    theirs = (f / w) * GTC.sqrt(w)
    ours = evaluate(
        lambda f, w: f / w * math.sqrt(w),
        {
            "f": Measured(0.9, "mm", (Contribution("scale", 0.0036), Contribution("edge noise", 0.02, "f"))),
            "w": Measured(2.6, "mm", (Contribution("scale", 0.0104), Contribution("edge noise", 0.03, "w"))),
        },
        "1",
    )
    assert ours.u == pytest.approx(GTC.uncertainty(theirs), rel=1e-3)


def test_rectangles_of_jcgm_101_are_not_normal(published):
    """9.2.4: where one rectangle is much the largest, k = 2 is too wide; that is why limits are judged by draws."""
    g = published("gum")["jcgm101_9_2_4"]
    spread = math.sqrt(3.0) * np.array([1.0, 1.0, 1.0, 10.0])
    draws = np.random.default_rng(1).uniform(-spread, spread, (400_000, 4)).sum(axis=1)
    assert draws.std() == pytest.approx(g["u"], abs=0.1)
    assert np.quantile(draws, 0.975) == pytest.approx(g["half_width_95"], abs=0.1)


def test_sum_of_four_jcgm_101(published):
    """JCGM 101:2008, 9.2.2."""
    four = total([Measured.of(0.0, "1", **{f"x{k}": 1.0}) for k in range(4)])
    assert four.u == pytest.approx(published("gum")["jcgm101_9_2_2"]["u"])


def test_sum_of_four_rectangles_jcgm_101(published):
    """JCGM 101:2008, 9.2.3: as good as normal, and k = 2 a little wide."""
    g = published("gum")["jcgm101_9_2_3"]
    four = total([Measured.of(0.0, "1", **{f"x{k}": 1.0}) for k in range(4)])
    assert four.u == pytest.approx(g["u"])
    draws = np.random.default_rng(2).uniform(-math.sqrt(3.0), math.sqrt(3.0), (400_000, 4)).sum(axis=1)
    assert np.quantile(draws, 0.975) == pytest.approx(g["half_width_95_exact"], abs=0.02)
    assert g["half_width_95"] < four.expanded < 1.05 * g["half_width_95"]


def test_mass_calibration_jcgm_101_9_3(published):
    """JCGM 101:2008, 9.3: the first order, which is ours, misses what only the second holds; draws show it."""
    g = published("gum")["jcgm101_9_3"]

    def mass(m_R, dm_R, rho_a, rho_W, rho_R):
        return (m_R + dm_R) * (1.0 + (rho_a - 1.2) * (1.0 / rho_W - 1.0 / rho_R)) - g["m_nominal"]

    rectangles = {k: (sum(g[k]) / 2.0, (g[k][1] - g[k][0]) / 2.0) for k in ("rho_a", "rho_W", "rho_R")}
    normals = {k: (g[k]["value"], g[k]["u"]) for k in ("m_R", "dm_R")}
    inputs = {k: Measured.of(m, "1", **{k: half / math.sqrt(3.0)}) for k, (m, half) in rectangles.items()}
    inputs |= {k: Measured.of(m, "1", **{k: u}) for k, (m, u) in normals.items()}
    first = evaluate(mass, inputs, "1")
    assert first.value == pytest.approx(g["dm"], abs=5e-4)
    assert first.u == pytest.approx(g["u_first_order"], abs=5e-5)
    rng = np.random.default_rng(3)
    drawn = {k: rng.uniform(m - half, m + half, 400_000) for k, (m, half) in rectangles.items()}
    drawn |= {k: rng.normal(m, u, 400_000) for k, (m, u) in normals.items()}
    assert np.std(mass(**drawn)) == pytest.approx(g["u_draws"], rel=0.005)


def test_gauge_block_jcgm_101_9_5(published):
    """JCGM 101:2008, 9.5: end gauge of GUM H.1 by draws; Student's t makes it 36 nm, not 32."""
    h, g = published("gum")["h1"], published("gum")["jcgm101_9_5"]
    n, rng = 400_000, np.random.default_rng(4)

    def drawn(name: str) -> np.ndarray:
        c = Contribution(name, h[name]["u"], dof=h[name]["dof"])
        return h[name]["value"] + c.u * Sampler(n).deviates(c)

    def trapezoid(half: float, inexact: float) -> np.ndarray:
        width = rng.uniform(half - inexact, half + inexact, n)
        return rng.uniform(-1.0, 1.0, n) * width

    lS = drawn("lS")
    d = drawn("d") + drawn("d1") + drawn("d2")
    aS = h["aS"]["value"] + rng.uniform(-1.0, 1.0, n) * h["aS"]["half_width"]
    cyclic = h["theta_cyclic_half_width"] * np.sin(rng.uniform(0.0, 2.0 * math.pi, n))
    theta = rng.normal(h["theta_mean"]["value"], h["theta_mean"]["u"], n) + cyclic
    da = trapezoid(h["da"]["half_width"], 0.1e-6)  # its limits are known to 10 %, those of dtheta to a half
    dtheta = trapezoid(h["dtheta"]["half_width"], 0.025)
    length = lS + d - lS * (da * theta + aS * dtheta) - 50e6
    assert length.mean() == pytest.approx(g["dm_nm"], abs=0.5)
    assert length.std() == pytest.approx(g["u_draws"], abs=0.5)
    assert g["u_first_order"] == pytest.approx(h["uc"], abs=0.5)


def test_what_is_common_cancels_in_a_difference():
    a = Measured.of(50.0, "mm", scale=0.050, edge=0.01)
    b = Measured.of(47.0, "mm", scale=0.047, edge=0.01)
    d = difference(a, b)
    parts = {c.source: c.u for c in d.contributions}
    assert d.value == pytest.approx(3.0)
    assert parts["scale"] == pytest.approx(0.003)
    assert parts["edge"] == pytest.approx(0.01 * math.sqrt(2))
    assert total([a, b]).u == pytest.approx(math.hypot(0.097, 0.01 * math.sqrt(2)))
    assert ratio(a, b).u == pytest.approx(math.hypot(0.01 / 47, 0.01 * 50 / 47**2), rel=1e-5)


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
    together = weighted_mean([one, one])
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
