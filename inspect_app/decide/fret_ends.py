"""Fret ends that do not sit: lifted off the wood, or standing out beyond the board's edge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.decide.gauge_quantities import Gauged
from inspect_app.decide.wear import combined
from inspect_app.reading.inspection import Inspection
from shared.measured import Measured
from shared.trade import SIDES

__all__ = ["EndStand", "FretEnds", "ends_of"]

_Read = dict[tuple[int | None, str], list[Measured]]
"""What was read of an end, by fret and side."""


@dataclass(frozen=True, slots=True)
class EndStand:
    """One end: its fret, its side, and how far it stands off or out, mm."""

    fret: int
    end: str
    by: Measured


@dataclass(frozen=True, slots=True)
class FretEnds:
    """Ends `lifted` off the wood and `proud` of the board's edge by more than U, from the nut on."""

    lifted: tuple[EndStand, ...] = ()
    proud: tuple[EndStand, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.lifted or self.proud)


def ends_of(inspections: Sequence[Inspection], by_gauge: Gauged) -> FretEnds:
    """Ends of one visit: lifted ones are read by gauge alone, proud ones also in photos from above and close-ups."""
    lifted, proud = _gauged(by_gauge, "lifted"), _gauged(by_gauge, "proud")
    for i in inspections:
        for (n, end), read in _gauged(i.values, "proud").items():
            proud.setdefault((n, end), []).extend(read)
        for fret in i.frets if i.view == "end" else ():
            if fret.overhang is not None:
                proud.setdefault((fret.number, str(i.options.get("end"))), []).append(fret.overhang)
    return FretEnds(_end_stands(lifted), _end_stands(proud))


def _gauged(by_gauge: Gauged, how: str) -> _Read:
    return {(k.fret, end): [q] for end in SIDES for k, q in by_gauge.items() if k.feature == f"{end} end {how}"}


def _end_stands(read: _Read) -> tuple[EndStand, ...]:
    all_of = (EndStand(n or 0, end, combined(q)) for (n, end), q in read.items())
    told = [e for e in all_of if e.by.value > e.by.expanded]
    return tuple(sorted(told, key=lambda e: (e.fret, e.end != "treble")))
