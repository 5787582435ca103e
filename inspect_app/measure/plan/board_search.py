"""Where in a cluttered photo a neck may lie: windows as high as a narrow board in which many steps of light line up."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.plane import Plane
from inspect_app.measure.plan.overview_bands import BAND_MM, Axes, Bands, ReducedPhoto, laid_out

__all__ = ["MAX_TURN_DEG", "Place", "best_turn", "likely_places", "turned"]

MAX_TURN_DEG = 20.0
"""How far the neck may lie askew in the photo."""
_TURNS_DEG = (0.0, 6.5, -6.5, 13.0, -13.0, 19.5, -19.5)
_SHEARS = np.tan(np.radians(np.linspace(-2.6, 2.6, 5)))
"""Turns tried: laid out anew at every 6.5 degrees, and sheared by 1.3 between; half of that moves a fret's step by a
third of a millimetre at the edge of a window."""
_WINDOW_MM = 28.0
"""Height of a window: the narrowest boards are hardly wider at the nut (common practice, no source)."""
_STRONG = 5.0
"""Standard deviations from which the steps of a window line up; 1000 columns reach 4 by chance."""
_STRONGEST = 20.0
"""A line counts no more than this: many frets make a board, not one strong edge."""
_BIN_MM = 6.0
"""Of so much of the neck one line counts: frets stand no closer, stripes of cloth and graduations do."""
_PLACES = 16
"""Places looked at closer: the board, and a rule, a keyboard, planks or a striped cloth beside it."""
_APART_MM, _APART_DEG, _ALIKE = 30.0, 4.0, 2
"""Places nearer than this are one; so many are kept that lie about one point turned otherwise."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Place:
    """A window in which steps line up: the axes turned so, its middle across the neck (mm), and how much lines up.

    `at_mm` is the middle of what lines up, on the plane.
    """

    axes: Axes
    middle_mm: float
    strength: float
    at_mm: Floats


def turned(axes: Axes, slope: float) -> Axes:
    """Axes turned so that lines of slope du/dv become square to the neck."""
    u, v = axes[0] - slope * axes[1], axes[1] + slope * axes[0]
    return u / np.linalg.norm(u), v / np.linalg.norm(v)


def likely_places(half: ReducedPhoto, plane: Plane, axes: Axes, height: float) -> list[Place]:
    """The windows in which most lines up, best first, each but once."""
    found = [p for deg in _TURNS_DEG for p in _places(half, plane, turned(axes, -math.tan(math.radians(deg))), height)]
    found.sort(key=lambda p: -p.strength)
    kept: list[Place] = []
    for p in found:
        near = [q for q in kept if float(np.linalg.norm(p.at_mm - q.at_mm)) < _APART_MM]
        if len(kept) < _PLACES and len(near) < _ALIKE and not any(_turned_alike(p, q) for q in near):
            kept.append(p)
    return kept


def _turned_alike(p: Place, q: Place) -> bool:
    return math.degrees(math.acos(min(1.0, abs(float(p.axes[0] @ q.axes[0]))))) < _APART_DEG


def _places(half: ReducedPhoto, plane: Plane, axes: Axes, height: float) -> Iterator[Place]:
    bands = laid_out(half, plane, axes, height)
    many = round(_WINDOW_MM / BAND_MM)
    if len(bands.steps) < many:
        return
    per_bin = max(1, round(_BIN_MM * bands.px_per_mm))
    rows, v = bands.steps.astype(np.float32), bands.v_mm - bands.v_mm.mean()
    for slope in _SHEARS:
        straight = _sheared(rows, v * bands.px_per_mm, float(slope))
        summed = np.vstack([np.zeros((1, straight.shape[1])), np.cumsum(straight, axis=0, dtype=np.float64)])
        size = np.abs(summed[many::2] - summed[:-many:2]) / math.sqrt(many)
        size = _strongest_of_each(np.where(size > _STRONG, np.minimum(size, _STRONGEST), 0.0), per_bin)
        strength = (size**2).sum(axis=1)
        for i in _peaks(strength, 5):
            v_mm = float(bands.v_mm[2 * i] + (many - 1) / 2.0 * BAND_MM)
            u_mm = float(bands.u_mm((size[i] ** 2 @ (np.arange(size.shape[1]) + 0.5)) / strength[i] * per_bin))
            at = (u_mm + slope * (v_mm - bands.v_mm.mean())) * axes[0] + v_mm * axes[1]
            better = turned(axes, float(slope))
            yield Place(better, float(at @ better[1]), float(strength[i]), at)


def _strongest_of_each(size: Floats, many: int) -> Floats:
    """The largest of every so many columns, shape (rows, columns / many rounded down)."""
    whole = size.shape[1] // many * many
    return np.asarray(size[:, :whole].reshape(len(size), -1, many).max(axis=2))


def _peaks(strength: Floats, reach: int) -> list[int]:
    """Windows that hold more than any as near as this."""
    around = cv2.dilate(strength.reshape(-1, 1), np.ones((2 * reach + 1, 1), np.uint8)).ravel()
    return [int(i) for i in np.flatnonzero((strength == around) & (strength > 0.0))[:20]]


def best_turn(bands: Bands, limit_deg: float = MAX_TURN_DEG) -> float:
    """Slope du/dv along which the steps of the bands agree best."""
    rows = bands.steps.astype(np.float32)
    v = (bands.v_mm - bands.v_mm.mean()) * bands.px_per_mm
    limit = math.tan(math.radians(limit_deg))
    slope, step = 0.0, 2.0 * limit
    for tried, every in ((49, 2), (13, 1), (13, 1)):
        slopes = slope + np.linspace(-0.5, 0.5, tried) * step
        slope = float(slopes[int(np.argmax([_agreement(rows[::every], v[::every], m) for m in slopes]))])
        step = 3.0 * (slopes[1] - slopes[0])
    return slope


def _agreement(rows: NDArray[np.float32], v: Floats, slope: float) -> float:
    """Sum of the fourth powers of the columns' sums: large when few columns hold most of the steps."""
    total = _sheared(rows, v, slope).sum(axis=0, dtype=np.float64)
    total *= total  # twice squared: a power of arrays takes longer than the shearing
    return float(total @ total)


def _sheared(rows: NDArray[np.float32], v: Floats, slope: float) -> NDArray[np.float32]:
    """Rows moved so that lines of this slope stand upright; `v` in columns."""
    per_row = slope * (v[1] - v[0]) if len(v) > 1 else 0.0
    sheared = np.array([[1.0, per_row, slope * v[0]], [0.0, 1.0, 0.0]])
    moved = cv2.warpAffine(rows, sheared, rows.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.asarray(moved, dtype=np.float32)
