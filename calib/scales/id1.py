"""A bank card, ISO/IEC 7810 size ID-1: its four edges, to a fraction of a pixel, whatever is printed on it.

Straight segments are looked for on a reduced picture and put together to quadrilaterals of the card's shape. A board
with two frets makes those too; a card is told from them by its rounded corners, where its edges end. The edges are then
placed on the full picture, between the corners; the corners themselves are never used as points.

A card as near as a board is photographed from, and clear on all four sides, is first looked for on a coarse picture,
which takes a quarter of the time; where none holds there, on a finer one and at every distance.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo, linear_light
from calib.scales.base import Scale
from calib.scales.outline import (
    U_OUTLINE_PX,
    U_SHARPENING_PX,
    StepsOf,
    colour_rows,
    fisher_direction,
    outline_steps,
    steepest,
)
from calib.scales.reduced import reduced
from shared.errors import ScaleError

__all__ = ["Card", "card", "find_id1"]

Vector = NDArray[np.float64]

DISTANCES_MM = (90.0, 1200.0)
"""Distances from which a board is photographed with a card beside it."""
_NEAR_MM = 450.0
"""A plan photo's distance (`README.md`: 25 to 45 cm) or less. What is printed on a card looks farther away than the
card by as much as it is smaller: 30 mm long in a photo from 25 cm, it would be a card 70 cm away."""
_SEARCH_WIDTH = 640  # px: a card is then 80 to 600 px long, its edges sharp, bench texture mostly averaged out
_COARSE_WIDTH = 320  # px: a card within `_NEAR_MM` is 44 px long or more, by a lens of 26 mm (full-frame equivalent)
_CLEAR = 0.5  # share of each side that lines cover on the coarse picture: a card that lies clear shows nine tenths
_SHORTEST = 0.02  # of the picture's longer side: half the short edge of the smallest card
_SEGMENTS = 140  # longest ones looked at: a card's edges are among the longest straight lines beside board and frets
_LINES = 50  # of the lines they lie on
_PARALLEL = math.radians(9.0)  # opposite edges converge, corners leave the right angle: by tilts up to 25 degrees
_SHAPE = 0.09  # relative: long over short side on the picture at tilts up to 25 degrees
_TRIED = 120  # quadrilaterals looked at closely, best covered first
_OUTLINE_SEEN = 0.6  # share of the outline, round the corners, across which the colour steps
_BEYOND = 0.35  # share of the edges' continuations that may step too before the corner is called sharp
_REACH_MM = 0.7  # either way across the outline: less than from a round corner's middle to the sharp corner's edges
_POINTS = 80  # on each edge
_TIGHT_PX = 1.0  # how far off a point of a card's edge may be: a straight cut edge is far better, a chance line is not


@dataclass(frozen=True, slots=True)
class Card:
    """Size of a card in mm: long side, short side, corner radius, thickness, and u of the long side."""

    length: float
    height: float
    corner_radius: float
    thickness: float
    u_length: float
    source: str


@cache
def card() -> Card:
    """The size ID-1, from the table with its sources."""
    table = tomllib.loads(resources.files("shared").joinpath("tables/cards.toml").read_text(encoding="utf-8"))["id1"]
    limits = table["length_limits_mm"]
    u = (limits[1] - limits[0]) / 2.0 / math.sqrt(3.0)
    return Card(
        table["length_mm"], table["height_mm"], table["corner_radius_mm"], table["thickness_mm"], u, table["source"]
    )


def find_id1(photo: Photo, factor: float = 1.0) -> Scale:
    """Find a card.

    Parameters
    ----------
    factor : float
        True length over nominal length of this card, if it was measured.

    Returns
    -------
    Scale
        Points on the four edges, sharp across them and saying nothing along them. The top face is the plane: it lies
        the card's thickness, 0.76 mm, above what the card rests on.

    Raises
    ------
    ScaleError
        If no card is found, or too little of its edges.
    """
    size = card()
    slack = 1.0 + 2.0 * photo.focal.u_rel
    first = _COARSE_WIDTH, _NEAR_MM / slack, _CLEAR
    for width, farthest, covered in (first, (_SEARCH_WIDTH, DISTANCES_MM[1] * slack, 0.0)):
        small, shrink = reduced(photo.bgr, width)
        unclear: ScaleError | None = None
        distances = DISTANCES_MM[0] / slack, farthest
        for quad in _cards(photo, _quadrilaterals(small, photo, shrink, distances, covered), size):
            try:
                return _as_scale(photo, quad, size, factor)
            except ScaleError as e:
                unclear = unclear or e
    raise unclear or ScaleError(
        "No bank card was found in the photo.",
        "Lay a card beside the frets, all four edges in the picture, on cloth of another colour.",
    )


def _rectangle(size: Card) -> Vector:
    """Corners of the sharp rectangle round the card's edges, y up, clockwise as seen: top left first; shape (4, 2)."""
    x, y = size.length / 2.0, size.height / 2.0
    return np.array([[-x, y], [x, y], [x, -y], [-x, -y]])


