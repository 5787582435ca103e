"""A steel rule: its graduations found anywhere in the photo, each placed to a fraction of a pixel.

The way through this module: `_strokes` (short dark or bright lines on a reduced picture) -> `_rows` (strokes side by
side with a common start and even spacing: a comb) -> `_Comb` (the row as smooth curves over the graduation number)
-> `_straighten` (the row cut out of the full picture with its graduations upright) -> `_measure` (each graduation's
centre line) -> `_division` (what one step is, told by the pattern of long and short graduations).

Graduations are numbered by the comb, so missing or scratched ones do no harm. Even spacing in pixels is nowhere
assumed: perspective and the lens bend the comb smoothly, and the plane is fitted to the numbered lines afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.lines import fit_lines
from calib.photo import Photo, linear_light
from calib.scales.base import HABIT_TILT_RAD, Scale
from calib.scales.graduations import Division, tell_division
from calib.scales.reduced import reduced
from shared.errors import ScaleError

__all__ = ["find_rule", "RULE_LIMIT_MM", "U_EDGE_MM"]

Vector = NDArray[np.float64]

RULE_LIMIT_MM = 0.15
"""Limit of error of a rule up to 500 mm, class 1 of JIS B 7516:2005: between any two of its graduations."""
U_EDGE_MM = 0.13
"""Straightness of a rule's edge: 0.23 mm on 150 mm is allowed by JIS B 7516:2005, taken as rectangular."""
U_FLOOR_PX = 0.05
"""Error of a graduation that its own rows do not show: engraving ragged by a hundredth of a millimetre, JPEG blocks."""
MIN_GRADUATIONS = 12
"""Fewer equally spaced strokes than this are met by chance, and say nothing of the lens."""
DISTANCES_MM = (90.0, 1200.0)
"""Distances from which a board is photographed with a rule beside it."""
_LONGEST = 25.0  # steps: inch lines of a rule divided in 64ths are 8 to 10 mm long
_SEARCH_WIDTHS = (2000, 1000)  # px: strokes 1 to 4 px wide are found; the second for rules photographed close up
_KERNEL = 9  # px on the reduced picture: wider than a graduation, narrower than the gap between most
_CONTRAST = 0.15  # of the level beside it: fainter graduations are not told from grain
_GAP = 0.5  # of a step: what is wider is not a graduation but the gap between two
_UNEVEN = 0.05  # of a step: RMS of the graduations about a smooth comb; a ruled half-millimetre is good to 0.02 mm
_ROWS = 16  # rows used of each graduation: more than the floor on its uncertainty makes worth while
_U_ROW_PX = 0.02  # least error of the centre in one row; the scatter found widens it
_PARALLEL = math.radians(5.0)  # strokes of one rule differ by perspective alone: under 2 degrees at 20 degrees of tilt
_SPACING = 0.22  # of a step: how far a stroke may be from where its neighbours put it


@dataclass(frozen=True)
class _Strokes:
    """Short lines: their two ends (N, 2) in full-resolution pixels, and whether they are brighter than beside them."""

    a: Vector
    b: Vector
    bright: bool


@dataclass(frozen=True)
class _Comb:
    """A row of graduations as polynomials of the number: start point, unit direction away from the edge, step.

    `number` (N,) are the numbers of strokes seen; the polynomials are in (number - middle) / half.
    """

    number: NDArray[np.int64]
    middle: float
    half: float
    start: tuple[Vector, Vector]
    angle: Vector
    bright: bool

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


@dataclass(frozen=True)
class _Graduations:
    """Measured graduations: number, centre line as two independent points (N, 2, 2), u across it (N, 2), length px."""

    number: NDArray[np.int64]
    points: Vector
    u: Vector
    length: Vector


