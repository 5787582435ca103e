"""Something laid over a fret's end, before the backdrop: a card, a rule, tape, a finger.

Its edge against the metal may be as straight and as sharp as a bevel's. But metal ends at the crown's top and at the
board, while an edge that is laid over it goes on: up the plain card above the crown, where no end has an edge, or down
over the wood below the end's foot. Paper of the card's own tone that stands on the board shows by the board itself,
which goes on beyond the foot."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.edges import row_offsets, sample_across
from calib.lines import MAD_TO_SD
from calib.photo import Photo
from inspect_app.measure.backdrop.crown_line import crown_line_of
from inspect_app.measure.backdrop.edge_path import EdgePath
from inspect_app.measure.backdrop.end_outline import INWARD, End, rim_shows
from inspect_app.measure.backdrop.fret import DetectedFret
from inspect_app.measure.backdrop.outline import rectified_light

__all__ = ["SQUARE", "board_goes_on", "crossings", "goes_on", "is_lifted", "stands_before_the_card"]

Array = NDArray[np.float64]

BEYOND_MM = ((0.2, 0.4), (0.3, 1.0))
"""Beyond both ends of a line, mm, it is looked for again: clear of a corner's blur and rounding, below the card's
print. The nearer stretch is for what stands up little, the farther one for what is faint."""
CLEAR_PX = 6.0
"""The same at least in pixels: beside a slanting line metal is nearer than along it, by half."""
LEAST_PX = 6
"""Fewest points, a pixel apart, that tell an edge."""
WITHIN_PX = 3.0
"""How far from its continuation a line may run: two degrees over a millimetre of an everyday photo."""
STEP_PX = (1.5, 4.0)
"""Distances from a line between which the light on both its sides is compared: beyond a sharp edge's blur."""
BESIDE_PX = (7.0, 45.0)
"""Distances between which the same is done along parallel lines: what paper, dirt and a denoiser's blotches make, from
where a sharp edge `WITHIN_PX` no longer reaches on: a shadow's, softer, still does."""
LEAST_STEP, TIMES = 0.03, 2.0
"""Step of the light from which it is another thing's, and over the greatest along those lines: paper of one kind is
evenly lit to a part of that over a few pixels, and the greatest of a dozen chances is seldom doubled (no source)."""
ALONG_BOARD = math.radians(15.0)
"""Angle to the board's own edge, as it is seen to come towards the camera from an end's foot, under which a line below
the foot may be that edge: the last place of both is known to a few tenths of a millimetre, and so much over a
millimetre is twice that (no source)."""
SQUARE = math.radians(10.0)
"""Bevels under which an end is all but square-cut, which hardly any is (20 to 35 degrees are usual; common practice, no
source), while a card or a rule is mostly laid along the neck: then an edge below the foot is believed to be theirs."""
BOARD_MM = (1.2, 2.4)
"""Outwards from an end's foot there is no board any more: ends are cut back by up to a millimetre (common practice, no
source), and what comes towards the camera is seen 0.2 mm farther out within a third of a millimetre below."""
LEVEL_MM = 0.3
"""Standard uncertainty of a board's level beside a fret's foot, with the crown's own height: dirt, a rounded corner,
and paper that stands a little before the fret (no source)."""
FARTHEST_PX = 6.0
"""How far to both sides an edge is looked for at most: beyond, there is no plain light left to tell noise by."""
CROSSING_MM = (1.1, 0.35)
"""Heights over the crown line between which things that cross it are looked for: above its blur, below the print."""
CROSSING_COLUMNS = (1.5, 6.0)
"""Blurs by which a sharp edge is told from a soft one, columns of two pixels."""
CROSSING_SIGMA = 12.0
"""An upright edge on the card this many deviations above its noise is a thing in front, not paper."""
CROSSING_SHARP = 2.5
"""How many times steeper such an edge is when blurred by 3 pixels than by 12: a sharp one 4 times, a streak of light
mirrored onto the card by a worn flat, a millimetre wide, 1.5 times."""
ROWS = 24
"""Heights between which the light is averaged."""
BESIDE_MM = 1.5
"""How far to both sides of a crown line's end things are looked for that stand before the card there."""
SLANTS = np.tan(np.radians(np.arange(-60.0, 61.0, 5.0)))
"""Run over rise of their edges: at two and a half degrees off, an edge is blurred by 0.03 mm over the heights looked
at, as everyday photos are."""
LIFT_MM = 0.05
"""Least thickness of what lies on a crown: masking tape is 0.1 to 0.15 mm thick, and half of that is told from a fret's
file marks (common practice, no source)."""
AT_STEP_MM = 0.6
"""Length to both sides of a step in a crown line that it is told by: that of the shortest hollow (`divots`)."""


