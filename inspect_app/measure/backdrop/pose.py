"""The board as the camera sees it: from the backdrop's plane to the board's own frame.

The backdrop stands on the board a little behind the fret, square to the neck and nearly upright. Its plane is known
from its markers; how far it tilts is not, and that is the only part of the camera's elevation that is missing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

from calib.plane import Plane

__all__ = ["BoardPose", "TILT_U", "GAP_MM", "GAP_U_MM", "TURN_U", "ROLL_U"]

Array = NDArray[np.float64]

TILT_U = math.radians(1.0)
"""Standard uncertainty of the backdrop's tilt before looking: it may tilt a degree or two (common practice, no
source)."""
GAP_MM = 1.5
"""The backdrop stands 1 to 2 mm behind the fret's centre line; the middle of that."""
GAP_U_MM = 0.29
"""1 mm wide, rectangular: 1 / sqrt(12) (GUM 4.3.7)."""
TURN_U = math.radians(0.5)
"""Standard uncertainty of the backdrop's turn about the upright, against square to the neck: the eye's (no source)."""
ROLL_U = math.radians(0.3)
"""Standard uncertainty of the backdrop's level along the board: its foot follows the board's curve (no source)."""


@dataclass(frozen=True)
class BoardPose:
    """Board frame: x along the neck away from the camera, 0 at the fret's centre line; y across, treble negative; z up.

    The origin lies `gap_mm` in front of the backdrop's own origin, so y is minus the backdrop's x.

    Attributes
    ----------
    plane : Plane
        The backdrop's plane, and the camera.
    tilt : float
        Tilt of the backdrop's top away from the camera, rad.
    u_tilt : float
        Standard uncertainty of `tilt`, rad.
    turn, roll : float
        Turn of the board against the backdrop about the upright, and about the neck, rad; taken as zero unless known.
    shift : tuple of float
        Displacement of the origin in the backdrop's frame, mm: zero but when the pose is varied about another point.
    """

    plane: Plane
    tilt: float = 0.0
    u_tilt: float = TILT_U
    gap_mm: float = GAP_MM
    u_gap_mm: float = GAP_U_MM
    turn: float = 0.0
    roll: float = 0.0
    shift: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @cached_property
    def axes(self) -> Array:
        """Board to backdrop: columns are the board's axes in the backdrop's frame, shape (3, 3)."""
        tilt = Rotation.from_rotvec([self.tilt, 0.0, 0.0]).as_matrix()
        upright = Rotation.from_rotvec([0.0, self.turn, self.roll]).as_matrix()
        return np.asarray(upright @ tilt @ _UPRIGHT)

    @property
    def origin(self) -> Array:
        """The board frame's origin in the backdrop's frame, mm."""
        return np.array([0.0, 0.0, self.gap_mm]) + self.shift

    @cached_property
    def camera(self) -> Array:
        """Camera centre in the board frame, mm."""
        return np.asarray((self.plane.camera_mm - self.origin) @ self.axes)

    def tilted(self, tilt: float, u_tilt: float | None = None) -> BoardPose:
        """The same view with another tilt."""
        return replace(self, tilt=tilt, u_tilt=self.u_tilt if u_tilt is None else u_tilt)

    def turned_about(self, point: ArrayLike, tilt: float = 0.0, turn: float = 0.0) -> BoardPose:
        """The pose with its tilt or turn changed (rad), a point (3,) of the board staying where it is seen."""
        at = np.asarray(point, dtype=float)
        new = replace(self, tilt=self.tilt + tilt, turn=self.turn + turn)
        x, y, z = (float(v) for v in np.asarray(self.shift) + self.axes @ at - new.axes @ at)
        return replace(new, shift=(x, y, z))

    def rays(self, px: ArrayLike) -> Array:
        """Directions of sight in the board frame for pixels (N, 2), scaled to x = 1; shape (N, 3)."""
        d = self.plane.rays(px) @ self.axes
        return np.asarray(d / d[:, :1])

    def cross(self, px: ArrayLike, x: ArrayLike = 0.0) -> Array:
        """Where pixels (N, 2) meet the upright plane at `x` (scalar or (N,)): y and z, mm, shape (N, 2)."""
        d = self.rays(px)
        c = self.camera
        run = np.broadcast_to(np.asarray(x, dtype=float), (len(d),)) - c[0]
        return np.asarray(c[1:] + d[:, 1:] * run[:, None])

    def to_px(self, xyz: ArrayLike) -> Array:
        """Pixels (N, 2) where points (N, 3) of the board frame are seen."""
        return self.plane.to_px(np.atleast_2d(np.asarray(xyz, dtype=float)) @ self.axes.T + self.origin)

    def elevation(self, z: float, y: float = 0.0) -> float:
        """Elevation of the line of sight to (0, y, z) above the board, rad."""
        c = self.camera
        return math.atan2(c[2] - z, -c[0])

    def u_elevation(self, px: ArrayLike) -> float:
        """Standard uncertainty of the elevation of the sight line through a pixel, rad: card's tilt, and its tilt."""
        tilt = float(self.plane.u_of(lambda p: math.asin(float(_unit(p.rays(px)[0])[1]))))
        return math.hypot(tilt, self.u_tilt)


_UPRIGHT = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]])
"""Board axes in the frame of a backdrop that stands upright and square."""


def _unit(v: Array) -> Array:
    return np.asarray(v / np.linalg.norm(v))
