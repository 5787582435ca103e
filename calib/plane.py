"""Pixels to millimetres on a plane of known pose, with the covariance of everything that was fitted.

The camera is a pinhole with one radial term, ``x_d = x_u (1 + k1 r_u^2)`` in units of the focal length, centred on
the picture. The plane's own frame has x and y on the scale (y up as the scale is read) and z towards the camera.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import OptimizeResult, least_squares

from calib.photo import Focal
from calib.scales.base import Scale
from shared.errors import ScaleError

__all__ = ["Plane", "fit_plane", "distort", "undistort", "K1_PRIOR"]

K1_PRIOR = 0.06
"""Standard deviation of the radial term assumed before looking: covers close-up phone and camera lenses (common practice, no source)."""
_SAME_POSE = 0.01  # two fits nearer than this (rad and mm together) are one pose reached twice
_N_PARAMS = 8  # rotation vector (3), translation (3), ln(focal px), k1

Vector = NDArray[np.float64]


def distort(xy: Vector, k1: float) -> Vector:
    """Ideal to distorted coordinates, both in units of the focal length, shape (N, 2)."""
    return np.asarray(xy * (1.0 + k1 * np.sum(xy**2, axis=-1, keepdims=True)))


def undistort(xy: Vector, k1: float) -> Vector:
    """Distorted to ideal coordinates, in units of the focal length, shape (N, 2); Newton on the radius."""
    rd = np.linalg.norm(xy, axis=-1, keepdims=True)
    r = rd.copy()
    for _ in range(6):
        r = r - (r * (1.0 + k1 * r**2) - rd) / (1.0 + 3.0 * k1 * r**2)
    return np.asarray(np.where(rd > 0, xy * (r / np.where(rd > 0, rd, 1.0)), xy))


@dataclass(frozen=True)
class Plane:
    """The pose of a scale's plane, and the camera it was seen with.

    Attributes
    ----------
    params : ndarray of float, shape (8,)
        Rotation vector plane to camera (rad), translation (mm), ln(focal length in px), k1.
    cov : ndarray of float, shape (8, 8)
        Covariance of `params`.
    centre_px : tuple of float
        Principal point, taken as the picture's middle.
    u_rel : float
        Relative standard uncertainty of the scale's own length: every length carries it.
    residual_px : float
        RMS distance between the scale's points and the fitted model.
    """

    params: Vector
    cov: NDArray[np.float64]
    centre_px: tuple[float, float]
    u_rel: float
    residual_px: float
    points: int

    @cached_property
    def rotation(self) -> NDArray[np.float64]:
        """Plane to camera, shape (3, 3)."""
        return np.asarray(cv2.Rodrigues(self.params[:3])[0], dtype=np.float64)

    @property
    def translation(self) -> Vector:
        """Plane origin in the camera's frame, mm."""
        return self.params[3:6]

    @property
    def focal_px(self) -> float:
        """Focal length, pixels."""
        return math.exp(float(self.params[6]))

    @property
    def k1(self) -> float:
        """Radial term."""
        return float(self.params[7])

    @property
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
        xy = undistort(xy, self.k1)
        return np.asarray(np.column_stack([xy, np.ones(len(xy))]) @ self.rotation)

    def to_mm(self, px: ArrayLike, height_mm: ArrayLike = 0.0) -> Vector:
        """Where pixels (N, 2) lie on the plane raised towards the camera by `height_mm` (scalar or (N,)): (N, 2) mm."""
        d = self.rays(px)
        c = self.camera_mm
        t = (np.broadcast_to(np.asarray(height_mm, dtype=float), (len(d),)) - c[2]) / d[:, 2]
        return np.asarray(c[:2] + d[:, :2] * t[:, None])

    def to_px(self, xyz_mm: ArrayLike) -> Vector:
        """Pixels (N, 2) where points (N, 3) of the plane's frame are seen."""
        cam = np.atleast_2d(np.asarray(xyz_mm, dtype=float)) @ self.rotation.T + self.translation
        return np.asarray(distort(cam[:, :2] / cam[:, 2:], self.k1) * self.focal_px + self.centre_px)

    def with_params(self, params: Vector) -> Plane:
        """The same plane at other parameter values (for propagating uncertainty)."""
        return replace(self, params=np.asarray(params, dtype=float))

    def u_of(self, quantity: Callable[[Plane], ArrayLike]) -> Vector:
        """Standard uncertainty the fitted pose and lens give to any quantity worked out from this plane.

        First-order propagation with the full covariance (GUM equation 13): the quantity is evaluated with the
        parameters moved along each principal axis of the covariance by one standard deviation either way.
        """
        w, v = np.linalg.eigh(self.cov)
        total: Vector | float = 0.0
        for lam, axis in zip(w, v.T, strict=True):
            if lam <= 0:
                continue
            step = math.sqrt(lam) * axis
            hi = np.asarray(quantity(self.with_params(self.params + step)), dtype=float)
            lo = np.asarray(quantity(self.with_params(self.params - step)), dtype=float)
            total = total + ((hi - lo) / 2.0) ** 2
        return np.asarray(np.sqrt(total))


