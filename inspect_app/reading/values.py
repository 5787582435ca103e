"""Every measured value of an inspection as one flat list, each under a key that stays the same for the job's life."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, fields, replace

from inspect_app.reading.inspection import Divot, Flat, FretReading, Inspection
from shared.measured import Measured

__all__ = ["Reading", "feature_name", "readings_of", "without"]


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one feature.

    `key` is ``"fret 5, crown width"`` or ``"fret 5, flats 2, length"``; `of` is the feature an `Outline` belongs to
    (``"fret 5, flats 2"``, or the key itself for a single quantity).
    """

    key: str
    fret: int
    quantity: str
    value: Measured
    of: str


_SINGLES = tuple(f.name for f in fields(FretReading) if f.name not in ("number", "flats", "divots", "outlines"))


def feature_name(fret: int, group: str, index: int | None = None) -> str:
    """``"fret 5, crown width"``, ``"fret 5, flats"`` or, counted from 1, ``"fret 5, flats 2"``."""
    name = f"fret {fret}, {group.replace('_', ' ')}"
    return name if index is None else f"{name} {index}"


def readings_of(inspection: Inspection) -> tuple[Reading, ...]:
    """All readings, by fret, then in the order a person reads them."""
    return tuple(r for fret in inspection.frets for r in (*_singles(fret), *_spots(fret)))


def _singles(fret: FretReading) -> Iterator[Reading]:
    for name in _SINGLES:
        value = getattr(fret, name)
        if value is not None:
            key = feature_name(fret.number, name)
            yield Reading(key, fret.number, name.replace("_", " "), value, key)


def _spots(fret: FretReading) -> Iterator[Reading]:
    groups: tuple[tuple[str, tuple[Flat | Divot, ...]], ...] = (("flats", fret.flats), ("divots", fret.divots))
    for group, spots in groups:
        for i, spot in enumerate(spots, 1):
            of = feature_name(fret.number, group, i)
            for f in fields(spot):
                value = getattr(spot, f.name)
                if value is not None:
                    quantity = f.name.replace("_", " ")
                    yield Reading(f"{of}, {quantity}", fret.number, f"{group[:-1]} {quantity}", value, of)


def without(inspection: Inspection, rejected: Collection[str]) -> Inspection:
    """The inspection less its rejected readings; a flat or divot goes whole when any of its readings is rejected."""
    if not rejected:
        return inspection
    return replace(inspection, frets=tuple(_kept(fret, rejected) for fret in inspection.frets))


def _kept(fret: FretReading, rejected: Collection[str]) -> FretReading:
    gone = {name: None for name in _SINGLES if feature_name(fret.number, name) in rejected}

    def stays(group: str, index: int) -> bool:
        of = feature_name(fret.number, group, index)
        return not any(key == of or key.startswith(f"{of}, ") for key in rejected)

    flats = tuple(f for i, f in enumerate(fret.flats, 1) if stays("flats", i))
    divots = tuple(d for i, d in enumerate(fret.divots, 1) if stays("divots", i))
    return replace(fret, flats=flats, divots=divots, **gone)  # type: ignore[arg-type]
