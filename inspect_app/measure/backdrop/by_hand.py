"""A fret before the backdrop some of whose edges a person placed: the reference arc, a bevel's line, a divot's ends and
floor. Those stand where they were put, the others where they were found."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.backdrop.bevel import EndReading, measure_end
from inspect_app.measure.backdrop.circle import fit_circle
from inspect_app.measure.backdrop.crown_line import tangent_rise
from inspect_app.measure.backdrop.divots import Hollow
from inspect_app.measure.backdrop.edge_path import EdgePath
from inspect_app.measure.backdrop.end_outline import End
from inspect_app.measure.backdrop.fret import DetectedFret, draw_crown_line
from inspect_app.measure.manual import PLACED_U_PX, Placed, Points, apart, marked, u_along
from inspect_app.reading.inspection import Divot
from inspect_app.reading.key import NotMeasured
from shared.errors import OptionError
from shared.measured import Contribution, Measured

__all__ = [
    "ManualHollow",
    "with_manual_arc",
    "manual_end",
    "with_manual_edges",
    "mark_manual",
]

Array = NDArray[np.float64]
ARC = "crown line radius"
ARC_PARTS = ("treble end", "middle", "bass end")
LINE_PARTS = ("foot", "top")
HOLLOW_PARTS = ("treble end", "floor", "bass end")
_LEAST_SAMPLES = 48
"""Fewest points a placed line is carried by into the fit that an outline goes through; a point a pixel if it is longer,
so that it counts as seen over its whole length."""
_CERTAIN = 1000.0
"""Strength of a placed point: nobody doubts that it is an edge."""


def with_manual_arc(fret: DetectedFret, parts: Mapping[str, Points], n: int) -> DetectedFret:
    """The fret with its reference arc through the placed points and, where none was placed, the arc found.

    A circle through the arc's two ends and middle; each point carries the person's uncertainty or that of the fit.
    """
    parts = {k: v for k, v in parts.items() if k in ARC_PARTS}
    if not parts:
        return fret
    drawn = draw_crown_line(fret, n)[1].points
    found = dict(zip(ARC_PARTS, (drawn[0], drawn[len(drawn) // 2], drawn[-1]), strict=True))
    px = np.array([parts[k][0] if k in parts else found[k] for k in ARC_PARTS])
    at = fret.pose.cross(px)
    elevation = fret.line.elevation_at(at[:, 0])
    by_hand = np.array([k in parts for k in ARC_PARTS])
    u = np.where(by_hand, PLACED_U_PX * fret.mm_per_px, np.maximum(fret.line.circle.u_z(at[:, 0]), 1e-5))
    circle = fit_circle(at[:, 0], at[:, 1] - tangent_rise(fret.crown.radius, elevation), u)
    return replace(fret, line=replace(fret.line, circle=circle))


def manual_end(
    found: EndReading | None, fret: DetectedFret, end: End, parts: Mapping[str, Points], u_roll: float, n: int
) -> EndReading | NotMeasured | None:
    """The end's bevel measured with its line where it was placed; ``None`` where nothing was placed that says so.

    Parameters
    ----------
    found : EndReading or None
        The end as found: its line keeps the shape of the rim, and the foot or the top that was not placed.
    u_roll : float
        Standard uncertainty of how level the backdrop stands along the board, rad.
    """
    parts = {k: v for k, v in parts.items() if k in LINE_PARTS}
    if not parts or (found is None and len(parts) < 2):
        return None
    path = _placed_line(found, parts)
    if found is not None and "foot" in parts:
        # the board's level came from both feet: a wrong one tilted it by half its error over the board's radius
        moved = math.dist(parts["foot"][0], found.drawn.points[0]) * fret.mm_per_px
        u_roll = math.hypot(u_roll, moved / 2.0 * abs(fret.line.circle.curvature))
    measured = measure_end(path, fret, end, u_roll, n)
    if isinstance(measured, NotMeasured):
        return measured
    straight = found.straight if found is not None else marked(measured.straight)
    return replace(measured, angle=marked(measured.angle), straight=straight)


def _placed_line(found: EndReading | None, parts: Mapping[str, Points]) -> EdgePath:
    """Points along the line from its foot to its top, in the shape of the rim that was found.

    The slope of a line through two points u apart from their places varies by 2 u^2 / L^2, that of a fit to N even
    points by 12 u^2 / (N L^2): taking N / 6 of them to share their noise makes both the same.
    """
    if found is None:
        drawn, u_found = np.array([parts[k][0] for k in LINE_PARTS]), PLACED_U_PX
    else:
        drawn = np.array(found.drawn.points)
        u_found = found.bevel.u_angle * math.dist(drawn[0], drawn[-1]) / math.sqrt(2.0)
    ends = [np.array(parts[k][0]) if k in parts else at for k, at in zip(LINE_PARTS, drawn[[0, -1]], strict=True)]
    n = max(_LEAST_SAMPLES, math.ceil(math.dist(*ends)))
    share = np.linspace(0.0, 1.0, n)
    old = np.column_stack([np.interp(share, np.linspace(0.0, 1.0, len(drawn)), drawn[:, k]) for k in (0, 1)])
    px = old + np.outer(1.0 - share, ends[0] - old[0]) + np.outer(share, ends[1] - old[-1])
    u = math.sqrt(sum((PLACED_U_PX if k in parts else u_found) ** 2 for k in LINE_PARTS) / 2.0)
    return EdgePath.plain(px, np.full(n, u), np.full(n, _CERTAIN), n / 6.0)


@dataclass(frozen=True)
class ManualHollow:
    """A hollow with what was placed on it: whether an end, whether its floor; `u_end` of a placed end, mm."""

    hollow: Hollow
    ends: bool = False
    floor: bool = False
    u_end: float = 0.0


def with_manual_edges(hollows: list[Hollow], fret: DetectedFret, placed: Placed) -> list[ManualHollow]:
    """The hollows with their placed ends and floors where they were put; after them those that a person added.

    Raises
    ------
    OptionError
        If an added hollow's floor does not lie below the crown line, between its ends.
    """
    manual = [_with_manual_edges(h, fret, placed.get(("divots", k), {})) for k, h in enumerate(hollows, 1)]
    while set(HOLLOW_PARTS) <= set(parts := placed.get(("divots", len(manual) + 1), {})):
        manual.append(_added(fret, parts))
    return manual


def _added(fret: DetectedFret, parts: Mapping[str, Points]) -> ManualHollow:
    """A hollow that was not found, by its two ends and its floor."""
    manual = _with_manual_edges(Hollow(0.0, 0.0, 0.0, 0.0, 0.0, 0.0), fret, parts)
    h = manual.hollow
    if not (h.start < h.at < h.stop and h.drop > 0.0):
        raise OptionError(
            "The deepest place was not marked below the crown line, between the divot's ends.",
            "Mark one end, then the lowest place of the outline, then the other end.",
        )
    return manual


def _with_manual_edges(h: Hollow, fret: DetectedFret, parts: Mapping[str, Points]) -> ManualHollow:
    by_hand = PLACED_U_PX * fret.mm_per_px
    ends = {k: float(fret.pose.cross(parts[k])[0, 0]) for k in ("treble end", "bass end") if k in parts}
    if ends:
        h = replace(h, start=ends.get("treble end", h.start), stop=ends.get("bass end", h.stop))
        apart(h.start, h.stop)
    u_end = u_along(by_hand, (h.stop - h.start) / 2.0, h.drop) if ends else 0.0
    if "floor" not in parts:
        return ManualHollow(h, bool(ends), False, u_end * math.sqrt(len(ends)))
    y, z = fret.pose.cross(parts["floor"])[0]
    e = float(fret.line.elevation_at(y))
    drop = float(fret.line.circle.z(y)) + float(tangent_rise(fret.crown.radius, np.array(e))) - float(z)
    u_drop = math.hypot(by_hand, float(fret.line.circle.u_z(y)[0]))
    h = replace(h, at=float(y), drop=drop, elevation=e, u_drop=u_drop, near=0.0)
    return ManualHollow(h, bool(ends), True, u_end * math.sqrt(len(ends)))


def mark_manual(d: Divot, manual: ManualHollow, on_manual_arc: bool) -> Divot:
    """The readings that rest on a placed edge, marked; the depth rests on the arc as well."""
    if manual.ends:
        d = replace(d, length=marked(_with(d.length, "placement", manual.u_end)))
    if manual.floor:
        d = replace(d, from_treble_end=marked(d.from_treble_end))
    return replace(d, depth=marked(d.depth)) if manual.floor or on_manual_arc else d


def _with(q: Measured, source: str, u: float) -> Measured:
    return replace(q, contributions=(*q.contributions, Contribution(source, u)))
