"""What was done to an instrument's frets, job by job: shown, added to, taken back; and the limits it is judged by."""

from __future__ import annotations

import re
from functools import partial

import streamlit as st

from inspect_app import services
from inspect_app.decide.crown_height_history import WORK
from inspect_app.decide.limits import Limits
from inspect_app.services.deciding import change_terms, terms, wires
from inspect_app.services.heights import (
    WorkView,
    fret_work,
    job_before,
    record_work,
    restore_work,
    same_instrument,
    take_back_work,
)
from inspect_app.ui import server
from inspect_app.ui.concurrent_edits import changed_note, form_key, opened_with, reopen, settle_edit
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.fold import fold
from inspect_app.ui.lengths import bare_unit, length_field
from inspect_app.ui.limit_fields import changed_limits, limit_numbers, limit_said
from inspect_app.ui.page_frame import errors_shown, length_unit
from inspect_app.ui.undo import remember_action
from inspect_app.ui.words import plain, shown
from shared.errors import OptionError
from shared.trade import HIGHEST_FRET

__all__ = ["instrument_limits", "parse_frets", "work_done"]

_RUN = re.compile(r"^(\d+)(?:\s*(?:-|–|to)\s*(\d+))?$")


def parse_frets(text: str) -> tuple[int, ...]:
    """Fret numbers from ``1-5, 7``; none from nothing, which means all of them.

    Raises
    ------
    OptionError
        If the text is not made of numbers and runs.
    """
    found: set[int] = set()
    for part in filter(None, (p.strip() for p in re.split(r"[,;]", text))):
        run = _RUN.match(part)
        first, last = (int(run[1]), int(run[2] or run[1])) if run else (1, 0)
        if not 0 < first <= last <= HIGHEST_FRET:
            raise OptionError(f"{part!r} is not a fret or a run of frets.", "Write them as in 1-5, 7.")
        found.update(range(first, last + 1))
    return tuple(sorted(found))


def _in_words(work: WorkView) -> str:
    frets = ", ".join(map(str, work.frets)) or "all frets"
    off = f", {shown(work.off, length_unit())} off" if work.off else ""
    return f"{work.kind.capitalize()}: {frets}{off}{f', {work.wire}' if work.wire else ''}"


def work_done(job: services.JobView, visit: str) -> None:
    """The fret history, and a form for what was done before this visit."""
    fold("What was done to the frets", f"work-of-{job.id}", partial(_work, job, visit))


def _work(job: services.JobView, visit: str) -> None:
    for work in fret_work(server.store(), job.id):
        left, right = st.columns([5, 1], vertical_alignment="center")
        left.markdown(f"{plain(_in_words(work))} ({plain(work.visit)}){f': {plain(work.note)}' if work.note else ''}")
        if work.job_id == job.id and right.button("Take back", key=f"work-{work.id}"):
            take_back_work(server.store(), work.id)
            said = f"Taken back: {_in_words(work)}"
            remember_action(job.id, said, partial(restore_work, server.store(), work.id))
            st.rerun()
    _work_form(job, visit)
    _link_form(job)


def _work_form(job: services.JobView, visit: str) -> None:
    stock, spots, turn_ = wires(server.store()), FieldErrors(), st.session_state.get("work-turn", 0)
    with st.form(f"work-done-{turn_}", border=False):
        st.caption(f"Done before the visit “{plain(visit)}”. It stays with the instrument, from job to job.")
        left, right = st.columns(2)
        kind = str(left.selectbox("Work", WORK, format_func=str.capitalize))
        frets = right.text_input("Frets", placeholder="all, or such as 1-5, 7")
        spots.below("frets", right)
        off = length_field(left, "Came off the tops", None, bare_unit(length_unit(), True), hint="empty if not known")
        spots.below("off", left)
        labels = ["not said", *(w.stock.label for w in stock)]
        wire = right.selectbox("Wire of new frets", range(len(labels)), format_func=lambda i: labels[i])
        note = st.text_input("Note on the work")
        if st.form_submit_button("Write it down"):
            chosen = stock[wire - 1].id if wire else None
            with spots.saying("frets"):
                of_frets = parse_frets(frets)
                with spots.saying("off"):
                    made = record_work(server.store(), job.id, visit, kind, of_frets, off.mm(), chosen, note)
                    said = f"Written down: {_in_words(made)}"
                    remember_action(job.id, said, partial(take_back_work, server.store(), made.id))
                    st.session_state["work-turn"] = turn_ + 1
                    st.rerun()


def _link_form(job: services.JobView) -> None:
    """The earlier job of the same instrument."""
    spots = FieldErrors()
    with st.form("same-instrument", border=False):
        number = st.number_input(
            "This instrument was here before as job no.", 0, None, 0, 1,
            help="Its heights, its fret history and its limits go on from there. 0 takes it back.",
        )  # fmt: skip
        spots.below("number")
        if st.form_submit_button("Go on from that job"):
            with spots.saying("number"):
                was = job_before(server.store(), job.id)
                same_instrument(server.store(), job.id, _id_of(int(number)) if number else None)
                said = f"It goes on from job no. {number}" if number else "It goes on from no earlier job"
                back = partial(same_instrument, server.store(), job.id, was)
                remember_action(job.id, said, back, partial(job_before, server.store(), job.id))
                st.rerun()


def _id_of(number: int) -> int:
    found = [j for j in services.find_jobs(server.store(), f"#{number}").rows if j.number == number]
    if not found:
        raise OptionError(f"There is no job no. {number}.", "Look it up in the list of jobs.")
    return found[0].id


def instrument_limits(job: services.JobView) -> None:
    """The limits of this instrument alone: other than the shop's where its owner or its build asks for it."""
    fold("Limits of this instrument", f"limits-of-{job.id}", partial(_limits, job))


def _limits(job: services.JobView) -> None:
    known, key, typed = terms(server.store(), job.id).limits, f"limits-{job.id}", None
    now = {e.key: float(e.value) for e in known.entries}
    changed_note(key, now)
    was = opened_with(key, now)
    with st.form(form_key(key), border=False):
        values = limit_numbers(known.entries, was, form_key(key))
        if st.form_submit_button("Keep for this instrument"):
            typed = values
    labels = {e.key: e.text for e in known.entries}
    with errors_shown():
        keep = settle_edit(key, typed, now, labels, partial(limit_said, known))
        if keep is not None:
            changed = changed_limits(known, keep, "set for this instrument")
            change_terms(server.store(), job.id, limits=changed)
            reopen(key)
            _limits_changed(job.id, known)
            st.rerun()


def _limits_changed(job_id: int, was: Limits) -> None:
    def back() -> None:
        change_terms(server.store(), job_id, limits=was)
        reopen(f"limits-{job_id}")

    remember_action(job_id, "Limits of this instrument kept", back, lambda: terms(server.store(), job_id).limits)
