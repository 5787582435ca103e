"""What else a close-up of a fret's end shows: how far it stands beyond the board's edge, and how round its tip is."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import minimize_scalar

from calib.photo import Photo
from inspect_app.instrument.crown import depth_from_drop
from inspect_app.measure.backdrop.bevel import EndReading
from inspect_app.measure.backdrop.crown_line import rise
from inspect_app.measure.backdrop.end_edge import End
from inspect_app.measure.backdrop.fret_on_backdrop import StandingFret
from inspect_app.measure.backdrop.outline import FLOOR, EdgePath, first_edge, look_along, place_edge, significance
from inspect_app.reading.inspection import Outline
from shared.measured import Measured, NotMeasured
from shared.trade import WIDENING, WIDENING_U

__all__ = ["measure_overhang", "measure_tip", "fit_tip"]

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
LEAST_SHARE = 0.5
"""Share of the edge that must be seen and straight."""

BESIDE_MM = 0.4
"""How far to both sides of a tip its outline is looked at: a file's rounding ends before (common practice, no
source)."""
TIP_DEFINITION_PX = 0.5
"""Standard uncertainty of how far a blurred corner seems cut back, px: the steepest place on the bisector of a sharp
corner lies 0.55 to 0.7 px inside, whatever the blur from 0.8 to 2 px (drawn corners of 50 to 70 degrees of turn)."""


def measure_overhang(
    photo: Photo, fret: StandingFret, end: End, reading: EndReading, n: int
) -> tuple[Measured, Outline] | NotMeasured:
    """How far the fret's end, at its foot, stands beyond the board's edge (mm; negative where it ends short of it).

    The edge is read in the backdrop's plane, where its picture begins and comes outwards as the board comes nearer. An
    outline that runs upright there says nothing: it may be the cut in the backdrop that the board stands in."""
    what = f"fret {n}, overhang"
    edge = _board_side(photo, fret, end, reading.bevel.foot)
    line = None if edge is None else _board_edge(edge, fret, end, reading.bevel.foot)
    if edge is None or line is None:
        return NotMeasured(what, "the board's edge does not stand out beside the fret's end")
    outward = -1.0 if end == "treble" else 1.0
    at, slope, u_noise, used = line
    if abs(slope) < LEAST_SLOPE:
        return NotMeasured(
            what,
            "beside the fret's end the board's side can't be told from the cut in the backdrop; "
            "take the photo from nearer the middle of the board",
        )
    gap, aside = fret.pose.gap_mm, abs(at - fret.pose.camera[1]) / -float(fret.pose.camera[0])
    at -= outward * WIDENING * gap  # the backdrop stands where the board is wider already
    foot_u = math.hypot(fret.crown.u_height * abs(math.tan(reading.bevel.angle)), _u_foot(reading))
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
    return value.with_flags(*fret.flags), Outline("board_edge", _points(edge.px[used]), of=what)


def _u_foot(reading: EndReading) -> float:
    """The foot's uncertainty from the bevel's own: the line turns about the middle of what is seen of it."""
    u = math.radians(reading.angle.u)
    return u / math.cos(reading.bevel.angle) ** 2 * sum(reading.bevel.rise) / 2.0


def _points(px: Array) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in px[:: max(1, len(px) // 40)])


def _board_side(photo: Photo, fret: StandingFret, end: End, foot: float) -> EdgePath | None:
    """The board's outline against the backdrop under its surface, in the backdrop's plane."""
    outward = -1.0 if end == "treble" else 1.0
    pitch = max(fret.mm_per_px, 1.0 / 120.0)
    y = foot + outward * np.arange(OUTSIDE_MM, -INSIDE_MM, -pitch)
    level = float(fret.line.circle.z(foot)) - fret.crown.height
    down = np.arange(-BELOW_MM[0], -BELOW_MM[1], -pitch)
    light = look_along(photo, fret.pose, y, np.full_like(y, level), down, x=fret.pose.gap_mm)
    path, gain = first_edge(significance(np.ascontiguousarray(light.T), int(0.5 / pitch)), 2, 0.02)
    if np.mean(gain > 0.0) < LEAST_SHARE:
        return None
    points = fret.pose.to_px(np.column_stack([np.full_like(down, fret.pose.gap_mm), y[path], level + down]))
    edge = place_edge(photo, points[::-1] if end == "treble" else points)
    return edge.only(edge.strength > FLOOR)


def _board_edge(edge: EdgePath, fret: StandingFret, end: End, foot: float) -> tuple[float, float, float, Mask] | None:
    """Where the outline's straight upper part meets the board's surface: y (mm), slope, u from noise, points used."""
    if len(edge.px) < 12:
        return None
    y, z = fret.pose.cross(edge.px, fret.pose.gap_mm).T
    down = z - (float(fret.line.circle.z(foot)) - fret.crown.height)
    tolerance = max(STRAIGHT_MM, 0.5 * fret.mm_per_px)
    pick = np.unique(np.linspace(0, len(y) - 1, 24).astype(int))
    i, j = (k.ravel() for k in np.meshgrid(pick, pick))
    i, j = i[np.abs(down[i] - down[j]) > 0.3], j[np.abs(down[i] - down[j]) > 0.3]
    if len(i) == 0:
        return None
    slope = (y[j] - y[i]) / (down[j] - down[i])
    off = np.abs(y[None, :] - y[i][:, None] - slope[:, None] * (down[None, :] - down[i][:, None]))
    used = off[int(np.argmax(np.sum(off < tolerance, axis=1)))] < tolerance
    if used.mean() < LEAST_SHARE:
        return None
    fit, cov = np.polyfit(down[used], y[used], 1, cov="unscaled")
    spread = max(float(np.std(y[used] - np.polyval(fit, down[used]))), float(np.median(edge.u_px)) * fret.mm_per_px)
    return float(fit[1]), float(fit[0]), spread * math.sqrt(edge.correlated * float(cov[1, 1])), used


def measure_tip(
    photo: Photo, fret: StandingFret, end: End, reading: EndReading, n: int
) -> tuple[Measured, Outline] | NotMeasured:
    """Radius of the tip, where the crown line turns into the bevel, mm.

    What a file takes off there is a removal like any other: the outline's drop tells its depth (`solid`), and along the
    fret the depths draw the tip as it is. Its circle touches the crown's top and the bevel's line and lies nearest
    them; a sharp tip reads as no more than its uncertainty."""
    what = f"fret {n}, tip radius"
    inward = 1.0 if end == "treble" else -1.0
    b = reading.bevel.angle
    corner = np.array([reading.bevel.foot + inward * fret.crown.height * math.tan(b), 0.0])
    along, down = np.array([inward, 0.0]), np.array([-inward * math.sin(b), math.cos(b)])
    path = _sharp_outline(fret, inward, reading, corner)
    edge = place_edge(photo, path[::-1] if end == "bass" else path, within=6.0, pool=3)
    edge = edge.only(edge.strength > FLOOR)
    if len(edge.px) < 0.7 * len(path):
        return NotMeasured(what, "the tip does not stand out against the backdrop")
    radius, scatter = fit_tip(_removed(edge.px, fret, inward), corner, along, down)
    half = _half_angle(along, down)
    cut = 1.0 / math.sin(half) - 1.0  # how far a radius of 1 cuts the corner back
    value = Measured.of(
        radius,
        "mm",
        edge_definition=TIP_DEFINITION_PX / cut * fret.mm_per_px,
        edge_scatter=scatter * math.sqrt(math.pi / 2.0) / cut,  # neighbours share it: no gain from their number
        bevel=_u_foot(reading) * math.cos(b) / cut,
        camera_elevation=_u_removed(edge.px, fret, inward) / cut,
    )
    return value.with_flags(*fret.flags), Outline("tip", _points(edge.px), of=what)


def _sharp_outline(fret: StandingFret, inward: float, reading: EndReading, corner: Array) -> Array:
    """Where a sharp tip's outline would run: up the bevel, then inward along the crown's top; px, a pixel apart."""
    h = np.arange(fret.crown.height - BESIDE_MM, fret.crown.height, fret.mm_per_px)
    half = fret.crown.half_width(h)
    y = reading.bevel.foot + inward * h * math.tan(reading.bevel.angle)
    rim = np.column_stack([half if reading.bevel.far else -half, y, fret.line.circle.z(y) - fret.crown.height + h])
    top_y = corner[0] + inward * np.arange(0.0, BESIDE_MM, fret.mm_per_px)
    lift = float(np.median(fret.line.unworn - fret.line.circle.z(fret.line.y)))
    top = np.column_stack([np.zeros_like(top_y), top_y, fret.line.circle.z(top_y) + lift])
    return np.concatenate([fret.pose.to_px(rim), fret.pose.to_px(top)])


def _removed(px: Array, fret: StandingFret, inward: float, lower: float = 0.0) -> Array:
    """Place along the fret and removal below the crown's top of outline points; (N, 2), mm. `lower`: camera, rad.

    Where the solid runs flatter than the line of sight the outline is the removed part's far edge, where it runs
    steeper its near one."""
    d = fret.pose.rays(px)
    far, near = (_removed_at(px, d, fret, side, lower) for side in (1.0, -1.0))
    run, fall = (np.abs(np.gradient(gaussian_filter1d(far[:, k], 4.0))) for k in (0, 1))
    far_outside = -run * d[:, 2] + inward * d[:, 1] * fall >= 0.0
    return np.where(far_outside[:, None], far, near)


def _removed_at(px: Array, d: Array, fret: StandingFret, side: float, lower: float) -> Array:
    """The same, of the far (1) or near (-1) edge; `d` are the lines of sight."""
    y, z = fret.pose.cross(px).T
    e = np.arctan(-d[:, 2] + fret.line.circle.slope(y) * d[:, 1]) - lower
    r = fret.crown.radius
    drop = fret.line.circle.z(y) + rise(r, e) - z
    depth = np.where(drop > 0.0, depth_from_drop(drop, r, side * e), 0.0)
    return np.column_stack([y + side * d[:, 1] * np.sqrt(np.maximum(2.0 * r * depth - depth**2, 0.0)), depth])


def _u_removed(px: Array, fret: StandingFret, inward: float) -> float:
    """What the camera's elevation leaves open of the removal half-way round a tip, mm."""
    moved = [_removed(px, fret, inward, s * fret.u_elevation)[:, 1] for s in (-1.0, 1.0)]
    return float(np.median(np.abs(moved[1] - moved[0]))) / 2.0


