"""Edges of a wire's face: the places along its outline where the face's tone ends, in all three colours at once.

The face may differ from the wire's body in colour more than in brightness, and the body's own edge against the
background may be the stronger one a few pixels further out. So rows across the outline, averaged a short way along it,
are searched for every change of colour that stands out of the face's own texture, and of these the one is taken that
belongs to the shape: the innermost at first, then the nearest.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from calib.edge_response import coding_noise
from calib.edges import locate_steps, row_offsets
from calib.photo import Photo, linear_light
from calib.plane import Plane
from inspect_app.measure.section.wire_outline import PIECES, WireShape

__all__ = [
    "OutlineRows",
    "SearchReach",
    "Texture",
    "RowEdges",
    "sample_rows",
    "texture_of",
    "Rank",
    "innermost",
    "outermost",
    "nearest",
    "find_edges",
    "place_edges",
    "persistence",
]

Array = NDArray[np.float64]
Rank = Callable[[Array], Array]
"""Rank of changes by how far outside the outline they lie, mm: of a row the highest is taken."""

ALONG_MM = 0.04
"""Length along the outline over which a row is averaged: the sag of a crown's arc over it is 0.2 um."""
WINDOW_MM = 0.012
"""Length of the two windows whose means are compared: as long as a sharp edge is wide in a close-up, and shorter than
what shows of a body turned by half a degree."""
MARGIN_MM = 0.03
"""Rows go on beyond where an edge is looked for by this, so that what is inside it can be seen."""
STANDS_OUT = 30.0
"""Squared distance in units of the texture from which a change is an edge: of chi squared with three degrees of
freedom, a millionth lies above."""
ECHO, ECHO_PX = 0.08, 8
"""A change smaller than this share of another one within so many pixels is its echo: sharpening overshoots, and JPEG
codes colour in blocks of 8 or 16 pixels, so that colours run beside a strong edge (seen: up to a twentieth)."""
PERSISTENCE_MM = (0.015, 0.05)
"""Where the tones beside a change are compared to tell an edge from a scratch: beyond a file's scratch, short of what
else there is."""
LASTS_MM = (0.03, 0.07)
"""Where those tones are compared for a change to be an edge at all: beyond what a file or abrasive paper leaves (marks
of 0.01 to 0.03 mm, common practice, no source)."""
LASTS = 0.5
"""Share of a change, in units of the texture, that is still there then where a face ends: of an edge all of it and more
(its blur hides some of the change), of a scratch or a grinding mark hardly any: halfway."""
TEXTURE_SHARE = 0.8
"""Share of the changes inside the face that are taken for its texture; the rest may be edges."""
TRUNCATION_BIAS = 1.9
"""Normal values so cut vary less, by 1.49 where all three colours vary alike and 2.28 where brightness alone does (chi
squared distribution): between the two."""
STEP_REACH = 4.0
"""Half length of the row a step is fitted in, in blurs: both levels, and little of a neighbouring edge."""
LEAST_REACH_PX = 4
"""At least so many pixels to each side: nine values for the four parameters of a step."""
ONE_STEP_PX = 1.0
"""A step that is fitted further than this from where the change is greatest is not one step: another edge lies in its
row. The change's own place is kept then."""
PEAK_U_PX = 0.3
"""Standard uncertainty of that place: a parabola through three samples a pixel apart, blurred by a pixel."""


class SearchReach(NamedTuple):
    """How far inside and outside the outline edges are looked for, mm."""

    inside: float
    outside: float


@dataclass(frozen=True)
class OutlineRows:
    """Light along rows across an outline, from inside out.

    Attributes
    ----------
    piece, side : ndarray of int, shape (N,)
        Index into `PIECES`, and -1 left, 1 right, 0 both.
    px, normal : ndarray of float, shape (N, 2)
        Where the outline is, and the unit direction outwards, in the photo.
    offsets : ndarray of float, shape (M,)
        Pixels from the outline.
    light : ndarray of float, shape (N, M, 3)
        Linear light, blue, green, red; nan in rows that leave the photo.
    px_per_mm : float
    """

    piece: NDArray[np.intp]
    side: NDArray[np.intp]
    px: Array
    normal: Array
    offsets: Array
    light: Array
    px_per_mm: float


