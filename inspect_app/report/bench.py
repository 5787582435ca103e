"""The bench sheet: the work, the height to expect, checks to tick, cautions. One page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from inspect_app.decide.options import Option
from inspect_app.report.cautions import bench_cautions, deferral
from inspect_app.report.number_format import NumberFormat, listed
from inspect_app.report.paper_frame import Heading, frame

__all__ = ["bench_content"]


def bench_content(
    heading: Heading, option: Option, work: Mapping[str, str], materials: Iterable[str], writing: NumberFormat
) -> dict[str, Any]:
    """Data of ``bench.typ``; `materials` are texts that may name a material to be careful with."""
    out = frame(heading, "Bench sheet", [])
    return out | {
        "work": [["Work", str(option.kind).capitalize()], *([k, v] for k, v in work.items() if v)],
        "heights": _height_rows(option, writing),
        "checks": _checks(option),
        "cautions": _in_units(bench_cautions(str(option.kind), materials), writing),
        "defer": deferral(),
    }


def _in_units(found: Any, writing: NumberFormat) -> Any:
    """Every text in the paper's unit and with its mark."""
    if isinstance(found, str):
        return writing.words(found)
    if isinstance(found, Mapping):
        return {k: _in_units(v, writing) for k, v in found.items()}
    return [_in_units(v, writing) for v in found]


def _height_rows(option: Option, writing: NumberFormat) -> list[list[str]]:
    """Frets with the same rounded height share a row."""
    rows: dict[str, list[int]] = {}
    for number, s in option.height_left:
        text = f"{writing.cell(s.value)} ± {writing.cell(2 * s.u)} {writing.rough(0.0).split()[-1]}"
        rows.setdefault(text, []).append(number)
    return [[listed(numbers, "", "").strip(), text] for text, numbers in rows.items()]


def _checks(option: Option) -> list[str]:
    checks = ["Strings slackened and taken off", "Board and body masked, pickups covered"]
    if option.replaced:
        checks += ["Slots clean, their width against the tang", "New frets seated, no gap under the crown"]
    checks += [
        "Frets level along every string line",
        "Crowns round, no flat left",
        "Fret ends bevelled and eased, nothing catches",
        "Polished and cleaned, filings gone",
        "Heights read with a calliper and written down",
        "Photos after the work: plan, elevation, ends",
    ]
    return checks
