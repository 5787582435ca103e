"""Where the fit of a scale's plane starts: the poses that the points allow, seen by an ideal lens."""

from __future__ import annotations

import math

import cv2
import numpy as np

from calib.plane import ROTATION, Vector
from calib.scales.base import Scale
from shared.errors import ScaleError

__all__ = ["LEAST_POINTS", "shows_its_face", "start_poses"]

LEAST_POINTS = 4
"""Points with two coordinates each that fix the eight numbers of a plane's homography."""


def start_poses(scale: Scale, focal_px: float, centre: tuple[float, float]) -> list[Vector]:
    """Where to start the fit: the points' pose; where they tell little of the tilt, both poses and the frontal one.

    Two points tell nothing of it, and have the frontal one alone.
    """
    lens = [math.log(focal_px), 0.0, *centre]
    frontal = np.concatenate([*_frontal_pose(scale.plane_mm, scale.image_px - centre, focal_px), lens])
    if np.isfinite(scale.u_px).any(axis=1).sum() < LEAST_POINTS - 1:
        return [frontal]
    camera = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1.0]])
    object_mm = np.column_stack([scale.plane_mm, np.zeros(len(scale.plane_mm))])
    image = np.ascontiguousarray(scale.image_px)
    n, rvecs, tvecs, _ = cv2.solvePnPGeneric(object_mm, image, camera, None, flags=cv2.SOLVEPNP_IPPE)
    if not n:
        raise ScaleError("The scale's points do not fix a plane.", "Show more of the scale in the photo.")
    poses = [np.concatenate([r.ravel(), t.ravel(), lens]) for r, t in zip(rvecs, tvecs, strict=True)]
    seen = [p for p in poses if shows_its_face(p)]
    if math.isinf(scale.tilt_prior_rad):
        return seen[:1] or [frontal]
    return [*seen, frontal]


def shows_its_face(params: Vector) -> bool:
    """Whether `Plane.params` are finite and show the plane's face: from behind it would be mirrored."""
    return bool(np.isfinite(params).all() and cv2.Rodrigues(params[ROTATION])[0][2, 2] < 0.0)


def _frontal_pose(plane_mm: Vector, from_centre_px: Vector, focal_px: float) -> tuple[Vector, Vector]:
    """Rotation vector and translation that look at the plane squarely: a similarity from plane (y up) to picture (y
    down), ``w = a z + b`` in complex numbers."""
    z = plane_mm[:, 0] + 1j * plane_mm[:, 1]
    w = from_centre_px[:, 0] - 1j * from_centre_px[:, 1]
    zc, wc = z - z.mean(), w - w.mean()
    a = np.vdot(zc, wc) / np.vdot(zc, zc).real
    b = w.mean() - a * z.mean()
    c, s = a.real / abs(a), a.imag / abs(a)
    rotation = np.array([[c, -s, 0.0], [-s, -c, 0.0], [0.0, 0.0, -1.0]])
    vector = np.asarray(cv2.Rodrigues(rotation)[0], dtype=np.float64).ravel()
    return vector, np.array([b.real / abs(a), -b.imag / abs(a), focal_px / abs(a)])
