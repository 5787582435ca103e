"""Pixels to millimetres on a plane of known pose, with the covariance of everything that was fitted.

The camera is a pinhole with square pixels and one radial term, ``x_d = x_u (1 + k1 r_u^2)`` in units of the focal
length; its principal point is near the picture's middle. The plane's own frame has x and y on the scale (y up as
the scale is read) and z towards the camera.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Plane", "Unknown", "distort", "undistort"]

Vector = NDArray[np.float64]


class Unknown(IntEnum):
    """Places of what a fit moves: a rotation vector, where an ideal lens shows the anchor (a point of the plane, px),
    ln of the pixels per millimetre there, ln(focal px), k1, principal point (px), outward shift of a print (mm).

    So chosen, a change of focal length or principal point leaves the scale where it is seen: fits need few steps, and
    propagation stays nearly linear. `Plane.params` has the camera's translation (mm) in the three places of the anchor
    and no shift; the other places are the same.
    """

    ROTATION_X = 0
    ROTATION_Y = 1
    ROTATION_Z = 2
    ANCHOR_X = 3
    ANCHOR_Y = 4
    LN_PX_PER_MM = 5
    LN_FOCAL = 6
    K1 = 7
    CENTRE_X = 8
    CENTRE_Y = 9
    OUTWARD = 10


ROTATION, TRANSLATION, LENS, CENTRE = slice(0, 3), slice(3, 6), slice(6, 10), slice(8, 10)
POSE_AND_LENS = slice(0, 10)
"""Slices of `Plane.params`; all but `TRANSLATION` hold for the unknowns too."""
_LEAST_RADIUS = 1e-9  # so near the axis an ideal and a distorted point are one to the last digit of a double
_VIETE = 27.0 / 4.0  # of the trigonometric root of x + k1 x^3 = y: sin(3 t) = y sqrt(27 |k1| / 4)


def distort(xy: Vector, k1: float) -> Vector:
    """Ideal to distorted coordinates, both in units of the focal length, shape (N, 2)."""
    return np.asarray(xy * (1.0 + k1 * np.einsum("...i,...i", xy, xy)[..., None]))


def undistort(xy: Vector, k1: float) -> Vector:
    """Distorted to ideal coordinates, in units of the focal length, shape (N, 2).

    The real root of the cubic in the radius, by its trigonometric form (Viete); past the fold of a lens whose `k1` is
    negative, where nothing is seen, the fold's.
    """
    x = np.maximum(np.sqrt(np.einsum("...i,...i", xy, xy) * (_VIETE * abs(k1))), _LEAST_RADIUS)[..., None]
    third = np.sinh(np.arcsinh(x) / 3.0) if k1 > 0 else np.sin(np.arcsin(np.minimum(x, 1.0)) / 3.0)
    return np.asarray(xy * (3.0 * third / x))


def anchor_in_camera(q: Vector) -> Vector:
    """The anchor in the camera's frame, mm, shape (3,), for the unknowns `q`."""
    mm_per_px = math.exp(-q[Unknown.LN_PX_PER_MM])
    x, y = q[Unknown.ANCHOR_X] - q[Unknown.CENTRE_X], q[Unknown.ANCHOR_Y] - q[Unknown.CENTRE_Y]
    return np.array([x * mm_per_px, y * mm_per_px, math.exp(q[Unknown.LN_FOCAL]) * mm_per_px])


def anchor_by_unknowns(q: Vector) -> NDArray[np.float64]:
    """Derivatives of `anchor_in_camera`, shape (3, 10)."""
    x, y, z = range(3)
    mm_per_px = math.exp(-q[Unknown.LN_PX_PER_MM])
    anchor = anchor_in_camera(q)
    j = np.zeros((3, POSE_AND_LENS.stop))
    j[x, Unknown.ANCHOR_X] = j[y, Unknown.ANCHOR_Y] = mm_per_px
    j[x, Unknown.CENTRE_X] = j[y, Unknown.CENTRE_Y] = -mm_per_px
    j[:, Unknown.LN_PX_PER_MM] = -anchor
    j[z, Unknown.LN_FOCAL] = anchor[z]
    return j


