"""Two straight edges that a person marks: how far apart they lie if parallel, else the angle between them.

A leaf's thickness seen end-on, a shank's diameter: a line marked across the thing, from the ground on one side to the
ground on the other; its edges are the strongest pair of opposite steps along it. The step of two stacked leaves, a set
square's angle: two points marked on each edge. Either way each edge is then located row by row and fitted as a line.
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

__all__ = ["angle_between", "distance_across", "distance_between"]

Vector = NDArray[np.float64]
Four = tuple[float, float, float, float]
Eight = tuple[float, float, float, float, float, float, float, float]
Lines = tuple[Line, Line]

LEAST_PX = 5.0
"""Least distance of the two edges: nearer, the blur of one is part of the other."""
U_LAYING_MM = 0.3
"""How level with the scale a thing is held or laid beside it by hand (common practice, no source)."""
_ROWS = 41  # rows side by side in which the edges are looked for
_STEP_PX = 0.5  # between samples along the marked line
_ALONG = 1.0  # half the length of edge that is fitted, over the distance marked: a thing may end near
_LONGEST_PX = 150.0  # half of it at most: straight things are straight over that
_SMOOTH = 2.0  # samples by which the profile is smoothed to find steps: a pixel
MARKED_PX = 8.0
"""How near an edge is marked by hand: two to three pixels of a photo shown at a third of its size (common practice, no
source)."""
LEAST_EDGE_PX = 20.0
"""Least length marked of an edge: the rows that blur joins are then a third of it, and of a shorter one too few are
left to tell its direction."""
U_TURN_RAD = math.radians(1.0)
"""How square to the backdrop a thing stands that is pushed against it by hand (common practice, no source)."""
LEAST_ANGLE_DEG = 2.0
"""Under it two edges count as parallel: what they enclose is no angle of a thing."""
_PARALLEL_RAD = math.radians(2.0)  # a thing whose edges diverge more has no one width


def distance_across(
    photo: Photo, plane: Plane, u_scale: float, across_px: Four, height_mm: float = 0.0
) -> tuple[Measured, Lines]:
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
    return _distance(plane, u_scale, first, second, height_mm), (first, second)


def distance_between(
    photo: Photo, plane: Plane, u_scale: float, edges_px: Eight, height_mm: float = 0.0
) -> tuple[Measured, Lines]:
    """Distance of two parallel edges marked by two points each, mm, and the edges as fitted: the height of a step.

    Parameters
    ----------
    u_scale : float
        Relative standard uncertainty of the scale.
    edges_px, height_mm
        As in `angle_between`.

    Raises
    ------
    OptionError
        If too little of an edge is marked, or outside the photo.
    ScaleError
        If there is no straight edge where one is marked, the two are not parallel, or they are one edge marked twice.
    """
    lines = _marked_edges(photo, edges_px)
    if _one_edge(edges_px, lines):
        raise ScaleError(
            "Both marks lie on the same edge, or on two too near each other to be told apart.",
            "Mark two points on each of two edges; those of a step lie beside each other, not one over the other.",
        )
    return _distance(plane, u_scale, *lines, height_mm), lines


def angle_between(photo: Photo, plane: Plane, edges_px: Eight, height_mm: float = 0.0) -> tuple[Measured, Lines]:
    """The angle two edges enclose, marked by two points each, up to 90 degrees; and the edges as fitted.

    Parameters
    ----------
    edges_px : (x1, y1, x2, y2, x3, y3, x4, y4)
        Two points on one edge and two on the other, in upright photo pixels.
    height_mm : float
        As in `distance_across`.

    Raises
    ------
    OptionError
        If too little of an edge is marked, or outside the photo.
    ScaleError
        If there is no straight edge where one is marked, or the two are parallel.
    """
    lines = _marked_edges(photo, edges_px)
    ends = np.vstack([(line.point, line.point + LEAST_EDGE_PX * line.direction) for line in lines])

    def enclosed(p: Plane, turn: float = 0.0) -> float:
        level = p.to_mm(ends, height_mm)
        q = p.to_mm(ends, height_mm + turn * (level[:, 0] - level[0, 0]))
        one, other = q[1] - q[0], q[3] - q[2]
        turned = math.degrees(math.atan2(abs(float(one[0] * other[1] - one[1] * other[0])), float(one @ other)))
        return min(turned, 180.0 - turned)

    value = enclosed(plane)
    if value < LEAST_ANGLE_DEG:
        raise ScaleError("The two edges are parallel: they enclose no angle.", "Mark the edges that meet in the angle.")
    parts = (
        Contribution("edges", math.degrees(math.hypot(*(line.u_angle for line in lines)))),
        Contribution("camera pose and lens", float(plane.u_of(enclosed))),
        Contribution("square to the backdrop", abs(enclosed(plane, U_TURN_RAD) - value)),
    )
    return Measured(value, "deg", parts), lines


def _marked_edges(photo: Photo, edges_px: Eight) -> Lines:
    ends = np.reshape(edges_px, (2, 2, 2))
    inside = (ends >= 0).all() and (ends < [photo.width, photo.height]).all()
    if not inside or min(float(np.linalg.norm(b - a)) for a, b in ends) < LEAST_EDGE_PX:
        raise OptionError(
            "Too little of an edge is marked, or outside the photo.",
            f"Mark two points on each edge, {LEAST_EDGE_PX:.0f} pixels apart or more.",
        )
    first, second = (edge_line(photo, a, b, MARKED_PX) for a, b in ends)
    if first is None or second is None:
        raise ScaleError(
            "There is no straight edge where one was marked.",
            "Go closer in the photo and mark both points on the edge itself, away from its corners.",
        )
    return first, second


def _one_edge(edges_px: Eight, lines: Lines) -> bool:
    """Whether the stretches marked lie side by side on one edge: so near, two edges' blurs would be one step.

    Stretches one after the other may be in line: a step of nothing.
    """
    first, second = lines
    one, other = (
        np.sort((np.reshape(p, (2, 2)) - first.point) @ first.direction) for p in (edges_px[:4], edges_px[4:])
    )
    shared = min(one[1], other[1]) - max(one[0], other[0])
    between = second.point - first.point
    apart = abs(float(first.direction[0] * between[1] - first.direction[1] * between[0]))
    return bool(shared > 0.0 and apart < LEAST_PX)


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
    turned = abs(float(first.direction[0] * second.direction[1] - first.direction[1] * second.direction[0]))
    if turned > math.sin(_PARALLEL_RAD):
        raise ScaleError("The two edges are not parallel.", "Mark a place where the thing is of one width.")

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
