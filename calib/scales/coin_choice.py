"""Which of several discs in a photo is the coin that was asked for: the sizes of the others tell.

If one disc is the coin of the given diameter, the others have diameters too, and have to be coins of the same currency,
or something else. Each disc is tried as the coin; what the others would then be gives its probability (Bayes' rule,
all discs equally probable beforehand). The camera's tilt makes nearer coins larger: how much of it the discs' own
ellipses allow is averaged over.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.scales.base import HANDHELD_TILT_RAD
from calib.scales.coin_rings import Harmonic, Ring

__all__ = ["COIN_SIZES_MM", "probability_of_each", "could_be_coins"]

Vector = NDArray[np.float64]

COIN_SIZES_MM = (14.0, 40.0)
"""Smallest and largest coins in common use (common practice, no source)."""
U_RIM_REL = 0.012
"""Relative standard uncertainty of a rim's radius against another's: shoulder, shadow, wear."""
U_UNCLEAR_REL = 0.03
"""The same for a rim found on the reduced picture only."""
_OTHER = 0.05  # probability that a disc is no coin of the currency: another's coin, a washer, a dot
_TILTS = np.linspace(-0.7, 0.7, 29)  # tangent of the tilt about either axis: 35 degrees, more than a circle passes for
_U_TILT = math.tan(2.0 * HANDHELD_TILT_RAD)  # prior: a photo of loose coins is taken less squarely than one of a board
_U_ELLIPSE = 0.006  # of the radius: error of a rim's second harmonic


def could_be_coins(rings: Sequence[Ring], diameter_mm: float) -> list[int]:
    """Which rings can be the coin: none other would then be a disc larger than any coin.

    Inlay dots beside a coin are ruled out by that: taken for the coin, they would make the coin a plate.
    """
    largest = max((r.radius for r in rings), default=0.0)
    return [k for k, r in enumerate(rings) if diameter_mm * largest / r.radius <= COIN_SIZES_MM[1]]


def probability_of_each(
    rings: Sequence[Ring], clear: Sequence[bool], focal_px: float, diameter_mm: float, currency_mm: Sequence[float]
) -> Vector:
    """Probability that each ring is a coin of the diameter asked for, shape (N,).

    Parameters
    ----------
    rings : sequence of Ring
        Rims on the full picture.
    clear : sequence of bool
        Whether each was measured there, or only found on the reduced picture.
    currency_mm : sequence of float
        Diameters of the coins it may lie beside, itself included.

    Examples
    --------
    Coins of 16.25 and 25.75 mm, the larger one asked for: the smaller can't be it, or the larger would be 40.8 mm.

    >>> rings = [Ring(x, 0.0, np.array([r, 0, 0, 0, 0]), 1.0) for x, r in ((0.0, 65.0), (220.0, 103.0))]
    >>> probability_of_each(rings, [True, True], 1300.0, 25.75, (16.25, 18.75, 23.25, 25.75)).round(1)
    array([0., 1.])
    """
    place = np.array([[r.x, r.y] for r in rings]) / focal_px
    size = np.array([r.radius for r in rings])
    u = np.where(clear, U_RIM_REL, U_UNCLEAR_REL)
    tilt = np.stack(np.meshgrid(_TILTS, _TILTS), axis=-1).reshape(-1, 2)
    likely = _tilt_likelihood(rings, tilt)
    level = size * np.exp(-(place @ tilt.T)).T  # (T, N): sizes with each tilt's perspective taken away
    coins = np.log(np.asarray(currency_mm))
    # (T, asked, other): what the others would measure
    would_be = math.log(diameter_mm) + np.log(level)[:, None, :] - np.log(level)[:, :, None]
    u_ratio = np.hypot(u[:, None], u[None, :])[None, :, :, None]
    density = np.exp(-0.5 * ((would_be[..., None] - coins) / u_ratio) ** 2) / (u_ratio * math.sqrt(2.0 * math.pi))
    like_any = (1.0 - _OTHER) * density.mean(axis=-1)
    like_asked = (1.0 - _OTHER) * density[..., int(np.argmin(np.abs(coins - math.log(diameter_mm))))] / len(coins)
    stray = _OTHER / math.log(COIN_SIZES_MM[1] / COIN_SIZES_MM[0] * 4.0)
    total = like_any + stray
    n = np.arange(len(rings))
    total[:, n, n] = 1.0
    each = likely[:, None] * total.prod(axis=2)  # (T, asked)
    same = like_asked / total
    same[:, n, n] = 1.0
    return np.asarray(np.einsum("ta,tak->k", each, same) / each.sum())


def _tilt_likelihood(rings: Sequence[Ring], tilt: Vector) -> Vector:
    """Likelihood of tilts (T, 2), tangents, by the rings' ellipses and the prior, shape (T,), not normalised.

    A circle tilted by t is seen with axes 1 : cos t, so that its radius varies by tan(t / 2) ** 2 at twice the azimuth,
    and is least along the tilt.
    """
    slope = np.hypot(*tilt.T)
    azimuth = np.arctan2(tilt[:, 1], tilt[:, 0])
    depth = np.tan(np.arctan(slope) / 2.0) ** 2
    expected = -depth[:, None] * np.column_stack([np.cos(2.0 * azimuth), np.sin(2.0 * azimuth)])
    seen = np.array([r.harmonics[[Harmonic.COS_2, Harmonic.SIN_2]] / r.radius for r in rings])
    off = (expected - np.median(seen, axis=0)) * math.sqrt(len(rings)) / _U_ELLIPSE
    return np.asarray(np.exp(-0.5 * (np.sum(off**2, axis=1) + (slope / _U_TILT) ** 2)))