def find_rule(photo: Photo, unit: str = "mm", factor: float = 1.0) -> Scale:
    """Find a rule's graduations.

    Parameters
    ----------
    unit : {'mm', 'inch'}
        What the row of graduations is divided in; which division of it is told by the pattern of long and short ones.
    factor : float
        True length over nominal length of this rule, if it was checked.

    Returns
    -------
    Scale
        Two points on each graduation's centre line, sharp across it and saying nothing along it, and the edge as y = 0.

    Raises
    ------
    ScaleError
        If no row of graduations is found, or none divided in `unit`.
    """
    refused: ScaleError | None = None
    for width in _SEARCH_WIDTHS:
        for comb in _rows(photo, width):
            try:
                return _as_scale(photo, comb, unit, factor)
            except ScaleError as e:
                refused = refused or e
    raise refused or ScaleError(
        "No graduations of a rule were found in the photo.",
        "Lay a steel rule beside the frets with its graduations in the picture, in focus and without glare.",
    )


def _as_scale(photo: Photo, comb: _Comb, unit: str, factor: float) -> Scale:
    # the first round centres the rows, finds graduations missed so far, and tells how long the longest are
    found = _measure(photo, comb, _LONGEST, 0.25)
    comb = _refit(comb, found)
    if len(found.number) >= MIN_GRADUATIONS:
        longest = float(np.max(found.length / comb.step_px(found.number.astype(float))))
        found = _measure(photo, comb, min(longest + 1.0, _LONGEST), 0.1)
        comb = _refit(comb, found)
    if len(found.number) < MIN_GRADUATIONS:
        raise ScaleError("Too little of the rule is in focus.", "Take the photo closer, with the rule sharp.")
    if _unevenness(comb, found) > _UNEVEN:
        raise ScaleError(
            "The rule's graduations are not evenly spaced.", "Clean the rule and take the photo again, in focus."
        )
    steps_px = comb.step_px(found.number.astype(float))
    slack = 1.0 + 2.0 * photo.focal.u_rel
    per = float(np.median(steps_px)) / photo.focal.px  # a step's angle of view
    possible = (DISTANCES_MM[0] * per / slack, DISTANCES_MM[1] * per * slack)
    division = tell_division(found.number, found.length / steps_px, unit, possible)
    return _points(comb, found, division, factor)


def _unevenness(comb: _Comb, found: _Graduations) -> float:
    """RMS distance of the graduations from the smooth comb along the edge, in steps."""
    n = found.number.astype(float)
    middle = found.points.mean(axis=1) - comb.start_px(n)
    along = comb.along(n)
    across = middle[:, 0] * along[:, 1] - middle[:, 1] * along[:, 0]
    return float(np.sqrt(np.mean((across / comb.step_px(n)) ** 2)))


