"""Sub-pixel step edges in linear light, each with its uncertainty.

The way through this module: `sample_across` a guessed line -> `locate_steps`, one step a row -> `calib.lines.fit_line`;
`edge_points` does the first two and returns photo pixels, `edge_line` does all three.

A blurred step is modelled as ``low + (high - low) Phi((x - x0) / sigma)``. Its position is bounded by the
Cramer-Rao inequality, u(x0) >= 1.8828 (sigma_n / |high - low|) sqrt(sigma step): no unbiased method does better.
An edge curved with radius R in the photo is seen sigma^2 / (2 R) nearer its centre;
callers with R below 50 px correct it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf

from calib.lines import Line, fit_line
from calib.photo import Photo, linear_light

__all__ = [
    "Steps",
    "EdgePoints",
    "sample_across",
    "row_offsets",
    "locate_steps",
    "edge_points",
    "edge_line",
    "correlated_noise",
]

Vector = NDArray[np.float64]

INTERPOLATION_NOISE = 1.5
"""Variance that bilinear sampling hides from the residuals: at a random phase a sample keeps 2/3 of a pixel's
noise variance and shares the other third with its neighbours, so what averages down is 3/2 of what is seen."""
MIN_NOISE = 1e-3
"""Least noise of a sample of light: one code of 8 bits is 0.0036 of full light at mid grey, rectangular: 0.001."""
_OUTLYING_ROW = 2.0  # times the usual noise: such a row keeps its own, the others share the median (pooled, GUM 4.2.4)
_RIDGE, _LEAST_RIDGE = 1e-9, 1e-15  # of the normal matrix's trace, and besides: keeps a row without a step solvable
_ROUNDS = 15  # of Gauss-Newton at most: a clean step takes 4 to 6
_FIRST_DAMPING, _EASED, _DAMPED = 1e-2, 0.1, 10.0  # Levenberg-Marquardt's usual start and factors (Marquardt 1963)
_LEAST_BLUR = 0.3  # of a sample: a sharper step falls between two samples and has no slope to fit
_AT_REST = 1e-3  # of a sample: a position that moves less in a round is done
_SQRT2 = math.sqrt(2.0)


class _Step(IntEnum):
    """Places of a step's parameters, in the unit of the offsets and in light."""

    AT = 0
    BLUR = 1
    LOW = 2
    HIGH = 3


@dataclass(frozen=True)
class Steps:
    """One blurred step fitted in each row of profiles.

    Attributes
    ----------
    at : ndarray of float, shape (N,)
        Position of the step along the row, in the unit of the offsets; nan where none was found.
    u : ndarray of float, shape (N,)
        Standard uncertainty of `at` from noise and blur; inf where none was found.
    sigma : ndarray of float, shape (N,)
        Standard deviation of the blur, same unit: the sharpness of the edge.
    low, high : ndarray of float, shape (N,)
        Levels before and after the step along the row.
    noise : ndarray of float, shape (N,)
        Standard deviation of a sample about the fit, pooled over rows of usual noise.
    """

    at: Vector
    u: Vector
    sigma: Vector
    low: Vector
    high: Vector
    noise: Vector

    @property
    def contrast(self) -> Vector:
        """`high` - `low`: positive where the row gets brighter."""
        return self.high - self.low


@dataclass(frozen=True)
class EdgePoints:
    """Points on an edge in photo pixels.

    Attributes
    ----------
    px : ndarray of float, shape (N, 2)
        Points ``(x, y)``; nan where no edge was found.
    normal : ndarray of float, shape (N, 2)
        Unit vectors along which each was located.
    steps : Steps
        What was fitted, offsets in pixels from the guessed points along `normal`.
    """

    px: Vector
    normal: Vector
    steps: Steps

    @property
    def found(self) -> NDArray[np.bool_]:
        """Where an edge was found, shape (N,)."""
        return np.isfinite(self.steps.at)


def sample_across(photo: Photo, points: ArrayLike, normals: ArrayLike, half_px: float, step: float = 1.0) -> Vector:
    """Linear light along rows across guessed edge points.

    Parameters
    ----------
    points, normals : array_like, shape (N, 2)
        Where each row is centred, and its unit direction; photo pixels ``(x, y)``.
    half_px : float
        Half the length of a row. Choose it so that a row crosses one edge only.

    Returns
    -------
    ndarray of float, shape (N, M)
        Rows of light 0..1, sampled bilinearly at `row_offsets(half_px, step)`; nan in rows that leave the photo.
    """
    p = np.atleast_2d(np.asarray(points, dtype=float))
    n = np.atleast_2d(np.asarray(normals, dtype=float))
    xy = p[:, None, :] + n[:, None, :] * row_offsets(half_px, step)[None, :, None]
    inside = np.all((xy >= 0) & (xy <= [photo.width - 1, photo.height - 1]), axis=(1, 2))
    out = np.full(xy.shape[:2], np.nan)
    out[inside] = _bilinear(photo.gray, xy[inside])
    return out


