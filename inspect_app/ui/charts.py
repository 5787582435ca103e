"""Charts on the pages, in the JSON of Vega-Lite: marks over one another on shared axes; and tables of many rows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import streamlit as st

from inspect_app.ui.look import ACCENT, QUIET

__all__ = [
    "Layer",
    "Rows",
    "x_axis",
    "bars",
    "chart",
    "curve",
    "dots",
    "level_line",
    "long_table",
    "show_chart",
    "y_axis",
]

Layer = dict[str, Any]
Rows = Sequence[Mapping[str, float]]
_DASHED = [6, 4]


def x_axis(field: str, title: str, by_number: bool = True) -> Layer:
    """The axis along the bottom: frets by their number, or a length."""
    plain = {"field": field, "type": "ordinal" if by_number else "quantitative", "title": title}
    return plain | ({"axis": {"labelAngle": 0}} if by_number else {})


def y_axis(field: str, title: str | None = None, from_zero: bool = True, down: bool = False) -> Layer:
    """The upright axis; `down` for a depth."""
    scale = {"zero": from_zero} | ({"reverse": True} if down else {})
    return {"field": field, "type": "quantitative", "scale": scale} | ({} if title is None else {"title": title})


def curve(x: Layer, y: Layer, dashed: bool = False) -> Layer:
    """A line through all rows."""
    mark = {"color": QUIET, "strokeDash": _DASHED} if dashed else {"color": ACCENT, "strokeWidth": 2.5}
    return {"mark": {"type": "line", **mark}, "encoding": {"x": x, "y": y}}


def bars(x: Layer, low: Layer, high: str) -> Layer:
    """A thin upright bar a row, from one field to another: value ± U."""
    mark = {"type": "rule", "color": QUIET, "strokeWidth": 2.5}
    return {"mark": mark, "encoding": {"x": x, "y": low, "y2": {"field": high}}}


def dots(x: Layer, y: Layer) -> Layer:
    """A dot a row."""
    mark = {"type": "point", "color": ACCENT, "filled": True, "size": 80, "opacity": 1}
    return {"mark": mark, "encoding": {"x": x, "y": y}}


def level_line(at: float, y: Layer) -> Layer:
    """A dashed line across at one value of the upright axis."""
    row = {y["field"]: at}
    return {
        "data": {"values": [row]},
        "mark": {"type": "rule", "color": QUIET, "strokeDash": _DASHED},
        "encoding": {"y": y},
    }


def chart(rows: Rows, layers: Iterable[Layer], height: int = 240) -> Layer:
    """The layers over one another, on one set of rows unless a layer has its own."""
    return {"data": {"values": [dict(r) for r in rows]}, "layer": list(layers), "height": height}


def show_chart(drawn: Layer, alt: str, key: str | None = None) -> None:
    """A chart over the whole width, with its words."""
    st.vega_lite_chart(spec=drawn, width="stretch", key=key, alt=alt)


def long_table(columns: Mapping[str, Sequence[object]], name: str) -> None:
    """A table of any number of rows, by column: on the page it scrolls, by key too; paper takes all of it."""
    head = "".join(f'<th scope="col">{escape(c)}</th>' for c in columns)
    lines = ("".join(_cell(str(v)) for v in row) for row in zip(*columns.values(), strict=True))
    body = "".join(f"<tr>{line}</tr>" for line in lines)
    said = f"<caption>{escape(name)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody>"
    region = f'<div class="long" tabindex="0" role="region" aria-label="{escape(name)}">'
    st.html(f"{region}<table>{said}</table></div>")


def _cell(text: str) -> str:
    """A cell; a value with its uncertainty stays on one line."""
    start = '<td class="value">' if "±" in text else "<td>"
    return f"{start}{escape(text)}</td>"
