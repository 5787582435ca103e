"""The spread of residuals when some of them belong to something else."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from calib.lines import MAD_TO_SD

__all__ = ["robust_sigma"]


def robust_sigma(residuals: ArrayLike) -> float:
    """Standard deviation of residuals about zero, from their median size: up to half may lie anywhere.

    The median absolute value of a normal deviate is 0.6745 standard deviations, so 1.4826 times it is one.

    Examples
    --------
    >>> robust_sigma([-0.1, 0.1, 0.1, -0.1, 25.0])
    0.14826
    """
    return MAD_TO_SD * float(np.median(np.abs(np.asarray(residuals, dtype=float))))
