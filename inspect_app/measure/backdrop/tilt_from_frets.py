"""How far the backdrop tilts, from the nearer frets: equal wires at known distances on one board.

Each fret shows the same pattern across its crown (bright line, dark flanks, shadow at its foot), blurred more the
nearer it is. Seen on the upright plane through each fret, the patterns lie at the same height only if the board's
elevation is right; a tilt wrong by a degree moves a fret 30 mm away by half a millimetre. So each tilt is tried whole:
with it every fret's pattern is carried to heights over its own crown, and there all of them must agree."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
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
"""Weight of the expected tilt against the mean agreement: one standard deviation costs a hundredth of it, enough to
choose between equals."""
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
TOP_MM = -0.12
"""Up to where a pattern is used, over its crown's top: what is seen above is no part of the wire but lies behind it,
backdrop or the next fret's foot, and the outline's own blur is kept out with it."""
SHADOW_MM = 0.4
"""How far under a crown's foot its pattern goes on: the shadow at the foot."""
OVERLAP_MM = 0.1
"""Left out of what the next nearer fret leaves in sight of a flank: that fret's own blur."""
LEAST_SHARE = 0.5
"""Share of a crown's height that two patterns must have in common to be compared."""
LINE_CONTRAST = 1.5
"""How much brighter than the crown to both sides of it a lamp's line must be: half as much again, beyond what a change
of surroundings does."""
LEAST_AGREEMENT = 0.8
"""Agreement under which two patterns are not taken for the same wire, and the frets together not for one board."""
HEIGHT_U_MM = 0.05
"""Standard uncertainty of a crown's height against its neighbours': unlike wear, and slots not quite equally deep
(common practice: frets are level within 0.03 to 0.05 mm, no source)."""
RELIEF_U = math.radians(0.06)
"""Standard uncertainty of the board's slope over some frets: 0.3 mm of relief in 300 mm bends 50 mm by 0.1 degree, half
of it either way (common practice, no source)."""
LAMP_U = math.radians(0.07)
"""The same from the lamp's line, which stands higher on nearer frets: over 1 mm a lamp 400 mm away at 45 degrees rises
by 0.0018 rad, the crown's normal that mirrors it by half of that, the line by 1.3 mm times that (common practice of
placing a bench lamp, no source)."""


@dataclass(frozen=True)
class _Pattern:
    """Light across one fret.

    Attributes
    ----------
    light : ndarray
        By height, `STEP_MM` apart, over where the crown is expected.
    lowest : float
        Height of the first, mm.
    near_mm : float
        The fret's distance towards the camera from the measured one.
    before_mm : float
        Distance of the next nearer fret from this one.
    """

    light: Array
    lowest: float
    near_mm: float
    before_mm: float


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
    away = (0.0, *distances)
    patterns = [_pattern(photo, pose, crown_line, span, height, i, away) for i in range(len(away))]
    tilts = np.arange(-LARGEST, LARGEST, math.radians(0.02))
    if patterns[0] is None:
        return pose
    middle = (span[0] + span[1]) / 2.0
    elevation = tilts + pose.elevation(float(crown_line.z(middle)), middle)
    agreement = _agreement([p for p in patterns if p is not None], tilts, elevation, height)
    if not agreement:
        return pose
    mean = np.mean([curve for _, curve in agreement], axis=0)
    k = int(np.argmax(mean - PRIOR_WEIGHT * 0.5 * (tilts / TILT_U) ** 2))
    return pose if mean[k] < LEAST_AGREEMENT else _combined(pose, tilts, k, agreement)


def _combined(pose: BoardPose, tilts: Array, k: int, best: list[tuple[float, Array]]) -> BoardPose:
    """Weighted mean of the pairs that agree with the common best, weights by the squared arm."""
    near = np.abs(tilts - tilts[k]) < AGREE
    found = [(arm, tilts[near][int(np.argmax(c[near]))]) for arm, c in best if c[near].max() > LEAST_AGREEMENT]
    if not found:
        return pose
    arm, tilt = np.array(found).T
    w = arm**2
    mean = float(np.sum(w * tilt) / w.sum())
    spread = math.sqrt(float(np.sum(w * (tilt - mean) ** 2) / w.sum())) / math.sqrt(max(1, len(found) - 1))
    u = math.hypot(spread, HEIGHT_U_MM * math.sqrt(2.0) / float(arm.max()), RELIEF_U, LAMP_U)
    share = TILT_U**2 / (TILT_U**2 + u**2)
    return pose.tilted(pose.tilt + share * mean, math.sqrt(share) * u)


