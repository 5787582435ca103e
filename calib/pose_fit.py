"""The pose of a scale's plane and the lens it is seen with, fitted to the scale's points.

Weighted least squares with priors on the lens, the tilt and the print; what lies off is left out, and what a scale
leaves open (a coin's other tilt) is kept as an alternative with its probability.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.lines import MAD_TO_SD
from calib.photo import ASSUMED, CENTRE_PRIOR, PROFILE, Focal
from calib.plane import (
    CENTRE,
    POSE_AND_LENS,
    ROTATION,
    Plane,
    Unknown,
    Vector,
    anchor_by_unknowns,
    anchor_in_camera,
    params_by_unknowns,
    to_params,
    to_unknowns,
)
from calib.scales.base import Scale
from calib.scales.printed import PRINTED
from calib.start_poses import LEAST_POINTS, shows_its_face, start_poses
from calib.unflat import heights_covariance
from shared.errors import ScaleError

__all__ = ["fit_plane", "K1_PRIOR"]

K1_PRIOR = 0.06
"""Standard deviation of the radial term before looking: covers phone and camera lenses (common practice, no source)."""
K1_PRIOR_UNKNOWN_LENS = 0.2
"""The same where the photo says nothing of its lens: webcams and action cameras reach -0.3, twice that in wide ones
(common practice, no source)."""
MAX_MISFIT_MM = 0.15
"""RMS misfit from which a scale is called bent or misprinted: its lengths are then no better than the wear it reads."""
LEAST_MISFIT_PX = 1.0
"""RMS misfit that is never called a bend: in a small photo 0.15 mm is less than what JPEG, sampling and the rest of the
lens do to a point. The scatter widens the uncertainty either way."""
_OUTLIER = 4.0
"""Residual over u (or over the scatter, if larger) from which a point is left out: of normally distributed ones 6 in
100 000 lie further off."""
_LEAST_KEPT = 0.75
"""Share of the points that must be kept: with more left out, it would be another scale that is fitted."""
_WIDE_SCATTER = 1.5
"""Scatter over stated u from which outliers are looked for: with eight degrees of freedom chance alone reaches it once
in fifty (chi-square)."""
_CLEARLY_BETTER = 0.5
"""Share of the scatter's square that leaving out a marker must come down to: a marker too many only takes its share."""
_REWEIGHTINGS, _TRIMMINGS = 6, 5
"""Rounds of re-weighting, and of trimming at most: trimming ends when the points that are kept stay the same."""
_SAME_POSE_RAD = 0.002
"""Two fits whose lines of sight are nearer than this are one pose reached twice: the fit's own tolerance is finer."""
_IMPOSSIBLE_LENS = 5.0
"""Standard deviations from what the lens was expected to be: no lens is, so the scale has another shape."""
_MOST_BARREL = 0.4
"""Barrel distortion, as a radial term, that a lens may have of which the photo names only the focal length: old zooms,
webcams and action cameras reach -0.3 (common practice, no source), and a scale tells it to a tenth of that. To look the
same through a usual lens a strip would have to bow by 2 % of its distance, 6 mm."""
_NEXT_TERM = 0.6  # of the first radial term: 1/5 over 1/3
_NEGLIGIBLE = 1e-6
"""Probability of an alternative pose below which it is forgotten: a tilt of 30 degrees then counts as 0.03 degrees."""
_LEAST_EXPONENT = -700.0  # of e before it underflows
_POSE_NUMBERS = 6  # degrees of freedom that the points, not the priors, pay for
_STEPS = np.array([0.01, 0.01, 0.01, 1.0, 1.0, 1e-3, 0.01, 0.01, 10.0, 10.0, 0.01])
"""About what each unknown moves by in a step, in its unit: brings the columns of the Jacobian to one size."""
_PRIOR_FOCAL, _PRIOR_K1, _PRIOR_CENTRE, _PRIOR_TILT, _PRIOR_OUTWARD = 0, 1, slice(2, 4), slice(4, 6), 6
"""Rows of the priors, in the order in which they are written."""
_PRIORS = 7  # rows of the priors after those of the points


class _CvColumn:
    """Columns of the derivatives that `cv2.projectPoints` gives."""

    ROTATION, TRANSLATION, FOCAL_X, FOCAL_Y, K1 = slice(0, 3), slice(3, 6), 6, 7, 10


