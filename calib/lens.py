"""What the lens does, told from the photo itself: its radial term from edges that are straight in reality.

A coin, a card or two marked points say little of the radial term or the tilt. The edges of the work do: straight ones
fix the radial term (the plumb-line method: D. C. Brown, Close-range camera calibration, Photogrammetric Engineering
37, 1971, from memory), parallel ones the tilt.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.lines import weighted_lines
from calib.plane import Plane, undistort
from calib.pose_fit import K1_PRIOR

__all__ = [
    "StraightEdge",
    "k1_from_lines",
    "refine_plane_with_lines",
]

Vector = NDArray[np.float64]

U_STRAIGHT_PX = 0.05
"""What a sawn or printed edge departs from straight besides its scatter, so that long edges are not trusted too far."""
_LINE_NUMBERS = 2  # offset and direction of a line
_K1_STEP = 0.01  # about what k1 moves by in a step of the fit


@dataclass(frozen=True)
class StraightEdge:
    """Points along an edge that is straight in reality.

    Attributes
    ----------
    px : ndarray of float, shape (N, 2)
        Points ``(x, y)`` in photo pixels.
    u_px : ndarray of float, shape (N,)
        Standard uncertainty across the edge; inf leaves a point out.
    parallel : str
        Edges with the same name are parallel to each other and to the scale's plane; empty: to none.
    """

    px: Vector
    u_px: Vector
    parallel: str = ""

    @property
    def valid(self) -> NDArray[np.bool_]:
        """Which points say something, shape (N,)."""
        return np.isfinite(self.px).all(axis=1) & np.isfinite(self.u_px)


def k1_from_lines(
    edges: Sequence[StraightEdge], size_px: tuple[int, int], focal_px: float, k1_prior: float = K1_PRIOR
) -> tuple[float, float]:
    """The radial term that makes `edges` straight, and its standard uncertainty, for a lens centred on the picture."""
    centre = (np.array(size_px) - 1) / 2.0
    kept = [_valid_points(e) for e in edges]

    def residuals(p: Vector) -> Vector:
        (k1,) = p
        bent = [_from_straight(undistort((e.px - centre) / focal_px, k1) * focal_px, e.u_px) for e in kept]
        return np.concatenate([*bent, p / k1_prior])

    fit = least_squares(residuals, np.zeros(1), x_scale=_K1_STEP)
    (k1,), of_points = fit.x, fit.fun[:-1]
    birge = _birge_ratio(of_points, sum(len(e.px) - _LINE_NUMBERS for e in kept))
    return float(k1), birge / math.sqrt(float(np.sum(fit.jac**2)))


def refine_plane_with_lines(plane: Plane, edges: Sequence[StraightEdge]) -> Plane:
    """The plane that agrees best with its scale and with edges that are straight, or parallel, in reality.

    Parameters
    ----------
    plane : Plane
        From `fit_plane`; its parameters and covariance are what is known so far.
    edges : sequence of StraightEdge
        Parallel edges lie on the scale's plane or on planes parallel to it, at any height.

    Returns
    -------
    Plane
        With smaller or equal covariance. Edges less straight than they state count accordingly less.
    """
    edges = [e for e in edges if e.valid.sum() > _LINE_NUMBERS]
    if not edges:
        return plane
    start, prior = plane.unknowns()
    sd = np.sqrt(np.diag(prior))
    whitened = np.linalg.inv(np.linalg.cholesky(prior / np.outer(sd, sd))) / sd

    def residuals(q: Vector, birge: float) -> Vector:
        return np.concatenate([_residuals_on(plane.with_unknowns(q), edges) / birge, whitened @ (q - start)])

    fit = least_squares(residuals, start, x_scale=sd, args=(1.0,))
    birge = _birge_ratio(fit.fun[: -len(sd)], sum(int(e.valid.sum()) - _LINE_NUMBERS for e in edges))
    if birge > 1.0:  # again, with the scatter that was seen
        fit = least_squares(residuals, fit.x, x_scale=sd, args=(birge,))
    cov = np.linalg.inv((fit.jac.T @ fit.jac) * np.outer(sd, sd)) * np.outer(sd, sd)
    return plane.with_unknowns(fit.x, cov)


def _valid_points(e: StraightEdge) -> StraightEdge:
    return StraightEdge(e.px[e.valid], np.hypot(e.u_px[e.valid], U_STRAIGHT_PX), e.parallel)


def _birge_ratio(r: Vector, dof: int) -> float:
    """Root of the reduced chi-square of residuals over their u, at least 1."""
    return max(1.0, math.sqrt(float(np.sum(r**2)) / max(1, dof)))


def _residuals_on(plane: Plane, edges: Sequence[StraightEdge]) -> Vector:
    """Distances from straight, and from parallel, over u; the lines' own offsets and directions are fitted away."""
    out = []
    groups: dict[str, list[StraightEdge]] = {}
    for e in map(_valid_points, edges):
        groups.setdefault(e.parallel, []).append(e)
    for name, members in groups.items():
        if not name or len(members) == 1:
            out += [
                _from_straight(undistort((e.px - plane.centre_px) / plane.focal_px, plane.k1) * plane.focal_px, e.u_px)
                for e in members
            ]
        else:
            out.append(_from_parallel(plane, members))
    return np.concatenate(out)


def _from_straight(px: Vector, u: Vector) -> Vector:
    """Distances of points (N, 2) from their best line, over u."""
    d = px - px.mean(axis=0)
    axis = np.linalg.svd(d, full_matrices=False)[2][0]
    t, o = d @ axis, d @ np.array([-axis[1], axis[0]])
    centre, a, b = weighted_lines(t[None], o[None], (1.0 / u**2)[None])
    return np.asarray((o - a - b * (t - centre)) / u)


def _from_parallel(plane: Plane, members: Sequence[StraightEdge]) -> Vector:
    """Distances of points from lines of one common direction on the plane, over u, an offset fitted to each line."""
    mm = [plane.to_mm(e.px) for e in members]
    longest = max(mm, key=lambda m: float(np.ptp(m, axis=0).max()))
    axis = np.linalg.svd(longest - longest.mean(axis=0), full_matrices=False)[2][0]
    normal = np.array([-axis[1], axis[0]])
    rows = []
    for m, e in zip(mm, members, strict=True):
        u_mm = e.u_px / plane.px_per_mm(m.mean(axis=0))
        w = 1.0 / u_mm**2
        t, o = m @ axis, m @ normal
        rows.append((t - (w * t).sum() / w.sum(), o - (w * o).sum() / w.sum(), u_mm))
    t, o, u = (np.concatenate(v) for v in zip(*rows, strict=True))
    slope = float((t * o / u**2).sum() / (t**2 / u**2).sum())
    return np.asarray((o - slope * t) / u)
