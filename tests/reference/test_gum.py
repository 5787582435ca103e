"""The worked examples of the GUM (JCGM 100:2008), annexes G and H; gum.toml names clause and table."""

import math

import numpy as np
import pytest
from scipy import stats

from calib.budget import correlation, evaluate, total
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
