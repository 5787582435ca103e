"""The fretboard as a ruler: equal temperament along it, its cone across it.

Equal temperament puts fret n at ``x_n = L (1 - 2^(-n/12))`` from the nut: twelve equal ratios to the octave, and a
string's pitch is inverse to its length.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.measured import Measured
from shared.trade import SLOT_U_MM

__all__ = ["Cone", "SpacingFit", "fit_cone", "fret_position", "fit_spacing"]


def fret_position(scale_length: float, number: ArrayLike) -> NDArray[np.float64]:
    """Distance of frets from the nut in equal temperament, in the unit of `scale_length`; fret 0 is the nut.

    >>> fret_position(648.0, [0, 12, 24]).tolist()
    [0.0, 324.0, 486.0]
    """
    return np.asarray(scale_length * -np.expm1(-np.asarray(number, dtype=float) * math.log(2.0) / 12.0))


@dataclass(frozen=True, slots=True)
class Cone:
    """A compound board: its radius grows in a straight line from the nut to the body.

    Attributes
    ----------
    at_nut, gain : float
        Radius at place 0, and what it grows by per unit of place.
    u_at_nut, u_gain, covariance : float
        Their standard uncertainties and covariance.
    misfit : float
        Scatter of the radii over what their uncertainties allow (Birge ratio, at least 1); it widens the others.
    """

    at_nut: float
    gain: float
    u_at_nut: float
    u_gain: float
    covariance: float
    misfit: float

    @property
    def compound(self) -> bool:
        """Whether the radius changes by more than its expanded uncertainty; else one radius is possible."""
        return abs(self.gain) > 2.0 * self.u_gain

    def radius(self, place: float) -> Measured:
        """Radius of the board at a place, mm (GUM equation 13)."""
        variance = self.u_at_nut**2 + (place * self.u_gain) ** 2 + 2.0 * place * self.covariance
        return Measured.of(self.at_nut + self.gain * place, "mm", radii_of_the_frets=math.sqrt(max(variance, 0.0)))


def fit_cone(place: ArrayLike, radius: ArrayLike, u: ArrayLike) -> Cone | None:
    """Fit a cone through the crown line radii of several frets, by weighted least squares (ISO/TS 28037, clause 6).

    Parameters
    ----------
    place : array_like, shape (N,)
        Distance of the frets from the nut: mm, or share of the scale length.
    radius, u : array_like, shape (N,)
        Radii and their standard uncertainties, mm.

    Returns
    -------
    Cone or None
        None with fewer than three different places, where any two radii agree with some cone.
    """
    x, y, w = np.asarray(place, dtype=float), np.asarray(radius, dtype=float), 1.0 / np.asarray(u, dtype=float)
    if len(np.unique(x)) < 3:
        return None
    (gain, at_nut), cov = np.polyfit(x, y, 1, w=w, cov="unscaled")
    chi2 = float(np.sum((w * (y - at_nut - gain * x)) ** 2))
    misfit = max(1.0, math.sqrt(chi2 / (len(x) - 2)))
    cov = cov * misfit**2
    return Cone(float(at_nut), float(gain), math.sqrt(cov[1, 1]), math.sqrt(cov[0, 0]), float(cov[0, 1]), misfit)


@dataclass(frozen=True, slots=True)
class SpacingFit:
    """Measured fret positions against equal temperament: ``position = offset + ratio * x_n``.

    Attributes
    ----------
    ratio : float
        Measured spacing over the spacing the scale length gives; 1 where all is right.
    u_fit : float
        Standard uncertainty of `ratio` from the scatter of the positions and of the slots alone.
    offset : float
        Where the nut would be on the axis of the positions, mm.
    residual_mm : float
        Root mean square of what is left.
    """

    ratio: float
    u_fit: float
    offset: float
    residual_mm: float


def fit_spacing(position: ArrayLike, number: ArrayLike, scale_length: float, u_mm: ArrayLike) -> SpacingFit:
    """Fit ratio and offset by weighted least squares.

    Parameters
    ----------
    position : array_like, shape (N,)
        Measured positions along the neck, towards the body, mm, from any origin; N >= 2.
    number : array_like of int, shape (N,)
    scale_length : float
        mm.
    u_mm : array_like
        Standard uncertainty of each position on its own (not what they share), mm.
    """
    y = np.asarray(position, dtype=float)
    x = fret_position(scale_length, number)
    w = 1.0 / np.hypot(np.broadcast_to(np.asarray(u_mm, dtype=float), y.shape), SLOT_U_MM)
    a = np.column_stack([x, np.ones_like(x)])
    cov = np.linalg.inv((a * w[:, None]).T @ (a * w[:, None]))
    ratio, offset = p = cov @ (a.T @ (w**2 * y))
    u_ratio, residual = math.sqrt(cov[0, 0]), float(np.sqrt(np.mean((a @ p - y) ** 2)))
    return SpacingFit(float(ratio), u_ratio, float(offset), residual)