@dataclass(frozen=True)
class _Fit:
    """A fit that came to rest.

    Attributes
    ----------
    q : ndarray, shape (11,)
        The unknowns, in the order of `Unknown`.
    jacobian : ndarray, shape (2 N + 7, 11)
        Of the weighted residuals there.
    params : ndarray, shape (10,)
        `Plane.params`.
    used : ndarray of bool, shape (N,)
        Points that were not left out.
    residual : ndarray, shape (N,)
        Each point's larger residual over its u, left out or not.
    scatter : float
        RMS of the used ones (root of the reduced chi-square).
    """

    q: Vector
    jacobian: NDArray[np.float64]
    params: Vector
    used: NDArray[np.bool_]
    residual: Vector
    scatter: float


def fit_plane(scale: Scale, size_px: tuple[int, int], focal: Focal) -> Plane:
    """Fit pose, focal length and radial term to a scale's points by weighted least squares with priors on the lens.

    Parameters
    ----------
    scale : Scale
    size_px : (width, height)
    focal : Focal
        From EXIF or a lens profile; its uncertainty is the prior on the focal length, and what it says of the radial
        term and the principal point are the priors on these; where it says nothing, they are what is usual.

    Raises
    ------
    ScaleError
        If the points do not fix a plane.

    Examples
    --------
    A 40 mm square seen squarely, 10 px to the millimetre, known to 0.1 px:

    >>> square = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 40.0], [0.0, 40.0]])
    >>> seen = np.array([800.0, 900.0]) + square * [10.0, -10.0]
    >>> scale = Scale("card", seen, square, np.full((4, 2), 0.1), 1e-3, seen)
    >>> plane = fit_plane(scale, (2000, 1500), Focal(3000.0, 0.02, "EXIF"))
    >>> f"{plane.px_per_mm([20.0, 20.0]):.2f} px/mm, {plane.distance_mm:.0f} mm away"
    '10.00 px/mm, 300 mm away'
    """
    if len(scale.image_px) < LEAST_POINTS:
        raise ScaleError("The scale shows too few points to fix its plane.", "Show the whole scale in the photo.")
    centre = ((size_px[0] - 1) / 2.0, (size_px[1] - 1) / 2.0)
    u_k1 = focal.u_k1 or (K1_PRIOR_UNKNOWN_LENS if focal.source == ASSUMED else K1_PRIOR)
    u_centre = focal.u_centre_px or CENTRE_PRIOR * max(size_px)
    problem = _Problem(scale, focal, np.array(centre) + focal.centre_px, u_centre, u_k1)
    starts = start_poses(scale, focal.px, centre)
    reached = [_fit_without_outliers(problem, np.append(to_unknowns(p, problem.anchor), 0.0)) for p in starts]
    fits = [f for f in reached if f is not None]
    if not fits:
        raise _does_not_fit(scale)
    ranked = sorted(zip(_costs(problem, fits), fits, strict=True), key=lambda pair: pair[0])
    fit = ranked[0][1]
    r = problem.residuals(fit.q)
    weighed = fit.used[:, None] & np.isfinite(scale.u_px)
    px = r[:-_PRIORS].reshape(-1, 2)[weighed] * scale.u_px[weighed]
    cov = _covariance(fit, problem)
    if focal.source != PROFILE:
        cov[Unknown.K1, Unknown.K1] += _u_of_one_term(fit.params, size_px) ** 2
    plane = Plane(
        fit.params,
        cov,
        scale.u_rel,
        float(np.sqrt(np.mean(px**2))),
        len(px),
        float(fit.q[Unknown.OUTWARD]),
        (float(problem.anchor[0]), float(problem.anchor[1])),
        _alternatives(ranked),
        focal.source,
    )
    focal_off, k1_off = r[-_PRIORS:][[_PRIOR_FOCAL, _PRIOR_K1]].tolist()
    largest_px = max(MAX_MISFIT_MM * plane.px_per_mm(scale.plane_mm.mean(axis=0)), LEAST_MISFIT_PX)
    if plane.residual_px > largest_px:
        raise _does_not_fit(scale)
    barrel = focal.source != PROFILE and -_MOST_BARREL < fit.q[Unknown.K1] < 0.0
    if abs(focal_off) > _IMPOSSIBLE_LENS or (abs(k1_off) > _IMPOSSIBLE_LENS and not barrel):
        raise _needs_another_lens(scale, focal)
    return plane


