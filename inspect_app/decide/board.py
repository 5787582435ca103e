"""The board between the frets: which fields are worn, under which strings, and how much of each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from inspect_app.decide.gauge_quantities import Gauged, of_frets
from inspect_app.decide.wear import combined
from inspect_app.instrument.details import Instrument, string_places
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import Key
from shared.measured import Measured
from shared.trade import FRET_LENGTH_MM

__all__ = ["UNWORN_BOARD", "BoardWear", "WornPlace", "board_wear"]

SAME_PLACE_MM = 4.0
"""Two photos' worn places of one field nearer than this along the fret are one: half of the way to the next string."""


@dataclass(frozen=True, slots=True)
class WornPlace:
    """A worn place before a fret: the strings over it (1 the treble side's), its share of the field."""

    fret: int
    strings: tuple[int, ...]
    share: Measured


@dataclass(frozen=True)
class BoardWear:
    """All worn places of one visit, from the nut on; `reasons` say why none could be told where that is so; `hollows`
    are depths read by gauge, mm, by the fret behind them."""

    places: tuple[WornPlace, ...] = ()
    reasons: tuple[str, ...] = ()
    hollows: Mapping[int, Measured] = field(default_factory=dict)

    def __bool__(self) -> bool:
        """Whether any place is worn."""
        return bool(self.places or self.hollows)

    @property
    def fields(self) -> tuple[int, ...]:
        """Frets whose fields are worn."""
        return tuple(sorted({p.fret for p in self.places}))

    def share_at(self, fret: int, string: int) -> float:
        """Share of a fret's field that is worn under a string; a place under several is shared out evenly."""
        return sum(p.share.value / len(p.strings) for p in self.places if p.fret == fret and string in p.strings)

    def share_of(self, fret: int) -> float:
        """Share of a fret's field that is worn."""
        return sum(p.share.value for p in self.places if p.fret == fret)

    @property
    def worst(self) -> int | None:
        """The fret whose field is worn most."""
        return max(self.fields, key=self.share_of, default=None)


UNWORN_BOARD = BoardWear()
"""No worn place was found."""


def board_wear(inspections: Iterable[Inspection], instrument: Instrument, by_gauge: Gauged | None = None) -> BoardWear:
    """The board of one visit, from the inspections of its photos, rejected readings taken out, and hollows whose depth
    was read by gauge and is more than U."""
    seen = [i for i in inspections if i.view == "plan"]
    found: dict[int, list[tuple[float, float, Measured]]] = {}
    for i in seen:
        for key in dict.fromkeys(k.of for k in i.values if k.feature == "board wear" and k.fret is not None):
            about = _place(i, key)
            if about is not None:
                found.setdefault(int(key.fret or 0), []).append(about)
    places = tuple(p for n in sorted(found) for p in _merged(n, found[n], instrument, _width(seen, n)))
    why = tuple(dict.fromkeys(n.reason for i in seen for n in i.not_measured if n.what.feature == "board wear"))
    deep = {n: q for n, q in sorted(of_frets(by_gauge or {}, "hollow depth").items()) if q.value > q.expanded}
    return BoardWear(places, why, deep)


def _place(i: Inspection, key: Key) -> tuple[float, float, Measured] | None:
    at, width, share = (i.values.get(key.part(name)) for name in ("from treble end", "width", "share"))
    if at is None or width is None or share is None:
        return None
    return at.value, width.value, share


def _width(seen: Sequence[Inspection], fret: int) -> float:
    """The board's width across the field before a fret, mm: the mean length of the frets at its two ends."""
    frets = [f for i in seen for f in i.frets if f.number in (fret - 1, fret)]
    lengths = [f.length.value for f in frets if f.length is not None]
    return sum(lengths) / len(lengths) if lengths else FRET_LENGTH_MM


def _merged(
    fret: int, found: Sequence[tuple[float, float, Measured]], instrument: Instrument, width: float
) -> tuple[WornPlace, ...]:
    groups: list[list[tuple[float, float, Measured]]] = []
    for one in sorted(found, key=lambda f: f[0]):
        if groups and one[0] - groups[-1][0][0] < SAME_PLACE_MM:
            groups[-1].append(one)
        else:
            groups.append([one])
    places = string_places(instrument, fret, width)
    return tuple(_of_group(fret, group, places) for group in groups)


def _of_group(fret: int, group: Sequence[tuple[float, float, Measured]], places: Sequence[float]) -> WornPlace:
    at = sum(g[0] for g in group) / len(group)
    half = max(g[1] for g in group) / 2.0
    under = tuple(k for k, y in enumerate(places, 1) if abs(y - at) <= half)
    nearest = min(range(len(places)), key=lambda k: abs(places[k] - at)) + 1
    return WornPlace(fret, under or (nearest,), combined([g[2] for g in group]))
