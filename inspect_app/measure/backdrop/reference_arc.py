"""The reference arc: the circle through the parts of a crown line that wear has not lowered."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from calib.robust_spread import spread_about_zero
from inspect_app.measure.backdrop.circle import Circle, fit_circle

__all__ = ["HOLLOWEST", "LEAST_POINTS", "TIGHTEST", "ReferenceArc", "fit_reference_arc", "u_curvature_by_stretches"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

TIGHTEST = 1.0 / 80.0
"""Half the curvature of a 40 mm radius, tighter than any board, 1/mm."""
HOLLOWEST = 1.0 / 8000.0
"""The same for a board that is hollow across by sanding: 4 m, which is flat within 0.06 mm."""
LEAST_POINTS = 40
"""Points, two pixels apart, under which an outline is not taken for a crown line."""
STRETCHES = 8
"""Stretches of a crown line whose say in the arc is weighed: some millimetres each, over which an outline follows one
edge or another of scratched metal, and enough for a variance."""
FARTHEST = 6.0
"""Scatter about the circle, in standard uncertainties of a point, beyond which it is another edge's."""


class ReferenceArc(NamedTuple):
    """The reference arc, the points (N,) it was fitted to, and their RMS distance from it, mm."""

    circle: Circle
    used: Mask
    rms: float


def fit_reference_arc(
    y: Array, z: Array, u: Array, noise_correlation: float, used: Mask | None = None
) -> ReferenceArc | None:
    """Fit a circle to the parts of a crown line that wear has not lowered.

    Wear only lowers: a first arc is the one that most points lie on and fewest above (random sampling, seeded); it is
    then refitted by least squares, dropping what lies below it by more than the noise, until nothing changes.

    Parameters
    ----------
    y, z : ndarray, shape (N,)
        Crown line as if nothing were worn, mm, in order along the fret.
    u : ndarray, shape (N,)
        Standard uncertainty of z from noise, mm.
    noise_correlation : float
        Number of neighbouring points that share their noise.
    used : ndarray of bool, optional
        Where to start from instead of random sampling.

    Returns
    -------
    ReferenceArc or None
        None when too few points agree on a circle.
    """
    tolerance = max(2.5 * float(np.median(u)), 0.006)
    used = _consensus(y, z, tolerance) if used is None else used
    for _ in range(12):
        if used.sum() < LEAST_POINTS:
            return None
        circle = fit_circle(y[used], z[used], u[used], noise_correlation)
        off = z - circle.z(y)
        spread = float(spread_about_zero(off[used]))
        limit = min(max(2.5 * spread, 1e-4), FARTHEST * float(np.median(u[used])))
        now = (off > -limit) & (off < 2.0 * limit)
        now &= uniform_filter1d(now.astype(float), 9) > 0.5  # a point on a divot's wall crosses the circle alone
        if np.array_equal(now, used):
            break
        used = now
    return ReferenceArc(circle, used, float(np.sqrt(np.mean(off[used] ** 2))))


def u_curvature_by_stretches(y: Array, z: Array, u: Array) -> float:
    """Standard uncertainty of a reference arc's curvature from how its stretches disagree, 1/mm (jackknife).

    An edge that is off by half a pixel over 5 mm is no noise of single points. The arc is fitted again without each of
    the stretches in turn: a block jackknife (Kuensch, Ann. Statist. 17, 1989). `y`, `z`, `u` are those of the points
    the arc was fitted to, as in `fit_reference_arc`.
    """
    edges = np.linspace(float(y.min()), float(y.max()), STRETCHES + 1)
    stretch = np.clip(np.searchsorted(edges, y, side="right") - 1, 0, STRETCHES - 1)
    without = [stretch != k for k in np.unique(stretch)]
    curvature = np.array([fit_circle(y[w], z[w], u[w]).curvature for w in without if w.sum() >= LEAST_POINTS])
    n = len(curvature)
    return float(np.sqrt((n - 1.0) / n * np.sum((curvature - curvature.mean()) ** 2))) if n > 1 else 0.0


def _consensus(y: Array, z: Array, tolerance: float) -> Mask:
    """Points on the parabola that most points lie on and fewest above."""
    rng = np.random.default_rng(0)
    pick = np.sort(rng.integers(0, len(y), (400, 3)), axis=1)
    pick = pick[np.abs(y[pick[:, 2]] - y[pick[:, 0]]) > 0.3 * np.ptp(y)]
    pick = pick[np.diff(y[pick], axis=1).min(axis=1) > 0.02 * np.ptp(y)]
    centre = y.mean()
    t = y[pick] - centre
    coef = np.linalg.solve(np.stack([t**2, t, np.ones_like(t)], axis=-1), z[pick][..., None])[..., 0]
    coef = coef[(coef[:, 0] >= -TIGHTEST) & (coef[:, 0] <= HOLLOWEST)]
    if len(coef) == 0:
        return np.ones(len(y), bool)
    some = np.linspace(0, len(y) - 1, min(len(y), 400)).astype(int)
    off = z[some] - np.stack([(y[some] - centre) ** k for k in (2, 1, 0)], axis=-1).dot(coef.T).T
    score = np.sum(np.abs(off) < tolerance, axis=1) - 2.0 * np.sum(off > tolerance, axis=1)
    a, b, c = coef[int(np.argmax(score))]
    return np.asarray(np.abs(z - (a * (y - centre) ** 2 + b * (y - centre) + c)) < tolerance)
