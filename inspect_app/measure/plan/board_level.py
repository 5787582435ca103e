"""From the overview to exact places: which candidates are frets, at what height the board lies, where the frets end."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.instrument.crown import sagitta
from inspect_app.instrument.fretboard import number_frets
from inspect_app.measure.plan.board_overview import Board
from inspect_app.measure.plan.fret_ends import END_SCATTER_MM, OUT_MM, EndCurve, FretEnd, NearEnd
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.reading.ask import Ask
from shared.measured import Contribution
from shared.trade import (
    BOARD_RADIUS_MM,
    CALLIPER_U_MM,
    CROWN_HEIGHT_MM,
    CROWN_HEIGHT_U_MM,
    ROUNDEST_BOARD_MM,
    WIDENING,
    WIDENING_U,
)

__all__ = [
    "Level",
    "Sides",
    "board_level",
    "rough_frames",
    "Curve",
    "seen_curve",
    "laid_on",
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

_UNEVEN = 0.01 / 20.0**2
"""Standard uncertainty of how straight a fret lies, as a bow (mm across per mm^2 along): a hundredth of a millimetre
off at 20 mm from its middle (common practice, no source). The same again may be common to all frets of a photo."""
_LAYING_U_MM = 0.2
"""How nearly level a scale is laid by hand with what it lies beside (common practice, no source)."""
_LEAN_U = 0.005
"""Standard uncertainty of how far a scale laid by hand leans against the board, rad: a tenth of a millimetre on its
20 mm width (common practice, no source)."""
_DROPPED = 3
_SLOPES = np.linspace(0.0, 0.03, 13)
_LINE_MM = np.arange(-6.0, 6.0 + 1e-9, 0.05)
"""Offsets of a line tried: as far as an end is looked for, and the overview's own error from fret to fret."""
_MISREAD, _MISREAD_MM = 0.05, 1.0
"""Share of ends whose reading is of something else, and how far that is off: a rim, the board's edge, a shadow's."""


@dataclass(frozen=True, slots=True)
class Curve:
    """How round the board is across the neck: one over its radius, 1/mm (0: flat), and its standard uncertainty."""

    per_mm: float = 1.0 / BOARD_RADIUS_MM
    u: float = 1.0 / ROUNDEST_BOARD_MM / math.sqrt(12.0)

    @property
    def radius_mm(self) -> float:
        """The radius; ``inf`` for a flat board."""
        return 1.0 / self.per_mm if self.per_mm > 0.0 else math.inf


