"""Sub-pixel step edges and straight lines, in linear light, each with its uncertainty.

The way through this module: `sample_across` a guessed line -> `locate_steps`, one step a row -> `fit_line`;
`edge_points` does the first two and returns photo pixels, `edge_line` does all three.

A blurred step is modelled as ``low + (high - low) Phi((x - x0) / sigma)``. Its position is bounded by the
Cramer-Rao inequality, u(x0) >= 1.8828 (sigma_n / |high - low|) sqrt(sigma step): no unbiased method does better.
An edge curved with radius R in the photo is seen sigma^2 / (2 R) nearer its centre;
callers with R below 50 px correct it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf

from calib.photo import Photo, linear_light

__all__ = [
    "Steps",
    "EdgePoints",
    "Line",
    "sample_across",
    "locate_steps",
    "edge_points",
    "edge_line",
    "fit_line",
    "fit_lines",
    "weighted_lines",
    "intersect",
    "shared_noise",
]

Vector = NDArray[np.float64]

INTERPOLATION_NOISE = 1.5
"""Variance that bilinear sampling hides from the residuals: at a random phase a sample keeps 2/3 of a pixel's
noise variance and shares the other third with its neighbours, so what averages down is 3/2 of what is seen."""
MIN_NOISE = 1e-3
"""Least noise of a sample of light: one code of 8 bits is 0.0036 of full light at mid grey, rectangular: 0.001."""
_OUTLYING_ROW = 2.0  # times the usual noise: such a row keeps its own, the others share the median (pooled, GUM 4.2.4)
_SETTLED = 1e-3  # of a point's u: a line that moves less from one weighting to the next is done
_SQRT2 = math.sqrt(2.0)


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
        Standard deviation of a sample about the fit, pooled over rows that are alike.
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


@dataclass(frozen=True)
class Line:
    """A straight line fitted to points; at `point`, their weighted mean, offset and angle are independent.

    Attributes
    ----------
    point, direction : ndarray of float, shape (2,)
        A point on the line, and its unit direction.
    u_offset : float
        Standard uncertainty across the line at `point`.
    u_angle : float
        Standard uncertainty of the direction, radians.
    rms : float
        RMS distance of the points used.
    used, of : int
        Points used, and points given.
    """

    point: Vector
    direction: Vector
    u_offset: float
    u_angle: float
    rms: float
    used: int
    of: int

    @property
    def normal(self) -> Vector:
        """Unit normal, the direction turned a quarter from x towards y."""
        return np.array([-self.direction[1], self.direction[0]])

    def distance(self, px: ArrayLike) -> Vector:
        """Signed distance of points (N, 2) from the line, along `normal`."""
        return np.asarray((np.atleast_2d(np.asarray(px, dtype=float)) - self.point) @ self.normal)

    def u_at(self, px: ArrayLike) -> Vector:
        """Standard uncertainty across the line at the feet of points (N, 2)."""
        along = (np.atleast_2d(np.asarray(px, dtype=float)) - self.point) @ self.direction
        return np.asarray(np.hypot(self.u_offset, self.u_angle * along))


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
    """
    n, m = rows.shape
    use = np.flatnonzero(np.isfinite(rows).all(axis=1))
    p = np.full((n, 4), np.nan)
    u, noise = np.full(n, np.inf), np.full(n, np.nan)
    if use.size and m > 5:
        y = rows[use]
        fit, jtj, rss = _gauss_newton(y, offsets, _first_guess(y, offsets, polarity))
        s_n = np.maximum(np.sqrt(rss / (m - 4)), MIN_NOISE)
        s_n = np.where(s_n > _OUTLYING_ROW * np.median(s_n), s_n, np.median(s_n))
        ridge = 1e-9 * np.einsum("nii->ni", jtj)[:, :, None] * np.eye(4) + 1e-15 * np.eye(4)
        var = np.linalg.solve(jtj + ridge, np.eye(4)[:, :1])[:, 0, 0] * s_n**2 * INTERPOLATION_NOISE
        inside = (np.abs(fit[:, 0]) < offsets[-1]) & ((fit[:, 3] - fit[:, 2]) * polarity >= 0)
        sound = inside & (var > 0.0) & (var < (offsets[-1] / 2.0) ** 2)
        p[use[sound]], u[use[sound]], noise[use] = fit[sound], np.sqrt(var[sound]), s_n
    return Steps(p[:, 0], u, p[:, 1], p[:, 2], p[:, 3], noise)


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
    p, damp, busy, own = p.copy(), np.full(len(y), 1e-2), np.arange(len(y)), np.arange(4)
    rss, grad, jtj = _normal_equations(y, x, p)
    for _ in range(15):  # a clean step takes 4 to 6
        a = jtj[busy]
        a[:, own, own] += damp[busy, None] * (a[:, own, own] + 1e-12)
        move = np.linalg.solve(a, grad[busy][..., None])[..., 0]
        trial = p[busy] + move
        trial[:, 1] = np.clip(trial[:, 1], 0.3 * step, x[-1])
        now, *slopes = _normal_equations(y, x, trial)
        better = now <= rss[busy]
        k = busy[better]
        p[k], rss[k], grad[k], jtj[k] = trial[better], now[better], slopes[0][better], slopes[1][better]
        damp[busy] *= np.where(better, 0.1, 10.0)
        moving = np.abs(move[:, 0]) > 1e-3 * step
        busy, y = busy[moving], y[moving]
        if not busy.size:
            break
    return p, jtj, rss


