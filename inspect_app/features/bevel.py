"""The bevel at a fret's end: a plane through lines parallel to the neck, seen by the rim of its cut face.

From above, the outline at the end is the far rim, which lies half a crown's width further away than the near one, and
more so lower down, where the crown is wider. Read as it stands in the photo it is too steep by several degrees; so each
edge point is carried along its line of sight to the crown's own surface, and the line is fitted there, in run along the
board over rise above it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.photo import Photo
from inspect_app.features.circle import Circle
from inspect_app.features.crown_line import EdgePath, first_edge, look_along, place_edge, significance
from inspect_app.features.pose import SQUARE_U, BoardPose
from inspect_app.features.solid import Crown
from inspect_app.features.standing import StandingFret
from inspect_app.inspection import Outline
from shared.measured import Contribution, Measured, NotMeasured

__all__ = ["End", "Bevel", "EndReading", "read_end", "measure_end", "foot_of", "find_end", "fit_bevel", "measure_bevel"]

Array = NDArray[np.float64]
End = Literal["treble", "bass"]

OUTSIDE_MM, INSIDE_MM = 4.0, 1.2
"""Where the end is looked for, outside and inside the last unworn place of the crown line: a 45 degree bevel of a 1.5
mm crown with a hollow beside it, and the corner itself."""
CORNER_MM = 0.12
"""Left out under the crown's top, where a file rounds the corner."""
LEAST_RISE_MM = 0.35
"""A shorter straight part gives no angle worth stating."""
ASSUMED_END_U_MM = 0.3
"""Standard uncertainty of an end whose bevel could not be read: 20 to 35 degrees on a 1.2 mm crown (common practice, no
source)."""
WAVINESS_MM = 0.008
"""Departure from a straight rim that still counts as straight: the marks of a fine file (no source)."""
DEFINITION_U = math.radians(0.15)
"""Standard uncertainty of the angle from burr and waviness of a filed face that a line averages over (no source)."""


@dataclass(frozen=True)
class Bevel:
    """A fitted bevel.

    Attributes
    ----------
    angle : float
        Angle whose tangent is the run along the board over the rise above it, rad; 0 is square-cut.
    foot : float
        Where it meets the board, y in mm.
    u_angle : float
        Standard uncertainty of the angle from the edge's noise, rad.
    straight : float
        Length of the straight part, mm.
    rise : tuple of float
        Heights between which it is straight, mm.
    """

    angle: float
    foot: float
    u_angle: float
    straight: float
    rise: tuple[float, float]


def find_end(
    photo: Photo, pose: BoardPose, crown_line: Circle, last: float, crown: Crown, end: End, mm_per_px: float
) -> EdgePath | None:
    """The outline of a fret's end against the backdrop.

    Parameters
    ----------
    crown_line : Circle
        Unworn crown line in `pose`.
    last : float
        Last unworn place of the crown line on that side, y in mm.

    Returns
    -------
    EdgePath or None
        From the board up at the treble end, down at the bass end: the card lies to the right.
    """
    outward = -1.0 if end == "treble" else 1.0
    pitch = max(mm_per_px, 1.0 / 120.0)
    y = last + outward * np.arange(OUTSIDE_MM, -INSIDE_MM, -pitch)
    elevation = pose.elevation(float(crown_line.z(last)), last)
    foot = crown.height - (pose.gap_mm + pose.u_gap_mm) * math.tan(max(elevation, 0.0)) - 0.08
    depth = np.arange(-CORNER_MM, -foot, -pitch)
    if len(depth) * pitch < LEAST_RISE_MM:
        return None
    light = look_along(photo, pose, y, crown_line.z(y), depth)
    certain = significance(np.ascontiguousarray(light.T), int(0.5 / pitch))
    path, gain = first_edge(certain)
    if np.mean(gain > 0.0) < 0.6:
        return None
    at_y = gaussian_filter1d(y[path], 2.0)
    points = pose.to_px(np.column_stack([np.zeros_like(at_y), at_y, crown_line.z(at_y) + depth]))
    edge = place_edge(photo, points[::-1] if end == "treble" else points)
    return edge.only(edge.strength > 4.0)


def fit_bevel(
    edge: EdgePath, pose: BoardPose, crown_line: Circle, crown: Crown, end: End, mm_per_px: float
) -> Bevel | None:
    """Fit the bevel's line to an end's outline, on the rim of the cut face that makes the outline.

    Returns
    -------
    Bevel or None
        None when no straight part of at least `LEAST_RISE_MM` is left.
    """
    inward = 1.0 if end == "treble" else -1.0
    if len(edge.px) == 0:
        return None
    far, near = (_line(*_on_rim(edge, pose, crown_line, crown, f), edge, mm_per_px) for f in (True, False))
    if far is None or near is None:
        return None
    d = pose.rays(edge.px).mean(axis=0)
    far_outside, near_outside = (_far_is_outside(inward * f[0], inward, d) for f in (far, near))
    if far_outside == near_outside:
        fit = far if far_outside else near
    else:  # seen almost along the face: the rims coincide, and the fits differ by what that leaves open
        middle = tuple((a + b) / 2.0 for a, b in zip(far, near, strict=True))
        fit = (middle[0], middle[1], math.hypot(middle[2], (far[0] - near[0]) / 2.0), middle[3], middle[4])
    slope, foot, u, low, high = fit
    angle = math.atan(inward * slope)
    return Bevel(angle, foot, u * math.cos(angle) ** 2, (high - low) / math.cos(angle), (low, high))


