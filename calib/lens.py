"""What the lens does: its radial term from edges that are straight in reality, and a lens profile from a printed board.

A coin, a card or two marked points say little of the radial term or the tilt. The edges of the work do: straight ones
fix the radial term (the plumb-line method: D. C. Brown, Close-range camera calibration, Photogrammetric Engineering
37, 1971, from memory), parallel ones the tilt.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.lines import weighted_lines
from calib.photo import Focal, Photo
from calib.plane import Plane, undistort
from calib.pose_fit import K1_PRIOR
from shared.errors import OptionError, ScaleError

__all__ = [
    "StraightEdge",
    "k1_from_lines",
    "refine_plane_with_lines",
    "LensProfile",
    "Board",
    "profile_from_charuco",
    "profile_to_json",
    "profile_from_json",
]

Vector = NDArray[np.float64]
Points = NDArray[np.float32]

PROFILE_FORMAT = 1
MIN_PHOTOS = 5
"""Least photos of the board: focal length and distance come apart only over several tilts (common practice)."""
MIN_CORNERS = 12
"""Least corners of the board in a photo: twice the six a pose needs, so that residuals mean something."""
U_STRAIGHT_PX = 0.05
"""What a sawn or printed edge departs from straight besides its scatter, so that long edges are not trusted too far."""
_LINE_NUMBERS = 2  # offset and direction of a line
_K1_STEP = 0.01  # about what k1 moves by in a step of the fit
_FIRST_FOCAL = 1.3  # of the longer side, where a calibration starts: phones have 0.7 to 2 (common practice, no source)
_BLURRED = 2.0  # times the median residual: a photo beyond it was moved or out of focus


@dataclass(frozen=True)
class StraightEdge:
    """Points along an edge that is straight in reality.

    Attributes
    ----------
    px : ndarray of float, shape (N, 2)
        Points ``(x, y)`` in photo pixels.
    u_px : ndarray of float, shape (N,)
        Standard uncertainty across the edge; inf leaves a point out.
    parallel : str
        Edges with the same name are parallel to each other and to the scale's plane; empty: to none.
    """

    px: Vector
    u_px: Vector
    parallel: str = ""

    @property
    def valid(self) -> NDArray[np.bool_]:
        """Which points say something, shape (N,)."""
        return np.isfinite(self.px).all(axis=1) & np.isfinite(self.u_px)


def k1_from_lines(
    edges: Sequence[StraightEdge], size_px: tuple[int, int], focal_px: float, k1_prior: float = K1_PRIOR
) -> tuple[float, float]:
    """The radial term that makes `edges` straight, and its standard uncertainty, for a lens centred on the picture."""
    centre = (np.array(size_px) - 1) / 2.0
    kept = [_valid_points(e) for e in edges]

    def residuals(p: Vector) -> Vector:
        (k1,) = p
        bent = [_from_straight(undistort((e.px - centre) / focal_px, k1) * focal_px, e.u_px) for e in kept]
        return np.concatenate([*bent, p / k1_prior])

    fit = least_squares(residuals, np.zeros(1), x_scale=_K1_STEP)
    (k1,), of_points = fit.x, fit.fun[:-1]
    birge = _birge_ratio(of_points, sum(len(e.px) - _LINE_NUMBERS for e in kept))
    return float(k1), birge / math.sqrt(float(np.sum(fit.jac**2)))


def refine_plane_with_lines(plane: Plane, edges: Sequence[StraightEdge]) -> Plane:
    """The plane that agrees best with its scale and with edges that are straight, or parallel, in reality.

    Parameters
    ----------
    plane : Plane
        From `fit_plane`; its parameters and covariance are what is known so far.
    edges : sequence of StraightEdge
        Parallel edges lie on the scale's plane or on planes parallel to it, at any height.

    Returns
    -------
    Plane
        With smaller or equal covariance. Edges less straight than they state count accordingly less.
    """
    edges = [e for e in edges if e.valid.sum() > _LINE_NUMBERS]
    if not edges:
        return plane
    start, prior = plane.unknowns()
    sd = np.sqrt(np.diag(prior))
    whitened = np.linalg.inv(np.linalg.cholesky(prior / np.outer(sd, sd))) / sd

    def residuals(q: Vector, birge: float) -> Vector:
        return np.concatenate([_residuals_on(plane.with_unknowns(q), edges) / birge, whitened @ (q - start)])

    fit = least_squares(residuals, start, x_scale=sd, args=(1.0,))
    birge = _birge_ratio(fit.fun[: -len(sd)], sum(int(e.valid.sum()) - _LINE_NUMBERS for e in edges))
    if birge > 1.0:  # again, with the scatter that was seen
        fit = least_squares(residuals, fit.x, x_scale=sd, args=(birge,))
    cov = np.linalg.inv((fit.jac.T @ fit.jac) * np.outer(sd, sd)) * np.outer(sd, sd)
    return plane.with_unknowns(fit.x, cov)


def _valid_points(e: StraightEdge) -> StraightEdge:
    return StraightEdge(e.px[e.valid], np.hypot(e.u_px[e.valid], U_STRAIGHT_PX), e.parallel)


def _birge_ratio(r: Vector, dof: int) -> float:
    """Root of the reduced chi-square of residuals over their u, at least 1."""
    return max(1.0, math.sqrt(float(np.sum(r**2)) / max(1, dof)))


def _residuals_on(plane: Plane, edges: Sequence[StraightEdge]) -> Vector:
    """Distances from straight, and from parallel, over u; the lines' own offsets and directions are fitted away."""
    out = []
    groups: dict[str, list[StraightEdge]] = {}
    for e in map(_valid_points, edges):
        groups.setdefault(e.parallel, []).append(e)
    for name, members in groups.items():
        if not name or len(members) == 1:
            out += [
                _from_straight(undistort((e.px - plane.centre_px) / plane.focal_px, plane.k1) * plane.focal_px, e.u_px)
                for e in members
            ]
        else:
            out.append(_from_parallel(plane, members))
    return np.concatenate(out)


