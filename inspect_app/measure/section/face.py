"""Find the cut face of a wire in a photo: the one even patch of the picture that has the shape of crown and tang.

The wire's body beside the face, its shadow and the background may each be brighter or darker than the face. So no tone
is asked for: the picture is divided where it is even, neighbouring patches are joined again in the order of how
faint the border between them is (a region-merging tree: Salembier and Garrido, IEEE Trans. Image Process. 9, 2000),
and every patch that comes up on the way is held against the shape.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import find_objects, label
from scipy.optimize import least_squares
from skimage.filters import threshold_otsu
from skimage.measure import find_contours
from skimage.segmentation import watershed

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.instrument.crown import arc_radius
from inspect_app.measure.section.wire_outline import PIECES, WireShape

__all__ = ["COARSE_PX_PER_MM", "Face", "find_faces"]

Array = NDArray[np.float64]
Labels = NDArray[np.int32]

COARSE_PX_PER_MM = 40.0
"""Finer pictures are reduced to this: a tang 0.5 mm wide is 20 px then, and noise and scratches average out."""
SMOOTH_PX = 1.2
"""Blur before the slope is taken, px of the reduced picture: over the noise that JPEG leaves between neighbours."""
HOMOGENEOUS = 3.0
"""A place is even where the slope of the light is below so many medians of it: most of such a photo is background, so
the median is the noise."""
LEAST_SLOPE = 0.5
"""Added to it, codes a pixel: bright places may be noisier than the background, and a border that is no steeper is
less than two codes high."""
LEAK_PX = 2
"""Two even places that touch along less than twice this are two: a border may be faint at a point."""
LEAST_HOMOGENEOUS_PX = 12
"""Smaller even places are specks: less than 0.01 mm^2."""
AREA_MM2 = (0.9, 14.0)
"""Areas of section, crown and tang: 1.5 x 0.5 and 0.5 x 0.8 up to 4 x 2 and 1.2 x 4 mm, with margin."""
TWO_TONES = 0.75
"""Share of the variance of a patch's tones that lies between two halves from which it is taken to have two: half a
normal distribution against the other takes 2 / pi, an even ramp 3 / 4."""
_AROUND = np.ones((3, 3), np.uint8)
WIDTH_MM, HEIGHT_MM, TANG_MM, DEPTH_MM = (1.2, 4.5), (0.3, 2.5), (0.25, 1.4), (0.6, 4.5)
"""Crown and tang that exist, and more (common practice, no source: crowns 1.9 to 3.0 mm wide and 0.9 to 1.5 mm high,
tangs 0.5 to 0.6 mm wide and 1.4 to 2.2 mm deep)."""
MAX_TURN = math.radians(20.0)
"""Crown up, by eye: within 15 degrees, and what a fit needs beside it."""
ROW_MM = 0.04
"""Height of the rows in which widths are first read off a patch: one and a half pixels of the reduced picture."""
RIM_POINTS = 400
"""Of a patch's border, so many points are fitted: one every 0.03 mm."""
LOOSE_MM = 0.05
"""Distance beyond which a point of a patch's border counts less and less: barbs stand out by more."""
SAME_MM = 0.04
"""Shapes whose corners are nearer than this lead to the same edges."""
_SPREAD = np.array([0.1, 0.1, 0.1, 0.3, 0.3, 0.2, 0.05, 0.1, 0.05, 0.2])
"""How much each parameter of a shape may be off at first: steps of the fit are of this size."""
MIN_OVERLAP = 0.75
"""Share of a patch and its shape that both cover, below which it is something else: a disc against the shape of a wire
reaches 0.6; barbs and a leak across a faint border still leave 0.85."""
LEAST_OVERLAP = 0.5
"""The same before the shape is fitted."""


@dataclass(frozen=True)
class Face:
    """A patch of the picture with the shape of a wire's face.

    Attributes
    ----------
    shape : WireShape
        Fitted to the patch's border, good to a few hundredths of a millimetre.
    overlap : float
        Area common to patch and shape, over the area of either.
    """

    shape: WireShape
    overlap: float


