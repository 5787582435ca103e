"""Flats of the same frets from several photos of a visit, put together: what one lamp hides another shows.

A flat that several photos show is read once from all of them, weighted by what each knows of it alone. What a photo
could not show is undecided only as far as no other photo shows it either.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from inspect_app.decide.influences import with_influences
from inspect_app.decide.wear import combined
from inspect_app.reading.inspection import SINGLES, Flat, FretReading, Inspection, Outline
from inspect_app.reading.key import Key, NotMeasured, on_fret
from shared.errors import OptionError
from shared.trade import SAME_SPOT_MM

__all__ = ["flats_together"]

_DARK = re.compile(r"Between (\d+) and (\d+) mm .*a flat narrower than (\d+(?:\.\d+)?) mm would not show")
_ABOUT = re.compile(r"The flat about (\d+) mm from the treble end")
_SHORT_MM = 2.0
"""Less than this that no photo shows holds no flat by itself: the shortest are as long (`measure/plan/flats.py`)."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """What one photo says of a fret's flats: its reading, if any, and why what was not measured."""

    photo: int
    reading: FretReading | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Dark:
    """Where along a fret, mm, a flat narrower than `width` would not show."""

    first: float
    last: float
    width: float


def flats_together(inspections: Sequence[Inspection]) -> Inspection:
    """One answer of several plan photos: flats from all, everything else from the first photo that tells it.

    Outlines are those on the first photo. Photos that were refused, or show another view, play no part.

    Raises
    ------
    OptionError
        If none of them shows frets from above, or they were taken for different necks.
    """
    plan = [with_influences(i) for i in inspections if i.view == "plan" and i.frets]
    if not plan:
        raise OptionError("None of the photos shows frets from above.", "Put plan photos of one visit together.")
    if len({i.options.get("scale_length") for i in plan}) > 1:
        raise OptionError("The photos were asked with different scale lengths.", "Put photos of one neck together.")
    numbers = sorted({f.number for i in plan for f in i.frets})
    frets, flat_notes = [], []
    for n in numbers:
        seen = [_fret_in_photo(k, i, n) for k, i in enumerate(plan)]
        reading, notes = _fret(n, seen)
        frets.append(reading)
        flat_notes += [NotMeasured(on_fret(n, "flats"), why) for why in notes]
    photos = [{"name": i.photo.name, "sha256": i.photo.sha256} for i in plan]
    return replace(
        plan[0],
        photo=replace(plan[0].photo, name=" + ".join(i.photo.name for i in plan)),
        options={**plan[0].options, "together": photos},
        frets=tuple(frets),
        not_measured=(*_others(plan, frets), *flat_notes),
        flags=tuple(dict.fromkeys(flag for i in plan for flag in i.flags)),
    )


def _fret_in_photo(photo: int, inspection: Inspection, number: int) -> _Seen:
    reading = next((f for f in inspection.frets if f.number == number), None)
    what = on_fret(number, "flats")
    return _Seen(photo, reading, tuple(n.reason for n in inspection.not_measured if n.what == what))


def _fret(number: int, seen: Sequence[_Seen]) -> tuple[FretReading, list[str]]:
    """A fret's reading from all photos, and why flats of it are not measured."""
    groups = _groups([(s.photo, k, f) for s in seen if s.reading for k, f in enumerate(s.reading.flats, 1)])
    flats = tuple(_as_one([f for _, _, f in group]) for group in groups)
    read = [s.reading for s in seen if s.reading]
    told: dict[str, Any] = {name: next((v for f in read if (v := getattr(f, name))), None) for name in SINGLES}
    reading = FretReading(number, **told, flats=flats, outlines=_outlines(number, seen[0], groups))
    return reading, _undecided(seen, flats)


def _groups(flats: list[tuple[int, int, Flat]]) -> list[list[tuple[int, int, Flat]]]:
    """Flats of the same spot, at most one of each photo, from the treble end on."""
    groups: list[list[tuple[int, int, Flat]]] = []
    for photo, k, flat in sorted(flats, key=lambda of: of[2].from_treble_end.value):
        mates = groups[-1] if groups else []
        if mates and photo not in {p for p, _, _ in mates} and all(_is_one_flat(flat, other) for _, _, other in mates):
            mates.append((photo, k, flat))
        else:
            groups.append([(photo, k, flat)])
    return groups


def _is_one_flat(a: Flat, b: Flat) -> bool:
    """Whether two photos' flats are one: near to each other, or over half of the shorter one in common."""
    apart = abs(a.from_treble_end.value - b.from_treble_end.value)
    common = (a.length.value + b.length.value) / 2.0 - apart
    return apart <= SAME_SPOT_MM or common > min(a.length.value, b.length.value) / 2.0


def _as_one(flats: Sequence[Flat]) -> Flat:
    depths = [f.depth for f in flats if f.depth is not None]
    return Flat(
        combined([f.from_treble_end for f in flats]),
        combined([f.length for f in flats]),
        combined([f.width for f in flats]),
        combined(depths) if depths else None,
    )


def _outlines(number: int, first: _Seen, groups: list[list[tuple[int, int, Flat]]]) -> tuple[Outline, ...]:
    """What is drawn on the first photo, its flats with the numbers they have now."""
    if first.reading is None:
        return ()
    what = on_fret(number, "flats")
    now = {
        what.nth(k): what.nth(j) for j, group in enumerate(groups, 1) for photo, k, _ in group if photo == first.photo
    }
    return tuple(replace(o, of=now.get(o.of, o.of)) for o in first.reading.outlines)


def _undecided(seen: Sequence[_Seen], flats: Sequence[Flat]) -> list[str]:
    """Why flats of a fret are not measured: what no photo shows, and what one shows but none can measure."""
    read = [s for s in seen if s.reading]
    open_ = [s for s in read if all(_DARK.match(why) or _ABOUT.match(why) for why in s.reasons)]
    if not open_:
        return list(read[0].reasons)  # every one of them is covered, or has strings on
    notes = [
        why
        for s in seen
        for why in s.reasons
        if (about := _ABOUT.match(why))
        and all(abs(float(about[1]) - f.from_treble_end.value) > SAME_SPOT_MM for f in flats)
    ]
    dark = [_blind_stretch(s) for s in open_]
    known = [d for d in dark if d is not None]
    first, last = max((d.first for d in known), default=0.0), min((d.last for d in known), default=0.0)
    if len(known) == len(dark) and last - first >= _SHORT_MM:
        width = min(d.width for d in known)
        notes.append(
            f"Between {first:.0f} and {last:.0f} mm from the treble end a flat narrower than {width:.2f} mm would not "
            "show in any of the photos. Move the lamp and take another."
        )
    return list(dict.fromkeys(notes))


def _blind_stretch(s: _Seen) -> _Dark | None:
    """Where one photo would not show a flat; ``None`` where it shows all of the fret."""
    found = next((m for why in s.reasons if (m := _DARK.match(why))), None)
    return _Dark(float(found[1]), float(found[2]), float(found[3])) if found else None


def _others(plan: Sequence[Inspection], frets: Sequence[FretReading]) -> list[NotMeasured]:
    """What is not measured besides the flats of frets that were read: what no photo tells."""
    told = {on_fret(f.number, "flats") for f in frets}
    told |= {on_fret(f.number, "length") for f in frets if f.length}
    told |= {on_fret(f.number, "crown width") for f in frets if f.crown_width}
    left: dict[Key, NotMeasured] = {}
    for n in (n for i in plan for n in i.not_measured if n.what not in told):
        left.setdefault(n.what, n)
    return list(left.values())
