"""What the shop found out of its own measuring: known things read and repeat studies, kept with their dates.

The newest repeat study of a view stands in the U of what is measured from then on, in place of what is assumed
(`inspect_app.reading.own_precision`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select

from inspect_app import __version__
from inspect_app.jobs.models import BenchCheck
from inspect_app.jobs.records import BenchCheckView
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.reading.ask import OwnPrecision
from inspect_app.services.rows import now, row
from shared.errors import OptionError

__all__ = [
    "KNOWN_THING",
    "REPEAT_STUDY",
    "bench_checks",
    "keep_bench_check",
    "own_precision",
    "restore_bench_check",
    "retire_bench_check",
]

KNOWN_THING, REPEAT_STUDY = "known thing", "repeat study"


def keep_bench_check(store: Store, view: str, result: Mapping[str, Any]) -> BenchCheckView:
    """Keep a result as ``known-thing --json`` and ``repeat-study --json`` write it; its date is now.

    Raises
    ------
    OptionError
        If it is neither.
    """
    kind = result.get("kind")
    if kind not in (KNOWN_THING, REPEAT_STUDY):
        raise OptionError("This is no result of a known thing or a repeat study.", "Keep what these commands wrote.")
    with writing(store) as session:
        made = BenchCheck(kind=kind, view=view, result=dict(result), version=__version__, created=now())
        session.add(made)
        session.flush()
        return _view(made)


def bench_checks(store: Store) -> tuple[BenchCheckView, ...]:
    """All that were kept, the newest first."""
    with reading(store) as session:
        return tuple(map(_view, session.scalars(select(BenchCheck).order_by(BenchCheck.id.desc()))))


def retire_bench_check(store: Store, number: int) -> None:
    """Let one stand no longer: U goes by the one before it, or by what is assumed. Answers given stay as they are.

    Raises
    ------
    OptionError
        If there is none.
    """
    with writing(store) as session:
        found = row(session, BenchCheck, number, "bench check")
        found.retired = found.retired or now()


def restore_bench_check(store: Store, number: int) -> None:
    """Let one stand again that was taken back."""
    with writing(store) as session:
        row(session, BenchCheck, number, "bench check").retired = None


def own_precision(store: Store, view: str) -> tuple[OwnPrecision, ...]:
    """What stands in U for photos of a view: of each quantity, the newest study that read it."""
    found: dict[tuple[str, str], OwnPrecision] = {}
    for check in bench_checks(store):
        if check.kind == REPEAT_STUDY and check.view == view and not check.retired:
            on = f"{check.created:%Y-%m-%d}, no. {check.id}"
            for q in check.result["quantities"]:
                own = OwnPrecision(q["quantity"], q["unit"], q["own_u"], q["own_dof"], q["laid"], on)
                if own.u > 0.0 and math.isfinite(own.dof):  # photos that are copies of each other say nothing
                    found.setdefault((own.quantity, own.unit), own)
    return tuple(found.values())


def _view(c: BenchCheck) -> BenchCheckView:
    return BenchCheckView(c.id, c.kind, c.view, c.result, c.version, c.created, c.retired is not None)
