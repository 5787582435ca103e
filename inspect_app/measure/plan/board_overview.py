"""Where the board and its frets lie in a plan photo, to a fraction of a millimetre: enough to know where to measure.

Frets are what persists: along a fret the light steps the same way at every place across the board, while grain, bench
and inlays do not. The photo is laid out flat at a few pixels to the millimetre, cut into bands parallel to the neck,
and the steps of light along each band are added up in the direction in which they agree best.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.grids import coarse_places, filled
from calib.photo import Photo
from calib.plane import Plane
from calib.scales.reduced import halved, reduced
from inspect_app.measure.plan.robust_spread import SIGMA_PER_MEDIAN
from inspect_app.reading.ask import Ask

__all__ = ["Board", "find_board"]

OVERVIEW_PX_PER_MM = 5.0
"""A crown edge is then some 3 px from the next and a fret some 12 px wide: enough to see it, little to compute."""
_MAX_OVERVIEW_PX = 1_500_000
"""No more of them are laid out: 300 by 200 mm of bench at that resolution."""
BAND_MM = 2.0
"""Bands this high: some twenty across a board, each several px high."""
BOARD_BELOW_MM = 1.1
"""About a crown height, by which the board lies below a scale level with the crowns."""
MAX_TURN_DEG = 20.0
"""How far the neck may lie askew in the photo."""
_STEP_LIMIT = 8.0
"""A step counts up to this many times the band's own noise, so that no band outweighs the others."""
_PERSISTS = 6.0
"""Standard deviations of the sum over bands from which a step persists; a photo has some 1000 columns, so chance
reaches 4."""
_OF_STRONGEST = 0.2
"""Of the steps of one cluster, those count to its width that are at least this share of its strongest: the shadow that
fades away from a fret persists too, but is no part of it."""
_AGREE = 0.75
"""Share of the bands in which a persistent step has the same sign; chance gives a half."""
_FEW_STEPS = 4
"""A band in which fewer persistent steps are in view tells as much less; a fret has at least so many."""
_JOIN_MM = 2.6
"""A crown's two edges are joined across its even top when no farther apart than this (wide wire is 3 mm with its
edges' own width, common practice, no source)."""
FRET_WIDTH_MM = (1.2, 7.0)
"""Widths of a cluster of persistent steps that can be a fret with the shadow beside it: the widest wire, 3.2 mm, and on
either side a soft shadow half as far again as a crown is high (1.3 mm)."""
_COVER_MARGIN_MM = 2.0
"""The scale's own edge and its shadow reach about this far beyond its outline."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Board:
    """The board as laid out on the scale's plane.

    Attributes
    ----------
    along_neck, across_neck : ndarray of float, shape (2,)
        Unit vectors on the plane: from the nut to the body, and from treble to bass.
    fret_mm : ndarray of float, shape (N,)
        Places of the frets along the neck, increasing towards the body, to about 0.2 mm.
    width_mm : ndarray of float, shape (N,)
        How wide each fret with its edges and shadow looked.
    span_mm : (float, float)
        Where the frets begin and end across the neck, to about 2 mm.
    """

    along_neck: Floats
    across_neck: Floats
    fret_mm: Floats
    width_mm: Floats
    span_mm: tuple[float, float]


def find_board(photo: Photo, plane: Plane, ask: Ask, covers_px: tuple[Floats, ...]) -> Board | None:
    """Find the frets of the board; ``None`` where nothing in the photo looks like frets.

    Parameters
    ----------
    covers_px : tuple of ndarray, shape (M, 2) each
        Closed outlines of what lies in front of the board.
    """
    u, v = _photo_axes(photo, plane, ask)
    reduced = _Reduced.of(photo, plane, covers_px)
    height = _height(ask)
    turn = _best_turn(_bands(reduced.halved(), plane, (u, v), height))  # half of it shows the turn as well
    u, v = u - turn * v, v + turn * u
    u, v = u / np.linalg.norm(u), v / np.linalg.norm(v)
    bands = _bands(reduced, plane, (u, v), height)
    rows = _board_rows(bands.steps, bands.visible)
    if rows is None:
        return None
    at, width = _clusters(bands, slice(*rows))
    if len(at) == 0:
        return None
    v0, v1 = bands.v_mm[rows[0]] - BAND_MM / 2.0, bands.v_mm[rows[1] - 1] + BAND_MM / 2.0
    return Board(u, v, bands.u0_mm + at / bands.px_per_mm, width, (float(v0), float(v1)))


def _height(ask: Ask) -> float:
    """About how high the board lies above the scale's plane, mm; a millimetre hardly matters here."""
    below = ask.scale_plane.below_mm if ask.scale_plane.where == "below" else 0.0
    return below - (0.0 if ask.scale_plane.where == "board" else BOARD_BELOW_MM)


