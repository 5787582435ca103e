"""How blurred a photo is, by the card's print, and how blurred an outline on it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.edges import locate_steps, row_offsets, sample_across
from calib.photo import Photo
from calib.scales.base import Scale
from inspect_app.measure.backdrop.crown_line import CrownLine
from inspect_app.measure.backdrop.outline import FINE_PX

__all__ = ["blur_towards_card", "lens_blur", "outline_blur"]

EDGE_MM, EDGE_PX = 0.25, (5.0, 12.0)
"""How far to both sides of an outline its blur is looked at, mm, and between which pixels: over the first 0.25 mm below
it a crown 1.3 mm in radius turns by 36 degrees, and its light changes with that; but for three standard deviations of
a sharp edge and the level beside them it takes five pixels."""
CARD_PX = 12.0
"""How far onto the card an outline's own blur is looked at: three standard deviations of one as soft as four pixels."""
FINE_STEP_PX = 0.25
"""Distance of the samples that tell where a slope has fallen to so much of its peak."""


def lens_blur(photo: Photo, scale: Scale) -> float:
    """Median blur of the card's printed edges, px; 0 where the scale's points are on none."""
    if scale.turn_rad is None:
        return 0.0
    some = np.linspace(0, len(scale.image_px) - 1, min(len(scale.image_px), 80)).astype(int)
    c, s = np.cos(scale.turn_rad[some]), np.sin(scale.turn_rad[some])
    # a point on an edge says where it is across the edge and nothing along it
    first = np.isfinite(scale.u_px[some, 0])
    normal = np.where(first[:, None], np.column_stack([c, s]), np.column_stack([-s, c]))
    steps = locate_steps(sample_across(photo, scale.image_px[some], normal, 8.0), row_offsets(8.0))
    found = steps.sigma[np.isfinite(steps.sigma)]
    return float(np.median(found)) if len(found) else 0.0


def outline_blur(photo: Photo, line: CrownLine, mm_per_px: float, where: NDArray[np.bool_] | None = None) -> float:
    """Median blur of the outline, px, over a hundred places of the unworn parts, or of the points (N,) `where`."""
    points = line.used if where is None else where
    half_px = float(np.clip(EDGE_MM / mm_per_px, *EDGE_PX))
    some = np.flatnonzero(points)[:: max(1, int(points.sum()) // 100)]
    along = np.gradient(gaussian_filter1d(line.edge.px, 5.0, axis=0), axis=0)[some]
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    normal = np.column_stack([along[:, 1], -along[:, 0]])
    steps = locate_steps(sample_across(photo, line.edge.px[some], normal, half_px), row_offsets(half_px))
    found = steps.sigma[np.isfinite(steps.sigma)]
    return float(np.median(found)) if len(found) else 1.0


def blur_towards_card(photo: Photo, line: CrownLine, up: NDArray[np.float64]) -> float:
    """Blur of the outline by its card's side alone, px: how far above it the light's slope fades.

    Metal's light goes on changing below its outline, and an edge fitted to both sides is as soft as that. Towards the
    card there is the outline alone: a normal distribution's slope is down to exp(-1/2) a standard deviation away. Over
    a hundred places of the unworn parts, pooled by their median.

    Parameters
    ----------
    up : ndarray, shape (N, 2)
        Photo pixels that lead up from each place of the line.
    """
    some = np.flatnonzero(line.used)[:: max(1, int(line.used.sum()) // 100)]
    normal = up[some] / np.linalg.norm(up[some], axis=1, keepdims=True)
    rows = sample_across(photo, line.edge.px[some], normal, CARD_PX, FINE_STEP_PX)
    offsets = row_offsets(CARD_PX, FINE_STEP_PX)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) == 0:
        return 1.0
    slope = gaussian_filter1d(rows, FINE_PX / FINE_STEP_PX, axis=1, order=1)
    on = np.abs(offsets) <= FINE_PX
    turn = np.sign(np.take_along_axis(slope, np.abs(slope * on).argmax(axis=1)[:, None], axis=1))
    usual = np.median(slope * turn, axis=0)
    peak = int(np.argmax(usual * on))
    beyond = usual[peak:] / usual[peak] - math.exp(-0.5)
    faded = int(np.argmax(beyond < 0.0))
    if faded == 0:
        return CARD_PX
    reached = FINE_STEP_PX * (faded - beyond[faded] / (beyond[faded] - beyond[faded - 1]))
    return math.sqrt(max(reached**2 - FINE_PX**2, 0.0))
