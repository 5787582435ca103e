"""From gaps between string and crowns to what a setup asks: string height, nut clearance, relief, high crowns.

A crown stands over its neighbours by as much as it rises over the straight line through theirs. What all frets of a
photo share (where the card stands, the camera) changes evenly along the card and cancels in that; what each fret has of
its own stays.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from inspect_app.instrument.fretboard import fret_position
from inspect_app.measure.backdrop.crown_heights import Heights, over_neighbours
from inspect_app.reading.ask import Ask
from inspect_app.reading.key import Key, NotMeasured, Place, on_fret
from shared.measured import Contribution, Measured
from shared.trade import HEIGHT_FRET, SIDE_OF_STRING

__all__ = ["neck_readings"]

NUT_REST = (2, 3)
"""Frets between which the string is held down for the nut's clearance, read at the first (common practice, no
source)."""
HALF_WAY = 0.15
"""How far from half-way between the frets it is held down on, as a share of their distance, a relief may be read: a
bow's depth is within a tenth of its greatest there, 1 - (2 x 0.15)^2 = 0.91."""
STRING_U_MM = 0.003
"""Standard uncertainty of the string's straightness over two frets: it sags by some thousandths and its edge is read so
well (no source)."""

Readings = Mapping[Key, Measured]


def neck_readings(gaps: Mapping[int, Measured], crowns: Heights, ask: Ask) -> tuple[Readings, tuple[NotMeasured, ...]]:
    """What follows from the gaps of one photo, and what was to follow and can't.

    Parameters
    ----------
    gaps : mapping of int to Measured
        By fret.
    crowns : mapping of int to (float, float)
        Their heights.
    """
    assert ask.scale_length is not None
    side = SIDE_OF_STRING[ask.string or "first"]
    out: dict[Key, Measured] = dict(_over_neighbours(gaps, crowns, ask.scale_length))
    neck = Place("neck")
    if not ask.held:
        if HEIGHT_FRET in gaps:
            out[Key(neck, f"{side} string height")] = gaps[HEIGHT_FRET]
        return out, ()
    if set(ask.held) in ({NUT_REST[0]}, {NUT_REST[1]}, set(NUT_REST)):
        key = Key(neck, f"{side} nut clearance")
        if 1 in gaps:
            return out | {key: gaps[1]}, ()
        return out, (NotMeasured(key, "the first fret is not read in this photo"),)
    if len(ask.held) < 2:
        return out, ()
    key = Key(neck, f"{side} relief")
    relief = _relief(gaps, ask.held, ask.scale_length)
    return (out, (relief,)) if isinstance(relief, NotMeasured) else (out | {key: relief}, ())


def _relief(gaps: Mapping[int, Measured], held: tuple[int, ...], scale_length: float) -> Measured | NotMeasured:
    """The gap half-way between the two frets the string is held down on, a bow's depth: it is deepest there.

    The bow is taken for a parabola: at the share t of half the way from its middle it is 1 - t^2 as deep.
    """
    low, high = (float(x) for x in fret_position(scale_length, sorted(held)))
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    at = {n: (float(fret_position(scale_length, n)) - middle) / half for n in gaps}
    inside = [n for n in at if abs(at[n]) <= 2.0 * HALF_WAY]
    if not inside:
        why = f"no fret half-way between {min(held)} and {max(held)} is read in this photo"
        return NotMeasured(Key(Place("neck"), "relief"), why)
    n = min(inside, key=lambda n: abs(at[n]))
    deeper = 1.0 / (1.0 - at[n] ** 2)
    parts = tuple(Contribution(c.source, c.u * deeper) for c in gaps[n].contributions)
    shape = Contribution("shape of the bow", abs(gaps[n].value) * (deeper - 1.0) / math.sqrt(3.0))
    return Measured(gaps[n].value * deeper, "mm", (*parts, shape), gaps[n].flags, gaps[n].by_hand)


def _over_neighbours(gaps: Mapping[int, Measured], crowns: Heights, scale_length: float) -> Mapping[Key, Measured]:
    """How far each crown stands over the line through its neighbours, mm; below it is negative."""
    places = {n: float(fret_position(scale_length, n)) for n in crowns}
    out = {}
    for n, (over, u) in over_neighbours(crowns, places).items():
        parts = (Contribution("crown's own height", u), Contribution("string's straightness", STRING_U_MM))
        by_hand = any(k in gaps and gaps[k].by_hand for k in (n - 1, n, n + 1))
        out[on_fret(n, "height over neighbours")] = Measured(over, "mm", parts, by_hand=by_hand)
    return out
