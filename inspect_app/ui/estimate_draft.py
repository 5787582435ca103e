"""A draft on the page: every change is kept as it is typed, sums and paper follow, issuing is asked twice."""

from __future__ import annotations

from concurrent.futures import Future
from datetime import date
from functools import lru_cache, partial
from typing import Any

import streamlit as st

from inspect_app import services
from inspect_app.decide.estimate import Estimate, totals
from inspect_app.services.estimating import (
    EstimateView,
    change_estimate,
    draft,
    drop_draft,
    estimate_pdf,
    estimate_view,
    estimates,
    issue_estimate,
    put_draft,
)
from inspect_app.services.papers import estimate_pages, words_why
from inspect_app.ui import server
from inspect_app.ui.estimate_lines import edit_lines
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.money import cash, sums
from inspect_app.ui.page_frame import length_unit, show_error
from inspect_app.ui.prepare_ahead import begin
from inspect_app.ui.undo import remember_action
from inspect_app.ui.words import plain
from shared.errors import InspectError

__all__ = ["PAPERS", "edit_draft", "make_draft", "prepare_paper", "show_failed_change"]

PAPERS = {"A4": "a4", "Letter": "letter"}
_TOLD = "estimate-told"
"""Where an error met while keeping a change waits for the page to be drawn."""
_BOTH = "estimate-both"
"""Where a field that two windows changed waits for a word on it: estimate, field, the other's value, this window's."""


def edit_draft(job: services.JobView, view: EstimateView) -> None:
    """A draft: change it, see what it adds up to and how it looks, issue it."""
    e = view.estimate
    st.markdown(f"## Draft, revision {e.revision}: {plain(e.option)}")
    st.caption("Changes are kept as you type.")
    view = edit_lines(view)
    _fields(job, view)
    sums(view.estimate)
    paper = PAPERS[str(st.segmented_control("Paper", list(PAPERS), default="A4", required=True, key="paper"))]
    _issue(job, view, paper)
    _preview(job, view, paper)


def make_draft(job_id: int, visit: str = services.FIRST_VISIT) -> EstimateView:
    """Draft the option that stands; taken back, the draft it took the place of is there again, or none.

    Raises
    ------
    OptionError
        If there is no option to estimate yet.
    """
    was = next((v for v in estimates(server.store(), job_id) if v.status == "draft"), None)
    made = draft(server.store(), job_id, visit)
    back = (
        partial(put_draft, server.store(), made.id, was.estimate)
        if was
        else partial(drop_draft, server.store(), made.id)
    )
    remember_action(job_id, "Estimate drafted", back, lambda: estimate_view(server.store(), made.id).content_hash)
    return made


def show_failed_change(at_fields: bool) -> None:
    """Say what went wrong while a change was kept, and what another window had put there meanwhile.

    Where the fields are shown (`at_fields`), what is about one of them is said there.
    """
    error = st.session_state.get(_TOLD)
    if error is not None and not (at_fields and error.of):
        show_error(st.session_state.pop(_TOLD))
    both = st.session_state.get(_BOTH)
    if both is not None:
        view_id, name, other, mine = both
        st.warning(
            f"{_label(name)}: another window had written “{plain(other)}” meanwhile. Yours is kept: “{plain(mine)}”."
        )
        st.button("Take the other", key="take-other", on_click=_take, args=(view_id, name, other))


def _keep(view_id: int, **changes: Any) -> EstimateView | None:
    """Keep a change; an error waits to be said."""
    try:
        return change_estimate(server.store(), view_id, **changes)
    except InspectError as error:
        st.session_state[_TOLD] = error.at(next(iter(changes))) if len(changes) == 1 else error
        return None


def _fields(job: services.JobView, view: EstimateView) -> None:
    """What applies to the whole estimate; each field keeps itself."""
    e, spots = view.estimate, FieldErrors()

    def field(name: str, shown: str | date) -> dict[str, Any]:
        """Key, and what to do on a change; another's change of the draft gives the field a new value."""
        key = f"{name}-{view.id}"
        if st.session_state.get(f"{key}-was") != shown:
            st.session_state[f"{key}-was"] = st.session_state[key] = shown
        return {"key": key, "on_change": _keep_field, "args": (view.id, name, key)}

    cells = st.columns(3)
    percents = {"Discount, %": "discount_percent", "Tax, %": "tax_percent", "Deposit, %": "deposit_percent"}
    for cell, (label, name) in zip(cells, percents.items(), strict=True):
        cell.text_input(label, **field(name, str(getattr(e, name))))
        spots.below(name, cell)
    st.date_input("Valid until", **field("valid_until", date.fromisoformat(e.valid_until)))
    spots.below("valid_until")
    said = e.why or words_why(server.store(), job.id, e)
    st.text_area("Why, in the customer's words", **field("why", said), help="Empty it for the words worked out.")
    spots.below("why")
    st.text_area("Note to the customer", **field("note", e.note))
    spots.below("note")
    error = st.session_state.pop(_TOLD, None)
    if error is not None:
        spots.say((error,))


