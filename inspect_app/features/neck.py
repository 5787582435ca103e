"""From the overview to exact places: which candidates are frets, at what height the board lies, where the frets end."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.ask import Ask
from inspect_app.features.board import Board
from inspect_app.features.crown import FretFrame
from inspect_app.features.crown_edge import Evidence
from inspect_app.features.fret_end import END_SCATTER_MM
from inspect_app.fretboard import number_steps, sagitta
from shared.measured import Contribution

__all__ = ["Level", "board_level", "rough_frames", "in_sequence", "straight", "in_photo", "common_end_lines"]

Floats = NDArray[np.float64]

CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM = 1.15, 0.15
"""Crown height where nobody gave it: fret wire stands 0.9 to 1.4 mm above the board (common practice, no source)."""
ASKED_HEIGHT_U_MM = 0.03
"""Standard uncertainty of a crown height somebody typed: read from a caliper or a wire's list."""
BOARD_RADIUS_MM = 320.0
RADIUS_RANGE_MM = (240.0, 410.0)
"""Radii boards are made to (common practice, no source); 320 mm lies in the middle of their curvatures and range."""
_LAYING_U_MM = 0.2
"""How nearly level a scale is laid by hand with what it lies beside (common practice, no source)."""
_LEAN_U = 0.005
"""Standard uncertainty of how far a scale laid by hand leans against the board, rad: a tenth of a millimetre on its
20 mm width (common practice, no source)."""
_DROPPED = 3
_END_SLOPE = 0.03
"""Largest slope of a board's edge against its centre line: boards widen by 0.02 to 0.03 mm per mm, half on each side
(common practice, no source)."""
_END_REACH_MM, _END_STEP_MM = 4.5, 0.05


@dataclass(frozen=True, slots=True)
class Level:
    """Height of the board's surface at the frets' ends above the scale's plane (mm), and the crown height it rests on.

    `lean` is the standard uncertainty of the angle between scale and board, rad.
    """

    ends_mm: float
    u: tuple[Contribution, ...]
    crown_height: float
    crown_height_u: float
    lean: float = _LEAN_U

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty of the height."""
        return math.hypot(*(c.u for c in self.u))


def board_level(ask: Ask, board: Board, scale: Scale, plane: Plane) -> Level:
    """Where the board lies under the scale's plane, from what the person says of the scale's place."""
    height = ask.crown_height if ask.crown_height is not None else CROWN_HEIGHT_MM
    u_height = ASKED_HEIGHT_U_MM if ask.crown_height is not None else CROWN_HEIGHT_U_MM
    laying = Contribution("scale not quite level with what it lies beside", _LAYING_U_MM)
    if ask.scale_plane.where == "board":
        middle = plane.to_mm(scale.outline_px).mean(axis=0) @ board.across_neck
        y = abs(middle - sum(board.span_mm) / 2.0)
        half = (board.span_mm[1] - board.span_mm[0]) / 2.0
        drop = [float(sagitta(half, r) - sagitta(min(y, half), r)) for r in (BOARD_RADIUS_MM, *RADIUS_RANGE_MM)]
        curve = Contribution("board radius", abs(drop[1] - drop[2]) / math.sqrt(12.0))
        return Level(-drop[0], (laying, curve), height, u_height)
    below = ask.scale_plane.below_mm if ask.scale_plane.where == "below" else 0.0
    return Level(below - height, (laying, Contribution("crown height", u_height)), height, u_height)


def rough_frames(board: Board, plane: Plane, level: Level) -> list[FretFrame]:
    """A frame for every candidate of the overview, good to a fraction of a millimetre."""
    v0, v1 = board.span_mm
    length = v1 - v0
    base = level.ends_mm + float(sagitta(length / 2.0, BOARD_RADIUS_MM))
    return [
        FretFrame(
            i,
            plane,
            u * board.along_neck + v0 * board.across_neck,
            board.across_neck,
            board.along_neck,
            base,
            length / 2.0,
            BOARD_RADIUS_MM,
            length,
        )
        for i, u in enumerate(board.fret_mm)
    ]


def in_sequence(board: Board) -> tuple[list[int], NDArray[np.int64] | None]:
    """Candidates that follow one another as frets do, and their numbers counted from the first of them.

    Up to three candidates are left out, fewest first and narrowest first. Without such a sequence all are kept,
    unnumbered.
    """
    n = len(board.fret_mm)
    for left_out in range(min(_DROPPED, n - 2) + 1):
        tries = sorted(combinations(range(n), left_out), key=lambda c: float(board.width_mm[list(c)].sum()))
        for out in tries:
            kept = [i for i in range(n) if i not in out]
            steps = number_steps(board.fret_mm[kept])
            if steps is not None:
                return kept, steps
    return list(range(n)), None


def straight(frame: FretFrame, centre: float, slope: float, middle: float) -> FretFrame:
    """The frame moved and turned so that the crown's centre line, found `centre` mm off it at `middle`, is its axis."""
    turn = math.atan(slope)
    along = math.cos(turn) * frame.along + math.sin(turn) * frame.across
    across = math.cos(turn) * frame.across - math.sin(turn) * frame.along
    origin = frame.origin_mm + (centre - slope * middle) * frame.across
    return replace(frame, origin_mm=origin, along=along, across=across)


