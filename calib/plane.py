"""Pixels to millimetres on a plane of known pose, with the covariance of everything that was fitted.

The camera is a pinhole with square pixels and one radial term, ``x_d = x_u (1 + k1 r_u^2)`` in units of the focal
length; its principal point is near the picture's middle. The plane's own frame has x and y on the scale (y up as
the scale is read) and z towards the camera.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import OptimizeResult, least_squares

from calib.photo import Focal
from calib.scales.base import Scale
from shared.errors import ScaleError

__all__ = ["Plane", "fit_plane", "distort", "undistort", "K1_PRIOR"]

K1_PRIOR = 0.06
"""Standard deviation of the radial term before looking: covers phone and camera lenses (common practice, no source)."""
CENTRE_PRIOR = 0.005
"""Standard deviation of the principal point from the picture's middle, of the long side: a stabilised lens or sensor
wanders by up to a hundredth (common practice, no source)."""
MAX_MISFIT_MM = 0.15
"""RMS misfit from which a scale is called bent or misprinted: its lengths are then no better than the wear it reads."""
_OFF = 4.0  # times its u (or the scatter, if larger): 6 in 100 000 sound points lie further off
_LOOSE = 1.5  # scatter over stated u from which something is looked for that lies off
_SAME_POSE = 0.002  # rad; two fits whose lines of sight are nearer than this are one pose reached twice
_NO_LENS = 5.0  # standard deviations from what the lens was expected to be: no lens is, the scale is another shape
_NEGLIGIBLE = 1e-6  # probability of a rival pose below which it is forgotten
_N_PARAMS = 10  # rotation vector (3), translation (3), ln(focal px), k1, principal point (2)
_N_PRIORS = 7  # focal length, k1, principal point x and y, tilt about x and y, outward shift
_STEPS = np.array([0.01, 0.01, 0.01, 1.0, 1.0, 1e-3, 0.01, 0.01, 10.0, 10.0, 0.01])  # of `_Problem`'s unknowns

Vector = NDArray[np.float64]


def distort(xy: Vector, k1: float) -> Vector:
    """Ideal to distorted coordinates, both in units of the focal length, shape (N, 2)."""
    return np.asarray(xy * (1.0 + k1 * np.einsum("...i,...i", xy, xy)[..., None]))


def undistort(xy: Vector, k1: float) -> Vector:
    """Distorted to ideal coordinates, in units of the focal length, shape (N, 2).

    The real root of the cubic in the radius, by its trigonometric form (Viete); past the fold of a lens whose `k1` is
    negative, where nothing is seen, the fold's.
    """
    x = np.maximum(np.sqrt(np.einsum("...i,...i", xy, xy) * (6.75 * abs(k1))), 1e-9)[..., None]  # below, the root is 1
    third = np.sinh(np.arcsinh(x) / 3.0) if k1 > 0 else np.sin(np.arcsin(np.minimum(x, 1.0)) / 3.0)
    return np.asarray(xy * (3.0 * third / x))


# The unknowns a fit moves: rotation vector (3), where an ideal lens shows the anchor, a point of the plane (2, px),
# ln of the pixels per millimetre there, ln(focal px), k1, principal point (2, px). So chosen, a change of focal length
# or principal point leaves the scale where it is seen: fits need few steps, and propagation stays nearly linear.


def _place(q: Vector) -> Vector:
    """The anchor in the camera's frame, mm."""
    mm_per_px = math.exp(-q[5])
    return np.array([(q[3] - q[8]) * mm_per_px, (q[4] - q[9]) * mm_per_px, math.exp(q[6]) * mm_per_px])


def _place_by_unknowns(q: Vector) -> NDArray[np.float64]:
    """Derivatives of `_place`, shape (3, 10)."""
    mm_per_px = math.exp(-q[5])
    at = _place(q)
    j = np.zeros((3, _N_PARAMS))
    j[0, 3] = j[1, 4] = mm_per_px
    j[0, 8] = j[1, 9] = -mm_per_px
    j[:, 5] = -at
    j[2, 6] = at[2]
    return j


def _to_params(q: Vector, anchor_mm: Vector) -> Vector:
    """`Plane.params` for the unknowns."""
    shift = _place(q) - cv2.Rodrigues(q[:3])[0][:, :2] @ anchor_mm
    return np.concatenate([q[:3], shift, q[6:10]])


