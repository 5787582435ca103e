"""Medians beside SciPy's: a line of the median slope, and the spread about a median."""

import numpy as np
import pytest
from scipy.stats import median_abs_deviation, theilslopes

from calib.lines import MAD_TO_SD, theil_sen
from calib.robust_spread import spread_about_median


@pytest.mark.parametrize("n", [4, 5, 60])
def test_the_line_of_the_median_slope_is_scipys(n):
    x, y = np.random.default_rng(n).normal(size=(2, n))
    x[1] = x[0]  # two at one place have no slope
    slope, start, _, _ = theilslopes(y, x)
    assert theil_sen(y, x) == pytest.approx((slope, start), rel=1e-12)


def test_the_spread_about_a_median_is_scipys():
    x = np.random.default_rng(0).normal(size=(5, 8))
    assert spread_about_median(x) == pytest.approx(MAD_TO_SD * median_abs_deviation(x, axis=None), rel=1e-12)
