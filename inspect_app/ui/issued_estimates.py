"""Issued estimates on the page: the paper, the e-mail it goes out with, and what the customer answered."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import Any

import streamlit as st

from inspect_app import services
from inspect_app.decide.agreement import HOWS, Answer
from inspect_app.decide.estimate import totals
from inspect_app.services.estimating import (
    EstimateView,
    accept_estimate,
    decline_estimate,
    estimate_pdf,
    take_back,
)
from inspect_app.services.exporting import accepted_csv, accepted_json
from inspect_app.services.papers import mail_text
from inspect_app.ui import server
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.money import cash, sums
from inspect_app.ui.page_frame import errors_shown
from inspect_app.ui.undo import forget_about, remember_action
from inspect_app.ui.words import plain

__all__ = ["show_issued", "show_lines"]


def show_lines(view: EstimateView) -> None:
    """The lines of an issued revision, as they stand on its paper."""
    e = view.estimate
    st.markdown(f"## Revision {e.revision}: {plain(e.option)}")
    if e.why:
        st.markdown(plain(e.why))
    st.table(
        [
            {
                "Work": plain(r.text),
                "Quantity": f"{r.quantity} {plain(r.unit)}",
                "Each": cash(e, r.unit_price),
                "Amount": cash(e, r.amount),
            }
            for r in e.lines
        ],
        border="horizontal",
    )
    sums(e)


def show_issued(job: services.JobView, view: EstimateView) -> None:
    """An issued revision: its total, its paper, the customer's answer and its undoing."""
    e = view.estimate
    with st.container(border=True):
        st.markdown(f"**Revision {e.revision}**, {view.status}: {plain(e.option)}")
        st.markdown(f"{cash(e, totals(e).total)}, valid until {e.valid_until}")
        if view.answer is not None:
            st.markdown(plain(answer_words(view.answer)))
        st.download_button(
            "PDF",
            data=lambda: estimate_pdf(server.store(), view.id),
            file_name=f"estimate-{job.number}-{e.revision}.pdf",
            mime="application/pdf",
            on_click="ignore",
            width="stretch",
            key=f"pdf-{view.id}",
        )
        if view.status == "issued":
            mail = st.expander("E-mail text", key=f"mail-{view.id}", on_change="rerun")
            if mail.open:  # what shows it is half a second of a browser's work to load
                mail.code(mail_text(server.store(), job.id, e), language=None, wrap_lines=True)
            ask_answer(job, view)
        if view.status == "accepted":
            hand_off(job, view)
        if view.answer is not None and st.button("Undo this answer", key=f"undo-{view.id}", width="stretch"):
            with errors_shown():
                take_back(server.store(), view.id)
                forget_about(("answer", view.id))
                said = f"Revision {e.revision}: answer taken back"
                remember_action(job.id, said, partial(answer_again, view.id, view.answer))
                st.rerun()
        st.caption(f"SHA-256 of this paper: {view.pdf_sha256[:16]}…", help=view.pdf_sha256)


def answer_again(estimate_id: int, answer: Answer) -> None:
    """Write an answer down as it was before it was taken back."""
    act: Any = accept_estimate if answer.accepted else decline_estimate
    act(server.store(), estimate_id, on=answer.on, by=answer.by, how=answer.how, note=answer.note)


def answer_words(answer: Answer) -> str:
    """``Accepted by A. Customer on 2026-05-05, signed: by telephone``."""
    said = "Accepted" if answer.accepted else "Declined"
    by = f" by {answer.by}" if answer.by else ""
    how = f", {answer.how}" if answer.how else ""
    note = f": {answer.note}" if answer.note else ""
    return f"{said}{by} on {answer.on}{how}{note}"


def ask_answer(job: services.JobView, view: EstimateView) -> None:
    """Who answered, how, when; then accepted or declined."""
    spots = FieldErrors()
    with st.form(f"answer-{view.id}", border=False):
        who = st.text_input("Answered by", job.details.customer)
        spots.below("by")
        left, right = st.columns(2)
        how = left.selectbox("How", HOWS)
        on = right.date_input("On", datetime.now(UTC).date())
        spots.below("on", right)
        note = st.text_input("Note", placeholder="needed where the estimate has run out")
        spots.below("note")
        yes, no = st.columns(2)
        accepted = yes.form_submit_button("Accepted", type="primary", width="stretch")
        declined = no.form_submit_button("Declined", width="stretch")
    if accepted or declined:
        act: Any = accept_estimate if accepted else decline_estimate
        with spots.saying():
            act(server.store(), view.id, on=on, by=who, how=str(how), note=note)
            said = f"Revision {view.estimate.revision}: {'accepted' if accepted else 'declined'}"
            remember_action(job.id, said, partial(take_back, server.store(), view.id), about=("answer", view.id))
            st.rerun()


def _bytes(make: Callable[[services.Store, int], str], job_id: int) -> bytes:
    return make(server.store(), job_id).encode()


def hand_off(job: services.JobView, view: EstimateView) -> None:
    """What was accepted, for the shop's own books."""
    left, right = st.columns(2)
    for where, kind, make in ((left, "csv", accepted_csv), (right, "json", accepted_json)):
        where.download_button(
            f"Accepted lines ({kind.upper()})",
            data=partial(_bytes, make, job.id),
            file_name=f"job-{job.number}-accepted.{kind}",
            mime="text/csv" if kind == "csv" else "application/json",
            on_click="ignore",
            width="stretch",
            key=f"{kind}-{view.id}",
        )
