"""The shop's printed scales: the sheet to print, and what its check bar measures, with which gauge and on which day."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import partial

import streamlit as st

from calib.scales.print import CHECK_BAR_MM, scales_pdf
from calib.scales.sheets import PRINTED
from inspect_app import services
from inspect_app.ui import server
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.gauge_register import gauges_by_name
from inspect_app.ui.lengths import bare_unit, length_field
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.undo import kept_in_shop
from inspect_app.ui.words import plain
from shared.errors import OptionError
from shared.units import show_plain

__all__ = ["not_measured_yet", "printed_scales"]

PAPERS = {"A4": "a4", "Letter": "letter"}
KINDS = {
    "Strip, backdrop and tongue, one sheet": PRINTED,
    "Strip": ("strip",),
    "Backdrop": ("backdrop",),
    "Tongue": ("tongue",),
}


def printed_scales() -> None:
    """Print the sheet, write down its check bar, see what was written down."""
    st.markdown(
        "**1. Print the sheet** at 100 %, without fitting it to the page. Glue it on something flat and stiff. Each "
        "sheet has numbers of its own, in figures and in its pattern: photos tell by themselves which print they show."
    )
    with st.container(horizontal=True):
        for name, paper in PAPERS.items():
            st.download_button(
                f"Sheet on {name} (PDF)",
                data=partial(_new_sheet, paper),
                file_name=f"scales-{paper}.pdf",
                mime="application/pdf",
            )
    st.markdown(
        "**2. Measure the check bar** that runs the way of the strip, with a calliper, at the ends of the black."
    )
    _bar_form()
    found = [p for p in services.prints(server.store()) if not p.retired]
    if not any(p.verified for p in found):
        st.warning("No print has been measured yet: photos are read by the nominal size, whatever the printer did.")
        return
    st.table([_row(p) for p in found], border="horizontal")
    st.caption(
        "A photo of a numbered print is measured with that print. For prints without a number in the pattern, "
        "the newest measured one of the kind counts."
    )
    _retire(found)
    off = [p for p in found if p.verified and abs(p.factor - 1.0) > FAR_OFF]
    if off:
        told = ", ".join(f"print {p.id} is {100.0 * abs(p.factor - 1.0):.1f} % off" for p in off)
        st.warning(
            f"{told.capitalize()}: the page was fitted to the paper. Photos are measured with each print as it is; "
            "print again at 100 % for the next."
        )


def _retire(found: list[services.PrintView]) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        lost = st.selectbox("A print is lost or worn", found, None, lambda p: f"No. {p.id}, {p.kind}", key="lost-print")
        if st.button("Use this print no more", disabled=lost is None) and lost is not None:
            services.retire_print(server.store(), lost.id)
            kept_in_shop(f"Print {lost.id} is used no more.", partial(services.restore_print, server.store(), lost.id))
            st.rerun()


def _measured_on(p: services.PrintView) -> str:
    air = f", at {p.humidity:g} % humidity" if p.humidity is not None else ""
    return (plain(p.note) or f"written down {p.measured or p.created:%Y-%m-%d}") + air if p.verified else ""


_NUMBERLESS = ", without a number"
_NOT_LISTED = "a gauge not on the list"
FAR_OFF = 0.01
"""Beyond what paper grows by between dry and damp air, 0.4 %, and a printer's own half per cent (common practice, no
source): the page was scaled."""


def _new_sheet(paper: str) -> bytes:
    return scales_pdf(paper, services.new_sheet(server.store()))


def _numbered() -> dict[str, tuple[int, ...]]:
    """Numbered prints that wait for their bar, those of one sheet together, as they are chosen."""
    waiting = [p for p in services.prints(server.store()) if not p.retired and not p.verified]
    by_number = sorted(waiting, key=lambda p: p.id)
    out: dict[str, tuple[int, ...]] = {}
    while by_number:
        first, *by_number = by_number
        sheet = [first]
        while by_number and _goes_on(sheet, by_number[0]):
            second, *by_number = by_number
            sheet.append(second)
        numbers = tuple(p.id for p in sheet)
        if len(numbers) > 1:
            listed = ", ".join(map(str, numbers[:-1]))
            out[f"The sheet with no. {listed} and {numbers[-1]}"] = numbers
        else:
            out[f"No. {first.id}, {first.kind}"] = numbers
    return out


def _goes_on(sheet: list[services.PrintView], following: services.PrintView) -> bool:
    """Whether a print is the next one of a sheet: they are numbered in the order they stand on it."""
    kinds = (*(p.kind for p in sheet), following.kind)
    return kinds == PRINTED[: len(kinds)] and following.id == sheet[-1].id + 1


def _row(p: services.PrintView) -> dict[str, str]:
    return {
        "Print": f"No. {p.id}, {p.kind}",
        "Check bar": _bar(p) if p.verified else "not measured",
        "Lengths are": f"{(p.factor - 1) * 100:+.2f} %" if p.verified else "up to 3 % off",
        "Measured": _measured_on(p),
    }


def _bar(p: services.PrintView) -> str:
    unit = length_unit()
    return f"{show_plain(p.bar_measured, 'mm', unit, 4)} of {show_plain(p.bar_nominal, 'mm', unit, 4)}"


def _bar_form() -> None:
    spots, turn_, bare = FieldErrors(), st.session_state.get("bar-turn", 0), bare_unit(length_unit(), False)
    with st.form(f"check-bar-{turn_}", border=False):
        left, right = st.columns(2)
        numbered = _numbered()
        kind = left.selectbox("Which scale", [*numbered, *(k + _NUMBERLESS for k in KINDS)])
        nominal = show_plain(CHECK_BAR_MM, "mm", length_unit(), 4)
        hint = f"such as {show_plain(0.9965 * CHECK_BAR_MM, 'mm', length_unit(), 4)}"
        typed = length_field(right, f"Its check bar (nominal {nominal}) measures", None, bare, hint=hint)
        spots.below("bar", right)
        left, right = st.columns(2)  # a row of its own: on a phone the columns of one stand below each other
        on = left.date_input("Measured on", datetime.now(UTC).date())
        known = gauges_by_name()
        if known:
            gauge = right.selectbox("With", [*known, _NOT_LISTED])
        else:
            gauge = right.text_input("With", placeholder="such as calliper no. 2")
        hint = "Paper grows by up to 0.4 % between dry and damp air: measure again when it changes."
        left, _ = st.columns(2)
        humidity = left.number_input("The air's humidity, %", 0, 100, None, 5, placeholder="where known", help=hint)
        if not st.form_submit_button("Keep this print"):
            return
    with spots.saying("bar"):
        mm = typed.mm()
        if mm is None:
            raise OptionError("The check bar's length is missing.", "Measure it with a calliper, to 0.05 mm.")
        note, by = f"{on}, {gauge.strip() or 'gauge not said'}", known.get(gauge)
        kinds = KINDS.get(kind.removesuffix(_NUMBERLESS), ())
        old = numbered.get(kind, ())
        notes = {p.id: p.note for p in services.prints(server.store()) if p.id in old}
        new = [services.add_print(server.store(), k, mm, CHECK_BAR_MM).id for k in kinds]  # none where the bar is wrong
        for number in (*old, *new):
            services.measure_print(server.store(), number, mm, by.id if by else None, humidity, note)
        st.session_state["bar-turn"] = turn_ + 1
        kept_in_shop("Print kept: photos are measured with it from now on.", partial(_take_back_bars, notes, new))
        st.rerun()


def _take_back_bars(notes: dict[int, str], new: list[int]) -> None:
    """Prints that had a number are as they were, with their notes; those that came with the bar are used no more."""
    for number, note in notes.items():
        services.take_back_bar(server.store(), number, note)
    for number in new:
        services.retire_print(server.store(), number)


def not_measured_yet(kinds: set[str]) -> None:
    """Say where photos are about to be measured by a print nobody has measured."""
    known = {p.kind for p in services.prints(server.store()) if p.verified and not p.retired}
    missing = sorted({*PRINTED} & kinds - known)
    if missing:
        st.caption(
            f"The check bar of the {' and the '.join(missing)} was not measured: its nominal size is taken. "
            "Write the bar down on the shop's page, under Scales."
        )
