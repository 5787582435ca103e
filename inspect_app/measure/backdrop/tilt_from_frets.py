"""How far the backdrop tilts, from the nearer frets: equal wires at known distances on one board.

Each fret shows the same pattern across its crown (bright line, dark flanks, shadow at its foot), blurred more the
nearer it is. Seen on the upright plane through each fret, the patterns lie at the same height only if the board's
elevation is right; a tilt wrong by a degree moves a fret 30 mm away by half a millimetre."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.photo import Photo
from inspect_app.measure.backdrop.circle import Circle
from inspect_app.measure.backdrop.outline import rectified_light
from inspect_app.measure.backdrop.pose import TILT_U, BoardPose

__all__ = ["fret_distance", "nearer_fret_distances", "tilt_from_frets"]

Array = NDArray[np.float64]

STEP_MM = 0.02
"""Sampling of a pattern across a crown: a third of a pixel at 15 pixels to the millimetre, the coarsest photo
measured."""
FARTHEST = 0.7
"""Share of the camera's distance up to which a fret is looked at: nearer, it is out of focus beyond use."""
PRIOR_WEIGHT = 0.02
"""Weight of the expected tilt against the mean correlation: one standard deviation costs a hundredth of a correlation,
enough to choose between equals."""
AGREE = math.radians(0.8)
"""How far a pair's own best may lie from the common one: 0.05 mm of height, both ways, over 10 mm and what a pattern's
width adds (no source)."""
LARGEST = math.radians(3.0)
"""Tilts tried, either way: three standard deviations of what is expected."""
BLURS_MM = (0.0, 0.06, 0.12, 0.2, 0.3, 0.45)
"""Blur given to the farther of two patterns so that it matches the nearer, which is out of focus."""
DARK = 0.02
"""Light added before the logarithm: black is never zero in a photo."""
DETAIL_MM = 0.4
"""Detail kept in a pattern: the lines on a crown and its foot, not the slow change of light from fret to fret."""
FOCUSED_TOP_MM = -0.12
"""Up to where the measured fret's own pattern is used: below its outline, with the outline's blur."""
LINE_CONTRAST = 1.5
"""How much brighter than the crown to both sides of it a lamp's line must be: half as much again, beyond what a change
of surroundings does."""
LEAST_CORRELATION = 0.8
"""Correlation under which two patterns are not taken for the same wire."""
HEIGHT_U_MM = 0.05
"""Standard uncertainty of a crown's height against its neighbours': unlike wear, and slots not quite equally deep
(common practice: frets are level within 0.03 to 0.05 mm, no source)."""
RELIEF_U = math.radians(0.06)
"""Standard uncertainty of the board's slope over some frets: 0.3 mm of relief in 300 mm bends 50 mm by 0.1 degree, half
of it either way (common practice, no source)."""


@dataclass(frozen=True)
class _Pattern:
    """Light across one fret: heights above where its crown is expected, and the fret's distance towards the camera."""

    light: Array
    near_mm: float
    bottom: float


def fret_distance(scale_length: float, number: int, nearer: int) -> float:
    """Distance along the board between two frets, mm: equal temperament, x_n = L (1 - 2^(-n/12))."""
    return float(scale_length * (2.0 ** (-nearer / 12.0) - 2.0 ** (-number / 12.0)))


def nearer_fret_distances(scale_length: float, number: int, pose: BoardPose, most: int = 4) -> list[float]:
    """Distances of the frets between `number` and the camera, nearest to the fret first, mm."""
    away = [fret_distance(scale_length, number, k) for k in range(number - 1, max(0, number - 1 - most), -1)]
    return [d for d in away if d < FARTHEST * -pose.camera[0]]


def tilt_from_frets(
    photo: Photo, pose: BoardPose, crown_line: Circle, span: tuple[float, float], height: float, distances: list[float]
) -> BoardPose:
    """The pose with its tilt corrected by the nearer frets, or unchanged when they can't be made out.

    Parameters
    ----------
    crown_line : Circle
        The measured fret's crown line in `pose`.
    span : tuple of float
        Its first and last place, y in mm.
    height : float
        Crown height, mm.
    distances : list of float
        Of the nearer frets, mm.
    """
    patterns = [_pattern(photo, pose, crown_line, span, height, d, distances) for d in (0.0, *distances)]
    tilts = np.arange(-LARGEST, LARGEST, math.radians(0.02))
    if patterns[0] is None:
        return pose
    score, weight, best = np.zeros_like(tilts), 0.0, []
    for far, near in combinations([p for p in patterns if p is not None], 2):
        shifts, correlation = _correlation(far, near, height)
        if len(shifts) == 0:
            continue
        arm = near.near_mm - far.near_mm
        curve = np.interp(-tilts * arm, shifts, correlation, left=0.0, right=0.0)
        score, weight = score + curve, weight + 1.0
        best.append((arm, curve))
    if weight == 0.0:
        return pose
    prior = -0.5 * (tilts / TILT_U) ** 2
    total = score / weight + PRIOR_WEIGHT * prior
    k = int(np.argmax(total))
    return _combined(pose, tilts, k, best)


