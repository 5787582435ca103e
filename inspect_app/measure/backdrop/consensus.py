"""The straight line that most points agree with, found by trying every pair of a coarse choice (no random draw)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["points_on_line"]

Array = NDArray[np.float64]
PAIRED_POINTS = 24
"""Points whose pairs are tried: 276 lines, of which one in sixteen joins two points of a straight quarter."""


def points_on_line(
    x: Array, y: Array, tolerance: float, least_apart: float, weights: Array
) -> NDArray[np.bool_] | None:
    """Points within a tolerance of the line y(x) through two of them that most, by their weights, agree with.

    Parameters
    ----------
    x, y, weights : ndarray, shape (N,)
    tolerance, least_apart : float
        Greatest distance from the line along y, and least distance of its two points along x; the unit of y and of x.

    Returns
    -------
    ndarray of bool, shape (N,), or None
        None when no two points are so far apart.

    Examples
    --------
    >>> x = np.arange(6.0)
    >>> points_on_line(x, np.array([0.0, 1.0, 2.0, 9.0, 4.0, 5.0]), 0.1, 0.5, np.ones(6)).astype(int)
    array([1, 1, 1, 0, 1, 1])
    """
    pick = np.unique(np.linspace(0, len(x) - 1, PAIRED_POINTS).astype(int))
    i, j = (k.ravel() for k in np.meshgrid(pick, pick))
    apart = np.abs(x[i] - x[j]) > least_apart
    if not apart.any():
        return None
    i, j = i[apart], j[apart]
    slope = (y[j] - y[i]) / (x[j] - x[i])
    off = np.abs(y[None, :] - y[i][:, None] - slope[:, None] * (x[None, :] - x[i][:, None]))
    return np.asarray(off[int(np.argmax((off < tolerance) @ weights))] < tolerance)