def _from_straight(px: Vector, u: Vector) -> Vector:
    """Distances of points (N, 2) from their best line, over u."""
    d = px - px.mean(axis=0)
    axis = np.linalg.svd(d, full_matrices=False)[2][0]
    t, o = d @ axis, d @ np.array([-axis[1], axis[0]])
    centre, a, b = weighted_lines(t[None], o[None], (1.0 / u**2)[None])
    return np.asarray((o - a - b * (t - centre)) / u)


def _from_parallel(plane: Plane, members: Sequence[StraightEdge]) -> Vector:
    """Distances of points from lines of one common direction on the plane, over u, an offset fitted to each line."""
    mm = [plane.to_mm(e.px) for e in members]
    longest = max(mm, key=lambda m: float(np.ptp(m, axis=0).max()))
    axis = np.linalg.svd(longest - longest.mean(axis=0), full_matrices=False)[2][0]
    normal = np.array([-axis[1], axis[0]])
    rows = []
    for m, e in zip(mm, members, strict=True):
        u_mm = e.u_px / plane.px_per_mm(m.mean(axis=0))
        w = 1.0 / u_mm**2
        t, o = m @ axis, m @ normal
        rows.append((t - (w * t).sum() / w.sum(), o - (w * o).sum() / w.sum(), u_mm))
    t, o, u = (np.concatenate(v) for v in zip(*rows, strict=True))
    slope = float((t * o / u**2).sum() / (t**2 / u**2).sum())
    return np.asarray((o - slope * t) / u)


@dataclass(frozen=True, slots=True)
class LensProfile:
    """A lens at one setting of zoom and focus, found from photos of a printed board.

    Attributes
    ----------
    name : str
        As the person calls camera and setting.
    focal : float
        Focal length over the picture's longer side, so that it holds for resized photos.
    u_focal : float
        Its standard uncertainty.
    k1, u_k1 : float
        Radial term and its standard uncertainty.
    residual_px : float
        RMS distance of the board's corners from the fitted model.
    photos : int
        How many photos it rests on.
    """

    name: str
    focal: float
    u_focal: float
    k1: float
    u_k1: float
    residual_px: float
    photos: int

    def focal_px(self, size_px: tuple[int, int]) -> Focal:
        """Focal length for photos of that size, to hand to `fit_plane`."""
        return Focal(self.focal * max(size_px), self.u_focal / self.focal, "lens profile")


