"""What every paper has: who it is from and for, its title, its pictures, the cautions of the work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from inspect_app.decide.neck_strip import NECK_LEGEND, NeckRow
from inspect_app.decide.wear import WearMap
from inspect_app.decide.wear_scale import LEGEND, NONE_TONE, TONES, wear_cell
from inspect_app.report.number_format import NumberFormat

__all__ = ["METHOD", "Heading", "Picture", "frame", "neck_table", "picture", "wear_strip", "wear_table"]

METHOD = (
    "Every value was measured on a photo with a scale in the frame. ± gives the expanded uncertainty "
    "U = k u with k = 2: the true value lies inside about 95 times in 100."
)


@dataclass(frozen=True, slots=True)
class Heading:
    """Who the paper is from and for."""

    shop_name: str
    shop_lines: tuple[str, ...]
    job: str
    customer: str
    instrument: str
    asked_for: str
    paper: str = "a4"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture's file name beside the template, its caption, what it shows in words, and its scale bar.

    `bar` is the bar's share of the picture's width, 0 for none; `bar_text` the length it stands for. `figure` is the
    value read there.
    """

    file: str
    caption: str
    alt: str
    bar: float = 0.0
    bar_text: str = ""
    figure: str = ""


MARKED = 2
"""Step of the ramp that marks a crown which stands out: seen on paper, and text on it stays black."""


def frame(heading: Heading, title: str, facts: Sequence[tuple[str, str]], draft: bool = False) -> dict[str, Any]:
    """What all templates read: title, page, footer, shop, and the facts that are known."""
    known = [("Customer", heading.customer), ("Instrument", heading.instrument), ("Asked for", heading.asked_for)]
    return {
        "title": title,
        "draft": draft,
        "paper": heading.paper,
        "footer": f"Job {heading.job} · {title.lower()}" + (" · draft, not an offer" if draft else ""),
        "shop": {"name": heading.shop_name, "lines": list(heading.shop_lines)},
        "facts": [[k, v] for k, v in (*known, *facts) if v],
    }


def picture(p: Picture) -> dict[str, Any]:
    """A picture as the templates read it."""
    return {
        "file": p.file,
        "caption": p.caption,
        "alt": p.alt,
        "bar": p.bar,
        "bar_text": p.bar_text,
        "figure": p.figure,
    }


def wear_strip(wear: WearMap, writing: NumberFormat) -> dict[str, Any] | None:
    """The map as on the page: strings down, treble at the bottom, every fret across; ``None`` when nothing was read."""
    return _map(wear, writing, [f.number for f in wear.frets])


def wear_table(wear: WearMap, writing: NumberFormat) -> dict[str, Any] | None:
    """The same with the frets that were read alone."""
    return _map(wear, writing, [f.number for f in wear.frets if f.was_read or f.spots])


def neck_table(rows: Sequence[NeckRow], writing: NumberFormat) -> dict[str, Any] | None:
    """Strings and neck fret by fret, drawn like the map; ``None`` when no photo across the neck was read."""
    frets = sorted({n for r in rows for n in r.by_fret})
    if not frets:
        return None

    def cell(row: NeckRow, n: int) -> dict[str, Any]:
        q = row.by_fret.get(n)
        return {"text": writing.cell(q.value) if q else "·", "step": MARKED if n in row.marked else -2}

    return {
        "title": f"Strings and neck by fret, {'mm' if writing.lengths == 'mm' else 'thou'}",
        "first": "",
        "frets": frets,
        "rows": [{"string": r.name, "cells": [cell(r, n) for n in frets]} for r in rows],
        "tones": list(TONES),
        "none": NONE_TONE,
        "legend": NECK_LEGEND,
    }


def _map(wear: WearMap, writing: NumberFormat, frets: list[int]) -> dict[str, Any] | None:
    if not any(f.was_read or f.spots for f in wear.frets):
        return None
    unit = "mm" if writing.lengths == "mm" else "thou"
    rows = []
    for s in range(wear.instrument.strings, 0, -1):
        cells = [wear_cell(wear, n, s, writing.cell) for n in frets]
        name = {1: "1 treble", wear.instrument.strings: f"{s} bass"}.get(s, str(s))
        rows.append({"string": name, "cells": [{"text": c.text, "step": c.step} for c in cells]})
    return {
        "title": f"Depth of wear by fret and string, {unit}",
        "first": "String",
        "frets": frets,
        "rows": rows,
        "tones": list(TONES),
        "none": NONE_TONE,
        "legend": LEGEND,
    }
