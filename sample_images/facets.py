"""How the facets of a rough surface are tilted."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import beta

__all__ = ["Facets"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Facets:
    """Facets whose slopes follow a bivariate Student's t-distribution.

    Ribardiere, Bringier, Meneveaux and Simonot (2017), "STD: Student's t-distribution of slopes for microfacet based
    BSDFs".

    Attributes
    ----------
    alpha : float
        Roughness, a slope.
    tail : float
        How soon steep facets become rare, above 1.5. 2 is the law of Trowbridge and Reitz (1975), "Average irregularity
        representation of a rough surface for ray reflection", with many of them; the larger, the nearer it comes to
        Beckmann's Gaussian slopes, with none.
    """

    alpha: float
    tail: float

    def across(self, slope: Floats) -> Floats:
        """Probability density of facets of these slopes across, whatever theirs along."""
        return np.asarray(self._common(slope) ** (self.tail - 0.5) / (self._scale * beta(0.5, self.tail - 1.0)))

    def along(self, slope: Floats, across: Floats) -> Floats:
        """Probability density of these slopes along, among facets of such slopes across."""
        both, one = self._common(np.hypot(slope, across)), self._common(across)
        return np.asarray(both**self.tail / one ** (self.tail - 0.5) / (self._scale * beta(0.5, self.tail - 0.5)))

    @property
    def _scale(self) -> float:
        return math.sqrt(self.tail - 1.0) * self.alpha

    def _common(self, slope: Floats) -> Floats:
        return np.asarray(1.0 / (1.0 + (slope / self._scale) ** 2))
