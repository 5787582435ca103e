"""Every measured value of an inspection as one flat list, each under a key that stays the same for the job's life."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, fields, replace

from inspect_app.reading.inspection import GROUPS, SINGLES, FretReading, Inspection
from inspect_app.reading.key import Key, Place, on_fret
from inspect_app.reading.quantities import Quantity, entry_of, rank
from shared.measured import Measured

__all__ = ["Reading", "changed", "readings_of", "without"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one feature, under its key."""

    key: Key
    value: Measured

    @property
    def entry(self) -> Quantity:
        """What is known of its quantity."""
        return entry_of(self.key)

    @property
    def of(self) -> Key:
        """The feature it belongs to, as an `Outline` names it: the key itself for a single quantity."""
        return self.key.of

    @property
    def place(self) -> Place:
        """Where on the instrument."""
        return self.key.place

    @property
    def place_label(self) -> str:
        """The place in a column of frets: a fret's number alone, any other by its name."""
        return str(self.place.number if self.key.fret is not None else self.place)

    @property
    def quantity(self) -> str:
        """The quantity's label: ``crown width``, ``flat length``."""
        return self.entry.label


def readings_of(inspection: Inspection) -> tuple[Reading, ...]:
    """All readings, place by place, then in the order a person reads them."""
    found = {key: q for fret in inspection.frets for key, q in _of_fret(fret)} | dict(inspection.values)
    order = {place: i for i, place in enumerate(dict.fromkeys(key.place for key in found))}
    return tuple(Reading(key, found[key]) for key in sorted(found, key=lambda k: (order[k.place], rank(k))))


def _of_fret(fret: FretReading) -> Iterator[tuple[Key, Measured]]:
    for name in SINGLES:
        if (value := getattr(fret, name)) is not None:
            yield on_fret(fret.number, name), value
    for group in GROUPS:
        for i, spot in enumerate(getattr(fret, group), 1):
            for f in fields(spot):
                if (value := getattr(spot, f.name)) is not None:
                    yield on_fret(fret.number, group, i, f.name), value


def changed(inspection: Inspection, change: Callable[[Key, Measured], Measured]) -> Inspection:
    """The inspection with every value as `change` makes it of its key and what it was."""
    values = {key: change(key, q) for key, q in inspection.values.items()}
    return replace(inspection, frets=tuple(_changed(f, change) for f in inspection.frets), values=values)


def _changed(fret: FretReading, change: Callable[[Key, Measured], Measured]) -> FretReading:
    new = {key: change(key, q) for key, q in _of_fret(fret)}
    n = fret.number
    singles = {name: new.get(on_fret(n, name)) for name in SINGLES}
    groups = {
        group: tuple(
            replace(spot, **{f.name: new.get(on_fret(n, group, i, f.name)) for f in fields(spot)})
            for i, spot in enumerate(getattr(fret, group), 1)
        )
        for group in GROUPS
    }
    return replace(fret, **singles, **groups)  # type: ignore[arg-type]


def without(inspection: Inspection, rejected: Collection[Key]) -> Inspection:
    """The inspection less its rejected readings; one of several goes whole when any of its readings is rejected."""
    if not rejected:
        return inspection
    gone = {key if key.index is None else key.of for key in rejected}
    left = {k: q for k, q in inspection.values.items() if (k if k.index is None else k.of) not in gone}
    return replace(inspection, frets=tuple(_fret_without(fret, gone) for fret in inspection.frets), values=left)


def _fret_without(fret: FretReading, gone: Collection[Key]) -> FretReading:
    n = fret.number
    flats = tuple(f for i, f in enumerate(fret.flats, 1) if on_fret(n, "flats", i) not in gone)
    divots = tuple(d for i, d in enumerate(fret.divots, 1) if on_fret(n, "divots", i) not in gone)
    singles = {name: None for name in SINGLES if on_fret(n, name) in gone}
    return replace(fret, flats=flats, divots=divots, **singles)  # type: ignore[arg-type]
