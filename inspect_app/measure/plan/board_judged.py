"""A field of the board beside its own unworn wood: by how much each place differs, and by how much wood does.

Fingers wear the board under the strings, in the middle of a field and towards its fret, never beside the crowns' feet,
which keep them off. So the strips along both feet show the board unworn, under the same lamp: between them tone and
colour are drawn straight across, grain by grain, for fibres run along the neck. How much the two strips of a field
differ at the same fibre is how much the board changes on that way without any wear: the wood's own figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, binary_opening, gaussian_filter1d, label, median_filter

from calib.edge_response import srgb_codes
from calib.robust_spread import spread_about_zero
from inspect_app.measure.plan.board_field import LEAST_LONG_MM, STEP_MM, BoardField
from inspect_app.measure.plan.board_light import EDGE_MM, FEET_MM, LEAST_SEEN, light_bend, shadow_reach
from inspect_app.measure.plan.board_places import STREAK_MM

__all__ = ["PLATEAU", "SMOOTH_MM", "Judged", "figure_of", "in_middle", "judge"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMOOTH_MM = 0.4
"""Standard deviation of the smoothing: grain is finer, worn places are wider than 2 mm."""

FIGURE_LEAST = (0.015, 0.006, 0.006)
"""Figure, in log light and in the two log colours, that is allowed for at least: one of 255 codes is 0.017 of the light
in mid tones (IEC 61966-2-1), and colours change less (no source)."""
SLOW_MM = 8.0
"""Along a fret, what the two strips differ by over more than this is the lamp's fall-off, and no figure: fingers wear
and wood changes its figure over less (common practice, no source)."""
SIDE_BY_SIDE_MM = 24.0
"""Over so much of a fret's length, worn places under one or two strings are less than half."""

MIDDLE = 0.87
"""Half-way between two strips, drawn straight from one to the other, wood differs by at most the root of 3/4 of what
they do from each other: for any figure whose difference grows with distance, 2 g(d/2) - g(d)/2 <= 3/2 g(d)."""

EXPLAINS_MORE = 0.9
"""Share of what is strange of a fibre, drawn from a strip, that a strip's replacement leaves so at most: less is chance
(no source)."""
WITHIN = (0.95, 1.96)
"""Share of normal values within so many of their standard deviations. What strong compression makes of colours is not
normal: most of its blocks keep one tone, and some jump by a step. The median of all hardly knows of these. Files keep
light finer."""
PLATEAU = 4.0
"""Standard deviations of the wood's figure that the middle of a worn place differs by at least: the root of the chi
squared from which a place is strange."""


@dataclass(frozen=True)
class Judged:
    """A field with its difference from unworn board, (rows, columns, 3), and where that can be told."""

    field: BoardField
    off: Floats
    seen: Mask
    strips: tuple[Floats, Floats]
    starts: tuple[float, float]


def _smoothed(tone: Floats, valid: Mask) -> Floats:
    """Tones smoothed over the valid places alone."""
    sigma = SMOOTH_MM / STEP_MM
    weight = cv2.GaussianBlur(valid.astype(np.float32), (0, 0), sigma)
    kept = np.where(valid[:, :, None], tone, 0.0).astype(np.float32)
    blurred = cv2.GaussianBlur(kept, (0, 0), sigma)
    return np.asarray(blurred / np.maximum(weight, 1e-3)[:, :, None], dtype=np.float64)


def judge(field: BoardField) -> Judged | None:
    """The field's difference from what the strips along its feet show; None where too little of it can be told."""
    tone = _smoothed(np.asarray(field.tone, dtype=np.float64), field.valid)
    rows = _off_edges(field)
    starts = shadow_reach(field, tone, rows)
    if starts is None:
        return None
    between = (field.x > starts[0] + FEET_MM[0]) & (field.x < field.x[-1] - starts[1] - FEET_MM[0])
    if between.sum() * STEP_MM < LEAST_LONG_MM:
        return None
    strips = []
    for columns in _strip_columns(field, starts):
        inside = field.valid[:, columns]
        share = inside.mean(axis=1)
        if np.mean(share[rows] > 0.5) < LEAST_SEEN:
            return None
        strip = (tone[:, columns] * inside[:, :, None]).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)[:, None]
        strips.append(np.asarray(strip))
    centres = [starts[0] + sum(FEET_MM) / 2.0, field.x[-1] - starts[1] - sum(FEET_MM) / 2.0]
    share = ((field.x - centres[0]) / (centres[1] - centres[0]))[None, :, None]
    seen = field.valid & rows[:, None] & between[None, :]
    if seen[rows].mean() < LEAST_SEEN:
        return None
    strips = _put_right(tone, strips, share, seen, starts)
    off = _drawn(tone, strips, share)
    return Judged(field, off - light_bend(off, seen, share[0, :, 0]), seen, (strips[0], strips[1]), starts)


def _drawn(tone: Floats, strips: list[Floats], share: Floats) -> Floats:
    """What tones differ by from a straight line between the strips, `share` of the way along it."""
    return np.asarray(tone - (1.0 - share) * strips[0][:, None, :] - share * strips[1][:, None, :])


