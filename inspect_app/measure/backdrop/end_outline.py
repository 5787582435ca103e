"""The outline of a fret's end against the backdrop: the rim of its cut face, found whole and placed point by point.

A bevel is a plane, so its rim is known but for its angle and its foot. The pair is taken whose rim collects the most
edge and leaves the least outside it: a rim that is faint where the metal has the card's tone is found by the rest."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from calib.edges import row_offsets, sample_across
from calib.photo import Photo
from inspect_app.instrument.crown import Crown
from inspect_app.measure.backdrop.circle import Circle
from inspect_app.measure.backdrop.crown_line import FINEST_MM
from inspect_app.measure.backdrop.outline import (
    ABOVE,
    FLOOR,
    OWN_ROWS,
    EdgePath,
    place_edge,
    rectified_light,
    significance,
)
from inspect_app.measure.backdrop.pose import BoardPose

__all__ = ["End", "INWARD", "detect_end_outline", "CORNER_MM", "LEAST_RISE_MM"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
End = Literal["treble", "bass"]
INWARD: Mapping[End, float] = {"treble": 1.0, "bass": -1.0}
"""The direction along y from an end to the middle of the board."""

OUTSIDE_MM, INSIDE_MM = 4.0, 1.2
"""Where the end is looked for, outside and inside the last unworn place of the crown line: a 45 degree bevel of a 1.5
mm crown with a hollow beside it, and the corner itself."""
FOOT_CLEAR_MM = 0.08
"""Left out over the card's foot: the blur of an everyday photo, twice (no source)."""
LEAST_ON_RIM = 0.5
"""Share of a rim that must show an edge: with less, specks and the card's own marks may have made it."""
CORNER_MM = 0.12
"""Left out under the crown's top, where a file rounds the corner."""
LEAST_RISE_MM = 0.35
"""A shorter straight part gives no angle worth stating."""
ANGLES = np.tan(np.radians(np.arange(-5.0, 56.0)))
"""Bevels tried, as tangents: square-cut ends to half as steep again as the trade's 35 degrees (common practice, no
source)."""
NEAR_PX = 3.0
"""How far from the rim found the edge is placed: a degree either way over the height of a crown."""
BURNT = 0.95
"""Linear light, five 8-bit steps below white, beyond which metal may be any amount brighter: blur then carries an
edge outwards, 2 pixels at fifty times white (the light a distance x outside an edge is that of the normal
distribution's tail)."""
BLOOM_U_PX = 0.5
"""Standard uncertainty of such an edge's form: the bloom fades towards the bright part's borders. How far out it lies
as a whole is another matter, see `bevel.STEP_U_PX`."""
REACH_PX = 3.0
"""How far burnt-out metal, or the corner of a bright part, spoils its neighbourhood: three standard deviations of a
sharp photo's blur."""


def detect_end_outline(
    photo: Photo, pose: BoardPose, crown_line: Circle, last: float, crown: Crown, end: End, mm_per_px: float
) -> EdgePath | None:
    """The outline of a fret's end against the backdrop.

    Parameters
    ----------
    crown_line : Circle
        Reference arc in `pose`.
    last : float
        Last unworn place of the crown line on that side, y in mm.

    Returns
    -------
    EdgePath or None
        From the board up at the treble end, down at the bass end: the card lies to the right.
    """
    outward = -INWARD[end]
    pitch = max(mm_per_px, FINEST_MM)
    y = last + outward * np.arange(OUTSIDE_MM, -INSIDE_MM, -pitch)
    elevation = pose.elevation(float(crown_line.z(last)), last)
    foot = crown.height - (pose.gap_mm + pose.u_gap_mm) * math.tan(max(elevation, 0.0)) - FOOT_CLEAR_MM
    depth = np.arange(-CORNER_MM, -foot, -pitch)
    if len(depth) * pitch < LEAST_RISE_MM:
        return None
    light = rectified_light(photo, pose, y, crown_line.z(y), depth)
    certain = significance(np.ascontiguousarray(light.T), int(0.5 / pitch))
    rims = _rims(pose, crown, crown.height + depth, end, last) / pitch
    rows, found = _best_rim(certain, rims)
    if found < LEAST_ON_RIM:
        return None
    at_y = np.interp(rows, np.arange(len(y)), y)
    points = pose.to_px(np.column_stack([np.zeros_like(at_y), at_y, crown_line.z(at_y) + depth]))
    edge = place_edge(photo, points[::-1] if end == "treble" else points, within=NEAR_PX)
    if len(edge.px) < 3:
        return None
    burnt, brighter, turning = _lights(photo, edge)
    edge = replace(edge, u_shared_px=np.where(burnt, BLOOM_U_PX, 0.0), part=brighter.astype(np.intp))
    return edge.only((edge.strength > FLOOR) & ~turning)