def is_lifted(fret: DetectedFret) -> bool:
    """Whether a crown line steps up and stays so up to one of its ends: tape lies on the crown there.

    Wear has no steps. An arc through the rest, without what lies beyond the step, tells it from a hollow's wall."""
    line, middle = fret.line, sum(fret.line.span) / 2.0
    inside = (line.y >= line.span[0]) & (line.y <= line.span[1])
    y, drop = line.y[inside], line.drop[inside]
    return any(_lifted_beyond(fret, y, drop, side) for side in (-1.0, 1.0) if np.any(side * (y - middle) > 0.0))


def _lifted_beyond(fret: DetectedFret, y: Array, drop: Array, side: float) -> bool:
    """Whether the line, drop (N,) at y (N,), stands above the arc of the rest beyond its highest step on one side."""
    middle = sum(fret.line.span) / 2.0
    tried = y[(side * (y - middle) > 0.0) & (np.abs(y - fret.line.span[int(side > 0.0)]) > AT_STEP_MM / 2.0)]
    steps = np.array([_step_up(side * (y - at), drop) for at in tried])
    if len(steps) == 0 or np.max(steps) < LIFT_MM:
        return False
    at = tried[int(np.argmax(steps))]
    rest = side * (fret.line.y - at) < 0.0
    edge, used = fret.line.edge.only(rest), fret.line.used[rest]
    other = crown_line_of(edge, fret.pose, fret.line.radius, fret.mm_per_px, used)
    if other is None:
        return False
    beyond = side * (y - at) > 0.0
    moved = other.circle.z(y[beyond]) - fret.line.circle.z(y[beyond])
    return float(np.median(drop[beyond] + moved)) < -LIFT_MM


def _step_up(off: Array, drop: Array) -> float:
    """How far a line steps up at off = 0, mm: the straight lines along it before and behind, met there."""
    ends = []
    for near in ((off < 0.0) & (off > -AT_STEP_MM), (off > 0.0) & (off < AT_STEP_MM)):
        if np.count_nonzero(near) < LEAST_PX:
            return 0.0
        ends.append(float(np.polyfit(off[near], drop[near], 1)[1]))
    return ends[0] - ends[1]


def board_goes_on(photo: Photo, foot: Array, end: End, fret: DetectedFret) -> bool:
    """Whether the board shows, level with an end's foot (3,), farther out than a fret is cut back."""
    y = foot[1] - INWARD[end] * np.arange(*BOARD_MM, fret.mm_per_px)
    z = fret.line.circle.z(y) - fret.crown.height
    px = fret.pose.to_px(np.column_stack([np.zeros_like(y), y, z]))
    within = math.hypot(LEVEL_MM, fret.crown.u_height) / fret.mm_per_px
    return rim_shows(photo, px, min(within, FARTHEST_PX))


def crossings(photo: Photo, fret: DetectedFret) -> int:
    """Number of things that cross the crown line from above, strings say: sharp upright edges on the card, in pairs."""
    lo, hi = fret.line.span
    y = np.arange(lo, hi, 2.0 * fret.mm_per_px)
    light = rectified_light(photo, fret.pose, y, fret.line.circle.z(y), np.linspace(*CROSSING_MM, ROWS)).mean(axis=0)
    slope, strong = upright_edges(light)
    edges = sum(
        int(np.sum(np.diff((strong & (polarity * slope > 0.0)).astype(np.int8)) == 1)) for polarity in (1.0, -1.0)
    )
    return edges // 2


