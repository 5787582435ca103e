"""Edges a person placed on a photo, and how exactly a person places one.

An edge is a part of a feature, ``fret 5, flats 2, treble end``, or a feature of its own, ``fret 5, crown nut side``.
What a person placed stands in for what was found; everything else of the feature stays.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

from inspect_app.reading.ask import HandEdge
from inspect_app.reading.key import Key, NotMeasured
from shared.errors import OptionError
from shared.measured import Measured

__all__ = [
    "PLACED_U_PX",
    "NOTHING_PLACED",
    "Placed",
    "Points",
    "apart",
    "edges_on",
    "marked",
    "no_longer_found",
    "placed_on",
    "u_along",
]

PLACED_U_PX = 1.0
"""Standard uncertainty of a point placed by a person under the loupe, each way: half the width of an edge two pixels
soft (common practice, no source)."""

Points = tuple[tuple[float, float], ...]
Placed = Mapping[tuple[str, int | None], Mapping[str, Points]]
"""By feature (``("flats", 2)``), then by edge (``treble end``): points in upright photo pixels. The edge is empty where
it is a feature of its own."""
NOTHING_PLACED: Placed = {}
LEAST_APART_MM = 0.05
"""Two edges nearer than this have changed sides: under a pixel, and far under any crown, flat or divot."""


def edges_on(edges: Iterable[HandEdge], fret: int) -> tuple[HandEdge, ...]:
    """Those placed on one fret."""
    return tuple(e for e in edges if e.points and e.what.fret == fret)


def placed_on(edges: Iterable[HandEdge], fret: int) -> Placed:
    """Those placed on one fret, by feature and edge."""
    found: dict[tuple[str, int | None], dict[str, Points]] = {}
    for e in edges_on(edges, fret):
        found.setdefault((e.what.feature, e.what.index), {})[e.what.edge] = e.points
    return found


def no_longer_found(what: Key, placed: Placed, found: int) -> tuple[NotMeasured, ...]:
    """Placed edges of one of several that is gone, and of an added one that lacks an edge: said, not dropped."""
    gone = [i for feature, i in placed if feature == what.feature and i is not None and i > found]
    why = "An edge was placed by hand on {}, which is no longer found. Undo that or measure anew."
    return tuple(NotMeasured(what, why.format(f"{what.feature} {i}")) for i in gone)


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
