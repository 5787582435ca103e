"""What the shop's setups aim at, by kind of instrument: a form."""

from __future__ import annotations

import streamlit as st

from inspect_app.decide.setup import QUANTITIES
from inspect_app.services.setups import change_setup_targets, setup_targets
from inspect_app.ui import server
from inspect_app.ui.lengths import length_number
from inspect_app.ui.page_frame import errors_shown, length_unit
from shared.trade import SIDES

__all__ = ["setup_aims"]


def setup_aims() -> None:
    """One kind of instrument at a time: from and to of every reading a setup is held against."""
    known = {t.kind: t for t in setup_targets(server.store())}
    names = {k: t.text.capitalize() for k, t in known.items()}
    kind = str(st.selectbox("Kind of instrument", list(known), format_func=names.__getitem__, key="aims-kind"))
    targets, unit = known[kind], length_unit()
    with st.form(f"aims-{kind}", border=False):
        ranges = {}
        for what in QUANTITIES:
            for side, column in zip(SIDES, st.columns(2, vertical_alignment="bottom"), strict=True):
                t = targets.by_name[f"{side} {what}"]
                left, right = column.columns(2, vertical_alignment="bottom")
                key = f"aim-{kind}-{side}-{what}"
                with left:
                    least = length_number(f"{t.text}: from", -1.0, 10.0, t.least, 0.05, unit, f"{key}-from", t.source)
                with right:
                    most = length_number(f"{t.text}: to", -1.0, 10.0, t.most, 0.05, unit, f"{key}-to", t.source)
                ranges[f"{side} {what}"] = (least, most)
        if st.form_submit_button("Keep these"):
            with errors_shown():
                change_setup_targets(server.store(), kind, ranges)
                st.session_state["shop-said"] = f"Kept: what a setup of a {targets.text} aims at."
                st.rerun()
    st.caption(
        "String height at the 12th fret; nut clearance over the first fret, the string held down between the second "
        "and the third; relief half-way between the first fret and the one at the body. Which kind an instrument is "
        "stands on its job's page."
    )
