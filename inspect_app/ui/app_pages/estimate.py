"""The estimate: lines that add up, issued once and then unchanged, accepted or declined."""

from __future__ import annotations

from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

import streamlit as st

from inspect_app import services
from inspect_app.decide.estimate import Line, format_money, totals
from inspect_app.services.estimating import (
    EstimateView,
    accept_estimate,
    change_estimate,
    decline_estimate,
    draft,
    estimate_pdf,
    estimates,
    issue_estimate,
)
from inspect_app.services.exporting import export_bytes
from inspect_app.ui import server
from inspect_app.ui.bench import head, say, saying, step_link, the_job
from inspect_app.ui.words import plain
from shared.errors import InspectError, OptionError

PAPERS = {"A4": "a4", "Letter": "letter"}


def cash(view: EstimateView, amount: int) -> str:
    """An amount in the estimate's currency, safe in text with marks."""
    e = view.estimate
    return plain(format_money(amount, e.currency, e.minor_digits, e.locale))


def minor(value: Any, digits: int) -> int:
    """An amount typed in whole units as minor units.

    Raises
    ------
    OptionError
        If it is no amount.
    """
    try:
        amount = Decimal(str(value)).scaleb(digits)
    except InvalidOperation:
        amount = Decimal("NaN")
    if not amount.is_finite() or amount != amount.to_integral_value():
        raise OptionError(f"{value} is not an amount of money.", f"Write it with at most {digits} decimals.")
    return int(amount)


def edit_lines(view: EstimateView) -> tuple[Line, ...] | None:
    """The lines as a table to change; ``None`` when something in them is not possible."""
    digits = view.estimate.minor_digits
    rows = [
        {
            "Work": r.text,
            "Quantity": float(r.quantity),
            "Unit": r.unit,
            "Each": float(Decimal(r.unit_price).scaleb(-digits)),
            "Taxed": r.taxable,
        }
        for r in view.estimate.lines
    ]
    edited = st.data_editor(
        rows,
        num_rows="dynamic",
        width="stretch",
        key=f"lines-{view.id}-{view.content_hash[:8]}",
        column_config={
            "Work": st.column_config.TextColumn(required=True, width="large"),
            "Quantity": st.column_config.NumberColumn(min_value=0.0, format="%.2f"),
            "Each": st.column_config.NumberColumn(min_value=0.0, format=f"%.{digits}f"),
        },
    )
    try:
        return tuple(
            Line(
                str(r.get("Work") or ""),
                str(r.get("Quantity") or 0),
                str(r.get("Unit") or ""),
                minor(r.get("Each") or 0, digits),
                bool(r.get("Taxed", True)),
            )
            for r in edited
        )
    except InspectError as error:
        say(error)
        return None


def sums(view: EstimateView) -> None:
    """What the lines add up to."""
    t = totals(view.estimate)
    rows = {"Sum": t.lines, "Discount": -t.discount, "Tax": t.tax, "Total": t.total, "Deposit": t.deposit}
    shown = {k: cash(view, v) for k, v in rows.items() if v or k in ("Sum", "Total")}
    st.table({k: (f"**{v}**" if k == "Total" else v) for k, v in shown.items()}, border="horizontal")


def edit_draft(job: services.JobView, view: EstimateView) -> None:
    """A draft: change it, look at its paper, issue it."""
    st.markdown(f"#### Draft, revision {view.estimate.revision}: {plain(view.estimate.option)}")
    st.markdown(plain(view.estimate.reason))
    lines = edit_lines(view)
    cells = st.columns(3)
    discount = cells[0].text_input("Discount, %", view.estimate.discount_percent, key=f"discount-{view.id}")
    tax = cells[1].text_input("Tax, %", view.estimate.tax_percent, key=f"tax-{view.id}")
    deposit = cells[2].text_input("Deposit, %", view.estimate.deposit_percent, key=f"deposit-{view.id}")
    valid = st.date_input("Valid until", date.fromisoformat(view.estimate.valid_until), key=f"valid-{view.id}")
    note = st.text_input("Note to the customer", view.estimate.note, key=f"note-{view.id}")
    if st.button("Keep these lines", disabled=lines is None) and lines is not None:
        with saying():
            change_estimate(server.store(), view.id, lines, discount, tax, deposit, note, valid.isoformat())
            st.rerun()
    sums(view)
    paper = PAPERS[str(st.segmented_control("Paper", list(PAPERS), default="A4", required=True, key="paper"))]
    left, right = st.columns(2)
    paper_button(left, job, view, "Look at the PDF", paper)
    if right.button("Issue it", type="primary", width="stretch", help="From then on it does not change."):
        with saying(), st.spinner("Setting the paper"):
            issue_estimate(server.store(), view.id, paper=paper)
            st.rerun()


