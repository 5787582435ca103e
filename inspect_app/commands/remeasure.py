"""``inspect-app remeasure``: stored photos read again by this version, and what moved by how much."""

from __future__ import annotations

import argparse
import json
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from textwrap import indent

from inspect_app.commands.files import write_file
from inspect_app.commands.table import aligned
from inspect_app.services import Store, job_numbered, open_store
from inspect_app.services.remeasuring import ReadingChange, Remeasured, issued_papers, remeasure, to_remeasure
from shared.measured import Measured
from shared.units import LengthUnit, show, unit_shown

__all__ = ["run"]

EXIT_DONE, EXIT_NOT_READ = 0, 1


def run(options: argparse.Namespace) -> int:
    """Read the photos, say of each what moved; 0 if all could be read, 1 if a file is missing or damaged."""
    store = open_store(options.data, make=False)
    try:
        for number in options.jobs:
            job_numbered(store, number)  # says so where there is none
        tally, ended = _Tally(), list[BaseException]()
        listed = _listed(map(_form, tally.of(_photos(store, options))), ended)
        if options.json:
            write_file(options.json, listed)
        else:
            deque(listed, maxlen=0)
        if ended:
            raise ended[0]
        print("\n".join(_sum(store, tally, options.dry_run)))
    finally:
        store.close()
    return EXIT_NOT_READ if tally.failed else EXIT_DONE


def _listed(forms: Iterator[dict[str, object]], ended: list[BaseException]) -> Iterator[bytes]:
    """A list of JSON, form by form; whole too where something ends the run, which is then in `ended`."""
    start = "[\n"
    try:
        for form in forms:
            yield (start + indent(json.dumps(form, indent=1, ensure_ascii=False, allow_nan=False), " ")).encode()
            start = ",\n"
    except GeneratorExit:  # what it was written for has failed: nobody takes the rest
        return
    except BaseException as why:
        ended.append(why)
    yield b"\n]\n" if start == ",\n" else b"[]\n"


@dataclass(slots=True)
class _Tally:
    """What came of the photos so far: counts, for the answers of years do not fit into memory together."""

    photos: int = 0
    same: int = 0
    failed: bool = False
    kept: bool = False
    jobs: set[int] = field(default_factory=set)
    """Numbers of those in which something moved."""
    changes: Counter[str] = field(default_factory=Counter)

    def of(self, photos: Iterable[Remeasured]) -> Iterator[Remeasured]:
        """The photos, each counted as it goes by."""
        for at in photos:
            self.photos += 1
            self.same += at.same
            self.failed |= bool(at.failed)
            self.kept |= at.kept
            self.jobs |= {at.of.job_number} if at.changes else set()
            self.changes += _counts(at.changes)
            yield at


def _photos(store: Store, options: argparse.Namespace) -> Iterator[Remeasured]:
    asked = to_remeasure(store, options.jobs, options.all)
    for n, at in enumerate(remeasure(store, asked, keep=not options.dry_run), 1):
        print(f"{n}/{len(asked)}  #{at.of.job_number} {at.of.photo}: {_outcome(at, options.dry_run)}")
        for line in aligned([_row(c, options.units) for c in at.changes]):
            print(line)
        print(end="", flush=True)
        yield at


def _outcome(at: Remeasured, dry: bool) -> str:
    if at.failed:
        return f"not read, and left as it was: {at.failed}"
    words = [f"{at.same} readings as before"]
    words += _summary(_counts(at.changes))
    if not at.kept and not dry:
        words.append("measured by someone else meanwhile, whose answer stays")
    return ", ".join(words)


_WAYS = ("moved", "of them by more than U", "no longer read", "newly read")


def _counts(changes: Iterable[ReadingChange]) -> Counter[str]:
    """How many readings went each of `_WAYS`."""
    out: Counter[str] = Counter()
    for c in changes:
        out["moved" if c.before and c.now else "newly read" if c.now else "no longer read"] += 1
        out["of them by more than U"] += c.moved_over_u > 1.0
    return out


def _summary(counts: Counter[str]) -> list[str]:
    return [f"{counts[way]} {way}" for way in _WAYS if counts[way]]


def _row(c: ReadingChange, lengths: LengthUnit) -> list[str]:
    cells = [str(c.key), _value(c.before, lengths), "->", _value(c.now, lengths)]
    if c.moved is None or c.now is None:
        return cells
    factor, unit = unit_shown(c.now.value, c.now.unit, lengths)
    return [*cells, f"{c.moved * factor:+.3g} {unit}".rstrip(), f"{c.moved_over_u:.2g} U"]


def _value(q: Measured | None, lengths: LengthUnit) -> str:
    return "not read" if q is None else str(show(q, lengths))


def _sum(store: Store, tally: _Tally, dry: bool) -> Iterator[str]:
    if not tally.photos:
        yield "This version has read every photo; --all reads them again."
        return
    counts = ", ".join(_summary(tally.changes)) or "nothing moved"
    yield f"{tally.photos} photos, {tally.same} readings as before, {counts}."
    for number in sorted(tally.jobs):
        for paper in issued_papers(store, number):
            yield f"#{number}: {paper} stays as it was issued."
    if dry:
        yield "Nothing was kept: this was a trial."
    elif tally.kept:
        yield "The earlier readings are kept; undo on a photo's page brings them back."


def _form(at: Remeasured) -> dict[str, object]:
    return {
        "job": at.of.job_number,
        "photo": at.of.photo,
        "before": at.before.version,
        "now": at.now.version if at.now else None,
        "kept": at.kept,
        "failed": at.failed,
        "same": at.same,
        "changes": [
            {
                "reading": str(c.key),
                "unit": (c.now or c.before).unit,  # type: ignore[union-attr]  # one of them is there
                "before": _pair(c.before),
                "now": _pair(c.now),
                "moved": c.moved,
                "moved_over_U": c.moved_over_u if c.moved is not None else None,
            }
            for c in at.changes
        ],
    }


def _pair(q: Measured | None) -> dict[str, float] | None:
    return None if q is None else {"value": q.value, "u": q.u}