def _far_is_outside(run_over_rise: float, inward: float, d: Array) -> bool:
    """Whether the far rim makes the outline, seen along `d` (x = 1); off-centre the near one does."""
    return bool(run_over_rise * -d[2] + inward * d[1] >= 0.0)


def _on_rim(edge: EdgePath, pose: BoardPose, crown_line: Circle, crown: Crown, far: bool) -> tuple[Array, Array]:
    """Place along the board and height above it of edge points, on the far or near half of the crown's surface."""
    d, c = pose.rays(edge.px), pose.camera
    x = np.zeros(len(d))
    for _ in range(8):  # contracts by tan(e) times the flank's slope: a tenth a round
        y, z = c[1] + d[:, 1] * (x - c[0]), c[2] + d[:, 2] * (x - c[0])
        h = z - (crown_line.z(y) - crown.height)
        half = crown.half_width(np.clip(h, 0.0, crown.height))
        x = half if far else -half
    return y, h


def _line(y: Array, h: Array, edge: EdgePath, mm_per_px: float) -> tuple[float, float, float, float, float] | None:
    """Robust line y = foot + slope h: slope, foot, u(slope), and the range of h it holds over.

    Starts from the line most points lie on (every pair of a coarse choice tried), since part of an end's outline may be
    lost in glare and its place taken by another edge."""
    tolerance = max(WAVINESS_MM, 0.5 * mm_per_px, 2.5 * float(np.median(edge.u_px)) * mm_per_px)
    use = _most_agreed(y, h, tolerance)
    weight = 1.0 / (edge.u_px * mm_per_px) ** 2
    for _ in range(10):
        if use.sum() < max(12, 0.5 * len(y)) or np.ptp(h[use]) < LEAST_RISE_MM:
            return None
        w = weight * use
        mean_h, mean_y = np.average(h, weights=w), np.average(y, weights=w)
        spread = float(np.sum(w * (h - mean_h) ** 2))
        slope = float(np.sum(w * (h - mean_h) * (y - mean_y)) / spread)
        off = y - mean_y - slope * (h - mean_h)
        now = np.abs(off) < tolerance
        if np.array_equal(now, use):
            break
        use = now
    chi = max(1.0, float(np.sum(w * off**2)) / max(1, use.sum() - 2))
    u = math.sqrt(chi * edge.correlated / spread)
    return slope, float(mean_y - slope * mean_h), u, float(h[use].min()), float(h[use].max())


def _most_agreed(y: Array, h: Array, tolerance: float) -> NDArray[np.bool_]:
    """Points within the tolerance of the line through two of them that most points agree with."""
    if len(h) < 12 or np.ptp(h) < LEAST_RISE_MM:
        return np.zeros(len(y), bool)
    pick = np.unique(np.linspace(0, len(y) - 1, 24).astype(int))
    i, j = (k.ravel() for k in np.meshgrid(pick, pick))
    apart = np.abs(h[i] - h[j]) > 0.5 * LEAST_RISE_MM
    i, j = i[apart], j[apart]
    slope = (y[j] - y[i]) / (h[j] - h[i])
    off = np.abs(y[None, :] - y[i][:, None] - slope[:, None] * (h[None, :] - h[i][:, None]))
    return np.asarray(off[int(np.argmax(np.sum(off < tolerance, axis=1)))] < tolerance)


