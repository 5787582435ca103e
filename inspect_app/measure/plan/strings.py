"""Strings left on: where they cross the frets.

A string lies over the crowns and over the board between them alike, and looks the same over both: on its few tenths of
a millimetre the picture is even right across a fret, where crown, feet and board otherwise differ. Neither a flat does
that, which ends inside the crown, nor the wood's grain, which ends at its foot. And a string is straight: it crosses
all frets along one line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from calib.robust_spread import spread_about_zero
from inspect_app.measure.plan.frets import EndedFret

__all__ = ["MOST_SKEW", "StringCrossing", "find_strings"]

Floats = NDArray[np.float64]

_ROW_MM = 0.15
"""Rows are averaged to about this length: half of the thinnest string, 0.2 to 0.3 mm."""
_COLUMN_MM = 0.2
"""Columns are averaged to about this width: some thirty across a crown and the board beside it."""
_AROUND_MM = 5.0
"""What a row usually shows is the median over this length: more than twice as long as a string is wide, 1.4 mm, with
its shadow."""
_EVEN = 0.04
"""Scatter of a string's tone across a fret: windings, and the light's change over a few millimetres."""
_TONE_FLOOR = 0.02
"""Least scatter of a column's tone along the fret: grain and scratches are never less."""
_MOST_SIGMAS = 3.0
"""Standard deviations from which a cell says no more: it is not what the row usually shows, or not even."""
_TURN = 0.03
"""Most that a string turns from the frets' normal: on a board that widens by 15 mm over 640 its outer strings turn by
0.012, and the frets' own direction is known to a few thousandths."""
MOST_SKEW = 0.1
"""Most that all strings together turn in a photo taken at a slant that no scale told of: at 35 degrees, about an axis
between the neck's and the frets' direction, what is square shows out of square by so much (1 - cos 35, over 2)."""
_SKEW_STEP = 0.01
_OFF_LINE_MM = 0.25
"""How far a string lies off its straight line in the picture: the board's and the frets' heights differ by so much."""
_STRING = 0.4
"""How string-like the frets along a line are, on average, where a string lies: one that covers every cell scores 1, or
less where its tone is by chance that of what it covers; bare metal and wood score under 0."""
_INSIDE_MM = 1.5
"""Strings lie so far inside the frets' ends at least: 2.5 to 4 mm are usual (common practice, no source); nearer to the
ends the board's edge, and the bench beyond it, are as even across a fret as a string."""
_OUTER_MM = 2.5
"""How far inside the ends the outer strings usually run at least (as above)."""
_MET = 0.6
"""Share of the frets a line must meet: an outer string may leave the frets beside it for the board's edge."""
_SURE_FRETS = 3
"""Frets from which on one line is believed by itself."""
_APART_MM = 1.5
"""Lines closer than this are one: strings are 6 to 10 mm apart, the two of a pair 2 mm (common practice, no source)."""

_ROW = 3
"""Strings found from which on their row is even or not, and fans out or not; two that are neighbours tell a row too."""
_LEAST_SPACING_MM = 5.0
"""Strings next to each other lie farther apart, but for pairs, 2 mm (common practice, no source: 6 to 10, a bass 10 to
15)."""
_UNEVEN_MM = 1.2
"""How far a string lies off an even row: slots are cut to even gaps between strings, not middles, of which outer ones
differ by a millimetre (common practice, no source)."""
_UNSEEN_MM = 1.2
"""Half the width in which a string lies that was not found: `_UNEVEN_MM`."""


@dataclass(frozen=True, slots=True)
class StringCrossing:
    """Where a string lies over a fret: from the treble end, and half its width, mm.

    One not `seen` lies there because the others' even row goes on there.
    """

    along: float
    half_width: float
    seen: bool = True


@dataclass(frozen=True, slots=True)
class _Cells:
    """Tones (n, m) of a fret and the board beside it, averaged to cells, and whether each is seen; rows at `places`."""

    places: Floats
    tone: Floats
    valid: NDArray[np.bool_]

    @property
    def row_mm(self) -> float:
        return float(self.places[1] - self.places[0])