@dataclass(frozen=True, slots=True)
class Level:
    """Height of the board's surface at the frets' ends above the scale's plane (mm), and the crown height it rests on.

    `lean` is the standard uncertainty of the angle between scale and board, rad.
    """

    ends_mm: float
    u: tuple[Contribution, ...]
    crown_height: float
    crown_height_u: float
    curve: Curve = Curve()
    lean: float = _LEAN_U

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty of the height."""
        return math.hypot(*(c.u for c in self.u))


def board_level(ask: Ask, board: Board, scale: Scale, plane: Plane, curve: Curve = Curve()) -> Level:
    """Where the board lies under the scale's plane, from what the person says of the scale's place."""
    height = ask.crown_height if ask.crown_height is not None else CROWN_HEIGHT_MM
    u_height = CALLIPER_U_MM if ask.crown_height is not None else CROWN_HEIGHT_U_MM
    laying = Contribution("scale not quite level with what it lies beside", _LAYING_U_MM)
    if ask.scale_plane.where == "board":
        middle = plane.to_mm(scale.outline_px).mean(axis=0) @ board.across_neck
        y = abs(middle - sum(board.span_mm) / 2.0)
        half = (board.span_mm[1] - board.span_mm[0]) / 2.0
        drop, at_u = (_drop(half, c) - _drop(min(y, half), c) for c in (curve.per_mm, curve.per_mm + curve.u))
        return Level(-drop, (laying, Contribution("board radius", abs(at_u - drop))), height, u_height, curve)
    below = ask.scale_plane.below_mm if ask.scale_plane.where == "below" else 0.0
    return Level(below - height, (laying, Contribution("crown height", u_height)), height, u_height, curve)


def _drop(y: float, per_mm: float) -> float:
    """How far a board of this curvature has fallen away at distance `y` from its centre line, mm."""
    return float(sagitta(y, 1.0 / per_mm)) if per_mm > 0.0 else 0.0


def rough_frames(board: Board, plane: Plane, level: Level) -> list[FretFrame]:
    """A frame for every candidate of the overview, good to a fraction of a millimetre."""
    v0, v1 = board.span_mm
    length = v1 - v0
    base = level.ends_mm + _drop(length / 2.0, level.curve.per_mm)
    return [
        FretFrame(
            i,
            plane,
            u * board.along_neck + v0 * board.across_neck,
            board.across_neck,
            board.along_neck,
            base,
            length / 2.0,
            level.curve.radius_mm,
            length,
        )
        for i, u in enumerate(board.fret_mm)
    ]


def seen_curve(frames: list[FretFrame], bows: list[tuple[float, float]]) -> Curve:
    """How round the board is, from how its frets are seen bowed from aside.

    A fret lies on the board, so its middle is higher than its ends by the board's sagitta ``y^2 / (2 R)``; seen at an
    angle v from the vertical it is bowed by ``tan(v)`` of that. What the frames' own radius leaves of it, over all
    frets together with what is usual (`Curve`), gives the curvature: weighted least squares, one common bow allowed.

    Parameters
    ----------
    frames : list of FretFrame
        Laid with the usual radius.
    bows : list of (float, float)
        Bow seen at each fret in these frames (mm across per mm^2 along) and its standard uncertainty.
    """
    usual = Curve()
    if not frames:
        return usual
    bow, u = np.array(bows).T
    aside = np.array([f.camera_mm[1] / f.camera_mm[2] for f in frames])
    design = np.column_stack([aside / 2.0, np.ones(len(frames))])
    weight = 1.0 / (u**2 + _UNEVEN**2)
    inverse = np.linalg.inv((design.T * weight) @ design + np.diag([usual.u**-2, _UNEVEN**-2]))
    gain = (inverse @ (design.T * weight))[0]
    bows_by = _bows(frames)
    by_pose = frames[0].plane.u_of(lambda p: gain @ bows_by(p))
    more = float(gain @ bow)
    return Curve(max(0.0, usual.per_mm + more), min(usual.u, math.hypot(math.sqrt(inverse[0, 0]), float(by_pose))))


def _bows(frames: list[FretFrame]) -> Callable[[Plane], Floats]:
    """Bow that each frame's straight centre line would have, had the photo been taken as a plane says."""
    half = np.array([f.length_mm / 2.0 for f in frames])
    along = half[:, None] * np.array([0.0, 1.0, 2.0])
    px = np.concatenate([f.to_px(a, 0.0) for f, a in zip(frames, along, strict=True)])
    level = np.concatenate([f.level_mm(a) for f, a in zip(frames, along, strict=True)])
    directions = np.array([f.across for f in frames])

    def bows(plane: Plane) -> Floats:
        across = np.einsum("nij,nj->ni", plane.to_mm(px, level).reshape(-1, 3, 2), directions)
        return np.asarray((across[:, 0] - 2.0 * across[:, 1] + across[:, 2]) / (2.0 * half**2))

    return bows


def laid_on(frame: FretFrame, level: Level) -> tuple[FretFrame, float]:
    """The frame on a board of another level or curve, its centre line still seen where it was; and how large it is now.

    What lies nearer is smaller for being seen as large: a millimetre across the old frame is so much on the new one.
    """
    middle = frame.length_mm / 2.0
    px = frame.to_px([middle], 0.0)
    base = level.ends_mm + _drop(middle, level.curve.per_mm)
    laid = replace(frame, base_mm=base, radius_mm=level.curve.radius_mm)
    along, across = laid.to_fret(px)[0]
    laid = replace(laid, origin_mm=laid.origin_mm + (along - middle) * laid.along + across * laid.across)
    return laid, float(laid.camera_mm[2] / frame.camera_mm[2])


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
            steps = number_frets(board.fret_mm[kept])
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


def in_photo(photo: Photo, frame: FretFrame, half_width: float, margin_px: float = 0.0) -> bool:
    """Whether the whole outline of a fret, at the board's level, lies so far inside the photo."""
    px = frame.to_px([0.0, 0.0, frame.length_mm, frame.length_mm], [-half_width, half_width] * 2)
    return bool(np.all((px >= margin_px) & (px <= np.array([photo.width, photo.height]) - 1.0 - margin_px)))


def ends_near(u_mm: Floats, length_mm: list[float]) -> Sides[NearEnd]:
    """About where the treble and bass ends are, if the overview has their middle and boards widen as is usual.

    Parameters
    ----------
    u_mm : ndarray, shape (N,)
        Places of the frets along the neck.
    length_mm : list of float, length N
        As the overview has them.
    """
    wider = WIDENING * (u_mm - u_mm.mean())
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
    usual = -0.5 * ((_SLOPES - WIDENING) / WIDENING_U) ** 2
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
