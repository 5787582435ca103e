"""The outline above a line that was followed in its place: the lamp's line on the metal, or dirt along its foot.

Such lines are often stronger than a dark crown's edge against a dark card, whose glints hide it in each place. Pooled
over a millimetre or two it is as sure as can be: light is straightened to the line followed, which runs nearly along
the outline, and pooled by medians, so that the glints of paper, however many, make no edge."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, median_filter

from calib.lines import MAD_TO_SD
from calib.photo import Photo
from inspect_app.measure.backdrop.crown_line import (
    ABOVE_MM,
    COLUMN_STEPS,
    FINEST_MM,
    OVER_MM,
    QUIET,
    UNDER_MM,
    CrownLine,
    averaged_light,
    crown_line_of,
    follow_crown_line,
    tangent_rise,
)
from inspect_app.measure.backdrop.outline import DERIVATIVE_PX, certainty, first_edge, least_slope_noise
from inspect_app.measure.backdrop.pose import BoardPose
from inspect_app.measure.edge_definition import DEFINITION_PX

__all__ = ["highest_line"]

Array = NDArray[np.float64]
Light = NDArray[np.floating]

BLOCK_COLUMNS = 24
"""Columns pooled: 2 mm of an everyday photo, less than most hollows are long; noise falls to a fifth."""
LEAST_SHARE = 0.5
"""Share of the blocks that must show the edge: wear to the same outline, and glare, may take the rest."""
OWN_PX = 3.0 * DERIVATIVE_PX
"""Above the line followed that belong to its own edge: three times the derivative's scale."""
MOST_STEPS = 8
"""Rows from one block to the next at most: a slope of a twelfth against the line followed."""
END_COLUMNS, END_BLOCKS = 6, 3
"""Columns pooled to see how far a line goes, and blocks of them that settle it: half a millimetre, to which an end's
bevel is looked for from there (see `bevel.CORNER_SHORT_MM`)."""
HALF_SHOWN = 0.5
"""Share of the usual step of light from which the line is there: halfway between it and plain card."""
MOST_SCATTER_PX = 1.0
"""Scatter about its arc from which a line is no outline but a shadow on the card: the light of an edge in focus steps
within a pixel or two, and its steepest place is known to a part of that even among specks (no source)."""
WANDERS = 2.0
"""Times as far as its points are uncertain that a line scatters about its arc where it is two edges by turns: over a
hundred points and more, chance leaves a tenth (chi-square distribution)."""
LINES = 3
"""Lines that may be taken for an outline one after the other: dirt at the foot, the lamp's line, a nearer crown."""


def highest_line(
    photo: Photo, pose: BoardPose, line: CrownLine, y: Array, height: float, mm_per_px: float, top: float
) -> tuple[CrownLine, float]:
    """The crown line itself, where another edge of the fret was followed in its place.

    With it comes how far below it the outline was followed, mm: short of that other edge, which would draw it down.

    Parameters
    ----------
    line : CrownLine
        As followed.
    y : ndarray, shape (N,)
        Columns to look in, as `find_crown_line` had them, mm.
    height : float
        The crown's, mm: its outline is no farther above any line on it.
    top : float
        Height above which the card is printed, mm.
    """
    under = UNDER_MM
    for _ in range(LINES):
        edge = _edge_above(photo, pose, line, height, mm_per_px, top)
        if edge is None:
            break
        at, above = edge
        room = min(UNDER_MM, float(np.median(above)) - OWN_PX * max(mm_per_px, FINEST_MM))
        z = line.circle.z(y) + _lift(line) + np.interp(y, at, above)
        higher = follow_crown_line(photo, pose, y, z, line.radius, mm_per_px, (at[0], at[-1]), room)
        if higher is None or not _holds(higher, line, mm_per_px) or _is_same(higher, line, mm_per_px):
            break
        line, under = _only_shown(photo, pose, higher, mm_per_px), room
    return line, under


def _holds(higher: CrownLine, line: CrownLine, mm_per_px: float) -> bool:
    """Whether a higher line keeps to its own arc: over as much of the line below it as an edge there must be seen over,
    and as closely as its points are known.

    What is followed along a soft shadow on the card wanders, and keeps to an arc here and there."""
    lo, hi = line.span
    below = int(((line.y >= lo) & (line.y <= hi)).sum())
    u_px = math.hypot(float(np.sqrt(np.mean(higher.edge.u_px[higher.used] ** 2))), DEFINITION_PX, ABOVE_MM / mm_per_px)
    scatter = higher.rms / mm_per_px
    return int(higher.used.sum()) >= LEAST_SHARE * below and scatter < min(MOST_SCATTER_PX, WANDERS * u_px)


