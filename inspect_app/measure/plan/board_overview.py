"""Where the board and its frets lie in a plan photo, to a fraction of a millimetre: enough to know where to measure.

Frets are what persists: along a fret the light steps the same way at every place across the board, while grain, bench
and inlays do not. They end where the board ends, and are spaced as equal temperament spaces them. First the photo as a
whole is turned to where its steps agree best; where that shows no clear board, every part of it is looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from inspect_app.instrument.fret_sequence import fret_sequence
from inspect_app.measure.plan.board_search import best_turn, likely_places, turned
from inspect_app.measure.plan.board_tilt import TOLD_BY_SCALE_RAD, tilt_u
from inspect_app.measure.plan.overview_bands import BAND_MM, Axes, Bands, ReducedPhoto, laid_out
from inspect_app.reading.ask import Ask

__all__ = ["Board", "find_board"]

BOARD_BELOW_MM = 1.1
"""About a crown height, by which the board lies below a scale level with the crowns."""
_PERSISTS = 6.0
"""Standard deviations of the sum over bands from which a step persists; a photo has some 1000 columns, so chance
reaches 4."""
_OF_STRONGEST = 0.2
"""Of the steps of one cluster, those count to its width that are at least this share of its strongest: the shadow that
fades away from a fret persists too, but is no part of it."""
_AGREE = 0.75
"""Share of the bands in which a persistent step has the same sign; chance gives a half."""
_SAME_BOARD = 0.6
"""On either side of a fret lies the same board, so that the light rises by as much as it falls across it: where more
than this share of all its steps is left as a difference, a thing ends there and another begins. A fret beside a broad
inlay or a lamp's gradient leaves up to a third (common practice, no source)."""
_CHANGED, _UNCHANGED = 1.0 / 3.0, 0.1
"""Shares left from which the light is another beyond a cluster, and under which it is the same again: more than that
gradient's, and what grain and the bands' shading leave of a fret in the middle of a board, a few hundredths."""
_BESIDE_MM = 1.0
"""So far beside a cluster its faint steps still belong to it: the shadow that fades away, and blur."""
_ALIKE = 0.25
"""Frets of a board are of one metal in one light: steps weaker than this share of the others' are of something else."""
_FEW_STEPS = 8
"""A band in which fewer persistent steps are in view tells as much less: a fret has four at least, and those of one
alone, beside a scale that hides the others, the bench may have too."""
_JOIN_MM = 2.6
"""A crown's two edges are joined across its even top when no farther apart than this (wide wire is 3 mm with its
edges' own width, common practice, no source)."""
FRET_WIDTH_MM = (1.2, 7.0)
"""Widths of a cluster of persistent steps that can be a fret with the shadow beside it: the widest wire, 3.2 mm, and on
either side a soft shadow half as far again as a crown is high (1.3 mm)."""
BOARD_WIDTH_MM = (12.0, 84.0)
"""Heights of the rows that frets stand in: frets are 25 to 80 mm long (common practice, no source), half of one may be
covered, and the rows are good to a band at either edge."""
GAP_MM = (5.0, 60.0)
"""First gaps of a neck: 7 mm behind the 20th fret of the shortest strings in use, 330 mm, and 52 mm behind the nut of
the longest, 920 mm (common practice, no source)."""
_LIKELY, _CLEAR, _CERTAIN = 0.0, 2.5, 6.0
"""Logarithms of odds from which lines are taken for frets; from which the photo as a whole is taken to be turned right;
and from which, among many places tried, no other is looked at: one in four hundred."""
_OTHER_WAY = 2.0
"""So much likelier a sequence has to be when counted from the other side than was said: seven times, more than four
evenly drawn frets are by chance."""
_TOO_FEW, _SURE = 1.0, 0.8
"""What fewer than three lines lack, for their spacing can't tell whether they are frets; and the strength that each of
them then has to have: nine bands of ten agree."""
_STEEP_RAD = math.radians(20.0)
"""Tilt up to which frets are followed where the scale doesn't tell the tilt."""
_BENDS = np.linspace(-1.0, 1.0, 9)
"""Shares of that tilt tried: a quarter of it bends a sequence of ten frets by half a gap's tolerance."""
_ENDED = 1.5
"""What it adds that most of the lines end where the board does, as frets do and the edges of a bench do not: about five
in six lines of a bench that cross a board's height go on beyond it (common practice, no source)."""
_NEAR_MM = (4.0, 10.0)
"""How far beyond the rows a line is looked for that goes on: clear of the rows' own error, yet near."""
_GOES_ON = 0.5
"""A line goes on when its steps beyond the rows are this share of those within."""
_AROUND_MM = 52.0
"""How far to either side of a likely place the photo is laid out: a wide board, should the place be at its edge."""
_START_MM = 22.0
"""Height about a likely place from which the rows are grown: within the narrowest board, a place being good to 3 mm."""
_LOCAL_TURN_DEG = 3.0
"""How far a likely place may be off in turn: half of the step of turns tried, doubled."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Board:
    """The board as laid out on the scale's plane.

    Attributes
    ----------
    along_neck, across_neck : ndarray of float, shape (2,)
        Unit vectors on the plane: from the nut to the body, and from treble to bass.
    fret_mm : ndarray of float, shape (N,)
        Places of the frets along the neck, increasing towards the body, to about 0.2 mm.
    width_mm : ndarray of float, shape (N,)
        How wide each fret with its edges and shadow looked.
    span_mm : (float, float)
        Where the frets begin and end across the neck, to about 2 mm.
    steps : ndarray of int, shape (N,)
        Their numbers, counted from 0 at the first.
    other_way : bool
        Whether the nut lies on the other side than was said, and the treble side with it.
    upright : bool
        Whether the neck runs up the photo: then its frets' spacing has told on which side the nut lies.
    """

    along_neck: Floats
    across_neck: Floats
    fret_mm: Floats
    width_mm: Floats
    span_mm: tuple[float, float]
    steps: NDArray[np.int64]
    other_way: bool = False
    upright: bool = False


@dataclass(frozen=True)
class _Found:
    """A board, and the logarithm of the odds that it is one."""

    board: Board
    odds: float


def find_board(
    photo: Photo, plane: Plane, ask: Ask, covers_px: tuple[Floats, ...], before: Board | None = None
) -> Board | None:
    """Find the frets of the board; ``None`` where nothing in the photo looks like frets.

    Parameters
    ----------
    covers_px : tuple of ndarray, shape (M, 2) each
        Closed outlines of what lies in front of the board.
    before : Board, optional
        As found on another plane: a neck that runs up the photo is looked for the same way round.
    """
    reduced = ReducedPhoto.of(photo, plane, covers_px)
    search = _Search(reduced, reduced.halved(), plane, _height(ask), _bends(plane))  # half of it shows the turn as well
    if before is not None and before.upright:
        found = _run_up(search.along((before.along_neck, before.across_neck)))
        return None if found is None else found.board
    axes = _photo_axes(photo, plane, ask)
    found = search.along(axes)
    if found is None or found.odds < _CLEAR:
        upright = _upright(search, axes)
        found = upright if upright is not None and (found is None or upright.odds > found.odds) else found
    return None if found is None or found.odds < _LIKELY else found.board


@dataclass(frozen=True)
class _Search:
    """Where to look for a board: the photo reduced, and half of that, the scale's plane, and what is known of it."""

    reduced: ReducedPhoto
    half: ReducedPhoto
    plane: Plane
    height: float
    bends: tuple[float, ...]

    def along(self, axes: Axes) -> _Found | None:
        """The likeliest board that lies about so: in the photo as a whole, else in any part of it."""
        whole = turned(axes, best_turn(laid_out(self.half, self.plane, axes, self.height)))
        found = _board_in(laid_out(self.reduced, self.plane, whole, self.height), whole, self.bends)
        if found is None or found.odds < _CLEAR:
            for p in likely_places(self.half, self.plane, axes, self.height):
                near = _board_near(self.reduced, self.plane, (p.axes, p.middle_mm), self.height, self.bends)
                if near is not None and (found is None or near.odds > found.odds):
                    found = near
                if found is not None and found.odds > _CERTAIN:
                    break
        return found


