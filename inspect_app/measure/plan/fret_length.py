"""How long a fret is between its bevels' feet, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.board_height import BoardLevel
from inspect_app.measure.plan.fret_frame import FretFrame, distances_mm
from shared.measured import Contribution, Measured

__all__ = ["fret_length", "length_u_from_pose"]

Floats = NDArray[np.float64]


def length_u_from_pose(frames: Sequence[FretFrame]) -> Floats:
    """Standard uncertainty that pose and lens give to each fret's length, mm, shape (n,)."""
    px, height = (np.array(x) for x in zip(*map(_ends, frames), strict=True))
    return frames[0].plane.u_of(lambda plane: distances_mm(plane, px, height))


def fret_length(frame: FretFrame, ends_u: float, level: BoardLevel, by_pose: float) -> Measured:
    """Length between the bevels' feet with its contributions.

    Parameters
    ----------
    ends_u : float
        Standard uncertainty of the two ends' places together, mm.
    by_pose : float
        What `length_u_from_pose` gives the length.
    """
    plane, length = frame.plane, frame.length_mm
    px, height = _ends(frame)
    rises = np.array([[0.0, 0.0], [level.u_mm, level.u_mm], [0.0, length * level.tilt_u]])
    now, lower, tilted = distances_mm(plane, np.stack([px] * 3), height + rises)
    return Measured(
        length,
        "mm",
        (
            Contribution("fret ends", ends_u),
            Contribution("camera pose and lens", by_pose),
            Contribution("height of the board below the scale", abs(float(lower - now))),
            Contribution("scale leaning against the board", abs(float(tilted - now))),
            Contribution("scale", length * plane.u_rel),
        ),
    )


def _ends(frame: FretFrame) -> tuple[Floats, Floats]:
    """The crown's two ends: photo pixels (2, 2), heights over the scale (2,)."""
    at = [0.0, frame.length_mm]
    return frame.to_px(at, 0.0), frame.level_mm(at)