def _is_same(higher: CrownLine, line: CrownLine, mm_per_px: float) -> bool:
    """Whether what was followed above a line is that line again."""
    apart = float(np.abs(higher.circle.z(line.span) + _lift(higher) - line.circle.z(line.span) - _lift(line)).max())
    return apart < mm_per_px


def _only_shown(photo: Photo, pose: BoardPose, line: CrownLine, mm_per_px: float) -> CrownLine:
    """A line as far as pooled light steps along it: beyond a fret's ends specks on the card carry it on."""
    pitch = max(mm_per_px, FINEST_MM)
    at = np.arange(float(line.y.min()), float(line.y.max()), COLUMN_STEPS * pitch)
    blocks = len(at) // END_COLUMNS
    at = at[: blocks * END_COLUMNS]
    beside = np.arange(2.0 * DERIVATIVE_PX, 0.0, -1.0) * pitch
    light = averaged_light(photo, pose, at, line.circle.z(at) + _lift(line), np.concatenate([beside, -beside[::-1]]))
    pooled = np.median(light.reshape(len(light), blocks, END_COLUMNS), axis=2)
    step = pooled[len(beside) :].mean(axis=0) - pooled[: len(beside)].mean(axis=0)
    middle = at.reshape(blocks, END_COLUMNS).mean(axis=1)
    unworn = (middle > line.y[line.used].min()) & (middle < line.y[line.used].max())
    if not unworn.any():
        return line
    usual = float(np.median(step[unworn]))
    shown = middle[median_filter(step / usual, END_BLOCKS) > HALF_SHOWN]
    half = END_COLUMNS * COLUMN_STEPS * pitch / 2.0
    keep = (line.y > shown.min(initial=np.inf) - half) & (line.y < shown.max(initial=-np.inf) + half)
    cut = crown_line_of(line.edge.only(keep), pose, line.radius, mm_per_px, line.used[keep])
    return line if cut is None else cut


def _lift(line: CrownLine) -> float:
    """How far above its circle a line is seen, mm."""
    return float(np.median(tangent_rise(line.radius, line.elevation)))


def _edge_above(
    photo: Photo, pose: BoardPose, line: CrownLine, height: float, mm_per_px: float, top: float
) -> tuple[Array, Array] | None:
    """Places (N,) of an edge that runs above a line, and its heights over it (N,), mm; None where all is plain card."""
    pitch = max(mm_per_px, FINEST_MM)
    at = np.arange(*line.span, COLUMN_STEPS * pitch)
    blocks = len(at) // BLOCK_COLUMNS
    at = at[: blocks * BLOCK_COLUMNS]
    curve = line.circle.z(at) + _lift(line)
    over = min(height + OVER_MM, top - float(np.max(curve, initial=-np.inf)))
    quiet = int(QUIET * OVER_MM / pitch)
    offsets = np.arange(over, OWN_PX * pitch, -pitch)
    if blocks < 3 or len(offsets) <= quiet + OWN_PX:
        return None
    light = averaged_light(photo, pose, at, curve, offsets)
    pooled = np.median(light.reshape(len(offsets), blocks, -1), axis=2)
    least = float(np.median(least_slope_noise(light, quiet, DERIVATIVE_PX)))
    row, gain = first_edge(_certain(pooled, quiet, least), MOST_STEPS)
    shown = gain > 0.0
    if shown.mean() < LEAST_SHARE:
        return None
    return at.reshape(blocks, -1).mean(axis=1)[shown], offsets[row[shown]]


def _certain(light: Light, quiet: int, least: float) -> Array:
    """How surely each row of pooled light is the steepest point of an edge, 0 to 1; shape of `light`, (rows, blocks).

    Noise is that of all blocks' plain card, one alone has too few rows to tell it, and `least` at least."""
    slope = gaussian_filter1d(light, DERIVATIVE_PX, axis=0, order=1)
    slope -= np.median(slope[:quiet], axis=0)  # paper's light may rise or fall evenly
    slope, noise = np.abs(slope), max(MAD_TO_SD * float(np.median(np.abs(slope[:quiet]))), least)
    peak = slope >= maximum_filter1d(slope, 3, axis=0)
    return np.where(peak, certainty(slope / noise), 0.0)
