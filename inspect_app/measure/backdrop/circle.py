"""Geometric circle fit that is as good for a short arc, or a straight line, as for a whole circle.

The circle is ``A (y^2 + z^2) + B y + C z + D = 0`` with ``B^2 + C^2 - 4 A D = 1``, so that A = curvature / 2 may pass
through zero; the distance of a point is ``2 P / (1 + sqrt(1 + 4 A P))``, P the left side (Pratt 1987; parametrised by
A, D and a direction as in Chernov and Lesort, J. Math. Imaging Vision 23, 2005, section 4). An algebraic fit
(Kasa) reads short arcs too small by several per cent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

__all__ = ["STRAIGHT_U", "Circle", "fit_circle"]

Array = NDArray[np.float64]

STRAIGHT_U = 3.0
"""A line is straight where its curvature is less than three of its standard uncertainties from none."""


class CircleParam(IntEnum):
    """Index into a circle's parameters and their covariance."""

    A = 0
    D = 1
    DIRECTION = 2


@dataclass(frozen=True)
class Circle:
    """A circle or straight line.

    Attributes
    ----------
    params : ndarray, shape (3,)
        By `CircleParam`: A (1/unit), D (unit), direction (rad), about `at`.
    cov : ndarray, shape (3, 3)
        Covariance of `params`.
    at : tuple of float
        The point the parameters are about.
    rms : float
        Root mean square distance of the points.
    """

    params: Array
    cov: Array
    at: tuple[float, float]
    rms: float

    @property
    def curvature(self) -> float:
        """1 / radius; positive where the centre lies below the curve that `z` follows."""
        return float(2.0 * self.params[CircleParam.A])

    @property
    def u_curvature(self) -> float:
        """Standard uncertainty of the curvature."""
        return 2.0 * math.sqrt(self.cov[CircleParam.A, CircleParam.A])

    @property
    def radius(self) -> float:
        """Radius, ``inf`` for a straight line."""
        return math.inf if self.curvature == 0.0 else 1.0 / abs(self.curvature)

    @property
    def centre(self) -> tuple[float, float]:
        """Centre (y, z)."""
        a, b, c, _ = _coefficients(self.params)
        return self.at[0] - b / (2.0 * a), self.at[1] - c / (2.0 * a)

    def z(self, y: ArrayLike) -> Array:
        """The upper branch at y."""
        a, b, c, d = _coefficients(self.params)
        t = np.asarray(y, dtype=float) - self.at[0]
        q = a * t**2 + b * t + d
        return np.asarray(self.at[1] - 2.0 * q / (c + np.sqrt(np.maximum(c**2 - 4.0 * a * q, 0.0))))

    def slope(self, y: ArrayLike) -> Array:
        """dz/dy of the upper branch."""
        t = np.asarray(y, dtype=float)
        return np.asarray((self.z(t + 1e-3) - self.z(t - 1e-3)) / 2e-3)

    def u_z(self, y: ArrayLike) -> Array:
        """Standard uncertainty of `z` from the fit."""
        t = np.atleast_1d(np.asarray(y, dtype=float))
        root = np.linalg.cholesky(self.cov + 1e-18 * np.trace(self.cov) * np.eye(3))
        moved = [
            (
                Circle(self.params + k, self.cov, self.at, 0.0).z(t)
                - Circle(self.params - k, self.cov, self.at, 0.0).z(t)
            )
            / 2
            for k in root.T
        ]
        return np.asarray(np.sqrt(np.sum(np.square(moved), axis=0)))


def _coefficients(p: Array) -> tuple[float, float, float, float]:
    a, d, turn = (float(v) for v in p)
    size = math.sqrt(max(1.0 + 4.0 * a * d, 1e-12))
    return a, size * math.cos(turn), size * math.sin(turn), d


def _distance(p: Array, y: Array, z: Array) -> Array:
    a, b, c, d = _coefficients(p)
    left = a * (y**2 + z**2) + b * y + c * z + d
    return np.asarray(2.0 * left / (1.0 + np.sqrt(np.maximum(1.0 + 4.0 * a * left, 0.0))))