@dataclass(frozen=True, slots=True)
class Board:
    """A printed ChArUco board: squares across and down, their side and the markers' side in mm, and its dictionary."""

    squares: tuple[int, int] = (8, 6)
    square_mm: float = 24.0
    marker_mm: float = 18.0
    dictionary: int = cv2.aruco.DICT_5X5_100

    def opencv(self) -> cv2.aruco.CharucoBoard:
        """The same board as OpenCV describes it."""
        words = cv2.aruco.getPredefinedDictionary(self.dictionary)
        return cv2.aruco.CharucoBoard(self.squares, self.square_mm, self.marker_mm, words)


def profile_from_charuco(photos: Sequence[Photo], name: str, board: Board | None = None) -> LensProfile:
    """A lens profile from at least five photos of the board, tilted different ways, all at one zoom and focus.

    Calibration by Zhang's method as OpenCV does it, with square pixels and one radial term, as `Plane` has.

    Raises
    ------
    ScaleError
        If fewer than five photos show enough of the board.
    OptionError
        If the photos are not all of one size.
    """
    printed = (board or Board()).opencv()
    sizes = {(p.width, p.height) for p in photos}
    if len(sizes) > 1:
        raise OptionError("The photos of the board have different sizes.", "Take all of them with one camera setting.")
    detector = cv2.aruco.CharucoDetector(printed)
    views = []
    for p in photos:
        corners, ids, _, _ = detector.detectBoard(p.gray)
        if ids is not None and len(ids) >= MIN_CORNERS:
            places = np.asarray(printed.getChessboardCorners(), dtype=np.float32)
            views.append((places[np.ravel(ids)], np.asarray(corners, dtype=np.float32)))
    if len(views) < MIN_PHOTOS:
        raise ScaleError(
            f"{len(views)} of the photos show enough of the board; {MIN_PHOTOS} are needed.",
            "Take more, each from another side, sharp and with most of the board in the picture.",
        )
    return _calibrate(views, next(iter(sizes)), name)


def _calibrate(views: list[tuple[Points, Points]], size_px: tuple[int, int], name: str) -> LensProfile:
    """Twice: the second time without photos whose residual stands out (one blurred photo spoils all)."""
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3
    long_side = max(size_px)
    f = _FIRST_FOCAL * long_side
    start = np.array([[f, 0, (size_px[0] - 1) / 2], [0, f, (size_px[1] - 1) / 2], [0, 0, 1]])
    for turn in range(2):
        rms, camera, lens, _, _, sd, _, each = cv2.calibrateCameraExtended(
            [v[0] for v in views], [v[1] for v in views], size_px, start.copy(), np.zeros(5),
            flags=flags | cv2.CALIB_USE_INTRINSIC_GUESS,
        )  # fmt: skip
        sharp = each.ravel() <= _BLURRED * np.median(each)
        if turn or sharp.all() or sharp.sum() < MIN_PHOTOS:
            break
        views = [v for v, ok in zip(views, sharp, strict=True) if ok]
    (k1, *_), (u_fx, u_fy, _, _, u_k1, *_) = np.ravel(lens), np.ravel(sd)
    return LensProfile(
        name,
        float(camera[0, 0]) / long_side,
        float(max(u_fx, u_fy)) / long_side,
        float(k1),
        float(u_k1),
        float(rms),
        len(views),
    )


def profile_to_json(profile: LensProfile) -> str:
    """A small versioned text, the inverse of `profile_from_json`."""
    return json.dumps({"format": PROFILE_FORMAT, "kind": "lens profile", **asdict(profile)}, indent=1)


def profile_from_json(text: str) -> LensProfile:
    """Read a lens profile.

    Raises
    ------
    OptionError
        If the text is not one, or was written by a newer version.
    """
    bad = OptionError("The file is not a lens profile.", "Make the profile again from photos of the board.")
    try:
        data = dict(json.loads(text))
        if data.pop("kind") != "lens profile":
            raise bad
        if int(data.pop("format")) > PROFILE_FORMAT:
            raise OptionError("The lens profile is from a newer version.", "Update the program, or make it again.")
        profile = LensProfile(**data)
        numbers = [float(getattr(profile, n)) for n in ("focal", "u_focal", "k1", "u_k1", "residual_px")]
    except (ValueError, KeyError, TypeError):
        raise bad from None
    if not (all(map(math.isfinite, numbers)) and profile.focal > 0.0 < profile.u_focal):
        raise bad
    return profile