def _homography(q: Vector, size: Card) -> Vector:
    """From the card's millimetres to the photo, by its sharp corners q (4, 2)."""
    return np.asarray(cv2.getPerspectiveTransform(_rectangle(size).astype(np.float32), q.astype(np.float32)))


# --- quadrilaterals on the reduced picture -------------------------------------------------------------------------


@dataclass(frozen=True)
class _Lines:
    """Straight lines ``x cos a + y sin a = c``: a and c (N,), and what of each is covered by segments.

    `covered` (N, 2 R + 1) counts the covered pixels along the line up to each place from -R to R.
    """

    a: Vector
    c: Vector
    covered: NDArray[np.int32]

    def share(self, k: NDArray[np.intp], p: Vector, q: Vector) -> Vector:
        """Share of the way from points p to q (M, 2) on lines k (M,) that segments cover."""
        along = np.column_stack([-np.sin(self.a[k]), np.cos(self.a[k])])
        reach = self.covered.shape[1] // 2
        t = np.sort(np.stack([np.sum(p * along, axis=1), np.sum(q * along, axis=1)]), axis=0)
        i = np.clip(np.rint(t).astype(int) + reach, 0, 2 * reach)
        return np.asarray((self.covered[k, i[1]] - self.covered[k, i[0]]) / np.maximum(i[1] - i[0], 1))


def _quadrilaterals(
    small: NDArray[np.uint8], photo: Photo, factor: float, distances: tuple[float, float], covered: float
) -> Vector:
    """Corners (K, 4, 2) of quadrilaterals shaped like the card, full-resolution px, in the order of `_rectangle`.

    Segments lie on each of their sides for the share `covered` of its length.
    """
    none = np.empty((0, 4, 2))
    lines = _lines(small)
    if len(lines.a) < 4:
        return none
    crossing = _crossings(lines)
    four = _card_shaped(crossing, *_parallel_and_square(lines), photo.focal.px / factor, distances)
    q = np.stack([crossing[four[:, i], four[:, j]] for i, j in ((0, 2), (0, 3), (1, 3), (1, 2))], axis=1)
    margin = 0.02 * max(small.shape)  # the sharp corner may lie outside where the round one is inside
    limit = np.array([photo.width, photo.height]) / factor
    inside = np.all((q > -margin) & (q < limit + margin), axis=(1, 2))
    q, four = q[inside], four[inside]
    if not len(four):
        return none
    sides = ((0, 0, 1), (3, 1, 2), (1, 2, 3), (2, 3, 0))  # which line, from which corner to which
    cover = np.array([lines.share(four[:, k], q[:, i], q[:, j]) for k, i, j in sides])
    order = np.argsort(-cover.min(axis=0) - 0.25 * cover.mean(axis=0), kind="stable")
    order = order[cover.min(axis=0)[order] >= covered][:_TRIED]
    return (_from_top_left(q[order]) + 0.5) * factor - 0.5


