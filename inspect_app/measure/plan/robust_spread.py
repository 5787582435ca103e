"""How far values scatter, by medians: a few strange ones among them count for nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import median_abs_deviation

__all__ = ["spread_about_median", "spread_about_zero", "SIGMA_PER_MEDIAN"]

SIGMA_PER_MEDIAN = 1.4826
"""Standard deviation of a normal distribution over the median size of its departures, 1 / Phi^-1(3/4)."""


def spread_about_zero(departures: ArrayLike, axis: int | tuple[int, ...] | None = None) -> NDArray[np.float64]:
    """Standard deviation, in the unit of the departures, from their median size; `axis` is reduced.

    Examples
    --------
    >>> float(spread_about_zero([-1.0, 1.0, 1.0, -1.0, 50.0]))
    1.4826
    """
    return np.asarray(SIGMA_PER_MEDIAN * np.median(np.abs(departures), axis=axis))


def spread_about_median(values: ArrayLike) -> float:
    """The same of all values' departures from their own median."""
    return float(SIGMA_PER_MEDIAN * median_abs_deviation(values, axis=None))
