"""The worked examples of JCGM 101:2008 (draws, not the first order), clause 9; their numbers stand in gum.toml."""

import math

import numpy as np
import pytest

from calib.budget import Sampler, evaluate, total
from shared.measured import Contribution, Measured


def test_rectangles_of_jcgm_101_are_not_normal(published):
    """9.2.4: where one rectangle is much the largest, k = 2 is too wide; that is why limits are judged by draws."""
    g = published("gum")["jcgm101_9_2_4"]
    u = [1.0, 1.0, 1.0, 10.0]
    spread = math.sqrt(3.0) * np.array(u)
    draws = np.random.default_rng(1).uniform(-spread, spread, (400_000, 4)).sum(axis=1)
    assert draws.std() == pytest.approx(g["u"], abs=0.1)
    assert np.quantile(draws, 0.975) == pytest.approx(g["half_width_95"], abs=0.1)
    four = total([Measured.of(0.0, "1", **{f"x{k}": x}) for k, x in enumerate(u)])
    assert four.u == pytest.approx(g["u"], abs=0.1)
    assert four.expanded > 1.15 * g["half_width_95"]


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
