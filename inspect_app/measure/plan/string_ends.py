"""Ends that are a string's edge: an outer string, thick and dark, ends a fret's metal as sharply as its end does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from inspect_app.measure.plan.frets import EndedFret, FittedEnd
from inspect_app.measure.plan.strings import StringCrossing
from shared.trade import Side

__all__ = ["without_string_ends"]

_LEAST_STRINGS = 3
"""From so many on their spacing says where the next one lies."""
_NEXT_MM = 1.2
"""How far from its place by the spacing the next string's edge may lie: half a wound bass string, 0.7 mm, and what
strings are unevenly spaced by (common practice, no source). An end lies 2.5 to 4 mm beyond the outer string, a spacing
is 7 and more."""
_MOST = 0.5
"""Share of the frets on which it must lie there."""
_WHY = "a string runs along it, where the next one would lie by their spacing; take the strings off or move them aside"


def without_string_ends(
    frets: Sequence[EndedFret], strings: Sequence[tuple[StringCrossing, ...]]
) -> tuple[EndedFret, ...]:
    """The frets, the ends of a side not measured where the string after the last one found lies there.

    Parameters
    ----------
    strings
        Where strings cross each of them, from the treble end.
    """
    kept = tuple(frets)
    sides: tuple[Side, Side] = ("treble", "bass")
    for side in sides:
        spacings = [_next_string(f, at, side) for f, at in zip(frets, strings, strict=True)]
        found = [s for s in spacings if s is not None]
        if len(found) > _MOST * len(frets):
            kept = tuple(_declined(f, side, float(np.median(found))) for f in kept)
    return kept


def _next_string(f: EndedFret, strings: Sequence[StringCrossing], side: Side) -> float | None:
    """The strings' spacing, mm, where the fret ends so far beyond the last of them."""
    if len(strings) < _LEAST_STRINGS:
        return None
    places = np.array([s.along for s in strings])
    spacing = float(np.median(np.diff(places)))
    beyond = float(places[0] if side == "treble" else f.frame.length_mm - places[-1])
    return spacing if abs(beyond - spacing) < _NEXT_MM else None


def _declined(f: EndedFret, side: Side, spacing: float) -> EndedFret:
    """The fret's end is up to a spacing farther out."""
    end: FittedEnd = getattr(f, side)
    u = max(end.at.u, spacing / 2.0)
    moved = FittedEnd(replace(end.at, u=u), end.why_not or _WHY)
    if side == "bass":
        return replace(f, bass=moved)
    return replace(f, treble=moved, frame=replace(f.frame, origin_u_mm=max(f.frame.origin_u_mm, u)))
