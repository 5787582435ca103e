"""Edges a person placed on a photo, and how exactly a person places one.

A name is a feature and one of its parts: ``fret 5, flats 2, treble end`` or, where a feature has one edge,
``fret 5, crown nut side``. What a person placed stands in for what was found; everything else of the feature stays.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from inspect_app.reading.ask import HandEdge
from shared.errors import OptionError
from shared.measured import Measured

__all__ = ["PLACED_U_PX", "NOTHING_PLACED", "Placed", "Points", "apart", "edges_on", "marked", "placed_on", "u_along"]

PLACED_U_PX = 1.0
"""Standard uncertainty of a point placed by a person under the loupe, each way: half the width of an edge two pixels
soft (common practice, no source)."""

Points = tuple[tuple[float, float], ...]
Placed = Mapping[str, Mapping[str, Points]]
"""By feature (``flats 2``), then by part (``treble end``): points in upright photo pixels. The part is empty where the
feature has one edge."""
NOTHING_PLACED: Placed = {}
LEAST_APART_MM = 0.05
"""Two edges nearer than this have changed sides: under a pixel, and far under any crown, flat or divot."""


def edges_on(edges: Iterable[HandEdge], fret: int) -> tuple[HandEdge, ...]:
    """Those placed on one fret."""
    return tuple(e for e in edges if e.points and e.what.partition(", ")[0] == f"fret {fret}")


def placed_on(edges: Iterable[HandEdge], fret: int) -> Placed:
    """Those placed on one fret, by feature and part."""
    found: dict[str, dict[str, Points]] = {}
    for e in edges_on(edges, fret):
        feature, _, part = e.what.partition(", ")[2].partition(", ")
        found.setdefault(feature, {})[part] = e.points
    return found


def marked(q: Measured) -> Measured:
    """The reading, marked as resting on an edge that a person placed."""
    return replace(q, by_hand=True).with_flags("BY_HAND")


def u_along(u_across: float, half_length: float, rise: float) -> float:
    """Standard uncertainty along a feature of an end that tapers off, from that of placing its boundary.

    The boundary is placed to `u_across` square to itself; it meets the axis at an angle of tangent rise / half_length,
    so along the axis that is 1 / sin of the angle as much. All in one unit of length.

    >>> round(u_along(0.05, half_length=4.0, rise=0.5), 3)
    0.403
    """
    return u_across * math.hypot(1.0, half_length / max(rise, 1e-6))


def apart(first: float, second: float) -> float:
    """The distance from one edge on to the other, mm.

    Raises
    ------
    OptionError
        If they lie over each other: a person moved one past the other.
    """
    if second - first < LEAST_APART_MM:
        raise OptionError("This edge was moved past the one across from it.", "Put it back on its own side.")
    return second - first
