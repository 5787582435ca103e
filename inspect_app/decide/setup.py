"""Strings and neck of one visit, held against what a setup aims at.

Nothing of it is wear: it says whether the neck is to be set before frets are levelled, whether the nut will still do
after, and which crowns stand out.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from calib.budget import total
from inspect_app.decide.fret_ends import FretEnds, ends_of
from inspect_app.decide.gauge_quantities import Gauged
from inspect_app.decide.limits import Verdict, conformance_probability, verdict_of
from inspect_app.decide.neck_shape import NeckShape, neck_shape
from inspect_app.decide.wear import combined
from inspect_app.instrument.details import Instrument, string_places
from inspect_app.instrument.fretboard import fret_position
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import Key, Place
from shared.errors import OptionError
from shared.measured import Contribution, Measured
from shared.tables import COMMON_PRACTICE, load_table
from shared.trade import BOARD_RADIUS_MM, HEIGHT_FRET, ROUNDEST_BOARD_MM, SIDES

__all__ = [
    "NOTHING_READ",
    "QUANTITIES",
    "Aim",
    "TargetCheck",
    "Setup",
    "Target",
    "Targets",
    "bow_in_words",
    "setup_of",
    "tops_over_plane",
    "targets_for",
    "targets_of_kinds",
]

QUANTITIES = ("string height", "nut clearance", "relief")
AT_THE_NUT = ("open string over the first fret", "nut slot height")
"""Read by gauge alone; they stand for the nut's clearance where that was not read."""
SADDLE_SHARE = 0.2
"""How far the strings' arc at the bridge may differ from the board's, as a share of its height (common practice, no
source): saddles are fitted by gauge to the next of a few radii."""
UP_THE_NECK = 9
"""A string held on two frets, one of them past this, is held for relief, there and at the first: no body holds a neck
nearer than the 10th (common practice, no source)."""
USUAL_BODY_FRET = 16
"""Where neither photos nor kind say it: an electric guitar's, the kind that is most often brought in (common practice,
no source)."""


@dataclass(frozen=True, slots=True)
class Target:
    """What one reading should lie between, mm; `source` says who says so."""

    text: str
    least: float
    most: float
    source: str = COMMON_PRACTICE


@dataclass(frozen=True, slots=True)
class Targets:
    """What a setup of one kind of instrument aims at; `by_name` has the names of readings (``treble relief``)."""

    kind: str
    text: str
    body_fret: int
    by_name: Mapping[str, Target]


@dataclass(frozen=True, slots=True)
class TargetCheck:
    """A reading held against its target: probability that it lies inside, and the verdict."""

    name: str
    value: Measured
    target: Target | None
    probability: float | None
    verdict: Verdict


def bow_in_words(relief: Measured, amount: str) -> str:
    """What a neck of this relief does, `amount` being its size as it is to be written.

    A gauge reads 0 wherever the string touches, be the neck straight or bowed backwards.
    """
    if abs(relief.value) <= relief.expanded:
        return "shows no bow"
    return f"bows {'forward' if relief.value > 0.0 else 'backwards'} by {amount}"


@dataclass(frozen=True, slots=True)
class Aim:
    """How high one string of the set stands at the 12th fret: `value` as read or as it follows from the outer two."""

    string: int
    value: Measured
    read: bool


