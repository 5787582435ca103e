"""How far a fret's end stands beyond the board's edge, as a close-up of it shows."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from inspect_app.measure.backdrop.bevel import EndReading
from inspect_app.measure.backdrop.consensus import points_on_line
from inspect_app.measure.backdrop.crown_line import FINEST_MM
from inspect_app.measure.backdrop.edge_path import EdgePath, place_edge
from inspect_app.measure.backdrop.end_outline import INWARD, End
from inspect_app.measure.backdrop.fret import DetectedFret
from inspect_app.measure.backdrop.outline import FLOOR, first_edge, rectified_light, significance
from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import NotMeasured, on_fret
from shared.measured import Measured
from shared.trade import WIDENING, WIDENING_U

__all__ = ["measure_overhang"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

OUTSIDE_MM, INSIDE_MM = 3.0, 1.5
"""Where the board's edge is looked for, beyond the fret's foot and short of it: ends are cut back by up to a
millimetre, and sprung ones stand out by less (common practice, no source)."""
BELOW_MM = (0.15, 1.6)
"""Between these depths under the board's surface its side is followed: below the corner's own rounding, above the
foot of the thinnest board (common practice, no source: 4 to 6 mm thick)."""
STRAIGHT_MM = 0.02
"""Departure from a straight edge that is still the board's: sanded wood."""
LEAST_SLOPE = 0.15
"""Run over fall under which an outline is upright: as much as a card may be turned on the board and then some."""
LEAST_FALL_MM = 0.3
"""Two points nearer in height than this tell no slope: what still counts as straight is a fifteenth of it."""
LEAST_SHARE = 0.5
"""Share of the edge that must be seen and straight."""


def measure_overhang(
    photo: Photo, fret: DetectedFret, end: End, reading: EndReading, n: int
) -> tuple[Measured, Outline] | NotMeasured:
    """How far the fret's end, at its foot, stands beyond the board's edge (mm; negative where it ends short of it).

    The edge is read in the backdrop's plane, where its picture begins and comes outwards as the board comes nearer. An
    outline that runs upright there says nothing: it may be the cut in the backdrop that the board stands in."""
    what = on_fret(n, "overhang")
    edge = _board_side(photo, fret, end, reading.bevel.foot)
    line = None if edge is None else _board_edge(edge, fret, end, reading.bevel.foot)
    if edge is None or line is None:
        return NotMeasured(what, "the board's edge does not stand out beside the fret's end")
    outward = -INWARD[end]
    at, slope, u_noise, used = line
    if abs(slope) < LEAST_SLOPE:
        return NotMeasured(
            what,
            "beside the fret's end the board's side can't be told from the cut in the backdrop; "
            "take the photo from nearer the middle of the board",
        )
    gap, aside = fret.pose.gap_mm, abs(at - fret.pose.camera[1]) / -float(fret.pose.camera[0])
    at -= outward * WIDENING * gap  # the backdrop stands where the board is wider already
    foot_u = math.hypot(fret.crown.u_height * abs(math.tan(reading.bevel.angle)), reading.u_foot)
    value = Measured.of(
        outward * (reading.bevel.foot - at),
        "mm",
        edge_noise=u_noise,
        edge_definition=fret.definition_mm * math.sqrt(2.0),
        fret_end=foot_u,
        board_level=abs(slope) * fret.crown.u_height,
        fret_to_backdrop=(aside + WIDENING) * fret.pose.u_gap_mm,
        board_taper=WIDENING_U * gap,
    )
    return value.with_flags(*fret.flags), Outline("board_edge", edge.only(used).drawn(), of=what)


def _board_side(photo: Photo, fret: DetectedFret, end: End, foot: float) -> EdgePath | None:
    """The board's outline against the backdrop under its surface, in the backdrop's plane."""
    outward = -INWARD[end]
    pitch = max(fret.mm_per_px, FINEST_MM)
    y = foot + outward * np.arange(OUTSIDE_MM, -INSIDE_MM, -pitch)
    level = float(fret.line.circle.z(foot)) - fret.crown.height
    down = np.arange(-BELOW_MM[0], -BELOW_MM[1], -pitch)
    light = rectified_light(photo, fret.pose, y, np.full_like(y, level), down, x=fret.pose.gap_mm)
    path, gain = first_edge(significance(np.ascontiguousarray(light.T), int(0.5 / pitch)), 2, 0.02)
    if np.mean(gain > 0.0) < LEAST_SHARE:
        return None
    points = fret.pose.to_px(np.column_stack([np.full_like(down, fret.pose.gap_mm), y[path], level + down]))
    edge = place_edge(photo, points[::-1] if end == "treble" else points)
    return edge.only(edge.strength > FLOOR)


def _board_edge(edge: EdgePath, fret: DetectedFret, end: End, foot: float) -> tuple[float, float, float, Mask] | None:
    """Where the outline's straight upper part meets the board's surface: y (mm), slope, u from noise, points used."""
    if len(edge.px) < 12:
        return None
    y, z = fret.pose.cross(edge.px, fret.pose.gap_mm).T
    down = z - (float(fret.line.circle.z(foot)) - fret.crown.height)
    tolerance = max(STRAIGHT_MM, 0.5 * fret.mm_per_px)
    used = points_on_line(down, y, tolerance, LEAST_FALL_MM, np.ones(len(y)))
    if used is None or used.mean() < LEAST_SHARE:
        return None
    fit, cov = np.polyfit(down[used], y[used], 1, cov="unscaled")
    spread = max(float(np.std(y[used] - np.polyval(fit, down[used]))), float(np.median(edge.u_px)) * fret.mm_per_px)
    return float(fit[1]), float(fit[0]), spread * math.sqrt(edge.noise_correlation * float(cov[1, 1])), used
