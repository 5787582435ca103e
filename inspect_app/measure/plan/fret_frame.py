"""One fret as it lies on the board: its own coordinates, and the photo resampled along and across it.

Three planes meet here (the scale's, the board's, the crown tops'), so every mapping carries a height. The board is a
cylinder about the neck; across one fret's few millimetres it is level, along the fret it falls away by its sagitta
``y^2 / (2 R)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.grids import coarse_places, filled
from calib.photo import Photo, linear_light
from calib.plane import Plane
from shared.measured import Measured, NotMeasured

__all__ = ["FretFrame", "FretPatch", "Sampling", "sample_patch", "COLOUR_ROWS"]

_LUMINANCE_BGR = np.array([[0.0722, 0.7152, 0.2126]], dtype=np.float32)
"""Relative luminance of linear light, ITU-R BT.709, in OpenCV's channel order."""
COLOUR_ROWS = 4
"""Colour is sampled in every fourth row: photos commonly keep it at half the pixels, and it changes little between."""


@dataclass(frozen=True)
class FretFrame:
    """Where one fret lies, and the way from its own coordinates to the photo and back.

    ``along`` runs from the treble end (0, where the bevel meets the board) towards the bass end, ``across`` from the
    crown's centre line (0) towards the body, ``height`` up from the board's surface at that place. All in mm.

    Attributes
    ----------
    number : int
        Fret number.
    plane : Plane
        The scale's plane, in whose frame the rest is given.
    origin_mm : ndarray of float, shape (2,)
        Treble end of the crown's centre line.
    along, across : ndarray of float, shape (2,)
        Unit vectors, perpendicular to each other.
    base_mm : float
        Height of the board's surface above the scale's plane at the board's centre line (negative: below).
    centre_mm : float
        ``along`` of the board's centre line.
    radius_mm : float
        Radius of the board at this fret (``inf`` for a flat board).
    length_mm : float
        Where the bass end is on the ``along`` axis: as measured, or as estimated where it can't be seen.
    origin_u_mm : float
        Standard uncertainty of the treble end along the fret.
    ends_seen : tuple of bool
        Whether the treble and the bass end were seen; an unseen end is estimated from the board's other frets.
    """

    number: int
    plane: Plane
    origin_mm: NDArray[np.float64]
    along: NDArray[np.float64]
    across: NDArray[np.float64]
    base_mm: float
    centre_mm: float
    radius_mm: float
    length_mm: float
    origin_u_mm: float = 0.0
    ends_seen: tuple[bool, bool] = (True, True)

    @property
    def camera_mm(self) -> NDArray[np.float64]:
        """Camera centre as (along, across, height above the board at its centre line), shape (3,)."""
        c = self.plane.camera_mm
        d = c[:2] - self.origin_mm
        return np.array([d @ self.along, d @ self.across, c[2] - self.base_mm])

    def level_mm(self, along: ArrayLike) -> NDArray[np.float64]:
        """Height of the board's surface above the scale's plane at places along the fret."""
        y = np.asarray(along, dtype=float) - self.centre_mm
        return np.asarray(self.base_mm - y**2 / (2.0 * self.radius_mm))

    def to_px(self, along: ArrayLike, across: ArrayLike, height: ArrayLike = 0.0) -> NDArray[np.float64]:
        """Photo pixels ``(x, y)``, shape (N, 2), of places on the fret (broadcast together, then flattened)."""
        a, t, h = (np.asarray(q, dtype=float) for q in (along, across, height))
        at = np.empty((*np.broadcast(a, t, h).shape, 3))
        for k in (0, 1):
            at[..., k] = self.origin_mm[k] + a * self.along[k] + t * self.across[k]
        at[..., 2] = self.level_mm(a) + h
        return self.plane.to_px(at.reshape(-1, 3))

    def to_fret(self, px: ArrayLike, height: ArrayLike = 0.0) -> NDArray[np.float64]:
        """``(along, across)`` in mm, shape (N, 2), of photo pixels (N, 2) seen at a height above the board."""
        level = np.full(len(np.atleast_2d(px)), self.base_mm)
        at = np.zeros((len(level), 2))
        for _ in range(3):  # the sagitta changes the place by under 1 % of itself, so three rounds settle it
            d = self.plane.to_mm(px, level + height) - self.origin_mm
            at = np.column_stack([d @ self.along, d @ self.across])
            level = self.level_mm(at[:, 0])
        return at


@dataclass(frozen=True)
class FretPatch:
    """The photo resampled along and across one fret, in linear light.

    Attributes
    ----------
    frame : FretFrame
        Coordinates, and the way back to the photo.
    light : ndarray of float32, shape (n_along, n_across)
        Relative luminance, linear, 0 to 1.
    red_blue : ndarray of float32, shape (n_along / COLOUR_ROWS rounded up, n_across, 2), or None
        Red and blue linear light, where colour was asked for.
    valid : ndarray of bool, shape (n_along, n_across)
        False outside the photo and where something covers the fret.
    along_mm, across_mm : ndarray of float
        Coordinates of rows and columns, evenly spaced.
    height_mm : float
        Height above the board at which the grid was laid; `across_mm` is true at that height only.
    px_per_mm : float
        Photo pixels to the millimetre here, to tell real resolution from resampling.
    crown_width : Measured or NotMeasured
    crown_height : Measured or None
        As asked; ``None`` where nobody gave it.
    """

    frame: FretFrame
    light: NDArray[np.float32]
    valid: NDArray[np.bool_]
    along_mm: NDArray[np.float64]
    across_mm: NDArray[np.float64]
    height_mm: float
    px_per_mm: float
    crown_width: Measured | NotMeasured
    crown_height: Measured | None = None
    red_blue: NDArray[np.float32] | None = None


