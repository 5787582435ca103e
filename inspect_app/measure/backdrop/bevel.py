"""The bevel at a fret's end: a plane through lines parallel to the neck, seen by the rim of its cut face.

From above, the outline at the end is the far rim, which lies half a crown's width further away than the near one, and
more so lower down, where the crown is wider. Read as it stands in the photo it is too steep by several degrees; so each
edge point is carried along its line of sight to the crown's own surface, and the line is fitted there, in run along the
board over rise above it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from inspect_app.instrument.crown import Crown
from inspect_app.measure.backdrop.circle import Circle
from inspect_app.measure.backdrop.edge_path import EdgePath
from inspect_app.measure.backdrop.end_outline import (
    BLOOM_U_PX,
    CORNER_MM,
    FACE_UNSEEN,
    INWARD,
    LEAST_REACH,
    End,
    EndOutline,
)
from inspect_app.measure.backdrop.fret import DetectedFret
from inspect_app.measure.backdrop.pose import TURN_U, BoardPose
from inspect_app.measure.backdrop.rim_line import RIM_DEFINITION_PX, fit_rim_line
from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import Key, NotMeasured, on_fret
from shared.measured import Contribution, Measured

__all__ = [
    "Bevel",
    "EndReading",
    "WORST_U_DEG",
    "fit_bevel",
    "bevel_foot",
    "measure_bevel",
    "measure_end",
    "on_rim",
    "rim_px",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BEND_SHARE = 0.2
"""How much of an edge's definition may bend a rim, most of it tilting it (no source)."""
WORST_U_DEG = 3.75
"""Standard uncertainty beyond which an angle is not stated: with U = 7.5, 20 and 35 degrees, the ends of what the trade
cuts (common practice, no source), can no longer be told apart."""
FACE_FORM_U = math.radians(0.15)
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
    u_angle, u_definition : float
        Standard uncertainty of the angle from the edge's noise, and from what the edge is, rad.
    straight : float
        Length of the straight part, mm.
    rise : tuple of float
        Heights between which it is straight, mm.
    far : bool
        Whether the outline is the rim away from the camera.
    used : ndarray of bool
        Points of the outline that make the straight part.
    few : float
        By how much wider `u_angle` is to be stated, see `RimLine`.
    """

    angle: float
    foot: float
    u_angle: float
    u_definition: float
    straight: float
    rise: tuple[float, float]
    far: bool = True
    used: Mask | None = None
    few: float = 1.0


def fit_bevel(
    edge: EdgePath,
    pose: BoardPose,
    crown_line: Circle,
    crown: Crown,
    end: End,
    mm_per_px: float,
    definition_px: float = RIM_DEFINITION_PX,
    start: Mask | None = None,
) -> Bevel | None:
    """Fit the bevel's line to an end's outline, on the rim of the cut face that makes the outline.

    `start` are the points that made a fit in nearly the same pose, to begin with.

    Returns
    -------
    Bevel or None
        None when no straight part is left.
    """
    inward = INWARD[end]
    if len(edge.px) == 0:
        return None
    rims = [on_rim(edge, pose, crown_line, crown, side) for side in (1.0, -1.0)]
    fits = [fit_rim_line(*rim, edge, mm_per_px, definition_px, start) for rim in rims]
    lines = [None if line is None or line.joined else line for line in fits]
    d = pose.rays(edge.px).mean(axis=0)
    if lines[1] is None and lines[0] is not None and not _far_is_outside(inward * lines[0].slope, inward, d):
        return None  # the far rim is hidden: points that lie straight on it alone are too few to tell
    found = [line for line in lines if line is not None]
    if not found:
        return None
    far, near = found[0], found[-1]  # where most points agree on one rim alone, it is the one seen
    far_outside, near_outside = (_far_is_outside(inward * f.slope, inward, d) for f in (far, near))
    if far_outside != near_outside:
        is_near = 0.5  # seen almost along the face: the rims coincide, and the fits differ by what that leaves open
    else:
        is_near = _near_rim_probability(rims, edge, mm_per_px, definition_px) if far_outside else 1.0
    fit = near if is_near > 0.5 else far
    u_rim_choice = math.sqrt(is_near * (1.0 - is_near)) * abs(near.slope - far.slope)
    angle = math.atan(inward * (far.slope + is_near * (near.slope - far.slope)))
    u = math.hypot(fit.u_noise, u_rim_choice) * math.cos(angle) ** 2
    foot = far.foot + is_near * (near.foot - far.foot)
    far_seen, straight = fit is far and bool(far_outside or near_outside), (fit.rise[1] - fit.rise[0]) / math.cos(angle)
    u_definition = fit.u_definition * math.cos(angle) ** 2
    return Bevel(angle, foot, u, u_definition, straight, fit.rise, far_seen, fit.used, fit.few)


def _near_rim_probability(
    rims: list[tuple[Array, Array]], edge: EdgePath, mm_per_px: float, definition_px: float
) -> float:
    """Probability that the outline followed is the near rim though the cut face is in sight: the face has the card's
    tone then.

    What shows of the other rim, or `FACE_UNSEEN`, times the likelihood ratio of how straight the clear points lie on
    either rim: light that changes along it bends an edge as a whole, so its points do not each count. Points beside
    burnt-out metal, and a part where the light steps the other way, do not bear on that."""
    prior = edge.near_rim if isinstance(edge, EndOutline) else FACE_UNSEEN
    clear = edge.u_shared_px < LEAST_REACH * BLOOM_U_PX
    if not clear.any():
        return prior
    clear &= edge.part == np.bincount(edge.part[clear]).argmax()
    far, near = (fit_rim_line(y[clear], h[clear], edge.only(clear), mm_per_px, definition_px) for y, h in rims)
    if far is None or near is None:
        return prior
    points = min(far.used.sum(), near.used.sum()) / edge.noise_correlation
    bend = (BEND_SHARE * definition_px * mm_per_px) ** 2 + min(far.rms, near.rms) ** 2 / points
    log_likelihood_ratio = 0.5 * (far.rms**2 - near.rms**2) / bend
    return float(expit(logit(prior) + log_likelihood_ratio))


def _far_is_outside(run_over_rise: float, inward: float, d: Array) -> bool:
    """Whether the far rim makes the outline, seen along `d` (x = 1); off-centre the near one does."""
    return bool(run_over_rise * -d[2] + inward * d[1] >= 0.0)


def on_rim(edge: EdgePath, pose: BoardPose, crown_line: Circle, crown: Crown, side: float) -> tuple[Array, Array]:
    """Place along the board and height above it of edge points, on the far (1) or near (-1) half of the crown."""
    d, c = pose.rays(edge.px), pose.camera
    x = np.zeros(len(d))
    for _ in range(8):  # contracts by tan(e) times the flank's slope: a tenth a round
        y, z = c[1] + d[:, 1] * (x - c[0]), c[2] + d[:, 2] * (x - c[0])
        h = z - (crown_line.z(y) - crown.height)
        half = crown.half_width(np.clip(h, 0.0, crown.height))
        x = side * half
    return y, h


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
    what = Key(feature=f"bevel {end}")
    best = fit_bevel(edge, pose, crown_line, crown, end, mm_per_px)
    if best is None:
        return NotMeasured(what, "the end shows no straight edge against the backdrop")

    def moved(at: BoardPose = pose, size: Crown = crown) -> float:
        fit = fit_bevel(edge, at, crown_line, size, end, mm_per_px, start=best.used)
        return math.nan if fit is None else abs(fit.angle - best.angle)

    foot = (0.0, best.foot, float(crown_line.z(best.foot)))  # the crown line stays where it was seen
    wider = replace(crown, width=crown.width + crown.u_width)
    taller_is_none = crown.height + crown.u_height > crown.width  # no crown is taller than wide: then a lower one
    other_height = replace(crown, height=crown.height + (-1.0 if taller_is_none else 1.0) * crown.u_height)
    parts = {
        "edge noise": best.u_angle * best.few,
        "edge definition": math.hypot(FACE_FORM_U, best.u_definition),
        "camera elevation": moved(pose.turned_about(foot, tilt=u_elevation)),
        "backdrop square to the neck": moved(pose.turned_about(foot, turn=TURN_U)),
        "backdrop level": u_roll,
        "crown width": moved(size=wider),
        "crown height": moved(size=other_height),
    }
    if not all(math.isfinite(v) for v in parts.values()):
        return NotMeasured(what, "the end shows too little of a straight edge")
    if math.degrees(math.hypot(*parts.values())) > WORST_U_DEG:
        return NotMeasured(
            Key(feature=f"bevel {end}"), "too little of a straight edge shows to tell the angle; go closer"
        )
    angle = Measured(math.degrees(best.angle), "deg", tuple(Contribution(k, math.degrees(v)) for k, v in parts.items()))
    return best, angle


@dataclass(frozen=True)
class EndReading:
    """One end of a fret: outline, fitted bevel, its angle (deg) and straight length (mm), and the line to draw."""

    edge: EdgePath
    bevel: Bevel
    angle: Measured
    straight: Measured
    drawn: Outline

    @property
    def u_foot(self) -> float:
        """The foot's uncertainty from the angle's, mm: the line turns about the middle of what is seen of it."""
        u = math.radians(self.angle.u)
        return u / math.cos(self.bevel.angle) ** 2 * sum(self.bevel.rise) / 2.0


def bevel_foot(edge: EdgePath, fret: DetectedFret, end: End) -> float | None:
    """Where an end's bevel meets the board, y in mm."""
    bevel = fit_bevel(edge, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px)
    return None if bevel is None else bevel.foot


