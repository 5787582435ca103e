"""How wide and how long a fret is on the board, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.plane import Plane
from inspect_app.measure.plan.board_level import Level
from inspect_app.measure.plan.crown_edges import CrownFit, width_of_seen
from inspect_app.measure.plan.fret_frame import FretFrame
from shared.measured import Contribution, Measured

__all__ = ["crown_width", "fret_length", "pose_u", "view_angle"]

Floats = NDArray[np.float64]


def view_angle(frame: FretFrame) -> float:
    """Angle of the line of sight from the vertical across the fret, rad; positive: the camera is on the body side."""
    _, across, height = frame.camera_mm
    return math.atan2(across, height)


def pose_u(frames: Sequence[FretFrame], crowns: Sequence[CrownFit]) -> Floats:
    """Standard uncertainty that pose and lens give to width and length of each fret of a photo, mm, shape (n, 2)."""
    px, height = (np.array(x) for x in zip(*map(_spans, frames, crowns), strict=True))
    return frames[0].plane.u_of(lambda plane: _apart(plane, px, height))


def crown_width(frame: FretFrame, crown: CrownFit, level: Level, by_pose: float) -> Measured:
    """Crown width with its contributions; `by_pose` is what `pose_u` gives it."""
    plane, (px, height) = frame.plane, _spans(frame, crown)
    now, lower = _apart(plane, np.stack([px[0]] * 2), height[0] + np.array([[0.0], [level.u_mm]]))
    seen, view = crown.seen[1] - crown.seen[0], view_angle(frame)
    low, high = (
        width_of_seen(seen, level.crown_height + d, view) for d in (-level.crown_height_u, level.crown_height_u)
    )
    return Measured(
        crown.width,
        "mm",
        (
            Contribution("crown edges", crown.u_width),
            Contribution("crown height", abs(high - low) / 2.0),
            Contribution("camera pose and lens", by_pose),
            Contribution("height of the board below the scale", abs(float(lower - now))),
            Contribution("scale", crown.width * plane.u_rel),
        ),
    )


def fret_length(frame: FretFrame, ends_u: float, level: Level, by_pose: float) -> Measured:
    """Length between the bevels' feet with its contributions.

    Parameters
    ----------
    ends_u : float
        Standard uncertainty of the two ends' places together, mm.
    by_pose : float
        What `pose_u` gives the length.
    """
    plane, length = frame.plane, frame.length_mm
    px, height = _ends(frame)
    rises = np.array([[0.0, 0.0], [level.u_mm, level.u_mm], [0.0, length * level.lean]])
    now, lower, leaning = _apart(plane, np.stack([px] * 3), height + rises)
    return Measured(
        length,
        "mm",
        (
            Contribution("fret ends", ends_u),
            Contribution("camera pose and lens", by_pose),
            Contribution("height of the board below the scale", abs(float(lower - now))),
            Contribution("scale leaning against the board", abs(float(leaning - now))),
            Contribution("scale", length * plane.u_rel),
        ),
    )


def _spans(frame: FretFrame, crown: CrownFit) -> tuple[Floats, Floats]:
    """Where width and length begin and end: photo pixels (2, 2, 2), heights over the scale (2, 2)."""
    middle = frame.length_mm / 2.0
    edges = frame.to_px(middle, list(crown.seen))
    ends, heights = _ends(frame)
    return np.stack([edges, ends]), np.stack([np.full(2, frame.level_mm(middle)), heights])


def _ends(frame: FretFrame) -> tuple[Floats, Floats]:
    at = [0.0, frame.length_mm]
    return frame.to_px(at, 0.0), frame.level_mm(at)


def _apart(plane: Plane, px: Floats, height: Floats) -> Floats:
    """Distances in mm of pairs of pixels, shape (..., 2, 2), at heights over the scale (..., 2)."""
    at = plane.to_mm(px.reshape(-1, 2), height.ravel()).reshape(px.shape)
    return np.asarray(np.linalg.norm(at[..., 1, :] - at[..., 0, :], axis=-1))
