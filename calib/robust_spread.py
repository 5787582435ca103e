"""How far values scatter, by medians: a few strange ones among them count for nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.lines import MAD_TO_SD

__all__ = ["spread_about_median", "spread_about_zero"]


def spread_about_zero(departures: ArrayLike, axis: int | tuple[int, ...] | None = None) -> NDArray[np.float64]:
    """Standard deviation, in the unit of the departures, from their median size; `axis` is reduced.

    Examples
    --------
    >>> float(spread_about_zero([-1.0, 1.0, 1.0, -1.0, 50.0]))
    1.4826
    """
    return np.asarray(MAD_TO_SD * np.median(np.abs(departures), axis=axis))


def spread_about_median(values: ArrayLike) -> float:
    """The same of all values' departures from their own median."""
    x = np.asarray(values, dtype=np.float64)
    return float(spread_about_zero(x - np.median(x)))
