"""Blur and sharpening told from whatever sharp edges a photo holds: those that stand alone between two even areas.

A coin, a rule or a card has no black print on white. But a card's border, a rule's side, the board's edge and inlays
are steps too, and sharpening lays the same halo beside all of them. What the things themselves show beside their edges
differs from one to the next, and a row that is not even there is left out.

Where the whole photo is soft, no edge on it is steep with quiet beside it, or only those are that a shake ran along:
at half its size it is as sharp as others are, and tells its blur there.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edge_response import LEAST_CONTRAST, LONGEST_PX, EdgeResponse, response_across
from calib.photo import Photo

__all__ = ["SOFT_PX", "lone_edge_response"]

Vector = NDArray[np.float64]

MOST_ROWS = 3000
"""Rows enough: with them the median of a bin is good to a thousandth of the step."""
MOST_UNEVEN = 0.06
"""Scatter on either side, as a share of the step, with which it is even: three times the noise of a good photo, 0.006
of full code on a step of a third (common practice, no source)."""
ROOM = 0.025
"""Codes over 255 between a level and black or white: six steps, a sixth of the least contrast, as high as the halo of
much sharpening is there."""
_SMOOTH_PX = 1.0
"""Blur with which slopes are taken: that of a sharp photo's own edges (common practice, no source)."""
_SOFTEST_PX = 2.0
"""Blur, with the above, of the softest edge that is looked at: twice a sharp one's."""
_QUIET = 0.12
"""Slope beside an edge, as a share of its own, that is no other edge: twice `MOST_UNEVEN`."""
_BESIDE_PX = (4.0, 5.0, 6.0, 7.0, 8.0)
"""Where beside an edge there is no other: from where its own blur ends, to the end of the row."""
SOFT_PX = math.sqrt(_BESIDE_PX[0] ** 2 / (2.0 * math.log(1.0 / _QUIET)) - _SMOOTH_PX**2)
"""Blur from which on no straight edge is quiet beside: a normal distribution's slope has fallen to `_QUIET` there."""
_AVERAGED_PX2 = 0.25
"""Variance that the mean of two by two pixels adds, px^2 of the whole picture: of two places half a pixel aside."""
_CHECKS = (
    (1.0, 1.0, np.less_equal),
    (-1.0, 1.0, np.less),
    *((side * d, _QUIET, np.less) for d in _BESIDE_PX for side in (1.0, -1.0)),
)
"""Where beside an edge the slope is looked at, against what share of its own, and how it compares: the steepest place,
and a quiet neighbourhood."""
_RIM = int(LONGEST_PX) + 2  # pixels at the picture's border: a row, and what its ends are rounded by
_FILTERS_PX = 5  # how far blur and slope reach
_BAND_ROWS = 256  # worked out at a time: what they need stays in the processor's cache


def lone_edge_response(photo: Photo) -> EdgeResponse | None:
    """The response told from the picture's lone edges; None where too few are found.

    Of a soft photo only the blur is told where no edge of the whole picture shows: its `overshoot` is then 0.
    """
    sharp, soft = _told_by_edges(photo), _told_at_half_size(photo)
    if soft is None or soft.spread_px <= SOFT_PX:
        return sharp
    return replace(sharp, spread_px=soft.spread_px, u_spread_px=soft.u_spread_px) if sharp else soft


def _told_by_edges(photo: Photo) -> EdgeResponse | None:
    points, normals = _lone_edges(photo)
    if not len(points):
        return None
    return response_across(photo, points, normals, LONGEST_PX, MOST_UNEVEN, ROOM)


def _told_at_half_size(photo: Photo) -> EdgeResponse | None:
    """The blur, pixels of the whole photo; sharpening, half as wide there, is not told."""
    rows, columns = photo.height // 2, photo.width // 2
    if min(rows, columns) <= 2 * _RIM:
        return None
    even = photo.bgr[: 2 * rows, : 2 * columns]
    small = np.asarray(cv2.resize(even, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    told = _told_by_edges(replace(photo, bgr=small))
    if told is None:
        return None
    spread = math.sqrt(max(4.0 * told.spread_px**2 - _AVERAGED_PX2, 0.0))
    return replace(told, spread_px=spread, u_spread_px=2.0 * told.u_spread_px, overshoot=0.0, amount=0.0)


def _lone_edges(photo: Photo) -> tuple[Vector, Vector]:
    """Points on edges with nothing else near, and unit normals from dark to bright, both (N, 2)."""
    found = [_in_band(photo.gray, y) for y in range(_RIM, photo.height - _RIM, _BAND_ROWS)]
    points, normals = (np.concatenate([np.empty((0, 2)), *band]) for band in zip(*found, strict=True))
    some = np.linspace(0, len(points) - 1, min(len(points), MOST_ROWS)).astype(np.intp)
    return points[some], normals[some]


def _in_band(gray: NDArray[np.uint8], first: int) -> tuple[Vector, Vector]:
    """Those in some rows of the picture from `first` on, none of them within `_RIM` of its border."""
    top = max(first - _RIM - _FILTERS_PX, 0)
    smooth = cv2.GaussianBlur(gray[top : first + _BAND_ROWS + _RIM + _FILTERS_PX], (0, 0), _SMOOTH_PX)
    dx, dy = (cv2.Sobel(smooth, cv2.CV_32F, *d, scale=1.0 / 8.0) for d in ((1, 0), (0, 1)))  # codes a pixel
    slope = np.asarray(cv2.magnitude(dx, dy), dtype=np.float32)
    softest = np.hypot(_SOFTEST_PX, _SMOOTH_PX)
    rows = slice(first - top, min(first + _BAND_ROWS, len(gray) - _RIM) - top)
    steep = slope[rows] > 255.0 * LEAST_CONTRAST / (np.sqrt(2.0 * np.pi) * softest)
    steep[:, :_RIM] = steep[:, -_RIM:] = False
    y, x = np.divmod(np.flatnonzero(steep), steep.shape[1])  # ten times as fast as np.nonzero of the rows
    y += rows.start
    own = slope[y, x]
    u, v = dx[y, x] / own, dy[y, x] / own
    for d, of_own, under in _CHECKS:  # each with what is left by those before
        beside = slope[np.rint(y + d * v).astype(np.intp), np.rint(x + d * u).astype(np.intp)]
        x, y, u, v, own = (q[under(beside, of_own * own)] for q in (x, y, u, v, own))
    return np.column_stack([x, y + top]).astype(float), np.column_stack([u, v]).astype(float)
