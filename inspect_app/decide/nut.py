"""Whether the nut will still do once the crowns stand higher or lower than they do now.

Held down between the second and the third fret, a string runs straight from the bottom of its slot to the second
crown. With the slot's bottom at the height z over the crowns' line, its gap over the first crown is

    c = z (x2 - x1) / x2,

x1 and x2 being the frets' distances from the nut. Crowns that end up higher by `rise` leave z less `rise`, so the gap
changes by (x2 - x1) / x2 of that, 0.486 of it on any scale in equal temperament.

Where c was not read, z follows from the slot's height over the board less the first crown's, or from the open string:
straight from z at the nut, it stands h1 over the first fret and h12 over the twelfth, half-way to the bridge, so

    h1 = z (1 - 2 s) + 2 s h12,    s = x1 / L = 0.056.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calib.budget import evaluate
from inspect_app.decide.limits import Verdict, conformance_probability, verdict_of
from inspect_app.decide.setup import Setup
from inspect_app.instrument.details import Instrument
from inspect_app.instrument.fretboard import fret_position
from shared.measured import Measured
from shared.trade import SIDES

__all__ = ["NutAfter", "clearance_now", "nut_after"]


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


BOW_U_MM = 0.01
"""How far a usual bow moves z as it follows from the open string: 2 s of 0.1 mm by which the 12th crown lies low."""


def clearance_now(setup: Setup, side: str, crown: Measured | None = None) -> Measured | None:
    """The gap over the first crown, mm, the string held down between the second and the third: as read, else as it
    follows from the slot and the first crown's height, or from the open string; None where none of these was read."""
    read = setup.values.get(f"{side} nut clearance")
    slot, share = setup.values.get(f"{side} nut slot height"), share_of_rise()
    if read is not None:
        return read
    if slot is not None and crown is not None:
        return evaluate(lambda slot, crown: share * (slot - crown), {"slot": slot, "crown": crown}, "mm")
    names = {"first": f"{side} open string over the first fret", "twelfth": f"{side} string height"}
    if not all(name in setup.values for name in names.values()):
        return None
    s = float(fret_position(1.0, 1))
    heights = {k: setup.values[name] for k, name in names.items()} | {"bow": Measured.of(0.0, "mm", bow=BOW_U_MM)}
    return evaluate(
        lambda first, twelfth, bow: share * ((first - 2.0 * s * twelfth) / (1.0 - 2.0 * s) + bow), heights, "mm"
    )


def nut_after(setup: Setup, instrument: Instrument, rise: Measured, crown: Measured | None = None) -> NutAfter | None:
    """The clearance of the side that has less of it, once all crowns are higher by `rise`, mm; `crown` is the first
    one's height now.

    None where it was not read, or a zero fret carries the strings: it rises with the others.
    """
    if instrument.zero_fret:
        return None
    read = [(side, now) for side in SIDES if (now := clearance_now(setup, side, crown)) is not None]
    if not read:
        return None
    side, now = min(read, key=lambda r: r[1].value)
    share = share_of_rise()
    after = evaluate(lambda now, by: now - share * by, {"now": now, "by": rise}, "mm")
    target = setup.targets.by_name[f"{side} nut clearance"] if setup.targets else None
    least = target.least if target else LEAST_MM
    p = conformance_probability(after.value, after.u, lower=least, dof=after.dof)
    return NutAfter(side, after, least, target.most if target else None, verdict_of(p))