def measure_end(edge: EdgePath | str, fret: DetectedFret, end: End, u_roll: float, n: int) -> EndReading | NotMeasured:
    """Measure the bevel of an end from its outline, or say why there is none.

    Parameters
    ----------
    u_roll : float
        Standard uncertainty of how level the backdrop stands along the board, rad.
    n : int
        Number of the fret, for the words.
    """
    what = on_fret(n, f"bevel {end}")
    if isinstance(edge, str):
        return NotMeasured(what, edge)
    got = measure_bevel(edge, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px, fret.u_elevation, u_roll)
    if isinstance(got, NotMeasured):
        return NotMeasured(what, got.reason)
    bevel, angle = got
    straight = Measured.of(bevel.straight, "mm", edge_noise=2.0 * fret.mm_per_px, corner=CORNER_MM / 2.0)
    drawn = Outline("bevel", _drawn(bevel, fret, end), of=what)
    return EndReading(edge, bevel, angle.with_flags(*fret.flags), straight, drawn)


def _drawn(bevel: Bevel, fret: DetectedFret, end: End) -> tuple[tuple[float, float], ...]:
    """The fitted line from the board to the crown's top, on the rim that makes the outline."""
    px = rim_px(bevel, fret, end, np.linspace(0.0, fret.crown.height, 12))
    return tuple((float(a), float(b)) for a, b in px)


def rim_px(bevel: Bevel, fret: DetectedFret, end: End, h: Array) -> Array:
    """Where the rim that makes the outline is seen at heights above the board (N,), mm; px, (N, 2)."""
    y = bevel.foot + INWARD[end] * h * math.tan(bevel.angle)
    z = fret.line.circle.z(y) - fret.crown.height + h
    half = fret.crown.half_width(h)
    return fret.pose.to_px(np.column_stack([half if bevel.far else -half, y, z]))
