"""The worn fret as a solid, a forward model: what a camera in a given place sees of it.

Board frame, millimetres: x along the neck away from the camera, zero at the fret's centre line; y across the board,
treble negative; z up. Wear removes everything above a level that varies along the fret. A bevel is a plane through
lines parallel to the neck.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspect_app.instrument.crown import Crown, sagitta

Array = NDArray[np.float64]


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
        return -sagitta(y, self.board_radius)


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