@dataclass(frozen=True)
class Texture:
    """How the face's tone changes from window to window without an edge: covariance, shape (3, 3)."""

    spread: Array

    def size(self, change: Array) -> Array:
        """Squared size of changes (..., 3)."""
        return np.asarray(np.einsum("...i,ij,...j->...", change, np.linalg.inv(self.spread), change))

    def mixture(self, change: Array) -> Array:
        """Weights of the colours (N, 3) that show changes (N, 3) best, each change seen as one.

        Beside the texture stands what runs along with an edge itself (`ECHO`), alike in all colours: a strong edge is
        looked at in its own colours, whatever the texture.
        """
        echo = (ECHO * np.linalg.norm(change, axis=1)) ** 2
        mixed = np.linalg.solve(self.spread + echo[:, None, None] * np.eye(3), change[..., None])[..., 0]
        return np.asarray(mixed / np.maximum(np.sum(mixed * change, axis=1), 1e-12)[:, None])


@dataclass(frozen=True)
class RowEdges:
    """One edge a row.

    Attributes
    ----------
    valid : ndarray of bool, shape (N,)
        Rows in which an edge was found.
    at, u : ndarray of float, shape (N,)
        Pixels from the outline, outwards, and standard uncertainty from noise.
    change : ndarray of float, shape (N, 3)
        Light outside less light inside.
    strength : ndarray of float, shape (N,)
        Size of the change in units of the texture.
    blur : ndarray of float, shape (N,)
        Standard deviation of the blur, pixels; nan where no step was fitted.
    """

    valid: NDArray[np.bool_]
    at: Array
    u: Array
    change: Array
    strength: Array
    blur: Array

    @property
    def blur_px(self) -> float:
        """Median blur, pixels; nan where no step was fitted at all."""
        fitted = self.blur[np.isfinite(self.blur)]
        return float(np.median(fitted)) if len(fitted) else math.nan


def sample_rows(photo: Photo, plane: Plane, shape: WireShape, reach: SearchReach, clear_mm: float) -> OutlineRows:
    """Rows across a shape's outline, one every `ALONG_MM`, `clear_mm` away from its corners."""
    piece, side, mm, outward = _places(shape, clear_mm)
    zero = np.zeros(len(mm))
    px, beside = (plane.to_px(np.column_stack([p, zero])) for p in (mm, mm + 0.01 * outward))
    length = np.linalg.norm(beside - px, axis=1, keepdims=True)
    normal, px_per_mm = (beside - px) / length, float(np.median(length)) / 0.01
    offsets = row_offsets((max(reach.inside, reach.outside) + MARGIN_MM) * px_per_mm)
    light = _sample(photo, px, normal, offsets, max(3, round(ALONG_MM * px_per_mm)))
    return OutlineRows(piece, side, px, normal, offsets, light, px_per_mm)


def _places(shape: WireShape, clear_mm: float) -> tuple[NDArray[np.intp], NDArray[np.intp], Array, Array]:
    """Piece, side, place and outward normal on the plane of every row."""
    piece, side, mm, outward = [], [], [], []
    for name, hand, points in shape.chain(ALONG_MM):
        if np.linalg.norm(points[-1] - points[0]) < 2.0 * clear_mm:
            continue
        along = np.gradient(points, axis=0)
        way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]) + ALONG_MM / 2.0
        inner = (way > clear_mm) & (way < way[-1] + ALONG_MM / 2.0 - clear_mm)
        normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True)
        kind = np.full(len(points), PIECES.index(name), dtype=np.intp)
        grows = shape.distance(points + 1e-3 * normal, kind) > shape.distance(points, kind)
        normal = np.where(grows[:, None], normal, -normal)
        mm.append(points[inner])
        outward.append(normal[inner])
        piece += list(kind[inner])
        side += [hand] * int(inner.sum())
    return np.array(piece, dtype=np.intp), np.array(side, dtype=np.intp), np.vstack(mm), np.vstack(outward)


