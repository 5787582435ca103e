"""The frets' near ends, seen across the neck below the backdrop's foot: where each stands, and which fret it is.

An end is an arch on the board's edge, metal before wood, of the same light on both sides: its two flanks are edges of
opposite sense as far apart as the crown is wide. Arches as far apart as frets of the scale length are frets; grain,
side dots and inlays are not.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from calib.photo import Photo
from calib.plane import Plane
from calib.robust_spread import spread_about_zero
from inspect_app.instrument.fretboard import fret_position
from inspect_app.measure.backdrop.card_foot import StraightEdge, light_at, pixels_at
from inspect_app.measure.backdrop.end_tops import arch_fall, arch_steps, shared_tops
from shared.trade import HIGHEST_FRET

__all__ = ["BLUE", "FretFace", "Facing", "find_faces"]

Array = NDArray[np.float64]
Light = NDArray[np.float32]
Facing = Literal["left", "right"]

ROW_MM = 0.08
"""Rows of light pooled below the foot: three pixels."""
LOWEST_MM = 3.8
"""From the foot down to the lowest board edge looked for: a 1.4 mm crown, and 2 mm that the camera looks down on."""
BASE_MM = (0.4, 3.4)
"""Where below the foot the board's edge may lie: from 5 mm before the card, level with it, to one seen from 20 degrees
above."""
WIDTHS_MM = np.arange(1.7, 3.15, 0.2)
"""Crown widths looked for, as seen: 1.5 to 3 mm, up to a tenth wider where the end stands nearer."""
HEIGHT_SHARE = 0.45
"""Height of a crown over its width: 0.36 to 0.55 in `wire_sizes.toml`."""
UP = (0.15, 0.3, 0.45, 0.6)
"""Heights on the arch, over its own, where its flanks are looked at: above the foot's shadow, below the round top."""
LEAST_HIGH = 0.7
"""Height of an end over what its width says, at least: of 0.36 to 0.55 of its width."""
CAP = 0.12
"""Steepness, in square roots of light a pixel, from which a flank is as sure as can be: bright and dull ends count
alike."""
TOP_SHARE = 0.5
"""Steepness of an end's top over that: with less, the crown behind has nearly the end's tone, and the flank of one may
be taken for the other's."""
BESIDE = 0.25
"""Where to both sides of an end's middle the fall of its arch is looked for, over the crown's width: an arch has fallen
by 0.16 mm there, eight pixels of a phone's photo and two of a small one; farther out it is steep."""
SCALE_PX = 1.2
"""Scale of the derivative: the blur of a sharp photo."""
BLUE, RED = 0, 2
DARK = 0.01
"""Light, over white, added before colours are compared: noise in what is nearly black has any colour."""
BLUER_STEP = 1.0
"""What a step in the logarithm of blue over red counts against one in the root of light: wood sends back two thirds as
much blue as red (common practice, no source), a step of 0.4, as large as that of a bright end on dark wood."""
NEAR_MM = 0.35
"""How far a fret may lie from its place in the comb: the end's distance from the card is not known yet."""
BEFORE_MM = (3.0, 5.0, 7.0)
"""How far before the card the ends may stand: 1 to 3 mm to the string, 3 to 4 from there to the board's edge."""
AROUND = 2
"""How far the first fret's number may be off: frets cut off by the photo's edge are counted or not."""
LEAST_SCORE = 0.25
"""Mean certainty, over the frets in the photo, of a comb that is believed: a quarter of the sharpest flanks."""
FEW = 0.3
"""What a comb's sum loses, so that one of few frets needs surer ones: chance finds an arch of that somewhere."""
OTHER_WAY = 0.05
"""How much surer a comb must be to turn the neck round: two frets fit both ways."""
MOST_IN_PHOTO = 12
"""Frets looked for in a photo: the backdrop is 92 mm long, and high on the neck frets stand 9 mm apart."""
WHOLE_MM = 1.5
"""A fret's middle must be so far inside the photo for the whole of it to show."""
LEAST_OF_ITS_OWN = 0.3
"""Certainty over that of the comb's median that a single fret needs."""


