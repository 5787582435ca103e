"""A coin's rim on the full picture: the outermost of its rings, and the points on it.

A coin shows many rings: rim, raised border, a core of another metal, inscription. All of them are concentric, so they
are looked at together, on the picture unrolled about their common middle: at each azimuth, where the colour steps. A
ring is a radius at which most azimuths step; the rim is the outermost. Where something farther out steps for nearly as
much of the way round, the rim is not clear, and no smaller ring is taken for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import Steps, locate_steps, row_offsets
from calib.photo import Photo
from calib.robust_spread import spread_about_zero
from calib.scales.coin_rings import SHARE_SEEN, Harmonic, Ring, harmonics_at
from calib.scales.outline import colour_rows, fisher_direction

__all__ = [
    "RimPoints",
    "azimuths",
    "fitted_ring",
    "is_doubtful",
    "outermost_rim",
    "slopes_by_radius",
    "steps_by_radius",
    "support_by_radius",
]

Vector = NDArray[np.float64]

_POINTS = 180  # on the full picture: every second degree
_ROW_STEP_PX = 0.5  # the rim of a small coin is few pixels wide
_INWARDS, _OUTWARDS = 0.35, 0.45  # of the radius: the core of a coin of two metals is 0.70 to 0.73 of its diameter
_WEAK = 0.2  # of the strongest ring's usual step: a rim on cloth of nearly its own brightness; shadows are softer
_ABOVE_GROUND = 2.5  # times the usual step outside: texture reaches that at one radius in ten
_NEAR = 0.012  # of the radius: reeding, wear and the side wall, which a slanting view shows on one side
_DOUBTFUL = 0.5  # share of the way round; a ring with less is made by neighbours and shadows
_SECTORS = 12  # of 30 degrees: a lamp's reflection or a shadow takes two or three
_SETTLED_PX = 0.3  # points this near their ring are never left out: less is noise


@dataclass(frozen=True)
class RimPoints:
    """Rim points: azimuth about the ring's middle (N,), place (N, 2), outward normal (N, 2), u along it (N,)."""

    azimuth: Vector
    px: Vector
    normal: Vector
    u: Vector


def outermost_rim(photo: Photo, ring: Ring) -> tuple[Ring, RimPoints] | None:
    """The outermost ring concentric with this one that can be fitted, and its points; ``None`` where there is none."""
    offsets, support = support_by_radius(photo, ring)
    for k in _peaks(support)[::-1]:
        if support[k] >= SHARE_SEEN:
            grown = Ring(ring.x, ring.y, ring.harmonics * (1.0 + offsets[k] / ring.radius), ring.share)
            found = fitted_ring(photo, grown)
            if found is not None:
                return found
    return None


def is_doubtful(photo: Photo, rim: Ring) -> bool:
    """Whether outside the rim something concentric steps for so much of the way round that it may be the rim."""
    offsets, support = support_by_radius(photo, rim)
    return bool(np.any(support[offsets > 2.0 * _NEAR * rim.radius] > _DOUBTFUL))


def support_by_radius(photo: Photo, ring: Ring) -> tuple[Vector, Vector]:
    """Share of the way round at which the colour steps near each radius: offsets from the ring (M,) in px, shares (M,).

    A step counts where it is the steepest of its neighbourhood along the radius, and stands out from the ground.
    """
    at, step = steps_by_radius(photo, ring)
    kept = (at >= -_INWARDS * ring.radius) & (at <= _OUTWARDS * ring.radius)
    return at[kept], np.asarray(step[:, kept].mean(axis=0))


def steps_by_radius(photo: Photo, ring: Ring) -> tuple[Vector, NDArray[np.bool_]]:
    """Whether the colour steps near each radius: offsets from the ring (M,) in px, and (`azimuths`, M)."""
    at, slope = _slopes(photo, ring)
    steepest = np.equal(np.asarray(cv2.dilate(slope, np.ones((1, 3)))), slope)
    ground = float(np.median(slope[:, at > 0.5 * _OUTWARDS * ring.radius]))
    usual = float(np.median(slope, axis=0).max())
    step: NDArray[np.bool_] = np.asarray(steepest) & (slope > max(_ABOVE_GROUND * ground, _WEAK * usual))
    return at, _near(ring, step.astype(np.uint8)).astype(bool)


def slopes_by_radius(photo: Photo, ring: Ring) -> tuple[Vector, Vector]:
    """The steepest slope of colour near each radius: offsets from the ring (M,) in px, slopes (`azimuths`, M)."""
    at, slope = _slopes(photo, ring)
    return at, np.asarray(_near(ring, slope))


def azimuths() -> Vector:
    """Directions in which a rim is looked at on the full picture, radians."""
    return np.arange(_POINTS) * 2.0 * math.pi / _POINTS