def _lines(small: NDArray[np.uint8]) -> _Lines:
    """The longest straight lines of the picture."""
    seg = _segments(small)
    reach = math.ceil(math.hypot(*small.shape[:2]))
    a_all = np.arctan2(seg[:, 2] - seg[:, 0], seg[:, 1] - seg[:, 3]) % math.pi  # of the normal
    free = np.ones(len(seg), bool)
    a: list[float] = []
    c: list[float] = []
    covered: list[NDArray[np.int32]] = []
    for k in range(len(seg)):
        if not free[k] or len(a) >= _LINES:
            continue
        n = np.array([math.cos(a_all[k]), math.sin(a_all[k])])
        dist = np.stack([seg[:, :2] @ n, seg[:, 2:] @ n]) - (seg[k, :2] + seg[k, 2:]) @ n / 2.0
        near = (np.abs(dist) < 2.5).all(axis=0)  # px: the lens bends a card's edge by less than one
        free &= ~near
        mask = np.zeros(2 * reach + 1, np.int32)
        for s in seg[near]:
            t = sorted((float(s[:2] @ [-n[1], n[0]]), float(s[2:] @ [-n[1], n[0]])))
            mask[round(t[0]) + reach : round(t[1]) + reach] = 1
        a.append(a_all[k])
        c.append(float((seg[k, :2] + seg[k, 2:]) @ n / 2.0))
        covered.append(np.cumsum(mask, dtype=np.int32))
    return _Lines(np.array(a), np.array(c), np.array(covered, np.int32).reshape(len(a), 2 * reach + 1))


def _segments(small: NDArray[np.uint8]) -> Vector:
    """Straight segments (N, 4), longest first; channels of CIE Lab: brightness, green to red, blue to yellow."""
    lab = cv2.cvtColor(small, cv2.COLOR_BGR2LAB)
    detector = cv2.createLineSegmentDetector()
    out = []
    for k in range(3):
        plane = np.ascontiguousarray(lab[..., k])
        found = detector.detect(plane)[0] if float(plane.std()) > 1.0 else None  # a grey photo has no colour to search
        if found is not None:
            out.append(np.reshape(found, (-1, 4)).astype(float))
    seg = np.concatenate(out) if out else np.empty((0, 4))
    length = np.hypot(seg[:, 2] - seg[:, 0], seg[:, 3] - seg[:, 1])
    long = length > _SHORTEST * max(small.shape)
    return np.asarray(seg[long][np.argsort(-length[long], kind="stable")][:_SEGMENTS])


def _crossings(lines: _Lines) -> Vector:
    """Where each line crosses each other one, shape (N, N, 2); far away where they are parallel."""
    c, s = np.cos(lines.a), np.sin(lines.a)
    det = np.outer(c, s) - np.outer(s, c)
    det = np.where(np.abs(det) < 1e-6, 1e-6, det)
    x = np.outer(lines.c, s) - np.outer(s, lines.c)
    y = np.outer(c, lines.c) - np.outer(lines.c, c)
    return np.stack([x, y], axis=-1) / det[..., None]


def _parallel_and_square(lines: _Lines) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of parallel lines, nearly, (P, 2), and which two pairs (M,) and (M,) are square to each other, nearly."""
    normal = np.column_stack([np.cos(lines.a), np.sin(lines.a)])
    pair = np.argwhere(np.triu(np.abs(normal @ normal.T) > math.cos(_PARALLEL), 1))
    first = normal[pair[:, 0]]
    one, two = np.nonzero(np.triu(np.abs(first @ first.T) < math.sin(_PARALLEL), 1))
    return pair, one, two


def _card_shaped(
    crossing: Vector,
    pair: NDArray[np.intp],
    one: NDArray[np.intp],
    two: NDArray[np.intp],
    focal_px: float,
    distances: tuple[float, float],
) -> NDArray[np.intp]:
    """Lines (K, 4) of two pairs that bound the card's shape, of a size that puts the camera at one of the distances."""
    size = card()
    between = np.linalg.norm(crossing[:, pair[:, 0]] - crossing[:, pair[:, 1]], axis=2)  # from one to the other on each
    along_one = (between[pair[one, 0], two] + between[pair[one, 1], two]) / 2.0
    along_two = (between[pair[two, 0], one] + between[pair[two, 1], one]) / 2.0
    long, short = np.maximum(along_one, along_two), np.minimum(along_one, along_two)
    shape = np.abs(long / np.maximum(short, 1e-9) * size.height / size.length - 1.0) < _SHAPE
    away = focal_px * size.length / np.maximum(long, 1e-9)
    ok = shape & (away > distances[0]) & (away < distances[1])
    return np.column_stack([pair[one[ok]], pair[two[ok]]])


