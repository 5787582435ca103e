"""The fields in which limits are typed: the shop's, and those of one instrument."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from inspect_app.decide.limits import Limit, Limits
from inspect_app.ui.lengths import length_number
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.words import in_unit
from shared.units import show_plain

__all__ = ["changed_limits", "limit_numbers", "limit_said"]

_LEAST, _MOST, _STEP = 0.001, 100.0, 0.01


def limit_numbers(entries: tuple[Limit, ...], was: Mapping[str, float], key: str) -> dict[str, float]:
    """A number for each limit, lengths in the unit of the pages; the values as they stand in the fields, in their own
    units, exactly as they were where nothing was typed."""
    out = {}
    for e in entries:
        if e.unit == "mm":
            out[e.key] = length_number(
                e.text,
                _LEAST,
                _MOST,
                was[e.key],
                _STEP,
                length_unit(),
                f"{key}-{e.key}",
                in_unit(e.source, length_unit()),
            )
            continue
        unit = {"1": "", "deg": ", degrees"}.get(e.unit, f", {e.unit}")
        typed = st.number_input(
            f"{e.text}{unit}", _LEAST, _MOST, was[e.key], _STEP, format="%g", help=e.source, key=f"{key}-{e.key}"
        )
        out[e.key] = was[e.key] if abs(typed - was[e.key]) < 1e-9 else typed
    return out


def changed_limits(known: Limits, values: Mapping[str, float], source: str) -> Limits:
    """The limits with these values; what is as it was keeps its source."""
    for key, value in values.items():
        known = known.with_value(key, value, source) if value != known[key].value else known
    return known


def limit_said(limits: Limits, key: str, value: float) -> str:
    """A limit's value with its unit, in that of the pages."""
    return show_plain(value, limits[key].unit, length_unit())