def upright_edges(light: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Slope of the light along a band of plain card, (N,) samples two pixels apart, and where a sharp edge stands."""
    fine, wide = (gaussian_filter1d(light, s, order=1) for s in CROSSING_COLUMNS)
    slope = fine - wide
    noise = MAD_TO_SD * float(np.median(np.abs(slope))) + 1e-5
    strong = np.abs(slope) > max(CROSSING_SIGMA * noise, 0.02 * float(np.median(light)))
    return slope, strong & (np.abs(fine) > CROSSING_SHARP * np.abs(wide))


def stands_before_the_card(photo: Photo, fret: DetectedFret, end: End) -> bool:
    """Whether a sharp edge rises from a crown line's end over the plain card: of a finger, tape, paper."""
    last, step = fret.line.span[0 if end == "treble" else 1], 2.0 * fret.mm_per_px
    reach = BESIDE_MM + CROSSING_MM[0]
    y = last + np.arange(-reach, reach, step)
    heights = np.linspace(*CROSSING_MM, ROWS)
    light = rectified_light(photo, fret.pose, y, fret.line.circle.z(y), heights)
    near = np.abs(y - last) < BESIDE_MM
    for slant in SLANTS:  # rows moved so that an edge of that slant stands upright
        upright = [np.interp(y + slant * h, y, row) for h, row in zip(heights, light, strict=True)]
        if upright_edges(np.mean(upright, axis=0))[1][near].any():
            return True
    return False


def goes_on(photo: Photo, edge: EdgePath, foot: Array, corner: Array, angle: float, fret: DetectedFret) -> bool:
    """Whether the straight line through an end's outline goes on beyond the metal.

    Parameters
    ----------
    edge : EdgePath
        The points on the line.
    foot, corner : ndarray, shape (3,)
        Where it meets the board and the crown's top, in the board frame, mm.
    angle : float
        Its bevel, rad.
    """
    ends = fret.pose.to_px(np.stack([foot, corner]))
    middle, up = _line(edge.px, ends[1] - ends[0])
    bottom, top = ((end - middle) @ up for end in ends)
    across = _unit(fret.pose.to_px(corner + np.array([0.0, 1.0, 0.0]))[0] - ends[1])
    stretches = [(a / fret.mm_per_px, b / fret.mm_per_px) for a, b in BEYOND_MM]
    if any(_shows(photo, (middle, up), across, top, stretch) for stretch in stretches):
        return True
    within = math.atan2(WITHIN_PX + STEP_PX[1], stretches[1][0])  # nearer than that an edge begins in what is looked at
    if angle > SQUARE and abs(_turn(-up, _board_px(foot, fret))) < max(ALONG_BOARD, within):
        return False
    return all(_shows(photo, (middle, -up), across, -bottom, stretch) for stretch in stretches)


def _line(px: Array, up: Array) -> tuple[Array, Array]:
    """Middle of points (N, 2) and the unit direction of the line through them, in the sense of `up`."""
    middle = px.mean(axis=0)
    along = np.linalg.svd(px - middle, full_matrices=False)[2][0]
    return middle, along * (1.0 if along @ up > 0.0 else -1.0)


def _shows(photo: Photo, line: tuple[Array, Array], across: Array, end: float, stretch: tuple[float, float]) -> bool:
    """Whether an edge runs along a line (middle, direction) over a stretch (px) beyond where the metal ends (px).

    Against what parallel lines show, shifted `across` (a unit vector)."""
    middle, along = line
    px = middle + (end + np.arange(max(stretch[0], CLEAR_PX), max(stretch[1], CLEAR_PX + LEAST_PX)))[:, None] * along
    rows = sample_across(photo, px, np.broadcast_to(across, px.shape), BESIDE_PX[1] + STEP_PX[1])
    light, offsets = np.nanmean(rows, axis=0), row_offsets(BESIDE_PX[1] + STEP_PX[1])
    at = np.arange(-BESIDE_PX[1], BESIDE_PX[1] + 0.5, 0.5)
    one, other = (_mean_between(light, offsets, at + side * STEP_PX[0], at + side * STEP_PX[1]) for side in (-1.0, 1.0))
    step = np.abs(other - one) / np.maximum(np.maximum(one, other), 1e-6)
    here, beside = (float(np.nanmax(step[k])) for k in (np.abs(at) <= WITHIN_PX, np.abs(at) >= BESIDE_PX[0]))
    return here > max(LEAST_STEP, TIMES * beside)


def _mean_between(light: Array, offsets: Array, a: Array, b: Array) -> Array:
    """Mean of light (N,) given at even offsets between each pair of them."""
    total = np.concatenate([[0.0], np.cumsum((light[1:] + light[:-1]) / 2.0 * np.diff(offsets))])
    return np.asarray((np.interp(b, offsets, total) - np.interp(a, offsets, total)) / (b - a))


def _board_px(foot: Array, fret: DetectedFret) -> Array:
    """The direction in the photo in which the board's edge comes towards the camera from an end's foot."""
    away, near = fret.pose.to_px(np.stack([foot, foot - [1.0, 0.0, 0.0]]))
    return np.asarray(near - away)


def _unit(v: Array) -> Array:
    return np.asarray(v / np.linalg.norm(v))


def _turn(a: Array, b: Array) -> float:
    """Angle from one direction to another, rad."""
    return math.atan2(a[0] * b[1] - a[1] * b[0], a @ b)
