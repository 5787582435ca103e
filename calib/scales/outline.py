"""The outline of a flat thing against whatever it lies on: rows of colour across it, and the step in each.

A coin on grey cloth or a blue card on grey stone may hardly differ in brightness; the step is looked for along the
direction of linear RGB that separates inside from outside best (Fisher's linear discriminant).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calib.edges import Steps, locate_steps, row_offsets
from calib.photo import Photo, linear_light

__all__ = [
    "StepsOf",
    "colour_rows",
    "fisher_direction",
    "outline_steps",
    "steepest",
    "U_OUTLINE_PX",
]

Vector = NDArray[np.float64]
StepsOf = Callable[[Vector, float, float, Vector], Steps]
"""`outline_steps`, or `steepest` where a pixel is near enough."""

U_OUTLINE_PX = 0.1
"""Error of one outline point that its own row does not show: texture outside, JPEG blocks, a worn or reeded rim."""
_TOGETHER = 8192  # samples worked out at a time: what they need stays in the processor's cache
_GREY = np.array([0.114, 0.587, 0.299])  # ITU-R BT.601 weights, blue first


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
    out = np.full((len(points), len(row_offsets(half_px, step)), 3), np.nan)
    some = max(1, _TOGETHER // out.shape[1])
    for k in range(0, len(points), some):
        out[k : k + some] = _some_rows(photo, points[k : k + some], normals[k : k + some], row_offsets(half_px, step))
    return out


def _some_rows(photo: Photo, points: Vector, normals: Vector, offsets: Vector) -> Vector:
    xy = points[:, None] + normals[:, None] * offsets[None, :, None]
    inside = np.all((xy >= 0) & (xy <= [photo.width - 1, photo.height - 1]), axis=(1, 2))
    out = np.full((*xy.shape[:2], 3), np.nan)
    xy = xy[inside]
    corner = np.minimum(xy.astype(np.intp), np.array([photo.width, photo.height]) - 2)
    fx, fy = np.moveaxis((xy - corner).astype(np.float32), -1, 0)[..., None]
    at, pixels = corner[..., 1] * photo.width + corner[..., 0], photo.bgr.reshape(-1, 3)
    beside = (at, at + 1, at + photo.width, at + photo.width + 1)
    v00, v01, v10, v11 = (linear_light(np.take(pixels, k, axis=0)) for k in beside)
    top, low = v00 + fx * (v01 - v00), v10 + fx * (v11 - v10)
    out[inside] = top + fy * (low - top)
    return out


def fisher_direction(inside: Vector, outside: Vector) -> Vector:
    """Unit direction of colour that separates two sets of samples (..., 3) best; grey when nothing separates them."""
    a, b = inside.reshape(-1, 3), outside.reshape(-1, 3)
    a, b = a[np.isfinite(a).all(axis=1)], b[np.isfinite(b).all(axis=1)]
    if len(a) < 4 or len(b) < 4:
        return np.asarray(_GREY / np.linalg.norm(_GREY))
    from_a, from_b = a - a.mean(axis=0), b - b.mean(axis=0)
    within = from_a.T @ from_a / (len(a) - 1) + from_b.T @ from_b / (len(b) - 1)
    within += np.eye(3) * (1e-9 + 0.05 * float(np.trace(within)) / 3.0)  # colours of one photo go nearly together
    w = np.linalg.solve(within, a.mean(axis=0) - b.mean(axis=0))
    size = float(np.linalg.norm(w))
    return np.asarray(w / size if size > 0 else _GREY / np.linalg.norm(_GREY))


def outline_steps(rows: Vector, half_px: float, step: float, colour: Vector) -> Steps:
    """The step from inside to outside nearest the middle of each of `colour_rows`; `colour` is brighter inside."""
    return locate_steps(rows @ colour, row_offsets(half_px, step), polarity=-1)


def steepest(rows: Vector, half_px: float, step: float, colour: Vector) -> Steps:
    """Where each of the rows falls most from inside to outside, as `outline_steps` takes them: near, and at no cost.

    By the difference of three samples on either side, over which a sharp photo's blur is done; a row that leaves the
    photo has nan, and `u` says no more than that a step is no nearer known than its samples lie.
    """
    run = np.cumsum(rows @ colour, axis=1)
    fall = 2.0 * run[:, 3:-3] - run[:, :-6] - run[:, 6:]
    at = row_offsets(half_px, step)[3:-3][np.nan_to_num(fall).argmax(axis=1)] + 0.5 * step
    at = np.where(np.isfinite(fall).all(axis=1), at, np.nan)
    nothing = np.full_like(at, np.nan)
    return Steps(at, np.full_like(at, step), nothing, nothing, nothing, nothing)
