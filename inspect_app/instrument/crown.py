"""The fret as a solid, and what a camera in a given place sees of it.

Board frame, millimetres: x along the neck away from the camera, zero at the fret's centre line; y across the board,
treble negative; z up. Cross-section: a circular arc of radius r through the crown's two edges (width W) and its top
(height H). Wear removes everything above a level that varies along the fret. A bevel is a plane through lines parallel
to the neck.

Seen from an elevation e above the board, the outline of an unworn crown is the tangent to the arc; where wear has cut a
flat wider than the tangent's place, it is the flat's far edge. Writing the flat's half-width as r sin(phi), so that the
removal is d = r (1 - cos phi), the outline drops by ``q = r (1 - cos(phi - e)) / cos e`` in the plane through the
centre line, which inverts in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Crown",
    "FretSolid",
    "blind_depth",
    "drop_from_depth",
    "depth_from_drop",
    "depth_slope",
    "outline_height",
    "outline",
    "flat_boundary",
    "rim",
]

Array = NDArray[np.float64]


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
        """Radius of the arc, mm: r = (W^2/4 + H^2) / (2 H)."""
        return (self.width**2 / 4.0 + self.height**2) / (2.0 * self.height)

    @property
    def u_radius(self) -> float:
        """Standard uncertainty of the radius (GUM equation 10)."""
        by_width = self.width / (4.0 * self.height)
        by_height = 0.5 - self.width**2 / (8.0 * self.height**2)
        return math.hypot(by_width * self.u_width, by_height * self.u_height)

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
    """
    e = np.asarray(elevation, dtype=float)
    phi = np.arccos(np.clip(1.0 - np.asarray(depth, dtype=float) / radius, -1.0, 1.0))
    return np.asarray(radius * (1.0 - np.cos(np.maximum(phi - e, 0.0))) / np.cos(e))


def depth_from_drop(drop: ArrayLike, radius: ArrayLike, elevation: ArrayLike) -> Array:
    """Inverse of `drop_from_depth`: the removal, mm. A drop of zero or less gives the blind depth."""
    e = np.asarray(elevation, dtype=float)
    turn = np.arccos(np.clip(1.0 - np.maximum(drop, 0.0) * np.cos(e) / radius, -1.0, 1.0))
    return np.asarray(radius * (1.0 - np.cos(e + turn)))


def depth_slope(depth: float, radius: float, elevation: float) -> float:
    """d(depth)/d(drop): how much an error of the outline is magnified. Infinite at the blind depth."""
    phi = math.acos(max(-1.0, 1.0 - depth / radius))
    if phi <= elevation:
        return math.inf
    return math.sin(phi) * math.cos(elevation) / math.sin(phi - elevation)


def outline_height(depth: ArrayLike, crown: Crown, elevation: float) -> Array:
    """Height of the outline across the line of sight, s(d), above the centre line's foot on the board; mm.

    Unworn ``r - (r - H) cos e``; along a flat's far edge ``(H - d) cos e + sqrt(2 r d - d^2) sin e``.
    """
    d = np.asarray(depth, dtype=float)
    r, h = crown.radius, crown.height
    worn = (h - d) * math.cos(elevation) + np.sqrt(np.maximum(2.0 * r * d - d**2, 0.0)) * math.sin(elevation)
    return np.asarray(np.where(d <= blind_depth(r, elevation), r - (r - h) * math.cos(elevation), worn))


@dataclass(frozen=True)
class FretSolid:
    """A fret on its board.

    Attributes
    ----------
    crown : Crown
    board_radius : float
        Radius of the board at the fret, mm; ``inf`` for a flat board.
    y_mm, removal_mm : ndarray, shape (N,)
        Removal below the unworn top along the fret, interpolated between the places given.
    ends_mm : tuple of float
        y of the treble and bass end at board level.
    bevels_deg : tuple of float
        Treble and bass: angle whose tangent is the run along the board over the rise above it (0 is square-cut).
    """

    crown: Crown
    board_radius: float
    y_mm: Array
    removal_mm: Array
    ends_mm: tuple[float, float]
    bevels_deg: tuple[float, float] = (30.0, 30.0)

    def removal(self, y: Array) -> Array:
        """Removal at y, mm."""
        return np.interp(y, self.y_mm, self.removal_mm)

    def board_z(self, y: ArrayLike) -> Array:
        """Height of the board at y, zero on the centre line, mm."""
        return sagitta(y, 0.0 if math.isinf(self.board_radius) else 1.0 / self.board_radius)


def sagitta(y: ArrayLike, curvature: float) -> Array:
    """Fall of a circle from its top at a distance `y` along the tangent there: negative, mm."""
    y = np.asarray(y, dtype=float)
    return np.asarray(-curvature * y**2 / (1.0 + np.sqrt(np.maximum(1.0 - (curvature * y) ** 2, 0.0))))


def outline(solid: FretSolid, y: Array, camera: Array) -> Array:
    """Points of the solid that make its outline against what is behind, one for each y; shape (N, 3).

    `camera` is the camera's centre in the board frame, shape (3,).
    """
    r, h = solid.crown.radius, solid.crown.height
    top = solid.board_z(y) + h
    sight = np.stack([np.zeros_like(y), y, top], axis=1) - camera
    slope = np.gradient(top, y)
    tangent = np.arctan2(slope * sight[:, 1] - sight[:, 2], sight[:, 0])
    cut = np.arccos(np.clip(1.0 - solid.removal(y) / r, -1.0, 1.0))
    angle = np.maximum(tangent, cut)
    return np.stack([r * np.sin(angle), y, top - r + r * np.cos(angle)], axis=1)


def flat_boundary(solid: FretSolid, y: Array, far: bool) -> Array:
    """The far or near edge of the flat that wear has cut, one point for each y; shape (N, 3)."""
    r, h = solid.crown.radius, solid.crown.height
    cut = np.arccos(np.clip(1.0 - solid.removal(y) / r, -1.0, 1.0))
    side = 1.0 if far else -1.0
    return np.stack([side * r * np.sin(cut), y, solid.board_z(y) + h - r + r * np.cos(cut)], axis=1)


def rim(solid: FretSolid, end: str, h: Array, far: bool) -> Array:
    """The far or near rim of a bevel's cut face at heights `h` above the board; shape (N, 3)."""
    i, inward = (0, 1.0) if end == "treble" else (1, -1.0)
    y = solid.ends_mm[i] + inward * h * math.tan(math.radians(solid.bevels_deg[i]))
    half = solid.crown.half_width(h)
    return np.stack([half if far else -half, y, solid.board_z(y) + h], axis=1)