def _u_of_one_term(params: Vector, size_px: tuple[int, int]) -> float:
    """What the radial term of a strongly bent picture is uncertain by where the scale does not lie: at its corners.

    The next term of the series is not fitted. From none to that of a lens whose picture grows with the angle off its
    axis (r - r^3 / 3 + r^5 / 5) it is -0.6 of the first at most, anything between being as likely.
    """
    corner = math.hypot(*size_px) / 2.0 / math.exp(params[Unknown.LN_FOCAL])
    return _NEXT_TERM / math.sqrt(12.0) * abs(float(params[Unknown.K1])) * corner**2


def _covariance(fit: _Fit, problem: _Problem) -> NDArray[np.float64]:
    """Of `Plane.params`; residuals larger than their stated u widen it (Birge ratio), smaller ones do not narrow it.

    What the scale's lying unflat moves all points by together is no scatter, and is added.
    """
    birge = max(1.0, fit.scatter**2)
    by_unknowns = params_by_unknowns(fit.q[POSE_AND_LENS], problem.anchor)
    of_noise = np.asarray(np.linalg.inv(fit.jacobian.T @ fit.jacobian), dtype=np.float64)
    of_unknowns = of_noise * birge + _of_unflat(fit, problem, of_noise)
    return np.asarray(by_unknowns @ of_unknowns[POSE_AND_LENS, POSE_AND_LENS] @ by_unknowns.T)


def _of_unflat(fit: _Fit, problem: _Problem, of_noise: NDArray[np.float64]) -> NDArray[np.float64]:
    """Covariance of the unknowns from heights out of the plane, shape (11, 11): through the fit's own gain."""
    if problem.scale.u_flat_mm <= 0.0:
        return np.zeros_like(of_noise)
    of_points = fit.jacobian[:-_PRIORS].reshape(len(fit.used), 2, -1)
    by_heights = np.einsum("nku,nk->un", of_points, problem.moved_by_height(fit.q) * fit.used[:, None])
    heights = heights_covariance(problem.scale.plane_mm, problem.scale.u_flat_mm)
    gain = of_noise @ by_heights
    return np.asarray(gain @ heights @ gain.T)


def _costs(problem: _Problem, fits: list[_Fit]) -> list[float]:
    """Half the sum of squares of each fit, over the points that all of them kept and the priors.

    Residuals beyond what the points state are no reason to prefer a pose: they count less by the Birge ratio.
    """
    common = np.repeat(np.logical_and.reduce([f.used for f in fits]), 2)
    birge = max(1.0, min(f.scatter for f in fits)) ** 2
    costs = []
    for f in fits:
        r = problem.residuals(f.q)
        of_points, of_priors = r[:-_PRIORS][common], r[-_PRIORS:]
        costs.append(0.5 * (float(of_points @ of_points) / birge + float(of_priors @ of_priors)))
    return costs


def _name(scale: Scale) -> str:
    return {"id1": "card"}.get(scale.kind, scale.kind)


def _needs_another_lens(scale: Scale, focal: Focal) -> ScaleError:
    if focal.source == PROFILE:
        return ScaleError(
            f"The {_name(scale)} would lie flat only for a lens unlike that of the lens profile.",
            "Use the profile of the camera and zoom the photo was taken with, or none; lay the scale flat.",
        )
    return ScaleError(
        f"The {_name(scale)} would lie flat only for a lens unlike the one the photo names.",
        "Use the camera's original file, uncropped, or add a lens profile; lay the scale flat.",
    )


def _does_not_fit(scale: Scale) -> ScaleError:
    printed = scale.kind in PRINTED
    name, why = _name(scale), "printed badly" if printed else "not whole in the photo"
    advice = "Lay it flat, or print it again." if printed else "Lay it flat, all of it in the picture."
    return ScaleError(f"The {name} does not fit its known form: bent, or {why}.", advice)


