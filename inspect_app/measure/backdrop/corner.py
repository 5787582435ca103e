"""Where a crown line ends, by the step of light across it: a fret's end begins there and nowhere else.

How far the line was followed says it roughly: chance puts points on the card, and beside a rounded tip some are lost.
The light just below the line less that just above it is a step along the whole crown and none beyond its end, whatever
its noise, since nothing is picked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import uniform_filter1d

from calib.photo import Photo
from inspect_app.measure.backdrop.crown_line import CrownLine, tangent_rise
from inspect_app.measure.backdrop.outline import rectified_light
from inspect_app.measure.backdrop.pose import BoardPose
from shared.trade import Side

__all__ = ["Corner", "find_corner"]

Array = NDArray[np.float64]

BEYOND_MM, INSIDE_MM = 4.0, 3.0
"""Where it is looked for, beyond and short of the last unworn place: as far as an end is (see `end_outline`), and
short of it by a hollow."""
PLAIN_MM = 0.6
"""From so far beyond that last place what shows is plain card, which tells the noise: a line is seldom followed farther
onto it by chance (no source)."""
ABOVE, BELOW = (2.0, 4.0), (-1.0, -4.0)
"""Heights over the line, in standard deviations of the photo's blur, between which the light is compared: card beyond
the line's own blur, and metal."""
ROWS = 17
RUN_MM = 0.3
"""Length to both sides of a place over which the step is averaged: a speck is smaller, and what a hollow leaves of a
crown before its end mostly longer (no source)."""
LEAST_SIGMAS = 8.0
"""Standard deviations of what the card itself shows over a pixel by which the step must change: where metal has the
card's tone nothing is said."""
LEAST_SHARE, HALF = 0.25, 0.5
"""Of the greatest change: the outermost of at least so much is where the crown line ends, for between hollows, or where
its metal passes from darker than the card to brighter, it changes more; and so much of it at most is left beyond."""
FARTHER_MM = 0.3
"""How far beyond the place found a bevel's corner may lie: a file rounds a tip over up to 0.4 mm, and of a 30 degree
bevel such an arc begins 0.23 mm before the corner, 0.4 tan 30. (Of 252 ends rendered, up to 0.27.)"""
SHORT_MM, SHORT_BLURS = 0.1, 3.0
"""How far short of it: nothing of a fret shows beyond its end, but light is compared up to four blurs below the line,
where a bevel of 40 degrees is three of them farther out, and metal much brighter than the card spreads. (Of 252 ends
rendered, up to 0.15.)"""


@dataclass(frozen=True)
class Corner:
    """Where a crown line ends.

    Attributes
    ----------
    y : float
        Place along the board, mm.
    outward : float
        Direction along y from the middle of the board to the end.
    short : float
        How far short of that place a bevel's corner may lie, mm; beyond it `FARTHER_MM`.
    """

    y: float
    outward: float
    short: float

    def may_begin(self, at: ArrayLike, u: float = 0.0) -> NDArray[np.bool_]:
        """Whether a bevel may begin at places `at` (mm), each known within `u` (mm) or less."""
        beyond = self.outward * (np.asarray(at, dtype=np.float64) - self.y)
        return np.asarray((beyond >= -self.short - u) & (beyond <= FARTHER_MM + u))


def find_corner(
    photo: Photo, pose: BoardPose, line: CrownLine, end: Side, blur_px: float, mm_per_px: float
) -> Corner | None:
    """Where a crown line ends towards `end`; None where its step of light doesn't clearly stop in one place.

    Parameters
    ----------
    blur_px : float
        Standard deviation of the blur of the card's print.
    """
    outward = -1.0 if end == "treble" else 1.0
    last = line.span[0 if end == "treble" else 1]
    out = np.arange(BEYOND_MM, -INSIDE_MM, -mm_per_px)  # from the card inwards
    blur = blur_px * mm_per_px
    step = _steps(photo, pose, line, last + outward * out, blur)
    noise = float(np.std(step[out > PLAIN_MM]))
    at = _stops(out, step, LEAST_SIGMAS * noise)
    return None if at is None else Corner(last + outward * at, outward, SHORT_MM + SHORT_BLURS * blur)


def _steps(photo: Photo, pose: BoardPose, line: CrownLine, y: Array, blur: float) -> Array:
    """Light below the line less that above it, relative to the card's; (N,) at places y, blur in mm."""
    order = np.argsort(line.y)
    z = line.circle.z(y) + np.interp(y, line.y[order], tangent_rise(line.radius, line.elevation)[order])
    heights = np.linspace(ABOVE[1], BELOW[1], ROWS)
    light = rectified_light(photo, pose, y, z, blur * heights)
    card, metal = (light[(heights <= top) & (heights >= foot)].mean(axis=0) for foot, top in (ABOVE, BELOW[::-1]))
    return np.asarray((metal - card) / max(float(np.median(card)), 1e-3), np.float64)


def _stops(out: Array, step: Array, least: float) -> float | None:
    """The outermost place where a step (N,) changes by more than `least`, from within a run on both sides; `out` falls.

    None where it does not, or only so near the outer end that no card is left beyond it."""
    run = max(2, round(RUN_MM / abs(float(out[1] - out[0]))))
    mean = uniform_filter1d(step, run)
    change = np.zeros_like(step)  # between the runs before and after each place
    half = run // 2 + 1
    change[half:-half] = np.abs(mean[2 * half :] - mean[: -2 * half])
    clear = np.flatnonzero(change > max(least, LEAST_SHARE * float(change.max())))
    if len(clear) == 0 or clear[0] < 2 * run:
        return None
    first = clear[0] + int(np.argmax(change[clear[0] : clear[0] + run]))
    left = np.abs(mean[half : first - half] - np.median(mean[half : first - half])).max()
    return None if left > HALF * change[first] else float(out[first])
