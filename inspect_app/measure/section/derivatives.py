"""Derivatives by central differences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["derivatives"]

Array = NDArray[np.float64]
STEP = 1e-5
"""Half the difference, mm or rad: far under any dimension, far over what rounding leaves."""


def derivatives(function: Callable[[Array], Array], at: Array) -> Array:
    """Derivatives of a function's values, shape (...), by each of its arguments `at`, shape (P,); shape (..., P).

    >>> derivatives(lambda v: v**2, np.array([1.0, 3.0])).round(6)
    array([[2., 0.],
           [0., 6.]])
    """
    return np.stack([(function(at + d) - function(at - d)) / (2.0 * STEP) for d in STEP * np.eye(len(at))], axis=-1)