def _fit_without_outliers(problem: _Problem, start: Vector) -> _Fit | None:
    """Least squares without outliers, at most a quarter of the points."""
    fit = _weighted_fit(problem, start, np.ones(len(problem.scale.image_px)))
    if fit is None or (fit.residual.max() <= _OUTLIER and fit.scatter <= _WIDE_SCATTER):
        return fit
    return _without_wild_markers(problem, fit) if problem.scale.ids else _without_wild_points(problem, fit)


def _without_wild_markers(problem: _Problem, fit: _Fit) -> _Fit:
    """Drop, one at a time, the marker without which the rest fit best, while that halves the scatter's square.

    A marker at the end that lies off (a curled corner) bends the fit to itself: only leaving it out tells.
    """
    ids = np.array(problem.scale.ids)
    for _ in range(len(set(ids)) // 4):
        rest = [_weighted_fit(problem, fit.q, fit.used & (ids != n)) for n in sorted(set(ids[fit.used]))]
        better = min((f for f in rest if f is not None), key=lambda f: f.scatter, default=None)
        if fit.scatter <= _WIDE_SCATTER or better is None or better.scatter**2 > _CLEARLY_BETTER * fit.scatter**2:
            break
        fit = better
    return fit


def _without_wild_points(problem: _Problem, fit: _Fit) -> _Fit | None:
    """Least absolute deviations by re-weighting, then least squares of the points within four times the scatter."""
    for _ in range(_REWEIGHTINGS):
        weight = np.sqrt(np.minimum(1.0, _spread(fit) / np.maximum(fit.residual, 1e-9)))
        again = _weighted_fit(problem, fit.q, weight)
        if again is None:
            return None
        fit = again
    for _ in range(_TRIMMINGS):
        keep = fit.residual <= _OUTLIER * _spread(fit)
        again = _weighted_fit(problem, fit.q, keep if keep.mean() >= _LEAST_KEPT else np.ones(len(keep)))
        if again is None or np.array_equal(again.used, fit.used):
            return again
        fit = again
    return fit


def _spread(fit: _Fit) -> float:
    """Robust standard deviation of the points' residuals over their u, at least 1."""
    return max(1.0, MAD_TO_SD * float(np.median(fit.residual)))


def _weighted_fit(problem: _Problem, start: Vector, weight: NDArray[Any]) -> _Fit | None:
    """Weighted least squares with one weight a point; None where it does not come to rest."""
    w = np.concatenate([np.repeat(np.asarray(weight, dtype=np.float64), 2), np.ones(_PRIORS)])
    of, by = problem.residuals, problem.jacobian
    try:
        found = least_squares(lambda q: of(q) * w, start, lambda q: by(q) * w[:, None], method="lm", x_scale=_STEPS)
    except (OverflowError, ValueError):  # focal length or distance ran away
        return None
    if not found.success or not shows_its_face(to_params(found.x[POSE_AND_LENS], problem.anchor)):
        return None
    r = problem.residuals(found.x)[:-_PRIORS].reshape(-1, 2)
    used = np.asarray(weight) > 0.0
    weighed = np.isfinite(problem.scale.u_px) & used[:, None]
    scatter = math.sqrt(float(np.sum(r[weighed] ** 2)) / max(1, int(weighed.sum()) - _POSE_NUMBERS))
    params = to_params(found.x[POSE_AND_LENS], problem.anchor)
    return _Fit(found.x, found.jac, params, used, np.abs(r).max(axis=1), scatter)


@dataclass(frozen=True)
class _Problem:
    """What the fit makes small: weighted distances of the points, then the priors on lens, tilt and outward shift."""

    scale: Scale
    focal: Focal
    middle: Vector
    u_centre: float
    u_k1: float

    def residuals(self, q: Vector) -> Vector:
        """Shape (2 N + 7,)."""
        seen, _ = self._project(q)
        known = np.empty(_PRIORS)
        known[_PRIOR_FOCAL] = (q[Unknown.LN_FOCAL] - math.log(self.focal.px)) / self.focal.u_rel
        known[_PRIOR_K1] = (q[Unknown.K1] - self.focal.k1) / self.u_k1
        known[_PRIOR_CENTRE] = (q[CENTRE] - self.middle) / self.u_centre
        # the line of sight in the plane's own frame: sines of the tilt
        known[_PRIOR_TILT] = cv2.Rodrigues(q[ROTATION])[0][2, :2] / self.scale.tilt_prior_rad
        known[_PRIOR_OUTWARD] = q[Unknown.OUTWARD] / self.scale.u_outward_mm
        of_points = self._weight @ (seen - self.scale.image_px)[..., None]
        return np.concatenate([of_points.ravel(), known])

    def jacobian(self, q: Vector) -> NDArray[np.float64]:
        """Of `residuals`, shape (2 N + 7, 11); image derivatives from `cv2.projectPoints`."""
        _, d = self._project(q)
        rotation, by_vector = cv2.Rodrigues(q[ROTATION])
        by_place, x, y = d[..., _CvColumn.TRANSLATION], 0, 1
        j = np.zeros((len(d), 2, len(Unknown)))
        j[..., ROTATION] = d[..., _CvColumn.ROTATION]
        j[..., Unknown.ANCHOR_X : POSE_AND_LENS.stop] = by_place @ anchor_by_unknowns(q)[:, Unknown.ANCHOR_X :]
        by_focal = np.stack([d[:, x, _CvColumn.FOCAL_X], d[:, y, _CvColumn.FOCAL_Y]], axis=1)
        j[..., Unknown.LN_FOCAL] += by_focal * math.exp(q[Unknown.LN_FOCAL])  # the anchor's place in the picture kept
        j[..., Unknown.K1] += d[..., _CvColumn.K1]
        j[:, x, Unknown.CENTRE_X] += 1.0
        j[:, y, Unknown.CENTRE_Y] += 1.0
        j[..., Unknown.OUTWARD] = (by_place @ (self._print[1] @ rotation.T)[..., None])[..., 0]
        known = np.zeros((_PRIORS, len(Unknown)))
        known[_PRIOR_FOCAL, Unknown.LN_FOCAL] = 1.0 / self.focal.u_rel
        known[_PRIOR_K1, Unknown.K1] = 1.0 / self.u_k1
        known[_PRIOR_CENTRE, CENTRE] = np.eye(2) / self.u_centre
        known[_PRIOR_TILT, ROTATION] = by_vector[:, 6:8].T / self.scale.tilt_prior_rad  # 6, 7: the matrix's [2, :2]
        known[_PRIOR_OUTWARD, Unknown.OUTWARD] = 1.0 / self.scale.u_outward_mm
        return np.concatenate([(self._weight @ j).reshape(-1, len(Unknown)), known])

    def moved_by_height(self, q: Vector) -> Vector:
        """How each weighted residual moves by a millimetre out of the plane, towards the camera, shape (N, 2)."""
        _, d = self._project(q)
        normal = cv2.Rodrigues(q[ROTATION])[0][:, 2]
        return np.asarray((self._weight @ (d[..., _CvColumn.TRANSLATION] @ normal)[..., None])[..., 0])

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
        f, (cx, cy) = math.exp(q[Unknown.LN_FOCAL]), q[CENTRE]
        camera = np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])
        at = self._print[0] + q[Unknown.OUTWARD] * self._print[1]
        lens = np.array([q[Unknown.K1], 0.0, 0.0, 0.0])
        seen, jac = cv2.projectPoints(at, q[ROTATION], anchor_in_camera(q), camera, lens)
        return np.asarray(seen.reshape(-1, 2)), np.asarray(jac.reshape(len(at), 2, -1))


def _alternatives(ranked: list[tuple[float, _Fit]]) -> tuple[tuple[float, Vector], ...]:
    """Poses the points allow besides the best one, each with its probability: the likelihood ratio, normalised.

    A circle has two (the two nappes of its cone).
    """
    (least, best), found = ranked[0], list[tuple[float, Vector]]()
    for cost, f in ranked[1:]:
        known = [best.params, *(p for _, p in found)]
        if all(_turned_between(f.params, p) > _SAME_POSE_RAD for p in known):
            found.append((math.exp(max(least - cost, _LEAST_EXPONENT)), f.params))
    total = 1.0 + sum(w for w, _ in found)
    return tuple((w / total, p) for w, p in found if w / total > _NEGLIGIBLE)


def _turned_between(a: Vector, b: Vector) -> float:
    """Angle in radians between the lines of sight of two poses, in the plane's frame."""
    one, two = cv2.Rodrigues(a[ROTATION])[0][2], cv2.Rodrigues(b[ROTATION])[0][2]
    return float(np.linalg.norm(one - two))
