"""Straight lines through points, robust and weighted, each with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Line", "fit_line", "fit_lines", "weighted_lines", "MAD_TO_SD", "theil_sen"]

Vector = NDArray[np.float64]

MAD_TO_SD = 1.4826
"""Standard deviation over the median absolute deviation of a normal distribution, 1 / Phi^-1(3/4)."""
_BIWEIGHT = 4.685
"""Residual over the spread from which Tukey's biweight leaves a point out: 95 % efficient at the normal distribution
(Holland and Welsch 1977, from memory)."""
_COUNTS = 0.1
"""Weight from which a point belongs to the line; the covariance is then that of plain least squares."""
_ROUNDS = 8  # of re-weighting at most: settles in 3 to 5
_SETTLED = 1e-3  # of a point's u: a line that moves less from one weighting to the next is done
_LEAST_WEIGHT = 1e-300  # a sum of no weights divides nothing by nothing
_LEAST_POINTS, _LEAST_SHARE = 3, 0.5  # of those given: fewer agree with a line by chance


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


def fit_line(points: ArrayLike, u: ArrayLike) -> Line | None:
    """Robust weighted straight line through points (N, 2); see `fit_lines`.

    >>> x, y = np.arange(9.0), np.ones(9)
    >>> y[4] = 3.0  # one lies off
    >>> line = fit_line(np.column_stack([x, y]), np.full(9, 0.1))
    >>> line.used, line.of, line.point.round(6).tolist(), round(line.u_offset, 3)
    (8, 9, [4.0, 1.0], 0.035)
    """
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
    Least squares in the frame of each row's main axis, re-weighted by Tukey's biweight on residuals over the larger of
    their u and their spread by the median absolute deviation. The covariance is widened by the Birge ratio when the
    scatter exceeds what the points state. A line needs three points, and half of those given.
    """
    p, s = np.asarray(points, dtype=float), np.asarray(u, dtype=float)
    ok = np.isfinite(p).all(axis=-1) & np.isfinite(s)
    enough = ok.sum(axis=1) >= _least_of(p.shape[1])
    lines: list[Line | None] = [None] * len(p)
    if enough.any():
        for k, line in zip(np.flatnonzero(enough), _fit_rows(p[enough], s[enough], ok[enough]), strict=True):
            lines[k] = line
    return lines


def _least_of(given: int) -> float:
    """Points a line needs of those given."""
    return max(_LEAST_POINTS, given * _LEAST_SHARE)


def _fit_rows(p: Vector, s: Vector, ok: NDArray[np.bool_]) -> list[Line | None]:
    mean, axis = _main_axis(p, ok)
    normal = np.stack([-axis[:, 1], axis[:, 0]], axis=1)
    d = np.where(ok[..., None], p - mean[:, None], 0.0)
    t, o = np.einsum("kni,ki->kn", d, axis), np.einsum("kni,ki->kn", d, normal)
    weight = np.where(ok, 1.0 / np.where(ok, s, 1.0) ** 2, 0.0)
    r = o - _median(o, ok)[:, None]
    for _ in range(_ROUNDS):
        before, w = r, weight * _tukey(r, s, ok)
        centre, a, b = weighted_lines(t, o, w)
        r = o - a[:, None] - b[:, None] * (t - centre[:, None])
        if np.all(np.abs(r - before)[ok] < _SETTLED * s[ok]):
            break
    used = _tukey(r, s, ok) > _COUNTS
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
        Line(point[k], direction[k], *of_line, p.shape[1]) if of_line[-1] >= _least_of(p.shape[1]) else None
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
    """Median of the valid ones in each row of (K, N), shape (K,); every row has at least one."""
    ordered = np.sort(np.where(ok, v, np.inf), axis=1)
    n, k = ok.sum(axis=1), np.arange(len(v))
    return np.asarray((ordered[k, (n - 1) // 2] + ordered[k, n // 2]) / 2.0)


def _tukey(r: Vector, s: Vector, ok: NDArray[np.bool_]) -> Vector:
    """Tukey's biweight of residuals `r` (K, N) with standard uncertainties `s`."""
    mad = _median(np.abs(r), ok)[:, None]
    z = r / (_BIWEIGHT * np.maximum(np.where(ok, s, 1.0), MAD_TO_SD * mad))
    return np.asarray(np.where(ok & (np.abs(z) < 1.0), (1.0 - z**2) ** 2, 0.0))


def weighted_lines(t: Vector, o: Vector, w: Vector) -> tuple[Vector, Vector, Vector]:
    """Weighted least squares of ``o = a + b (t - centre)``, a row of (K, N) at a time: centre, a and b, each (K,).

    `centre` is the weighted mean of t, so that a and b are uncorrelated: with weights 1 / u^2 their variances are
    ``1 / sum(w)`` and ``1 / sum(w (t - centre)^2)``.
    """
    total = np.maximum(w.sum(axis=1), _LEAST_WEIGHT)
    centre, a = (w * t).sum(axis=1) / total, (w * o).sum(axis=1) / total
    d = t - centre[:, None]
    b = (w * d * o).sum(axis=1) / np.maximum((w * d**2).sum(axis=1), _LEAST_WEIGHT)
    return centre, a, b


def theil_sen(y: NDArray[np.float64], x: NDArray[np.float64]) -> tuple[float, float]:
    """Slope and start of a line through points, (N,) each: the median slope of all pairs (Theil 1950, Sen 1968).

    As `scipy.stats.theilslopes`, whose import takes as long as measuring a photo.

    Examples
    --------
    >>> theil_sen(np.array([1.0, 3.0, 5.0, 7.0, 90.0]), np.arange(5.0))
    (2.0, 1.0)
    """
    dx, dy = x[:, None] - x, y[:, None] - y
    slope = float(np.median(dy[dx > 0.0] / dx[dx > 0.0]))
    return slope, float(np.median(y)) - slope * float(np.median(x))
