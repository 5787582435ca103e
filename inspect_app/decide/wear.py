"""The wear map of one visit: every photo's flats and divots put together, fret by string.

Elevation photos read depth directly, plan photos work it out from the flat's width. The same spot seen twice is
combined by inverse variance of what the photos do not share; where the two differ by more than the expanded
uncertainty of their difference the result is flagged.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from calib.budget import difference, evaluate, scaled, weighted_mean
from inspect_app.decide.influences import with_influences
from inspect_app.instrument.crown import arc_radius, sagitta
from inspect_app.instrument.details import Instrument, string_places
from inspect_app.reading.inspection import Flat, FretReading, Inspection
from inspect_app.reading.key import on_fret
from shared.measured import Measured
from shared.trade import FLAT_FROM_MM, FRET_LENGTH_MM, SAME_SPOT_MM

__all__ = [
    "FretWear",
    "Rate",
    "WornSpot",
    "WearMap",
    "build_wear_map",
    "change_of_depth",
    "combined",
    "depth_of_flat",
    "hidden_flat",
    "wear_rates",
]

_TELLING = 0.4
"""A photo that would show only flats wider than this share of a crown says nothing of its wear: a flat so wide wants
recrowning (shared/tables/limits.toml, flat_share)."""
_HIDDEN = re.compile(r"a flat narrower than (\d+(?:\.\d+)?) mm would not show")
"""How a plan photo says below what width a flat would not show: the width stands in the reason alone."""
SHOWS_NO_WEAR = ("section", "side")
"""Views that say nothing of a fret's wear: a cut end, and crowns seen across the neck with the card on them."""


@dataclass(frozen=True, slots=True)
class WornSpot:
    """One worn place on a fret; `string` counts from the treble side, 1 first, ``None`` if under no string.

    `depth` combines what the views say; `by_view` keeps each view's own word on it.
    """

    from_treble_end: Measured
    string: int | None
    depth: Measured | None = None
    flat_width: Measured | None = None
    flat_length: Measured | None = None
    views: tuple[str, ...] = ()
    by_view: tuple[tuple[str, Measured], ...] = ()


@dataclass(frozen=True, slots=True)
class FretWear:
    """All that is known of one fret's wear.

    `unseen_depth` is the depth below which this visit's photos could have missed a divot anywhere along the fret,
    ``None`` where none of them shows all of it; `reasons` then says why.
    """

    number: int
    spots: tuple[WornSpot, ...] = ()
    length: Measured | None = None
    crown_width: Measured | None = None
    crown_height: Measured | None = None
    unseen_depth: float | None = None
    reasons: tuple[str, ...] = ()

    @property
    def was_read(self) -> bool:
        """Whether any photo read this fret's wear, in part at least."""
        return self.unseen_depth is not None or any(s.depth is not None for s in self.spots)

    @property
    def read_in_part(self) -> bool:
        """Whether wear was read but more could be hidden from every photo."""
        return self.was_read and self.unseen_depth is None

    def depth_at(self, string: int) -> Measured | None:
        """Depth under a string: the deepest reading there, or what could have been missed, or ``None``."""
        here = [s.depth for s in self.spots if s.string == string and s.depth is not None]
        if here:
            return max(here, key=lambda d: d.value)
        return self.depth_elsewhere()

    def depth_elsewhere(self) -> Measured | None:
        """Depth where nothing was seen: anything from none to `unseen_depth` alike (rectangular)."""
        if self.unseen_depth is None:
            return None
        return Measured.of(self.unseen_depth / 2.0, "mm", too_shallow_to_see=self.unseen_depth / math.sqrt(12.0))

    def deepest(self) -> Measured | None:
        """The deepest depth read on this fret, or what could have been missed, or ``None``."""
        depths = [s.depth for s in self.spots if s.depth is not None]
        return max(depths, key=lambda d: d.value) if depths else self.depth_elsewhere()

    def widest_flat(self) -> Measured | None:
        """The widest flat read on this fret."""
        widths = [s.flat_width for s in self.spots if s.flat_width is not None]
        return max(widths, key=lambda w: w.value) if widths else None


