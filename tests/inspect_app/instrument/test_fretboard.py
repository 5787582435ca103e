"""The fretboard as a ruler, against equal temperament worked out elsewhere."""

import math
import tomllib
from decimal import Decimal, localcontext
from pathlib import Path

import numpy as np
import pytest

from inspect_app.instrument.fretboard import fit_cone, fit_spacing, fret_position
from shared.trade import SLOT_U_MM

REFERENCE = tomllib.loads((Path(__file__).parents[2] / "reference" / "equal_temperament.toml").read_text())


@pytest.mark.parametrize("scale", REFERENCE["scale"], ids=lambda s: str(s["length"]))
def test_positions_are_those_of_equal_temperament(scale):
    for n, x in scale.items():
        if n != "length":
            assert float(fret_position(scale["length"], int(n))) == pytest.approx(x, abs=1e-6)


def test_positions_keep_full_precision_against_forty_digits():
    with localcontext(prec=40):
        for n in (1, 7, 12, 24, 36):
            exact = Decimal("647.7") * (1 - Decimal(2) ** (Decimal(-n) / 12))
            assert float(fret_position(647.7, n)) == pytest.approx(float(exact), rel=4e-16)


def test_each_gap_is_the_rest_of_the_string_over_the_trades_divisor():
    x = fret_position(1.0, np.arange(25))
    assert np.diff(x) == pytest.approx((1.0 - x[:-1]) / REFERENCE["source"]["divisor"], rel=1e-12)


@pytest.mark.parametrize("factor", [0.92, 1.0, 1.08])
def test_spacing_fit_finds_the_factor(factor):
    n = np.arange(3, 11)
    fit = fit_spacing(5.0 + factor * fret_position(630.0, n), n, 630.0, 0.02)
    assert fit.ratio == pytest.approx(factor, abs=1e-12)
    assert fit.offset == pytest.approx(5.0, abs=1e-9)


def test_spacing_uncertainty_covers_both_ways():
    rng = np.random.default_rng(5)
    n = np.arange(1, 7)
    pull = []
    for _ in range(400):
        y = fret_position(648.0, n) + rng.normal(0, math.hypot(0.02, SLOT_U_MM), len(n))
        fit = fit_spacing(y, n, 648.0, 0.02)
        pull.append((fit.ratio - 1.0) / fit.u_fit)
    assert 0.90 < np.mean(np.abs(pull) < 2.0) < 0.99


def test_a_wrong_first_number_is_six_per_cent():
    n = np.arange(4, 10)
    assert fit_spacing(fret_position(648.0, n), n + 1, 648.0, 0.02).ratio == pytest.approx(2 ** (1 / 12), rel=1e-9)


LINES = tomllib.loads((Path(__file__).parents[2] / "reference" / "iso28037.toml").read_text())["line"]


@pytest.mark.parametrize("case", LINES, ids=lambda c: c["name"])
def test_a_cones_line_is_that_of_iso_28037(case):
    """ISO/TS 28037:2010, pages 13 and 14; where its chi-squared is above its degrees of freedom, ours is wider."""
    cone = fit_cone(case["x"], case["y"], case["u"])
    wider = max(1.0, math.sqrt(case["chi2"] / (len(case["x"]) - 2)))
    assert cone.misfit == pytest.approx(wider, rel=1e-3)
    assert (cone.at_nut, cone.gain) == pytest.approx((case["a"], case["b"]), abs=1e-4)
    assert (cone.u_at_nut, cone.u_gain) == pytest.approx((wider * case["u_a"], wider * case["u_b"]), rel=1e-3)
    assert cone.covariance == pytest.approx(wider**2 * case["cov"], rel=1e-3)


def test_a_compound_board_is_told_from_a_cylinder_and_its_radius_covered():
    rng = np.random.default_rng(3)
    place = fret_position(647.7, [1, 5, 9, 12, 17])
    inside = []
    for _ in range(200):
        true = 241.3 + 0.25 * place  # 9.5 to 16 inches over a board (common practice, no source)
        cone = fit_cone(place, true + rng.normal(0.0, 2.0, 5), np.full(5, 2.0))
        assert cone.compound
        at = cone.radius(float(place[2]))
        inside.append(abs(at.value - true[2]) <= at.expanded)
    assert 0.9 <= np.mean(inside) <= 0.995
    told = [fit_cone(place, 304.8 + rng.normal(0.0, 2.0, 5), np.full(5, 2.0)).compound for _ in range(200)]
    assert np.mean(told) < 0.08


def test_two_frets_give_no_cone():
    assert fit_cone([30.0, 30.0, 120.0], [250.0, 251.0, 270.0], [1.0, 1.0, 1.0]) is None
