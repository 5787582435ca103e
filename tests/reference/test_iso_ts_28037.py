"""Weighted lines by the worked examples of ISO/TS 28037:2010; the numbers stand in iso28037.toml."""

import math

import numpy as np
import pytest

from calib.lines import weighted_lines


@pytest.mark.parametrize("k", [0, 1])
def test_weighted_line_iso_ts_28037(published, k):
    """ISO/TS 28037:2010 worked examples: coefficients, uncertainties, covariance, chi squared."""
    case = published("iso28037")["line"][k]
    x, y, u = (np.array([case[n]], dtype=float) for n in ("x", "y", "u"))
    w = 1 / u**2
    centre, mean, b = weighted_lines(x, y, w)
    var_b = 1 / float((w * (x - centre) ** 2).sum())
    a = float(mean[0] - b[0] * centre[0])
    assert a == pytest.approx(case["a"], abs=5e-5)
    assert b[0] == pytest.approx(case["b"], abs=5e-5)
    assert math.sqrt(1 / w.sum() + centre[0] ** 2 * var_b) == pytest.approx(case["u_a"], rel=1e-6)
    assert math.sqrt(var_b) == pytest.approx(case["u_b"], rel=1e-6)
    assert -centre[0] * var_b == pytest.approx(case["cov"], rel=1e-5)
    assert float((w * (y - a - b[0] * x) ** 2).sum()) == pytest.approx(case["chi2"], abs=6e-4)