@dataclass(frozen=True)
class FretFace:
    """The near end of a fret, on the card's plane.

    Attributes
    ----------
    number : int
    x : float
        Its middle, mm along the card.
    u_x : float
        Standard uncertainty of `x` from scatter, mm.
    base : float
        Height of the board's edge at it, mm.
    width : float
        Of the crown, as seen, mm.
    top : float or None
        Height of the arch's top, mm; None where it does not stand out from the crown behind it.
    faint : bool
        Whether it hardly does, and only beside the others: then its flank may be taken for its crown's.
    """

    number: int
    x: float
    u_x: float
    base: float
    width: float
    top: float | None
    faint: bool = False

    @property
    def stands_out(self) -> bool:
        """Whether it is told from the crown behind it by itself."""
        return self.top is not None and not self.faint


@dataclass(frozen=True)
class _Arches:
    """How sure an arch is at each place along the card: light's rows, and the best over bases and widths."""

    x: Array
    score: Array
    base: Array
    width: Array


def find_faces(
    photo: Photo, plane: Plane, foot: StraightEdge, width: float, scale_length: float, first: int, nut: Facing
) -> tuple[tuple[FretFace, ...], Facing]:
    """The frets' near ends in order along the card, numbered, and on which side the nut is.

    Empty where no row of them is found. `width` is the card's, mm, `nut` where the nut is expected; spacing that
    clearly grows the other way says otherwise, and numbers frets where the photo cuts off the one that was said to come
    first.
    """
    pitch = 1.0 / max(plane.px_per_mm((width / 2.0, float(foot.y(width / 2.0)))), 1e-6)
    x = _columns(photo, plane, foot, width, pitch)
    if len(x) < 10:
        return (), nut
    depth = np.arange(0.0, LOWEST_MM, pitch)
    pixels = pixels_at(photo, plane, x, float(foot.y(x.mean())) - depth)
    if pixels is None:
        return (), nut
    for signals in _signals(photo, pixels, foot, x, depth):
        arches = _arches(signals, x, depth, pitch)
        comb, side = _comb(arches, plane, scale_length, first, nut)
        found = (_face(signals, arches, depth, number, at, pitch, foot) for number, at in comb)
        faces = tuple(sorted((f for f in found if f is not None), key=lambda f: f.x))
        if faces:
            return _with_faint_tops(signals[0], faces, float(x[0]), pitch, foot), side
    return (), nut


def _with_faint_tops(
    root: Light, faces: tuple[FretFace, ...], start: float, pitch: float, foot: StraightEdge
) -> tuple[FretFace, ...]:
    """The ends with the tops that show only by what they share."""
    level = [float(foot.y(f.x)) for f in faces]
    known = [None if f.top is None else y - f.top for f, y in zip(faces, level, strict=True)]
    if None not in known:
        return faces
    lowest = max(y - f.base - LEAST_HIGH * HEIGHT_SHARE * f.width for f, y in zip(faces, level, strict=True)) / pitch
    steps = [arch_steps(root, (f.x - start) / pitch, f.width / pitch, lowest, HEIGHT_SHARE, pitch) for f in faces]
    tops = shared_tops(steps, known)
    return tuple(
        f if f.top is not None or t is None else replace(f, top=y - t, faint=True)
        for f, t, y in zip(faces, tops, level, strict=True)
    )


def _signals(
    photo: Photo, pixels: tuple[Light, Light], foot: StraightEdge, x: Array, depth: Array
) -> Iterator[tuple[Light, ...]]:
    """Light below the foot alone; where it shows no frets with it how much bluer each place is than the card."""
    root = np.sqrt(np.maximum(_below_foot(light_at(photo, pixels), foot, x, depth), 0.0))
    yield (root,)
    blue, red = (_below_foot(light_at(photo, pixels, channel), foot, x, depth) for channel in (BLUE, RED))
    bluer = np.log(np.maximum(blue, 0.0) + DARK) - np.log(np.maximum(red, 0.0) + DARK)
    yield root, np.asarray(BLUER_STEP * bluer, dtype=np.float32)