def find_strings(frets: Sequence[EndedFret], most_skew: float = 0.0) -> list[tuple[StringCrossing, ...]]:
    """Where strings lie over each of the frets, from the treble end on; nothing where the board is bare.

    Strings may turn from the frets' normal by up to `most_skew`, all of them together: what a tilt nobody knows does.
    """
    if not frets:
        return []
    cells = [_cells(f) for f in frets]
    even = [_evenness(c) for c in cells]
    lines = _lines_together(*_along_lines(frets, cells, even, _TURN + most_skew), most_skew)
    if len(frets) < _SURE_FRETS and len(lines) < 2:
        return [()] * len(frets)  # one line over one or two frets may be a scratch, or the edge of a tape
    at_neck, starts = _where(frets)
    unseen = _unseen(lines, most_apart=max(f.frame.length_mm for f in frets))
    found = []
    for f, c, e, x, start in zip(frets, cells, even, at_neck - at_neck.mean(), starts, strict=True):
        places = [y + turn * x - start for y, turn in lines]
        crossings = [_crossing(c.places, e, at) for at in places if 0.0 <= at <= f.frame.length_mm]
        places = [y + turn * x - start for y, turn in unseen]
        inside = [at for at in places if _OUTER_MM <= at <= f.frame.length_mm - _OUTER_MM]
        crossings += [StringCrossing(at, _UNSEEN_MM, seen=False) for at in inside]
        found.append(tuple(sorted(crossings, key=lambda c: c.along)))
    return found


def _where(frets: Sequence[EndedFret]) -> tuple[Floats, Floats]:
    """The frets' treble ends, mm: along the neck and across it."""
    along, across = frets[0].frame.along, frets[0].frame.across
    at = np.array([f.frame.origin_mm for f in frets])
    return np.asarray(at @ across), np.asarray(at @ along)


def _along_lines(
    frets: Sequence[EndedFret], cells: Sequence[_Cells], even: Sequence[Floats], most_turn: float
) -> tuple[Floats, Floats, Floats]:
    """How string-like the frets are along straight lines, shape (turns, places), those places, mm, and turns."""
    at_neck, starts = _where(frets)
    lengths = np.array([f.frame.length_mm for f in frets])
    grid = np.arange(starts.min(), (starts + lengths).max(), _ROW_MM)
    steps = math.ceil(most_turn * max(float(np.ptp(at_neck)), 1.0) / _OFF_LINE_MM)
    turns = np.linspace(-most_turn, most_turn, 2 * steps + 1)
    total, met = np.zeros((len(turns), len(grid))), np.zeros((len(turns), len(grid)))
    for c, e, x, start, length in zip(cells, even, at_neck - at_neck.mean(), starts, lengths, strict=True):
        here = grid + turns[:, None] * x - start
        near = maximum_filter1d(e, 1 + 2 * round(_OFF_LINE_MM / c.row_mm))
        on = (here >= _INSIDE_MM) & (here <= length - _INSIDE_MM)
        total += np.where(on, np.interp(here, c.places, near), 0.0)
        met += on
    return np.where(met >= _MET * len(frets), total / np.maximum(met, 1.0), -1.0), grid, turns


def _unseen(lines: Sequence[tuple[float, float]], most_apart: float) -> list[tuple[float, float]]:
    """Strings of an even row, given best first, that were not found themselves, up to so far beyond it, mm.

    One looks like the metal it lies over, another is hidden in its own shadow; the row says where they are. It goes on
    to both ends of the frets, for so it is strung; a pair counts as one, and so does a string with its shadow.
    """
    row = _each_once(lines)
    if len(row) < 2:
        return []
    at, turn = np.array(row).T
    gaps = np.diff(at)
    spacing = float(gaps.min())
    if len(row) < _ROW and spacing >= 2.0 * _LEAST_SPACING_MM:
        return []  # one may lie between them
    steps = np.round(gaps / spacing)
    spacing = float(gaps.sum() / steps.sum())
    if spacing < _LEAST_SPACING_MM or np.any(np.abs(gaps - steps * spacing) > _UNEVEN_MM):
        return []
    number, beyond = np.append(0.0, np.cumsum(steps)), math.ceil(most_apart / spacing)
    missing = np.setdiff1d(np.arange(-beyond, number[-1] + beyond + 1.0), number)
    line = np.polynomial.Polynomial.fit(number, turn, 1 if len(row) >= _ROW else 0)
    return [(float(at[0] + spacing * n), float(line(n))) for n in missing]