def to_params(q: Vector, anchor_mm: Vector) -> Vector:
    """`Plane.params` for the unknowns."""
    translation = anchor_in_camera(q) - cv2.Rodrigues(q[ROTATION])[0][:, :2] @ anchor_mm
    return np.concatenate([q[ROTATION], translation, q[LENS]])


def to_unknowns(params: Vector, anchor_mm: Vector) -> Vector:
    """The inverse of `to_params`."""
    anchor = cv2.Rodrigues(params[ROTATION])[0][:, :2] @ anchor_mm + params[TRANSLATION]
    f = math.exp(params[Unknown.LN_FOCAL])
    seen_px = anchor[:2] / anchor[2] * f + params[CENTRE]
    return np.concatenate([params[ROTATION], seen_px, [math.log(f / anchor[2])], params[LENS]])


def params_by_unknowns(q: Vector, anchor_mm: Vector) -> NDArray[np.float64]:
    """Derivatives of `to_params`, shape (10, 10)."""
    by_vector = cv2.Rodrigues(q[ROTATION])[1].reshape(3, 3, 3)  # vector, row, column
    j = np.eye(POSE_AND_LENS.stop)
    j[TRANSLATION] = anchor_by_unknowns(q)
    j[TRANSLATION, ROTATION] -= (by_vector[:, :, :2] @ anchor_mm).T
    return j