def _columns(photo: Photo, plane: Plane, foot: StraightEdge, width: float, pitch: float) -> Array:
    """Places along the foot, and beyond the card, that are in the photo."""
    x = np.arange(-30.0, width + 30.0, pitch)
    px = plane.to_px(np.column_stack([x, foot.y(x), np.zeros_like(x)]))
    return np.asarray(x[(px[:, 0] >= 2.0) & (px[:, 0] <= photo.width - 3.0)])


def _below_foot(light: Light, foot: StraightEdge, x: Array, depth: Array) -> Light:
    """Light as it lies below the foot, whose slope its rows are moved by, shape (len(depth), len(x))."""
    if abs(foot.slope) * np.ptp(x) < depth[1]:
        return light
    shift = np.round((float(foot.y(x.mean())) - foot.y(x)) / depth[1]).astype(int)
    rows = (np.arange(len(depth))[:, None] + shift[None, :]).clip(0, len(depth) - 1)
    return np.asarray(light[rows, np.arange(len(x))[None, :]])


def _arches(signals: tuple[Light, ...], x: Array, depth: Array, pitch: float) -> _Arches:
    """The surest arch at each place along the card."""
    per = max(1, round(ROW_MM / pitch))
    rows = len(depth) // per
    pooled = (s[: rows * per].reshape(rows, per, len(x)).mean(axis=1) for s in signals)
    step = per * pitch
    slopes = [np.clip(gaussian_filter1d(s, 1.5, axis=1, order=1) / CAP, -1.0, 1.0) for s in pooled]
    rises, falls = np.maximum(slopes[0], 0.0), np.maximum(-slopes[0], 0.0)
    best, base_of, width_of = np.zeros(len(x)), np.zeros(len(x)), np.zeros(len(x))
    for width in WIDTHS_MM:
        h = HEIGHT_SHARE * width
        halves = [(up, _chord(width, h, up)) for up in UP]
        for base in np.arange(max(BASE_MM[0], 0.7 * h), min(BASE_MM[1], depth[-1]), step):
            places = [(int((base - up * h) / step), half / pitch) for up, half in halves]
            score = np.abs(np.sum([_flanks(rises, falls, *p) for p in places], axis=0)) / len(UP)
            if len(slopes) > 1:
                mixed = np.sum([_flanks_in_colour(slopes[0], slopes[1], *p) for p in places], axis=0) / len(UP)
                score = np.maximum(score, mixed)
            better = score > best
            best = np.where(better, score, best)
            base_of[better], width_of[better] = base, width
    return _Arches(x, best, base_of, width_of)


def _chord(width: float, height: float, up: float) -> float:
    """Half the width of an arch at a share of its height, of a circular arc on its chord."""
    r = (width**2 / 4.0 + height**2) / (2.0 * height)
    return float(np.sqrt(max(r**2 - (r - height + up * height) ** 2, 0.0)))


def _flanks(rises: Light, falls: Light, row: int, half: float) -> Array:
    """Lesser steepness of two flanks of opposite sense, signed, for an arch at each column.

    `rises` and `falls` are the slope where it is positive, and its negative where it is not; else 0.
    """
    k, row = round(half), min(max(row, 0), len(rises) - 1)
    out = np.zeros(rises.shape[1])
    np.subtract(
        np.minimum(rises[row, : -2 * k], falls[row, 2 * k :]),
        np.minimum(falls[row, : -2 * k], rises[row, 2 * k :]),
        out=out[k:-k],
    )
    return out


