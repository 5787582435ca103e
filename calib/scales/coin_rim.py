"""A coin's rim on the full picture: the outermost ring that is sharp most of the way round."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.edges import row_offsets
from calib.photo import Photo
from calib.scales.coin_rings import SHARE_SEEN, Harmonic, Ring, harmonics_at
from calib.scales.outline import colour_rows, fisher_direction, outline_steps
from calib.scales.robust import robust_sigma
from shared.errors import ScaleError

__all__ = ["RimPoints", "outermost_rim", "smooth_outside"]

Vector = NDArray[np.float64]

_POINTS = 180  # on the full picture: every second degree
_ROW_STEP_PX = 0.5  # the rim of a small coin is few pixels wide
_SMOOTHER = 0.4  # of the variance outside: bench texture just beside a true rim is like that farther out
_SECTORS = 8  # of the way round, of which whatever else lies near commonly takes one or two
_TOGETHER = 5.0  # neighbouring rows, every second degree, that see the same spot of bench texture
_SIGNIFICANT = 3.0  # standard errors: weaker steps are tried by chance only, and then are not sharp all round


@dataclass(frozen=True)
class RimPoints:
    """Rim points: azimuth about the ring's middle (N,), place (N, 2), outward normal (N, 2), u along it (N,)."""

    azimuth: Vector
    px: Vector
    normal: Vector
    u: Vector


def outermost_rim(photo: Photo, ring: Ring) -> tuple[Ring, RimPoints]:
    """The ring concentric with this one and farthest out that is sharp most of the way round, and its points.

    The raised border of a coin lies up to a tenth of the radius inside its rim, and may be the stronger of the two.

    Raises
    ------
    ScaleError
        If none is sharp.
    """
    for offset in sorted(_steps_of_all(photo, ring), reverse=True):
        grown = Ring(ring.x, ring.y, ring.harmonics * (1.0 + offset / ring.radius), ring.share)
        found = _rim(photo, grown)
        if found is not None:
            if smooth_outside(photo, found[0]):
                break  # there is more of the coin outside this ring, and its rim can't be told from the bench
            return found
    raise ScaleError("The coin's rim is not clear enough.", "Lay the coin flat on cloth of another colour, in focus.")


def smooth_outside(photo: Photo, ring: Ring) -> bool:
    """Whether just outside the ring the surface is much smoother than farther out, as a coin's border is on a bench.

    Most of the way round, that is: the board, or whatever else lies near, may come into a part of it.
    """
    a = np.arange(4 * _POINTS) * math.pi / (2 * _POINTS)
    points, normal = ring.points(a)
    half = 0.2 * ring.radius
    rows = colour_rows(photo, points, normal, half).mean(axis=2)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) < _POINTS:
        return False
    changes = np.array_split((rows[3:] - rows[:-3]) ** 2, _SECTORS)
    unrest = np.median([c.mean(axis=0) for c in changes], axis=0) / np.maximum(np.median(rows, axis=0), 1e-3) ** 2
    at = row_offsets(half) / ring.radius
    near, far = unrest[(at > 0.03) & (at < 0.07)], unrest[at > 0.14]
    return bool(near.size and far.size and float(np.median(near)) < _SMOOTHER * float(np.median(far)))


def _steps_of_all(photo: Photo, ring: Ring) -> list[float]:
    """Offsets (px) from the ring at which the colour steps alike all round, more than the bench does by chance."""
    a = np.arange(_POINTS) * 2.0 * math.pi / _POINTS
    points, normal = ring.points(a)
    rows = colour_rows(photo, points, normal, math.ceil(0.15 * ring.radius))
    rows = rows[np.isfinite(rows).all(axis=(1, 2))]
    k = max(1, round(0.006 * ring.radius))  # px: the rim's own unevenness about this ring is averaged over as much
    step = rows[:, 2 * k :] - rows[:, : -2 * k]
    if len(rows) < SHARE_SEEN * _POINTS:
        return []
    spread = np.linalg.norm(step.std(axis=0), axis=1) / math.sqrt(len(rows) / _TOGETHER)
    rise = np.linalg.norm(step.mean(axis=0), axis=1) / np.maximum(spread, 1e-9)
    peak = np.r_[False, (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:]), False] & (rise > _SIGNIFICANT)
    return [float(i) - (len(rise) - 1) / 2.0 for i in np.flatnonzero(peak)]


def _rim(photo: Photo, ring: Ring) -> tuple[Ring, RimPoints] | None:
    """The ring fitted to its steps, and those that lie on it; ``None`` if they do not lie on one ring."""
    a = np.arange(_POINTS) * 2.0 * math.pi / _POINTS
    for share in (0.02, 0.012, 0.012):  # half the row, of the radius: at last narrow enough to leave out the side wall
        half = max(3.0, share * ring.radius)
        points, normal = ring.points(a)
        rows = colour_rows(photo, points, normal, half, _ROW_STEP_PX)
        third = rows.shape[1] // 3
        steps = outline_steps(rows, half, _ROW_STEP_PX, fisher_direction(rows[:, :third], rows[:, -third:]))
        at = points + normal * steps.at[:, None]
        arm = at - np.array([ring.x, ring.y])
        azimuth, radius = np.arctan2(arm[:, 1], arm[:, 0]), np.hypot(arm[:, 0], arm[:, 1])
        fit, ok = _on_a_ring(azimuth, radius)
        if ok.sum() < SHARE_SEEN * _POINTS:
            return None
        ring = Ring(ring.x, ring.y, fit, float(ok.mean()))
    return ring, RimPoints(azimuth[ok], at[ok], normal[ok], steps.u[ok])


def _on_a_ring(azimuth: Vector, radius: Vector) -> tuple[Vector, NDArray[np.bool_]]:
    """Harmonics of a robust ring through points, and which lie on it: within 0.6 px, or 0.3 % of the radius."""
    basis, known = harmonics_at(azimuth), np.isfinite(radius)
    fit, ok = np.array([float(np.median(radius[known])) if known.any() else 0.0, 0.0, 0.0, 0.0, 0.0]), known
    tight = max(0.6, 0.003 * fit[Harmonic.MEAN])
    for tolerance in (8.0 * tight, 4.0 * tight, 2.0 * tight, tight, tight, tight):
        ok = known & (np.abs(radius - basis @ fit) <= tolerance)
        if ok.sum() < SHARE_SEEN * _POINTS:
            return fit, ok
        fit = np.linalg.lstsq(basis[ok], radius[ok], rcond=None)[0]
    off = np.abs(radius - basis @ fit)
    ok = known & (off <= min(tight, max(0.3, 3.0 * robust_sigma(off[ok]))))
    return np.asarray(np.linalg.lstsq(basis[ok], radius[ok], rcond=None)[0]), ok
