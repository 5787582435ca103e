"""What the shop's setups aim at, by kind of instrument: a form."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st

from inspect_app import services
from inspect_app.decide.setup import QUANTITIES
from inspect_app.services.setups import KEPT, change_setup_targets, setup_targets
from inspect_app.ui import server
from inspect_app.ui.lengths import length_number
from inspect_app.ui.page_frame import errors_shown, length_unit
from inspect_app.ui.undo import kept_in_shop
from shared.trade import SIDES

__all__ = ["setup_aims"]


def setup_aims() -> None:
    """One kind of instrument at a time: from and to of every reading a setup is held against."""
    known = {t.kind: t for t in setup_targets(server.store())}
    names = {k: t.text.capitalize() for k, t in known.items()}
    kind = str(st.selectbox("Kind of instrument", list(known), format_func=names.__getitem__, key="aims-kind"))
    targets, unit = known[kind], length_unit()
    turn = st.session_state.get(f"aims-turn-{kind}", 0)
    with st.form(f"aims-{kind}-{turn}", border=False):
        ranges = {}
        for what in QUANTITIES:
            for side, column in zip(SIDES, st.columns(2, vertical_alignment="bottom"), strict=True):
                t = targets.by_name[f"{side} {what}"]
                left, right = column.columns(2, vertical_alignment="bottom")
                key = f"aim-{kind}-{side}-{what}-{turn}"
                with left:
                    least = length_number(f"{t.text}: from", -1.0, 10.0, t.least, 0.05, unit, f"{key}-from", t.source)
                with right:
                    most = length_number(f"{t.text}: to", -1.0, 10.0, t.most, 0.05, unit, f"{key}-to", t.source)
                ranges[f"{side} {what}"] = (least, most)
        if st.form_submit_button("Keep these"):
            with errors_shown():
                was = services.get_setting(server.store(), KEPT) or {}
                change_setup_targets(server.store(), kind, ranges)
                _kept(kind, f"Kept: what a setup of a {targets.text} aims at.", was)
                st.rerun()
    st.caption(
        "String height at the 12th fret; nut clearance over the first fret, the string held down between the second "
        "and the third; relief half-way between the first fret and the one at the body. Which kind an instrument is "
        "stands on its job's page."
    )


def _kept(kind: str, said: str, was: dict[str, Any]) -> None:
    """Say it, to be taken back; the fields then show what stood there before."""

    def back() -> None:
        services.put_setting(server.store(), KEPT, was)
        _forget(kind)

    kept_in_shop(said, back, partial(services.get_setting, server.store(), KEPT))


def _forget(kind: str) -> None:
    """Build the form anew from what is kept."""
    st.session_state[f"aims-turn-{kind}"] = st.session_state.get(f"aims-turn-{kind}", 0) + 1