def _flanks_in_colour(slope: Light, bluer: Light, row: int, half: float) -> Array:
    """The same by colour: metal is bluer than wood. On the side that the fret's own body is seen on, its end stands
    out from it by light alone, and one flank in colour will do."""
    k = round(half)
    row = min(max(row, 0), len(slope) - 1)
    out = np.zeros(slope.shape[1])
    left, right = (np.maximum(s, 0.0) for s in (bluer[row, : -2 * k], -bluer[row, 2 * k :]))
    lit = [np.abs(s) for s in (slope[row, : -2 * k], slope[row, 2 * k :])]
    out[k:-k] = np.maximum(np.minimum(left, np.maximum(right, lit[1])), np.minimum(right, np.maximum(left, lit[0])))
    return out


def _comb(
    arches: _Arches, plane: Plane, scale_length: float, first: int, nut: Facing
) -> tuple[list[tuple[int, float]], Facing]:
    """Numbers and places of the frets whose arches follow the scale length best, and the nut's side."""
    pitch = float(arches.x[1] - arches.x[0])
    near = maximum_filter1d(arches.score, 2 * round(NEAR_MM / pitch) + 1)
    best: tuple[float, list[tuple[int, float]], Facing] = (0.0, [], nut)
    sides: tuple[Facing, Facing] = ("left", "right")
    for side in sides:
        expected = 0.0 if side == nut else OTHER_WAY
        for lowest in range(max(1, first - AROUND), first + AROUND + 1):
            for before in BEFORE_MM:
                k = plane.distance_mm / (plane.distance_mm - before)
                score, seen = _best_start(arches.x, near, side, lowest, scale_length, k)
                if score - expected > best[0]:
                    best = (score - expected, seen, side)
    score, seen, side = best
    if score + FEW / max(len(seen), 1) < LEAST_SCORE:
        return [], nut
    found = []
    for number, at in seen:
        close = np.abs(arches.x - at) <= NEAR_MM
        found.append((number, float(arches.x[close][np.argmax(arches.score[close])])))
    return found, side


def _best_start(
    x: Array, near: Array, side: Facing, lowest: int, scale_length: float, k: float
) -> tuple[float, list[tuple[int, float]]]:
    """The best place of a comb that starts with the fret `lowest`: its score, and numbers and places in the photo."""
    sign = 1.0 if side == "left" else -1.0
    numbers = np.arange(lowest, min(lowest + MOST_IN_PHOTO, HIGHEST_FRET + 1))
    away = k * sign * (fret_position(scale_length, numbers) - fret_position(scale_length, lowest))
    gap = float(away[1]) if len(away) > 1 else 0.0
    if gap == 0.0:
        return 0.0, []
    edge, far = (x[0], x[-1]) if sign > 0 else (x[-1], x[0])
    # a lower fret would show between the photo's edge and this one; before the first there is none
    last = far if lowest == 1 else edge + 1.2 * gap
    start = np.arange(edge, last, math.copysign(0.1, gap))
    at = start[:, None] + away[None, :]
    inside = (at > x[0] + WHOLE_MM) & (at < x[-1] - WHOLE_MM)
    count = inside.sum(axis=1)
    total = np.where(inside, np.interp(at, x, near), 0.0).sum(axis=1)
    score = np.where(count >= 2, (total - FEW) / np.maximum(count, 1), -1.0)
    i = int(np.argmax(score))
    return float(score[i]), [(int(n), float(a)) for n, a, ok in zip(numbers, at[i], inside[i], strict=True) if ok]


def _face(
    signals: tuple[Light, ...], arches: _Arches, depth: Array, number: int, at: float, pitch: float, foot: StraightEdge
) -> FretFace | None:
    """One fret's end: its flanks placed row by row, its top where light steps between flank and crown."""
    k = int(np.argmin(np.abs(arches.x - at)))
    if arches.score[k] < LEAST_OF_ITS_OWN * LEAST_SCORE:
        return None
    width, base = float(arches.width[k]), float(arches.base[k])
    height = HEIGHT_SHARE * width
    middles, widths = [], []
    for up in np.linspace(UP[0], UP[-1], 8):
        row = int((base - up * height) / pitch)
        half = _chord(width, height, up) / pitch
        ends = [_place(signals, row, k + side * half) for side in (-1.0, 1.0)]
        if None not in ends and ends[0] is not None and ends[1] is not None:
            middles.append((ends[0] + ends[1]) / 2.0)
            widths.append(ends[1] - ends[0])
    if len(middles) < 4:
        return None
    middle = float(np.median(middles))
    u = float(spread_about_zero(np.array(middles) - middle)) / np.sqrt(len(middles))
    x = float(arches.x[0] + middle * pitch)
    level = float(foot.y(x))
    return FretFace(
        number, x, max(u, 0.3) * pitch, level - base, width, _top(signals[0], middle, base, height, pitch, level)
    )