def _from_top_left(q: Vector) -> Vector:
    """Corners (K, 4, 2) reordered: clockwise on the picture, the first side a long one going right."""
    x, y = q[..., 0], q[..., 1]
    area = np.sum(x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y, axis=1)
    q = np.where((area > 0)[:, None, None], q, q[:, ::-1])  # y grows downwards: positive is clockwise
    side = np.linalg.norm(np.roll(q, -1, axis=1) - q, axis=2)
    k = np.where(side[:, 0] + side[:, 2] > side[:, 1] + side[:, 3], 0, 1)
    one = np.arange(len(q))
    k += np.where(q[one, (k + 1) % 4, 0] >= q[one, k, 0], 0, 2)
    return np.asarray(q[one[:, None], (k[:, None] + np.arange(4)) % 4])


# --- is it a card? -------------------------------------------------------------------------------------------------


def _cards(photo: Photo, quads: Vector, size: Card) -> Iterator[Vector]:
    """Quadrilaterals (K, 4, 2) with round corners whose outline is stepped, largest first, in classes of a tenth of
    the area.

    Largest, because what is printed on a card can have a card's shape; in a class, the one best seen. A class is looked
    at once none of the larger ones held.
    """
    x, y = quads[..., 0], quads[..., 1]
    area = np.abs(np.sum(x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y, axis=1)) / 2.0
    size_class = np.rint(np.log(area) / 0.1)
    for one in np.unique(size_class)[::-1]:
        alike = quads[size_class == one]
        h = [_homography(q, size) for q in alike]
        passed = []
        for k in np.flatnonzero(_has_round_corners(photo, h, size)):
            step, seen = _steps(photo, h[k], *_edges(size))
            beyond, _ = _steps(photo, h[k], *_continued(size))
            sharp = float(np.mean(beyond > 0.5 * np.median(step)))
            if seen.mean() >= _OUTLINE_SEEN and sharp <= _BEYOND:
                passed.append((sharp - float(seen.mean()), k))
        yield from (alike[k] for _, k in sorted(passed))


def _has_round_corners(photo: Photo, h: list[Vector], size: Card) -> NDArray[np.bool_]:
    """Which quadrilaterals (K,) have three corners at least that step where a round one does, and no sharp one.

    Looked at along the diagonals out of the middle of the round: there a sharp corner lies 1.3 mm farther out.
    """
    arcs, normals = _corner_arcs(size)
    middle = arcs - size.corner_radius * normals
    r = np.arange(0.2, 1.9, 0.05) * size.corner_radius
    along = (middle[:, None] + r[None, :, None] * normals[:, None]).reshape(-1, 2)
    px = np.concatenate([cv2.perspectiveTransform(along[None], k)[0] for k in h])
    light = _colours(photo, px).reshape(len(h), 4, -1, len(r), 3)
    mean = light.mean(axis=2)  # over the diagonals of one corner: prints and texture average out
    wide = 4  # samples: 0.6 mm to either side
    step = np.lib.stride_tricks.sliding_window_view(mean, wide, axis=2).mean(axis=-1)
    rise = np.linalg.norm(step[:, :, wide:] - step[:, :, :-wide], axis=3)
    at = r[wide:][: rise.shape[2]][np.argmax(np.nan_to_num(rise), axis=2)] - 0.5 * (r[1] - r[0])
    clear = np.nan_to_num(rise.max(axis=2)) > 0.01
    round_one = clear & (np.abs(at - size.corner_radius) < 0.5)
    sharp_one = clear & (np.abs(at - math.sqrt(2.0) * size.corner_radius) < 0.5)
    return np.asarray((round_one.sum(axis=1) >= 3) & ~sharp_one.any(axis=1))  # one may be covered


def _colours(photo: Photo, px: Vector) -> Vector:
    """Linear light (N, 3) at pixels, nearest; nan outside the photo."""
    x, y = np.rint(px).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < photo.width) & (y < photo.height)
    out = np.full((len(px), 3), np.nan)
    out[inside] = linear_light(photo.bgr[y[inside], x[inside]])
    return out


