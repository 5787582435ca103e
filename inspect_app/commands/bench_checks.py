"""``inspect-app bench-checks``: known things and repeat studies that were kept; and keeping one."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from inspect_app.commands.table import aligned
from inspect_app.services import BenchCheckView, open_store
from inspect_app.services.bench_checks import (
    KNOWN_THING,
    bench_checks,
    keep_bench_check,
    retire_bench_check,
)

__all__ = ["keep", "run"]


def run(options: argparse.Namespace) -> int:
    """Do what the options say, then list what there is."""
    store = open_store(options.data)
    try:
        if options.retire is not None:
            retire_bench_check(store, options.retire)
        rows = [_row(c) for c in bench_checks(store)]
    finally:
        store.close()
    head = ["no.", "day", "kind", "view", "found", ""]
    nothing = "Nothing is kept yet: give known-thing or repeat-study --keep."
    print("\n".join(aligned([head, *rows])) if rows else nothing)
    return 0


def keep(data: Path | None, view: str, result: Mapping[str, Any]) -> None:
    """Keep a result in the data folder."""
    store = open_store(data)
    try:
        keep_bench_check(store, view, result)
    finally:
        store.close()


def _row(c: BenchCheckView) -> list[str]:
    state = "retired" if c.retired else ""
    return [str(c.id), f"{c.created:%Y-%m-%d}", c.kind, c.view, _result_words(c), state]


def _result_words(c: BenchCheckView) -> str:
    if c.kind == KNOWN_THING:
        verdict = "agrees" if c.result["agrees"] else "does not agree"
        return f"{c.result['what']}: E_n {c.result['e_n']:+.2f}, {verdict}"
    units = {"deg": "°", "1": ""}
    return ", ".join(
        f"{q['quantity']} {q['own_u']:.3f}{units.get(q['unit'], ' ' + q['unit'])}" for q in c.result["quantities"]
    )