@dataclass(frozen=True, slots=True)
class WearMap:
    """One visit's wear.

    `crown_height` is the unworn height all frets share, and `height_from` says where it came from. `wire_height` is the
    crown height of the wire on the board when it was new, and `material` what that wire is made of, where known.
    """

    instrument: Instrument
    frets: tuple[FretWear, ...]
    crown_height: Measured | None = None
    height_from: str = ""
    wire_height: Measured | None = None
    material: str = ""

    def fret(self, number: int) -> FretWear:
        """The wear of one fret.

        Raises
        ------
        KeyError
            If the instrument has no such fret.
        """
        for f in self.frets:
            if f.number == number:
                return f
        raise KeyError(number)

    def unworn_height(self, number: int) -> Measured | None:
        """The unworn crown height of a fret: its own reading, else the one all share."""
        return self.fret(number).crown_height or self.crown_height

    def height_left(self, number: int, string: int) -> Measured | None:
        """Crown height left under a string: unworn height less the depth there."""
        unworn, depth = self.unworn_height(number), self.fret(number).depth_at(string)
        if unworn is None or depth is None:
            return None
        return replace(difference(unworn, depth), flags=depth.flags)

    @property
    def read(self) -> tuple[int, ...]:
        """Numbers of the frets whose wear was read."""
        return tuple(f.number for f in self.frets if f.was_read)

    @property
    def read_in_part(self) -> tuple[int, ...]:
        """Numbers of the frets that were read, but not all along."""
        return tuple(f.number for f in self.frets if f.read_in_part)

    @property
    def unread(self) -> tuple[int, ...]:
        """Numbers of the frets no photo read the wear of."""
        return tuple(f.number for f in self.frets if not f.was_read)


def combined(readings: Sequence[Measured]) -> Measured:
    """Several photos' readings of one thing, as one: `calib.budget.weighted_mean`, with what is true of views added.

    Any two that differ by more than the expanded uncertainty of their difference flag it ``DISAGREES``; it is
    ``INDIRECT`` only where every one of them is.

    Raises
    ------
    ValueError
        If there are none, or their units differ.
    """
    mean = weighted_mean(readings)
    if any("INDIRECT" not in r.flags for r in readings):
        mean = replace(mean, flags=tuple(f for f in mean.flags if f != "INDIRECT"))
    return mean.with_flags("DISAGREES") if _disagree(readings) else mean


def _disagree(readings: Sequence[Measured]) -> bool:
    return any(
        abs(apart.value) > apart.expanded
        for apart in (difference(a, b) for a, b in itertools.combinations(readings, 2))
    )


def build_wear_map(
    inspections: Iterable[Inspection],
    instrument: Instrument,
    crown_height: Measured | None = None,
    height_from: str = "",
    own_heights: Mapping[int, Measured] | None = None,
    wire_height: Measured | None = None,
    material: str = "",
) -> WearMap:
    """Put the inspections of one visit together.

    Parameters
    ----------
    inspections : iterable of Inspection
        Those of one visit, rejected readings already taken out.
    instrument : Instrument
    crown_height : Measured, optional
        Unworn crown height shared by all frets, mm.
    height_from : str
        Where that height came from, for the page and the PDF.
    own_heights : mapping of int to Measured, optional
        Unworn crown height of single frets that were measured themselves, mm.
    wire_height : Measured, optional
        Crown height of the wire on the board when it was new, mm.
    material : str
        Of that wire, as in `inspect_app.instrument.wire.MATERIALS`; empty where not known.
    """
    by_fret: dict[int, list[tuple[Inspection, FretReading]]] = {}
    for inspection in map(with_influences, inspections):
        for reading in inspection.frets if inspection.view not in SHOWS_NO_WEAR else ():
            by_fret.setdefault(reading.number, []).append((inspection, reading))
    own = own_heights or {}
    frets = tuple(
        replace(_fret_wear(n, by_fret.get(n, []), instrument, own.get(n) or crown_height), crown_height=own.get(n))
        for n in range(1, instrument.frets + 1)
    )
    return WearMap(instrument, frets, crown_height, height_from, wire_height, material)


