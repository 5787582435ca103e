"""The light across one fret: the middle of many rows laid straight on each other, its grain and its colour."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, spline_filter1d

from calib.robust_spread import spread_about_median
from inspect_app.measure.plan.edge_straightness import EdgeCourse, edge_course
from inspect_app.measure.plan.fret_patch import COLOUR_ROWS, FretPatch

__all__ = ["END_MM", "LEAST_ROWS", "CrownProfile", "crown_profile"]

Floats = NDArray[np.float64]

_DARK = 0.003
"""Added to linear light before its logarithm: an 8-bit photo tells nothing finer of the darkest tones."""
_SEGMENTS, _ROWS = 12, 8
"""A fret is cut into so many segments along it, and each into blocks of so many rows: twelve medians tie a parabola
down, and eight rows, two thirds of a millimetre, still show a streak of the wood."""
LEAST_ROWS = _SEGMENTS * _ROWS
"""Rows of pixels along a fret, without its ends, that a profile takes."""
_IN_VIEW_MM = 1.6
"""Half of the width across a fret that has to be in view: half of the widest wire (common practice, no source)."""
_OPEN_MM = (2.1, 2.9)
"""Where beside a crown the open board is looked at: beyond the widest wire, the overview's error included."""
_LEAST_BLOCKS, _NO_GRAIN_U = 4, 1.0
"""Fewer blocks of rows to a segment are used up by their mean and slope: then nothing is known of grain."""
_STREAKS = 4.5
"""Rows that differ by more than so many medians, three standard deviations, are no grain of wood."""
_NEXT_ROWS = np.ones((1, 3), dtype=bool)
"""Nor are the rows next to those: a string's shade, blur and halo lie on metal and wood alike."""
END_MM = 1.5
"""Not used at either end: the bevel is cut there."""


@dataclass(frozen=True)
class CrownProfile:
    """The light across one fret, the middle of its rows after they were aligned.

    Attributes
    ----------
    log_light : ndarray of float, shape (n,)
        Natural logarithm of linear light, at `across_mm`.
    slope : float
        How the fret turns against the patch's rows: mm across per mm along.
    bow, bow_u : float
        How it bends, mm across per square mm along, and its standard uncertainty: a fret on a board that is rounder or
        flatter than was assumed is seen bowed from aside.
    grain, grain_u : ((ndarray, ndarray), (float, float))
        How much the light varies along the fret as the open board does on the nut side (1: just as much), and as it
        does on the body side; the standard uncertainty of each on that board.
    warmth : ndarray, shape (n,)
        Natural logarithm of red over blue light, over that of a white thing; 0 where no colour was sampled.
    courses : tuple of EdgeCourse
        How straight the steps of this light run along the fret, and those of its colour where that was sampled.
    rows : int
        Photo rows used.
    parts : ndarray of float, shape (parts, n)
        The same of each part of the fret's length, `log_light` being their middle.
    along_mm : ndarray of float, shape (parts,)
        Where the parts lie.
    """

    across_mm: Floats
    log_light: Floats
    middle_mm: float
    slope: float
    bow: float
    bow_u: float
    grain: tuple[Floats, Floats]
    grain_u: tuple[float, float]
    warmth: Floats
    courses: tuple[EdgeCourse, ...]
    rows: int
    px_per_mm: float
    parts: Floats
    along_mm: Floats


