"""A draft's lines as fields: what is typed is kept, lines are added and taken out, another window's change is asked."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import partial
from typing import Any

import streamlit as st

from inspect_app.decide.estimate import Line
from inspect_app.services.estimating import EstimateView, change_estimate, estimate_view
from inspect_app.ui import server
from inspect_app.ui.money import minor
from inspect_app.ui.page_frame import show_error
from inspect_app.ui.undo import remember_action
from shared.errors import InspectError

__all__ = ["edit_lines"]

_NEW = Line("", "1", "h", 0)
_WIDE = {"Quantity": 88, "Unit": 70, "Each": 96}
"""Widths, px: on a phone they stand in one row below what the work is called, with the mark for tax."""


def edit_lines(view: EstimateView) -> EstimateView:
    """The lines; the view with what was typed kept.

    The fields keep what they began with, so that a change kept does not throw the person out of one; only when the
    lines were changed elsewhere do they begin anew, and what was typed meanwhile is shown beside that change.
    """
    e, at, known = view.estimate, st.session_state, _key(view, "kept")
    if known not in at:
        _begin(view)
    try:
        typed = _typed(view)
    except InspectError as error:
        show_error(error)
        return view
    if at[known] != e.lines:  # another window changed them
        if typed not in (at[known], e.lines):
            return _choose_version(view, typed)
        _begin(view)
        st.rerun()
    return view if typed == e.lines else _keep_lines(view, typed)


def _key(view: EstimateView, what: str) -> str:
    return f"lines-{what}-{view.id}"


def _begin(view: EstimateView) -> None:
    """Begin the fields from the lines as they are kept."""
    at = st.session_state
    at[_key(view, "kept")] = view.estimate.lines
    at[_key(view, "shown")] = dict(enumerate(view.estimate.lines))
    at[_key(view, "turn")] = at.get(_key(view, "turn"), 0) + 1


def _keep_lines(view: EstimateView, typed: tuple[Line, ...]) -> EstimateView:
    try:
        kept = change_estimate(server.store(), view.id, lines=typed)
    except InspectError as error:
        show_error(error)
        return view
    st.session_state[_key(view, "kept")] = typed
    _kept(view, len(typed) - len(view.estimate.lines))
    if len(typed) < len(view.estimate.lines):
        st.rerun()  # it is said
    return kept


def _kept(was: EstimateView, more: int) -> None:
    """Lines were changed: that can be taken back, said only where one is gone."""
    text = "Line taken out" if more < 0 else "Line added" if more else "Line changed"
    back = partial(change_estimate, server.store(), was.id, lines=was.estimate.lines)

    def now() -> tuple[Line, ...]:
        return estimate_view(server.store(), was.id).estimate.lines

    remember_action(was.job_id, text, back, now, said=more < 0)


def _typed(view: EstimateView) -> tuple[Line, ...]:
    """The fields, and the lines as they stand in them; one that says nothing is none."""
    shown: dict[int, Line] = st.session_state[_key(view, "shown")]
    turn = st.session_state[_key(view, "turn")]
    typed = [_fields(view, k, f"line-{view.id}-{turn}-{k}", first=i == 0) for i, k in enumerate(shown)]
    st.button("Add a line", key=f"add-{_key(view, 'row')}", on_click=_add, args=(shown,))
    return tuple(line for line in typed if line.text)


def _take_out(shown: dict[int, Line], k: int) -> None:
    del shown[k]


def _add(shown: dict[int, Line]) -> None:
    shown[max(shown, default=-1) + 1] = _NEW


def _fields(view: EstimateView, k: int, key: str, first: bool) -> Line:
    """The fields of one line; exactly the line they began with where nothing was typed."""
    shown: dict[int, Line] = st.session_state[_key(view, "shown")]
    was, digits = shown[k], view.estimate.minor_digits
    labels: Any = "visible" if first else "collapsed"
    began = _row(was, digits)
    with st.container(horizontal=True, vertical_alignment="bottom", key=f"lines-row-{key}"):
        work = st.text_area("Work", began["Work"], height="content", key=f"{key}-work", label_visibility=labels)
        quantity = st.number_input(
            "Quantity", 0.0, None, began["Quantity"], format="%.2f", key=f"{key}-quantity", width=_WIDE["Quantity"],
            label_visibility=labels,
        )  # fmt: skip
        unit = st.text_input("Unit", began["Unit"], key=f"{key}-unit", width=_WIDE["Unit"], label_visibility=labels)
        each = st.number_input(
            "Each", 0.0, None, began["Each"], format=f"%.{digits}f", key=f"{key}-each", width=_WIDE["Each"],
            label_visibility=labels,
        )  # fmt: skip
        taxed = st.checkbox("Taxed", was.taxable, key=f"{key}-taxed", width="content")
        st.button("Take this line out", icon=":material/close:", key=f"{key}-out", on_click=_take_out, args=(shown, k))
    typed = replace(was, text=" ".join(work.split()), unit=unit, taxable=taxed)
    if quantity != began["Quantity"]:
        typed = replace(typed, quantity=f"{Decimal(str(quantity)).normalize():f}")
    return typed if each == began["Each"] else replace(typed, unit_price=minor(each, digits))


def _choose_version(view: EstimateView, typed: tuple[Line, ...]) -> EstimateView:
    """The lines as typed here and as another window kept them, and the choice between them."""
    e = view.estimate
    with st.container(border=True):
        st.warning("Another window has changed the lines meanwhile. Yours are not kept yet: choose which to keep.")
        for name, lines in (("Typed here", typed), ("Kept meanwhile", e.lines)):
            st.markdown(f"**{name}**")
            st.table([_row(r, e.minor_digits) for r in lines], border="horizontal")
        left, right = st.columns(2)
        if left.button("Keep the lines typed here", width="stretch"):
            _keep_lines(view, typed)
            st.rerun()
        if right.button("Keep the other lines", width="stretch"):
            _begin(view)
            st.rerun()
    return view


def _row(line: Line, digits: int) -> dict[str, Any]:
    return {
        "Work": line.text,
        "Quantity": float(line.quantity),
        "Unit": line.unit,
        "Each": float(Decimal(line.unit_price).scaleb(-digits)),
        "Taxed": line.taxable,
    }