def fit_plane(scale: Scale, size_px: tuple[int, int], focal: Focal, k1_prior: float = K1_PRIOR) -> Plane:
    """Fit pose, focal length and radial term to a scale's points by weighted least squares with priors on the lens.

    Parameters
    ----------
    scale : Scale
    size_px : (width, height)
    focal : Focal
        From EXIF or a lens profile; its uncertainty is the prior on the focal length.
    k1_prior : float
        Standard deviation of the prior on the radial term.

    Raises
    ------
    ScaleError
        If the points do not fix a plane.
    """
    if len(scale.image_px) < 4:
        raise ScaleError("The scale shows too few points to fix its plane.", "Show the whole scale in the photo.")
    centre = ((size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0)
    object_mm = np.column_stack([scale.plane_mm, np.zeros(len(scale.plane_mm))])
    weight = 1.0 / scale.u_px
    turn = _turned(scale)

    def residuals(p: Vector) -> Vector:
        cam = object_mm @ cv2.Rodrigues(p[:3])[0].T + p[3:6]
        seen = distort(cam[:, :2] / cam[:, 2:], p[7]) * math.exp(p[6]) + centre
        known = [(p[6] - math.log(focal.px)) / focal.u_rel, p[7] / k1_prior]
        # the line of sight in the plane's own frame: its x and y are the tilt's sines
        known += list(cv2.Rodrigues(p[:3])[0][2, :2] / scale.tilt_prior_rad)
        return np.concatenate([(turn(seen - scale.image_px) * weight).ravel(), known])

    scales = np.array([0.01, 0.01, 0.01, 1.0, 1.0, 1.0, 0.01, 0.01])
    starts = _starts(object_mm, scale, focal.px, centre)
    fits = [least_squares(residuals, s, x_scale=scales, loss="soft_l1", f_scale=3.0, max_nfev=200) for s in starts]
    fits = sorted((f for f in fits if f.success), key=lambda f: f.cost)
    if not fits:
        raise ScaleError("The scale's points do not lie on a plane.", "Lay the scale flat and take the photo again.")
    fit = fits[0]
    r = residuals(fit.x)[:-4]
    used = np.isfinite(scale.u_px).ravel()
    dof = max(1, int(used.sum()) - 6)
    # residuals larger than their stated u widen the covariance (Birge ratio); smaller ones do not narrow it
    birge = max(1.0, float(np.sum(np.minimum(r**2, 9.0))) / dof)
    cov = np.linalg.inv(fit.jac.T @ fit.jac) * birge + _rivals(fits)
    px = (r.reshape(-1, 2) * np.where(np.isfinite(scale.u_px), scale.u_px, 0.0)).ravel()[used]
    return Plane(fit.x, cov, centre, scale.u_rel, float(np.sqrt(np.mean(px**2))), len(scale.image_px))


def _turned(scale: Scale) -> Callable[[Vector], Vector]:
    """Rotation of each point's residual (N, 2) into the axes its `u_px` is stated in."""
    if scale.turn_rad is None:
        return lambda d: d
    c, s = np.cos(scale.turn_rad), np.sin(scale.turn_rad)
    return lambda d: np.column_stack([c * d[:, 0] + s * d[:, 1], c * d[:, 1] - s * d[:, 0]])


def _rivals(fits: list[OptimizeResult]) -> NDArray[np.float64]:
    """Covariance from poses the points allow nearly as well as the best one, each weighted by its likelihood ratio.

    A circle has two (the two nappes of its cone); the second moment of the mixture about the best is returned.
    """
    best, total, weights = fits[0], np.zeros((_N_PARAMS, _N_PARAMS)), 1.0
    steps = []
    for f in fits[1:]:
        step = f.x - best.x
        r = f.x[:3] * (1.0 - 2.0 * math.pi / np.linalg.norm(f.x[:3]))  # the same rotation, the other way round
        if np.linalg.norm(r - best.x[:3]) < np.linalg.norm(step[:3]):
            step[:3] = r - best.x[:3]
        if all(np.linalg.norm(step - s) > _SAME_POSE for s in (0.0 * step, *steps)):
            w = math.exp(max(best.cost - f.cost, -700.0))
            steps.append(step)
            weights += w
            total += w * np.outer(step, step)
    return total / weights


def _starts(object_mm: Vector, scale: Scale, f: float, centre: tuple[float, float]) -> list[Vector]:
    """Where to start the fit: the pose from the points, or, where they tell little of the tilt, both poses and square on."""
    k = np.array([[f, 0, centre[0]], [0, f, centre[1]], [0, 0, 1.0]])
    image = np.ascontiguousarray(scale.image_px)
    n, rvecs, tvecs, _ = cv2.solvePnPGeneric(object_mm, image, k, None, flags=cv2.SOLVEPNP_IPPE)
    if not n:
        raise ScaleError("The scale's points do not fix a plane.", "Show more of the scale in the photo.")
    lens = [math.log(f), 0.0]
    poses = [np.concatenate([r.ravel(), t.ravel(), lens]) for r, t in zip(rvecs, tvecs, strict=True)]
    if math.isinf(scale.tilt_prior_rad):
        return poses[:1]
    return [*poses, _square_on(object_mm[:, :2], image, f, centre)]


def _square_on(plane_mm: Vector, image_px: Vector, f: float, centre: tuple[float, float]) -> Vector:
    """The pose that looks at the plane squarely: a similarity from plane (y up) to picture (y down)."""
    z = plane_mm[:, 0] + 1j * plane_mm[:, 1]
    w = (image_px[:, 0] - centre[0]) - 1j * (image_px[:, 1] - centre[1])
    zc, wc = z - z.mean(), w - w.mean()
    a = np.vdot(zc, wc) / np.vdot(zc, zc).real
    b = w.mean() - a * z.mean()
    c, s = a.real / abs(a), a.imag / abs(a)
    rotation = np.array([[c, -s, 0.0], [-s, -c, 0.0], [0.0, 0.0, -1.0]])
    depth = f / abs(a)
    shift = [b.real / abs(a), -b.imag / abs(a), depth]
    return np.concatenate([cv2.Rodrigues(rotation)[0].ravel(), shift, [math.log(f), 0.0]])
