"""The line that most points of an end's rim lie on, in run along the board over rise above it."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from inspect_app.measure.backdrop.consensus import points_on_line
from inspect_app.measure.backdrop.crown_line import FINEST_MM
from inspect_app.measure.backdrop.edge_path import EdgePath
from inspect_app.measure.backdrop.end_outline import LEAST_RISE_MM

__all__ = ["LEAST_POINTS", "RIM_DEFINITION_PX", "LineParam", "RimLine", "fit_rim_line"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_BETWEEN = 0.5
"""Share of a straight part's length that must show an edge on its line, a point a row: with less, chance laid scattered
points in line, or the line joins two parts of an edge across a third."""
MOST_GAP = 1.0 / 3.0
"""Share of a straight part that may show no edge on its line though metal is darker, or brighter, than the card on both
sides: there its outline must show as well, so a longer one may join two parts of an edge across a third."""
BLOOM_PX = 2.0
"""How far blur carries an edge outwards beside metal fifty times as bright as white (see `beside_edge.BURNT`)."""
LEAST_POINTS = 8
"""Fewest points of a straight part: fewer agree by chance."""
RIM_DEFINITION_PX = 0.15
"""Standard uncertainty of where a rim's edge is, shared by each half of it: half as much again as an even edge's (see
`edge_definition`), since the light on the metal changes from one end of so short an edge to the other."""
FAINTEST = 5.0
"""Times fainter than the end's clearest point beyond which a point's edge is no less sure."""
STEP_U_PX = 1.0
"""Standard uncertainty of how far aside a part lies where the light steps the other way: brighter metal blooms
outwards, or is seen to the cut face's near rim only, dark metal to the far one."""
WAVINESS_MM = 0.008
"""Departure from a straight rim that still counts as straight: the marks of a fine file (no source)."""
COARSE_PX = 0.5
"""The same in pixels, where they are coarser: JPEG and the steps of a slanting edge leave so much (no source)."""
NOISE_SIGMAS = 2.5
"""The same in standard deviations of noise: of a normal distribution one in eighty lies beyond."""
LEAST_VOTE = 1e-3
"""Vote of a point in utter doubt: so little that clear points decide, yet a rim of none but such is still found."""
ROUNDS = 10
"""Fits at most: points that are not settled by then go to and fro between two choices."""


class LineParam(IntEnum):
    """Index into what is fitted to an end's points: y = foot + slope h, and a step of one part of them, mm."""

    FOOT = 0
    SLOPE = 1
    STEP = 2


@dataclass(frozen=True)
class RimLine:
    """A robust line y = foot + slope h: with the uncertainty of its slope, and the heights it holds between, mm.

    `few` is by how much wider `u_noise` is to be stated where the scatter says it: that of few points is itself not
    well known (Student's t, GUM G.3). `joined`: it joins two parts of an edge that runs elsewhere between them."""

    slope: float
    foot: float
    u_noise: float
    u_definition: float
    rise: tuple[float, float]
    rms: float
    used: Mask
    few: float = 1.0
    joined: bool = False


def fit_rim_line(
    y: Array, h: Array, edge: EdgePath, mm_per_px: float, definition_px: float, start: Mask | None = None
) -> RimLine | None:
    """The line most of an end's points lie on; one step aside for a part where the light steps the other way.

    Part of the outline may be lost in glare and its place taken by another edge, so the fit starts from the line most
    points agree with (every pair of a coarse choice tried), or from those of a fit before; points in doubt count
    for less."""
    row = max(mm_per_px, FINEST_MM)
    tolerance = max(WAVINESS_MM, COARSE_PX * mm_per_px, NOISE_SIGMAS * float(np.median(edge.u_px)) * mm_per_px)
    faint = np.minimum(edge.strength.max(initial=1.0) / edge.strength, FAINTEST)
    u_shared_px = np.hypot(edge.u_shared_px, definition_px * faint)
    vote = 1.0 / (1.0 + (edge.u_shared_px / definition_px) ** 2) + LEAST_VOTE
    use = start
    if use is None and len(h) >= LEAST_POINTS and np.ptp(h) >= LEAST_RISE_MM / 2.0:
        use = points_on_line(h, y, tolerance, 0.5 * LEAST_RISE_MM, vote)
    if use is None:
        return None
    usual = int(np.bincount(edge.part[use]).argmax()) if use.any() else 0
    other = (edge.part != usual).astype(float)
    weight = 1.0 / ((edge.u_px**2 + u_shared_px**2) * mm_per_px**2)
    design = np.column_stack([np.ones_like(h), h, other])
    prior = np.diag([0.0, 0.0, 1.0 / (STEP_U_PX * mm_per_px) ** 2])
    for _ in range(ROUNDS):
        if use.sum() < LEAST_POINTS or vote[use].sum() < 0.5 * vote.sum() or np.ptp(h[use]) < LEAST_RISE_MM / 2.0:
            return None
        between = np.sum((h >= h[use].min()) & (h <= h[use].max()))
        if use.sum() < LEAST_BETWEEN * max(between, np.ptp(h[use]) / row):
            return None
        weighted = design * (weight * use)[:, None]
        lever = np.linalg.solve(weighted.T @ design + prior, weighted.T)
        at = lever @ y
        off = y - design @ at
        now = np.abs(off) < tolerance + STEP_U_PX * mm_per_px * other * (not np.any(use & (other > 0.0)))
        if np.array_equal(now, use):
            break
        use = now
    lesser = _lesser_of_two_parts(h, off / mm_per_px, use, edge.part)
    if 0 < lesser.sum() < LEAST_POINTS:
        return _fit_without(lesser, y, h, edge, mm_per_px, definition_px)
    line = _with_uncertainty(at, lever, off, h, use, edge, u_shared_px * mm_per_px, mm_per_px)
    return replace(line, joined=bool(lesser.any()))