def _keep_field(view_id: int, name: str, key: str) -> None:
    typed, shown = st.session_state[key], st.session_state.get(f"{key}-was")
    value = str(typed).strip()
    if name.endswith("_percent"):
        value = value.replace(",", ".")
    was = estimate_view(server.store(), view_id)
    other = str(getattr(was.estimate, name))
    if _keep(view_id, **{name: value}) is None:
        st.session_state.pop(f"{key}-was", None)
        return
    _kept(was, name)
    if shown is not None and other not in ("", str(shown), value):  # another window had changed it meanwhile
        st.session_state[_BOTH] = (view_id, name, other, value)
    if name != "why" or value:
        st.session_state[f"{key}-was"] = typed if isinstance(typed, date) else value


def _kept(was: EstimateView, name: str) -> None:
    """A field was changed: that can be taken back, without a word on every field that is left."""

    def now() -> Any:
        return getattr(estimate_view(server.store(), was.id).estimate, name)

    before = getattr(was.estimate, name)
    if before != now():
        back = partial(change_estimate, server.store(), was.id, **{name: before})
        remember_action(was.job_id, f"{_label(name)} changed", back, now, said=False)


def _label(name: str) -> str:
    return name.replace("_percent", ", %").replace("_", " ").capitalize()


def _take(view_id: int, name: str, value: str) -> None:
    """Keep the other window's version of a field after all."""
    st.session_state.pop(_BOTH, None)
    was = estimate_view(server.store(), view_id)
    if _keep(view_id, **{name: value}) is not None:
        _kept(was, name)


def _issue(job: services.JobView, view: EstimateView, paper: str) -> None:
    """Issue it, asked once more with the figure it goes out with."""
    asking = f"issue-{view.id}"
    if not st.session_state.get(asking):
        st.button(
            "Issue it …", type="primary", width="stretch", help="From then on it does not change.",
            on_click=_ask_to_issue, args=(asking, True),
        )  # fmt: skip
        return
    e = view.estimate
    with st.container(border=True):
        total = cash(e, totals(e).total)
        whom = plain(job.details.customer) or "the customer"
        st.markdown(
            f"Issue revision {e.revision} to {whom} for **{total}**, valid until {e.valid_until}? From then on it does "
            "not change."
        )
        left, right = st.columns(2)
        if left.button("Issue this", type="primary", width="stretch"):
            st.session_state.pop(asking)
            try:
                with st.spinner("Setting the paper"):
                    issue_estimate(server.store(), view.id, paper=paper, shown=view.content_hash)
            except InspectError as error:
                st.session_state[_TOLD] = error
            st.rerun()
        right.button("Not yet", width="stretch", on_click=_ask_to_issue, args=(asking, False))


def _ask_to_issue(asking: str, so: bool) -> None:
    st.session_state[asking] = so


def _preview(job: services.JobView, view: EstimateView, paper: str) -> None:
    """The paper as it stands, marked as a draft."""
    st.download_button(
        "Draft as PDF",
        data=lambda: estimate_pdf(server.store(), view.id, paper=paper),
        file_name=f"estimate-{job.number}-{view.estimate.revision}-draft.pdf",
        mime="application/pdf",
        on_click="ignore",
        width="stretch",
    )
    if not st.toggle("Show the paper", value=True, key="show-paper"):
        return
    try:
        pages = _paper(job, view, paper).result()
    except InspectError as error:
        _pages.cache_clear()  # what was wrong may be right when it is asked for again
        show_error(error)
        return
    for k, page in enumerate(pages, 1):
        st.image(page, alt=f"Draft of estimate {view.estimate.revision}, page {k} of {len(pages)}", width="stretch")


def prepare_paper(job: services.JobView, view: EstimateView) -> None:
    """Begin to set a draft's paper, so that it is there when the page comes to it."""
    if st.session_state.get("show-paper", True):
        _paper(job, view, PAPERS[str(st.session_state.get("paper") or "A4")])


def _paper(job: services.JobView, view: EstimateView, paper: str) -> Future[tuple[bytes, ...]]:
    return _pages(server.store(), job.id, view.estimate, paper, length_unit(), job.updated.isoformat())


@lru_cache(maxsize=4)
def _pages(
    store: services.Store, job_id: int, estimate: Estimate, paper: str, unit: str, updated: str
) -> Future[tuple[bytes, ...]]:
    """The draft's pages; set anew when the draft, the paper, the unit or the job changed."""
    return begin(lambda: estimate_pages(store, job_id, estimate, paper=paper))