def _normal_equations(y: Vector, x: Vector, p: Vector) -> tuple[Vector, Vector, Vector]:
    """Residual sums of squares (N,), J^T r (N, 4) and J^T J (N, 4, 4) by position, blur, low, high."""
    at, s, low, high = (c[:, None] for c in p.T)
    z, d = (x - at) / s, high - low
    cdf = 0.5 * (1.0 + erf(z / _SQRT2))
    r = y - (low + d * cdf)
    j = np.empty((len(y), 4, len(x)))
    np.multiply(np.exp(-0.5 * z**2), -d / (s * math.sqrt(2.0 * math.pi)), out=j[:, 0])
    np.multiply(j[:, 0], z, out=j[:, 1])
    np.subtract(1.0, cdf, out=j[:, 2])
    j[:, 3] = cdf
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
    return fit_line(found.px, found.steps.u * shared_noise(spacing_px))


def shared_noise(spacing_px: float) -> float:
    """Factor on the u of rows that share pixels with their neighbours when they are averaged or fitted: 1.22 at 1 px.

    The covariance of bilinear samples at distance d, over random phases, is the cubic B-spline: 2/3 at 0, (2 - d)^3 / 6
    from 1 to 2, nothing beyond.
    """
    return math.sqrt(1.0 + 3.0 * max(0.0, (2.0 - max(spacing_px, 1.0)) ** 3 / 6.0))


def fit_line(points: ArrayLike, u: ArrayLike) -> Line | None:
    """Robust weighted straight line through points (N, 2); see `fit_lines`."""
    return fit_lines(np.asarray(points, dtype=float)[None], np.asarray(u, dtype=float)[None])[0]


def fit_lines(points: ArrayLike, u: ArrayLike) -> list[Line | None]:
    """Robust weighted straight lines, each through its own row of points; ``None`` where too few agree.

    Parameters
    ----------
    points : array_like, shape (K, N, 2)
        In order along each line; those with nan or infinite `u` are left out.
    u : array_like, shape (K, N)
        Standard uncertainty of each point across its line.

    Notes
    -----
    Least squares in the frame of each row's main axis, re-weighted by Tukey's biweight (c = 4.685, 95 % efficient
    at the normal) on residuals over max(u, 1.4826 MAD). The covariance is widened by the Birge ratio when the scatter
    exceeds what the points state. A line needs three points, and half of those given.
    """
    p, s = np.asarray(points, dtype=float), np.asarray(u, dtype=float)
    ok = np.isfinite(p).all(axis=-1) & np.isfinite(s)
    seen = ok.sum(axis=1) >= np.maximum(3, p.shape[1] / 2)
    lines: list[Line | None] = [None] * len(p)
    if seen.any():
        for k, line in zip(np.flatnonzero(seen), _fit_seen(p[seen], s[seen], ok[seen]), strict=True):
            lines[k] = line
    return lines