def crown_profile(patch: FretPatch, light_warmth: float = 0.0) -> CrownProfile | None:
    """Median profile across the fret, its rows aligned; ``None`` where less than half of its length is in view.

    `light_warmth` is the logarithm of red over blue of a white thing in this light.
    """
    start, stop = np.searchsorted(patch.along_mm, [END_MM, patch.frame.length_mm - END_MM])
    n = int(stop - start) // _SEGMENTS // _ROWS
    if n <= 0:
        return None
    rows = slice(start, start + _SEGMENTS * n * _ROWS)
    width = len(patch.across_mm)
    log_light = cv2.log(patch.light[rows] + np.float32(_DARK))
    # resizing by area to a whole part is the mean of whole rows, four times as fast
    blocks = cv2.resize(log_light, (width, _SEGMENTS * n), interpolation=cv2.INTER_AREA).reshape(_SEGMENTS, n, width)
    valid = patch.valid[rows][:, np.abs(patch.across_mm) < _IN_VIEW_MM]
    ok = np.asarray(valid.reshape(_SEGMENTS, n, -1).all(axis=2), dtype=bool)
    whole = np.flatnonzero(2 * ok.sum(axis=1) >= n)
    if len(whole) < _SEGMENTS // 2:
        return None
    blocks, ok = np.asarray(blocks[whole]), ok[whole]
    segments = _middle(blocks, ok)
    places = patch.along_mm[rows].reshape(_SEGMENTS, -1).mean(axis=1)[whole]
    middle, px = float(places.mean()), patch.px_per_mm
    shift, (slope, bow, bow_u) = _align(segments, places - middle, px)
    parts = _moved(segments, shift)
    profile = np.median(parts, axis=0)
    grain, grain_u = zip(*_grain(blocks - segments[:, None], ok, shift, patch.across_mm), strict=True)
    by_block = np.repeat(shift, ok.sum(axis=1))
    courses = [edge_course(np.exp(0.5 * _moved(blocks[ok], by_block)), px)]
    warmth = np.zeros(width)
    if patch.red_blue is not None:
        colour = _log_red_blue(patch.red_blue, int(start), _SEGMENTS * n).reshape(_SEGMENTS, n, width)[whole]
        courses.append(edge_course(_moved(colour[ok], by_block), px))
        warmth = np.median(_moved(_middle(colour, ok), shift), axis=0) - light_warmth
    rows_used = n * _ROWS * len(whole)
    bend = slope / px, bow / px, bow_u / px
    return CrownProfile(
        patch.across_mm, profile, middle, *bend, grain, grain_u, warmth, tuple(courses), rows_used, px, parts, places
    )