def _each_once(lines: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The lines in order, of those nearer than half of what strings lie apart the best only."""
    kept: list[tuple[float, float]] = []
    for line in lines:
        if all(abs(line[0] - other[0]) >= _LEAST_SPACING_MM / 2.0 for other in kept):
            kept.append(line)
    return sorted(kept)


def _lines_together(score: Floats, grid: Floats, turns: Floats, most_skew: float) -> list[tuple[float, float]]:
    """The lines of that skew with which strings stand out best; one line alone tells no skew."""
    best, chosen = 0.0, list[tuple[float, float]]()
    for skew in sorted(np.arange(-most_skew, most_skew + _SKEW_STEP / 2.0, _SKEW_STEP), key=abs):
        about = np.abs(turns - skew) <= _TURN + 1e-9
        if not about.any():  # frets so near each other that turns tried are farther apart than this
            continue
        lines = _lines(score[about], grid, turns[about])
        total = sum(s for *_, s in lines)
        if total > best and (len(lines) > 1 or abs(skew) < _SKEW_STEP):
            best, chosen = total, [(place, turn) for place, turn, _ in lines]
    return chosen


def _lines(score: Floats, grid: Floats, turns: Floats) -> list[tuple[float, float, float]]:
    """Straight lines along which frets are string-like, the best first: place amid the neck, turn, score."""
    found = []
    score = score.copy()
    while score.max() >= _STRING:
        k, i = np.unravel_index(int(score.argmax()), score.shape)
        found.append((float(grid[i]), float(turns[k]), float(score[k, i])))
        score[:, np.abs(grid - grid[i]) < _APART_MM] = -1.0
    return found


def _crossing(places: Floats, even: Floats, at: float) -> StringCrossing:
    """The crossing about a place: all rows there that are rather even than usual."""
    near = np.abs(places - at) < _APART_MM
    k = int(np.argmax(np.where(near, even, -np.inf)))
    on = even > 0.0
    i, j = k, k
    while i > 0 and on[i - 1] and near[i - 1]:
        i -= 1
    while j < len(on) - 1 and on[j + 1] and near[j + 1]:
        j += 1
    half_row = (places[1] - places[0]) / 2.0
    return StringCrossing(float(places[i] + places[j]) / 2.0, float(places[j] - places[i]) / 2.0 + half_row)


def _cells(f: EndedFret) -> _Cells:
    p = f.patch
    step = float(p.along_mm[1] - p.along_mm[0])
    rows, columns = max(1, round(_ROW_MM / step)), max(1, round(_COLUMN_MM * p.px_per_mm))
    n, m = len(p.along_mm) // rows, len(p.across_mm) // columns
    blocks = (n, rows, m, columns)
    tone = np.sqrt(p.light[: n * rows, : m * columns]).reshape(blocks).mean(axis=(1, 3)).astype(float)
    valid = np.asarray(p.valid[: n * rows, : m * columns].reshape(blocks).all(axis=(1, 3)))
    return _Cells(p.along_mm[: n * rows].reshape(n, rows).mean(axis=1), tone, valid)


def _evenness(c: _Cells) -> Floats:
    """How string-like each row is, -1 to 1.

    It is by how much its cells are farther from what their columns usually show than from the row's own median, each
    distance squared and limited, and the whole averaged over the columns in view.
    """
    off = c.tone - _usual_rows(c)
    scatter = np.maximum(spread_about_zero(off, axis=0), _TONE_FLOOR)
    strange = np.minimum(np.abs(off) / scatter, _MOST_SIGMAS) ** 2
    uneven = np.minimum(np.abs(c.tone - np.median(c.tone, axis=1, keepdims=True)) / _EVEN, _MOST_SIGMAS) ** 2
    shown = c.valid.sum(axis=1)
    score = np.sum((strange - uneven) * c.valid, axis=1) / np.maximum(shown, 1) / _MOST_SIGMAS**2
    return np.where(shown > c.tone.shape[1] / 2, score, -1.0)


def _usual_rows(c: _Cells) -> Floats:
    """What each column shows about each row: medians over `_AROUND_MM`, taken every fifth of that and drawn through."""
    n = len(c.tone)
    step = max(1, round(_AROUND_MM / c.row_mm / 5.0))
    around = np.pad(c.tone, ((2 * step, 3 * step), (0, 0)), mode="edge")
    medians = np.median(sliding_window_view(around, 4 * step + 1, axis=0)[::step], axis=2)
    whole, part = np.divmod(np.arange(n), step)
    share = (part / step)[:, None]
    return np.asarray(medians[whole] * (1.0 - share) + medians[whole + 1] * share)
