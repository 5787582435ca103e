"""The crown's cross-section, and what wear does to it and to its outline.

A circular arc of radius r through the crown's two edges (width W) and its top (height H). Wear that cuts the top off at
a depth d leaves a flat, a chord of the arc: ``r = (W^2/4 + H^2) / (2 H)``, ``d = r - sqrt(r^2 - f^2/4)`` for a flat of
width f (Euclid, Elements III.35).

Seen from an elevation e above the board, the outline of an unworn crown is the tangent to the arc; where wear has cut a
flat wider than the tangent's place, it is the flat's far edge. Writing the flat's half-width as r sin(phi), so that the
removal is d = r (1 - cos phi), the outline drops by ``q = r (1 - cos(phi - e)) / cos e`` in the plane through the
centre line, which inverts in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Crown",
    "arc_of",
    "arc_radius",
    "u_arc_radius",
    "sagitta",
    "half_chord",
    "blind_depth",
    "drop_from_depth",
    "depth_from_drop",
]

Array = NDArray[np.float64]
_Number = TypeVar("_Number", float, Array)


def arc_radius(width: _Number, height: float) -> _Number:
    """Radius of the arc through both ends of a chord and its top, ``(W^2/4 + H^2) / (2 H)``; mm.

    >>> round(arc_radius(2.5, 1.1), 5)
    1.26023
    """
    return (width**2 / 4.0 + height**2) / (2.0 * height)


def u_arc_radius(width: float, height: float, u_width: float, u_height: float) -> float:
    """Standard uncertainty of `arc_radius` (GUM equation 10), mm."""
    by_width = width / (4.0 * height)
    by_height = 0.5 - width**2 / (8.0 * height**2)
    return math.hypot(by_width * u_width, by_height * u_height)


def sagitta(half_chord: ArrayLike, radius: float) -> Array:
    """How far below a circle's top a chord lies, mm, from half its length, mm; `radius` where it is too long to be one.

    Of a flat on a crown, and of a board, flat (``inf``) or round, that falls away from its centre line.

    >>> round(float(sagitta(0.9840 / 2.0, arc_radius(2.5, 1.1))), 4)  # a flat 0.984 mm wide
    0.1
    """
    half = np.minimum(np.abs(np.asarray(half_chord, dtype=float)), radius)
    return np.asarray(half**2 / (radius + np.sqrt(radius**2 - half**2)))


def half_chord(depth: ArrayLike, radius: float) -> Array:
    """Half the length of the chord that lies `depth` below the arc's top: the inverse of `sagitta`, mm."""
    d = np.asarray(depth, dtype=float)
    return np.asarray(np.sqrt(np.maximum(2.0 * radius * d - d**2, 0.0)))


@dataclass(frozen=True, slots=True)
class Crown:
    """Unworn cross-section: width and height in mm, with their standard uncertainties."""

    width: float
    height: float
    u_width: float = 0.0
    u_height: float = 0.0

    def __post_init__(self) -> None:
        if not (self.width > 0 and 0 < self.height <= self.width):
            raise ValueError(f"not a crown: width {self.width}, height {self.height}")

    @property
    def radius(self) -> float:
        """Radius of the arc, mm."""
        return arc_radius(self.width, self.height)

    @property
    def u_radius(self) -> float:
        """Standard uncertainty of the radius, mm."""
        return u_arc_radius(self.width, self.height, self.u_width, self.u_height)

    def half_width(self, h: ArrayLike) -> Array:
        """Half-width of the crown at height `h` above the board, mm."""
        rise = np.asarray(h, dtype=float) - (self.height - self.radius)
        return np.asarray(np.sqrt(np.maximum(self.radius**2 - rise**2, 0.0)))


def blind_depth(radius: float, elevation: float) -> float:
    """Greatest removal that leaves the outline as it was, r (1 - cos e); mm, elevation in radians."""
    return radius * (1.0 - math.cos(elevation))


def drop_from_depth(depth: ArrayLike, radius: ArrayLike, elevation: ArrayLike) -> Array:
    """How far the outline drops, in the plane through the centre line, for a removal `depth`.

    Parameters
    ----------
    depth, radius : float or ndarray
        Removal below the unworn top, and crown radius, mm.
    elevation : float or ndarray
        Elevation of the line of sight, rad.

    Examples
    --------
    At 6 degrees a hollow of 0.1 mm drops the outline of a crown of 1.35 mm radius by little more than half of that:

    >>> drop = float(drop_from_depth(0.1, 1.35, math.radians(6.0)))
    >>> f"{drop:.3f} mm, {float(depth_from_drop(drop, 1.35, math.radians(6.0))):.3f} mm"
    '0.054 mm, 0.100 mm'
    """
    e = np.asarray(elevation, dtype=float)
    phi = np.arccos(np.clip(1.0 - np.asarray(depth, dtype=float) / radius, -1.0, 1.0))
    return np.asarray(radius * (1.0 - np.cos(np.maximum(phi - e, 0.0))) / np.cos(e))


def depth_from_drop(drop: ArrayLike, radius: ArrayLike, elevation: ArrayLike) -> Array:
    """Inverse of `drop_from_depth`: the removal, mm. A drop of zero or less gives the blind depth."""
    e = np.asarray(elevation, dtype=float)
    turn = np.arccos(np.clip(1.0 - np.maximum(drop, 0.0) * np.cos(e) / radius, -1.0, 1.0))
    return np.asarray(radius * (1.0 - np.cos(e + turn)))


def arc_of(lower: Array, upper: Array) -> tuple[float, float]:
    """Radius of the arc over two chords, each given by its ends (2, 2), and how far its centre lies above the lower.

    The arc is symmetrical: chords of half-lengths a and b, h apart, lie on one circle whose centre is
    ``(b^2 + h^2 - a^2) / (2 h)`` above the first.

    Chords of 6 and 8 mm of a circle of 5 mm, below and above its centre:

    >>> arc_of(np.array([[-3.0, -4.0], [3.0, -4.0]]), np.array([[-4.0, 3.0], [4.0, 3.0]]))
    (5.0, 4.0)
    """
    a, b = (math.dist(*chord) / 2.0 for chord in (lower, upper))
    h = max(math.dist(lower.mean(axis=0), upper.mean(axis=0)), 1e-9)
    up = (b * b + h * h - a * a) / (2.0 * h)
    return math.hypot(a, up), up