def in_photo(photo: Photo, frame: FretFrame, half_width: float) -> bool:
    """Whether the whole outline of a fret, at the board's level, lies inside the photo."""
    px = frame.to_px([0.0, 0.0, frame.length_mm, frame.length_mm], [-half_width, half_width] * 2)
    return bool(np.all((px >= 0.0) & (px <= [photo.width - 1.0, photo.height - 1.0])))


def common_end_lines(
    treble: list[Evidence | None], bass: list[Evidence | None], u_mm: Floats, near: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Where all ends lie, had they two straight lines that widen alike towards the body: the lines best supported.

    The neck's direction is square to the frets, so a board is symmetric about it and both edges share one slope.

    Parameters
    ----------
    treble, bass : list of Evidence or None
        For each fret, along it.
    u_mm : ndarray, shape (N,)
        Places of the frets along the neck.
    near : (ndarray, ndarray), each of shape (N,)
        Where the overview puts the treble and bass ends, mm along; kept for a side of which no end is in view.
    """
    u = u_mm - u_mm.mean()
    offsets = np.arange(-_END_REACH_MM, _END_REACH_MM + _END_STEP_MM, _END_STEP_MM)
    slopes = np.linspace(0.0, _END_SLOPE, 16)
    sides = []
    for evidence, at, sign in ((treble, near[0], -1.0), (bass, near[1], 1.0)):
        seen = [(i, e) for i, e in enumerate(evidence) if e is not None and len(e.across_mm)]
        curves = [
            (i, _tolerant(np.interp(at[i] + offsets, e.across_mm, _bounded(e), left=0.0, right=0.0))) for i, e in seen
        ]
        sides.append(
            np.array(
                [np.sum([np.interp(offsets + sign * m * u[i], offsets, c) for i, c in curves], axis=0) for m in slopes]
            )
            if curves
            else np.zeros((len(slopes), len(offsets)))
        )
    k = int(np.argmax(sides[0].max(axis=1) + sides[1].max(axis=1)))
    best = [offsets[int(np.argmax(s[k]))] if s[k].any() else 0.0 for s in sides]
    return near[0] + best[0] - slopes[k] * u, near[1] + best[1] + slopes[k] * u


def _bounded(e: Evidence) -> Floats:
    """Evidence between none and plenty, so that no single end decides."""
    return np.asarray(np.clip(e.log_ratio, 0.0, 4.0))


def _tolerant(y: Floats) -> Floats:
    """The best value within the scatter of ends, less the farther away it is."""
    reach = round(END_SCATTER_MM / _END_STEP_MM)
    weight = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1.0) / 2.0
    padded = np.pad(y, reach)
    return np.asarray(np.max([w * padded[k : k + len(y)] for k, w in enumerate(weight)], axis=0))