def paper_button(where: Any, job: services.JobView, view: EstimateView, label: str, paper: str = "a4") -> None:
    """Download the paper; made when asked for."""
    where.download_button(
        label,
        data=lambda: estimate_pdf(server.store(), view.id, paper=paper),
        file_name=f"estimate-{job.number}-{view.estimate.revision}.pdf",
        mime="application/pdf",
        on_click="ignore",
        width="stretch",
        key=f"pdf-{view.id}",
    )


def show_lines(view: EstimateView) -> None:
    """The lines of an issued revision, as they stand on its paper."""
    e = view.estimate
    st.markdown(f"#### Revision {e.revision}: {plain(e.option)}")
    st.markdown(plain(e.reason))
    st.table(
        [
            {
                "Work": plain(r.text),
                "Quantity": f"{r.quantity} {plain(r.unit)}",
                "Each": cash(view, r.unit_price),
                "Amount": cash(view, r.amount),
            }
            for r in e.lines
        ],
        border="horizontal",
    )
    sums(view)


def send(job: services.JobView) -> None:
    """Everything of the job in one file to send."""
    with st.container(border=True):
        st.markdown("**Send it**")
        pixels = st.select_slider("Pictures, pixels on the long side", [800, 1200, 1600, 2400, 4000], 1600)
        st.download_button(
            "Papers, pictures and readings (zip)",
            data=lambda: export_bytes(server.store(), job.id, pixels),
            file_name=f"job-{job.number}.zip",
            mime="application/zip",
            on_click="ignore",
            width="stretch",
        )
        st.caption("Pictures go out without the place and camera data of the photo files.")


def show_issued(job: services.JobView, view: EstimateView) -> None:
    """An issued revision: its total, its paper, the customer's answer."""
    on = f" on {view.decided_on or view.since:%Y-%m-%d}"
    if view.status == "superseded":
        on = f" on {view.since:%Y-%m-%d}"
    with st.container(border=True):
        st.markdown(f"**Revision {view.estimate.revision}**, {view.status}{on}: {plain(view.estimate.option)}")
        st.markdown(f"{cash(view, totals(view.estimate).total)}, valid until {view.estimate.valid_until}")
        cells = st.columns(3)
        paper_button(cells[0], job, view, "PDF")
        if view.status != "issued":
            return
        if cells[1].button("Accepted", key=f"yes-{view.id}", width="stretch"):
            with saying():
                accept_estimate(server.store(), view.id)
                st.rerun()
        if cells[2].button("Declined", key=f"no-{view.id}", width="stretch"):
            with saying():
                decline_estimate(server.store(), view.id)
                st.rerun()


job = the_job()
head(job, "estimate.py")
st.title("Estimate")
views = estimates(server.store(), job.id)
if not views:
    st.info("There is no estimate yet. Choose an option first, then draft it.")
    step_link("options.py", "**Open the options ›**", job.id)
main, side = st.columns([3, 2], gap="large")
with main:
    if views and views[0].status == "draft":
        edit_draft(job, views[0])
    elif views:
        show_lines(views[0])
        if st.button("Draft the next revision"):
            with saying():
                draft(server.store(), job.id)
                st.rerun()
with side:
    for issued in (v for v in views if v.status != "draft"):
        show_issued(job, issued)
    if job.photos:
        send(job)
