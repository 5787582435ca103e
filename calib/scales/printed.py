"""The printed scales: their layouts, and finding them by their markers (ArUco dictionary 4x4_50)."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import edge_points
from calib.found_once import found_once
from calib.lines import Line, fit_lines
from calib.photo import Photo
from calib.scales.ask import PRINT_U_REL
from calib.scales.base import U_SHARPENING_PX, Scale
from calib.scales.print_number import read_number
from calib.scales.reduced import halved
from calib.scales.sheets import (
    BACKDROP,
    BACKDROP_SIZE,
    PRINTED,
    SHEETS,
    STRIP,
    STRIP_SIZE,
    TONGUE,
    TONGUE_SIZE,
    Marker,
    Sheet,
)
from shared.errors import ScaleError

__all__ = [
    "Marker",
    "STRIP",
    "BACKDROP",
    "TONGUE",
    "STRIP_SIZE",
    "BACKDROP_SIZE",
    "TONGUE_SIZE",
    "PRINTED",
    "SHEETS",
    "SeenMarker",
    "as_printed_scale",
    "Sheet",
    "find_markers",
    "find_printed",
    "measured_markers",
    "rough_markers",
]

Vector = NDArray[np.float64]

DICTIONARY = cv2.aruco.DICT_4X4_50


_OUTWARD = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, -1.0], [-1.0, 0.0]])  # of a marker's sides, clockwise from the top

U_SIDE_PX = 0.02
"""Error of a side that its scatter does not show: JPEG blocks, the roughness of a print, sampling of a steep edge."""
U_INK_MM = 0.05
"""Spread of toner or ink beyond a nominal edge (common practice, no source): a dot at 600 dpi is 0.04 mm."""
MAX_SIDE_RMS_PX = 0.5
"""A printed side seen whole scatters far less, but for its points' noise; more means it is covered, torn or bent."""
NOISE_SIGMAS = 3.0
"""Scatter of a side's points in standard deviations of their noise that noise still explains: for five points or more
chance reaches it once in millions (chi-square)."""
_ENDS = 1.0 / 8.0  # of a side left out at each end: more than the blur of its corner
_REACH = 0.8  # of a cell: the rows stay clear of the inner bits and of the next marker
_MIN_REACH_PX, _REACH_SIGMAS = 8.0, 6.0  # rows longer than the blur's tails and two level parts only add noise
_SEARCH_WIDTH = 1500  # px at least; markers are found on a reduced picture, their sides measured on the full one
_GLANCE_WIDTH = 800  # px at least; all but small, blurred markers can be read there, in a quarter of the time
_GLANCE_WINDOWS = (7, 19)  # px; neighbourhoods that tell black from white: a third between them reads hardly any more
_FAINT = 0.2  # of the usual contrast, in codes: a side fainter than this is not looked at again, it would not count
_LEAST_SIDES = 4  # those of one marker: eight unknowns, and two points a side
_MISFIT = 0.15  # of a marker's side: a corner further off the common layout belongs to something else


@dataclass(frozen=True)
class SeenMarker:
    """A marker seen in a photo.

    Attributes
    ----------
    id : int
    corners_px : ndarray of float, shape (4, 2)
        Clockwise from the top left; crossings of the fitted sides, or a rough guess where a side is not sound.
    sides : tuple of four Line or None
        Top, right, bottom, left; None where a side is covered, cut off or not straight.
    contrast : float
        Linear light from the black border to the paper beside it, median of the sides.
    """

    id: int
    corners_px: Vector
    sides: tuple[Line | None, ...]
    contrast: float


def find_markers(photo: Photo) -> tuple[SeenMarker, ...]:
    """All markers in a photo, in full-resolution pixels."""
    ids, corners = rough_markers(photo)
    return measured_markers(photo, ids, corners)


def rough_markers(photo: Photo, mirrored: bool = False) -> tuple[tuple[int, ...], Vector]:
    """Ids of all markers and their corners (N, 4, 2) to a pixel or so: to tell what is in a photo, not to measure."""
    return _detect(photo, mirrored=mirrored)


def _detect(
    photo: Photo, width: float = _SEARCH_WIDTH, windows: tuple[int, int] | None = None, mirrored: bool = False
) -> tuple[tuple[int, ...], Vector]:
    """Ids and rough corners (N, 4, 2), found once on a picture reduced to no less than `width`.

    `windows` are the two neighbourhoods that tell black from white; the detector's own three where ``None``.
    `mirrored`: as they lie in the photo with left and right exchanged.
    """
    seen = partial(_detect_in, photo, width, windows, mirrored)
    return found_once(photo, ("markers", width, windows, mirrored), seen)


