"""How far apart two parallel straight edges lie: the thickness of a leaf seen end-on, the diameter of a shank or wire.

A person marks a line across the thing, from the ground on one side to the ground on the other. The two edges are the
strongest pair of opposite steps along it; each is then located row by row and fitted as a straight line.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.edges import edge_line, sample_across
from calib.lines import Line
from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import U_SHARPENING_PX
from shared.errors import OptionError, ScaleError
from shared.measured import Contribution, Measured

__all__ = ["distance_across"]

Vector = NDArray[np.float64]

LEAST_PX = 5.0
"""Least distance of the two edges: nearer, the blur of one is part of the other."""
U_LAYING_MM = 0.3
"""How level with the scale a thing is held or laid beside it by hand (common practice, no source)."""
_ROWS = 41  # rows side by side in which the edges are looked for
_STEP_PX = 0.5  # between samples along the marked line
_ALONG = 1.0  # half the length of edge that is fitted, over the distance marked: a thing may end near
_LONGEST_PX = 150.0  # half of it at most: straight things are straight over that
_SMOOTH = 2.0  # samples by which the profile is smoothed to find steps: a pixel
_PARALLEL_RAD = math.radians(2.0)  # a thing whose edges diverge more has no one width


def distance_across(
    photo: Photo, plane: Plane, u_scale: float, across_px: tuple[float, float, float, float], height_mm: float = 0.0
) -> tuple[Measured, tuple[Line, Line]]:
    """Distance of the two edges that a marked line crosses, mm, and the edges as fitted.

    Parameters
    ----------
    photo : Photo
    plane : Plane
        The scale's.
    u_scale : float
        Relative standard uncertainty of the scale's length.
    across_px : (x1, y1, x2, y2)
        From beside the thing to beyond it, about square to its edges, in upright photo pixels.
    height_mm : float
        How high above the scale's plane the edges lie, towards the camera.

    Raises
    ------
    OptionError
        If the marked line is too short or leaves the photo.
    ScaleError
        If it crosses no two parallel edges.
    """
    a, b = np.array(across_px[:2]), np.array(across_px[2:])
    length = float(np.linalg.norm(b - a))
    inside = (np.array([a, b]) >= 0).all() and (np.array([a, b]) < [photo.width, photo.height]).all()
    if not inside or length < 2.0 * LEAST_PX:
        raise OptionError(
            "The line across the thing is too short or leaves the photo.",
            "Give two points in photo pixels, X1,Y1,X2,Y2, one on either side of the thing.",
        )
    d = (b - a) / length
    side = np.array([-d[1], d[0]])
    half = min(_ALONG * length / 2.0, _LONGEST_PX)
    at = _steps_along(photo, a, d, side, length, half)
    reach = max(LEAST_PX - 1.0, min(0.4 * (at[1] - at[0]), 12.0))
    lines = [edge_line(photo, p - half * side, p + half * side, reach) for p in (a + at[0] * d, a + at[1] * d)]
    first, second = lines
    if first is None or second is None:
        raise _no_edges()
    turned = abs(float(first.direction[0] * second.direction[1] - first.direction[1] * second.direction[0]))
    if turned > math.sin(_PARALLEL_RAD):
        raise ScaleError("The two edges are not parallel.", "Mark a place where the thing is of one width.")
    return _distance(plane, u_scale, first, second, height_mm), (first, second)


def _steps_along(photo: Photo, a: Vector, d: Vector, side: Vector, length: float, half: float) -> tuple[float, float]:
    """Where along the marked line the strongest pair of opposite steps lies, px from its start."""
    middle = a + 0.5 * length * d
    starts = middle + np.linspace(-half, half, _ROWS)[:, None] * side
    rows = sample_across(photo, starts, np.tile(d, (_ROWS, 1)), length / 2.0, _STEP_PX)
    slope = np.gradient(gaussian_filter1d(np.median(rows, axis=0), _SMOOTH))
    k = np.arange(len(slope))
    rise_fall, fall_rise = _best_pair(slope, k), _best_pair(-slope, k)
    strength, i, j = max(rise_fall, fall_rise)
    if strength <= 0.0:
        raise _no_edges()
    return i * length / (len(slope) - 1), j * length / (len(slope) - 1)


def _best_pair(slope: Vector, k: NDArray[np.intp]) -> tuple[float, int, int]:
    """The pair of a rise and a later fall whose weaker one is strongest."""
    weaker = np.minimum(slope[:, None], -slope[None, :])
    weaker[(k[None, :] - k[:, None]) * _STEP_PX < LEAST_PX] = 0.0
    i, j = np.unravel_index(int(np.argmax(weaker)), weaker.shape)
    return float(weaker[i, j]), int(i), int(j)


def _distance(plane: Plane, u_scale: float, first: Line, second: Line, height_mm: float) -> Measured:
    def apart(p: Plane) -> float:
        ends = np.array([first.point, first.point + first.direction, second.point, second.point + second.direction])
        q = p.to_mm(ends, height_mm)
        along = q[1] - q[0] + math.copysign(1.0, float(first.direction @ second.direction)) * (q[3] - q[2])
        along /= np.linalg.norm(along)
        return abs(float(along[0] * (q[2] - q[0])[1] - along[1] * (q[2] - q[0])[0]))

    value = apart(plane)
    px_per_mm = plane.px_per_mm(plane.to_mm([(first.point + second.point) / 2.0], height_mm)[0])
    u_edges = math.hypot(first.u_offset, second.u_offset) / px_per_mm
    parts = (
        Contribution("edges", u_edges),
        # both edges of a dark or a bright thing move out or in together, by up to that much each
        Contribution("sharpening", 2.0 * U_SHARPENING_PX / math.sqrt(3.0) / px_per_mm),
        Contribution("scale", value * u_scale),
        Contribution("camera pose and lens", float(plane.u_of(apart))),
        Contribution("scale not quite level with what it lies beside", value * U_LAYING_MM / plane.distance_mm, sign=0),
    )
    return Measured(value, "mm", parts)


def _no_edges() -> ScaleError:
    return ScaleError(
        "The marked line crosses no two clear edges.",
        "Mark it from the ground on one side of the thing to the ground on the other, where both are sharp.",
    )