def _slopes(photo: Photo, ring: Ring) -> tuple[Vector, Vector]:
    points, normal = ring.points(azimuths())
    half = math.ceil(max(_INWARDS, _OUTWARDS) * ring.radius)
    rows = colour_rows(photo, points, normal, half)
    soft = cv2.GaussianBlur(np.nan_to_num(np.sqrt(rows)), (0, 0), sigmaX=max(0.7, 0.004 * ring.radius), sigmaY=0.01)
    slope = np.linalg.norm(soft[:, 2:] - soft[:, :-2], axis=2)
    slope = np.pad(np.where(np.asarray(np.isfinite(rows).all(axis=(1, 2)))[:, None], slope, 0.0), ((0, 0), (1, 1)))
    return row_offsets(half), slope


def _near(ring: Ring, rows: NDArray[Any]) -> NDArray[Any]:
    """The largest value within `_NEAR` along each row."""
    return np.asarray(cv2.dilate(rows, np.ones((1, 2 * max(1, round(_NEAR * ring.radius)) + 1), np.uint8)))


def _peaks(support: Vector) -> NDArray[np.intp]:
    """Middles of the level tops of a curve, in order."""
    change = np.flatnonzero(np.diff(support) != 0)
    starts, ends = np.r_[0, change + 1], np.r_[change, len(support) - 1]
    level = np.r_[-1.0, support[starts], -1.0]
    top = (level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])
    return np.asarray((starts[top] + ends[top]) // 2)


def fitted_ring(photo: Photo, ring: Ring) -> tuple[Ring, RimPoints] | None:
    """The ring fitted to its steps, and those that lie on it; ``None`` if they do not lie on one ring.

    First by the colour that tells coin from ground all round; where the light or the ground differs too much from one
    side to another, by a colour for each sector, and at last by the steepest change of any colour.
    """
    ways = (lambda r, h: _steps(r, h, 1), lambda r, h: _steps(r, h, _SECTORS), _steepest_change)
    return next((found for way in ways if (found := _fitted_by(photo, ring, way)) is not None), None)


def _fitted_by(photo: Photo, ring: Ring, steps_of: Callable[[Vector, float], Steps]) -> tuple[Ring, RimPoints] | None:
    a = azimuths()
    for share in (0.05, 0.03, 0.02):  # half the row, of the radius: at last narrow enough to leave out the side wall
        half = max(3.0, share * ring.radius)
        points, normal = ring.points(a)
        rows = colour_rows(photo, points, normal, half, _ROW_STEP_PX)
        steps = steps_of(rows, half)
        at = points + normal * steps.at[:, None]
        arm = at - np.array([ring.x, ring.y])
        azimuth, radius = np.arctan2(arm[:, 1], arm[:, 0]), np.hypot(arm[:, 0], arm[:, 1])
        fit, ok = _on_a_ring(azimuth, radius)
        if ok.sum() < SHARE_SEEN * _POINTS:
            return None
        ring = Ring(ring.x, ring.y, fit, float(ok.mean()))
    return ring, RimPoints(azimuth[ok], at[ok], normal[ok], steps.u[ok])


def _steps(rows: Vector, half: float, sectors: int) -> Steps:
    """The step in each row (N, M, 3), in the colour that tells inside from outside best in its sector."""
    third = rows.shape[1] // 3
    light = [
        part @ fisher_direction(part[:, :third], part[:, -third:]) for part in np.array_split(rows, sectors, axis=0)
    ]
    return locate_steps(np.concatenate(light), row_offsets(half, _ROW_STEP_PX), polarity=-1)


def _steepest_change(rows: Vector, half: float) -> Steps:
    """Where the colour of each row (N, M, 3) changes most, whichever way; a pixel is as near as that tells it."""
    at, k = row_offsets(half, _ROW_STEP_PX), round(1.0 / _ROW_STEP_PX)
    slope = np.linalg.norm(np.sqrt(rows[:, 2 * k :]) - np.sqrt(rows[:, : -2 * k]), axis=2)
    seen = np.isfinite(slope).all(axis=1)
    where = at[k:-k][np.nan_to_num(slope).argmax(axis=1)]
    unknown = np.full(len(rows), np.nan)
    u = np.where(seen, 1.0 / math.sqrt(12.0), np.inf)
    return Steps(np.where(seen, where, np.nan), u, unknown, unknown, unknown, unknown)


def _on_a_ring(azimuth: Vector, radius: Vector) -> tuple[Vector, NDArray[np.bool_]]:
    """Harmonics of a robust ring through points (N,), and which lie on it, by their own scatter and `_NEAR` at most."""
    basis, known = harmonics_at(azimuth), np.isfinite(radius)
    fit, ok = np.array([float(np.median(radius[known])) if known.any() else 0.0, 0.0, 0.0, 0.0, 0.0]), known
    limit = max(0.6, _NEAR * fit[Harmonic.MEAN])
    for tolerance in (3.0 * limit, 2.0 * limit, limit, 0.0, 0.0, 0.0):
        off = np.abs(radius - basis @ fit)
        scatter = min(limit, max(_SETTLED_PX, 3.0 * float(spread_about_zero(off[ok]))))
        ok = known & (off <= (tolerance or scatter))
        if ok.sum() < 0.5 * SHARE_SEEN * _POINTS:
            return fit, ok
        fit = np.linalg.lstsq(basis[ok], radius[ok], rcond=None)[0]
    return np.asarray(fit), known & (np.abs(radius - basis @ fit) <= limit)