@dataclass(frozen=True)
class Setup:
    """Strings and neck of one visit.

    Attributes
    ----------
    values : mapping of str to Measured
        ``treble string height``, ``bass relief`` and so on, mm; all photos together.
    strings : tuple of Aim
        Height of every string at the 12th fret; empty where not both outer ones were read.
    over_neighbours : mapping of int to Measured
        How far a crown stands over the line through those beside it.
    shapes : tuple of NeckShape
        Of each side that was read in enough places.
    targets : Targets or None
        None where the kind of instrument is not known.
    ends : FretEnds
        Fret ends that do not sit.
    """

    values: Mapping[str, Measured] = field(default_factory=dict)
    strings: tuple[Aim, ...] = ()
    over_neighbours: Mapping[int, Measured] = field(default_factory=dict)
    shapes: tuple[NeckShape, ...] = ()
    targets: Targets | None = None
    ends: FretEnds = field(default_factory=FretEnds)

    def __bool__(self) -> bool:
        """Whether anything was read."""
        return bool(self.values or self.over_neighbours or self.shapes or self.ends)

    @property
    def held(self) -> tuple[TargetCheck, ...]:
        """Every value against its target."""
        return tuple(self._held(name, q) for name, q in self.values.items())

    def _held(self, name: str, q: Measured) -> TargetCheck:
        target = self.targets.by_name.get(name) if self.targets else None
        if target is None:
            return TargetCheck(name, q, None, None, Verdict.CANNOT_TELL)
        p = conformance_probability(q.value, q.u, lower=target.least, upper=target.most, dof=q.dof)
        return TargetCheck(name, q, target, p, verdict_of(p))

    def high(self, least: float) -> tuple[tuple[int, Measured], ...]:
        """Frets that stand over their neighbours by more than U and by at least `least` mm, the highest first."""
        found = [(n, q) for n, q in self.over_neighbours.items() if q.value > q.expanded and q.value >= least]
        return tuple(sorted(found, key=lambda f: -f[1].value))

    @property
    def tongue(self) -> Measured | None:
        """How far the last fret read stands over the neck's straight way on; the larger of both sides."""
        rises = [s.tongue for s in self.shapes if s.tongue is not None]
        return max(rises, key=lambda q: q.value, default=None)


NOTHING_READ = Setup()
"""No photo across the neck."""


def targets_of_kinds(changed: Mapping[str, Mapping[str, Sequence[float]]] | None = None) -> tuple[Targets, ...]:
    """What setups aim at, by kind: as usual, and as the shop changed it (kind to reading to from and to, mm).

    Raises
    ------
    OptionError
        If a range of the shop's is none.
    """
    out = []
    for kind, row in load_table("setup_targets").items():
        mine = (changed or {}).get(kind, {})
        by_name = {}
        for side in SIDES:
            for what in QUANTITIES:
                name = f"{side} {what}"
                usual = row[(name if what == "string height" else what).replace(" ", "_")]
                least, most = (float(v) for v in mine.get(name, usual))
                if not (math.isfinite(least) and math.isfinite(most) and -1.0 <= least < most <= 10.0):
                    raise OptionError(
                        f"{name.capitalize()} of {least:g} to {most:g} mm is no range.",
                        "Give the smaller number first.",
                    )
                source = "set by the shop" if name in mine else COMMON_PRACTICE
                by_name[name] = Target(f"{what.capitalize()}, {side} side", least, most, source)
        out.append(Targets(kind, row["text"], int(row["body_fret"]), by_name))
    return tuple(out)


def targets_for(written: Sequence[str], every: Sequence[Targets]) -> Targets | None:
    """The targets of an instrument by what is `written` of it: its kind, ``electric guitar``, then its name; None where
    neither tells.

    Whole words count, an s or es may follow: Luke's guitar is no uke.
    """
    table = load_table("setup_targets")
    words = {t.kind: "|".join(map(re.escape, table[t.kind]["words"])) for t in every}
    told = (t for text in written for t in every if re.search(rf"\b(?:{words[t.kind]})(?:e?s)?\b", text, re.IGNORECASE))
    return next(told, None)


def setup_of(
    inspections: Sequence[Inspection],
    instrument: Instrument,
    targets: Targets | None = None,
    by_gauge: Gauged | None = None,
) -> Setup:
    """Strings, neck and fret ends from the inspections of one visit, rejected readings taken out, and from what was
    read by gauge."""
    seen = [i for i in inspections if i.view == "side"]
    by_gauge = by_gauge or {}
    ends = ends_of(inspections, by_gauge)
    if not seen and not by_gauge:
        return Setup(targets=targets, ends=ends)
    neck = Place("neck")
    values = {}
    for side in SIDES:
        for what in (*QUANTITIES, *AT_THE_NUT):
            key = Key(neck, f"{side} {what}")
            read = [q for of in (*(i.values for i in seen), by_gauge) if (q := of.get(key)) is not None]
            if read:
                values[key.feature] = combined(read)
    body = _body_fret(seen, targets, instrument)
    shapes = tuple(
        s for side in SIDES if (s := neck_shape(seen, side, instrument.scale_length, instrument.frets, body))
    )
    return Setup(values, _strings(values, instrument), _over_neighbours(seen), shapes, targets, ends)