def _bilinear(gray: NDArray[np.uint8], xy: Vector) -> Vector:
    """Linear light at points (..., 2) inside the picture; each of the four neighbours is decoded before mixing."""
    corner = np.minimum(np.floor(xy).astype(np.intp), np.array(gray.shape[::-1]) - 2)
    fx, fy = np.moveaxis(xy - corner, -1, 0)
    at = corner[..., 1] * gray.shape[1] + corner[..., 0]
    flat = gray.ravel()
    v00, v01 = linear_light(flat[at]), linear_light(flat[at + 1])
    v10, v11 = linear_light(flat[at + gray.shape[1]]), linear_light(flat[at + gray.shape[1] + 1])
    return np.asarray((1 - fy) * ((1 - fx) * v00 + fx * v01) + fy * ((1 - fx) * v10 + fx * v11), dtype=np.float64)


def row_offsets(half_px: float, step: float = 1.0) -> Vector:
    """Offsets of the samples of a row, symmetric about 0, shape (M,)."""
    k = math.floor(half_px / step)
    return np.arange(-k, k + 1, dtype=np.float64) * step


def locate_steps(rows: Vector, offsets: Vector, polarity: int = 0) -> Steps:
    """Fit one error-function step to each row by damped Gauss-Newton.

    Parameters
    ----------
    rows : ndarray of float, shape (N, M)
        Linear light; a row with nan is skipped.
    offsets : ndarray of float, shape (M,)
        Evenly spaced.
    polarity : {0, 1, -1}
        1: the row must get brighter along the offsets; -1: darker; 0: either.

    Examples
    --------
    A step from 0.2 to 0.7 at 0.4, blurred by 0.8:

    >>> x = row_offsets(6.0)
    >>> steps = locate_steps(0.2 + 0.25 * (1.0 + erf((x[None] - 0.4) / (0.8 * math.sqrt(2.0)))), x)
    >>> f"{steps.at[0]:.3f} {steps.sigma[0]:.3f} {steps.contrast[0]:.3f}"
    '0.400 0.800 0.500'
    """
    n, m = rows.shape
    use = np.flatnonzero(np.isfinite(rows).all(axis=1))
    p = np.full((n, len(_Step)), np.nan)
    u, noise = np.full(n, np.inf), np.full(n, np.nan)
    if use.size and m > 5:
        y = rows[use]
        fit, jtj, rss = _gauss_newton(y, offsets, _first_guess(y, offsets, polarity))
        s_n = np.maximum(np.sqrt(rss / (m - len(_Step))), MIN_NOISE)
        s_n = np.where(s_n > _OUTLYING_ROW * np.median(s_n), s_n, np.median(s_n))
        one = np.eye(len(_Step))
        ridge = _RIDGE * np.einsum("nii->ni", jtj)[:, :, None] * one + _LEAST_RIDGE * one
        of_position = np.linalg.solve(jtj + ridge, one[:, [_Step.AT]])[:, _Step.AT, 0]
        var = of_position * s_n**2 * INTERPOLATION_NOISE
        inside = np.abs(fit[:, _Step.AT]) < offsets[-1]
        valid = inside & ((fit[:, _Step.HIGH] - fit[:, _Step.LOW]) * polarity >= 0)
        valid &= (var > 0.0) & (var < (offsets[-1] / 2.0) ** 2)
        p[use[valid]], u[use[valid]], noise[use] = fit[valid], np.sqrt(var[valid]), s_n
    return Steps(p[:, _Step.AT], u, p[:, _Step.BLUR], p[:, _Step.LOW], p[:, _Step.HIGH], noise)


def _first_guess(y: Vector, offsets: Vector, polarity: int) -> Vector:
    """Position of the steepest slope, a blur of one sample, and the mean levels to either side."""
    slope = y[:, 2:] - y[:, :-2]
    best = np.argmax(slope * polarity if polarity else np.abs(slope), axis=1) + 1
    k = np.arange(y.shape[1])
    before, after = k < best[:, None], k > best[:, None]
    low = (y * before).sum(axis=1) / before.sum(axis=1)
    high = (y * after).sum(axis=1) / after.sum(axis=1)
    sigma = np.full(len(y), offsets[1] - offsets[0])
    return np.column_stack([offsets[best], sigma, low, high])


