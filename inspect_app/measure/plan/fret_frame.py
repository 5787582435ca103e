"""One fret as it lies on the board: its own coordinates, and the way from them to the photo and back.

Three planes meet here (the scale's, the board's, the crown tops'), so every mapping carries a height. The board is a
cylinder about the neck; across one fret's few millimetres it is level, along the fret it falls away by its sagitta
``y^2 / (2 R)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.photo import Photo
from calib.plane import Plane

__all__ = ["FretFrame", "aligned", "distances_mm", "in_photo"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FretFrame:
    """Where one fret lies, and the way from its own coordinates to the photo and back.

    ``along`` runs from the treble end (0, where the bevel meets the board) towards the bass end, ``across`` from the
    crown's centre line (0) towards the body, ``height`` up from the board's surface at that place. All in mm.

    Attributes
    ----------
    number : int
        Fret number.
    plane : Plane
        The scale's plane, in whose frame the rest is given.
    origin_mm : ndarray of float, shape (2,)
        Treble end of the crown's centre line.
    along, across : ndarray of float, shape (2,)
        Unit vectors, perpendicular to each other.
    base_mm : float
        Height of the board's surface above the scale's plane at the board's centre line (negative: below).
    centre_mm : float
        ``along`` of the board's centre line.
    radius_mm : float
        Radius of the board at this fret (``inf`` for a flat board).
    length_mm : float
        Where the bass end is on the ``along`` axis: as measured, or as estimated where it can't be seen.
    origin_u_mm : float
        Standard uncertainty of the treble end along the fret.
    """

    number: int
    plane: Plane
    origin_mm: Floats
    along: Floats
    across: Floats
    base_mm: float
    centre_mm: float
    radius_mm: float
    length_mm: float
    origin_u_mm: float = 0.0

    @property
    def camera_mm(self) -> Floats:
        """Camera centre as (along, across, height above the board at its centre line), shape (3,)."""
        c = self.plane.camera_mm
        d = c[:2] - self.origin_mm
        return np.array([d @ self.along, d @ self.across, c[2] - self.base_mm])

    @property
    def view_angle(self) -> float:
        """Angle of the line of sight from the vertical across the fret, rad; positive with the camera bodywards."""
        _, across, height = self.camera_mm
        return math.atan2(across, height)

    def level_mm(self, along: ArrayLike) -> Floats:
        """Height of the board's surface above the scale's plane at places along the fret."""
        y = np.asarray(along, dtype=float) - self.centre_mm
        return np.asarray(self.base_mm - y**2 / (2.0 * self.radius_mm))

    def to_px(self, along: ArrayLike, across: ArrayLike, height: ArrayLike = 0.0) -> Floats:
        """Photo pixels ``(x, y)``, shape (N, 2), of places on the fret (broadcast together, then flattened)."""
        a, t, h = (np.asarray(q, dtype=float) for q in (along, across, height))
        at = np.empty((*np.broadcast(a, t, h).shape, 3))
        for k in (0, 1):
            at[..., k] = self.origin_mm[k] + a * self.along[k] + t * self.across[k]
        at[..., 2] = self.level_mm(a) + h
        return self.plane.to_px(at.reshape(-1, 3))

    def to_fret(self, px: ArrayLike, height: ArrayLike = 0.0) -> Floats:
        """``(along, across)`` in mm, shape (N, 2), of photo pixels (N, 2) seen at a height above the board."""
        level = np.full(len(np.atleast_2d(px)), self.base_mm)
        at = np.zeros((len(level), 2))
        for _ in range(3):  # the sagitta changes the place by under 1 % of itself, so three rounds settle it
            d = self.plane.to_mm(px, level + height) - self.origin_mm
            at = np.column_stack([d @ self.along, d @ self.across])
            level = self.level_mm(at[:, 0])
        return at


def aligned(frame: FretFrame, centre: float, slope: float, middle: float) -> FretFrame:
    """The frame moved and turned so that its axis is the crown's centre line.

    That was found `centre` mm across at `middle` mm along, turning by `slope` (mm across per mm along).
    """
    turn = math.atan(slope)
    along = math.cos(turn) * frame.along + math.sin(turn) * frame.across
    across = math.cos(turn) * frame.across - math.sin(turn) * frame.along
    origin = frame.origin_mm + (centre - slope * middle) * frame.across
    return replace(frame, origin_mm=origin, along=along, across=across)


def in_photo(photo: Photo, frame: FretFrame, half_width: float, margin_px: float = 0.0) -> bool:
    """Whether the whole outline of a fret, at the board's level, lies so far inside the photo."""
    px = frame.to_px([0.0, 0.0, frame.length_mm, frame.length_mm], [-half_width, half_width] * 2)
    return bool(np.all((px >= margin_px) & (px <= np.array([photo.width, photo.height]) - 1.0 - margin_px)))


def distances_mm(plane: Plane, px: Floats, height: Floats) -> Floats:
    """Distances in mm of pairs of pixels, shape (..., 2, 2), at heights over the scale's plane, mm (..., 2)."""
    at = plane.to_mm(px.reshape(-1, 2), height.ravel()).reshape(px.shape)
    return np.asarray(np.linalg.norm(at[..., 1, :] - at[..., 0, :], axis=-1))