@dataclass(frozen=True, slots=True)
class Sampling:
    """How finely and how far about a fret the photo is resampled.

    Attributes
    ----------
    height_mm : float
        Height above the board of the surface the grid is laid on: 0 for the crown's foot, the crown height for its top.
    margin_mm : (float, float)
        How far beyond the ends, and to either side of the centre line, the grid reaches.
    per_mm : float or None
        Places to the millimetre: as many as the photo has pixels at the middle of the fret where ``None``.
    row_mm : float
        Rows lie no closer along the fret than this.
    colour : bool
        Whether red and blue light are sampled beside the luminance.
    """

    height_mm: float = 0.0
    margin_mm: tuple[float, float] = (1.0, 2.5)
    per_mm: float | None = None
    row_mm: float = 0.0
    colour: bool = False


def sample_patch(
    photo: Photo,
    frame: FretFrame,
    covers_px: tuple[NDArray[np.float64], ...],
    crown_width: Measured | NotMeasured,
    crown_height: Measured | None = None,
    how: Sampling = Sampling(),
) -> FretPatch:
    """Resample the photo over one fret at about its own resolution.

    Parameters
    ----------
    covers_px : tuple of ndarray, shape (M, 2) each
        Closed outlines of what covers the board: the scale.
    """
    middle = frame.to_px([frame.length_mm / 2.0, frame.length_mm / 2.0 + 1.0], 0.0, how.height_mm)
    scale = how.per_mm or float(np.linalg.norm(middle[1] - middle[0]))
    beyond, beside = how.margin_mm
    along = np.arange(-beyond, frame.length_mm + beyond, max(1.0 / scale, how.row_mm))
    n = round(beside * scale)
    across = np.arange(-n, n + 1) / scale
    light, valid, red_blue = _sample(photo, frame, (along, across, how.height_mm), covers_px, how.colour)
    return FretPatch(frame, light, valid, along, across, how.height_mm, scale, crown_width, crown_height, red_blue)


def _sample(
    photo: Photo,
    frame: FretFrame,
    grid: tuple[NDArray[np.float64], NDArray[np.float64], float],
    covers_px: tuple[NDArray[np.float64], ...],
    colour: bool,
) -> tuple[NDArray[np.float32], NDArray[np.bool_], NDArray[np.float32] | None]:
    """The photo's luminance on a grid, where it is in view, and red and blue light in every `COLOUR_ROWS`-th row."""
    along, across, height = grid
    every, shape = 16, (len(along), len(across))
    coarse = _map(frame, along, across, height, every)
    low, high = coarse.min(axis=(0, 1)), coarse.max(axis=(0, 1))  # beyond the fine grid on every side
    x0, y0 = np.maximum(np.floor(low).astype(int) - 3, 0)
    x1, y1 = np.minimum(np.ceil(high).astype(int) + 4, [photo.width, photo.height])
    if x1 - x0 < 2 or y1 - y0 < 2:
        return np.zeros(shape, np.float32), np.zeros(shape, bool), None
    # one axis at a time: taking a picture of pairs apart costs as much again
    u, v = (filled(np.asarray(q, np.float32, order="C"), every, shape) for q in np.moveaxis(coarse - (x0, y0), 2, 0))
    codes = photo.bgr[y0:y1, x0:x1]
    light = cv2.transform(linear_light(codes), _LUMINANCE_BGR)
    covered = np.zeros(light.shape, np.uint8)
    for outline in covers_px:
        cv2.fillPoly(covered, [np.round(outline - (x0, y0)).astype(np.int32)], 1)
    out = np.asarray(cv2.remap(light, u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    valid = np.ones(shape, dtype=bool)
    if covered.any():
        hidden = cv2.remap(covered, u, v, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=1)
        valid &= np.asarray(hidden == 0)
    if np.any(low < 0.0) or np.any(high > np.array([photo.width, photo.height]) - 1.0):
        x, y = u + x0, v + y0
        valid &= (x >= 0) & (y >= 0) & (x <= photo.width - 1) & (y <= photo.height - 1)
    return np.maximum(out, 0.0, out=out), valid, _red_blue(codes, u, v) if colour else None


def _red_blue(codes: NDArray[np.uint8], u: cv2.typing.MatLike, v: cv2.typing.MatLike) -> NDArray[np.float32]:
    x, y = (np.ascontiguousarray(q[::COLOUR_ROWS]) for q in (u, v))
    bgr = cv2.remap(codes, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return linear_light(np.asarray(bgr[..., ::-2], dtype=np.uint8, order="C"))


def _map(
    frame: FretFrame, along: NDArray[np.float64], across: NDArray[np.float64], height: float, every: int
) -> NDArray[np.float64]:
    """Photo pixels, shape (rows, columns, 2), of every so many places of a grid, for `filled` to fill in."""
    a = along[0] + (along[1] - along[0]) * coarse_places(len(along), every)
    t = across[0] + (across[1] - across[0]) * coarse_places(len(across), every)
    return frame.to_px(a[:, None], t[None, :], height).reshape(len(a), len(t), 2)
