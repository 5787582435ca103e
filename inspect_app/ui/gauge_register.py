"""The shop's gauges: what each resolves and how far it may be off, and which one heights are read with."""

from __future__ import annotations

from functools import partial

import streamlit as st

from inspect_app.services.gauges import (
    GAUGE_KINDS,
    GaugeView,
    add_gauge,
    gauges,
    restore_gauge,
    retire_gauge,
    use_gauge,
)
from inspect_app.ui import server
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.lengths import bare_unit, length_field
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.undo import kept_in_shop
from inspect_app.ui.words import plain
from shared.errors import OptionError
from shared.units import show_plain

__all__ = ["gauge_register", "gauges_by_name"]


def gauges_by_name() -> dict[str, GaugeView]:
    """Those that are not retired."""
    return {g.name: g for g in gauges(server.store()) if not g.retired}


def gauge_register() -> None:
    """List, enter, choose and retire gauges."""
    st.markdown(
        "Crown heights carry the uncertainty of the gauge in use, in place of the usual 0.03 mm. A gauge's standard "
        "uncertainty is half the U of its certificate, or its limit of error over 1.7. Temperature needs no entry: "
        "steel and nickel silver grow by less than 0.02 % in 10 degrees."
    )
    unit, every = length_unit(), gauges_by_name().values()
    used = next((g.id for g in every if g.in_use), None)
    for g in every:
        with st.container(horizontal=True, vertical_alignment="center"):
            when = f"calibrated {g.calibrated}" if g.calibrated else "never calibrated"
            resolves, u = (show_plain(v, "mm", unit, 4) for v in (g.resolution, g.u))
            st.markdown(f"**{plain(g.name)}**, {g.kind}: resolves {resolves}, u {u}, {when}")
            if g.in_use:
                st.markdown("**reads the heights**", width="content")
            elif st.button("Read heights with it", key=f"use-gauge-{g.id}"):
                use_gauge(server.store(), g.id)
                kept_in_shop(f"Heights are read with {g.name}.", partial(use_gauge, server.store(), used))
                st.rerun()
            if st.button("Use no more", key=f"retire-gauge-{g.id}"):
                retire_gauge(server.store(), g.id)
                back = partial(restore_gauge, server.store(), g.id, g.in_use)
                kept_in_shop(f"{g.name} is used no more.", back)
                st.rerun()
    _add()


def _add() -> None:
    spots, turn, bare = FieldErrors(), st.session_state.get("gauge-turn", 0), bare_unit(length_unit(), True)
    with st.form(f"gauge-{turn}", border=False):
        left, right = st.columns(2)
        name = left.text_input("Gauge", placeholder="what is engraved on it, or where it hangs")
        kind = right.selectbox("Kind of gauge", GAUGE_KINDS)
        left, right = st.columns(2)  # a row of its own: on a phone the columns of one stand below each other
        resolution = length_field(left, "It resolves", None, bare, hint="such as 0.01 mm")
        u = length_field(right, "Its standard uncertainty", None, bare, hint="such as 0.012 mm")
        left, _ = st.columns(2)
        calibrated = left.date_input("Last calibrated", None)
        spots.end = st.empty()
        if not st.form_submit_button("Enter this gauge"):
            return
    with spots.saying():
        figures = resolution.mm(), u.mm()
        if figures[0] is None or figures[1] is None:
            raise OptionError("What the gauge resolves or its uncertainty is missing.", "Its certificate says both.")
        made = add_gauge(server.store(), name, str(kind), figures[0], figures[1], calibrated)
        st.session_state["gauge-turn"] = turn + 1
        kept_in_shop(f"{name.strip()} is in the register.", partial(retire_gauge, server.store(), made.id))
        st.rerun()
