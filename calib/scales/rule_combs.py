"""Rows of graduations on a reduced picture: short thin lines side by side, with a common start and even spacing.

Only neighbours are taken to be evenly spaced in pixels: perspective and the lens bend a row smoothly.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.robust_spread import spread_about_zero
from calib.scales.reduced import reduced

__all__ = ["Comb", "MIN_GRADUATIONS", "fit_comb", "rows_of_graduations"]

Vector = NDArray[np.float64]

MIN_GRADUATIONS = 12
"""Fewer equally spaced strokes than this are met by chance, and say nothing of the lens."""
_KERNEL = 9  # px on the reduced picture: wider than a graduation, narrower than the gap between most
_CONTRAST = 0.15  # of the level beside it: fainter graduations are not told from grain
_PARALLEL = math.radians(5.0)  # strokes of one rule differ by perspective alone: under 2 degrees at 20 degrees of tilt
_SPACING = 0.22  # of a step: how far a stroke may be from where its neighbours put it


@dataclass(frozen=True)
class Strokes:
    """Short lines: their two ends (N, 2) in full-resolution pixels, and whether they are brighter than beside them."""

    a: Vector
    b: Vector
    bright: bool


@dataclass(frozen=True)
class Comb:
    """A row of graduations as polynomials of the number: start point, unit direction away from the edge, step.

    `number` (N,) are the numbers of strokes seen; the polynomials are in (number - middle) / half.
    """

    number: NDArray[np.int64]
    middle: float
    half: float
    start: tuple[Vector, Vector]
    angle: Vector
    bright: bool

    def halved(self) -> Comb:
        """The same row with twice as many graduations: what was n is 2 n."""
        return replace(self, number=2 * self.number, middle=2.0 * self.middle, half=2.0 * self.half)

    def start_px(self, n: Vector) -> Vector:
        """Where graduation n starts, at the rule's edge: (N, 2)."""
        t = (n - self.middle) / self.half
        return np.column_stack([np.polyval(self.start[0], t), np.polyval(self.start[1], t)])

    def along(self, n: Vector) -> Vector:
        """Unit direction of graduation n, away from the edge: (N, 2)."""
        a = np.polyval(self.angle, (n - self.middle) / self.half)
        return np.column_stack([np.cos(a), np.sin(a)])

    def step_px(self, n: Vector) -> Vector:
        """Distance from one graduation to the next at n: (N,)."""
        return np.asarray(np.linalg.norm(self.start_px(n + 0.5) - self.start_px(n - 0.5), axis=1))


def rows_of_graduations(photo: Photo, width: int) -> Iterator[Comb]:
    """Rows of graduations in a photo: dark ones first, then bright ones, most graduations first."""
    small, factor = reduced(photo.gray, width)
    for bright in (False, True):
        yield from sorted(_combs(_strokes(small, bright, factor), 2.0 * factor), key=lambda c: -len(c.number))


def _strokes(small: NDArray[np.uint8], bright: bool, factor: float) -> Strokes:
    """Connected thin lines that stand out from both sides."""
    kernel = np.ones((_KERNEL, _KERNEL), np.uint8)
    if bright:
        relief = cv2.morphologyEx(small, cv2.MORPH_TOPHAT, kernel)
        level = small
    else:
        relief = cv2.morphologyEx(small, cv2.MORPH_BLACKHAT, kernel)
        level = np.asarray(cv2.add(small, relief), dtype=np.uint8)
    usual = cv2.blur(relief, (4 * _KERNEL + 1, 4 * _KERNEL + 1))  # of noise, most; of graduations, a quarter of theirs
    clear = cv2.compare(relief, cv2.LUT(level, _codes(_CONTRAST, 4.0)), cv2.CMP_GT)  # 4 codes: JPEG blocks
    mask = cv2.bitwise_and(clear, cv2.compare(relief, cv2.LUT(usual, _codes(2.2, 0.0)), cv2.CMP_GT))
    few = cv2.countNonZero(mask) < 2**16 - 1  # pixels, and so labels: 16 bits hold them, in a third of the time
    count, labels, stats, centre = cv2.connectedComponentsWithStats(
        mask, connectivity=8, ltype=cv2.CV_16U if few else cv2.CV_32S
    )
    area, w, h = stats[:, cv2.CC_STAT_AREA], stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    box = np.hypot(w, h)
    keep = (area >= 5) & (box >= 5) & (area < 0.5 * box**2) & (box < 0.2 * max(small.shape))
    keep[0] = False
    if not keep.any():
        return Strokes(np.empty((0, 2)), np.empty((0, 2)), bright)
    x, y = np.reshape(cv2.findNonZero(mask), (-1, 2)).T
    x, y = (v[keep[labels[y, x]]] for v in (x, y))
    k = labels[y, x]
    dx, dy = x - centre[k, 0], y - centre[k, 1]
    sxx, syy, sxy = (np.bincount(k, q, count)[keep] / area[keep] for q in (dx * dx, dy * dy, dx * dy))
    mean, diff = (sxx + syy) / 2.0, np.hypot((sxx - syy) / 2.0, sxy)
    angle = 0.5 * np.arctan2(2.0 * sxy, sxx - syy)
    length, thick = np.sqrt(12.0 * (mean + diff)), np.sqrt(12.0 * np.maximum(mean - diff, 1.0 / 12.0))
    thin = length > 2.5 * thick
    d = (np.column_stack([np.cos(angle), np.sin(angle)]) * length[:, None] / 2.0)[thin]
    c = (centre[keep][thin] + 0.5) * factor - 0.5
    return Strokes(c - d * factor, c + d * factor, bright)