def _fret_wear(
    number: int, seen: list[tuple[Inspection, FretReading]], instrument: Instrument, height: Measured | None
) -> FretWear:
    if not seen:
        return FretWear(number, reasons=("no photo shows it",))
    length = _mean([r.length for _, r in seen])
    width = _mean([r.crown_width for i, r in seen if i.view == "plan"])
    along = length.value if length is not None else FRET_LENGTH_MM
    places = string_places(instrument, number, along)
    spots = _merge([s for i, r in seen for s in _spots(i, r, width, height)], places)
    limits = [u for i, r in seen if (u := _unseen(i, r, width)) is not None]
    if any(s.depth is None for s in spots):  # a flat of unknown depth: nothing bounds how deep this fret is worn
        limits = []
    reasons = tuple(
        n.reason
        for i, _ in seen
        for n in i.not_measured
        if n.what in (on_fret(number, "flats"), on_fret(number, "divots"))
    )
    return FretWear(number, spots, length, width, None, min(limits) if limits else None, reasons)


def _mean(readings: Iterable[Measured | None]) -> Measured | None:
    known = [r for r in readings if r is not None]
    return combined(known) if known else None


def depth_of_flat(flat: Measured, width: Measured, height: Measured) -> Measured:
    """Depth worn off a circular crown that shows a flat of this width; all in mm.

    `width` and `height` are the unworn crown's. A flat as wide as the whole crown, within U, tells a least depth only:
    what it would have at its narrowest. The depth is then anything from that to the whole crown alike (rectangular,
    GUM 4.3.7), flagged ``AT_LEAST``.
    """

    def depth(flat: float, width: float, height: float) -> float:
        width = max(width, 1e-6)  # a width or height known to no better than itself still makes a crown
        return float(sagitta(flat / 2.0, arc_radius(width, min(max(height, 1e-6), width))))

    wide = flat.value + flat.expanded >= width.value - width.expanded
    if not wide:
        return evaluate(depth, {"flat": flat, "width": width, "height": height}, "mm").with_flags("INDIRECT")
    narrowest = max(0.0, min(flat.value - flat.expanded, width.value - width.expanded))
    least = min(depth(narrowest, width.value, height.value), height.value)
    flags = dict.fromkeys((*flat.flags, *width.flags, *height.flags, "INDIRECT", "AT_LEAST"))
    return Measured.of(
        (least + height.value) / 2.0, "mm", flags, flat_as_wide_as_the_crown=(height.value - least) / math.sqrt(12.0)
    )


def _spots(
    inspection: Inspection, reading: FretReading, width: Measured | None, height: Measured | None
) -> list[WornSpot]:
    """The worn places of one reading; a flat whose photo was not told the crown's height, or another than it has by
    now, gets its depth here."""
    view, asked = inspection.view, inspection.options.get("crown_height")

    def depth(flat: Flat) -> Measured | None:
        if width is None or height is None:
            return flat.depth
        as_asked = asked is None or abs(float(asked) - height.value) <= height.expanded
        return flat.depth if flat.depth is not None and as_asked else depth_of_flat(flat.width, width, height)

    flats = [WornSpot(f.from_treble_end, None, depth(f), f.width, f.length, (view,)) for f in reading.flats]
    return flats + [WornSpot(d.from_treble_end, None, d.depth, None, None, (view,)) for d in reading.divots]


def _merge(spots: list[WornSpot], places: Sequence[float]) -> tuple[WornSpot, ...]:
    """Spots seen in several photos become one; each is given to the string nearest to it."""
    groups: list[list[WornSpot]] = []
    for spot in sorted(spots, key=lambda s: s.from_treble_end.value):
        if groups and spot.from_treble_end.value - groups[-1][0].from_treble_end.value <= SAME_SPOT_MM:
            groups[-1].append(spot)
        else:
            groups.append([spot])
    return tuple(_merged(g, places) for g in groups)