def _upright(search: _Search, axes: Axes) -> _Found | None:
    """The board of a neck that runs up the photo; none where its spacing doesn't tell on which side the nut lies."""
    u, v = axes
    ways = [f for f in (search.along((v, -u)), search.along((-v, u))) if f is not None]
    best = max(ways, key=lambda f: f.odds, default=None)
    if best is None or best.odds < _CLEAR:
        return None
    nut = best.board.along_neck
    if any(f.odds > best.odds - _OTHER_WAY for f in ways if f.board.along_neck @ nut < 0.0):
        return None
    return _run_up(best)


def _run_up(found: _Found | None) -> _Found | None:
    return found and replace(found, board=replace(found.board, other_way=False, upright=True))


def _bends(plane: Plane) -> tuple[float, ...]:
    """How the spacing may change along the neck, per mm, by a tilt that the scale doesn't tell."""
    if tilt_u(plane) < TOLD_BY_SCALE_RAD:
        return (0.0,)
    return tuple((_BENDS * math.tan(_STEEP_RAD) / plane.distance_mm).tolist())


def _board_near(
    reduced: ReducedPhoto, plane: Plane, place: tuple[Axes, float], height: float, bends: tuple[float, ...]
) -> _Found | None:
    """The board about a likely place, the frets square to its axes as nearly as they can be."""
    axes, middle = place
    for _ in range(2):
        rows = middle - _AROUND_MM / 2.0, middle + _AROUND_MM / 2.0
        bands = laid_out(reduced, plane, axes, height, rows)
        if len(bands.v_mm) < 4:
            return None
        slope = best_turn(bands, _LOCAL_TURN_DEG)
        strong = np.abs(bands.steps.sum(axis=0))
        u = float(bands.u_mm((strong**2 @ np.arange(len(strong))) / max(float(strong @ strong), 1e-9)))
        at = u * axes[0] + middle * axes[1]
        axes = turned(axes, slope)
        middle = float(at @ axes[1])
    bands = laid_out(reduced, plane, axes, height, (middle - _AROUND_MM, middle + _AROUND_MM))
    return _board_in(bands, axes, bends, middle)