def _detect_in(
    photo: Photo, width: float, windows: tuple[int, int] | None, mirrored: bool
) -> tuple[tuple[int, ...], Vector]:
    gray = np.ascontiguousarray(photo.gray[:, ::-1]) if mirrored else photo.gray
    small, factor = halved(gray, width)
    how = cv2.aruco.DetectorParameters()
    if windows is not None:
        how.adaptiveThreshWinSizeMin, how.adaptiveThreshWinSizeMax = windows
        how.adaptiveThreshWinSizeStep = windows[1] - windows[0]
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), how)
    found, ids, _ = detector.detectMarkers(small)
    if ids is None or len(found) == 0:
        return (), np.empty((0, 4, 2))
    corners = (np.asarray(found, dtype=np.float64).reshape(-1, 4, 2) + 0.5) * factor - 0.5
    corners.flags.writeable = False
    return tuple(int(i) for i in np.ravel(ids)), corners


def measured_markers(
    photo: Photo, ids: tuple[int, ...], corners: Vector, sigmas: float = 0.0
) -> tuple[SeenMarker, ...]:
    """Fit the sides of markers whose corners are known to within half a cell; markers of like size go together.

    A side may scatter by so many standard deviations of its points' noise."""
    out: list[SeenMarker] = []
    size = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2).mean(axis=1)
    group = np.round(np.log(np.maximum(size, 1.0)) / math.log(1.5))
    for g in np.unique(group):
        k = np.flatnonzero(group == g)
        # twice: the first round centres the rows on the sides and tells the blur, the second measures
        sides, _, sigma = _sides(photo, corners[k], math.inf, 1.5, sigmas)
        better = _corners(sides, corners[k])
        sides, contrast, _ = _sides(photo, better, max(_MIN_REACH_PX, _REACH_SIGMAS * sigma), 4.0, sigmas)
        better = _corners(sides, better)
        out += [
            SeenMarker(ids[i], better[j], tuple(sides[4 * j : 4 * j + 4]), float(contrast[j])) for j, i in enumerate(k)
        ]
    return tuple(out)


def _sides(
    photo: Photo, corners: Vector, reach_px: float, per_cell: float, sigmas: float
) -> tuple[list[Line | None], Vector, float]:
    """Lines along the sides of markers (K, 4, 2), where away from corners and inner bits: 4 K lines, then K contrasts.

    Rows are spaced a cell over `per_cell`. The third result is the median blur in pixels.
    """
    a, b = corners.reshape(-1, 2), np.roll(corners, -1, axis=1).reshape(-1, 2)
    cell = float(np.median(np.linalg.norm(b - a, axis=1))) / 6.0  # 4 x 4 bits and a border of one
    t = np.linspace(_ENDS, 1.0 - _ENDS, max(5, round(6.0 * per_cell * (1.0 - 2.0 * _ENDS))))
    d = (b - a) / np.maximum(np.linalg.norm(b - a, axis=1, keepdims=True), 1e-9)
    inward = np.stack([-d[:, 1], d[:, 0]], axis=1)  # corners run clockwise as seen
    points = a[:, None] + t[:, None] * (b - a)[:, None]
    rows = edge_points(
        photo,
        points.reshape(-1, 2),
        np.repeat(inward, len(t), axis=0),
        max(3.0, min(_REACH * cell, reach_px)),
        polarity=-1,
    )
    lines = fit_lines(rows.px.reshape(len(a), len(t), 2), rows.steps.u.reshape(len(a), len(t)))
    if not rows.found.any():
        return [None] * len(lines), np.zeros(len(corners)), 1.0
    most = math.hypot(MAX_SIDE_RMS_PX, sigmas * float(np.median(rows.steps.u[rows.found])))
    lines = [n if n is not None and n.rms < most else None for n in lines]
    contrast = np.where(rows.found, -rows.steps.contrast, 0.0).reshape(len(corners), -1)
    return lines, np.median(contrast, axis=1), float(np.nanmedian(rows.steps.sigma))


def _corners(sides: list[Line | None], rough: Vector) -> Vector:
    """Crossings of adjacent sides, shape (K, 4, 2); the rough corner where one of the two is missing."""
    nowhere = np.full(3, np.nan)
    lines = np.array([nowhere if n is None else [*n.normal, n.normal @ n.point] for n in sides]).reshape(-1, 4, 3)
    (a, b, c), (p, q, r) = np.moveaxis(np.roll(lines, 1, axis=1), -1, 0), np.moveaxis(lines, -1, 0)
    det = a * q - b * p  # sine of the angle between them
    with np.errstate(invalid="ignore", divide="ignore"):
        crossing = np.stack([(c * q - b * r) / det, (a * r - c * p) / det], axis=-1)
        return np.asarray(np.where((np.abs(det) > 0.4)[..., None], crossing, rough))