def _steps(photo: Photo, h: Vector, at_mm: Vector, normal_mm: Vector) -> tuple[Vector, NDArray[np.bool_]]:
    """Step of colour across points (N, 2) of the card's plane, and whether it stands out from texture."""
    p = cv2.perspectiveTransform(at_mm[None], h)[0]
    q = cv2.perspectiveTransform((at_mm + _REACH_MM * normal_mm)[None], h)[0]
    rows = colour_rows(photo, p, (q - p) / 6.0, 6.0)
    a, b = rows[:, :5], rows[:, -5:]
    step = np.nan_to_num(np.linalg.norm(b.mean(axis=1) - a.mean(axis=1), axis=1))
    unrest = np.sqrt((a.var(axis=1) + b.var(axis=1)).sum(axis=1) / 2.0)
    return step, np.asarray(step > 2.0 * np.nan_to_num(unrest) + 0.01)  # 0.01 of white: noise


def _corner_arcs(size: Card) -> tuple[Vector, Vector]:
    """Points in the middle of each round corner, and outward normals: a sharp corner's edges are not within reach."""
    turn, r = np.radians(np.arange(25.0, 66.0, 5.0)), size.corner_radius
    parts = []
    for cx, cy in ((1, 1), (-1, 1), (-1, -1), (1, -1)):
        n = np.column_stack([cx * np.cos(turn), cy * np.sin(turn)])
        parts.append((np.array([cx * (size.length / 2.0 - r), cy * (size.height / 2.0 - r)]) + r * n, n))
    return np.concatenate([p for p, _ in parts]), np.concatenate([n for _, n in parts])


def _edges(size: Card) -> tuple[Vector, Vector]:
    """Points every 2 mm on the edges between the corners, and outward normals."""
    r, x, y = size.corner_radius, size.length / 2.0, size.height / 2.0
    sx, sy = np.arange(-x + r, x - r, 2.0), np.arange(-y + r, y - r, 2.0)
    parts = [(np.column_stack([sx, np.full_like(sx, s * y)]), np.tile([0.0, s], (len(sx), 1))) for s in (1.0, -1.0)]
    parts += [(np.column_stack([np.full_like(sy, s * x), sy]), np.tile([s, 0.0], (len(sy), 1))) for s in (1.0, -1.0)]
    return np.concatenate([p for p, _ in parts]), np.concatenate([n for _, n in parts])


def _continued(size: Card) -> tuple[Vector, Vector]:
    """Points on the continuations of the edges, 1 to 5 mm past the sharp corners, where a card has no edge any more."""
    x, y, t = size.length / 2.0, size.height / 2.0, np.arange(1.0, 5.5, 1.0)
    points, normals = [], []
    for sx in (1.0, -1.0):
        for sy in (1.0, -1.0):
            points += [np.column_stack([sx * (x + t), np.full_like(t, sy * y)])]
            points += [np.column_stack([np.full_like(t, sx * x), sy * (y + t)])]
            normals += [np.tile([0.0, sy], (len(t), 1)), np.tile([sx, 0.0], (len(t), 1))]
    return np.concatenate(points), np.concatenate(normals)


# --- the edges on the full picture ---------------------------------------------------------------------------------


def _as_scale(photo: Photo, q: Vector, size: Card, factor: float) -> Scale:
    corners = _rectangle(size)
    image, plane, normal, u, outward = [], [], [], [], []
    for ways in ((steepest, outline_steps), (outline_steps,)):  # the first round brings the corners within a pixel
        sides = [_side(photo, q, k, size, ways) for k in range(4)]
        q = np.array([_meet(sides[k - 1], sides[k]) for k in range(4)])
        if not _has_round_corners(photo, [_homography(q, size)], size)[0]:
            raise ScaleError(
                "The card's edges do not meet in round corners.", "Lay a bank card flat, all of it in the picture."
            )
    for k, (points, n, u_k) in enumerate(sides):
        a, b = corners[k], corners[(k + 1) % 4]
        h = np.linalg.inv(_homography(q, size))
        along = (cv2.perspectiveTransform(points[None], h)[0] - a) @ (b - a) / float((b - a) @ (b - a))
        out = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, -1.0], [-1.0, 0.0]])[k]  # top, right, bottom, left
        image.append(points)
        plane.append(a + along[:, None] * (b - a))
        normal.append(n)
        u.append(np.hypot(u_k, U_OUTLINE_PX))
        outward.append(np.broadcast_to(out, (len(points), 2)))
    xy, across = np.concatenate(image), np.concatenate(normal)
    u_all = np.concatenate(u)
    return Scale(
        "id1",
        xy,
        np.concatenate(plane) * factor,
        np.column_stack([u_all, np.full(len(u_all), np.inf)]),
        size.u_length / size.length,
        _drawn(q, size),
        turn_rad=np.arctan2(across[:, 1], across[:, 0]),
        outward_mm=np.concatenate(outward),
        u_outward_mm=U_SHARPENING_PX * size.length / float(np.linalg.norm(q[1] - q[0])),
    )


