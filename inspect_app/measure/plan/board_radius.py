"""The board's radius, from how frets are seen bowed from aside."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.plane import Plane
from inspect_app.instrument.crown import sagitta
from inspect_app.measure.plan.fret_frame import FretFrame
from shared.trade import BOARD_RADIUS_MM, ROUNDEST_BOARD_MM

__all__ = ["USUAL_CURVATURE", "BoardCurvature", "fit_curvature"]

Floats = NDArray[np.float64]

_BOW_SCATTER = 0.01 / 20.0**2
"""Standard uncertainty of how straight a fret lies, as a bow (mm across per mm^2 along): a hundredth of a millimetre
off at 20 mm from its middle (common practice, no source). The same again may be common to all frets of a photo."""


@dataclass(frozen=True, slots=True)
class BoardCurvature:
    """How round the board is across the neck: one over its radius, 1/mm (0: flat), and its standard uncertainty."""

    per_mm: float = 1.0 / BOARD_RADIUS_MM
    u: float = 1.0 / ROUNDEST_BOARD_MM / math.sqrt(12.0)

    @property
    def radius_mm(self) -> float:
        """The radius; ``inf`` for a flat board."""
        return 1.0 / self.per_mm if self.per_mm > 0.0 else math.inf

    def drop(self, y: float) -> float:
        """How far the board has fallen away at distance `y` from its centre line, mm."""
        return float(sagitta(y, 1.0 / self.per_mm)) if self.per_mm > 0.0 else 0.0


USUAL_CURVATURE = BoardCurvature()
"""What is expected of a board that nobody has seen yet."""


def fit_curvature(frames: list[FretFrame], bows: list[tuple[float, float]]) -> BoardCurvature:
    """How round the board is, from how its frets are seen bowed from aside.

    A fret lies on the board, so its middle is higher than its ends by the board's sagitta ``y^2 / (2 R)``; seen at an
    angle v from the vertical it is bowed by ``tan(v)`` of that. The bows that remain in frames of the usual radius
    correct the usual curvature by weighted least squares, which also allows for one bow common to all frets.

    Parameters
    ----------
    frames : list of FretFrame
        Laid with the usual radius.
    bows : list of (float, float)
        Bow seen at each fret in these frames (mm across per mm^2 along) and its standard uncertainty.
    """
    usual = USUAL_CURVATURE
    if not frames:
        return usual
    bow, u = np.array(bows).T
    aside = np.array([f.camera_mm[1] / f.camera_mm[2] for f in frames])
    design = np.column_stack([aside / 2.0, np.ones(len(frames))])
    weight = 1.0 / (u**2 + _BOW_SCATTER**2)
    inverse = np.linalg.inv((design.T * weight) @ design + np.diag([usual.u**-2, _BOW_SCATTER**-2]))
    gain = (inverse @ (design.T * weight))[0]
    bows_by = _bows(frames)
    by_pose = frames[0].plane.u_of(lambda p: gain @ bows_by(p))
    more = float(gain @ bow)
    return BoardCurvature(
        max(0.0, usual.per_mm + more), min(usual.u, math.hypot(math.sqrt(inverse[0, 0]), float(by_pose)))
    )


def _bows(frames: list[FretFrame]) -> Callable[[Plane], Floats]:
    """Bow that each frame's straight centre line would have, had the photo been taken from a plane's pose."""
    half = np.array([f.length_mm / 2.0 for f in frames])
    along = half[:, None] * np.array([0.0, 1.0, 2.0])
    px = np.concatenate([f.to_px(a, 0.0) for f, a in zip(frames, along, strict=True)])
    level = np.concatenate([f.level_mm(a) for f, a in zip(frames, along, strict=True)])
    directions = np.array([f.across for f in frames])

    def bows(plane: Plane) -> Floats:
        across = np.einsum("nij,nj->ni", plane.to_mm(px, level).reshape(-1, 3, 2), directions)
        return np.asarray((across[:, 0] - 2.0 * across[:, 1] + across[:, 2]) / (2.0 * half**2))

    return bows
