"""The outline of a flat thing against whatever it lies on: rows of colour across it, and the step in each.

A coin on grey cloth or a blue card on grey stone may hardly differ in brightness; the step is looked for along the
direction of linear RGB that separates inside from outside best (Fisher's linear discriminant).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import Steps, locate_steps, row_offsets
from calib.photo import Photo, linear_light

__all__ = ["colour_rows", "fisher_direction", "outline_steps", "reduced", "U_OUTLINE_PX", "U_SHARPENING_PX"]

Vector = NDArray[np.float64]

U_OUTLINE_PX = 0.1
"""Error of one outline point that its own row does not show: texture outside, JPEG blocks, a worn or reeded rim."""
U_SHARPENING_PX = 0.3
"""Shift of the whole outline, in or out, by sharpening of the coded photo: up to a third of a blur of one pixel."""
_GREY = np.array([0.114, 0.587, 0.299])  # ITU-R BT.601 weights, blue first


def reduced(photo: Photo, width: int) -> tuple[NDArray[np.uint8], float]:
    """The photo no wider or higher than `width`, and how many of its pixels one of the reduced ones is."""
    factor = max(1.0, max(photo.width, photo.height) / width)
    small = cv2.resize(photo.bgr, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint8), factor


def colour_rows(photo: Photo, points: Vector, normals: Vector, half_px: float, step: float = 1.0) -> Vector:
    """Linear light of blue, green, red along rows across guessed outline points.

    Parameters
    ----------
    points, normals : ndarray of float, shape (N, 2)
        Where each row is centred, and its unit direction.

    Returns
    -------
    ndarray of float, shape (N, M, 3)
        Sampled at `calib.edges.row_offsets(half_px, step)`; nan in rows that leave the photo.
    """
    xy = points[:, None] + normals[:, None] * row_offsets(half_px, step)[None, :, None]
    inside = np.all((xy >= 0) & (xy <= [photo.width - 1, photo.height - 1]), axis=(1, 2))
    out = np.full((*xy.shape[:2], 3), np.nan)
    xy = xy[inside]
    corner = np.minimum(np.floor(xy).astype(np.intp), np.array([photo.width, photo.height]) - 2)
    fx, fy = np.moveaxis(xy - corner, -1, 0)[..., None]
    x, y = corner[..., 0], corner[..., 1]
    top = (1 - fx) * linear_light(photo.bgr[y, x]) + fx * linear_light(photo.bgr[y, x + 1])
    low = (1 - fx) * linear_light(photo.bgr[y + 1, x]) + fx * linear_light(photo.bgr[y + 1, x + 1])
    out[inside] = (1 - fy) * top + fy * low
    return out


def fisher_direction(inside: Vector, outside: Vector) -> Vector:
    """Unit direction of colour that separates two sets of samples (..., 3) best; grey when nothing separates them."""
    a, b = inside.reshape(-1, 3), outside.reshape(-1, 3)
    a, b = a[np.isfinite(a).all(axis=1)], b[np.isfinite(b).all(axis=1)]
    if len(a) < 4 or len(b) < 4:
        return np.asarray(_GREY / np.linalg.norm(_GREY))
    within = np.cov(a.T) + np.cov(b.T)
    within += np.eye(3) * (1e-9 + 0.05 * float(np.trace(within)) / 3.0)  # colours of one photo go nearly together
    w = np.linalg.solve(within, a.mean(axis=0) - b.mean(axis=0))
    size = float(np.linalg.norm(w))
    return np.asarray(w / size if size > 0 else _GREY / np.linalg.norm(_GREY))


def outline_steps(photo: Photo, points: Vector, outwards: Vector, half_px: float, step: float, colour: Vector) -> Steps:
    """The step from inside to outside nearest each guessed point; `colour` is brighter inside."""
    rows = colour_rows(photo, points, outwards, half_px, step) @ colour
    return locate_steps(rows, row_offsets(half_px, step), polarity=-1)
