"""Maps of pixels that hardly bend: worked out on a coarse grid, filled in between by bilinear interpolation."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["coarse_places", "filled"]


def coarse_places(count: int, every: int) -> NDArray[np.float64]:
    """Places, in samples of a fine axis of `count`, at which a coarse grid is worked out for `filled`.

    They are the middles of runs of `every` samples, with one run more at either end.
    """
    return np.asarray((np.arange(-1, math.ceil(count / every) + 1) + 0.5) * every - 0.5, dtype=np.float64)


def filled(coarse: NDArray[np.float32], every: int, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Values on the fine grid, shape (rows, columns[, channels]), from those at the `coarse_places` of both axes."""
    rows, columns = shape
    size = (coarse.shape[1] * every, coarse.shape[0] * every)
    fine = cv2.resize(coarse, size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[every : every + rows, every : every + columns], dtype=np.float32)