class _Patch(NamedTuple):
    """Part of the picture: its mask, and where the mask's top left pixel is, (row, column)."""

    mask: NDArray[np.bool_]
    at: tuple[int, int]


def find_faces(photo: Photo, scale: Scale, plane: Plane, coarse: float = COARSE_PX_PER_MM) -> list[Face]:
    """All patches that may be the face, the best fitting first; empty when there is none.

    Parameters
    ----------
    coarse : float
        Pixels to the millimetre of the picture they are looked for in, where the photo has as many.
    """
    px_per_mm = plane.px_per_mm(scale.plane_mm.mean(axis=0))
    factor = max(1.0, px_per_mm / coarse)
    if min(photo.bgr.shape[:2]) < factor:  # by this scale the whole photo is narrower than the coarse picture's pixel
        return []
    small = cv2.resize(photo.bgr, None, fx=1.0 / factor, fy=1.0 / factor, interpolation=cv2.INTER_AREA)
    slope = _slope(np.asarray(small, dtype=np.uint8))
    low, high = (v * (px_per_mm / factor) ** 2 for v in AREA_MM2)
    starts: list[WireShape] = []
    faces: list[Face] = []
    for patch in _merged(_homogeneous_patches(slope), slope, (low, high)):
        if _is_print(patch, scale, factor):
            continue
        for part in _parts(patch, np.asarray(small, dtype=np.uint8), low):
            start = _guess(part, factor, plane)
            if start is not None and _is_new(start, starts):
                starts.append(start)
                face = _as_face(part, start, factor, plane)
                if face is not None and _is_new(face.shape, [f.shape for f in faces]):
                    faces.append(face)
    return sorted(faces, key=lambda f: -f.overlap)


def _is_print(patch: _Patch, scale: Scale, factor: float) -> bool:
    """Whether a patch's middle lies between the scale's own points."""
    middle = (np.array(patch.at[::-1]) + np.array(patch.mask.shape[::-1]) / 2.0) * factor
    return bool(np.all((middle > scale.image_px.min(axis=0)) & (middle < scale.image_px.max(axis=0))))


def _is_new(shape: WireShape, known: list[WireShape]) -> bool:
    """Whether a shape is none of those known, within what a patch tells."""
    return all(np.abs(_marks(shape) - _marks(k)).max() > SAME_MM for k in known)


def _marks(shape: WireShape) -> Array:
    """Where top, edges and tang of a shape are on the plane, (6, 2)."""
    (x, z), half, depth = shape.corner(), shape.half_tang, shape.tang_depth
    return shape.to_plane([[0.0, shape.height], [x, z], [-x, z], [half, 0.0], [-half, -depth], [half, -depth]])


def _slope(bgr: NDArray[np.uint8]) -> Array:
    """Slope of the picture, root sum of squares over its channels, codes a pixel."""
    soft = cv2.GaussianBlur(bgr.astype(np.float32), (0, 0), SMOOTH_PX)
    dx, dy = (np.asarray(cv2.Sobel(soft, cv2.CV_32F, *d, ksize=3, scale=0.125)) for d in ((1, 0), (0, 1)))
    return np.asarray(np.sqrt(np.sum(dx**2 + dy**2, axis=2)), dtype=np.float64)


def _homogeneous_patches(slope: Array) -> Labels:
    """Every pixel with the number, from 1, of the even place it belongs to."""
    quiet = (slope < HOMOGENEOUS * float(np.median(slope)) + LEAST_SLOPE).astype(np.uint8)
    even = np.asarray(label(cv2.erode(quiet, _AROUND, iterations=LEAK_PX))[0], dtype=np.int32)
    size = np.bincount(even.ravel())
    size[0] = 0
    even[size[even] < LEAST_HOMOGENEOUS_PX] = 0
    between = cv2.dilate((even == 0).astype(np.uint8), _AROUND) > 0
    filled = np.asarray(watershed(slope, even, mask=between))  # type: ignore[no-untyped-call]
    return np.where(between, filled, even).astype(np.int32)


