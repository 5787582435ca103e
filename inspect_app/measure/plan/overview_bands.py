"""A plan photo laid out flat at a few pixels to the millimetre, and the steps of light along the neck in it.

Bands parallel to the neck are summed up across their height; what changes from place to place along them is a fret's
edge, or grain, or bench.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.coarse_grid import coarse_places, filled
from calib.lines import MAD_TO_SD
from calib.photo import Photo
from calib.plane import Plane
from calib.scales.reduced import halved, reduced

__all__ = ["BAND_MM", "Axes", "Bands", "ReducedPhoto", "laid_out"]

OVERVIEW_PX_PER_MM = 5.0
"""A crown edge is then some 3 px from the next and a fret some 12 px wide: enough to see it, little to compute."""
_MAX_OVERVIEW_PX = 1_500_000
"""No more of them are laid out: 300 by 200 mm of bench at that resolution."""
BAND_MM = 2.0
"""Bands this high: some twenty across a board, each several px high."""
_STEP_LIMIT = 8.0
"""A step counts up to this many times the band's own noise, so that no band outweighs the others."""
_COVER_MARGIN_MM = 2.0
"""The scale's own edge and its shadow reach about this far beyond its outline."""
_FARTHEST = 1.5
"""No more is laid out than so many of the photo's diagonals about its middle: a horizon has no end."""

Floats = NDArray[np.float64]
Axes = tuple[Floats, Floats]
"""Unit vectors on the plane: along the neck towards the body, and across it from treble to bass."""


@dataclass(frozen=True)
class ReducedPhoto:
    """The photo reduced to the overview's resolution, and what of it shows the board."""

    gray: NDArray[np.uint8]
    open: NDArray[np.uint8]
    factor: float
    corners_px: Floats
    px_per_mm: float

    @classmethod
    def of(cls, photo: Photo, plane: Plane, covers_px: tuple[Floats, ...]) -> ReducedPhoto:
        """The photo as small as the overview needs it, what covers the board marked as hidden."""
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

    def halved(self) -> ReducedPhoto:
        """The same at half the resolution."""
        gray, factor = halved(self.gray, max(self.gray.shape) / 2.0)
        shown, _ = halved(self.open, max(self.gray.shape) / 2.0)
        visible = np.where(shown == 255, np.uint8(255), np.uint8(0))
        return replace(self, gray=gray, open=visible, factor=self.factor * factor, px_per_mm=self.px_per_mm / factor)


@dataclass(frozen=True)
class Bands:
    """Steps of light along the neck by band: `raw` in 8-bit codes, `steps` in units of the band's noise, bounded.

    `steps`, `raw` and `visible` have shape (bands, columns); `v_mm` are the bands' middles.
    """

    steps: Floats
    raw: Floats
    visible: NDArray[np.bool_]
    u0_mm: float
    v_mm: Floats
    px_per_mm: float

    def u_mm(self, column: ArrayLike) -> Floats:
        """Places along the neck of columns."""
        return np.asarray(self.u0_mm + np.asarray(column, dtype=float) / self.px_per_mm)


def laid_out(
    reduced: ReducedPhoto,
    plane: Plane,
    axes: Axes,
    height: float,
    rows_mm: tuple[float, float] | None = None,
) -> Bands:
    """The photo laid out along the neck and cut into bands.

    Parameters
    ----------
    height : float
        Of the board above the scale's plane, mm.
    rows_mm : (float, float), optional
        Only so much of it across the neck.
    """
    corners = plane.to_mm(reduced.corners_px, height) @ np.column_stack(axes)
    middle = plane.to_mm(reduced.corners_px.mean(axis=0), height)[0] @ np.column_stack(axes)
    reach = _FARTHEST * float(np.linalg.norm(reduced.gray.shape)) / reduced.px_per_mm
    corners = np.clip(np.nan_to_num(corners), middle - reach, middle + reach)
    (u0, v0), (u1, v1) = corners.min(axis=0), corners.max(axis=0)
    if rows_mm is not None:
        v0, v1 = max(v0, rows_mm[0]), min(v1, rows_mm[1])
    scale = reduced.px_per_mm
    per_band = max(2, round(BAND_MM * scale))
    n_u, n_v = max(3, int((u1 - u0) * scale)), max(1, int((v1 - v0) * scale / per_band))
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
    return Bands(np.clip(in_noise, -_STEP_LIMIT, _STEP_LIMIT), step, ok, float(u0), v_mm, scale)


def _noise(step: Floats, ok: NDArray[np.bool_]) -> Floats:
    """Median size of each band's steps, as a standard deviation of normal noise, at least a quarter of a code."""
    ordered = np.sort(np.where(ok, np.abs(step), np.inf), axis=1)
    many, band = ok.sum(axis=1), np.arange(len(ok))
    median = (ordered[band, np.maximum(many - 1, 0) // 2] + ordered[band, many // 2 % ok.shape[1]]) / 2.0
    return np.asarray(np.maximum(MAD_TO_SD * np.where(many > 0, median, 1.0), 0.25))


def _lay_out(
    reduced: ReducedPhoto,
    plane: Plane,
    origin: tuple[float, float, float],
    axes: Axes,
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