def _gauss_newton(y: Vector, x: Vector, p: Vector) -> tuple[Vector, Vector, Vector]:
    """Batched Levenberg-Marquardt; returns parameters (N, 4), J^T J (N, 4, 4) and residual sums of squares (N,)."""
    step = float(x[1] - x[0])
    p, damping, active, diagonal = p.copy(), np.full(len(y), _FIRST_DAMPING), np.arange(len(y)), np.arange(len(_Step))
    rss, gradient, jtj = _normal_equations(y, x, p)
    for _ in range(_ROUNDS):
        a = jtj[active]
        a[:, diagonal, diagonal] += damping[active, None] * (a[:, diagonal, diagonal] + 1e-12)  # never singular
        move = np.linalg.solve(a, gradient[active][..., None])[..., 0]
        trial = p[active] + move
        trial[:, _Step.BLUR] = np.clip(trial[:, _Step.BLUR], _LEAST_BLUR * step, x[-1])
        trial_rss, trial_gradient, trial_jtj = _normal_equations(y, x, trial)
        better = trial_rss <= rss[active]
        k = active[better]
        p[k], rss[k], gradient[k], jtj[k] = trial[better], trial_rss[better], trial_gradient[better], trial_jtj[better]
        damping[active] *= np.where(better, _EASED, _DAMPED)
        moving = np.abs(move[:, _Step.AT]) > _AT_REST * step
        active, y = active[moving], y[moving]
        if not active.size:
            break
    return p, jtj, rss


def _normal_equations(y: Vector, x: Vector, p: Vector) -> tuple[Vector, Vector, Vector]:
    """Residual sums of squares (N,), J^T r (N, 4) and J^T J (N, 4, 4), parameters in the order of `_Step`."""
    at, blur, low, high = (c[:, None] for c in p.T)
    z, contrast = (x - at) / blur, high - low
    phi = 0.5 * (1.0 + erf(z / _SQRT2))
    r = y - (low + contrast * phi)
    j = np.empty((len(y), len(_Step), len(x)))
    np.multiply(np.exp(-0.5 * z**2), -contrast / (blur * math.sqrt(2.0 * math.pi)), out=j[:, _Step.AT])
    np.multiply(j[:, _Step.AT], z, out=j[:, _Step.BLUR])
    np.subtract(1.0, phi, out=j[:, _Step.LOW])
    j[:, _Step.HIGH] = phi
    return np.einsum("nm,nm->n", r, r), np.einsum("nim,nm->ni", j, r), j @ np.swapaxes(j, 1, 2)


def edge_points(
    photo: Photo, points: ArrayLike, normals: ArrayLike, half_px: float, polarity: int = 0, step: float = 1.0
) -> EdgePoints:
    """Locate the edge near each guessed point.

    Parameters
    ----------
    points, normals : array_like, shape (N, 2)
        Guessed points and unit directions across the edge, photo pixels.
    half_px : float
        How far to look either way; one edge only within it.
    polarity : {0, 1, -1}
        1: brighter along the normal; -1: darker; 0: either.
    """
    p = np.atleast_2d(np.asarray(points, dtype=float))
    n = np.atleast_2d(np.asarray(normals, dtype=float))
    steps = locate_steps(sample_across(photo, p, n, half_px, step), row_offsets(half_px, step), polarity)
    return EdgePoints(p + n * steps.at[:, None], n, steps)


def edge_line(
    photo: Photo, a: ArrayLike, b: ArrayLike, half_px: float, polarity: int = 0, spacing_px: float = 1.0
) -> Line | None:
    """The straight edge near the guessed segment from `a` to `b`; ``None`` when too little of it can be seen.

    The normal along which `polarity` counts is the direction from a to b turned a quarter from x towards y.
    """
    p, q = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    length = float(np.linalg.norm(q - p))
    t = np.linspace(0.0, 1.0, max(3, round(length / spacing_px)))
    d = (q - p) / length
    found = edge_points(photo, p + t[:, None] * (q - p), np.broadcast_to([-d[1], d[0]], (len(t), 2)), half_px, polarity)
    return fit_line(found.px, found.steps.u * correlated_noise(spacing_px))


def correlated_noise(spacing_px: float) -> float:
    """Factor on the u of rows that share pixels with their neighbours when they are averaged or fitted.

    The covariance of bilinear samples at distance d, over random phases, is the cubic B-spline: 2/3 at 0, (2 - d)^3 / 6
    from 1 to 2, nothing beyond.

    >>> round(correlated_noise(1.0), 2), correlated_noise(2.0)
    (1.22, 1.0)
    """
    return math.sqrt(1.0 + 3.0 * max(0.0, (2.0 - max(spacing_px, 1.0)) ** 3 / 6.0))
