"""The board between the frets as a table: share of each field that is worn, by string."""

from __future__ import annotations

import streamlit as st

from inspect_app.decide.board import BoardWear
from inspect_app.decide.wear import WearMap
from inspect_app.decide.wear_scale import STEPS
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.words import plain, shown

__all__ = ["board_map", "board_table"]

FULL_SHARE = 0.10
"""Share of a whole field, under one string, that gets the last step: a sixth of the field is each string's."""


def board_table(board: BoardWear, strings: int) -> str:
    """Strings down as on the photos (treble at the bottom), the worn fields across; whole per cent of the field."""
    frets = board.fields
    head = "".join(f'<th scope="col">{n}</th>' for n in frets)
    rows = []
    for s in range(strings, 0, -1):
        name = {1: "1 treble", strings: f"{s} bass"}.get(s, str(s))
        rows.append(f'<tr><th scope="row">{name}</th>{"".join(_cell(board.share_at(n, s), n, s) for n in frets)}</tr>')
    caption = "Worn board by string (rows) and the fret behind it (columns), per cent of the field"
    return (
        f'<div class="heat" tabindex="0" role="region" aria-label="{caption}"><table><caption>{caption}</caption>'
        f'<thead><tr><th scope="col">String</th>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table></div>'
    )


def _cell(share: float, fret: int, string: int) -> str:
    style = f"w{min(STEPS - 1, int(share / FULL_SHARE * STEPS))}" if share > 0.0 else "none"
    said = f"before fret {fret}, string {string}: {100.0 * share:.1f} % of the field"
    return f'<td class="{style}" title="{said}">{100.0 * share:.0f}</td>'


def board_map(board: BoardWear, wear: WearMap) -> None:
    """What is worn between the frets, and why that could not be told; nothing where no photo from above was read."""
    if not board and not board.reasons:
        return
    st.header("Board")
    if board.places:
        st.html(board_table(board, wear.instrument.strings))
        whole = ", ".join(f"fret {n} {100.0 * board.share_of(n):.0f} %" for n in board.fields)
        st.caption(
            f"Share of the wood between two frets whose finish or tone is worn: {whole}. Dirt looks like wear: wipe "
            "the board before the photo. A straightedge along the neck and a gauge tell how deep a hollow is."
        )
    if board.hollows:
        text = ", ".join(f"fret {n} {shown(q, length_unit())}" for n, q in board.hollows.items())
        st.markdown(f"Hollows read by gauge, before: {text}.")
    for reason in board.reasons:
        st.caption(f"Not told everywhere: {plain(reason)}.")