def _rims(pose: BoardPose, crown: Crown, height: Array, end: End, last: float) -> Array:
    """How far inward from its foot each rim tried is seen at heights in the upright plane; shape (angles, heights).

    The far rim, as seen from the camera: the near one differs by a few pixels, which the placing allows for.
    """
    d = pose.rays(pose.to_px([[0.0, last, 0.0]]))[0]
    h = np.linspace(0.0, crown.height, 200)
    half = crown.half_width(h)
    seen = h - half * d[2]
    rising = np.concatenate([[True], np.diff(seen) > 0.0]) & (np.cumsum(np.diff(seen, prepend=seen[0]) < 0.0) == 0)
    at = np.interp(height, seen[rising], h[rising])
    aside = np.interp(at, h, half) * d[1] * INWARD[end]
    return np.asarray(ANGLES[:, None] * at - aside)


def _best_rim(certain: Array, inward: Array) -> tuple[Array, float]:
    """Row of the best rim in each column, and the share of columns in which there is an edge on it.

    Parameters
    ----------
    certain : ndarray, shape (rows, columns)
        Rows from outside inwards.
    inward : ndarray, shape (rims, columns)
        Rows from the foot inwards, of each rim tried.
    """
    here = maximum_filter1d(certain, 3, axis=0)
    above = np.vstack([np.zeros((OWN_ROWS, certain.shape[1])), np.cumsum(certain, axis=0)[:-OWN_ROWS]])
    gain = here - ABOVE * above
    rows, columns = gain.shape
    foot = np.arange(rows)[:, None]
    best, which = -math.inf, (0, 0)
    for k, rim in enumerate(np.round(inward).astype(int)):
        inside = slice(max(0, -int(rim.min())), max(0, rows - int(rim.max())))
        score = gain[foot[inside] + rim, np.arange(columns)].sum(axis=1)
        if len(score) and score.max() > best:
            best, which = float(score.max()), (k, inside.start + int(np.argmax(score)))
    row = which[1] + inward[which[0]]
    return row, float(np.mean(here[np.round(row).astype(int), np.arange(columns)] > 0.0))


def _lights(photo: Photo, edge: EdgePath) -> tuple[Mask, Mask, Mask]:
    """Of an end's points: beside burnt-out metal; beside metal brighter than the card; where one turns to the other.

    There blur rounds the corner of the bright part, and no edge is where the metal ends."""
    tangent = edge.px[-1] - edge.px[0]
    tangent /= max(float(np.linalg.norm(tangent)), 1e-9)
    normal = np.broadcast_to([tangent[1], -tangent[0]], edge.px.shape)
    rows = np.nan_to_num(sample_across(photo, edge.px, normal, REACH_PX))
    inside = row_offsets(REACH_PX) > 0.0
    apart = float(np.median(np.linalg.norm(np.diff(edge.px, axis=0), axis=1)))
    reach = 2 * math.ceil(REACH_PX / max(apart, 0.1)) + 1
    burnt = maximum_filter1d(rows[:, inside].max(axis=1) > BURNT, reach)
    brighter = uniform_filter1d(rows[:, inside].mean(axis=1) - rows[:, ~inside].mean(axis=1), 5) > 0.0
    return burnt, brighter, maximum_filter1d(np.diff(brighter, prepend=brighter[0]), reach)
