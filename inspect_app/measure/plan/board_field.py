"""The board between two neighbouring frets, laid out flat: its light and colour on an even grid.

A field reaches from crown foot to crown foot and from edge to edge. The board's surface there is drawn straight from
the one fret's foot line to the other's, so that its arch and its taper are followed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.coarse_grid import coarse_places, filled
from calib.photo import Photo, linear_light
from inspect_app.measure.plan.fret_patch import BURNT, LUMINANCE_BGR
from inspect_app.measure.plan.frets import EndedFret

__all__ = ["LEAST_LONG_MM", "STEP_MM", "BoardField", "lay_out", "mixed", "seen_at"]

Floats = NDArray[np.float64]
Light = NDArray[np.float32]

STEP_MM = 0.2
"""Of the grid: an eighth of the narrowest worn place looked for."""
EVERY = 8
"""Places of the grid from one whose pixel is worked out to the next."""
DARK = 0.004
"""Linear light, 13 of 255 codes (IEC 61966-2-1), below which tones are not told: there a code more or less is nearly a
tenth of the light, as much as faint wear."""
LEAST_LONG_MM = 8.0
"""Of a field, out of shadow and off the feet: in a shorter one an inlay of 6 mm leaves no wood about it to tell it
by."""
MIXTURES = 21
"""Steps from unworn to worn: between them light is as good as straight."""
LEAST_ACROSS_MM = 20.0
"""Of a field: no fretted board is so narrow (common practice, no source)."""


@dataclass(frozen=True)
class BoardField:
    """One field.

    Attributes
    ----------
    number : int
        Of the fret on its body side.
    before, fret : EndedFret
        The frets on its nut side and on its body side.
    x, y : ndarray
        Columns along the neck from the nut side's foot, rows along the fret from the treble end, mm.
    tone : ndarray of float32, shape (rows, columns, 3)
        Logarithms of light, of red over green and of blue over green.
    valid : ndarray of bool, shape (rows, columns)
        In the photo, covered by nothing, neither black nor burnt out.
    """

    number: int
    before: EndedFret
    fret: EndedFret
    x: Floats
    y: Floats
    tone: Light
    valid: NDArray[np.bool_]

    def to_px(self, x: Floats, y: Floats) -> Floats:
        """Photo pixels, shape (N, 2), of places in the field."""
        return seen_at(self.before, self.fret, (float(self.x[-1]), float(self.y[-1])), x, y)


def lay_out(photo: Photo, before: EndedFret, fret: EndedFret, covers: Sequence[Floats]) -> BoardField | None:
    """The field between two neighbouring frets; None where it is too small to say anything."""
    a, b = before.frame, fret.frame
    gap = float((b.origin_mm - a.origin_mm) @ a.across) - (before.crown.width + fret.crown.width) / 2.0
    across = (a.length_mm + b.length_mm) / 2.0
    if gap < LEAST_LONG_MM or across < LEAST_ACROSS_MM:
        return None
    x, y = np.arange(0.0, gap, STEP_MM), np.arange(0.0, across, STEP_MM)
    size = (float(x[-1]), float(y[-1]))
    places = [axis[0] + STEP_MM * coarse_places(len(axis), EVERY) for axis in (y, x)]
    grid = np.meshgrid(places[1], places[0])
    px = seen_at(before, fret, size, grid[0].ravel(), grid[1].ravel()).reshape(*grid[0].shape, 2)
    light, valid = _sampled(photo, px.astype(np.float32), (len(y), len(x)), covers)
    valid &= (light.min(axis=2) > DARK) & (light.max(axis=2) < BURNT)
    return BoardField(b.number, before, fret, x, y, _tones(np.maximum(light, DARK)), valid)


def _tones(light: Light) -> Light:
    """Logarithms of light, of red over green and of blue over green, of linear blue, green and red, (..., 3)."""
    blue, green, red = np.moveaxis(np.log(light), -1, 0)
    share = LUMINANCE_BGR[0]
    tone = [share[0] * blue + share[1] * green + share[2] * red, red - green, blue - green]
    return np.asarray(np.stack(tone, axis=-1), dtype=np.float32)


def _lights(tone: Floats) -> Floats:
    """Linear blue, green and red, (..., 3), of `_tones`."""
    light, red, blue = np.moveaxis(tone, -1, 0)
    share = LUMINANCE_BGR[0]
    green = light - share[0] * blue - share[2] * red  # the shares add up to 1
    return np.asarray(np.exp(np.stack([green + blue, green, green + red], axis=-1)))


def mixed(unworn: Floats, way: Floats) -> Floats:
    """What a surface differs by, (N, 3), that is worn in even steps from not at all to wholly, when it then differs by
    `way`: worn and unworn wood lie side by side, finer than is seen, and what adds up is their light."""
    shares = np.linspace(0.0, 1.0, MIXTURES)[:, None]
    light = (1.0 - shares) * _lights(unworn) + shares * _lights(unworn + way)
    return np.asarray(_tones(np.asarray(light, dtype=np.float32)) - unworn, dtype=np.float64)


def seen_at(before: EndedFret, fret: EndedFret, size: tuple[float, float], x: Floats, y: Floats) -> Floats:
    """Photo pixels, shape (N, 2), of places on the board between two frets: `x` from the one's foot, `y` from the
    treble end, of a field of so many mm both ways; beyond the ends the board's arch goes on."""
    share, along = x / size[0], y / size[1]
    ends = []
    for f, half in ((before, before.crown.width / 2.0), (fret, -fret.crown.width / 2.0)):
        at, frame = along * f.frame.length_mm, f.frame
        flat = frame.origin_mm + at[:, None] * frame.along + half * frame.across
        ends.append(np.column_stack([flat, frame.level_mm(at)]))
    at_board = (1.0 - share[:, None]) * ends[0] + share[:, None] * ends[1]
    return before.frame.plane.to_px(at_board)