@dataclass(frozen=True)
class Plane:
    """The pose of a scale's plane, and the camera it was seen with.

    Attributes
    ----------
    params : ndarray of float, shape (10,)
        Rotation vector plane to camera (rad), translation (mm), ln(focal length in px), k1, principal point (px).
    cov : ndarray of float, shape (10, 10)
        Covariance of `params`.
    u_rel : float
        Relative standard uncertainty of the scale's own length: every length carries it.
    residual_px : float
        RMS distance between the scale's points and the fitted model.
    outward_mm : float
        How far outwards the print's black edges were found to lie: spread of ink, and what sharpening does to edges.
    anchor_mm : tuple of float
        The scale's middle: uncertainty is propagated holding still where it is seen.
    alternatives : tuple of (float, ndarray)
        Other poses the scale allows (a coin's other tilt): probability, and parameters like `params`.
    focal_source : str
        What told the focal length it was fitted with, as `calib.photo.Focal.source`.

    Examples
    --------
    A camera of 3000 px focal length that looks squarely at the plane from 300 mm: 10 px to the millimetre.

    >>> square_on = [np.pi, 0.0, 0.0, 0.0, 0.0, 300.0, np.log(3000.0), 0.0, 1000.0, 750.0]
    >>> plane = Plane(np.array(square_on), 1e-6 * np.eye(10), u_rel=0.0, residual_px=0.1, points=40)
    >>> bool(np.allclose(plane.to_px([20.0, 10.0, 0.0]), [[1200.0, 650.0]]))
    True
    >>> bool(np.allclose(plane.to_mm([1200.0, 650.0], height_mm=30.0), [[18.0, 9.0]]))  # a tenth nearer
    True
    """

    params: Vector
    cov: NDArray[np.float64]
    u_rel: float
    residual_px: float
    points: int
    outward_mm: float = 0.0
    anchor_mm: tuple[float, float] = (0.0, 0.0)
    alternatives: tuple[tuple[float, Vector], ...] = ()
    focal_source: str = ""

    @cached_property
    def rotation(self) -> NDArray[np.float64]:
        """Plane to camera, shape (3, 3)."""
        return np.asarray(cv2.Rodrigues(self.params[ROTATION])[0], dtype=np.float64)

    @property
    def translation(self) -> Vector:
        """Plane origin in the camera's frame, mm."""
        return self.params[TRANSLATION]

    @cached_property
    def focal_px(self) -> float:
        """Focal length, pixels."""
        return math.exp(float(self.params[Unknown.LN_FOCAL]))

    @property
    def k1(self) -> float:
        """Radial term."""
        return float(self.params[Unknown.K1])

    @property
    def centre_px(self) -> Vector:
        """Principal point, pixels, shape (2,)."""
        return self.params[CENTRE]

    @cached_property
    def camera_mm(self) -> Vector:
        """Camera centre in the plane's frame, shape (3,); its z is the distance to the plane."""
        return np.asarray(-self.rotation.T @ self.translation)

    @property
    def distance_mm(self) -> float:
        """Distance of the camera from the plane, along the plane's normal."""
        return float(self.camera_mm[2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the line of sight and the plane's normal."""
        return math.degrees(math.acos(min(1.0, abs(float(self.rotation[2, 2])))))

    def px_per_mm(self, at_mm: ArrayLike = (0.0, 0.0)) -> float:
        """Pixels per millimetre on the plane at a point, mean over direction."""
        p = np.asarray(at_mm, dtype=float)
        q = self.to_px(np.array([[*p, 0.0], [p[0] + 1.0, p[1], 0.0], [p[0], p[1] + 1.0, 0.0]]))
        return float(math.sqrt(abs(np.linalg.det(q[1:] - q[0]))))

    def rays(self, px: ArrayLike) -> Vector:
        """Directions of sight in the plane's frame for pixels, shape (N, 2) to (N, 3), not normalised."""
        xy = (np.atleast_2d(np.asarray(px, dtype=float)) - self.centre_px) / self.focal_px
        return np.asarray(undistort(xy, self.k1) @ self.rotation[:2] + self.rotation[2])

    def to_mm(self, px: ArrayLike, height_mm: ArrayLike = 0.0) -> Vector:
        """Where pixels (N, 2) lie on the plane raised towards the camera by `height_mm` (scalar or (N,)): (N, 2) mm."""
        d = self.rays(px)
        c = self.camera_mm
        t = (np.asarray(height_mm, dtype=float) - c[2]) / d[:, 2]
        return np.asarray(c[:2] + d[:, :2] * t[:, None])

    def to_px(self, xyz_mm: ArrayLike) -> Vector:
        """Pixels (N, 2) where points (N, 3) of the plane's frame are seen."""
        cam = np.atleast_2d(np.asarray(xyz_mm, dtype=float)) @ self.rotation.T + self.translation
        return np.asarray(distort(cam[:, :2] / cam[:, 2:], self.k1) * self.focal_px + self.centre_px)

    def with_params(self, params: Vector) -> Plane:
        """The same plane at other parameter values."""
        return replace(self, params=np.asarray(params, dtype=float), alternatives=())

    def unknowns(self) -> tuple[Vector, NDArray[np.float64]]:
        """The parameters as fits and propagation move them, (10,), and their covariance."""
        anchor = np.array(self.anchor_mm)
        q = to_unknowns(self.params, anchor)
        by_params = np.linalg.inv(params_by_unknowns(q, anchor))
        return q, by_params @ self.cov @ by_params.T

    def with_unknowns(self, q: Vector, cov: NDArray[np.float64] | None = None) -> Plane:
        """The same plane at other values of `unknowns`, and with their covariance if given."""
        anchor = np.array(self.anchor_mm)
        if cov is None:
            return replace(self, params=to_params(q, anchor))
        by_unknowns = params_by_unknowns(q, anchor)
        return replace(self, params=to_params(q, anchor), cov=by_unknowns @ cov @ by_unknowns.T)

    @cached_property
    def _displaced(self) -> tuple[tuple[Plane, Plane], ...]:
        """The plane a standard deviation either way along each principal axis of its covariance."""
        q, cov = self.unknowns()
        sd = np.sqrt(np.diag(cov))
        w, v = np.linalg.eigh(cov / np.outer(sd, sd))
        steps = [math.sqrt(lam) * axis * sd for lam, axis in zip(w, v.T, strict=True) if lam > 0]
        return tuple((self.with_unknowns(q + s), self.with_unknowns(q - s)) for s in steps)

    def u_of(self, quantity: Callable[[Plane], ArrayLike]) -> Vector:
        """Standard uncertainty the fitted pose and lens give to any quantity worked out from this plane.

        First-order propagation with the full covariance (GUM equation 13), by differences along its principal axes.
        The alternatives are too far away for that: what the quantity would be there counts by their probability.
        """
        total: Vector | float = 0.0
        for pair in self._displaced:
            hi, lo = (np.asarray(quantity(p), dtype=float) for p in pair)
            total = total + ((hi - lo) / 2.0) ** 2
        if self.alternatives:
            here = np.asarray(quantity(replace(self, alternatives=())), dtype=float)
            for weight, params in self.alternatives:
                total = total + weight * (np.asarray(quantity(self.with_params(params)), dtype=float) - here) ** 2
        return np.asarray(np.sqrt(total))