def tops_over_plane(setup: Setup) -> Mapping[int, Measured]:
    """How far crowns stand over the plane that levelling makes, mm, by fret; only what was read.

    A bow is set straight by the truss rod first and is no part of it. Single high frets are, and a tongue's rise, which
    no rod reaches.
    """
    out: dict[int, Measured] = dict(setup.over_neighbours)
    for shape in setup.shapes:
        for n, over in shape.over_curve.items():
            rise = shape.rise_at(n)
            found = over if rise is None else total((over, rise))
            if n not in out or n > shape.body_fret or found.u < out[n].u:
                out[n] = found
    return out


def _body_fret(seen: Sequence[Inspection], targets: Targets | None, instrument: Instrument) -> int:
    """Where the body holds the neck: the higher fret that a string was held down on, else as usual of the kind."""
    held = [max(h) for i in seen if len(h := [int(n) for n in i.options.get("held", ())]) == 2 and max(h) > UP_THE_NECK]
    usual = targets.body_fret if targets else USUAL_BODY_FRET
    return min(max(held, key=held.count) if held else usual, instrument.frets)


def _over_neighbours(seen: Sequence[Inspection]) -> Mapping[int, Measured]:
    by_fret: dict[int, list[Measured]] = {}
    for i in seen:
        for key, q in i.values.items():
            if key.feature == "height over neighbours" and key.fret is not None:
                by_fret.setdefault(key.fret, []).append(q)
    return {n: combined(q) for n, q in sorted(by_fret.items())}


def _strings(values: Mapping[str, Measured], instrument: Instrument) -> tuple[Aim, ...]:
    """Every string's height over the 12th fret.

    Outer strings are read. Those between lie on an arc as the saddle has it. Where that is the board's own, their gaps
    run evenly from the one outer string to the other; where it is rounder or flatter, they lie higher or lower by the
    difference of both arcs' heights over the chord, half of which is there half-way to the bridge.
    """
    treble, bass = (values.get(f"{side} string height") for side in SIDES)
    if treble is None or bass is None or instrument.strings < 2:
        return ()
    radius = _radius_at(instrument, HEIGHT_FRET)
    places = string_places(instrument, HEIGHT_FRET, instrument.spread_nut)
    first, last = places[0], places[-1]
    half, middle = (last - first) / 2.0, (first + last) / 2.0
    out = []
    for i, y in enumerate(places, 1):
        if i in (1, instrument.strings):
            out.append(Aim(i, treble if i == 1 else bass, True))
            continue
        t = (y - first) / (last - first)
        rise = (half**2 - (y - middle) ** 2) / 2.0  # over the chord, times the curvature
        u_radius = 0.5 * rise * _curvature_u(instrument, radius)
        parts = (
            Contribution("outer strings", math.hypot((1.0 - t) * treble.u, t * bass.u)),
            Contribution("radius of the saddle", u_radius),
        )
        out.append(Aim(i, Measured((1.0 - t) * treble.value + t * bass.value, "mm", parts), False))
    return tuple(out)


def _radius_at(instrument: Instrument, fret: int) -> float:
    if instrument.radius_nut is None:
        return BOARD_RADIUS_MM
    last = instrument.radius_last or instrument.radius_nut
    x = fret_position(instrument.scale_length, [fret, instrument.frets])
    return instrument.radius_nut + (last - instrument.radius_nut) * float(x[0] / x[1])


def _curvature_u(instrument: Instrument, radius: float) -> float:
    """Standard uncertainty of the strings' curvature at the bridge against the board's, 1/mm (rectangular)."""
    if instrument.radius_nut is None:
        return (1.0 / ROUNDEST_BOARD_MM) / math.sqrt(12.0)
    return SADDLE_SHARE / radius / math.sqrt(3.0)
