"""How round a fret's tip is, as a close-up of its end shows."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import minimize_scalar

from calib.photo import Photo
from inspect_app.instrument.crown import depth_from_drop
from inspect_app.measure.backdrop.bevel import EndReading
from inspect_app.measure.backdrop.crown_line import tangent_rise
from inspect_app.measure.backdrop.edge_path import place_edge
from inspect_app.measure.backdrop.end_outline import INWARD, End
from inspect_app.measure.backdrop.fret import DetectedFret
from inspect_app.measure.backdrop.outline import FLOOR
from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import NotMeasured, on_fret
from shared.measured import Measured

__all__ = ["measure_tip", "fit_tip"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BESIDE_MM = 0.4
"""How far to both sides of a tip its outline is looked at: a file's rounding ends before (common practice, no
source)."""
TIP_DEFINITION_PX = 0.5
"""Standard uncertainty of how far a blurred corner seems cut back, px: the steepest place on the bisector of a sharp
corner lies 0.55 to 0.7 px inside, whatever the blur from 0.8 to 2 px (drawn corners of 50 to 70 degrees of turn)."""


def measure_tip(
    photo: Photo, fret: DetectedFret, end: End, reading: EndReading, n: int
) -> tuple[Measured, Outline] | NotMeasured:
    """Radius of the tip, where the crown line turns into the bevel, mm.

    What a file takes off there is a removal like any other: the outline's drop tells its depth
    (`depth_from_drop`), and along the fret the depths draw the tip as it is. Its circle touches the crown's top and
    the bevel's line and lies nearest them; a sharp tip reads as no more than its uncertainty."""
    what = on_fret(n, "tip radius")
    inward = INWARD[end]
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
        bevel=reading.u_foot * math.cos(b) / cut,
        camera_elevation=_u_removed(edge.px, fret, inward) / cut,
    )
    return value.with_flags(*fret.flags), Outline("tip", edge.drawn(), of=what)


def _sharp_outline(fret: DetectedFret, inward: float, reading: EndReading, corner: Array) -> Array:
    """Where a sharp tip's outline would run: up the bevel, then inward along the crown's top; px, a pixel apart."""
    h = np.arange(fret.crown.height - BESIDE_MM, fret.crown.height, fret.mm_per_px)
    half = fret.crown.half_width(h)
    y = reading.bevel.foot + inward * h * math.tan(reading.bevel.angle)
    rim = np.column_stack([half if reading.bevel.far else -half, y, fret.line.circle.z(y) - fret.crown.height + h])
    top_y = corner[0] + inward * np.arange(0.0, BESIDE_MM, fret.mm_per_px)
    lift = float(np.median(fret.line.reference - fret.line.circle.z(fret.line.y)))
    top = np.column_stack([np.zeros_like(top_y), top_y, fret.line.circle.z(top_y) + lift])
    return np.concatenate([fret.pose.to_px(rim), fret.pose.to_px(top)])


def _removed(px: Array, fret: DetectedFret, inward: float, lower: float = 0.0) -> Array:
    """Place along the fret and removal below the crown's top of outline points; (N, 2), mm. `lower`: camera, rad.

    Where the solid runs flatter than the line of sight the outline is the removed part's far edge, where it runs
    steeper its near one."""
    d = fret.pose.rays(px)
    far, near = (_removed_at(px, d, fret, side, lower) for side in (1.0, -1.0))
    run, fall = (np.abs(np.gradient(gaussian_filter1d(far[:, k], 4.0))) for k in (0, 1))
    far_outside = -run * d[:, 2] + inward * d[:, 1] * fall >= 0.0
    return np.where(far_outside[:, None], far, near)


def _removed_at(px: Array, d: Array, fret: DetectedFret, side: float, lower: float) -> Array:
    """The same, of the far (1) or near (-1) edge; `d` are the lines of sight."""
    y, z = fret.pose.cross(px).T
    e = np.arctan(-d[:, 2] + fret.line.circle.slope(y) * d[:, 1]) - lower
    r = fret.crown.radius
    drop = fret.line.circle.z(y) + tangent_rise(r, e) - z
    depth = np.where(drop > 0.0, depth_from_drop(drop, r, side * e), 0.0)
    return np.column_stack([y + side * d[:, 1] * np.sqrt(np.maximum(2.0 * r * depth - depth**2, 0.0)), depth])


def _u_removed(px: Array, fret: DetectedFret, inward: float) -> float:
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