def _put_right(
    tone: Floats, strips: list[Floats], share: Floats, seen: Mask, starts: tuple[float, float]
) -> list[Floats]:
    """Both strips; fibres that are not unworn wood in one of them replaced from the other.

    Only along a foot is a strip sure to be unworn. Beyond a fret's shadow fingers may have reached it: what it differs
    by from the strip along the other foot is wear, if then less of the field differs from unworn wood. Where no shadow
    is, a strip that stands alone shows dirt or a reflection at its foot, or a mark in the wood that ends there: drawn
    across, it would be taken for wear all the way to the other foot.
    """
    usual, runs = _disagreement(strips[1] - strips[0])
    if not runs:
        return strips
    by_other = [strips[1] - usual, strips[0] + usual]
    ways = [strips, [by_other[0], strips[1]], [strips[0], by_other[1]]]
    as_is, *replaced = _unexplained([_drawn(tone, way, share) for way in ways], seen)
    out = [s.copy() for s in strips]
    shaded = [k for k in (0, 1) if starts[k] > FEET_MM[1]] or [0, 1]
    for run in runs:
        left = [float(r[run].mean()) for r in replaced]
        k = min(shaded, key=lambda n: left[n])
        if left[k] < EXPLAINS_MORE * float(as_is[run].mean()):
            out[k][run] = by_other[k][run]
    return out


def _unexplained(offs: list[Floats], seen: Mask) -> list[Floats]:
    """Share of each fibre that is strange about each of several lines, the wood's figure being what the field differs
    by from the first."""
    first = offs[0][seen]
    figure = np.maximum(spread_about_zero(first - np.median(first, axis=0), axis=0), FIGURE_LEAST)
    strange = [(np.sum((off / figure) ** 2, axis=2) > PLATEAU**2) & seen for off in offs]
    return [np.asarray(s.sum(axis=1) / np.maximum(seen.sum(axis=1), 1)) for s in strange]


def _disagreement(d: Floats) -> tuple[Floats, list[Mask]]:
    """What two strips, (rows, 3), usually differ by, and the runs of fibres where they do so by more than wood beside
    them does, over a finger's width."""
    usual = median_filter(d, size=(round(SIDE_BY_SIDE_MM / STEP_MM), 1), mode="nearest")
    figure = np.maximum(spread_about_zero(d - usual, axis=0), FIGURE_LEAST)
    strange = np.sum(((d - usual) / figure) ** 2, axis=1) > PLATEAU**2
    wide = binary_opening(strange, np.ones(round(STREAK_MM / STEP_MM), bool))
    labels, count = label(binary_dilation(wide, iterations=round(2.0 * SMOOTH_MM / STEP_MM)))
    return usual, [labels == n for n in range(1, count + 1)]


def _off_edges(field: BoardField) -> Mask:
    """The field's rows without those along the board's edges."""
    return np.asarray((field.y > EDGE_MM) & (field.y < field.y[-1] - EDGE_MM))


def _strip_columns(field: BoardField, starts: tuple[float, float]) -> tuple[slice, slice]:
    a, b = (round(v / STEP_MM) for v in FEET_MM)
    first, last = (round(v / STEP_MM) for v in starts)
    n = len(field.x)
    return slice(first + a, first + b), slice(n - last - b, n - last - a)


def figure_of(judged: Sequence[Judged], colour_step: float) -> Floats:
    """Standard deviation of what unworn wood differs by in a field's middle, for each of the three tones.

    At most what the strips allow; less where the fields' middles themselves scatter less about them, for figure mostly
    changes evenly along its fibres. Worn places only add to that scatter.
    """
    apart = []
    for j in judged:
        d = (j.strips[1] - j.strips[0])[_off_edges(j.field)]
        apart.append(d - gaussian_filter1d(d, SLOW_MM / STEP_MM, axis=0, mode="nearest"))
    d = np.concatenate(apart)
    d -= np.median(d, axis=0)
    usual = spread_about_zero(d, axis=0)
    wide = np.maximum(usual, np.quantile(np.abs(d), WITHIN[0], axis=0) / WITHIN[1])
    wide[0] = usual[0]
    inner = spread_about_zero(np.concatenate([in_middle(j, j.off) for j in judged]), axis=0)
    inner *= wide / np.maximum(usual, FIGURE_LEAST)
    figure = np.maximum(np.minimum(MIDDLE * wide, inner), FIGURE_LEAST)
    figure[1:] = np.hypot(figure[1:], _colour_rounding(judged, colour_step))
    return np.asarray(figure)


def _colour_rounding(judged: Sequence[Judged], colour_step: float) -> float:
    """Standard deviation of a log colour by what the file rounds colours to (rectangular, GUM 4.3.7), on this board.

    Red, green and blue differ by 2.1 to 2.2 of a step of their colour differences (ITU-R BT.601), and light by
    2.4 / (14 + code) of itself for a code (IEC 61966-2-1).
    """
    light = math.exp(float(np.median(np.concatenate([strip[:, 0] for j in judged for strip in j.strips]))))
    code = 255.0 * float(srgb_codes(np.array([light]))[0])
    return 2.2 * colour_step / math.sqrt(12.0) * 2.4 / (14.0 + code)


def in_middle(j: Judged, values: Floats) -> Floats:
    """Values of the field, (rows, columns, 3), as (N, 3) of what is seen half-way between the feet."""
    n = len(j.field.x)
    half = slice(n // 4, n - n // 4)
    return np.asarray(values[:, half][j.seen[:, half]])
