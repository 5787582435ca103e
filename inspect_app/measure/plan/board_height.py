"""How high the board lies against the scale's plane, and frets laid on it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.measure.plan.board_overview import Board
from inspect_app.measure.plan.board_radius import USUAL_CURVATURE, BoardCurvature
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.reading.ask import Ask
from shared.measured import Contribution
from shared.trade import CALLIPER_U_MM, CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM

__all__ = ["BoardLevel", "board_level", "approximate_frames", "moved_to_level"]

_LAYING_U_MM = 0.2
"""How nearly level a scale is laid by hand with what it lies beside (common practice, no source)."""
_SCALE_TILT_U = 0.005
"""Standard uncertainty of the angle between the board and a scale laid by hand, rad: a tenth of a millimetre on its
20 mm width (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class BoardLevel:
    """Height of the board's surface at the frets' ends above the scale's plane (mm), and the crown height it rests on.

    `tilt_u` is the standard uncertainty of the angle between scale and board, rad.
    """

    ends_mm: float
    contributions: tuple[Contribution, ...]
    crown_height: float
    crown_height_u: float
    curvature: BoardCurvature = USUAL_CURVATURE
    tilt_u: float = _SCALE_TILT_U

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty of the height."""
        return math.hypot(*(c.u for c in self.contributions))

    def base_mm(self, half_length: float) -> float:
        """Height at the board's centre line, mm, so far (mm) from the frets' ends."""
        return self.ends_mm + self.curvature.drop(half_length)


def board_level(
    ask: Ask, board: Board, scale: Scale, plane: Plane, curvature: BoardCurvature = USUAL_CURVATURE
) -> BoardLevel:
    """Where the board lies under the scale's plane, from where the person says the scale lies."""
    height = ask.crown_height if ask.crown_height is not None else CROWN_HEIGHT_MM
    u_height = CALLIPER_U_MM if ask.crown_height is not None else CROWN_HEIGHT_U_MM
    laying = Contribution("scale not quite level with what it lies beside", _LAYING_U_MM)
    if ask.scale_plane.where == "board":
        middle = plane.to_mm(scale.outline_px).mean(axis=0) @ board.across_neck
        y = abs(middle - sum(board.span_mm) / 2.0)
        half = (board.span_mm[1] - board.span_mm[0]) / 2.0
        rounder = replace(curvature, per_mm=curvature.per_mm + curvature.u)
        drop, at_u = (c.drop(half) - c.drop(min(y, half)) for c in (curvature, rounder))
        by_radius = Contribution("board radius", abs(at_u - drop))
        return BoardLevel(-drop, (laying, by_radius), height, u_height, curvature)
    below = ask.scale_plane.below_mm if ask.scale_plane.where == "below" else 0.0
    return BoardLevel(below - height, (laying, Contribution("crown height", u_height)), height, u_height, curvature)


def approximate_frames(board: Board, plane: Plane, level: BoardLevel) -> list[FretFrame]:
    """A frame for every candidate of the overview, good to a fraction of a millimetre."""
    v0, v1 = board.span_mm
    length = v1 - v0
    return [
        FretFrame(
            int(step),
            plane,
            u * board.along_neck + v0 * board.across_neck,
            board.across_neck,
            board.along_neck,
            level.base_mm(length / 2.0),
            length / 2.0,
            level.curvature.radius_mm,
            length,
        )
        for step, u in zip(board.steps, board.fret_mm, strict=True)
    ]


def moved_to_level(frame: FretFrame, level: BoardLevel) -> tuple[FretFrame, float]:
    """The frame on a board of another level or curvature, and how large a millimetre across the old frame is on it.

    Its centre line is still seen where it was; what lies nearer to the camera is smaller for the same picture.
    """
    middle = frame.length_mm / 2.0
    px = frame.to_px([middle], 0.0)
    laid = replace(frame, base_mm=level.base_mm(middle), radius_mm=level.curvature.radius_mm)
    along, across = laid.to_fret(px)[0]
    laid = replace(laid, origin_mm=laid.origin_mm + (along - middle) * laid.along + across * laid.across)
    return laid, float(laid.camera_mm[2] / frame.camera_mm[2])
