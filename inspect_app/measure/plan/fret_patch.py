"""The photo resampled along and across one fret."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.coarse_grid import coarse_places, filled
from calib.photo import Photo, linear_light
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.reading.key import NotMeasured
from shared.measured import Measured

__all__ = ["FretPatch", "Sampling", "sample_patch", "BURNT", "COLOUR_ROWS", "LUMINANCE_BGR"]

Floats = NDArray[np.float64]

LUMINANCE_BGR = np.array([[0.0722, 0.7152, 0.2126]], dtype=np.float32)
"""Relative luminance of linear light, ITU-R BT.709, in OpenCV's channel order."""
BURNT = 0.97
"""Linear light from which a sensor is full: the last three of 255 codes."""
COLOUR_ROWS = 4
"""Colour is sampled in every fourth row: photos commonly keep it at half the pixels, and it changes little between."""


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
    along_mm: Floats
    across_mm: Floats
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
    covers_px: tuple[Floats, ...],
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
    grid: tuple[Floats, Floats, float],
    covers_px: tuple[Floats, ...],
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
    codes = photo.part((x0, y0), (x1, y1))
    light = cv2.transform(linear_light(codes), LUMINANCE_BGR)
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


def _map(frame: FretFrame, along: Floats, across: Floats, height: float, every: int) -> Floats:
    """Photo pixels, shape (rows, columns, 2), of every so many places of a grid, for `filled` to fill in."""
    a = along[0] + (along[1] - along[0]) * coarse_places(len(along), every)
    t = across[0] + (across[1] - across[0]) * coarse_places(len(across), every)
    return frame.to_px(a[:, None], t[None, :], height).reshape(len(a), len(t), 2)
