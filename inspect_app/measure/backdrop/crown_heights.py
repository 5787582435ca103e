"""How high single crowns stand by the others, seen across the neck.

Where daylight shows under the backdrop's foot the gaps tell it, the string being straight. Where none shows, a straight
foot and a straight string tell nothing of single crowns. The near ends' tops do: on its sight line each lies lower by
as much as its end stands nearer than those beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from inspect_app.measure.backdrop.daylight import NONE_SEEN_U_MM, UNSEEN_MM
from inspect_app.measure.backdrop.string_gap import CardStand, GapGeometry, set_back
from shared.measured import COVERAGE_FACTOR, Measured
from shared.trade import BEVEL_DEG, END_SHORT_U_MM

__all__ = ["Heights", "crown_heights", "lowered", "on_the_highest", "over_neighbours"]

Heights = Mapping[int, tuple[float, float]]
"""By fret: height over a straight line that all share, and what of its standard uncertainty is the fret's own, mm."""

ENOUGH = 3
"""Ends whose tops say how high crowns usually stand by them: of two neither is known to be the other one."""
EASED_U_MM, BEVEL_TAN_ALIKE = 0.015, math.radians(3.0) / math.cos(math.radians(BEVEL_DEG)) ** 2
"""How far ends of one board differ: by what the file has eased their tops, and in the tangent of their bevel, all being
filed along one guide (common practice, no source)."""


def crown_heights(g: GapGeometry, stand: CardStand, gaps: Sequence[Measured]) -> Heights:
    """Heights of the crowns of one photo over a straight line: the string, or one through the near ends' tops."""
    if _daylight_shows(g):
        return {s.face.number: (-q.value, s.u_crown) for s, q in zip(g.seen, gaps, strict=True)}
    return _by_tops(g, stand)


def _by_tops(g: GapGeometry, stand: CardStand) -> Heights:
    """Heights of the crowns by their near ends' tops, over a line that all share."""
    cy, distance = float(g.plane.camera_mm[1]), g.plane.distance_mm
    out = {}
    for s in g.seen:
        if s.face.top is not None:
            to_eye = (cy - s.face.top) / distance
            before = float(stand.ends_at(s.face.x)) - set_back(g)
            apart = math.hypot(END_SHORT_U_MM, g.height * BEVEL_TAN_ALIKE)
            own = math.hypot(EASED_U_MM, (to_eye - stand.slope) * apart)
            out[s.face.number] = (s.face.top + before * to_eye, own)
    return out


def lowered(g: GapGeometry, stand: CardStand) -> GapGeometry:
    """The crowns, where daylight shows under some, with those lower that by their ends' tops stand lower than it says.

    Light behind the card fills a slit, so that less of it shows than there is; nothing makes a slit of none. A crown is
    taken to be as low as its end's top says once it lies farther below than both allow.
    """
    heights = _by_tops(g, stand)
    if not _daylight_shows(g) or len(heights) < ENOUGH:
        return g
    over = {s.face.number: heights[s.face.number][0] - s.crown for s in g.seen if s.face.number in heights}
    usual, share = float(np.median(list(over.values()))), 1.0 / math.sqrt(len(over))
    seen = []
    for s in g.seen:
        if s.face.number in over:
            off, own = over[s.face.number] - usual, heights[s.face.number][1]
            u = math.hypot(own, own * share)
            if off < -COVERAGE_FACTOR * math.hypot(u, s.u_crown):
                s = replace(s, crown=s.crown + off, u_crown=u)
        seen.append(s)
    return replace(g, seen=tuple(seen))


def over_neighbours(heights: Heights, places: Mapping[int, float]) -> Heights:
    """How far each crown stands over the straight line through the two beside it; `places` are along the neck, mm."""
    out = {}
    for n in sorted(heights):
        if n - 1 in heights and n + 1 in heights:
            t = (places[n] - places[n - 1]) / (places[n + 1] - places[n - 1])
            (low, u_low), (at, u_at), (high, u_high) = (heights[k] for k in (n - 1, n, n + 1))
            out[n] = at - (1.0 - t) * low - t * high, math.hypot(u_at, (1.0 - t) * u_low, t * u_high)
    return out


def on_the_highest(g: GapGeometry, heights: Heights) -> GapGeometry:
    """The crowns where daylight that does not show must be, once one stands over its neighbours by more than U.

    A straight foot stands on the highest crowns to both sides of the card's middle, and the others lie below it by as
    much as below the line through these two. While none stands out all are taken to be level, as frets mostly are.
    """
    at = {s.face.number: s.at for s in g.seen if s.face.number in heights}
    out = any(over > COVERAGE_FACTOR * u for over, u in over_neighbours(heights, at).values())
    middle = g.stands.width / 2.0
    pairs = [(i, j) for i in at for j in at if at[i] < middle <= at[j]]
    if _daylight_shows(g) or not out or not pairs:
        return g
    i, j = max(pairs, key=lambda pair: _line(pair, at, heights, middle)[0])
    seen = []
    for s in g.seen:
        n = s.face.number
        if n in at and n not in (i, j):
            foot, u_foot = _line((i, j), at, heights, s.at)
            slit = max(foot - heights[n][0], UNSEEN_MM)
            s = replace(s, crown=s.crown + UNSEEN_MM - slit, u_crown=math.hypot(heights[n][1], u_foot))
        seen.append(s)
    return replace(g, seen=tuple(seen))


def _daylight_shows(g: GapGeometry) -> bool:
    return any(s.u_crown < NONE_SEEN_U_MM for s in g.seen)


def _line(pair: tuple[int, int], at: Mapping[int, float], heights: Heights, x: float) -> tuple[float, float]:
    """Height at `x` of the line through two crowns, and its standard uncertainty, mm."""
    share = (x - at[pair[0]]) / (at[pair[1]] - at[pair[0]])
    (low, u_low), (high, u_high) = heights[pair[0]], heights[pair[1]]
    return (1.0 - share) * low + share * high, math.hypot((1.0 - share) * u_low, share * u_high)