def _fit_without(
    some: Mask, y: Array, h: Array, edge: EdgePath, mm_per_px: float, definition_px: float
) -> RimLine | None:
    """The line without some points, too few to be a part of an edge: chance laid them on the line of the others."""
    rest = np.flatnonzero(~some)
    line = fit_rim_line(y[rest], h[rest], edge.only(~some), mm_per_px, definition_px)
    if line is None:
        return None
    used = np.zeros(len(h), bool)
    used[rest[line.used]] = True
    return replace(line, used=used)


def _lesser_of_two_parts(h: Array, off_px: Array, use: Mask, part: NDArray[np.intp]) -> Mask:
    """The points of the lesser part, where a line of points at heights h (N,), mm, joins parts of an edge that runs
    elsewhere, or nowhere, between; none where it is one part.

    `off_px` is how far each point lies from it. Where light turns from one side's being brighter to the other's no edge
    shows, and a gap is what must be; beside burnt-out metal one bulges."""
    order = np.argsort(h)
    on = order[use[order]]
    lesser = np.zeros(len(h), bool)
    for k, (one, other) in enumerate(itertools.pairwise(on), start=1):
        if part[one] == part[other] and h[other] - h[one] > MOST_GAP * (h[on[-1]] - h[on[0]]):
            between = np.abs(off_px[(h > h[one]) & (h < h[other])])
            if len(between) == 0 or np.quantile(between, 0.9) > BLOOM_PX:
                lesser[min(on[:k], on[k:], key=len)] = True
                break
    return lesser


def _with_uncertainty(
    at: Array, lever: Array, off: Array, h: Array, use: Mask, edge: EdgePath, u_shared: Array, mm_per_px: float
) -> RimLine:
    """The fitted line with its uncertainty: `lever` (3, N) is what each point's y moves foot, slope and step by."""
    by_slope = lever[LineParam.SLOPE]
    w = use / ((edge.u_px * mm_per_px) ** 2 + u_shared**2)
    rms = math.sqrt(float(np.sum(w * off**2)) / float(w.sum()))
    points = int(use.sum())
    chi = max(1.0, float(np.sum(w * off**2)) / max(1, points - 2))
    freedom = max(points / edge.noise_correlation - 2.0, 1.0)  # points that share their noise count as one
    few = math.sqrt(max(1.0, (points - 2) / (freedom * edge.noise_correlation))) * stdtrit(freedom, 0.975) / 2.0
    noise = math.sqrt(chi * edge.noise_correlation * float(np.sum((by_slope * edge.u_px * mm_per_px) ** 2)))
    middle = float(np.average(h, weights=w))
    shared = np.abs(by_slope) * u_shared
    definition = math.hypot(float(shared[h > middle].sum()), float(shared[h <= middle].sum()))
    step = float(np.abs(by_slope[use] @ (edge.part[use] != edge.part[use][0]))) * STEP_U_PX * mm_per_px
    rise = (float(h[use].min()), float(h[use].max()))
    return RimLine(
        float(at[LineParam.SLOPE]),
        float(at[LineParam.FOOT]),
        noise,
        math.hypot(definition, step),
        rise,
        rms,
        use,
        float(few) if chi > 1.0 else 1.0,
    )