def _photo_axes(photo: Photo, plane: Plane, ask: Ask) -> tuple[Floats, Floats]:
    """Unit vectors on the plane nearest to the photo's horizontal and vertical, turned as the neck lies in it."""
    c = np.array([photo.width / 2.0, photo.height / 2.0])
    p = plane.to_mm(c + np.array([[0.0, 0.0], [50.0, 0.0], [0.0, -50.0]]))
    right, up = p[1] - p[0], p[2] - p[0]
    u = right if ask.nut == "left" else -right
    u = u / np.linalg.norm(u)
    v = up if ask.treble == "bottom" else -up
    v = v - (v @ u) * u
    return u, v / np.linalg.norm(v)


@dataclass(frozen=True)
class _Reduced:
    """The photo reduced to the overview's resolution, and what of it shows the board."""

    gray: NDArray[np.uint8]
    open: NDArray[np.uint8]
    factor: float
    corners_px: Floats
    px_per_mm: float

    @classmethod
    def of(cls, photo: Photo, plane: Plane, covers_px: tuple[Floats, ...]) -> _Reduced:
        h, w = photo.height, photo.width
        scale = plane.px_per_mm(plane.to_mm([[w / 2.0, h / 2.0]])[0])
        wanted = min(OVERVIEW_PX_PER_MM, scale * math.sqrt(_MAX_OVERVIEW_PX / (h * w)))
        gray, factor = reduced(photo.gray, max(h, w) * wanted / scale)
        size = gray.shape[1], gray.shape[0]
        visible = np.full((size[1], size[0]), 255, np.uint8)
        for outline in covers_px:
            cv2.fillPoly(visible, [np.round(outline / factor).astype(np.int32)], 0)
        reach = round(_COVER_MARGIN_MM * scale / factor)
        eroded = cv2.erode(visible, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
        corners = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], dtype=float)
        return cls(gray, np.asarray(eroded, dtype=np.uint8), factor, corners, scale / factor)

    def halved(self) -> _Reduced:
        """The same at half the resolution."""
        gray, factor = halved(self.gray, max(self.gray.shape) / 2.0)
        shown, _ = halved(self.open, max(self.gray.shape) / 2.0)
        visible = np.where(shown == 255, np.uint8(255), np.uint8(0))
        return replace(self, gray=gray, open=visible, factor=self.factor * factor, px_per_mm=self.px_per_mm / factor)


@dataclass(frozen=True)
class _Bands:
    """Steps of light along the neck by band: `raw` in 8-bit codes, `steps` in units of the band's noise, bounded.

    `steps`, `raw` and `visible` have shape (bands, columns); `v_mm` are the bands' middles.
    """

    steps: Floats
    raw: Floats
    visible: NDArray[np.bool_]
    u0_mm: float
    v_mm: Floats
    px_per_mm: float


def _bands(reduced: _Reduced, plane: Plane, axes: tuple[Floats, Floats], height: float) -> _Bands:
    corners = plane.to_mm(reduced.corners_px, height) @ np.column_stack(axes)
    (u0, v0), (u1, v1) = corners.min(axis=0), corners.max(axis=0)
    scale = reduced.px_per_mm
    per_band = max(2, round(BAND_MM * scale))
    n_u, n_v = int((u1 - u0) * scale), int((v1 - v0) * scale / per_band)
    light, visible = _lay_out(reduced, plane, (u0, v0, height), axes, (n_u, n_v * per_band))
    light = light.reshape(n_v, per_band, n_u)
    whole = np.asarray(visible.reshape(n_v, per_band, n_u).all(axis=1), dtype=bool)
    mean = light.mean(axis=1)
    step = np.zeros((n_v, n_u))
    step[:, 1:-1] = mean[:, 2:] - mean[:, :-2]
    ok = whole.copy()
    ok[:, 1:-1] &= whole[:, 2:] & whole[:, :-2]
    step[~ok] = 0.0
    in_noise = step / _noise(step, ok)[:, None]
    v_mm = v0 + (np.arange(n_v) + 0.5) * per_band / scale
    return _Bands(np.clip(in_noise, -_STEP_LIMIT, _STEP_LIMIT), step, ok, float(u0), v_mm, scale)


