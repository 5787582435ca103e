"""How far a sheet lies out of its plane, and what that does to what is measured by it.

A sheet on a bench is never flat: it bows, and waves between the places where it is held. Its heights are taken as a
random surface, Gaussian, with one standard deviation and a correlation that falls off over a reach. Over a small scale
they are a tilt that its own points can't show, for a tilted plane fits them as well; the farther from the scale, the
more that tilt counts.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["U_SHEET_MM", "SHEET_REACH_MM", "heights_covariance"]

U_SHEET_MM = 1.0 / (2.0 * math.sqrt(2.0))
"""Standard deviation of a sheet's heights: 1 mm from the lowest to the highest place of a sheet that lies on a bench or
is taped to it (common practice, no source), over twice the root of two for a wave."""
SHEET_REACH_MM = 297.0 / (2.0 * math.pi)
"""Reach of the correlation: a Gaussian surface of it is as steep, root mean square, as one wave as long as an A4 sheet
(ISO 216), 0.43 degrees."""


def heights_covariance(at_mm: NDArray[np.float64], u_mm: float = U_SHEET_MM) -> NDArray[np.float64]:
    """Covariance of the heights out of the plane at places (N, 2) mm of a sheet, mm^2, shape (N, N).

    Examples
    --------
    Two places a centimetre apart move together; a hand's width apart hardly:

    >>> cov = heights_covariance(np.array([[0.0, 0.0], [10.0, 0.0], [100.0, 0.0]]), u_mm=1.0)
    >>> cov[0].round(2).tolist()
    [1.0, 0.98, 0.11]
    """
    apart = at_mm[:, None] - at_mm[None]
    return np.asarray(u_mm**2 * np.exp(-np.einsum("ijk,ijk->ij", apart, apart) / (2.0 * SHEET_REACH_MM**2)))