def _merged(patches: Labels, slope: Array, size: tuple[float, float]) -> Iterator[_Patch]:
    """All patches, alone and joined, that lie inside the picture and whose area, px, is between those of `size`."""
    area = np.bincount(patches.ravel()).astype(float)
    rim = {int(v) for side in (patches[0], patches[-1], patches[:, 0], patches[:, -1]) for v in np.unique(side)}
    boxes = find_objects(patches)
    low, high = size
    for members in _joined(len(boxes), _borders(patches, slope)):
        if not rim & members and low <= sum(area[k] for k in members) <= high:
            rows, columns = ([boxes[k - 1][axis] for k in members] for axis in (0, 1))
            top, left = min(r.start for r in rows), min(c.start for c in columns)
            part = patches[top : max(r.stop for r in rows), left : max(c.stop for c in columns)]
            yield _Patch(np.isin(part, list(members)), (top, left))


def _joined(count: int, border: dict[tuple[int, int], tuple[float, float]]) -> Iterator[frozenset[int]]:
    """Sets of patches 1 to `count`: each alone, then every one that comes up as the faintest border left is removed."""
    members = {k: frozenset([k]) for k in range(1, count + 1)}
    yield from members.values()
    beside: dict[int, dict[int, tuple[float, float]]] = {k: {} for k in members}
    for (a, b), v in border.items():
        beside[a][b] = beside[b][a] = v
    heap = [(v[0] / v[1], a, b) for (a, b), v in border.items()]
    heapq.heapify(heap)
    while heap:
        mean, a, b = heapq.heappop(heap)
        at = beside.get(a, {}).get(b)
        if at is None or at[0] / at[1] != mean:
            continue  # joined meanwhile, or its border grew
        members[a] |= members.pop(b)
        yield members[a]
        del beside[a][b]
        for c, (total, n) in beside.pop(b).items():
            if c != a:
                del beside[c][b]
                was = beside[a].get(c, (0.0, 0.0))
                now = beside[a][c] = beside[c][a] = (was[0] + total, was[1] + n)
                heapq.heappush(heap, (now[0] / now[1], a, c))


