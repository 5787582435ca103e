"""Strings and neck fret by fret, as a strip that stands under the wear map: gaps, and crowns over their neighbours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from inspect_app.decide.wear import combined
from inspect_app.reading.inspection import Inspection
from shared.measured import Measured
from shared.trade import SIDE_OF_STRING

__all__ = ["NECK_LEGEND", "NeckRow", "neck_strip"]

NECK_LEGEND = (
    "Gap: from the string's underside to the crown under it; where it is held down on two frets, the neck's relief. "
    "Over neighbours: how far a crown stands above the line through the two beside it; marked where it stands out."
)


@dataclass(frozen=True, slots=True)
class NeckRow:
    """One row of the strip: what it shows, its readings by fret, mm, and the frets that stand out."""

    name: str
    by_fret: Mapping[int, Measured]
    marked: frozenset[int] = frozenset()


def neck_strip(
    inspections: Sequence[Inspection], over_neighbours: Mapping[int, Measured], step: float
) -> tuple[NeckRow, ...]:
    """The rows of one visit, those that have readings alone.

    Parameters
    ----------
    inspections : sequence of Inspection
        Those across the neck count.
    over_neighbours : mapping of int to Measured
        `Setup.over_neighbours`.
    step : float
        Height over the neighbours from which a crown is marked, mm.
    """
    gaps: dict[str, dict[int, list[Measured]]] = {}
    for i in inspections:
        if i.view != "side":
            continue
        held = [str(n) for n in i.options.get("held", ())]
        how = f"held at {' and '.join(held)}" if held else "open"
        row = gaps.setdefault(f"Gap, {SIDE_OF_STRING[i.options.get('string', 'first')]} string {how}", {})
        for fret in i.frets:
            if fret.string_gap is not None:
                row.setdefault(fret.number, []).append(fret.string_gap)
    rows = [NeckRow(name, {n: combined(q) for n, q in sorted(by.items())}) for name, by in sorted(gaps.items()) if by]
    if over_neighbours:
        high = frozenset(n for n, q in over_neighbours.items() if q.value >= step and q.value > q.expanded)
        rows.append(NeckRow("Over neighbours", over_neighbours, high))
    return tuple(rows)