def _place(signals: tuple[Light, ...], row: int, column: float) -> float | None:
    """Where light or colour steps most within six pixels of a column, along a row pooled with its neighbours."""
    row = min(max(row, 2), len(signals[0]) - 3)
    lo, hi = int(column) - 9, int(column) + 10
    if lo < 0 or hi >= signals[0].shape[1]:
        return None
    return _steepest(np.stack([s[row - 1 : row + 2, lo:hi].mean(axis=0) for s in signals]), 3) + lo


def _steepest(lines: Light | Array, margin: int) -> float:
    """Sample at which lines of light change fastest together, by the parabola through three."""
    slope = np.linalg.norm(gaussian_filter1d(np.atleast_2d(lines), SCALE_PX, axis=1, order=1), axis=0)
    return _vertex(slope, margin + int(np.argmax(slope[margin:-margin])))


def _vertex(slope: Light | Array, k: int) -> float:
    """Sample at which a slope is greatest near its sample `k`, by the parabola through three."""
    a, b, c = (float(v) for v in slope[k - 1 : k + 2])
    bend = max(2.0 * b - a - c, 1e-9)
    return k + float(np.clip(0.5 * (c - a) / bend, -1.0, 1.0))


def _top(root: Light, middle: float, base: float, height: float, pitch: float, level: float) -> float | None:
    """Height of the arch's top, mm; None where hardly any step of light that is arched as an end is marks it."""
    width = height / HEIGHT_SHARE / pitch
    line = _strip(root, middle, 0.1 * width)
    lo, hi = max(int((base - 1.45 * height) / pitch), 4), int((base - LEAST_HIGH * height) / pitch)
    if line is None or hi - lo < 6:
        return None
    slope = np.abs(gaussian_filter1d(line, SCALE_PX, order=1))
    peaks = lo + 1 + np.flatnonzero(slope[lo + 1 : hi - 1] >= maximum_filter1d(slope, 3)[lo + 1 : hi - 1])
    beside = [_strip(root, middle + side * BESIDE * width, 0.05 * width) for side in (-1.0, 1.0)]
    drop = float(arch_fall(BESIDE, HEIGHT_SHARE)) * width
    arched = [k for k in peaks if slope[k] > TOP_SHARE * CAP and _is_arched(beside, int(k), drop)]
    if not arched:
        return None
    return level - _vertex(slope, int(max(arched, key=lambda k: slope[k]))) * pitch


def _strip(root: Light, middle: float, half: float) -> Light | None:
    """Light down the rows, of so many columns to both sides of one; None beyond the photo."""
    k, reach = round(middle), max(1, round(half))
    if k - reach < 0 or k + reach >= root.shape[1]:
        return None
    return np.asarray(root[:, k - reach : k + reach + 1].mean(axis=1))


def _is_arched(beside: Sequence[Light | None], row: int, drop: float) -> bool:
    """Whether to the sides light steps as much lower as an arch falls, and not at the same height.

    So the foot, a string, or a shadow's edge that crosses the crown straight is no top."""
    near = max(1, round(drop / 2.0))
    slopes = [np.abs(gaussian_filter1d(line, SCALE_PX, order=1)) for line in beside if line is not None]
    at = [
        sum(float(s[max(k - near, 0) : k + near + 1].max(initial=0.0)) for s in slopes)
        for k in (row, row + round(drop))
    ]
    return at[1] > at[0]
