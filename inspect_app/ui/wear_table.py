"""The wear map as a table: fret by string, the value in every cell, its colour from one ramp, a link to its reading."""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from inspect_app.decide.wear import FretWear, WearMap, WornSpot
from inspect_app.decide.wear_scale import FULL, STEPS, Show, tone
from inspect_app.services import ReadingView
from inspect_app.ui.words import Length, shown
from shared.measured import Measured
from shared.trade import SAME_SPOT_MM
from shared.units import show_cell, show_plain

__all__ = ["SHOWS", "Cell", "Show", "cells", "heat_table", "ramp", "reading_of_spot", "tone"]

SHOWS: Mapping[Show, str] = {"depth": "Divot depth", "flat": "Flat width", "height": "Crown height left"}


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: what is written, the value behind its colour, what it means in words, the reading it opens."""

    fret: int
    string: int
    text: str
    value: float | None
    meaning: str
    reading: ReadingView | None = None


def cells(wear: WearMap, show: Show, readings: Iterable[ReadingView], length: Length) -> dict[tuple[int, int], Cell]:
    """Every cell of the map, by (fret, string)."""
    of_fret: dict[int | None, list[ReadingView]] = {}
    for r in readings:
        of_fret.setdefault(r.reading.key.fret, []).append(r)
    out = {}
    for fret in wear.frets:
        for s in range(1, wear.instrument.strings + 1):
            out[fret.number, s] = _cell(wear, fret, s, show, of_fret.get(fret.number, []), length)
    return out


def _cell(wear: WearMap, fret: FretWear, string: int, show: Show, rows: Sequence[ReadingView], length: Length) -> Cell:
    where = f"fret {fret.number}, string {string}"
    spot = _worst(s for s in fret.spots if s.string == string)
    if spot is None and fret.unseen_depth is None:
        why = "; ".join(fret.reasons) or "no photo reads its wear"
        return Cell(fret.number, string, "", None, f"{where}: not read: {why}")
    value = _value(wear, fret, string, spot, show)
    reading = reading_of_spot(rows, fret.number, spot, show) if spot else None
    if value is not None:
        said = f"{where}: {shown(value, length)}"
        return Cell(fret.number, string, show_cell(value.value, length), value.value, said, reading)
    if spot is None and show != "height":
        return Cell(fret.number, string, "0", 0.0, f"{where}: nothing seen")
    return Cell(fret.number, string, "?", None, f"{where}: a flat seen, this value not known", reading)


def _worst(spots: Iterable[WornSpot]) -> WornSpot | None:
    def size(s: WornSpot) -> tuple[float, float]:
        return (s.depth.value if s.depth else 0.0, s.flat_width.value if s.flat_width else 0.0)

    return max(spots, key=size, default=None)


def _value(wear: WearMap, fret: FretWear, string: int, spot: WornSpot | None, show: Show) -> Measured | None:
    if show == "height":
        return wear.height_left(fret.number, string)
    if spot is None:
        return None
    return spot.depth if show == "depth" else spot.flat_width


def reading_of_spot(rows: Iterable[ReadingView], fret: int, spot: WornSpot, show: Show) -> ReadingView | None:
    """The reading behind a spot: nearest in place, a depth read directly before one worked out."""
    places = {
        (r.photo_id, r.reading.of): r
        for r in rows
        if r.reading.key.fret == fret
        and r.reading.key.feature in ("flats", "divots")
        and r.reading.key.quantity == "from treble end"
    }
    near = {
        k: r for k, r in places.items() if abs(r.reading.value.value - spot.from_treble_end.value) <= SAME_SPOT_MM
    }  # fmt: skip
    wanted = "width" if show == "flat" else "depth"
    found = [
        r for r in rows if (r.photo_id, r.reading.of) in near and r.reading.key.quantity == wanted
    ]  # fmt: skip
    pool = found or list(near.values())
    return min(pool, key=lambda r: ("INDIRECT" in r.flags, r.verdict == "reject", r.relative_u), default=None)


def heat_table(
    wear: WearMap, show: Show, at: Mapping[tuple[int, int], Cell], link: Callable[[ReadingView], dict[str, str]]
) -> str:
    """The map as an HTML table: strings down as on the photos (treble at the bottom), frets across."""
    frets = [f.number for f in wear.frets]
    head = "".join(f'<th scope="col">{n}</th>' for n in frets)
    rows = []
    for s in range(wear.instrument.strings, 0, -1):
        body = "".join(_td(at[n, s], show, link) for n in frets)
        name = {1: "1 treble", wear.instrument.strings: f"{s} bass"}.get(s, str(s))
        rows.append(f'<tr><th scope="row">{name}</th>{body}</tr>')
    caption = f"{SHOWS[show]} by string (rows) and fret (columns)"
    return (
        f'<div class="heat" tabindex="0" role="region" aria-label="{caption}"><table><caption>{caption}</caption>'
        f'<thead><tr><th scope="col">String</th>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table></div>'
    )


def ramp(show: Show, length: Length) -> str:
    """What the grounds of the cells mean: the value at which each begins, the same on paper."""
    first, last = FULL[show]
    step = (last - first) / STEPS
    keys = "".join(
        f'<span><i class="ground w{k}"></i>{"from " if show != "height" else "under "}'
        f"{show_plain(first + k * step, 'mm', length, 2)}</span>"
        for k in range(STEPS)
    )
    return f'<p class="legend heat">{keys}</p>'


def _td(cell: Cell, show: Show, link: Callable[[ReadingView], dict[str, str]]) -> str:
    said = html.escape(cell.meaning, quote=True)
    if not cell.text:
        return f'<td class="unread" title="{said}"><span role="img" aria-label="{said}">·</span></td>'
    style = "none"
    if cell.value is not None and (cell.value or show == "height"):
        style = f"w{tone(cell.value, show)}"
    text = html.escape(cell.text)
    if cell.reading is not None:
        query = html.escape(urlencode(link(cell.reading)), quote=True)
        text = f'<a href="/readings?{query}" target="_self" aria-label="{said}">{text}</a>'
    return f'<td class="{style}" title="{said}">{text}</td>'