def _sample(photo: Photo, px: Array, normal: Array, offsets: Array, along: int) -> Array:
    """Light of rows, each the mean of `along` rows a pixel apart, shape (N, M, 3)."""
    tangent = np.column_stack([-normal[:, 1], normal[:, 0]])
    t = np.arange(along) - (along - 1) / 2.0
    xy = px[:, None, None] + normal[:, None, None] * offsets[:, None] + tangent[:, None, None] * t[:, None, None]
    inside = np.all((xy >= 0) & (xy <= [photo.width - 1, photo.height - 1]), axis=(1, 2, 3))
    out = np.full((len(px), len(offsets), 3), np.nan)
    if inside.any():
        low = np.maximum(np.floor(xy[inside].min(axis=(0, 1, 2))).astype(int), 0)
        high = np.ceil(xy[inside].max(axis=(0, 1, 2))).astype(int) + 1
        light = linear_light(photo.part(low, high))
        x, y = (v.reshape(-1, len(offsets)) for v in np.moveaxis((xy[inside] - low).astype(np.float32), -1, 0))
        rows = cv2.remap(light, x, y, cv2.INTER_LINEAR)
        out[inside] = rows.reshape(-1, along, len(offsets), 3).mean(axis=1)
    return out


def _changes(rows: OutlineRows) -> Array:
    """Mean light of the window after each sample less that before it, (N, M, 3); nan where a window does not fit."""
    k = max(2, round(WINDOW_MM * rows.px_per_mm))
    total = np.cumsum(np.concatenate([np.zeros_like(rows.light[:, :1]), rows.light], axis=1), axis=1)
    m = len(rows.offsets)
    out = np.full_like(rows.light, np.nan)
    at = np.arange(k, m - k)
    out[:, at] = (total[:, at + 1 + k] - total[:, at + 1] - total[:, at] + total[:, at - k]) / k
    return out


def _lasting_changes(rows: OutlineRows) -> Array:
    """Mean light a little after each sample less that a little before it (`LASTS_MM`), (N, M, 3); beyond a row's
    ends its light is taken to go on."""
    near, far = (round(mm * rows.px_per_mm) for mm in LASTS_MM)
    far = max(far, near + 1)
    total = np.cumsum(np.pad(rows.light, ((0, 0), (far + 1, far), (0, 0)), "edge"), axis=1)
    m = rows.light.shape[1]

    def up_to(shift: int) -> Array:
        return total[:, far + 1 + shift : far + 1 + shift + m]

    return np.asarray((up_to(far) - up_to(near) - up_to(-near - 1) + up_to(-far - 1)) / (far - near))


def texture_of(rows: OutlineRows, inside_mm: float) -> Texture:
    """The texture of the face, from what lies further inside than `inside_mm`."""
    deep = _changes(rows)[:, rows.offsets < -inside_mm * rows.px_per_mm].reshape(-1, 3)
    deep = deep[np.isfinite(deep).all(axis=1)]
    if len(deep) < 10:
        return Texture(1e-7 * np.eye(3))
    size = np.sum(deep**2, axis=1)
    even = deep[size <= np.quantile(size, TEXTURE_SHARE)]
    # where a face is burnt out it has no texture at all, and what compression leaves in white is no edge
    inside = np.nanmedian(rows.light[:, rows.offsets < 0.0], axis=(0, 1))
    rounded = np.diag(2.0 * coding_noise(inside) ** 2)  # on both sides of a change
    return Texture(TRUNCATION_BIAS * even.T @ even / len(even) + rounded)


def innermost(mm: Array) -> Array:
    """Rank of a change by how far outside the outline it lies, mm."""
    return -mm


def outermost(mm: Array) -> Array:
    """The reverse."""
    return mm


def nearest(mm: Array) -> Array:
    """Rank of a change by how far from the outline it lies, mm."""
    return -np.abs(mm)