def _fit_seen(p: Vector, s: Vector, ok: NDArray[np.bool_]) -> list[Line | None]:
    mean, axis = _main_axis(p, ok)
    normal = np.stack([-axis[:, 1], axis[:, 0]], axis=1)
    d = np.where(ok[..., None], p - mean[:, None], 0.0)
    t, o = np.einsum("kni,ki->kn", d, axis), np.einsum("kni,ki->kn", d, normal)
    weight = np.where(ok, 1.0 / np.where(ok, s, 1.0) ** 2, 0.0)
    r = o - _median(o, ok)[:, None]
    for _ in range(8):  # settles in 3 to 5
        before, w = r, weight * _tukey(r, s, ok)
        centre, a, b = weighted_lines(t, o, w)
        r = o - a[:, None] - b[:, None] * (t - centre[:, None])
        if np.all(np.abs(r - before)[ok] < _SETTLED * s[ok]):
            break
    used = _tukey(r, s, ok) > 0.1  # what counts little does not count: the covariance is that of plain least squares
    w, n = np.where(used, weight, 0.0), used.sum(axis=1)
    centre, a, b = weighted_lines(t, o, w)
    t = t - centre[:, None]
    r = np.where(used, o - a[:, None] - b[:, None] * t, 0.0)
    birge = np.maximum(1.0, (w * r**2).sum(axis=1) / np.maximum(1, n - 2))
    point = mean + centre[:, None] * axis + a[:, None] * normal
    direction = (axis + b[:, None] * normal) / np.hypot(1.0, b)[:, None]
    with np.errstate(divide="ignore"):  # of lines that nothing is on
        u_offset, u_angle = np.sqrt(birge / w.sum(axis=1)), np.sqrt(birge / (w * t**2).sum(axis=1))
    rms = np.sqrt((r**2).sum(axis=1) / np.maximum(1, n))
    numbers = zip(u_offset.tolist(), u_angle.tolist(), rms.tolist(), n.tolist(), strict=True)
    return [
        Line(point[k], direction[k], *of_line, p.shape[1]) if of_line[-1] >= max(3, p.shape[1] / 2) else None
        for k, of_line in enumerate(numbers)
    ]


def _main_axis(p: Vector, ok: NDArray[np.bool_]) -> tuple[Vector, Vector]:
    """Median point and unit direction from first to last of each row of points, both (K, 2)."""
    mean = np.stack([_median(p[..., 0], ok), _median(p[..., 1], ok)], axis=1)
    _, _, vt = np.linalg.svd(np.where(ok[..., None], p - mean[:, None], 0.0), full_matrices=False)
    first, last = np.argmax(ok, axis=1), ok.shape[1] - 1 - np.argmax(ok[:, ::-1], axis=1)
    k = np.arange(len(p))
    sign = np.where(np.einsum("ki,ki->k", vt[:, 0], p[k, last] - p[k, first]) >= 0, 1.0, -1.0)
    return mean, np.asarray(vt[:, 0] * sign[:, None])


def _median(v: Vector, ok: NDArray[np.bool_]) -> Vector:
    """Median of the sound ones in each row of (K, N), shape (K,); every row has at least one."""
    ordered = np.sort(np.where(ok, v, np.inf), axis=1)
    n, k = ok.sum(axis=1), np.arange(len(v))
    return np.asarray((ordered[k, (n - 1) // 2] + ordered[k, n // 2]) / 2.0)


def _tukey(r: Vector, s: Vector, ok: NDArray[np.bool_]) -> Vector:
    mad = _median(np.abs(r), ok)[:, None]
    z = r / (4.685 * np.maximum(np.where(ok, s, 1.0), 1.4826 * mad))
    return np.asarray(np.where(ok & (np.abs(z) < 1.0), (1.0 - z**2) ** 2, 0.0))


def weighted_lines(t: Vector, o: Vector, w: Vector) -> tuple[Vector, Vector, Vector]:
    """Weighted least squares of ``o = a + b (t - centre)``, a row of (K, N) at a time: centre, a and b, each (K,).

    `centre` is the weighted mean of t, so that a and b are uncorrelated: with weights 1 / u^2 their variances are
    ``1 / sum(w)`` and ``1 / sum(w (t - centre)^2)``.
    """
    total = np.maximum(w.sum(axis=1), 1e-300)
    centre, a = (w * t).sum(axis=1) / total, (w * o).sum(axis=1) / total
    d = t - centre[:, None]
    b = (w * d * o).sum(axis=1) / np.maximum((w * d**2).sum(axis=1), 1e-300)
    return centre, a, b


def intersect(one: Line, other: Line) -> tuple[Vector, NDArray[np.float64]]:
    """Where two lines cross, shape (2,), and its covariance, shape (2, 2).

    Raises
    ------
    ValueError
        If they are parallel.
    """
    n = np.array([one.normal, other.normal])
    if abs(np.linalg.det(n)) < 1e-6:
        raise ValueError("parallel lines do not cross")
    inv = np.linalg.inv(n)
    at = inv @ np.array([one.normal @ one.point, other.normal @ other.point])
    var = np.diag([float(one.u_at(at)[0]) ** 2, float(other.u_at(at)[0]) ** 2])
    return at, inv @ var @ inv.T
