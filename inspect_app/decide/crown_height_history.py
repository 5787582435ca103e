"""The frets' heights through all visits and jobs of an instrument: written down, read, levelled, replaced.

Each entry changes what is known of the unworn crown height, of all frets or of some; the last state is what the next
decision starts from. Frets that were worked on without a word on how much are not known any more.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from calib.budget import difference, weighted_mean
from inspect_app.decide.options_renewing_frets import levelled_wire
from shared.measured import Contribution, Measured
from shared.trade import CALLIPER_U_MM

__all__ = [
    "WORK",
    "Heights",
    "MeasuredHeight",
    "WorkOnFrets",
    "WrittenHeight",
    "calliper_reading",
    "follow",
    "shared_by_reading",
]

CALLIPER_U = CALLIPER_U_MM
"""Standard uncertainty of a crown height read on a fitted fret, mm."""
CALLIPER_OWN_U = 0.02 / math.sqrt(3.0)
"""The calliper's own part of it, the same at every fret: a limit of 0.02 mm (common practice, no source)."""

WORK = ("levelled", "recrowned", "replaced")
"""What can have been done to frets."""
READ_ELSEWHERE = "as read with a calliper on other frets"


@dataclass(frozen=True, slots=True)
class WrittenHeight:
    """The crown height of the present wire when new, as somebody wrote it down, mm."""

    height: Measured
    source: str = "as written down for this wire"


@dataclass(frozen=True, slots=True)
class MeasuredHeight:
    """The crown height of one fret, read where it is not worn, mm."""

    fret: int
    height: Measured


@dataclass(frozen=True, slots=True)
class WorkOnFrets:
    """Work on `frets` (all where empty): `off` is what came off their tops, mm; new wire's height and material."""

    kind: str
    frets: tuple[int, ...] = ()
    off: Measured | None = None
    wire: Measured | None = None
    material: str = ""


@dataclass(frozen=True)
class Heights:
    """What is known: the unworn height all frets share and where it is from, that of single frets, and the wire's
    height when new with its material."""

    shared: Measured | None = None
    source: str = ""
    own: Mapping[int, Measured] = field(default_factory=dict)
    wire: Measured | None = None
    material: str = ""


def follow(
    entries: Iterable[WrittenHeight | MeasuredHeight | WorkOnFrets], frets: int, start: Heights | None = None
) -> Heights:
    """Follow an instrument's entries, the earliest first, from what was known before.

    Parameters
    ----------
    entries : iterable of Written, Read or Worked
    frets : int
        How many the instrument has.
    start : Heights, optional
    """
    known = start or Heights()
    for entry in entries:
        if isinstance(entry, WrittenHeight):
            known = replace(known, shared=entry.height, source=entry.source, wire=entry.height)
        elif isinstance(entry, MeasuredHeight):
            known = replace(known, own={**known.own, entry.fret: entry.height})
        else:
            known = _worked(known, entry, frets)
    return known


def _worked(known: Heights, work: WorkOnFrets, frets: int) -> Heights:
    every = tuple(range(1, frets + 1))
    on = work.frets or every
    if work.kind == "replaced":
        return _replaced(known, work, on, every)
    before = {n: known.own.get(n) or known.shared for n in on}
    now = {n: difference(h, work.off) for n, h in before.items() if h is not None and work.off is not None}
    if set(on) >= set(every):
        shared = difference(known.shared, work.off) if known.shared is not None and work.off is not None else None
        own = {n: h for n, h in now.items() if n in known.own}
        return replace(known, shared=shared, source=f"{known.source}, {work.kind}" if shared else "", own=own)
    return _of_some(known, on, now, every)


def _replaced(known: Heights, work: WorkOnFrets, on: Sequence[int], every: Sequence[int]) -> Heights:
    new = None if work.wire is None else levelled_wire(work.wire)
    if set(on) >= set(every):
        source = "as the new wire's height says" if new else ""
        return Heights(new, source, {}, work.wire, work.material or known.material)
    return _of_some(known, on, {} if new is None else dict.fromkeys(on, new), every)


def _of_some(known: Heights, on: Sequence[int], now: Mapping[int, Measured], every: Sequence[int]) -> Heights:
    """Some frets have another height now; those of which nobody said it take the shared one along into the unknown."""
    own = {n: h for n, h in known.own.items() if n not in on} | dict(now)
    if set(on) <= set(now):
        return replace(known, own=own)
    rest = {n: known.shared for n in every if n not in on and n not in own and known.shared is not None}
    return replace(known, shared=None, source="", own={**rest, **own})


def shared_by_reading(known: Heights) -> Heights:
    """Where no shared height is known but some frets were read: the mean of those read is the height of the others.

    Frets of one wire that were pressed in or levelled together are alike; what each may differ by is added where
    heights are drawn (`levelling.FRET_TO_FRET_U`).
    """
    if known.shared is not None or not known.own:
        return known
    return replace(known, shared=weighted_mean(list(known.own.values())), source=READ_ELSEWHERE)


def calliper_reading(height: float, name: str, gauge: tuple[str, float, float] | None = None) -> Measured:
    """A height read with a calliper or gauge on a fitted fret, mm; `name` tells the reading from all others.

    What all readings share is the calliper's own error; the rest is finding board and top beside each fret. `gauge` is
    its name in the shop, its own standard uncertainty and its resolution (mm), where these are known.
    """
    own = math.sqrt(CALLIPER_U**2 - CALLIPER_OWN_U**2)
    if gauge is None:
        shared = Contribution("calliper", CALLIPER_OWN_U)
    else:
        which, u, resolution = gauge
        shared = Contribution("calliper", u, which)
        own = math.hypot(own, resolution / math.sqrt(12.0))
    return Measured(height, "mm", (shared, Contribution("finding the top", own, name)))