def _to_unknowns(params: Vector, anchor_mm: Vector) -> Vector:
    """The inverse of `_to_params`."""
    at = cv2.Rodrigues(params[:3])[0][:, :2] @ anchor_mm + params[3:6]
    f = math.exp(params[6])
    return np.concatenate([params[:3], at[:2] / at[2] * f + params[8:10], [math.log(f / at[2])], params[6:10]])


def _params_by_unknowns(q: Vector, anchor_mm: Vector) -> NDArray[np.float64]:
    """Derivatives of `_to_params`, shape (10, 10)."""
    by_vector = cv2.Rodrigues(q[:3])[1].reshape(3, 3, 3)  # vector, row, column
    j = np.zeros((_N_PARAMS, _N_PARAMS))
    j[:3, :3] = np.eye(3)
    j[3:6] = _place_by_unknowns(q)
    j[3:6, :3] -= (by_vector[:, :, :2] @ anchor_mm).T
    j[6:, 6:] = np.eye(4)
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
    rivals : tuple of (float, ndarray)
        Other poses the scale allows (a coin's other tilt): probability, and parameters like `params`.
    """

    params: Vector
    cov: NDArray[np.float64]
    u_rel: float
    residual_px: float
    points: int
    outward_mm: float = 0.0
    anchor_mm: tuple[float, float] = (0.0, 0.0)
    rivals: tuple[tuple[float, Vector], ...] = ()

    @cached_property
    def rotation(self) -> NDArray[np.float64]:
        """Plane to camera, shape (3, 3)."""
        return np.asarray(cv2.Rodrigues(self.params[:3])[0], dtype=np.float64)

    @property
    def translation(self) -> Vector:
        """Plane origin in the camera's frame, mm."""
        return self.params[3:6]

    @cached_property
    def focal_px(self) -> float:
        """Focal length, pixels."""
        return math.exp(float(self.params[6]))

    @property
    def k1(self) -> float:
        """Radial term."""
        return float(self.params[7])

    @property
    def centre_px(self) -> Vector:
        """Principal point, pixels, shape (2,)."""
        return self.params[8:10]

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
        return replace(self, params=np.asarray(params, dtype=float), rivals=())

    def unknowns(self) -> tuple[Vector, NDArray[np.float64]]:
        """The parameters as fits and propagation move them, (10,), and their covariance."""
        anchor = np.array(self.anchor_mm)
        q = _to_unknowns(self.params, anchor)
        back = np.linalg.inv(_params_by_unknowns(q, anchor))
        return q, back @ self.cov @ back.T

    def with_unknowns(self, q: Vector, cov: NDArray[np.float64] | None = None) -> Plane:
        """The same plane at other values of `unknowns`, and with their covariance if given."""
        anchor = np.array(self.anchor_mm)
        if cov is None:
            return replace(self, params=_to_params(q, anchor))
        forth = _params_by_unknowns(q, anchor)
        return replace(self, params=_to_params(q, anchor), cov=forth @ cov @ forth.T)

    @cached_property
    def _moved(self) -> tuple[tuple[Plane, Plane], ...]:
        """The plane a standard deviation either way along each principal axis of its covariance."""
        q, cov = self.unknowns()
        sd = np.sqrt(np.diag(cov))
        w, v = np.linalg.eigh(cov / np.outer(sd, sd))
        steps = [math.sqrt(lam) * axis * sd for lam, axis in zip(w, v.T, strict=True) if lam > 0]
        return tuple((self.with_unknowns(q + s), self.with_unknowns(q - s)) for s in steps)

    def u_of(self, quantity: Callable[[Plane], ArrayLike]) -> Vector:
        """Standard uncertainty the fitted pose and lens give to any quantity worked out from this plane.

        First-order propagation with the full covariance (GUM equation 13), by differences along its principal axes.
        Rival poses are too far away for that: what the quantity would be there counts by their probability.
        """
        total: Vector | float = 0.0
        for moved in self._moved:
            hi, lo = (np.asarray(quantity(p), dtype=float) for p in moved)
            total = total + ((hi - lo) / 2.0) ** 2
        if self.rivals:
            here = np.asarray(quantity(replace(self, rivals=())), dtype=float)
            for weight, params in self.rivals:
                total = total + weight * (np.asarray(quantity(self.with_params(params)), dtype=float) - here) ** 2
        return np.asarray(np.sqrt(total))


def fit_plane(
    scale: Scale, size_px: tuple[int, int], focal: Focal, k1_prior: float = K1_PRIOR, k1_expected: float = 0.0
) -> Plane:
    """Fit pose, focal length and radial term to a scale's points by weighted least squares with priors on the lens.

    Parameters
    ----------
    scale : Scale
    size_px : (width, height)
    focal : Focal
        From EXIF or a lens profile; its uncertainty is the prior on the focal length.
    k1_prior : float
        Standard deviation of the prior on the radial term.
    k1_expected : float
        Mean of that prior: the lens profile's, where there is one.

    Raises
    ------
    ScaleError
        If the points do not fix a plane.
    """
    if len(scale.image_px) < 4:
        raise ScaleError("The scale shows too few points to fix its plane.", "Show the whole scale in the photo.")
    centre = ((size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0)
    problem = _Problem(scale, focal, np.array(centre), CENTRE_PRIOR * max(size_px), k1_prior, k1_expected)
    fits = [
        f
        for p in _starts(scale, focal.px, centre)
        if (f := _robust(problem, np.append(_to_unknowns(p, problem.anchor), 0.0))) is not None
    ]
    if not fits:
        raise _misfit(scale)
    _compare(problem, fits)
    fit = fits[0]
    # residuals larger than their stated u widen the covariance (Birge ratio); smaller ones do not narrow it
    birge = max(1.0, float(fit.scatter) ** 2)
    by_unknown = _params_by_unknowns(fit.x[:_N_PARAMS], problem.anchor)
    cov_q = np.linalg.inv(fit.jac.T @ fit.jac)[:_N_PARAMS, :_N_PARAMS] * birge
    cov = by_unknown @ cov_q @ by_unknown.T
    weighed = fit.used[:, None] & np.isfinite(scale.u_px)
    px = problem.residuals(fit.x)[:-_N_PRIORS].reshape(-1, 2)[weighed] * scale.u_px[weighed]
    residual, anchor = float(np.sqrt(np.mean(px**2))), (float(problem.anchor[0]), float(problem.anchor[1]))
    plane = Plane(fit.params, cov, scale.u_rel, residual, len(px), float(fit.x[-1]), anchor, _rivals(fits))
    lens = problem.residuals(fit.x)[-_N_PRIORS:][:2]  # focal length and k1 over the u of what was known before
    if np.abs(lens).max() > _NO_LENS or plane.residual_px > MAX_MISFIT_MM * plane.px_per_mm(
        scale.plane_mm.mean(axis=0)
    ):
        raise _misfit(scale)
    return plane


def _compare(problem: _Problem, fits: list[OptimizeResult]) -> None:
    """Sort fits, best first, and give each its `cost` over the points that all of them kept.

    Residuals beyond what the points state are no reason to prefer a pose: they count less by the Birge ratio.
    """
    common = np.repeat(np.logical_and.reduce([f.used for f in fits]), 2)
    excess = max(1.0, min(float(f.scatter) for f in fits)) ** 2
    for f in fits:
        r = problem.residuals(f.x)
        data, known = r[:-_N_PRIORS][common], r[-_N_PRIORS:]
        f.cost = 0.5 * (float(data @ data) / excess + float(known @ known))
    fits.sort(key=lambda f: float(f.cost))


def _misfit(scale: Scale) -> ScaleError:
    printed = scale.kind in ("strip", "backdrop")
    name, why = {"id1": "card"}.get(scale.kind, scale.kind), "printed badly" if printed else "not whole in the photo"
    advice = "Lay it flat, or print it again." if printed else "Lay it flat, all of it in the picture."
    return ScaleError(f"The {name} does not fit its known form: bent, or {why}.", advice)


def _robust(problem: _Problem, start: Vector) -> OptimizeResult | None:
    """Least squares without what lies off, at most a quarter; `used` (N,) tells which points were kept."""
    fit = _weighted_fit(problem, start, np.ones(len(problem.scale.image_px)))
    if fit is None or (fit.off.max() <= _OFF and fit.scatter <= _LOOSE):
        return fit
    return _without_wild_markers(problem, fit) if problem.scale.ids else _without_wild_points(problem, fit)


def _without_wild_markers(problem: _Problem, fit: OptimizeResult) -> OptimizeResult | None:
    """Drop, one at a time, the marker without which the rest fit best, while that halves the scatter's square.

    A marker at the end that lies off (a curled corner) bends the fit to itself: only leaving it out tells.
    """
    ids = np.array(problem.scale.ids)
    for _ in range(len(set(ids)) // 4):
        rest = [_weighted_fit(problem, fit.x, fit.used & (ids != n)) for n in sorted(set(ids[fit.used]))]
        better = min((f for f in rest if f is not None), key=lambda f: float(f.scatter), default=None)
        if fit.scatter <= _LOOSE or better is None or better.scatter**2 > 0.5 * fit.scatter**2:
            break
        fit = better
    return fit


def _without_wild_points(problem: _Problem, fit: OptimizeResult) -> OptimizeResult | None:
    """Least absolute deviations by re-weighting, then least squares of the points within four times the scatter."""
    for _ in range(6):
        mad = max(1.0, 1.4826 * float(np.median(fit.off)))
        again = _weighted_fit(problem, fit.x, np.sqrt(np.minimum(1.0, mad / np.maximum(fit.off, 1e-9))))
        if again is None:
            return None
        fit = again
    for _ in range(5):
        keep = fit.off <= _OFF * max(1.0, 1.4826 * float(np.median(fit.off)))
        again = _weighted_fit(problem, fit.x, keep if keep.mean() >= 0.75 else np.ones(len(keep)))
        if again is None or np.array_equal(again.used, fit.used):
            return again
        fit = again
    return fit


def _weighted_fit(problem: _Problem, start: Vector, weight: NDArray[Any]) -> OptimizeResult | None:
    """Weighted least squares; with `off`, each point over its u, `scatter`, their RMS, and `used`."""
    w = np.concatenate([np.repeat(np.asarray(weight, dtype=np.float64), 2), np.ones(_N_PRIORS)])
    of, by = problem.residuals, problem.jacobian
    fit = least_squares(lambda q: of(q) * w, start, lambda q: by(q) * w[:, None], method="lm", x_scale=_STEPS)
    if not fit.success:
        return None
    fit.params = _to_params(fit.x[:_N_PARAMS], problem.anchor)
    r = problem.residuals(fit.x)[:-_N_PRIORS].reshape(-1, 2)
    fit.used = np.asarray(weight) > 0.0
    weighed = np.isfinite(problem.scale.u_px) & fit.used[:, None]
    fit.off = np.abs(r).max(axis=1)
    fit.scatter = math.sqrt(float(np.sum(r[weighed] ** 2)) / max(1, int(weighed.sum()) - 6))
    return fit


@dataclass(frozen=True)
class _Problem:
    """What the fit makes small: weighted distances of the points, then the priors on lens, tilt and outward shift.

    Moves the ten unknowns of `Plane.unknowns`, and the outward shift of the print's edges (mm).
    """

    scale: Scale
    focal: Focal
    middle: Vector
    u_centre: float
    k1_prior: float
    k1_expected: float

    def residuals(self, q: Vector) -> Vector:
        """Shape (2 N + 7,)."""
        seen, _ = self._project(q)
        tilt = cv2.Rodrigues(q[:3])[0][2, :2]  # the line of sight in the plane's own frame: sines of the tilt
        known = np.concatenate(
            [
                [(q[6] - math.log(self.focal.px)) / self.focal.u_rel, (q[7] - self.k1_expected) / self.k1_prior],
                (q[8:10] - self.middle) / self.u_centre,
                tilt / self.scale.tilt_prior_rad,
                [q[10] / self.scale.u_outward_mm],
            ]
        )
        off = self._weight @ (seen - self.scale.image_px)[..., None]
        return np.concatenate([off.ravel(), known])

    def jacobian(self, q: Vector) -> NDArray[np.float64]:
        """Of `residuals`, shape (2 N + 7, 11); image derivatives from `cv2.projectPoints`."""
        _, d = self._project(q)
        rotation, by_vector = cv2.Rodrigues(q[:3])
        j = np.zeros((len(d), 2, 11))
        j[..., :3] = d[..., :3]
        j[..., 3:10] = d[..., 3:6] @ _place_by_unknowns(q)[:, 3:]
        j[..., 6] += np.stack([d[:, 0, 6], d[:, 1, 7]], axis=1) * math.exp(q[6])  # by ln f, the middle's place kept
        j[..., 7] += d[..., 10]
        j[:, 0, 8] += 1.0
        j[:, 1, 9] += 1.0
        j[..., 10] = (d[..., 3:6] @ (self._print[1] @ rotation.T)[..., None])[..., 0]
        known = np.zeros((_N_PRIORS, 11))
        known[0, 6], known[1, 7], known[6, 10] = 1 / self.focal.u_rel, 1 / self.k1_prior, 1 / self.scale.u_outward_mm
        known[2, 8] = known[3, 9] = 1.0 / self.u_centre
        known[4:6, :3] = by_vector[:, 6:8].T / self.scale.tilt_prior_rad
        return np.concatenate([(self._weight @ j).reshape(-1, 11), known])

    @cached_property
    def anchor(self) -> Vector:
        """The scale's middle, mm, shape (2,)."""
        return np.asarray(self.scale.plane_mm.mean(axis=0))

    @cached_property
    def _print(self) -> NDArray[np.float64]:
        """The points about the anchor, and how an outward shift moves them, mm, shape (2, N, 3)."""
        flat = np.zeros((2, len(self.scale.plane_mm), 3))
        flat[0, :, :2] = self.scale.plane_mm - self.anchor
        flat[1, :, :2] = 0.0 if self.scale.outward_mm is None else self.scale.outward_mm
        return flat

    @cached_property
    def _weight(self) -> NDArray[np.float64]:
        """What turns each point's residual into the axes its `u_px` is stated in and divides it by that, (N, 2, 2)."""
        angle = self.scale.turn_rad if self.scale.turn_rad is not None else np.zeros(len(self.scale.u_px))
        c, s = np.cos(angle), np.sin(angle)
        return np.asarray(np.stack([c, s, -s, c], axis=-1).reshape(-1, 2, 2) / self.scale.u_px[..., None])

    def _project(self, q: Vector) -> tuple[Vector, NDArray[np.float64]]:
        """Where the points are seen (N, 2), and the derivatives (N, 2, 14 or more) in OpenCV's order."""
        f = math.exp(q[6])
        k = np.array([[f, 0.0, q[8]], [0.0, f, q[9]], [0.0, 0.0, 1.0]])
        at = self._print[0] + q[10] * self._print[1]
        seen, jac = cv2.projectPoints(at, q[:3], _place(q), k, np.array([q[7], 0.0, 0.0, 0.0]))
        return np.asarray(seen.reshape(-1, 2)), np.asarray(jac.reshape(len(at), 2, -1))


def _rivals(fits: list[OptimizeResult]) -> tuple[tuple[float, Vector], ...]:
    """Poses the points allow besides the best one, each with its probability: the likelihood ratio, normalised.

    A circle has two (the two nappes of its cone).
    """
    best, found = fits[0], list[tuple[float, Vector]]()
    for f in fits[1:]:
        known = [best.params, *(p for _, p in found)]
        if all(_turned_between(f.params, p) > _SAME_POSE for p in known):
            found.append((math.exp(max(best.cost - f.cost, -700.0)), f.params))
    total = 1.0 + sum(w for w, _ in found)
    return tuple((w / total, p) for w, p in found if w / total > _NEGLIGIBLE)


def _turned_between(a: Vector, b: Vector) -> float:
    """Angle in radians between the lines of sight of two poses, in the plane's frame."""
    one, two = cv2.Rodrigues(a[:3])[0][2], cv2.Rodrigues(b[:3])[0][2]
    return float(np.linalg.norm(one - two))


def _starts(scale: Scale, f: float, centre: tuple[float, float]) -> list[Vector]:
    """Where to start the fit: the points' pose; where they tell little of the tilt, both poses and square on."""
    k = np.array([[f, 0, centre[0]], [0, f, centre[1]], [0, 0, 1.0]])
    object_mm = np.column_stack([scale.plane_mm, np.zeros(len(scale.plane_mm))])
    image = np.ascontiguousarray(scale.image_px)
    n, rvecs, tvecs, _ = cv2.solvePnPGeneric(object_mm, image, k, None, flags=cv2.SOLVEPNP_IPPE)
    if not n:
        raise ScaleError("The scale's points do not fix a plane.", "Show more of the scale in the photo.")
    rest = [math.log(f), 0.0, *centre]
    poses = [np.concatenate([r.ravel(), t.ravel(), rest]) for r, t in zip(rvecs, tvecs, strict=True)]
    if math.isinf(scale.tilt_prior_rad):
        return poses[:1]
    return [*poses, _square_on(scale.plane_mm, image, f, centre)]


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
    return np.concatenate([cv2.Rodrigues(rotation)[0].ravel(), shift, [math.log(f), 0.0, *centre]])
