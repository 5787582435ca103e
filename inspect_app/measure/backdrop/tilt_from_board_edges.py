"""How far the backdrop tilts, from the board's two long edges.

They are straight and run along the neck but for the board's own widening, so the sight plane through either holds a
known direction of the board's surface: that fixes the elevation, whatever the light on the metal is. Both are needed,
and must agree: an edge of something else beside the board seldom does."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.lines import MAD_TO_SD
from calib.photo import Photo, linear_light
from inspect_app.measure.backdrop.circle import Circle
from inspect_app.measure.backdrop.pose import TURN_U, BoardPose
from inspect_app.measure.backdrop.tilt_from_frets import RELIEF_U
from shared.trade import WIDENING, WIDENING_U

__all__ = ["tilt_from_board_edges"]

Array = NDArray[np.float64]

BEYOND_MM = 0.9
"""From the last place of a crown line to the board's edge: a 30 degree bevel of an everyday crown, and an end that is
0.2 mm short of the edge (common practice, no source)."""
START_MM = 0.7
"""How far from there the edge may lie: bevels of 20 to 40 degrees, ends from flush to 0.6 mm short (common practice, no
source)."""
REACH_MM, STEP_MM = 2.5, 0.03
"""How far to both sides light is looked at, and the distance of its samples."""
NEAREST_MM, APART_MM = 2.0, 0.5
"""Distances before the fret: of the first look, clear of the backdrop's foot and the fret's own end, and between
looks."""
FARTHEST = 0.6
"""Share of the camera's distance up to which the edge is looked at: nearer, it is out of focus beyond use."""
LEAST_ROWS = 24
"""Looks under which no line is stated."""
BLUR_MM = 0.1
"""Scale of the derivative: an edge 40 mm before the focus is blurred by so much (aperture 1 mm, distance 200 mm)."""
SURE = 12.0
"""Standard deviations of a row's own texture from which an edge in it is as sure as can be."""
CLEAR = 4.0
"""The same under which there is none; 1 in 16 000 by chance."""
SLOPES = np.arange(-0.12, 0.121, 0.004)
"""Slopes tried, run along the board over distance: a tilt of 3 degrees with a camera right above the edge's end moves
an edge by 0.05, one at 11 degrees elevation by 0.1."""
NEAR_MM = (0.25, 0.15, 0.1)
"""How near to a line an edge belongs to it, in rounds."""
LEAST_SHARE = 1.0 / 3.0
"""Share of the looks in which the edge must be clear and on the line: nearer frets' ends hide as much as the rest."""
BESIDE_MM = 2.0
"""The camera must be so far inside an edge; from beyond it the board's side shows, with edges of its own."""
EDGE_U_MM = 0.1
"""Standard uncertainty of the line across its length: the board's edge is rounded, and fret ends stand out by so much
(no source)."""
MOST_APART = 2.0
"""Disagreement of the two edges, in standard uncertainties, beyond which neither is believed: rather one photo in
twenty left as it was than a cloth's edge taken for the board's."""


@dataclass(frozen=True)
class _Edge:
    """A board's edge: side (-1 treble, 1 bass), two of its points in the pose's board frame, and its length, mm."""

    side: float
    points: Array
    length: float


def tilt_from_board_edges(
    photo: Photo, pose: BoardPose, crown_line: Circle, span: tuple[float, float], height: float
) -> BoardPose:
    """The pose with its tilt corrected by the board's edges, or unchanged where both can't be made out.

    Parameters
    ----------
    crown_line : Circle
        The measured fret's crown line in `pose`.
    span : tuple of float
        Its first and last place, y in mm.
    height : float
        Crown height, mm.
    """
    edges = [_edge(photo, pose, crown_line, end, height, side) for side, end in zip((-1.0, 1.0), span, strict=True)]
    found = [e for e in edges if e is not None]
    if len(found) < 2:
        return pose
    tilts, by_widening, by_turn = (np.array(v) for v in zip(*(_tilt_of(e, pose) for e in found), strict=True))
    own = by_widening * EDGE_U_MM / np.array([e.length for e in found])
    cov = WIDENING_U**2 * np.outer(by_widening, by_widening) + TURN_U**2 * np.outer(by_turn, by_turn) + np.diag(own**2)
    if abs(tilts[1] - tilts[0]) > MOST_APART * math.sqrt(cov[0, 0] + cov[1, 1] - 2.0 * cov[0, 1]):
        return pose
    weight = np.linalg.solve(cov, np.ones(2))
    u2 = 1.0 / float(weight.sum()) + RELIEF_U**2
    share = pose.u_tilt**2 / (pose.u_tilt**2 + u2)
    return pose.tilted(pose.tilt + share * float(weight @ tilts) / float(weight.sum()), math.sqrt(share * u2))