def _side(photo: Photo, q: Vector, k: int, size: Card, ways: tuple[StepsOf, ...]) -> tuple[Vector, Vector, Vector]:
    """Points (N, 2) on one edge between its round corners, their outward normals, and u across it.

    By the first of the ways to place a step that shows an edge.
    """
    a, b = q[k], q[(k + 1) % 4]
    length = size.length if k % 2 == 0 else size.height
    skip = 1.4 * size.corner_radius / length
    t = np.linspace(skip, 1.0 - skip, _POINTS)[:, None]
    d = (b - a) / np.linalg.norm(b - a)
    n = np.broadcast_to([d[1], -d[0]], (_POINTS, 2))
    guess, half = a + t * (b - a), max(5.0, 0.5 * float(np.linalg.norm(b - a)) / length)
    rows = colour_rows(photo, guess, n, half)
    third = rows.shape[1] // 3
    colour = fisher_direction(rows[:, :third], rows[:, -third:])
    for steps_of in ways:
        steps = steps_of(rows, half, 1.0, colour)
        ok = _on_a_bow(t.ravel(), steps.at)
        if ok.sum() >= _POINTS // 2:
            return (guess + n * steps.at[:, None])[ok], n[ok], steps.u[ok]
    raise ScaleError(
        "An edge of the card is not clear enough.", "Lay the card flat on cloth of another colour, nothing over it."
    )


def _on_a_bow(t: Vector, at: Vector) -> NDArray[np.bool_]:
    """Which of an edge's points lie on one flat bow (a straight edge bent by the lens), from a robust quadratic."""
    ok = np.isfinite(at)
    x = 2.0 * t - 1.0
    bow = np.column_stack([np.ones_like(x), x, x**2])
    for _ in range(8):
        if ok.sum() < _POINTS // 2:
            return ok
        off = np.abs(at - bow @ np.linalg.solve(bow[ok].T @ bow[ok], bow[ok].T @ at[ok]))
        before, ok = ok, off <= min(_TIGHT_PX, max(0.3, 3.0 * 1.4826 * float(np.median(off[ok]))))
        if np.array_equal(ok, before):
            break
    return ok


def _meet(one: tuple[Vector, Vector, Vector], two: tuple[Vector, Vector, Vector]) -> Vector:
    """Where the straight lines through two edges' points cross: near the sharp corner, good enough to start from."""
    normal, at = np.empty((2, 2)), np.empty(2)
    for k, (p, _, _) in enumerate((one, two)):
        c = p.mean(axis=0)
        (xx, xy), (_, yy) = (p - c).T @ (p - c)
        turn = math.atan2(2.0 * xy, xx - yy) / 2.0  # of the points' main axis
        normal[k] = -math.sin(turn), math.cos(turn)
        at[k] = normal[k] @ c
    return np.asarray(np.linalg.solve(normal, at))


def _drawn(q: Vector, size: Card) -> Vector:
    """The rounded outline on the photo."""
    h = _homography(q, size)
    r, x, y = size.corner_radius, size.length / 2.0, size.height / 2.0
    turn = np.radians(np.arange(0.0, 91.0, 15.0))
    parts = []
    for cx, cy, start in ((1, 1, 0.0), (-1, 1, 90.0), (-1, -1, 180.0), (1, -1, 270.0)):
        a = turn + math.radians(start)
        parts.append(np.array([cx * (x - r), cy * (y - r)]) + r * np.column_stack([np.cos(a), np.sin(a)]))
    return np.asarray(cv2.perspectiveTransform(np.concatenate(parts)[None], h)[0])
