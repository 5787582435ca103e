"""``inspect-app remeasure``: stored photos read again by this version, and what moved by how much."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence

from inspect_app.commands.files import write_file
from inspect_app.commands.table import aligned
from inspect_app.services import Store, job_numbered, open_store
from inspect_app.services.remeasuring import Change, Remeasured, issued_papers, remeasure, to_remeasure
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
        done = list(_photos(store, options))
        print("\n".join(_sum(store, done, options.dry_run)))
    finally:
        store.close()
    if options.json:
        form = json.dumps([_form(at) for at in done], indent=1, ensure_ascii=False, allow_nan=False)
        write_file(options.json, f"{form}\n".encode())
    return EXIT_NOT_READ if any(at.failed for at in done) else EXIT_DONE


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
    for count, what in _counts(at.changes):
        words += [f"{count} {what}"] if count else []
    if not at.kept and not dry:
        words.append("measured by someone else meanwhile, whose answer stays")
    return ", ".join(words)


def _counts(changes: Sequence[Change]) -> tuple[tuple[int, str], ...]:
    both = [c for c in changes if c.moved is not None]
    return (
        (len(both), "moved"),
        (sum(c.moved_over_u > 1.0 for c in both), "of them by more than U"),
        (sum(c.now is None for c in changes), "no longer read"),
        (sum(c.before is None for c in changes), "newly read"),
    )


def _row(c: Change, lengths: LengthUnit) -> list[str]:
    cells = [str(c.key), _value(c.before, lengths), "->", _value(c.now, lengths)]
    if c.moved is None or c.now is None:
        return cells
    factor, unit = unit_shown(c.now.value, c.now.unit, lengths)
    return [*cells, f"{c.moved * factor:+.3g} {unit}".rstrip(), f"{c.moved_over_u:.2g} U"]


def _value(q: Measured | None, lengths: LengthUnit) -> str:
    return "not read" if q is None else str(show(q, lengths))


def _sum(store: Store, done: Sequence[Remeasured], dry: bool) -> Iterator[str]:
    if not done:
        yield "This version has read every photo; --all reads them again."
        return
    total = [c for at in done for c in at.changes]
    counts = ", ".join(f"{n} {what}" for n, what in _counts(total) if n) or "nothing moved"
    yield f"{len(done)} photos, {sum(at.same for at in done)} readings as before, {counts}."
    for number in sorted({at.of.job_number for at in done if at.changes}):
        for paper in issued_papers(store, number):
            yield f"#{number}: {paper} stays as it was issued."
    if dry:
        yield "Nothing was kept: this was a trial."
    elif any(at.kept for at in done):
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