def _log_red_blue(red_blue: NDArray[np.float32], start: int, blocks: int) -> NDArray[np.float32]:
    """Logarithm of red over blue in so many blocks of rows from a row of the patch on, shape (blocks, n)."""
    rows = slice(start // COLOUR_ROWS, start // COLOUR_ROWS + blocks * _ROWS // COLOUR_ROWS)
    mixed = cv2.resize(red_blue[rows], (red_blue.shape[1], blocks), interpolation=cv2.INTER_AREA)
    red, blue = cv2.split(cv2.log(mixed + np.float32(_DARK)))
    return np.asarray(red - blue, dtype=np.float32)


def _middle(blocks: NDArray[Any], ok: NDArray[np.bool_]) -> Floats:
    """Median over the blocks of each segment that are in view, shape (segments, n)."""
    if ok.all():
        return np.asarray(np.median(blocks, axis=1), dtype=np.float64)
    return np.array([np.median(b[k], axis=0) for b, k in zip(blocks, ok, strict=True)], dtype=np.float64)


def _align(segments: Floats, along: Floats, px_per_mm: float) -> tuple[Floats, tuple[float, float, float]]:
    """Shift of each segment (px) on one parabola; its slope (px/mm) and bow (px/mm^2), with the bow's uncertainty.

    The uncertainty is that of a least squares fit, times what medians are less sharp (the root of pi / 2).
    """
    reach = max(3, round(0.5 * px_per_mm))
    total = own = np.zeros(len(segments))
    slope = bow = 0.0
    spline = _spline(segments)
    for _ in range(3):
        moved = _spline_at(spline, total)
        own = total + _shifts(moved, np.median(moved, axis=0), reach)
        bow = _bow(along, own)
        slope = _theil_sen(along, own - bow * along**2)
        total = slope * along + bow * along**2
        reach = max(3, reach // 2)
    scatter = spread_about_median(own - total)
    bend = along**2 - np.polyval(np.polyfit(along, along**2, 1), along)
    return total, (slope, bow, math.sqrt(math.pi / 2.0) * scatter / math.sqrt(float(bend @ bend)))


def _grain(differs: Floats, ok: Floats, shift: Floats, across: Floats) -> list[tuple[Floats, float]]:
    """How much the light varies along the fret as the open board on the nut side, then on the body side, does.

    `differs` is how each block of rows differs from its segment's profile, shape (segments, blocks, n): wood is
    streaked along the neck, and metal shows its streaks only as far as it mirrors wood. By least squares against the
    open board, rows that differ too much (a string, an inlay) left out; the uncertainty is that on the board itself.
    """
    if differs.shape[1] < _LEAST_BLOCKS:
        return [(np.zeros(len(across)), _NO_GRAIN_U)] * 2
    out = []
    for side in (-1, 1):
        open_board = (side * across > _OPEN_MM[0]) & (side * across < _OPEN_MM[1])
        streaks = differs[:, :, open_board].mean(axis=2)
        odd = np.abs(streaks) > _STREAKS * np.median(np.abs(streaks[ok]))
        used = ok & ~binary_dilation(odd, _NEXT_ROWS)
        used &= used.sum(axis=1, keepdims=True) >= _LEAST_BLOCKS
        if not used.any():
            out.append((np.zeros(len(across)), _NO_GRAIN_U))
            continue
        level = _without_trend(differs, used)
        streaks = level[:, :, open_board].mean(axis=2)
        strength = max(float((streaks**2).sum()), 1e-12)
        grain = _moved(np.einsum("sb,sbn->sn", streaks, level), shift).sum(axis=0) / strength
        left = (level[:, :, open_board] - grain[open_board] * streaks[:, :, None])[used]
        out.append((grain, min(_NO_GRAIN_U, math.sqrt(float(np.mean(left**2)) / strength))))
    return out


def _without_trend(differs: Floats, used: NDArray[np.bool_]) -> Floats:
    """What is left of each segment's `used` blocks (segments, blocks, n) without their mean and slope; 0 elsewhere."""
    weight = used[:, :, None].astype(float)
    count = np.maximum(weight.sum(axis=1, keepdims=True), 1.0)
    rows = np.linspace(-1.0, 1.0, differs.shape[1])[None, :, None]
    rows = weight * (rows - (weight * rows).sum(axis=1, keepdims=True) / count)
    level = weight * (differs - (weight * differs).sum(axis=1, keepdims=True) / count)
    slope = (rows * level).sum(axis=1, keepdims=True) / np.maximum((rows**2).sum(axis=1, keepdims=True), 1e-12)
    return np.asarray(level - rows * slope)


def _moved(segments: Floats, shift: Floats) -> Floats:
    """Each segment read `shift` px farther on, by cubic splines: straight lines would blur the edges."""
    return _spline_at(_spline(segments), shift)


def _spline(segments: Floats) -> Floats:
    """Coefficients of the cubic B-splines through the samples of each segment."""
    return np.asarray(spline_filter1d(segments, order=3, axis=1, mode="mirror"))


def _spline_at(coefficients: Floats, shift: Floats) -> Floats:
    """Each segment's spline `shift` px farther on than its samples, shape (segments, n)."""
    n, whole = coefficients.shape[1], np.floor(shift)
    t = shift - whole
    # the four pieces of the cubic B-spline
    pieces = ((1.0 - t) ** 3, 4.0 - 3.0 * t**2 * (2.0 - t), 4.0 - 3.0 * (1.0 - t) ** 2 * (1.0 + t), t**3)
    weights = np.stack(pieces, axis=1) / 6.0
    some = np.clip(np.arange(-1, n + 2) + whole.astype(int)[:, None], 0, n - 1)
    near = np.take_along_axis(coefficients, some, axis=1)
    return np.asarray(sum(w[:, None] * near[:, j : n + j] for j, w in enumerate(weights.T)))


def _shifts(segments: Floats, reference: Floats, reach: int) -> Floats:
    """Where each segment's steps agree best with the reference's, px, by correlation and a parabola through its top."""
    d, r = np.gradient(segments, axis=1), np.gradient(reference)[reach:-reach]
    steps = np.arange(-reach, reach + 1)
    windows = np.lib.stride_tricks.sliding_window_view(d, len(r), axis=1)
    score = windows @ r
    i = np.clip(np.argmax(score, axis=1), 1, len(steps) - 2)
    k = np.arange(len(segments))
    a, b, c = score[k, i - 1], score[k, i], score[k, i + 1]
    bend = np.minimum(a - 2.0 * b + c, -1e-12)
    return np.asarray(steps[i] + np.clip(0.5 * (a - c) / bend, -0.5, 0.5))


def _theil_sen(x: Floats, y: Floats) -> float:
    i, j = _pairs(len(x))
    return float(np.median((y[j] - y[i]) / (x[j] - x[i])))


def _bow(x: Floats, y: Floats) -> float:
    """Second-order term of a parabola through most of the points: median over threes of points well apart."""
    i, j, k = _triples(len(x))
    return float(np.median(((y[k] - y[j]) / (x[k] - x[j]) - (y[j] - y[i]) / (x[j] - x[i])) / (x[k] - x[i])))


@cache
def _pairs(n: int) -> NDArray[np.intp]:
    """Indices of all twos of `n` points, shape (2, m)."""
    return np.array(np.triu_indices(n, 1))


@cache
def _triples(n: int) -> NDArray[np.intp]:
    """Indices of all threes of `n` points a quarter of them apart, shape (3, m)."""
    return np.array([t for t in combinations(range(n), 3) if min(t[1] - t[0], t[2] - t[1]) >= n // 4]).T