def measure_bevel(
    edge: EdgePath,
    pose: BoardPose,
    crown_line: Circle,
    crown: Crown,
    end: End,
    mm_per_px: float,
    u_elevation: float,
    u_roll: float,
) -> tuple[Bevel, Measured] | NotMeasured:
    """Bevel angle with its uncertainty, in degrees.

    Each contribution is the change of the angle when that input moves by its standard uncertainty and everything is
    fitted again."""
    best = fit_bevel(edge, pose, crown_line, crown, end, mm_per_px)
    if best is None:
        return NotMeasured(f"bevel {end}", "the end shows no straight edge against the backdrop")

    def moved(fit: Callable[[float], Bevel | None], step: float) -> float:
        up, down = fit(step), fit(-step)
        return math.nan if up is None or down is None else max(abs(k.angle - best.angle) for k in (up, down))

    def with_pose(change: Callable[[float], BoardPose]) -> Callable[[float], Bevel | None]:
        return lambda s: fit_bevel(edge, change(s), crown_line, crown, end, mm_per_px)

    parts = {
        "edge noise": best.u_angle,
        "edge definition": DEFINITION_U,
        "camera elevation": moved(with_pose(lambda s: _about_end(pose, crown_line, best, lean=s)), u_elevation),
        "backdrop square to the neck": moved(with_pose(lambda s: _about_end(pose, crown_line, best, turn=s)), SQUARE_U),
        "backdrop level": u_roll,
        "crown width": moved(
            lambda s: fit_bevel(edge, pose, crown_line, replace(crown, width=crown.width + s), end, mm_per_px),
            crown.u_width,
        ),
        "crown height": moved(
            lambda s: fit_bevel(edge, pose, crown_line, replace(crown, height=crown.height + s), end, mm_per_px),
            crown.u_height,
        ),
    }
    if not all(math.isfinite(v) for v in parts.values()):
        return NotMeasured(f"bevel {end}", "the end shows too little of a straight edge")
    angle = Measured(math.degrees(best.angle), "deg", tuple(Contribution(k, math.degrees(v)) for k, v in parts.items()))
    return best, angle


def _about_end(pose: BoardPose, crown_line: Circle, bevel: Bevel, lean: float = 0.0, turn: float = 0.0) -> BoardPose:
    """The pose with its lean or turn changed about the fret's end, so that the crown line stays where it was seen."""
    at = np.array([0.0, bevel.foot, float(crown_line.z(bevel.foot))])
    new = replace(pose, lean=pose.lean + lean, turn=pose.turn + turn)
    shift = np.asarray(pose.shift) + pose.axes @ at - new.axes @ at
    return replace(new, shift=(float(shift[0]), float(shift[1]), float(shift[2])))


@dataclass(frozen=True)
class EndReading:
    """One end of a fret: outline, fitted bevel, its angle (deg) and straight length (mm), and the line to draw."""

    edge: EdgePath
    bevel: Bevel
    angle: Measured
    straight: Measured
    drawn: Outline


def read_end(photo: Photo, fret: StandingFret, end: End, u_roll: float, n: int) -> EndReading | NotMeasured:
    """Find an end's outline and measure its bevel.

    Parameters
    ----------
    u_roll : float
        Standard uncertainty of how level the backdrop stands along the board, rad.
    n : int
        Number of the fret, for the words.
    """
    what = f"fret {n}, bevel {end}"
    last = fret.line.span[0 if end == "treble" else 1]
    edge = find_end(photo, fret.pose, fret.line.circle, last, fret.crown, end, fret.mm_per_px)
    if edge is None:
        return NotMeasured(what, "the end does not stand out against the backdrop; change the light or go closer")
    return measure_end(edge, fret, end, u_roll, n)


def measure_end(edge: EdgePath, fret: StandingFret, end: End, u_roll: float, n: int) -> EndReading | NotMeasured:
    """Measure the bevel of an end whose outline was found; the last two parameters as in `read_end`."""
    what = f"fret {n}, bevel {end}"
    got = measure_bevel(edge, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px, fret.u_elevation, u_roll)
    if isinstance(got, NotMeasured):
        return NotMeasured(what, got.reason)
    bevel, angle = got
    straight = Measured.of(bevel.straight, "mm", edge_noise=2.0 * fret.mm_per_px, corner=CORNER_MM / 2.0)
    drawn = Outline("bevel", _drawn(bevel, fret, end, edge), of=what)
    return EndReading(edge, bevel, angle.with_flags(*fret.flags), straight, drawn)


def _drawn(bevel: Bevel, fret: StandingFret, end: End, edge: EdgePath) -> tuple[tuple[float, float], ...]:
    """The fitted line from the board to the crown's top, on the rim that makes the outline."""
    inward = 1.0 if end == "treble" else -1.0
    h = np.linspace(0.0, fret.crown.height, 12)
    y = bevel.foot + inward * h * math.tan(bevel.angle)
    z = fret.line.circle.z(y) - fret.crown.height + h
    far = _far_is_outside(math.tan(bevel.angle), inward, fret.pose.rays(edge.px).mean(axis=0))
    half = fret.crown.half_width(h)
    px = fret.pose.to_px(np.column_stack([half if far else -half, y, z]))
    return tuple((float(a), float(b)) for a, b in px)


def foot_of(fret: StandingFret, end: EndReading | None) -> tuple[float, float]:
    """Place of the treble end at board level and its standard uncertainty, y in mm.

    Where its bevel could not be read, 30 degrees under the last place seen of the crown line is assumed.
    """
    if end is not None:
        return end.bevel.foot, fret.crown.u_height * math.tan(end.bevel.angle) + fret.mm_per_px
    return fret.line.span[0] - fret.crown.height * math.tan(math.radians(30.0)), ASSUMED_END_U_MM
