"""What a person reads at the bench with feeler, rule and straightedge: strings, nut, board and fret ends.

Named by keys, as what photos give is, so that both are held against the same aims and told together.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from inspect_app.reading.key import Key, Place, on_fret
from shared.errors import OptionError
from shared.measured import Contribution, Measured
from shared.trade import SIDES

__all__ = ["BY_GAUGE", "ByGauge", "Gauged", "check", "gauged", "key_of", "of_frets"]

Gauged = Mapping[Key, Measured]
"""Readings of one visit, mm, by key."""

FEELER_U, RULE_U = 0.02, 0.06
"""Standard uncertainties, mm: feelers in steps of 0.05 mm (rectangular, 0.014) and the drag by which they are felt; a
rule in half millimetres, read to a fifth of them against a crown and a string (common practice, no source)."""

FINEST_FEELER = 0.02
"""The thinnest leaf there is, mm (common practice, no source; 0.001 in is 0.025): what is less is nothing, or typed in
another unit."""


@dataclass(frozen=True, slots=True)
class ByGauge:
    """One kind of reading: its name in keys, what people call it, how it is read, whether each fret has one, the values
    that occur, 0 beside them where nothing may be read, and its standard uncertainty, mm."""

    name: str
    text: str
    how: str
    by_fret: bool
    least: float
    most: float
    u: float = FEELER_U
    or_none: bool = True


def _of_side(side: str) -> tuple[ByGauge, ...]:
    def by_rule(name: str, text: str, how: str, least: float, most: float) -> ByGauge:
        return ByGauge(f"{side} {name}", f"{text}, {side} side", how, False, least, most, RULE_U, or_none=False)

    def by_feeler(name: str, text: str, how: str, most: float, least: float = FINEST_FEELER) -> ByGauge:
        one = f"{side} {name}", f"{text}, {side} side", how
        return ByGauge(*one, False, least, most, or_none=least == FINEST_FEELER)

    return (
        # lower than a fifth of half a millimetre no rule reads, and a string that low plays on no board
        by_rule("string height", "String height at the 12th fret", "From the crown up to the open string.", 0.3, 10.0),
        by_feeler("relief", "Relief", "String held at the first and the body's fret: from the crown half-way up to it; "
            "0 where it touches.", 2.0),
        by_feeler("nut clearance", "Nut clearance", "String held between the second and the third fret: over the "
            "first.", 2.0),
        by_feeler("open string over the first fret", "Open string over the first fret", "From the crown up to it.",
            3.0),
        by_feeler("nut slot height", "Nut slot", "From the board before the nut up to the bottom of the slot: feelers "
            "stacked until the string just lifts.", 5.0, 0.2),
    )  # fmt: skip


def _of_end(end: str) -> tuple[ByGauge, ...]:
    lifted = "A feeler slid between the crown's shoulder and the wood, at the end."
    proud = "How far it stands out beyond the board's edge: a feeler under a straightedge along the edge."
    return (
        ByGauge(f"{end} end lifted", f"Fret end off the wood, {end} side", lifted, True, FINEST_FEELER, 1.5),
        ByGauge(f"{end} end proud", f"Fret end beyond the board's edge, {end} side", proud, True, FINEST_FEELER, 2.0),
    )


BY_GAUGE: tuple[ByGauge, ...] = (
    *(k for side in SIDES for k in _of_side(side)),
    ByGauge(
        "hollow depth",
        "Hollow in the board before a fret",
        "A straightedge along the neck between the frets, a feeler under it.",
        True,
        FINEST_FEELER,
        3.0,
    ),
    *(k for end in SIDES for k in _of_end(end)),
)


def key_of(name: str, fret: int | None, frets: int) -> Key:
    """The key of a reading by gauge.

    Raises
    ------
    OptionError
        If nothing is read by that name, or it is of a fret and the instrument has no such fret.
    """
    kind = _kind(name)
    if not kind.by_fret:
        return Key(Place("neck"), name)
    if fret is None or not 1 <= fret <= frets:
        raise OptionError(f"{kind.text}: the instrument has no fret {fret}.", f"Give 1 to {frets}.", "fret")
    return on_fret(fret, name)


def check(key: Key, mm: float) -> None:
    """Whether a reading may be written down.

    Raises
    ------
    OptionError
        If it is none that occurs.
    """
    kind = _kind(key.feature)
    if not (math.isfinite(mm) and (kind.least <= mm <= kind.most or (kind.or_none and mm == 0.0))):
        none = "0, or " if kind.or_none else ""
        raise OptionError(
            f"{kind.text} of {mm:g} mm is not possible.", f"Give {none}{kind.least:g} mm to {kind.most:g} mm.", "mm"
        )


def gauged(key: Key, mm: float) -> Measured:
    """The reading with its uncertainty.

    Raises
    ------
    OptionError
        If nothing is read by its name.
    """
    kind = _kind(key.feature)
    return Measured(mm, "mm", (Contribution("by gauge", kind.u, str(key)),), by_hand=True)


def of_frets(readings: Gauged, what: str) -> Mapping[int, Measured]:
    """Those named `what`, by fret."""
    return {key.fret: q for key, q in readings.items() if key.feature == what and key.fret is not None}


def _kind(name: str) -> ByGauge:
    kind = next((k for k in BY_GAUGE if k.name == name), None)
    if kind is None:
        raise OptionError(f"Nothing called {name!r} is read by gauge.", "Choose one of those listed.")
    return kind
