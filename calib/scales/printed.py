"""The two printed scales: their layouts, and finding them by their markers (ArUco dictionary 4x4_50)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.scales.base import Scale
from shared.errors import ScaleError

__all__ = ["Marker", "STRIP", "BACKDROP", "find_markers", "find_printed"]

DICTIONARY = cv2.aruco.DICT_4X4_50
PRINT_U_REL = 5e-4
"""Relative standard uncertainty of a print whose check bar was measured: 0.05 mm on 100 mm, a calliper's reading of a printed bar."""


@dataclass(frozen=True, slots=True)
class Marker:
    """A printed marker: number, left edge and top edge from the sheet's top left corner (y down), side; millimetres."""

    id: int
    left: float
    top: float
    side: float

    def corners(self) -> NDArray[np.float64]:
        """Corners clockwise from the top left as OpenCV orders them, y UP, shape (4, 2)."""
        x0, x1, y0, y1 = self.left, self.left + self.side, -self.top, -(self.top + self.side)
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


STRIP_SIZE = (124.0, 16.0)
STRIP = tuple(Marker(i, 4.0 + 12.0 * i, 2.0, 8.0) for i in range(10))
BACKDROP_SIZE = (92.0, 26.0)
BACKDROP = tuple(Marker(20 + i, 8.0 + 11.4 * i, 2.0, 8.0) for i in range(7)) + tuple(
    Marker(30 + i, 4.0 + 4.5 * i, 12.5, 3.0) for i in range(19)
)
_LAYOUTS = {"strip": (STRIP, STRIP_SIZE), "backdrop": (BACKDROP, BACKDROP_SIZE)}
_SEARCH_WIDTH = 2000  # px; markers are found on a reduced picture, their corners refined on the full one


def find_markers(photo: Photo) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """All markers in a photo: ids (N,) and corners (N, 4, 2) in full-resolution pixels, sub-pixel."""
    factor = max(1.0, photo.width / _SEARCH_WIDTH)
    small = (
        photo.gray
        if factor == 1.0
        else cv2.resize(photo.gray, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    )
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), cv2.aruco.DetectorParameters())
    found, ids, _ = detector.detectMarkers(small)
    if ids is None or len(found) == 0:
        return np.empty(0, np.int64), np.empty((0, 4, 2))
    corners = np.asarray(found, dtype=np.float64).reshape(-1, 4, 2)
    corners = (corners + 0.5) * factor - 0.5
    return np.asarray(ids, dtype=np.int64).ravel(), np.array([_refine(photo, c) for c in corners])


def _refine(photo: Photo, corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """Refine four corners on the full picture."""
    side = float(np.linalg.norm(corners[1] - corners[0]))
    half = int(np.clip(side / 24.0, 3, 15))
    pts = corners.astype(np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.005)
    cv2.cornerSubPix(photo.gray, pts, (half, half), (-1, -1), criteria)
    return np.asarray(pts.reshape(4, 2), dtype=np.float64)


def find_printed(photo: Photo, kind: str, factor: float = 1.0) -> Scale:
    """Find the strip or the backdrop.

    Parameters
    ----------
    kind : {'strip', 'backdrop'}
    factor : float
        True length over nominal length of this print.

    Raises
    ------
    ScaleError
        If no marker of that scale is in the photo, or a marker appears twice.
    """
    layout, size = _LAYOUTS[kind]
    known = {m.id: m for m in layout}
    ids, corners = find_markers(photo)
    keep = [i for i, n in enumerate(ids) if int(n) in known]
    if not keep:
        raise ScaleError(
            f"No {kind} was found in the photo.", f"Lay the printed {kind} in the picture, whole and sharp."
        )
    numbers = [int(ids[i]) for i in keep]
    if len(set(numbers)) < len(numbers):
        raise ScaleError(f"The photo shows more than one {kind}.", "Leave only one in the picture.")
    image = np.concatenate([corners[i] for i in keep])
    plane = np.concatenate([known[n].corners() for n in numbers]) * factor
    u = np.full(image.shape, 0.1)
    h, _ = cv2.findHomography(plane, image)
    w_mm, h_mm = size
    sheet = np.array([[[0, 0], [w_mm, 0], [w_mm, -h_mm], [0, -h_mm]]], dtype=np.float64) * factor
    outline = cv2.perspectiveTransform(sheet, h)[0]
    return Scale(kind, image, plane, u, PRINT_U_REL, outline, tuple(n for n in numbers for _ in range(4)))


def layout_rms(scale: Scale) -> float:
    """RMS distance in px between the points and their best homography: large when the sheet is bent or badly printed."""
    h, _ = cv2.findHomography(scale.plane_mm, scale.image_px)
    seen = cv2.perspectiveTransform(scale.plane_mm[None], h)[0]
    return math.sqrt(float(np.mean(np.sum((seen - scale.image_px) ** 2, axis=1))))
