"""Quadrilaterals of a bank card's shape, from the straight lines of a reduced picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.scales.id1_card import card

__all__ = ["quadrilaterals"]

Vector = NDArray[np.float64]

_SHORTEST = 0.02  # of the picture's longer side: half the short edge of the smallest card
_SEGMENTS = 140  # longest ones looked at: a card's edges are among the longest straight lines beside board and frets
_LINES = 50  # of the lines they lie on
_PARALLEL = math.radians(9.0)  # opposite edges converge, corners leave the right angle: by tilts up to 25 degrees
_SHAPE = 0.09  # relative: long over short side on the picture at tilts up to 25 degrees
_TRIED = 120  # quadrilaterals looked at closely, best covered first


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


def quadrilaterals(
    small: NDArray[np.uint8], photo: Photo, factor: float, distances: tuple[float, float], covered: float
) -> Vector:
    """Corners (K, 4, 2) of quadrilaterals shaped like the card, full-resolution px, in the order of `rectangle`.

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