def find_printed(photo: Photo, kind: str, factor: float = 1.0) -> Scale:
    """Find the strip, the backdrop or the tongue.

    Parameters
    ----------
    kind : {'strip', 'backdrop', 'tongue'}
    factor : float
        True length over nominal length of this print.

    Returns
    -------
    Scale
        Two points a sound side, placed so that their errors are independent and a slightly bent side does no harm:
        each says where the side is across itself, nothing along it.

    Raises
    ------
    ScaleError
        If no marker of that scale is in the photo, two prints of it are, it is mirrored, or too little of it is sharp.
    """
    layout, size = SHEETS[kind].markers, SHEETS[kind].size
    known = {m.id: m for m in layout}
    ids, corners, h = _read(photo, known, kind)
    if h is None:
        raise _unusable(photo, kind, ids, known)
    missing = [m for m in layout if m.id not in ids]
    for sigmas in (0.0, NOISE_SIGMAS):  # noise explains a scatter only where too few sides scatter less
        seen = measured_markers(photo, ids, corners, sigmas)
        if missing:
            seen += _second_look(photo, missing, h, seen, sigmas)
        if sum(side is not None for m in seen for side in m.sides) >= _LEAST_SIDES:
            break
    number = read_number(photo.gray, kind, {m.id: m.corners_px for m in seen})
    return replace(as_printed_scale(kind, seen, known, h, size, factor), number=number)


def _read(photo: Photo, known: dict[int, Marker], kind: str) -> tuple[tuple[int, ...], Vector, Vector | None]:
    """Ids and rough corners of the known markers, and the homography they agree on; None also if one is there twice."""
    # the backdrop's small markers, and a strip of which part is hidden or cut, are worth the wider picture at once
    glance, wider = (_GLANCE_WIDTH, _GLANCE_WINDOWS), (_SEARCH_WIDTH, None)
    for width, windows in (glance, wider) if kind == "strip" else (wider,):
        ids, corners = _detect(photo, width, windows)
        keep = [i for i, n in enumerate(ids) if n in known]
        ids, corners = tuple(ids[i] for i in keep), corners[keep]
        once = bool(ids) and len(set(ids)) == len(ids)
        h = _layout(ids, corners, known) if once else None
        if h is not None and len(ids) == len(known):
            break
    return ids, corners, h


def _layout(ids: tuple[int, ...], corners: Vector, known: dict[int, Marker]) -> Vector | None:
    """Homography from the sheet to the photo that the markers agree on, or None."""
    plane = np.concatenate([known[n].corners() for n in ids])
    reach = _MISFIT * float(np.median(np.linalg.norm(corners[:, 1] - corners[:, 0], axis=1)))
    h, agree = cv2.findHomography(plane, corners.reshape(-1, 2), cv2.RANSAC, max(3.0, reach))
    if h is None or agree.mean() < 0.75:
        return None
    return np.asarray(h, dtype=np.float64)


def _unusable(photo: Photo, kind: str, ids: tuple[int, ...], known: dict[int, Marker]) -> ScaleError:
    """Why the markers that were read (`ids`, perhaps none) do not make a scale."""
    mirrored, _ = rough_markers(photo, mirrored=True)
    if sum(n in known for n in mirrored) > len(ids):
        return ScaleError("The photo is mirrored.", "Switch off mirroring in the camera, or use the original file.")
    if not ids:
        return ScaleError(
            f"No {kind} was found in the photo.", f"Lay the printed {kind} in the picture, whole and sharp."
        )
    if len(set(ids)) < len(ids):
        return ScaleError(f"The photo shows more than one {kind}.", "Leave only one in the picture.")
    return ScaleError(
        f"The markers of the {kind} do not lie as they are printed.", f"Lay the {kind} flat and leave only one."
    )