def _pattern(
    photo: Photo,
    pose: BoardPose,
    crown_line: Circle,
    span: tuple[float, float],
    height: float,
    i: int,
    away: tuple[float, ...],
) -> _Pattern | None:
    """Median light over the middle half of the span, on the upright plane through fret `i` of those `away`."""
    lo, hi = span
    y = np.linspace(lo + 0.25 * (hi - lo), hi - 0.25 * (hi - lo), 160)
    near_mm = away[i]
    reach = 1.2 + near_mm * math.tan(LARGEST)
    z = crown_line.z(y)
    offsets = np.arange(-height - reach, reach, STEP_MM)
    corners = pose.to_px([[-near_mm, y[k], z[k] + v] for k in (0, -1) for v in (-height, 0.0)])
    if np.any(corners < 0) or np.any(corners > [photo.width - 1, photo.height - 1]):
        return None
    light = np.asarray(np.median(rectified_light(photo, pose, y, z, offsets, x=-near_mm), axis=1), dtype=np.float64)
    if i == 0:  # what lies above the crown here is the backdrop: no other fret has that
        light = light[offsets < TOP_MM]
        light = np.pad(light, (0, len(offsets) - len(light)), mode="edge")
        if not _bright_line(light, offsets, height):
            return None
    log = np.log(light + DARK)
    detail = np.asarray(log - gaussian_filter1d(log, DETAIL_MM / STEP_MM), dtype=np.float64)
    gaps = np.diff(away)  # frets are wider apart towards the nut: the last one's own gap is no less than that before
    before = float(gaps[min(i, len(gaps) - 1)]) if len(gaps) else math.inf
    return _Pattern(detail, float(offsets[0]), near_mm, before)


def _bright_line(light: Array, offsets: Array, height: float) -> bool:
    """Whether the crown shows the lamp as a bright line, well inside its flank.

    Without it (lamp behind the instrument) what is seen on a crown is the surroundings, which change from fret to fret.
    """
    reach = 0.3 * height
    flank = light[(offsets > -height - reach) & (offsets < reach)]
    k = int(np.argmax(flank))
    return bool(flank[k] > LINE_CONTRAST * max(flank[: k + 1].min(), flank[k:].min()))


def _agreement(patterns: list[_Pattern], tilts: Array, elevation: Array, height: float) -> list[tuple[float, Array]]:
    """How well each two patterns agree at every tilt: their distance (mm) and the best over the blurs, shape (tilts,).

    `elevation` is that of the line of sight over the board at each tilt, rad: what the next nearer fret hides of a
    flank is left out, and where too little is left they do not agree."""
    heights = np.arange(-height - SHADOW_MM, TOP_MM, STEP_MM)
    blurred = [
        [_carried(replace(p, light=gaussian_filter1d(p.light, b / STEP_MM + 1e-3)), tilts, heights) for b in BLURS_MM]
        for p in patterns
    ]
    found = []
    for i, j in combinations(range(len(patterns)), 2):
        far, near = patterns[i], patterns[j]
        bottom = OVERLAP_MM - min(far.before_mm, near.before_mm) * np.tan(np.maximum(elevation, 0.0))
        enough = TOP_MM - np.maximum(bottom, heights[0]) >= LEAST_SHARE * height
        if enough.any():
            shown = heights >= bottom[:, None]
            best = np.max([_concordance(light, blurred[j][0], shown) for light in blurred[i]], axis=0)
            found.append((near.near_mm - far.near_mm, np.where(enough, best, 0.0)))
    return found


def _carried(pattern: _Pattern, tilts: Array, heights: Array) -> Array:
    """A pattern at heights over its own crown, if the backdrop tilts so; shape (tilts, heights)."""
    at = heights - tilts[:, None] * pattern.near_mm
    return np.interp((at - pattern.lowest) / STEP_MM, np.arange(len(pattern.light)), pattern.light)


def _concordance(a: Array, b: Array, shown: NDArray[np.bool_]) -> Array:
    """Concordance correlation of two patterns row by row, over what is `shown` of them (Lin, Biometrics 45, 1989).

    Unlike plain correlation it asks for the same contrast and level too: equal wires in one light show them."""
    count = np.maximum(shown.sum(axis=1), 1)
    mean_a, mean_b = (np.where(shown, v, 0.0).sum(axis=1) / count for v in (a, b))
    da, db = (np.where(shown, v - m[:, None], 0.0) for v, m in ((a, mean_a), (b, mean_b)))
    spread = (da**2).sum(axis=1) + (db**2).sum(axis=1) + count * (mean_a - mean_b) ** 2
    return np.asarray(2.0 * (da * db).sum(axis=1) / np.maximum(spread, 1e-9))
