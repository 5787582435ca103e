"""How wide a crown is, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.board_height import BoardLevel
from inspect_app.measure.plan.crown_arc import width_from_apparent
from inspect_app.measure.plan.crown_edges import CrownFit
from inspect_app.measure.plan.fret_frame import FretFrame, distances_mm
from shared.measured import Contribution, Measured

__all__ = ["crown_width", "width_u_from_pose"]

Floats = NDArray[np.float64]


def width_u_from_pose(frames: Sequence[FretFrame], crowns: Sequence[CrownFit]) -> Floats:
    """Standard uncertainty that pose and lens give to each crown's width, mm, shape (n,)."""
    px, height = (np.array(x) for x in zip(*map(_edges, frames, crowns), strict=True))
    return frames[0].plane.u_of(lambda plane: distances_mm(plane, px, height))


def crown_width(frame: FretFrame, crown: CrownFit, level: BoardLevel, by_pose: float) -> Measured:
    """Crown width with its contributions; `by_pose` is what `width_u_from_pose` gives it."""
    plane, (px, height) = frame.plane, _edges(frame, crown)
    now, lower = distances_mm(plane, np.stack([px] * 2), height + np.array([[0.0], [level.u_mm]]))
    apart = crown.apparent[1] - crown.apparent[0]
    low, high = (
        width_from_apparent(apart, level.crown_height + d, frame.view_angle)
        for d in (-level.crown_height_u, level.crown_height_u)
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


def _edges(frame: FretFrame, crown: CrownFit) -> tuple[Floats, Floats]:
    """The crown's two edges at the middle of the fret: photo pixels (2, 2), heights over the scale (2,)."""
    middle = frame.length_mm / 2.0
    return frame.to_px(middle, list(crown.apparent)), np.full(2, frame.level_mm(middle))
