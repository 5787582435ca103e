"""The spread of residuals that outliers do not widen."""

from __future__ import annotations

__all__ = ["SIGMA_OF_MAD"]

SIGMA_OF_MAD = 1.4826
"""Standard deviation of normal values over the median of their absolute values: 1 / 0.67449, the normal distribution's
upper quartile. Residuals of a fit are measured from zero, `scipy.stats.median_abs_deviation` measures from the median
and takes more digits."""