def _merged(group: list[WornSpot], places: Sequence[float]) -> WornSpot:
    place = combined([s.from_treble_end for s in group])
    views = tuple(dict.fromkeys(v for s in group for v in s.views))
    return WornSpot(
        place,
        _string_at(place.value, places),
        _mean([s.depth for s in group]),
        _mean([s.flat_width for s in group]),
        _mean([s.flat_length for s in group]),
        views,
        tuple((v, combined(own)) for v in views if (own := _depths_of(group, v))),
    )


def _depths_of(group: Sequence[WornSpot], view: str) -> list[Measured]:
    return [s.depth for s in group if s.depth is not None and view in s.views]


def _string_at(place: float, places: Sequence[float]) -> int | None:
    """The string over a place: the nearest, within half the distance to its neighbour (bends wear beside it)."""
    nearest = min(range(len(places)), key=lambda i: abs(places[i] - place))
    reach = (places[-1] - places[0]) / (len(places) - 1) / 2.0 if len(places) > 1 else math.inf
    return nearest + 1 if abs(places[nearest] - place) <= reach else None


def _unseen(inspection: Inspection, reading: FretReading, width: Measured | None) -> float | None:
    """The depth a divot may have and still be missed by this photo; ``None`` if the fret's wear was not read."""
    said = {n.what: n.reason for n in inspection.not_measured}
    n = reading.number
    if inspection.view == "elevation" and on_fret(n, "divots") not in said:
        return reading.blind_depth.value if reading.blind_depth is not None else None
    if inspection.view == "plan":
        reason = said.get(on_fret(n, "flats"), "")
        hidden = hidden_flat(reason) if reason else FLAT_FROM_MM
        return None if hidden is None else _depth_of_unseen(max(hidden, FLAT_FROM_MM), width)
    return None


def hidden_flat(reason: str) -> float | None:
    """Width, mm, below which a flat would not show, where that is the reason something was not measured."""
    told = _HIDDEN.search(reason)
    return float(told[1]) if told else None


def _depth_of_unseen(flat: float, width: Measured | None) -> float | None:
    radius = width.value / 2.0 if width is not None else 1.0  # the smallest radius a crown of this width can have
    return float(sagitta(flat / 2.0, radius)) if flat <= _TELLING * 2.0 * radius else None


@dataclass(frozen=True, slots=True)
class Rate:
    """Wear under one string between two visits: mm a year, and years until a depth is reached, if it is wearing."""

    fret: int
    string: int
    per_year: Measured
    years_left: float | None


def change_of_depth(earlier: Measured, later: Measured) -> Measured:
    """How much deeper a place is at a later visit; what both visits share (the scale, the wire's size) cancels."""
    return difference(later, earlier)


def wear_rates(earlier: WearMap, later: WearMap, years: float, depth_limit: float) -> tuple[Rate, ...]:
    """Change of depth a year wherever both visits read a spot, and the years until `depth_limit` mm.

    What both visits share (the scale, the wire's size) cancels. Years are told only where the change is larger than
    its expanded uncertainty.

    Raises
    ------
    ValueError
        If the visits are not at least a day apart.
    """
    if years < 1.0 / 365.25:
        raise ValueError("two visits on the same day give no rate of wear")
    rates = []
    for fret in later.frets:
        for spot in fret.spots:
            if spot.depth is None or spot.string is None:
                continue
            before = earlier.fret(fret.number).depth_at(spot.string)
            if before is None:
                continue
            rate = scaled(change_of_depth(before, spot.depth), 1.0 / years, "mm/year")
            wearing = rate.value > rate.expanded
            left = max(0.0, (depth_limit - spot.depth.value) / rate.value) if wearing else None
            rates.append(Rate(fret.number, spot.string, rate, left))
    return tuple(rates)