def _board_in(bands: Bands, axes: Axes, bends: tuple[float, ...], middle: float | None = None) -> _Found | None:
    """The board whose frets stand square in these bands; about `middle` across the neck, where that is known."""
    start = np.ones(len(bands.steps), dtype=bool)
    if middle is not None:
        start = np.abs(bands.v_mm - middle) <= _START_MM / 2.0
    rows = _board_rows(bands.steps, bands.visible, start)
    if rows is None:
        return None
    across = rows[1] - rows[0]
    whole = rows[0] > 0 and rows[1] < len(bands.steps)
    per_band = float(np.diff(bands.v_mm[:2])[0])
    if across * per_band > BOARD_WIDTH_MM[1] or (whole and across * per_band < BOARD_WIDTH_MM[0]):
        return None
    at, width, strength, contrast = _clusters(bands, slice(*rows))
    if len(at) == 0:
        return None
    alike = contrast > _ALIKE * np.median(np.sort(contrast)[len(contrast) // 2 :])
    at, width, strength = at[alike], width[alike], strength[alike]
    v0, v1 = bands.v_mm[rows[0]] - per_band / 2.0, bands.v_mm[rows[1] - 1] + per_band / 2.0
    board = Board(*axes, bands.u_mm(at), width, (float(v0), float(v1)), np.arange(len(at)))
    ended = _ENDED if _ends_there(bands, rows, at, width) else -_ENDED
    if len(at) < 3:
        sure = middle is None and bool(np.all(strength >= _SURE)) and bool(np.all(np.diff(board.fret_mm) <= GAP_MM[1]))
        return _Found(board, ended - _TOO_FEW) if sure else None
    sequence = fret_sequence(board.fret_mm, strength, GAP_MM, bends)
    if sequence is None or sequence.score < _CLEAR:
        # a tilt that nothing tells may explain one way as well as the other: then what was said stands, if it can
        told = len(bends) == 1 or sequence is None or sequence.score < _LIKELY
        reverse = fret_sequence(-board.fret_mm[::-1], strength[::-1], GAP_MM, bends) if told else None
        if reverse is not None and reverse.score > (sequence.score if sequence else 0.0) + _OTHER_WAY:
            sequence, board, width = reverse, _other_way(board), width[::-1]
    if sequence is None:
        return None
    kept = list(sequence.kept)
    frets = replace(board, fret_mm=board.fret_mm[kept], width_mm=width[kept], steps=sequence.numbers)
    return _Found(frets, sequence.score + ended)


def _other_way(board: Board) -> Board:
    """The same seen with nut and body, and treble and bass, exchanged."""
    v0, v1 = board.span_mm
    u, v, steps = -board.along_neck, -board.across_neck, board.steps[-1] - board.steps[::-1]
    return Board(u, v, -board.fret_mm[::-1], board.width_mm[::-1], (-v1, -v0), steps, not board.other_way)


def _ends_there(bands: Bands, rows: tuple[int, int], at: Floats, width: Floats) -> bool:
    """Whether most of the lines end where the rows end, as far as the photo shows what is beyond."""
    near, far = (round(mm / BAND_MM) for mm in _NEAR_MM)
    sides = [slice(max(0, rows[0] - far), max(0, rows[0] - near)), slice(rows[1] + near, rows[1] + far)]
    inside = bands.steps[slice(*rows)]
    sign = np.sign(inside.sum(axis=0))
    on = 0
    for middle, reach in zip(at, width * bands.px_per_mm / 2.0, strict=True):
        columns = slice(max(0, math.floor(middle - reach)), math.ceil(middle + reach) + 1)
        signed = sign[columns]
        own = float((inside[:, columns] * signed).mean())
        beyond = [bands.steps[s][:, columns] * signed for s in sides]
        on += any(b.size > 0 and float(b.mean()) > _GOES_ON * own for b in beyond)
    return 2 * on <= len(at)


def _height(ask: Ask) -> float:
    """About how high the board lies above the scale's plane, mm; a millimetre hardly matters here."""
    below = ask.scale_plane.below_mm if ask.scale_plane.where == "below" else 0.0
    return below - (0.0 if ask.scale_plane.where == "board" else BOARD_BELOW_MM)


def _photo_axes(photo: Photo, plane: Plane, ask: Ask) -> Axes:
    """Unit vectors on the plane nearest to the photo's horizontal and vertical, turned as the neck lies in it."""
    c = np.array([photo.width / 2.0, photo.height / 2.0])
    p = plane.to_mm(c + np.array([[0.0, 0.0], [50.0, 0.0], [0.0, -50.0]]))
    right, up = p[1] - p[0], p[2] - p[0]
    u = right if ask.nut == "left" else -right
    u = u / np.linalg.norm(u)
    v = up if ask.treble == "bottom" else -up
    v = v - (v @ u) * u
    return u, v / np.linalg.norm(v)


def _board_rows(steps: Floats, visible: NDArray[np.bool_], rows: NDArray[np.bool_]) -> tuple[int, int] | None:
    """First and last band (exclusive) that take part in the steps which persist, as far as they are in view."""
    for _ in range(4):
        total = steps[rows].sum(axis=0) / math.sqrt(rows.sum())
        strong = np.abs(total) > _PERSISTS
        if not strong.any():
            return None
        in_view = visible[:, strong].sum(axis=1)
        share = (steps[:, strong] @ np.sign(total[strong])) / np.maximum(in_view, _FEW_STEPS)
        level = 0.4 * float(np.quantile(share, 0.9))
        rows = _longest_run(share > level)
        if rows.sum() < 4:
            return None
    where = np.flatnonzero(rows)
    return int(where[0]), int(where[-1]) + 1


def _longest_run(mask: NDArray[np.bool_], gap: int = 2) -> NDArray[np.bool_]:
    """The longest run of True, gaps of up to `gap` included."""
    where = np.flatnonzero(mask)
    out = np.zeros_like(mask)
    if len(where) == 0:
        return out
    parts = np.split(where, np.flatnonzero(np.diff(where) > gap + 1) + 1)
    longest = max(parts, key=len)
    out[longest[0] : longest[-1] + 1] = True
    return out


def _reach(columns: NDArray[np.intp]) -> int:
    return int(columns[-1] - columns[0] + 1)


def _unbalanced(mean: Floats) -> float:
    """Share of all steps that is left as a difference of light across them."""
    return abs(float(mean.sum())) / max(float(np.abs(mean).sum()), 1e-9)


def _without_next(part: NDArray[np.intp], mean: Floats) -> NDArray[np.intp]:
    """The cluster of steps without the edge of what lies next to a fret, tape or a pickguard.

    The light changes there for good, and without it not at all: on either side of a fret lies the same board.
    """
    pieces = np.split(part, np.flatnonzero(np.diff(part) > 1) + 1)
    for edge, rest in ((pieces[0], pieces[1:]), (pieces[-1], pieces[:-1])):
        if rest and _unbalanced(mean[edge]) > _SAME_BOARD:
            left = np.concatenate(rest)
            balanced = _unbalanced(mean[left[0] : left[-1] + 1]) < _UNCHANGED
            if balanced and _unbalanced(mean[part[0] : part[-1] + 1]) > _CHANGED:
                return left
    return part


def _clusters(bands: Bands, rows: slice) -> tuple[Floats, Floats, Floats, Floats]:
    """The clusters of persistent steps that can be frets: middles (columns), widths (mm), strengths, steps (codes).

    The strength is the largest share of bands that agree, counted from none at a half to 1 at all of them.
    """
    steps, raw, px_per_mm = bands.steps[rows], bands.raw[rows], bands.px_per_mm
    n = np.maximum(bands.visible[rows].sum(axis=0), 1)
    total = steps.sum(axis=0)
    agree = (np.sign(steps) == np.sign(total)).sum(axis=0) / n
    size = np.abs(total) / np.sqrt(n)
    where = np.flatnonzero((size > _PERSISTS) & (agree >= _AGREE) & (n >= 4))
    if len(where) == 0:
        return (np.empty(0),) * 4
    parts = np.split(where, np.flatnonzero(np.diff(where) > _JOIN_MM * px_per_mm) + 1)
    mean = raw.sum(axis=0) / n
    parts = [_without_next(p, mean) for p in parts]
    strong = [p[np.abs(mean[p]) > _OF_STRONGEST * np.abs(mean[p]).max()] for p in parts]
    # one lamp's line far brighter than all else of a fret leaves only itself: then the whole cluster is taken
    parts = [s if _reach(s) / px_per_mm >= FRET_WIDTH_MM[0] else p for s, p in zip(strong, parts, strict=True)]
    width = np.array([_reach(p) / px_per_mm for p in parts])
    middle = np.array([(p[0] + p[-1]) / 2.0 for p in parts])
    strength = np.array([2.0 * min(1.0, float(agree[p].max())) - 1.0 for p in parts])
    contrast = np.array([float(np.abs(mean[p]).max()) for p in parts])
    beside = math.ceil(_BESIDE_MM * px_per_mm)
    whole = [mean[max(0, p[0] - beside) : p[-1] + beside + 1] for p in parts]
    same = np.array([_unbalanced(m) <= _SAME_BOARD for m in whole])
    fret = (width >= FRET_WIDTH_MM[0]) & (width <= FRET_WIDTH_MM[1]) & same
    return middle[fret], width[fret], strength[fret], contrast[fret]
