"""The shop's own repeatability in place of the assumed one: what laying and photographing anew adds to a reading.

A repeat study finds how much one quantity differs from photo to photo. What readings allow for the same (the camera's
pose, how scale and card lie, noise: `shared.influences.LAID_ANEW`) is then replaced by what was found. The rest stays:
a scale's own length, and where an edge is said to be, are the same in every repetition, and no repetition tells of them
(ISO 21748, from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

from inspect_app.reading.ask import OwnPrecision
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import Key
from inspect_app.reading.quantities import entry_of
from inspect_app.reading.values import changed
from shared.influences import LAID_ANEW
from shared.measured import Contribution, Measured

__all__ = ["STUDIED", "studied_as", "u_laid_anew", "with_own_precision"]

STUDIED = "repeat study"
"""Name of the contribution that stands in place of those assumed."""
_OF_ALL = {("flats", "length"): "longest flat", ("divots", "depth"): "deepest divot"}
"""Flats and divots may be found in another number each time: the longest and the deepest of a fret stand for all."""


def studied_as(key: Key) -> str | None:
    """The name under which a study compares a reading; None for what it can't tell, such as places along a fret."""
    if key.index is not None:
        return _OF_ALL.get((key.feature, key.quantity or ""))
    entry = entry_of(key)
    return None if entry.where else entry.label


def u_laid_anew(q: Measured) -> float:
    """Standard uncertainty that a reading allows for laying and photographing anew."""
    return math.hypot(*(c.u for c in q.contributions if c.source in LAID_ANEW))


def with_own_precision(inspection: Inspection, own: tuple[OwnPrecision, ...]) -> Inspection:
    """The same answer, its readings uncertain by the shop's own precision where a study found it.

    A reading that allows more than those of the study did, far from the scale say, gets as much more.
    """
    found = {(p.quantity, p.unit): p for p in own}

    def studied(key: Key, q: Measured) -> Measured:
        name = studied_as(key)
        p = None if name is None else found.get((name, q.unit))
        if p is None:
            return q
        more = max(1.0, u_laid_anew(q) / p.assumed) if p.assumed > 0.0 else 1.0
        kept = tuple(c for c in q.contributions if c.source not in LAID_ANEW)
        return replace(q, contributions=(*kept, Contribution(STUDIED, more * p.u, sign=0, dof=p.dof)))

    return changed(inspection, studied) if found else inspection
