"""Combining measured values: against draws and GTC; the GUM's worked examples stand in tests/reference."""

from __future__ import annotations

import math
from dataclasses import replace

import GTC
import numpy as np
import pytest
from scipy.stats import chi2

from calib.budget import (
    Sampler,
    _one_in_a_hundred,
    difference,
    evaluate,
    ratio,
    scaled,
    total,
    weighted_mean,
)
from shared.measured import Contribution, Measured


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


@pytest.mark.slow
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