def _gradient(p: Array, y: Array, z: Array) -> Array:
    """Derivatives of `_distance` by the parameters, shape (N, 3)."""
    a, b, c, d = _coefficients(p)
    across, size2 = y**2 + z**2, max(1.0 + 4.0 * a * d, 1e-12)
    left = a * across + b * y + c * z + d
    root = np.sqrt(np.maximum(1.0 + 4.0 * a * left, 1e-12))
    by_left = 2.0 / (1.0 + root) - 4.0 * a * left / (root * (1.0 + root) ** 2)  # of 2 P / (1 + root)
    along, direct = (b * y + c * z) / size2, -4.0 * left**2 / (root * (1.0 + root) ** 2)
    return np.column_stack(
        [
            by_left * (across + 2.0 * d * along) + direct,
            by_left * (1.0 + 2.0 * a * along),
            by_left * (b * z - c * y),
        ]
    )


def fit_circle(y: ArrayLike, z: ArrayLike, u: ArrayLike = 1.0, noise_correlation: float = 1.0) -> Circle:
    """Fit a circle by least squares of the distances.

    Parameters
    ----------
    y, z : array_like, shape (N,)
    u : float or array_like
        Standard uncertainty of each point across the curve.
    noise_correlation : float
        Number of neighbouring points whose errors are shared: widens the covariance.

    Raises
    ------
    ValueError
        If there are fewer than three points.

    Examples
    --------
    Five points of an arc 40 mm wide on a circle of 300 mm:

    >>> y = np.linspace(-20.0, 20.0, 5)
    >>> round(fit_circle(y, np.sqrt(300.0**2 - y**2)).radius, 6)
    300.0
    """
    y, z = np.asarray(y, dtype=float), np.asarray(z, dtype=float)
    if len(y) < 3:
        raise ValueError("a circle needs three points")
    at = (float(y.mean()), float(z.mean()))
    w = 1.0 / np.broadcast_to(np.asarray(u, dtype=float), y.shape)
    t, s = y - at[0], z - at[1]
    tight = dict.fromkeys(("xtol", "ftol", "gtol"), 1e-14)
    fit = least_squares(
        lambda p: w * _distance(p, t, s), _start(t, s), lambda p: w[:, None] * _gradient(p, t, s), method="lm", **tight
    )
    dof = max(1.0, len(y) - 3.0)
    scatter = max(1.0, 2.0 * fit.cost / dof) if np.ndim(u) else 2.0 * fit.cost / dof
    cov = np.linalg.inv(fit.jac.T @ fit.jac) * scatter * noise_correlation
    return Circle(fit.x, cov, at, float(np.sqrt(np.mean(_distance(fit.x, t, s) ** 2))))


def _start(y: Array, z: Array) -> Array:
    """Algebraic fit with the constraint B^2 + C^2 - 4 A D = 1 (Pratt 1987), by the singular vectors of the design."""
    design = np.column_stack([y**2 + z**2, y, z, np.ones_like(y)])
    scale = np.sqrt(np.mean(design**2, axis=0))
    moment = (design / scale).T @ (design / scale) / len(y)
    constraint = np.array([[0, 0, 0, -2.0], [0, 1, 0, 0], [0, 0, 1, 0], [-2.0, 0, 0, 0]]) / np.outer(scale, scale)
    value, vector = np.linalg.eig(np.linalg.solve(constraint, moment))
    value, vector = value.real, vector.real
    norm = np.einsum("ik,ij,jk->k", vector, constraint, vector)
    k = int(np.argmin(np.where(norm > 0, np.abs(value), np.inf)))
    a, b, c, d = vector[:, k] / scale / math.sqrt(norm[k])
    if c < 0:
        a, b, c, d = -a, -b, -c, -d
    return np.array([a, d, math.atan2(c, b)])
