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

from calib.plane import Plane
from inspect_app.measure.plan.fret_frame import FretFrame

__all__ = ["TOLD_BY_SCALE_RAD", "tilt_u", "tilted_as_frets"]

Floats = NDArray[np.float64]

TOLD_BY_SCALE_RAD = math.radians(1.0)
"""Standard uncertainty of the tilt from which the frets are asked: they tell it to about half a degree."""
_LINE_U_MM = 0.15
"""Of a point of a fret's line: slots are sawn to 0.05 mm, the crown's line is fitted to as much, and a fret seen from
aside bows by the board's sagitta, 0.7 mm, times a tenth."""
_LEAST_FRETS = 4
"""Of fewer frets the spacing has one departure at most, and any tilt explains it."""
_FITS = 3.0
"""Root mean square departure, in standard uncertainties, up to which the frets are believed: fanned frets and an uneven
board lie farther off."""
_STEEPEST_RAD = math.radians(40.0)
"""A photo from above is not taken from farther aside (common practice, no source)."""


def tilt_u(plane: Plane) -> float:
    """Standard uncertainty of the plane's tilt, rad, about the axis it is known worse about."""
    return float(plane.u_of(lambda p: p.rotation[:2, 2]).max())


def tilted_as_frets(plane: Plane, frets: Sequence[FretFrame]) -> Plane:
    """The plane that makes the frets parallel and spaced as they should be, as far as the scale allows.

    Parameters
    ----------
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
    cost, best = min(fits, key=lambda f: f[0])
    free = 2 * len(numbers) - 3
    if best is None or cost > _FITS**2 * free or math.radians(best.tilt_deg) > _STEEPEST_RAD:
        return plane
    return best


def _fitted(
    plane: Plane, lines_px: Floats, numbers: NDArray[np.int64], height_mm: Floats
) -> tuple[float, Plane | None]:
    """Sum of squared departures, and the plane fitted with what the scale told as its prior."""
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

    def departures(x: Floats) -> Floats:
        k = steps.shape[1]
        mm = plane.with_unknowns(q0 + steps @ x[:k]).to_mm(px, height_mm)
        turn = x[k]
        to_body = math.cos(turn) * along + math.sin(turn) * np.array([-along[1], along[0]])
        off = mm @ to_body - (bridge + x[k + 1]) + length * math.exp(x[k + 2]) * shares
        return np.concatenate([x[:k], off / _LINE_U_MM])

    # shares of a radian, millimetres and shares of the length, so that all steps are of one size
    start = np.zeros(steps.shape[1] + 3)
    fit = least_squares(departures, start, method="lm", x_scale=np.r_[np.ones(steps.shape[1]), 0.02, 1.0, 0.02])
    if not fit.success or not np.all(np.isfinite(fit.x)):
        return math.inf, None
    k = steps.shape[1]
    post = np.linalg.inv(fit.jac.T @ fit.jac)[:k, :k]
    return float(2.0 * fit.cost), plane.with_unknowns(q0 + steps @ fit.x[:k], steps @ post @ steps.T)
