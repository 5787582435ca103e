"""Strings and neck on the pages: every reading beside what a setup aims at, and the neck's line fret by fret."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from inspect_app.decide.limits import Verdict
from inspect_app.decide.neck_shape import NeckShape
from inspect_app.decide.neck_strip import NECK_LEGEND, NeckRow
from inspect_app.decide.setup import Setup, TargetCheck, Targets
from inspect_app.ui.charts import Layer, bars, chart, curve, dots, show_chart, x_axis, y_axis
from inspect_app.ui.words import Length, shown
from shared.units import show_cell, show_plain, unit_shown

__all__ = ["neck_chart", "setup_lines", "strings_and_neck", "strip_table"]

SIGNS = {Verdict.WITHIN: "✓ as wanted", Verdict.BEYOND: "✕ not as wanted", Verdict.CANNOT_TELL: "? cannot tell"}


def _target_words(held: TargetCheck, length: Length) -> str:
    if held.target is None:
        return ""
    least, most = (show_cell(v, length) for v in (held.target.least, held.target.most))
    return f"{least} to {most} {unit_shown(0.0, 'mm', length)[1]}"


def _sources(targets: Targets) -> str:
    return ", ".join(dict.fromkeys(t.source for t in targets.by_name.values()))


def setup_lines(setup: Setup, length: Length, step: float) -> list[str]:
    """The neck in sentences: its bow, its tongue, frets that stand out by more than `step` mm."""
    out = []
    for s in setup.shapes:
        bow = {"forward bow": "bows forward", "back bow": "bows backwards", "straight": "is straight within U"}[s.bow]
        deepest = "" if s.bow == "straight" else f", deepest at fret {s.deepest_fret}"
        out.append(f"Under the {s.side} string the neck {bow}: {shown(s.relief, length)}{deepest}.")
        if s.tongue is not None:
            word = "rises" if s.tongue.value > 0.0 else "falls"
            told = "" if abs(s.tongue.value) > s.tongue.expanded else ", no more than U"
            out.append(f"Past fret {s.body_fret} the board {word} by {shown(s.tongue, length)}{told}.")
    out += [f"Fret {n} stands over its neighbours by {shown(q, length)}." for n, q in setup.high(step)]
    out += [f"The {e.end} end of fret {e.fret} is off the wood by {shown(e.by, length)}." for e in setup.ends.lifted]
    out += [
        f"The {e.end} end of fret {e.fret} stands out beyond the board by {shown(e.by, length)}."
        for e in setup.ends.proud
    ]
    return out


def neck_chart(shape: NeckShape, length: Length) -> Layer:
    """The crowns' tops over the chord from the first fret to the one at the body, and the neck's own line."""
    factor, unit = unit_shown(0.0, "mm", length)
    rows = [
        {"fret": n, "top": factor * top, "line": factor * shape.curve[n],
         "low": factor * (top - shape.over_curve[n].expanded), "high": factor * (top + shape.over_curve[n].expanded)}
        for n, top in sorted(shape.tops.items())
    ]  # fmt: skip
    x = x_axis("fret", "fret")
    line = curve(x, y_axis("line", f"over the chord ± U, {unit}"), dashed=True)
    return chart(rows, (line, bars(x, y_axis("low"), "high"), dots(x, y_axis("top"))), 180)


def strip_table(strip: Sequence[NeckRow], length: Length) -> str:
    """Strings and neck fret by fret, frets across as on the wear map; a crown that stands out has a ground."""
    frets = sorted({n for row in strip for n in row.by_fret})
    head = "".join(f'<th scope="col">{n}</th>' for n in frets)
    rows = "".join(
        f'<tr><th scope="row">{row.name}</th>{"".join(_cell(row, n, length) for n in frets)}</tr>' for row in strip
    )
    caption = "Strings and neck by fret (columns)"
    return (
        f'<div class="heat" tabindex="0" role="region" aria-label="{caption}"><table><caption>{caption}</caption>'
        f'<thead><tr><th scope="col">Reading</th>{head}</tr></thead><tbody>{rows}</tbody></table></div>'
    )


def _cell(row: NeckRow, fret: int, length: Length) -> str:
    q = row.by_fret.get(fret)
    if q is None:
        said = f"fret {fret}: not read"
        return f'<td class="unread" title="{said}"><span role="img" aria-label="{said}">·</span></td>'
    said = f"{row.name}, fret {fret}: {shown(q, length)}"
    return f'<td class="{"w2" if fret in row.marked else "none"}" title="{said}">{show_cell(q.value, length)}</td>'


def strings_and_neck(setup: Setup, length: Length, step: float, strip: Sequence[NeckRow] = ()) -> None:
    """What was read across the neck; nothing where no photo shows it."""
    if not setup:
        return
    st.header("Strings and neck")
    if strip:
        st.html(strip_table(strip, length))
        st.caption(f"In {'mm' if length == 'mm' else 'thousandths of an inch'}. {NECK_LEGEND}")
    rows = setup.held
    if rows:
        named = [(h.target.text if h.target else h.name.capitalize(), h) for h in rows]
        table = [
            {
                "Reading": name,
                "Read": shown(h.value, length),
                "Wanted": _target_words(h, length),
                "Verdict": SIGNS[h.verdict] if h.target else "",
            }
            for name, h in named
        ]
        st.table(
            table if setup.targets else [{k: r[k] for k in ("Reading", "Read")} for r in table], border="horizontal"
        )
    if setup.targets is None:
        st.caption("Write the instrument's kind on the job's page, and readings are held against what is usual for it.")
    else:
        st.caption(f"Wanted ({setup.targets.text}): {_sources(setup.targets)}. Set it on the shop's page.")
    between = [a for a in setup.strings if not a.read]
    if between:
        text = ", ".join(f"string {a.string} {shown(a.value, length)}" for a in between)
        st.markdown(f"Between the outer strings, where the saddle is as round as the board: {text} at the 12th fret.")
    for line in setup_lines(setup, length, step):
        st.markdown(line)
    for shape in setup.shapes:
        text = ", ".join(f"fret {n} {show_plain(v, 'mm', length, 2)}" for n, v in sorted(shape.tops.items()))
        show_chart(neck_chart(shape, length), f"Crowns over the chord, {shape.side} side: {text}")
        st.caption(
            f"Crowns under the {shape.side} string, over the chord from the first fret to fret {shape.body_fret}."
        )