def _second_look(
    photo: Photo, missing: list[Marker], h: Vector, seen: tuple[SeenMarker, ...], sigmas: float
) -> tuple[SeenMarker, ...]:
    """Sides of markers that could not be read as a whole (cut, partly covered), where the others say they are.

    A side counts only with half the contrast of the markers that were read, and within half a cell of its place.
    """
    where = np.asarray(cv2.perspectiveTransform(np.array([m.corners() for m in missing]), h), dtype=np.float64)
    inside = np.any(np.all((where >= 0) & (where <= [photo.width - 1, photo.height - 1]), axis=2), axis=1)
    usual = float(np.median(_rough_contrast(photo.gray, np.array([m.corners_px for m in seen]))))
    inside &= np.sum(_rough_contrast(photo.gray, where) > _FAINT * usual, axis=1) >= 2
    again = measured_markers(
        photo, tuple(m.id for m, ok in zip(missing, inside, strict=True) if ok), where[inside], sigmas
    )
    enough = 0.5 * float(np.median([m.contrast for m in seen]))
    expected = dict(zip((m.id for m in missing), where, strict=True))
    out = []
    for m in again:
        cell = float(np.linalg.norm(expected[m.id][1] - expected[m.id][0])) / 6.0
        sides = tuple(
            s if s is not None and abs(float(s.distance(_middle(expected[m.id], k))[0])) < cell / 2.0 else None
            for k, s in enumerate(m.sides)
        )
        if m.contrast > enough and sum(s is not None for s in sides) >= 2:
            out.append(SeenMarker(m.id, m.corners_px, sides, m.contrast))
    return tuple(out)


def _rough_contrast(gray: NDArray[np.uint8], corners: Vector) -> Vector:
    """Codes by which the paper half a cell outside each side of markers (K, 4, 2) outshines the border, (K, 4)."""
    a, b = corners[:, :, None], np.roll(corners, -1, axis=1)[:, :, None]
    inward = np.stack([a[..., 1] - b[..., 1], b[..., 0] - a[..., 0]], axis=-1) / 12.0  # half of a sixth of the side
    at = a + np.linspace(_ENDS, 1.0 - _ENDS, 9)[:, None] * (b - a)
    last = np.array(gray.shape[::-1]) - 1
    out, border = (np.clip(np.round(p), 0, last).astype(np.intp) for p in (at - inward, at + inward))
    difference = gray[out[..., 1], out[..., 0]].astype(float) - gray[border[..., 1], border[..., 0]]
    return np.asarray(np.median(difference, axis=2))


def _middle(corners: Vector, side: int) -> Vector:
    return np.asarray((corners[side] + corners[(side + 1) % 4]) / 2.0)


def as_printed_scale(
    kind: str,
    seen: tuple[SeenMarker, ...],
    known: dict[int, Marker],
    h: Vector,
    size: tuple[float, float],
    factor: float = 1.0,
) -> Scale:
    """The sound sides of markers as a scale: their numbers' places are `known`, `h` takes the sheet to the photo."""
    image, plane, u, turn, outward, ids = [], [], [], [], [], []
    for m in seen:
        for k, line in enumerate(m.sides):
            if line is None:
                continue
            a, b = m.corners_px[k], m.corners_px[(k + 1) % 4]
            a_mm, b_mm = np.take(known[m.id].corners(), [k, (k + 1) % 4], axis=0)
            for sign in (-1.0, 1.0):
                at = line.point + sign * line.u_offset / line.u_angle * line.direction
                image.append(at)
                plane.append(a_mm + (b_mm - a_mm) * ((at - a) @ (b - a) / ((b - a) @ (b - a))))
                u.append((math.inf, math.hypot(math.sqrt(2.0) * line.u_offset, U_SIDE_PX)))
                turn.append(math.atan2(line.direction[1], line.direction[0]))
                outward.append(_OUTWARD[k])
                ids.append(m.id)
    if len(image) < 2 * _LEAST_SIDES:
        raise ScaleError(f"The edges of the {kind} are not clear enough.", f"Lay the {kind} flat, whole and in focus.")
    px_per_mm = math.sqrt(abs(float(np.linalg.det(h[:2, :2] / h[2, 2])))) / factor
    w_mm, h_mm = size
    sheet = np.array([[[0, 0], [w_mm, 0], [w_mm, -h_mm], [0, -h_mm]]], dtype=np.float64)
    return Scale(
        kind,
        np.array(image),
        np.array(plane) * factor,
        np.array(u),
        PRINT_U_REL,
        np.asarray(cv2.perspectiveTransform(sheet, h)[0], dtype=np.float64),
        tuple(ids),
        turn_rad=np.array(turn),
        u_flat_mm=0.0,  # on stiff card, beside frets of known height
        outward_mm=np.array(outward),
        u_outward_mm=math.hypot(U_INK_MM, U_SHARPENING_PX / px_per_mm),
    )