def _half_angle(along: Array, down: Array) -> float:
    """Half the angle between two directions, rad."""
    return math.acos(float(np.clip(along @ down, -1.0, 1.0))) / 2.0


def fit_tip(points: Array, corner: Array, along: Array, down: Array) -> tuple[float, float]:
    """Radius of the circle that touches both sides of a corner and lies nearest the points (N, 2) between them.

    `along` and `down` are unit vectors from the corner along its sides. With it comes the points' mean distance from
    the rounded corner, mm."""
    half = _half_angle(along, down)
    bisector = (along + down) / np.linalg.norm(along + down)

    def misfit(radius: float) -> float:
        centre = corner + bisector * radius / math.sin(half)
        out = points - centre
        on_arc = (out @ along < 0.0) & (out @ down < 0.0)  # beyond where the circle touches both sides
        sides = np.minimum(*(np.abs((points - corner) @ np.array([-d[1], d[0]])) for d in (along, down)))
        return float(np.mean(np.abs(np.where(on_arc, np.linalg.norm(out, axis=1) - radius, sides))))

    most = float(np.linalg.norm(points - corner, axis=1).max()) * math.tan(half)
    tried = np.linspace(0.0, most, 40)
    best = tried[int(np.argmin([misfit(r) for r in tried]))]
    near = minimize_scalar(misfit, bounds=(max(best - tried[1], 0.0), best + tried[1]), method="bounded")
    return float(near.x), float(near.fun)