def _sampled(
    photo: Photo, coarse: Light, shape: tuple[int, int], covers: Sequence[Floats]
) -> tuple[Light, NDArray[np.bool_]]:
    """Linear light (rows, columns, 3) on the grid and where it is seen; pixels finer than the grid are averaged."""
    low = np.maximum(np.floor(coarse.min(axis=(0, 1))).astype(int) - 2, 0)
    high = np.minimum(np.ceil(coarse.max(axis=(0, 1))).astype(int) + 3, [photo.width, photo.height])
    if np.any(high - low < 4):
        return np.zeros((*shape, 3), np.float32), np.zeros(shape, bool)
    per = np.linalg.norm(coarse[0, 1] - coarse[0, 0]) / EVERY
    shrink = max(1, int(per))
    crop = photo.bgr[low[1] : high[1], low[0] : high[0]]
    if shrink > 1:
        size = (max(1, crop.shape[1] // shrink), max(1, crop.shape[0] // shrink))
        scale = np.array([size[0] / crop.shape[1], size[1] / crop.shape[0]])
        crop = np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    else:
        scale = np.ones(2)
    local = (coarse - low + 0.5) * scale - 0.5
    u, v = (filled(np.ascontiguousarray(local[..., k], dtype=np.float32), EVERY, shape) for k in (0, 1))
    light = linear_light(np.asarray(cv2.remap(crop, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8))
    valid = (u >= 0) & (v >= 0) & (u <= crop.shape[1] - 1) & (v <= crop.shape[0] - 1)
    hidden = np.zeros(crop.shape[:2], np.uint8)
    for outline in covers:
        cv2.fillPoly(hidden, [np.round((outline - low + 0.5) * scale - 0.5).astype(np.int32)], 1)
    if hidden.any():
        valid &= cv2.remap(hidden, u, v, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=1) == 0
    return light, np.asarray(valid)