def _points(comb: _Comb, found: _Graduations, division: Division, factor: float) -> Scale:
    """The scale: x along the rule, y from its ticked edge towards the body of the rule, or its mirror image, y up."""
    n = found.number.astype(float)
    step = division.step_mm * factor
    # seen from above, y is up when a quarter turn anticlockwise leads from +x to it; else number the other way
    along, across = comb.along(n[:1])[0], comb.start_px(n[-1:])[0] - comb.start_px(n[:1])[0]
    sign = 1.0 if across[0] * along[1] - across[1] * along[0] < 0 else -1.0
    per_px = step / comb.step_px(n)
    x = sign * (n - n[0]) * step
    height = np.einsum("nki,ni->nk", found.points - comb.start_px(n)[:, None], comb.along(n)) * per_px[:, None]
    plane = np.stack([np.repeat(x[:, None], 2, axis=1), height], axis=-1).reshape(-1, 2)
    image = found.points.reshape(-1, 2)
    turn = np.repeat(np.arctan2(*comb.along(n).T[::-1]) - math.pi / 2.0, 2)
    u = np.column_stack([np.hypot(found.u, U_FLOOR_PX).ravel(), np.full(image.shape[0], np.inf)])
    # the edge: three places, for their errors are one curve and not as many as there are graduations
    at = np.array([n[0], n[len(n) // 2], n[-1]])
    edge, edge_x = comb.start_px(at), sign * (at - n[0]) * step
    edge_turn = np.arctan2(*comb.along(at).T[::-1]) - math.pi / 2.0
    u_edge = np.column_stack([np.full(3, np.inf), U_EDGE_MM * comb.step_px(at) / step])
    span = abs(float(x[-1] - x[0]))
    return Scale(
        "rule",
        np.concatenate([image, edge]),
        np.concatenate([plane, np.column_stack([edge_x, np.zeros(3)])]),
        np.concatenate([u, u_edge]),
        RULE_LIMIT_MM / math.sqrt(3.0) / span,
        _outline(comb, found),
        turn_rad=np.concatenate([turn, edge_turn]),
        tilt_prior_rad=HABIT_TILT_RAD,
    )


def _outline(comb: _Comb, found: _Graduations) -> Vector:
    """Round the graduations: along the edge and back along the ends of the longest."""
    n = np.linspace(float(found.number[0]), float(found.number[-1]), 9)
    far = comb.start_px(n) + comb.along(n) * float(found.length.max())
    return np.concatenate([comb.start_px(n), far[::-1]])


# --- finding a comb on the reduced picture -------------------------------------------------------------------------


def _rows(photo: Photo, width: int) -> Iterator[_Comb]:
    """Rows of graduations in a photo: dark ones first, then bright ones, most graduations first."""
    small, factor = reduced(photo.gray, width)
    for bright in (False, True):
        yield from sorted(_combs(_strokes(small, bright, factor), 2.0 * factor), key=lambda c: -len(c.number))


def _strokes(small: NDArray[np.uint8], bright: bool, factor: float) -> _Strokes:
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
        return _Strokes(np.empty((0, 2)), np.empty((0, 2)), bright)
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
    return _Strokes(c - d * factor, c + d * factor, bright)


def _codes(share: float, more: float) -> NDArray[np.uint8]:
    """Table from a code to the largest one that is not above `share` of it and `more`."""
    return np.asarray(np.minimum(np.floor(share * np.arange(256) + more), 255.0), dtype=np.uint8)


def _combs(strokes: _Strokes, tolerance: float) -> list[_Comb]:
    """Rows among strokes: a common direction, ends of one side on a line across it, an even spacing.

    `tolerance` is how far ends may lie off that line, in full-resolution pixels.
    """
    d = strokes.b - strokes.a
    angle = np.arctan2(d[:, 1], d[:, 0]) % math.pi
    combs: list[_Comb] = []
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
                combs.append(_fit_comb(number, s, np.arctan2(*(e - s).T[::-1]), strokes.bright))
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
    right = _walk(u[seed:] - u[seed], step)
    left = _walk(u[seed] - u[seed::-1], step)
    number = {seed + k: n for k, n in right.items()} | {seed - k: -n for k, n in left.items()}
    used = np.array(sorted(number), np.intp)
    return np.array([number[int(k)] for k in used], np.int64), used


def _walk(u: Vector, step: float) -> dict[int, int]:
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


def _fit_comb(number: NDArray[np.int64], start: Vector, angle: Vector, bright: bool) -> _Comb:
    """Smooth curves over the number: cubic for places (perspective and lens), quadratic for the direction."""
    middle, half = (number[0] + number[-1]) / 2.0, max(1.0, (number[-1] - number[0]) / 2.0)
    t = (number - middle) / half
    angle = np.unwrap(angle)
    ok = np.ones(len(t), bool)
    for _ in range(4):
        fits = [np.polyfit(t[ok], c[ok], d) for c, d in ((start[:, 0], 3), (start[:, 1], 3), (angle, 2))]
        off = np.hypot(start[:, 0] - np.polyval(fits[0], t), start[:, 1] - np.polyval(fits[1], t))
        ok = off <= max(1.0, 3.0 * 1.4826 * float(np.median(off)))
    return _Comb(number, middle, half, (fits[0], fits[1]), fits[2], bright)


# --- measuring on the full picture ---------------------------------------------------------------------------------


def _measure(photo: Photo, comb: _Comb, reach: float, every: float) -> _Graduations:
    """Every graduation the comb predicts inside the photo that can be seen, in rows `every` steps up to `reach`."""
    n = _in_photo(photo, comb)
    step = float(np.median(comb.step_px(n.astype(float))))
    per = max(8, math.ceil(step))  # samples across a step
    rows = np.arange(0.3, reach, every) * step  # from clear of the edge's blur
    light = _straighten(photo, comb, n, rows, per)
    dark = light if comb.bright else -light
    near = rows < 2.0 * step  # where the shortest graduations still are
    if _duty(dark[:, near]) > _GAP:
        return _Graduations(n[:0], np.empty((0, 2, 2)), np.empty((0, 2)), np.empty(0))
    at, depth = _stroke_centres(dark)
    seen, length = _extent(depth, rows, near)
    return _centre_lines(comb, n, rows, at, seen, length)


def _in_photo(photo: Photo, comb: _Comb) -> NDArray[np.int64]:
    """Numbers of the graduations whose first step of length is inside the photo, three beyond those seen at most."""
    n = np.arange(comb.number[0] - 3, comb.number[-1] + 4)
    s = comb.start_px(n.astype(float))
    e = s + comb.along(n.astype(float)) * comb.step_px(n.astype(float))[:, None]
    size = np.array([photo.width - 1, photo.height - 1])
    pad = comb.step_px(n.astype(float))[:, None] / 2.0
    return n[np.all((s >= pad) & (s <= size - pad) & (e >= pad) & (e <= size - pad), axis=1)]


def _straighten(photo: Photo, comb: _Comb, n: NDArray[np.int64], rows: Vector, per: int) -> NDArray[np.float32]:
    """Linear light (graduation, row, sample across one step), graduations upright in the middle; nan where outside."""
    offsets = (np.arange(per) + 0.5) / per - 0.5
    fine = (n[:, None] + offsets[None]).ravel()
    start, along = comb.start_px(fine), comb.along(fine)
    # only what the row needs is handed to the resampler: its coordinates are 16 bit
    rim = np.concatenate([start + along * rows[0], start + along * rows[-1]])
    x0, y0 = np.maximum(np.floor(rim.min(axis=0)).astype(int) - 2, 0)
    x1, y1 = np.ceil(rim.max(axis=0)).astype(int) + 3
    crop = photo.gray[y0:y1, x0:x1]
    x, y = (np.add(start[:, k] - (x0, y0)[k], np.outer(rows, along[:, k]), dtype=np.float32) for k in (0, 1))
    light = linear_light(np.asarray(cv2.remap(crop, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)))
    if np.any(rim < 0) or np.any(rim > [photo.width - 1, photo.height - 1]):
        light[(x < -x0) | (y < -y0) | (x > photo.width - 1 - x0) | (y > photo.height - 1 - y0)] = np.nan
    return np.ascontiguousarray(light.reshape(len(rows), len(n), per).transpose(1, 0, 2))


def _duty(dark: NDArray[np.float32]) -> float:
    """Share of a step taken by what stands out: a graduation takes a quarter, the gap between two the rest."""
    profile = np.nanmedian(dark.reshape(-1, dark.shape[-1]), axis=0)
    return float(np.mean(profile > (profile.min() + profile.max()) / 2.0))


def _stroke_centres(dark: NDArray[np.float32]) -> tuple[Vector, Vector]:
    """Centre of the stroke in each row, in steps from the middle, and how much it stands out: both (graduation, row).

    The centre of gravity of what rises above the straight baseline between the gaps to either side; the window follows
    the stroke once, so that a stroke off the middle is not cut on one side.
    """
    per = dark.shape[-1]
    x = ((np.arange(per) + 0.5) / per - 0.5).astype(np.float32)
    ends = max(1, per // 6)
    lo, hi = dark[..., :ends].mean(axis=-1), dark[..., -ends:].mean(axis=-1)
    base = lo[..., None] + (hi - lo)[..., None] * (x - x[:ends].mean()) / (x[-ends:].mean() - x[:ends].mean())
    rise = dark - base
    at = np.zeros(dark.shape[:2], np.float32)
    for window in (0.33, 0.25):
        weighed = np.clip((window - np.abs(x - at[..., None])) * per + 0.5, 0.0, 1.0) * rise
        mass = weighed.sum(axis=-1)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = weighed @ x / mass
        at = np.where(np.isfinite(at) & (np.abs(at) < 0.25), at, 0.0)
    return np.asarray(at, dtype=np.float64), np.asarray(mass, dtype=np.float64)


def _extent(depth: Vector, rows: Vector, near: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Vector]:
    """Rows in which each graduation is there, from the edge on without a break, and the length it reaches.

    There: at least half as deep as the row's graduations are near the edge.
    """
    full = float(np.nanmedian(depth[:, near]))
    there = np.nan_to_num(depth, nan=-np.inf) > 0.5 * full
    # a scratch may take out a row: look at the median of five
    k = np.lib.stride_tricks.sliding_window_view(np.pad(there, ((0, 0), (2, 2)), mode="edge"), 5, axis=1)
    there = k.sum(axis=-1) >= 3
    unbroken = np.cumprod(there, axis=1).astype(bool)
    return unbroken, rows[0] + unbroken.sum(axis=1) * (rows[1] - rows[0])


def _centre_lines(
    comb: _Comb, n: NDArray[np.int64], rows: Vector, at: Vector, seen: NDArray[np.bool_], length: Vector
) -> _Graduations:
    """A robust straight line through each graduation's centres, as two points whose errors are independent."""
    count = seen.sum(axis=1) - 2  # the last rows are blunted by the end
    keep = np.flatnonzero(count >= _ROWS // 2)
    pick = np.linspace(0.0, 1.0, _ROWS)[None] * (count[keep, None] - 1)
    pick = pick.astype(np.intp)
    step = comb.step_px(n[keep].astype(float))
    across = at[keep[:, None], pick] * step[:, None]
    again = np.diff(pick, axis=1, prepend=-1) == 0  # a row counts once
    lines = fit_lines(np.stack([rows[pick], across], axis=-1), np.where(again, np.inf, _U_ROW_PX))
    good = [k for k, line in enumerate(lines) if line is not None]
    sound = [line for line in lines if line is not None]
    mean, direction = (np.array([getattr(q, f) for q in sound]).reshape(-1, 2) for f in ("point", "direction"))
    u = np.array([q.u_offset for q in sound])
    arm = (u / [q.u_angle for q in sound])[:, None, None] * np.array([[[-1.0], [1.0]]])  # where offset and angle part
    ends = mean[:, None] + arm * direction[:, None]
    number = n[keep][good]
    fine = number[:, None] + ends[..., 1] / step[good][:, None]
    xy = comb.start_px(fine.ravel()) + comb.along(fine.ravel()) * ends[..., 0].ravel()[:, None]
    return _Graduations(
        number, xy.reshape(-1, 2, 2), np.repeat(u[:, None] * math.sqrt(2.0), 2, axis=1), length[keep][good]
    )


def _refit(comb: _Comb, found: _Graduations) -> _Comb:
    """The comb through what was measured: centre lines for place and direction, the old edge for the start."""
    if len(found.number) < MIN_GRADUATIONS:
        return comb
    n = found.number.astype(float)
    d = found.points[:, 1] - found.points[:, 0]
    along = d / np.linalg.norm(d, axis=1, keepdims=True)
    back = np.einsum("ni,ni->n", found.points[:, 0] - comb.start_px(n), along)
    start = found.points[:, 0] - along * back[:, None]
    return _fit_comb(found.number, start, np.arctan2(along[:, 1], along[:, 0]), comb.bright)
