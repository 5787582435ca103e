"""From the overview to exact places: which candidates are frets, at what height the board lies, where the frets end."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.ask import Ask
from inspect_app.features.board import Board
from inspect_app.features.crown import FretFrame
from inspect_app.features.end_light import TAPER
from inspect_app.features.fret_end import END_SCATTER_MM, OUT_MM, EndCurve, FretEnd, NearEnd
from inspect_app.fretboard import number_steps, sagitta
from shared.measured import Contribution

__all__ = [
    "Level",
    "Sides",
    "board_level",
    "rough_frames",
    "in_sequence",
    "straight",
    "in_photo",
    "ends_near",
    "nearer",
    "common_end_lines",
]

Floats = NDArray[np.float64]
_T = TypeVar("_T")
Sides = tuple[list[_T], list[_T]]
"""One for each fret, of the treble side and of the bass side."""

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
_SLOPES = np.linspace(0.0, 0.03, 13)
_TAPER_SD = 0.004
"""How much the slope of boards' edges varies about `TAPER`, how square frets are included (common practice, no
source)."""
_LINE_MM = np.arange(-6.0, 6.0 + 1e-9, 0.05)
"""Offsets of a line tried: as far as an end is looked for, and the overview's own error from fret to fret."""
_MISREAD, _MISREAD_MM = 0.05, 1.0
"""Share of ends whose reading is of something else, and how far that is off: a rim, the board's edge, a shadow's."""


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


def ends_near(u_mm: Floats, length_mm: list[float]) -> Sides[NearEnd]:
    """About where the treble and bass ends are, if the overview has their middle and boards widen as is usual.

    Parameters
    ----------
    u_mm : ndarray, shape (N,)
        Places of the frets along the neck.
    length_mm : list of float, length N
        As the overview has them.
    """
    wider = TAPER * (u_mm - u_mm.mean())
    treble = [NearEnd(-float(w), -1) for w in wider]
    return treble, [NearEnd(length + float(w), 1) for length, w in zip(length_mm, wider, strict=True)]


def nearer(curves: Sides[EndCurve], lines: Sides[FretEnd]) -> Sides[NearEnd]:
    """About where the ends are: as was thought, but where all ends together put one off the places tried, there.

    What the scale covers, with a margin and the rest of a band of the overview, can hide more than those places span.
    """
    treble, bass = (
        [c.near if _tried(c, at) else replace(c.near, along=at.along) for c, at in zip(*side, strict=True)]
        for side in zip(curves, lines, strict=True)
    )
    return treble, bass


def _tried(curve: EndCurve, line: FretEnd) -> bool:
    """Whether the places tried span all that the other ends leave likely for this one."""
    at, most = curve.near.outward * (line.along - curve.near.along), 3.0 * line.u
    return bool(OUT_MM[0] + most < at < OUT_MM[-1] - most)


def common_end_lines(treble: list[EndCurve], bass: list[EndCurve], u_mm: Floats) -> Sides[FretEnd]:
    """Where each end would be by all of them, had they two straight lines that widen alike towards the body.

    The neck's direction is square to the frets, so a board is symmetric about it and both edges share one slope. Each
    end scatters about its line by `END_SCATTER_MM`, and a few are misread and say nothing.

    Parameters
    ----------
    treble, bass : list of EndCurve, length N
        Likelihood of each end along its fret.
    u_mm : ndarray, shape (N,)
        Places of the frets along the neck.
    """
    u = u_mm - u_mm.mean()
    usual = -0.5 * ((_SLOPES - TAPER) / _TAPER_SD) ** 2
    votes = []
    for side in (treble, bass):
        middle = np.mean([c.near.along for c in side])
        total = np.zeros((len(_SLOPES), len(_LINE_MM)))
        for c, x in zip(side, u, strict=True):
            at = middle + c.near.outward * (_SLOPES[:, None] * x + _LINE_MM)
            total += np.interp(c.near.outward * (at - c.near.along), OUT_MM, _vote(c))
        votes.append(total)
    by_slope = [np.logaddexp.reduce(v, axis=1)[:, None] for v in votes]
    return (
        _line(treble, votes[0] + by_slope[1] + usual[:, None], u),
        _line(bass, votes[1] + by_slope[0] + usual[:, None], u),
    )


def _vote(curve: EndCurve) -> Floats:
    """Log likelihood of the common line's place (at `OUT_MM`) for what one end tells."""
    p = np.exp(curve.log_likelihood - curve.log_likelihood.max())
    step = OUT_MM[1] - OUT_MM[0]
    well, ill = (gaussian_filter1d(p / p.sum(), sd / step, mode="nearest") for sd in (END_SCATTER_MM, _MISREAD_MM))
    return np.asarray(np.log((1.0 - _MISREAD) * well + _MISREAD * ill + 1e-30))


def _line(side: list[EndCurve], log_likelihood: Floats, u: Floats) -> list[FretEnd]:
    """Mean over all lines of one side at every fret; its uncertainty with the scatter of ends about it."""
    p = np.exp(log_likelihood - log_likelihood.max())
    p /= p.sum()
    middle, outward = np.mean([c.near.along for c in side]), side[0].near.outward
    ends = []
    for x in u:
        at = middle + outward * (_SLOPES[:, None] * x + _LINE_MM)
        mean = float(np.sum(p * at))
        ends.append(FretEnd(mean, math.sqrt(float(np.sum(p * (at - mean) ** 2)) + END_SCATTER_MM**2)))
    return ends
