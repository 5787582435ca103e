"""What every reading must pass before it leaves: the trade's limits, and the other frets of the same board.

A value that no fretted instrument has was read off something else, however sharp that edge was. It is declined with
what is wrong about it; nothing is corrected here, and nothing is read again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from calib.lines import theil_sen
from inspect_app.reading.inspection import GROUPS, Divot, Flat, FretReading, Inspection
from inspect_app.reading.key import NotMeasured, on_fret
from shared.measured import Measured

__all__ = ["LIMITS", "Limits", "checked"]


@dataclass(frozen=True, slots=True)
class Limits:
    """The values that occur, from `least` to `most`, in the unit of the reading (common practice, no source)."""

    least: float
    most: float
    what: str


LIMITS: Mapping[str, Limits] = {
    "crown_width": Limits(1.5, 4.0, "Crowns are 1.5 to 4 mm wide"),
    "crown_height": Limits(0.2, 2.0, "Crowns are at most 2 mm high, and gone under 0.2 mm"),
    "length": Limits(25.0, 80.0, "Frets are 25 to 80 mm long"),
    "bevel_treble": Limits(0.0, 60.0, "Ends are filed between 0 and 60 degrees from square"),
    "bevel_bass": Limits(0.0, 60.0, "Ends are filed between 0 and 60 degrees from square"),
    "tang_depth": Limits(0.5, 4.0, "Tangs are 0.5 to 4 mm deep"),
    "tang_width": Limits(0.25, 1.2, "Tangs are 0.25 to 1.2 mm wide"),
}
"""Narrow mandolin wire to the widest jumbo wire with room to spare, ukuleles to nine-string boards."""
OFF_LINE_MM = 0.8
"""How far a fret may be longer or shorter than the others' ends in a line have it, beyond its own U: both ends are
filed to a straight board edge, each to a few tenths of a millimetre (common practice, no source)."""
LEAST_IN_LINE = 4
"""Lengths that make a line one of them can be off."""
_AGAIN = "Look at the overlay, and mark the edges by hand or take the photo again."


def checked(inspection: Inspection) -> Inspection:
    """The answer without what can't be so, each such reading named with its reason."""
    off_line = _off_the_line(inspection.frets) if inspection.view == "plan" else {}
    frets, lost = [], list(inspection.not_measured)
    for fret in inspection.frets:
        kept, said = _check_fret(fret, off_line.get(fret.number))
        frets.append(kept)
        lost += said
    return replace(inspection, frets=tuple(frets), not_measured=tuple(lost))


def _check_fret(fret: FretReading, off_line: float | None) -> tuple[FretReading, list[NotMeasured]]:
    why = dict(_impossible(fret))
    if off_line is not None and "length" not in why:
        reason = f"It is {abs(off_line):.1f} mm {'longer' if off_line > 0.0 else 'shorter'} than the other frets' ends"
        why["length"] = f"{reason} in a line have it: an end was read off something else."
    if not all(f.width.by_hand or _lies_on(f, fret) for f in fret.flats):
        why["flats"] = "One was read beside the crown."
    if not all(d.depth.by_hand or _lies_within(d, fret) for d in fret.divots):
        why["divots"] = "One was read beyond the ends of the crown, or deeper than it is high."
    lost = [NotMeasured(on_fret(fret.number, name), f"{reason} {_AGAIN}") for name, reason in why.items()]
    features = {n.what.feature for n in lost}
    without: dict[str, Any] = {name: () if name in GROUPS else None for name in why}
    shown = tuple(o for o in fret.outlines if o.of.feature not in features)
    return replace(fret, outlines=shown, **without), lost


def _impossible(fret: FretReading) -> Iterator[tuple[str, str]]:
    """Names of the values outside what occurs, by more than their U, each with its reason."""
    for name, limits in LIMITS.items():
        q = getattr(fret, name)
        if q is not None and not q.by_hand and not _reaches(q, limits):
            unit = " degrees" if q.unit == "deg" else f" {q.unit}"
            yield name, f"{limits.what}; {q.value:.2f}{unit} was read off something else."


def _reaches(q: Measured, limits: Limits) -> bool:
    return q.value + q.expanded >= limits.least and q.value - q.expanded <= limits.most


def _lies_on(flat: Flat, fret: FretReading) -> bool:
    """Whether a flat lies between the ends of its fret and inside its crown, as far as U tells."""
    if fret.crown_width is not None:
        slack = flat.width.expanded + fret.crown_width.expanded
        if flat.width.value > fret.crown_width.value + slack:
            return False
    return _between_ends(flat.from_treble_end, fret)


def _lies_within(divot: Divot, fret: FretReading) -> bool:
    """Whether a divot lies between the ends of its fret and is no deeper than its crown is high."""
    height = fret.crown_height
    if height is not None and divot.depth.value - divot.depth.expanded > height.value + height.expanded:
        return False
    return _between_ends(divot.from_treble_end, fret)


def _between_ends(place: Measured, fret: FretReading) -> bool:
    most = fret.length.value + fret.length.expanded if fret.length is not None else LIMITS["length"].most
    return -place.expanded <= place.value <= most + place.expanded


def _off_the_line(frets: Sequence[FretReading]) -> dict[int, float]:
    """By how much each fret whose length the line through all does not allow is off it, mm.

    The line is Theil and Sen's, the median of all slopes: it holds while fewer than 29 % of the lengths are wrong
    (Sen, JASA 63, 1968, 1379).
    """
    read = [(f.number, f.position, f.length) for f in frets if f.position is not None and f.length is not None]
    if len(read) < LEAST_IN_LINE:
        return {}
    at, long = (np.array([q.value for q in column]) for column in zip(*((p, q) for _, p, q in read), strict=True))
    slope, start = theil_sen(long, at)
    off = long - (start + slope * at)
    return {
        n: float(d)
        for (n, _, q), d in zip(read, off, strict=True)
        if abs(d) > q.expanded + OFF_LINE_MM and not q.by_hand
    }