def _edge(photo: Photo, pose: BoardPose, crown_line: Circle, last: float, height: float, side: float) -> _Edge | None:
    """The straight edge of the board on one side, before the fret."""
    y = last + side * BEYOND_MM
    z = float(crown_line.z(y)) - height
    if side * (float(pose.camera[1]) - y) > -BESIDE_MM:
        return None
    away = np.arange(NEAREST_MM, FARTHEST * -float(pose.camera[0]), APART_MM)
    offset = np.arange(-REACH_MM, REACH_MM, STEP_MM)
    across = y + side * (offset[None, :] - WIDENING * away[:, None])
    at = np.stack([np.broadcast_to(-away[:, None], across.shape), across, np.full(across.shape, z)], axis=-1)
    px = pose.to_px(at.reshape(-1, 3)).reshape((*at.shape[:2], 2))
    inside = np.all((px >= 0.0) & (px <= [photo.width - 1.0, photo.height - 1.0]), axis=(1, 2))
    if inside.sum() < LEAST_ROWS:
        return None
    away, (u, v) = away[inside], np.moveaxis(px[inside].astype(np.float32), -1, 0)
    light = linear_light(np.asarray(cv2.remap(photo.gray, u, v, cv2.INTER_LINEAR), dtype=np.uint8))
    line = _line(away, np.abs(gaussian_filter1d(light, BLUR_MM / STEP_MM, axis=1, order=1)))
    if line is None:
        return None
    ends = away[[0, -1]]
    there = y + side * (np.polyval(line, ends) - WIDENING * ends)
    return _Edge(side, np.column_stack([-ends, there, np.full(2, z)]), float(np.ptp(away)))


def _line(away: Array, steep: NDArray[np.float32]) -> Array | None:
    """The line, offset over distance (slope first), that most looks show an edge on; None where too few do."""
    noise = MAD_TO_SD * np.median(steep, axis=1, keepdims=True) + 1e-6
    sure = np.minimum(steep / noise, SURE)
    start = np.arange(-1.5, 1.5, 0.1)
    tried = start[:, None, None] + SLOPES[None, :, None] * away
    column = np.round((tried + REACH_MM) / STEP_MM).astype(int)
    rows, columns = np.arange(len(away)), steep.shape[1]
    inside = (column >= 0) & (column < columns)
    score = np.where(inside, sure[rows, np.clip(column, 0, columns - 1)], 0.0).sum(axis=-1)
    i, j = np.unravel_index(int(np.argmax(score)), score.shape)
    fit = np.array([SLOPES[j], start[i]])
    for near in NEAR_MM:
        half = int(near / STEP_MM)
        middle = np.round((np.polyval(fit, away) + REACH_MM) / STEP_MM).astype(int)
        window = np.clip(middle[:, None] + np.arange(-half, half + 1), 0, columns - 1)
        best = np.argmax(steep[rows[:, None], window], axis=1)
        on = (sure[rows, window[rows, best]] > CLEAR) & (best > 0) & (best < 2 * half)
        if on.mean() < LEAST_SHARE:
            return None
        fit = np.polyfit(away[on], window[rows, best][on] * STEP_MM - REACH_MM, 1)
    return np.asarray(fit) if abs(fit[1]) < START_MM else None


def _tilt_of(edge: _Edge, pose: BoardPose) -> tuple[float, float, float]:
    """The change of tilt at which a sight plane holds the edge's direction; its slope over widening and over turn."""
    normal = np.cross(*pose.plane.rays(pose.to_px(edge.points)))

    def off(tilt: float = 0.0, widening: float = 0.0, turn: float = 0.0) -> float:
        axes = replace(pose, tilt=pose.tilt + tilt, turn=pose.turn + turn).axes
        return float(normal @ axes @ np.array([1.0, edge.side * (WIDENING + widening), 0.0]))

    h = 1e-3
    by_tilt, by_widening, by_turn = (
        (off(**{name: h}) - off(**{name: -h})) / (2.0 * h) for name in ("tilt", "widening", "turn")
    )
    return -off() / by_tilt, -by_widening / by_tilt, -by_turn / by_tilt