def _borders(patches: Labels, slope: Array) -> dict[tuple[int, int], tuple[float, float]]:
    """Sum of the slope along the border of every two neighbours, and its length in pixels."""
    one, two = np.s_[:, :-1], np.s_[:, 1:]
    steps = ((one, two), (one[::-1], two[::-1]))
    p, q, height = (
        np.concatenate([f(a, b) for a, b in steps])
        for f in (
            lambda a, b: patches[a].ravel(),
            lambda a, b: patches[b].ravel(),
            lambda a, b: np.maximum(slope[a], slope[b]).ravel(),
        )
    )
    differ = p != q
    count = int(patches.max()) + 1
    key = np.minimum(p, q)[differ].astype(np.int64) * count + np.maximum(p, q)[differ]
    pairs, which = np.unique(key, return_inverse=True)
    total, n = np.bincount(which, height[differ]), np.bincount(which).astype(float)
    return {(int(k // count), int(k % count)): (float(t), float(m)) for k, t, m in zip(pairs, total, n, strict=True)}


def _parts(patch: _Patch, bgr: NDArray[np.uint8], least: float, splits: int = 2) -> Iterator[_Patch]:
    """The patch, and the largest whole part of each tone in it where it has two: narrow things beside the face are
    nowhere even and go to the face or to the ground at first."""
    yield patch
    (top, left), (rows, columns) = patch.at, patch.mask.shape
    inner = cv2.erode(np.pad(patch.mask, 1).astype(np.uint8), _AROUND)[1:-1, 1:-1] > 0  # its rim is mixed with others
    if splits == 0 or np.count_nonzero(inner) < least / 2.0:
        return
    upper = _two_tones(bgr[top : top + rows, left : left + columns][inner].astype(np.float64))
    for side in () if upper is None else (upper, ~upper):
        mask = np.zeros_like(patch.mask)
        mask[inner] = side
        pieces = np.asarray(label(mask)[0])
        size = np.bincount(pieces.ravel())
        size[0] = 0
        grown = cv2.dilate((pieces == int(size.argmax())).astype(np.uint8), _AROUND) > 0
        grown &= patch.mask & (mask | ~inner)
        if np.count_nonzero(grown) >= least:
            yield from _parts(_Patch(grown, patch.at), bgr, least, splits - 1)


def _two_tones(tones: Array) -> NDArray[np.bool_] | None:
    """Which tones (N, 3) are the upper of two kinds, or None where they are of one kind."""
    tones = tones - tones.mean(axis=0)
    along = tones @ np.linalg.eigh(tones.T @ tones)[1][:, -1]
    upper = np.asarray(along > threshold_otsu(along))  # type: ignore[no-untyped-call]
    share = float(upper.mean())
    if share in (0.0, 1.0):
        return None
    between = share * (1.0 - share) * float(along[upper].mean() - along[~upper].mean()) ** 2
    return upper if between > TWO_TONES * float(along.var()) else None


def _rim(patch: _Patch, factor: float, plane: Plane) -> tuple[Array, float]:
    """Points of a patch's border on the plane (N, 2), mm, and the direction that is up in the photo, rad from y."""
    border = find_contours(np.pad(patch.mask, 1).astype(float), 0.5)  # type: ignore[no-untyped-call]
    rim = np.asarray(max(border, key=len), dtype=np.float64)[:, ::-1] - 1.0 + patch.at[::-1]
    px = (rim[:: max(1, len(rim) // RIM_POINTS)] + 0.5) * factor - 0.5
    above = plane.to_mm([px.mean(axis=0), px.mean(axis=0) - [0.0, 10.0]])
    return plane.to_mm(px), math.atan2(above[0, 0] - above[1, 0], above[1, 1] - above[0, 1])


def _as_face(patch: _Patch, start: WireShape, factor: float, plane: Plane) -> Face | None:
    """The shape that fits a patch, or None when its size or form is another."""
    rim, upright = _rim(patch, factor, plane)
    shape = _fit(start, rim)
    if shape is None or abs(shape.turn - upright) > MAX_TURN:
        return None
    overlap = _overlap(patch, shape, factor, plane)
    return Face(shape, overlap) if overlap >= MIN_OVERLAP else None


def _guess(patch: _Patch, factor: float, plane: Plane) -> WireShape | None:
    """The turn that makes the border most alike left and right, then widths row by row."""
    rim, upright = _rim(patch, factor, plane)
    turns = upright + np.arange(-MAX_TURN, MAX_TURN + 1e-9, math.radians(1.5))
    seen = [
        (float(np.std(left + right)), turn, z, left, right) for turn in turns for z, left, right in _rows(rim, turn)
    ]
    if not seen:
        return None
    _, turn, z, left, right = min(seen, key=lambda s: s[0])
    width = right - left
    k = np.arange(5, len(z) - 5)
    drop = int(k[np.argmax(width[k + 3] - width[k - 3])])  # rows go up: narrow tang below, wide crown above
    tang = width[: max(drop - 2, 1)]
    foot, half = float(z[drop]), float(np.quantile(tang, 0.3)) / 2.0  # barbs only widen: look at the narrower rows
    wide, top = float(width[drop:].max()), float(z[-1]) - foot
    middle = float(np.median((left + right)[: len(tang)])) / 2.0
    c, s = math.cos(turn), math.sin(turn)
    radius = max(arc_radius(wide, top), wide / 2.0)
    at = (middle * c - foot * s, middle * s + foot * c)
    found = np.array([*at, turn, radius, top - radius, 0.95 * top, 0.0, 0.0, half, foot - float(z[0])])
    shape = WireShape.of(found)
    possible = half < 0.3 * wide and _is_possible(wide, top, 2.0 * half, shape.tang_depth)
    return shape if possible and _overlap(patch, shape, factor, plane) > LEAST_OVERLAP else None


def _is_possible(width: float, height: float, tang: float, depth: float) -> bool:
    sizes = ((width, WIDTH_MM), (height, HEIGHT_MM), (tang, TANG_MM), (depth, DEPTH_MM))
    return all(low <= v <= high for v, (low, high) in sizes)


def _rows(mm: Array, turn: float) -> Iterator[tuple[Array, Array, Array]]:
    """Height, left and right of the rows of a turned border, from below; nothing where it is too low or too high."""
    c, s = math.cos(turn), math.sin(turn)
    x, z = mm[:, 0] * c + mm[:, 1] * s, mm[:, 1] * c - mm[:, 0] * s
    row = np.floor((z - z.min()) / ROW_MM).astype(int)
    n = int(row.max()) + 1
    if HEIGHT_MM[0] + DEPTH_MM[0] <= n * ROW_MM <= HEIGHT_MM[1] + DEPTH_MM[1]:
        left, right = np.full(n, math.inf), np.full(n, -math.inf)
        np.minimum.at(left, row, x)
        np.maximum.at(right, row, x)
        seen = np.isfinite(left)
        yield z.min() + ROW_MM * (np.flatnonzero(seen) + 0.5), left[seen], right[seen]


def _fit(start: WireShape, rim_mm: Array) -> WireShape | None:
    """Least distance of the border's points from the nearest piece, far ones counting little."""
    shape = start
    for _ in range(2):
        nearest = _nearest(shape, rim_mm)

        def off(p: Array, at: NDArray[np.intp] = nearest) -> Array:
            return np.append(WireShape.of(p).distance(rim_mm, at), 1e-3 * (p - start.params))

        def by(p: Array, at: NDArray[np.intp] = nearest) -> Array:
            return np.vstack([WireShape.of(p).slopes(rim_mm, at), 1e-3 * np.eye(len(p))])

        fit = least_squares(
            off, shape.params, by, x_scale=_SPREAD, loss="soft_l1", f_scale=LOOSE_MM / 2.0, ftol=1e-3, max_nfev=15
        )
        shape = WireShape.of(fit.x)
    width, height, _, _, tang, depth = (float(v) for v in shape.dimensions())
    return shape if _is_possible(width, height, tang, depth) else None


def _nearest(shape: WireShape, mm: Array) -> NDArray[np.intp]:
    """Index into `PIECES` of the piece nearest to each point (N, 2)."""
    best, which = np.full(len(mm), math.inf), np.zeros(len(mm), dtype=np.intp)
    for name, _, points in shape.chain(0.05):
        d = np.sqrt(((mm[:, None] - points[None]) ** 2).sum(axis=2)).min(axis=1)
        nearer = d < best
        best[nearer], which[nearer] = d[nearer], PIECES.index(name)
    return which


def _overlap(patch: _Patch, shape: WireShape, factor: float, plane: Plane) -> float:
    """Share of what patch and shape cover that both do."""
    outline = shape.outline()
    px = (plane.to_px(np.column_stack([outline, np.zeros(len(outline))])) + 0.5) / factor - 0.5 - patch.at[::-1]
    room = max(patch.mask.shape)
    drawn = np.zeros([v + 2 * room for v in patch.mask.shape], np.uint8)
    cv2.fillPoly(drawn, [np.round((px + room) * 16.0).astype(np.int32)], 1, cv2.LINE_8, 4)
    both = int(np.count_nonzero(np.pad(patch.mask, room) & (drawn > 0)))
    either = int(np.count_nonzero(patch.mask)) + int(np.count_nonzero(drawn)) - both
    return both / max(1, either)
