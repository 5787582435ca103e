"""The two printed scales: their layouts, and finding them by their markers (ArUco dictionary 4x4_50)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import Line, edge_line, intersect
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
U_FLOOR_PX = 0.02
"""Error of a corner that its sides' scatter does not show: JPEG blocks, sharpening, print roughness, sides bent by the lens."""
U_INK_MM = 0.05
"""Spread of toner or ink beyond a nominal edge, standard deviation (common practice, no source): a printer dot at 600 dpi is 0.04 mm."""
U_SHARPENING_PX = 0.3
"""Shift of a black-to-white edge by sharpening before the photo was coded: up to a third of a blur of one pixel."""
_OUTWARD = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])  # of a marker's corners, y up
MAX_SIDE_RMS_PX = 0.5
"""A printed side seen whole scatters far less; more means it is covered, torn or bent."""
_ENDS = 1.0 / 8.0  # of a side left out at each end: more than the blur of its corner
_REACH = 0.8  # of a cell: the rows stay clear of the inner bits and of the next marker
_SEARCH_WIDTH = 2000  # px; markers are found on a reduced picture, their corners refined on the full one


def find_markers(photo: Photo) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """All markers in a photo: ids (N,), corners (N, 4, 2) and their u (N, 4, 2) in full-resolution pixels.

    A corner next to a side that is covered, cut or not straight is nan.
    """
    factor = max(1.0, photo.width / _SEARCH_WIDTH)
    small = (
        photo.gray
        if factor == 1.0
        else cv2.resize(photo.gray, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    )
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), cv2.aruco.DetectorParameters())
    found, ids, _ = detector.detectMarkers(small)
    if ids is None or len(found) == 0:
        return np.empty(0, np.int64), np.empty((0, 4, 2)), np.empty((0, 4, 2))
    corners = np.asarray(found, dtype=np.float64).reshape(-1, 4, 2)
    corners = (corners + 0.5) * factor - 0.5
    refined = [_refine(photo, c) for c in corners]
    return np.asarray(ids, dtype=np.int64).ravel(), np.array([c for c, _ in refined]), np.array([u for _, u in refined])


def _refine(photo: Photo, corners: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Corners (4, 2) as crossings of the fitted sides, and their u (4, 2); nan where a side next to one is not sound.

    Twice: the first round centres the rows on the sides, the second measures.
    """
    out, u = corners, np.full((4, 2), np.nan)
    for _ in range(2):
        sides = [_side(photo, out[k], out[(k + 1) % 4]) for k in range(4)]
        fresh, u = np.full((4, 2), np.nan), np.full((4, 2), np.nan)
        for k in range(4):
            before, after = sides[k - 1], sides[k]
            if before is not None and after is not None:
                fresh[k], cov = intersect(before, after)
                u[k] = np.sqrt(np.diag(cov) + U_FLOOR_PX**2)
        if not np.isfinite(fresh).all():
            return fresh, u
        out = fresh
    return out, u


def _side(photo: Photo, a: NDArray[np.float64], b: NDArray[np.float64]) -> Line | None:
    """One side of a marker, from a to b clockwise, fitted where it is away from corners and from the inner bits."""
    cell = float(np.linalg.norm(b - a)) / 6.0  # 4 x 4 bits and a border of one
    line = edge_line(photo, a + (b - a) * _ENDS, b - (b - a) * _ENDS, _REACH * cell, polarity=-1, spacing_px=cell / 4.0)
    return line if line is not None and line.rms < MAX_SIDE_RMS_PX else None


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
    ids, corners, u_corners = find_markers(photo)
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
    u = np.concatenate([u_corners[i] for i in keep])
    out = np.tile(_OUTWARD, (len(keep), 1))
    sound = np.isfinite(image).all(axis=1)
    if sound.sum() < 4:
        raise ScaleError(
            f"The edges of the {kind}'s markers are not clear enough.", f"Lay the {kind} flat, whole and in focus."
        )
    image, plane, u, out = image[sound], plane[sound], u[sound], out[sound]
    h, _ = cv2.findHomography(plane, image)
    w_mm, h_mm = size
    sheet = np.array([[[0, 0], [w_mm, 0], [w_mm, -h_mm], [0, -h_mm]]], dtype=np.float64) * factor
    outline = cv2.perspectiveTransform(sheet, h)[0]
    px_per_mm = math.sqrt(abs(np.linalg.det(h[:2, :2] / h[2, 2])))
    ids_ = tuple(int(n) for n in np.repeat(numbers, 4)[sound])
    u_out = math.hypot(U_INK_MM, U_SHARPENING_PX / px_per_mm)
    return Scale(kind, image, plane, u, PRINT_U_REL, outline, ids_, outward_mm=out, u_outward_mm=u_out)


def layout_rms(scale: Scale) -> float:
    """RMS distance in px between the points and their best homography: large when the sheet is bent or badly printed."""
    h, _ = cv2.findHomography(scale.plane_mm, scale.image_px)
    seen = cv2.perspectiveTransform(scale.plane_mm[None], h)[0]
    return math.sqrt(float(np.mean(np.sum((seen - scale.image_px) ** 2, axis=1))))