def _combined(pose: BoardPose, tilts: Array, k: int, best: list[tuple[float, Array]]) -> BoardPose:
    """Weighted mean of the pairs that agree with the common best, weights by the squared arm."""
    near = np.abs(tilts - tilts[k]) < AGREE
    found = [(arm, tilts[near][int(np.argmax(c[near]))]) for arm, c in best if c[near].max() > LEAST_CORRELATION]
    if not found:
        return pose
    arm, tilt = np.array(found).T
    w = arm**2
    mean = float(np.sum(w * tilt) / w.sum())
    spread = math.sqrt(float(np.sum(w * (tilt - mean) ** 2) / w.sum())) / math.sqrt(max(1, len(found) - 1))
    u = math.hypot(spread, HEIGHT_U_MM * math.sqrt(2.0) / float(arm.max()), RELIEF_U)
    share = TILT_U**2 / (TILT_U**2 + u**2)
    return pose.tilted(pose.tilt + share * mean, math.sqrt(share) * u)


def _pattern(
    photo: Photo,
    pose: BoardPose,
    crown_line: Circle,
    span: tuple[float, float],
    height: float,
    near_mm: float,
    distances: list[float],
) -> _Pattern | None:
    """Median light over the middle half of the span, on the upright plane through a fret."""
    lo, hi = span
    y = np.linspace(lo + 0.25 * (hi - lo), hi - 0.25 * (hi - lo), 160)
    reach = 1.2 + near_mm * math.tan(LARGEST)
    z = crown_line.z(y)
    elevation = pose.elevation(float(z.mean()), float(y.mean()))
    before = [d - near_mm for d in distances if d > near_mm]
    hidden = before[0] * math.tan(max(elevation - math.radians(1.0), 0.0)) if before else math.inf
    offsets = np.arange(-height - reach, reach, STEP_MM)
    corners = pose.to_px([[-near_mm, y[i], z[i] + v] for i in (0, -1) for v in (-height, 0.0)])
    if np.any(corners < 0) or np.any(corners > [photo.width - 1, photo.height - 1]):
        return None
    light = np.asarray(np.median(rectified_light(photo, pose, y, z, offsets, x=-near_mm), axis=1), dtype=np.float64)
    if near_mm == 0.0:  # what lies above the crown here is the backdrop: no other fret has that
        light = light[offsets < FOCUSED_TOP_MM]
        light = np.pad(light, (0, len(offsets) - len(light)), mode="edge")
        if not _bright_line(light, offsets, height):
            return None
    log = np.log(light + DARK)
    detail = log - gaussian_filter1d(log, DETAIL_MM / STEP_MM)
    return _Pattern(np.asarray(detail, dtype=np.float64), near_mm, max(-height - 0.4, -hidden + 0.1))


def _bright_line(light: Array, offsets: Array, height: float) -> bool:
    """Whether the crown shows the lamp as a bright line, well inside its flank.

    Without it (lamp behind the instrument) what is seen on a crown is the surroundings, which change from fret to fret.
    """
    reach = 0.3 * height
    flank = light[(offsets > -height - reach) & (offsets < reach)]
    k = int(np.argmax(flank))
    return bool(flank[k] > LINE_CONTRAST * max(flank[: k + 1].min(), flank[k:].min()))


def _correlation(far: _Pattern, near: _Pattern, height: float) -> tuple[Array, Array]:
    """Correlation of two patterns for every height difference: shifts (mm) and the best over the blurs."""
    top = FOCUSED_TOP_MM if far.near_mm == 0.0 else 0.35
    bottom = max(far.bottom, near.bottom)
    if top - bottom < 0.5 * height:
        return np.empty(0), np.empty(0)
    reach_far, reach_near = (len(p.light) * STEP_MM - height for p in (far, near))
    i0 = round((bottom + height + reach_far / 2.0) / STEP_MM)
    n = round((top - bottom) / STEP_MM)
    lag0 = round((bottom + height + reach_near / 2.0) / STEP_MM)
    windows = np.lib.stride_tricks.sliding_window_view(near.light, n)
    centred = windows - windows.mean(axis=1, keepdims=True)
    size = np.sqrt(np.sum(centred**2, axis=1)) + 1e-9
    best = np.full(len(windows), -1.0)
    for blur in BLURS_MM:
        t = gaussian_filter1d(far.light, blur / STEP_MM + 1e-3)[i0 : i0 + n]
        t = t - t.mean()
        best = np.maximum(best, centred @ t / size / (np.linalg.norm(t) + 1e-9))
    shifts = (np.arange(len(windows), dtype=np.float64) - lag0) * STEP_MM
    return np.asarray(shifts, dtype=np.float64), np.asarray(best, dtype=np.float64)