def _codes(share: float, more: float) -> NDArray[np.uint8]:
    """Table from a code to the largest one that is not above `share` of it and `more`."""
    return np.asarray(np.minimum(np.floor(share * np.arange(256) + more), 255.0), dtype=np.uint8)


def _combs(strokes: Strokes, tolerance: float) -> list[Comb]:
    """Rows among strokes: a common direction, ends of one side on a line across it, an even spacing.

    `tolerance` is how far ends may lie off that line, in full-resolution pixels.
    """
    d = strokes.b - strokes.a
    angle = np.arctan2(d[:, 1], d[:, 0]) % math.pi
    combs: list[Comb] = []
    for peak in _directions(angle):
        near = np.abs((angle - peak + math.pi / 2.0) % math.pi - math.pi / 2.0) < _PARALLEL
        along = np.array([math.cos(peak), math.sin(peak)])
        flip = np.where(d[near] @ along < 0, True, False)[:, None]
        a, b = np.where(flip, strokes.b[near], strokes.a[near]), np.where(flip, strokes.a[near], strokes.b[near])
        for start, end in ((a, b), (b, a)):
            chosen = _on_a_line(start, along, tolerance)
            number, used = _numbered(start[chosen], np.array([-along[1], along[0]]))
            if len(number) >= MIN_GRADUATIONS:
                s, e = start[chosen][used], end[chosen][used]
                combs.append(fit_comb(number, s, np.arctan2(*(e - s).T[::-1]), strokes.bright))
    return combs


def _directions(angle: Vector) -> list[float]:
    """The commonest directions of strokes, radians in [0, pi), at most four, commonest first."""
    bins = 60
    h = np.bincount((angle / math.pi * bins).astype(int) % bins, minlength=bins)
    smooth = h + np.roll(h, 1) + np.roll(h, -1)
    order = np.argsort(-smooth, kind="stable")
    chosen: list[int] = []
    for k in order:
        if smooth[k] >= MIN_GRADUATIONS and all(min((k - c) % bins, (c - k) % bins) > 2 for c in chosen):
            chosen.append(int(k))
    return [(k + 0.5) * math.pi / bins for k in chosen[:4]]


def _on_a_line(start: Vector, along: Vector, tolerance: float) -> NDArray[np.intp]:
    """The largest set of points near one straight line roughly across `along`, in order along that line."""
    across = np.array([-along[1], along[0]])
    u, v = start @ across, start @ along
    best = np.empty(0, np.intp)
    width = tolerance * 2.0
    for slope in np.linspace(-0.1, 0.1, 41):  # a rule's edge is square to its graduations but for the perspective
        w = v - slope * (u - u.mean())
        bins = ((w - w.min()) / width).astype(int)
        h = np.bincount(bins)
        pair = h[:-1] + h[1:] if len(h) > 1 else h
        k = int(np.argmax(pair))
        if pair[k] > len(best):
            best = np.flatnonzero((bins == k) | (bins == k + 1))
    return best[np.argsort(u[best], kind="stable")]


def _numbered(start: Vector, across: Vector) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Numbers for points in order along a row, and which points got one.

    From the middle of the longest even run outwards: each next point is whole local steps away, or left out.
    """
    none = np.empty(0, np.int64), np.empty(0, np.intp)
    if len(start) < MIN_GRADUATIONS:
        return none
    u = start @ across
    gap = np.diff(u)
    even = np.abs(gap[1:] - gap[:-1]) < _SPACING * np.minimum(gap[1:], gap[:-1])
    if not even.any():
        return none
    runs = np.split(np.flatnonzero(even), np.flatnonzero(np.diff(np.flatnonzero(even)) > 1) + 1)
    run = max(runs, key=len)
    seed = int(run[len(run) // 2]) + 1
    step = float(np.median(gap[run]))
    right = _numbered_points(u[seed:] - u[seed], step)
    left = _numbered_points(u[seed] - u[seed::-1], step)
    number = {seed + k: n for k, n in right.items()} | {seed - k: -n for k, n in left.items()}
    used = np.array(sorted(number), np.intp)
    return np.array([number[int(k)] for k in used], np.int64), used


def _numbered_points(u: Vector, step: float) -> dict[int, int]:
    """Numbers of the points of an increasing row from its first one; the step may change slowly on the way."""
    out, last, n = {0: 0}, 0.0, 0
    for k in range(1, len(u)):
        gap = (float(u[k]) - last) / step
        whole = round(gap)
        if 1 <= whole <= 6 and abs(gap - whole) < _SPACING * math.sqrt(whole):
            n += whole
            out[k], last = n, float(u[k])
            step += 0.3 * (gap / whole - 1.0) * step
        elif gap > 6.5:
            break  # a gap this long breaks the count
    return out


def fit_comb(number: NDArray[np.int64], start: Vector, angle: Vector, bright: bool) -> Comb:
    """Smooth curves over the number: cubic for places (perspective and lens), quadratic for the direction."""
    middle, half = (number[0] + number[-1]) / 2.0, max(1.0, (number[-1] - number[0]) / 2.0)
    t = (number - middle) / half
    angle = np.unwrap(angle)
    ok = np.ones(len(t), bool)
    for _ in range(4):
        fits = [np.polyfit(t[ok], c[ok], d) for c, d in ((start[:, 0], 3), (start[:, 1], 3), (angle, 2))]
        off = np.hypot(start[:, 0] - np.polyval(fits[0], t), start[:, 1] - np.polyval(fits[1], t))
        ok = off <= max(1.0, 3.0 * float(spread_about_zero(off)))
    return Comb(number, middle, half, (fits[0], fits[1]), fits[2], bright)
