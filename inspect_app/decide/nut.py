"""Whether the nut will still do once the crowns stand higher or lower than they do now.

Held down between the second and the third fret, a string runs straight from the bottom of its slot to the second
crown. With the slot's bottom at the height z over the crowns' line, its gap over the first crown is

    c = z (x2 - x1) / x2,

x1 and x2 being the frets' distances from the nut. Crowns that end up higher by `rise` leave z less `rise`, so the gap
changes by (x2 - x1) / x2 of that, 0.486 of it on any scale in equal temperament.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.budget import evaluate
from inspect_app.decide.limits import Verdict, conformance_probability, verdict_of
from inspect_app.decide.setup import SIDES, Setup
from inspect_app.instrument.details import Instrument
from inspect_app.instrument.fretboard import fret_position
from shared.measured import Measured

__all__ = ["NutAfter", "nut_after"]


@dataclass(frozen=True, slots=True)
class NutAfter:
    """The least clearance over the first fret after the work, mm: its side, what is wanted, and the verdict on that.

    `verdict` is of the least wanted alone: too high a nut is only filed. `most` is None where no target is known.
    """

    side: str
    clearance: Measured
    least: float
    most: float | None
    verdict: Verdict


LEAST_MM = 0.02
"""Wanted where the instrument's kind is not known: the string must clear the crown by more than the frets differ
(common practice, no source)."""


def share_of_rise(frets: Sequence[int] = (1, 2)) -> float:
    """How much of a rise of all crowns the clearance over the first loses: (x2 - x1) / x2.

    >>> round(share_of_rise(), 3)
    0.486
    """
    x1, x2 = (float(x) for x in fret_position(1.0, frets))
    return (x2 - x1) / x2


def nut_after(setup: Setup, instrument: Instrument, rise: Measured) -> NutAfter | None:
    """The clearance of the side that has less of it, once all crowns are higher by `rise`, mm.

    None where it was not read, or a zero fret carries the strings: it rises with the others.
    """
    if instrument.zero_fret:
        return None
    read = [(side, setup.values[name]) for side in SIDES if (name := f"{side} nut clearance") in setup.values]
    if not read:
        return None
    side, now = min(read, key=lambda r: r[1].value)
    share = share_of_rise()
    after = evaluate(lambda now, by: now - share * by, {"now": now, "by": rise}, "mm")
    target = setup.targets.by_name[f"{side} nut clearance"] if setup.targets else None
    least = target.least if target else LEAST_MM
    p = conformance_probability(after.value, after.u, lower=least, dof=after.dof)
    return NutAfter(side, after, least, target.most if target else None, verdict_of(p))