def _noise(step: Floats, ok: NDArray[np.bool_]) -> Floats:
    """Median size of each band's steps, as a standard deviation of normal noise, at least a quarter of a code."""
    ordered = np.sort(np.where(ok, np.abs(step), np.inf), axis=1)
    many, band = ok.sum(axis=1), np.arange(len(ok))
    median = (ordered[band, np.maximum(many - 1, 0) // 2] + ordered[band, many // 2 % ok.shape[1]]) / 2.0
    return np.asarray(np.maximum(SIGMA_PER_MEDIAN * np.where(many > 0, median, 1.0), 0.25))


def _lay_out(
    reduced: _Reduced,
    plane: Plane,
    origin: tuple[float, float, float],
    axes: tuple[Floats, Floats],
    size: tuple[int, int],
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """The reduced photo laid out along (u, v); the map is worked out on a coarse grid, for it bends by little."""
    coarse = 24
    gu = coarse_places(size[0], coarse) / reduced.px_per_mm + origin[0]
    gv = coarse_places(size[1], coarse) / reduced.px_per_mm + origin[1]
    xy = gu[None, :, None] * axes[0] + gv[:, None, None] * axes[1]
    at = np.concatenate([xy, np.full((*xy.shape[:2], 1), origin[2])], axis=2).reshape(-1, 3)
    px = ((plane.to_px(at) + 0.5) / reduced.factor - 0.5).reshape(len(gv), len(gu), 2).astype(np.float32)
    full = filled(px, coarse, size[::-1])
    x, y = full[..., 0], full[..., 1]
    light = cv2.remap(reduced.gray, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    visible = cv2.remap(reduced.open, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return light.astype(np.float32), np.asarray(visible > 0)


def _best_turn(bands: _Bands) -> float:
    """Slope du/dv along which the steps of the bands agree best."""
    rows = bands.steps.astype(np.float32)
    v = (bands.v_mm - bands.v_mm.mean()) * bands.px_per_mm
    limit = math.tan(math.radians(MAX_TURN_DEG))
    slope, step = 0.0, 2.0 * limit
    for tried, every in ((49, 2), (13, 1), (13, 1)):
        slopes = slope + np.linspace(-0.5, 0.5, tried) * step
        slope = float(slopes[int(np.argmax([_agreement(rows[::every], v[::every], m) for m in slopes]))])
        step = 3.0 * (slopes[1] - slopes[0])
    return slope


def _agreement(rows: NDArray[np.float32], v: Floats, slope: float) -> float:
    """Sum of the fourth powers of the columns' sums: large when few columns hold most of the steps."""
    per_row = slope * (v[1] - v[0]) if len(v) > 1 else 0.0
    sheared = np.array([[1.0, per_row, slope * v[0]], [0.0, 1.0, 0.0]])
    straight = cv2.warpAffine(rows, sheared, rows.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    total = straight.sum(axis=0, dtype=np.float64)
    total *= total  # twice squared: a power of arrays takes longer than the shearing
    return float(total @ total)


def _board_rows(steps: Floats, visible: NDArray[np.bool_]) -> tuple[int, int] | None:
    """First and last band (exclusive) that take part in the steps which persist, as far as they are in view."""
    rows = np.ones(len(steps), dtype=bool)
    for _ in range(4):
        total = steps[rows].sum(axis=0) / math.sqrt(rows.sum())
        strong = np.abs(total) > _PERSISTS
        if not strong.any():
            return None
        in_view = visible[:, strong].sum(axis=1)
        share = (steps[:, strong] @ np.sign(total[strong])) / np.maximum(in_view, _FEW_STEPS)
        level = 0.4 * float(np.quantile(share, 0.9))
        rows = _longest_run(share > level)
        if rows.sum() < 4:
            return None
    where = np.flatnonzero(rows)
    return int(where[0]), int(where[-1]) + 1


def _longest_run(mask: NDArray[np.bool_], gap: int = 2) -> NDArray[np.bool_]:
    """The longest run of True, gaps of up to `gap` included."""
    where = np.flatnonzero(mask)
    out = np.zeros_like(mask)
    if len(where) == 0:
        return out
    parts = np.split(where, np.flatnonzero(np.diff(where) > gap + 1) + 1)
    longest = max(parts, key=len)
    out[longest[0] : longest[-1] + 1] = True
    return out


def _reach(columns: NDArray[np.intp]) -> int:
    return int(columns[-1] - columns[0] + 1)


def _clusters(bands: _Bands, rows: slice) -> tuple[Floats, Floats]:
    """Middles (columns) and widths (mm) of the clusters of persistent steps that can be frets."""
    steps, raw, px_per_mm = bands.steps[rows], bands.raw[rows], bands.px_per_mm
    n = np.maximum(bands.visible[rows].sum(axis=0), 1)
    total = steps.sum(axis=0)
    agree = (np.sign(steps) == np.sign(total)).sum(axis=0) / n
    size = np.abs(total) / np.sqrt(n)
    where = np.flatnonzero((size > _PERSISTS) & (agree >= _AGREE) & (n >= 4))
    if len(where) == 0:
        return np.empty(0), np.empty(0)
    parts = np.split(where, np.flatnonzero(np.diff(where) > _JOIN_MM * px_per_mm) + 1)
    mean = np.abs(raw.sum(axis=0)) / n
    strong = [p[mean[p] > _OF_STRONGEST * mean[p].max()] for p in parts]
    # one lamp's line far brighter than all else of a fret leaves only itself: then the whole cluster is taken
    parts = [s if _reach(s) / px_per_mm >= FRET_WIDTH_MM[0] else p for s, p in zip(strong, parts, strict=True)]
    width = np.array([_reach(p) / px_per_mm for p in parts])
    middle = np.array([(p[0] + p[-1]) / 2.0 for p in parts])
    fret = (width >= FRET_WIDTH_MM[0]) & (width <= FRET_WIDTH_MM[1])
    return middle[fret], width[fret]