def find_edges(rows: OutlineRows, texture: Texture, reach: SearchReach, rank: Rank) -> RowEdges:
    """In each row the change that stands out, lasts and ranks highest, to a fraction of a pixel.

    Behind a scratch, or a grinding mark along the foot, the face goes on in its own tone: neither is an edge of it.
    """
    change = _changes(rows)
    size = np.nan_to_num(texture.size(change))
    peak = np.zeros(size.shape, dtype=bool)
    peak[:, 1:-1] = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:])
    mm = rows.offsets / rows.px_per_mm
    sound = peak & ~_echoes(change) & (size > STANDS_OUT) & (mm > -reach.inside) & (mm < reach.outside)
    sound &= texture.size(_lasting_changes(rows)) > LASTS**2 * size
    k = np.argmax(np.where(sound, rank(mm), -np.inf), axis=1)
    n = np.arange(len(k))
    valid = sound[n, k]
    k = np.where(valid, k, len(rows.offsets) // 2)
    before, here, after = (size[n, np.clip(k + d, 0, size.shape[1] - 1)] for d in (-1, 0, 1))
    bend = np.maximum(2.0 * here - before - after, 1e-12)
    at = rows.offsets[k] + np.where(valid, np.clip((after - before) / (2.0 * bend), -0.5, 0.5), 0.0)
    return RowEdges(
        valid, at, np.full(len(k), PEAK_U_PX), np.nan_to_num(change[n, k]), np.sqrt(here), np.full(len(k), math.nan)
    )


def persistence(rows: OutlineRows, found: RowEdges) -> Array:
    """Share (N,) of each change found that is still there a little further: of an edge all, of a scratch little."""
    beyond = rows.offsets[None] - found.at[:, None]
    near, far = PERSISTENCE_MM[0] * rows.px_per_mm, PERSISTENCE_MM[1] * rows.px_per_mm
    tones = []
    for sign in (1.0, -1.0):
        weight = ((sign * beyond > near) & (sign * beyond < far)).astype(np.float64)
        tones.append(np.einsum("nmi,nm->ni", rows.light, weight) / np.maximum(weight.sum(axis=1), 1.0)[:, None])
    total = np.maximum(np.sum(found.change**2, axis=1), 1e-12)
    return np.asarray(np.nan_to_num(np.sum((tones[0] - tones[1]) * found.change, axis=1) / total))


def _echoes(change: Array) -> NDArray[np.bool_]:
    """Where a change (N, M, 3) is small beside a neighbour."""
    light = np.linalg.norm(np.nan_to_num(change), axis=2)
    return np.asarray(light < ECHO * maximum_filter1d(light, 2 * ECHO_PX + 1, axis=1))


def place_edges(rows: OutlineRows, texture: Texture, near: RowEdges) -> RowEdges:
    """Fit a step to each edge found, in the mixture of colours that shows it best over the texture."""
    wide = round(MARGIN_MM * rows.px_per_mm)
    first = _fitted(rows, texture, near, max(LEAST_REACH_PX, wide))
    half = max(LEAST_REACH_PX, math.ceil(STEP_REACH * first.blur_px)) if math.isfinite(first.blur_px) else wide
    return _fitted(rows, texture, near, min(half, max(LEAST_REACH_PX, wide)))


def _fitted(rows: OutlineRows, texture: Texture, near: RowEdges, half: int) -> RowEdges:
    n = np.arange(len(near.at))
    centre = np.argmin(np.abs(rows.offsets[None] - near.at[:, None]), axis=1)
    take = centre[:, None] + np.arange(-half, half + 1)
    fits = near.valid & (take[:, 0] >= 0) & (take[:, -1] < len(rows.offsets))
    mix = texture.mixture(near.change)
    light = rows.light[n[:, None], np.clip(take, 0, len(rows.offsets) - 1)]
    values = np.where(fits[:, None], np.einsum("nmi,ni->nm", light, mix), np.nan)
    steps = locate_steps(values, np.arange(-half, half + 1.0), polarity=1)
    at = rows.offsets[centre] + np.nan_to_num(steps.at)
    one = fits & np.isfinite(steps.at) & (np.abs(at - near.at) < ONE_STEP_PX)
    blur = np.where(one, steps.sigma, math.nan)
    return replace(near, at=np.where(one, at, near.at), u=np.where(one, steps.u, near.u), blur=blur)
