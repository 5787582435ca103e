"""The plane's tilt as the frets tell it, where the scale can't: frets are parallel, and spaced by equal temperament.

A span says nothing of the tilt and a coin little. Seen at a tilt across the neck, frets fan out; along it, their
spacing shrinks otherwise than a twelfth root of two makes it. Both are fitted together with what the scale told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.plane import Plane, Unknown
from calib.robust_spread import spread_about_zero
from calib.scales.base import Scale
from inspect_app.measure.plan.fret_frame import FretFrame

__all__ = ["TOLD_BY_SCALE_RAD", "tilt_u", "tilted_as_frets"]

Floats = NDArray[np.float64]

TOLD_BY_SCALE_RAD = math.radians(1.0)
"""Standard uncertainty of the tilt from which the frets are asked: they tell it to about half a degree."""
_LINE_U_MM = 0.15
"""Of a point of a fret's line: slots are sawn to 0.05 mm, the crown's line is fitted to as much, and a fret seen from
aside bows by the board's sagitta, 0.7 mm, times a tenth."""
_ENDS = 2
"""What is found beside its place is so at both ends, and they tell no more than one: lines that lie farther off than
their uncertainty tell the tilt as much less (Birge ratio)."""
_LEAST_FRETS = 4
"""Of fewer frets the spacing has one departure at most, and any tilt explains it."""
_FITS = 3.0
"""Root mean square departure, in standard uncertainties, up to which the frets are believed: fanned frets and an uneven
board lie farther off."""
_ODD = 3.0
"""Scatters by which a line may lie off and be one of the frets': of normally distributed ones three in a thousand lie
farther off."""
_FREE = 3
"""A place, a turn and a length are free."""
_STEEPEST_RAD = math.radians(40.0)
"""A photo from above is not taken from farther aside (common practice, no source)."""


def tilt_u(plane: Plane) -> float:
    """Standard uncertainty of the plane's tilt, rad, about the axis it is known worse about."""
    return float(plane.u_of(lambda p: p.rotation[:2, 2]).max())


def tilted_as_frets(plane: Plane, frets: Sequence[FretFrame], scale: Scale) -> Plane:
    """The plane that makes the frets parallel and spaced as they should be, as far as the scale allows.

    Parameters
    ----------
    plane : Plane
        Fitted to the scale.
    frets : sequence of FretFrame
        Each with its axis on the crown's centre line, laid on any plane; numbered from any number on.

    Returns
    -------
    Plane
        The plane given, where the frets are too few or don't fit any tilt.
    """
    if len(frets) < _LEAST_FRETS:
        return plane
    numbers = np.array([f.number for f in frets])
    lines_px = np.array([f.to_px([0.0, f.length_mm], 0.0) for f in frets])
    height_mm = np.array([f.level_mm([0.0, f.length_mm]) for f in frets]).ravel()
    starts = [replace(plane, alternatives=()), *(plane.with_params(p) for _, p in plane.alternatives)]
    fits = [_fitted(p, lines_px, numbers, height_mm) for p in starts]
    misfit, best = min(fits, key=lambda f: f[0])
    if best is None or misfit > _FITS**2 or math.radians(best.tilt_deg) > _STEEPEST_RAD:
        return plane
    return _as_long(best, scale)


def _as_long(plane: Plane, scale: Scale) -> Plane:
    """The plane on which the scale is as long as it is: a tilt foreshortens it in second order, 2 % at 11 degrees."""
    told = np.isfinite(scale.u_px).any(axis=1)
    shift = (
        0.0 if scale.outward_mm is None else plane.outward_mm * scale.outward_mm
    )  # a coin's rim, as the fit found it
    seen, known = plane.to_mm(scale.image_px[told]), (scale.plane_mm + shift)[told]
    q, cov = plane.unknowns()
    q[Unknown.LN_PX_PER_MM] += math.log(np.std(seen, axis=0) @ np.std(seen, axis=0)) / 2.0
    q[Unknown.LN_PX_PER_MM] -= math.log(np.std(known, axis=0) @ np.std(known, axis=0)) / 2.0
    return plane.with_unknowns(q, cov)


def _fitted(
    plane: Plane, lines_px: Floats, numbers: NDArray[np.int64], height_mm: Floats
) -> tuple[float, Plane | None]:
    """Mean square of the departures, and the plane fitted with what the scale told as its prior."""
    q0, cov = plane.unknowns()
    sd = np.sqrt(np.maximum(np.diag(cov), 1e-30))
    w, v = np.linalg.eigh(cov / np.outer(sd, sd))
    steps = (v * np.sqrt(np.maximum(w, 0.0)) * sd[:, None])[:, w > 1e-12]  # unknowns per standard deviation
    px, shares = lines_px.reshape(-1, 2), np.repeat(2.0 ** (-numbers / 12.0), 2)
    at = plane.to_mm(px, height_mm).reshape(-1, 2, 2)
    across = (at[:, 1] - at[:, 0]).mean(axis=0)
    along = np.array([across[1], -across[0]]) / np.linalg.norm(across)
    basis = np.column_stack([np.ones(len(shares)), -shares])
    ways = at.reshape(-1, 2) @ along
    bridge, length = np.linalg.lstsq(basis, ways, rcond=None)[0]
    if length < 0.0:
        along, bridge, length = -along, -bridge, -length

    k = steps.shape[1]
    # shares of a radian, millimetres and shares of the length, so that all steps are of one size
    x_scale = np.r_[np.ones(k), 0.02, 1.0, 0.02]
    kept = np.ones(len(shares), dtype=bool)

    def departures(x: Floats) -> Floats:
        mm = plane.with_unknowns(q0 + steps @ x[:k]).to_mm(px, height_mm)
        turn = x[k]
        to_body = math.cos(turn) * along + math.sin(turn) * np.array([-along[1], along[0]])
        off = mm @ to_body - (bridge + x[k + 1]) + length * math.exp(x[k + 2]) * shares
        return np.concatenate([x[:k], np.where(kept, off, 0.0) / _LINE_U_MM])

    x = np.zeros(k + 3)
    for last in (False, True):  # a shadow or an inlay taken for a fret's line is left out of the second
        fit = least_squares(departures, x, method="lm", x_scale=x_scale)
        x = fit.x
        if not fit.success or not np.all(np.isfinite(x)):
            return math.inf, None
        if not last:
            off = np.abs(fit.fun[k:].reshape(-1, 2)).max(axis=1)
            kept = np.repeat(off <= _ODD * max(1.0, float(spread_about_zero(off))), 2)
    misfit = float(2.0 * fit.cost) / max(1, int(kept.sum()) - _FREE)
    post = np.linalg.inv(fit.jac.T @ fit.jac)[:k, :k] * max(1.0, _ENDS * misfit)
    return misfit, plane.with_unknowns(q0 + steps @ x[:k], steps @ post @ steps.T)
