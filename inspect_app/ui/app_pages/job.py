"""One job: where it stands, the next thing to do, what is known of the instrument."""

from __future__ import annotations

from functools import partial
from typing import Any

import streamlit as st

from inspect_app import services
from inspect_app.ui import server
from inspect_app.ui.concurrent_edits import changed_note, form_key, opened_with, reopen, settle_edit
from inspect_app.ui.fold import fold
from inspect_app.ui.forms import details_of, fields_of, job_form, label_of_field
from inspect_app.ui.page_frame import (
    SIGN_DONE,
    SIGN_OPEN,
    STEPS,
    TURN,
    current_job,
    length_unit,
    page_head,
    show_error,
    step_link,
)
from inspect_app.ui.phone import phone_corner
from inspect_app.ui.undo import remember_action
from inspect_app.ui.words import plain
from shared.errors import InspectError
from shared.units import show_plain

NEXT = {
    services.Stage.EMPTY: ("photos.py", "Add photos"),
    services.Stage.UNMEASURED: ("photos.py", "Measure them"),
    services.Stage.RETAKE: ("photos.py", "See what each lacks"),
    services.Stage.REVIEW: ("readings.py", "Review readings"),
    services.Stage.MEASURED: ("wear_map.py", "Open the wear map"),
    services.Stage.SENT: ("estimate.py", "Write down the answer"),
    services.Stage.ACCEPTED: ("after_work.py", "Go to the work"),
    services.Stage.IN_WORK: ("after_work.py", "Hold it against what was agreed"),
    services.Stage.HANDED_OVER: ("after_work.py", "Look at the handover"),
    services.Stage.CLOSED: ("after_work.py", "Look at the handover"),
}

WORKED_OUT = "As worked out from what is done"


def stage_and_next_step(job: services.JobView) -> None:
    """Where the job stands, the one next thing to do, and the person's own word on it."""
    file, label = NEXT[job.stage]
    with st.container(key="standing", border=True):
        st.markdown(f"## {job.stage.value.capitalize()}")
        st.markdown(f"{TURN.get(job.stage.waits_for, '')}{job.stage.next_step}")
        step_link(file, f"**{label}**", job.id)
        offered = [WORKED_OUT, *services.BY_HAND]
        key = f"stands-{job.id}"
        st.session_state[key] = job.chosen_stage.stage or WORKED_OUT
        st.selectbox(
            "It stands at",
            offered,
            format_func=lambda s: s.value.capitalize() if isinstance(s, services.Stage) else s,
            key=key,
            on_change=_stage_chosen,
            args=(job, key),
        )
        away = job.chosen_stage.archived
        if st.button("Take it out of the archive" if away else "Archive this job", key="archive"):
            said = "Back in the list of jobs" if away else "Archived: the list shows it on wish"
            keep_stage(job, services.ChosenStage(job.chosen_stage.stage, not away), said)
            st.rerun()


def _stage_chosen(job: services.JobView, key: str) -> None:
    """Keep where the person says the job stands."""
    stage = None if st.session_state[key] == WORKED_OUT else st.session_state[key]
    said = f"It stands at: {stage.value if stage else 'as worked out from what is done'}"
    keep_stage(job, services.ChosenStage(stage, job.chosen_stage.archived), said)


def keep_stage(job: services.JobView, chosen: services.ChosenStage, said: str) -> None:
    """Keep it, to be taken back."""
    services.choose_stage(server.store(), job.id, chosen)
    remember_action(
        job.id,
        said,
        partial(services.choose_stage, server.store(), job.id, job.chosen_stage),
        lambda: services.job_view(server.store(), job.id).chosen_stage,
    )


def length(mm: float | None) -> str:
    """A length as it was written down, in the shop's unit; nothing where none was."""
    return show_plain(mm, "mm", length_unit(), digits=5) if mm else ""


def size(mm: float | None) -> str:
    """A size of wire, as exactly as it is sold by."""
    return show_plain(mm, "mm", length_unit()) if mm else "?"


def build(i: services.InstrumentDetails) -> dict[str, bool]:
    """How the board is built, in a word each."""
    return {
        "bound": i.binding,
        "nibs": i.nibs,
        "zero fret": i.zero_fret,
        "lacquered": i.lacquered,
        "multi-scale": i.multi_scale,
        f"courses of {i.courses}": (i.courses or 1) > 1,
    }


def detail_lines(job: services.JobView) -> None:
    """What is written down, as short lines."""
    d, i = job.details, job.details.instrument
    radius = " to ".join(length(r) for r in (i.radius_nut, i.radius_last) if r)
    lines = {
        "Asked for": d.asked_for,
        "Promised": f"{d.promised:%Y-%m-%d}" if d.promised else "",
        "Reached at": d.contact,
        "Kind": i.kind,
        "Scale length": length(i.scale_length),
        "Frets, strings": f"{i.frets or '?'}, {i.strings or '?'}" if i.frets or i.strings else "",
        "Board": ", ".join(filter(None, (i.board_wood, *(word for word, so in build(i).items() if so)))),
        "Board radius": radius,
        "Present wire": i.present_wire,
        "Crown when new": f"{size(i.crown_width)} × {size(i.crown_height)}" if i.crown_width or i.crown_height else "",
    }
    st.table({plain(k): plain(v) or "–" for k, v in lines.items()}, border="horizontal")
    if i.scale_length is None:
        st.info("The scale length is not written down: with it, every photo's spacing is checked. Add it below.")


def parts(job: services.JobView) -> None:
    """What is done and what is open, part by part, with the signs that stand behind the names above."""
    far, lines = services.progress(server.store(), job), []
    for step in STEPS:
        at = far[step.part]
        lines.append(f"{SIGN_DONE if at.done else SIGN_OPEN if at.open else '–'} **{step.name}**: {plain(at.words)}")
    st.markdown("  \n".join(lines))
    st.caption(f"{SIGN_DONE} done · {SIGN_OPEN} or a number: open · –: nothing to do yet, or only where it is wanted")


def visits(job: services.JobView) -> None:
    """Photos by visit."""
    for visit in job.visits:
        here = [p for p in job.photos if p.visit.id == visit.id]
        measured = sum(1 for p in here if p.inspection and p.inspection.answer.frets)
        text = f"{len(here)} photo{'s' * (len(here) != 1)}, {measured} with readings" if here else "no photos yet"
        st.markdown(f"**{plain(visit.label.capitalize())}**, {visit.date:%Y-%m-%d}: {text}")


def field_text(name: str, value: Any) -> str:
    """A field's value as it is written down."""
    if value is None or value == "":
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return length(value) if isinstance(value, float) else str(value)


def change(job: services.JobView) -> None:
    """The form with what is known, to correct it; two windows may do so at once."""
    fold("Change what is written down", f"details-of-{job.id}", partial(details, job))


def details(job: services.JobView) -> None:
    """Its fields, by what is written down now: another window may have changed it since the page was drawn."""
    job = services.job_view(server.store(), job.id)
    key, now = f"job-{job.id}", fields_of(job.details)
    changed_note(key, now)
    sent = job_form(form_key(key), details_of(opened_with(key, now)), "Keep these details")
    labels = {n: label_of_field(n) for n in now}
    kept = settle_edit(key, fields_of(sent) if sent else None, now, labels, field_text)
    if kept is None:
        return
    try:
        services.update_job(server.store(), job.id, details_of(kept), job.revision)
    except InspectError as error:
        show_error(error)
        return
    reopen(key)
    kept_details(job)
    st.rerun()


def kept_details(was: services.JobView) -> None:
    """What is written down was changed: it can be taken back."""

    def back() -> None:
        services.update_job(server.store(), was.id, was.details)
        reopen(f"job-{was.id}")

    remember_action(was.id, "Details changed", back, lambda: services.job_view(server.store(), was.id).details)


job = current_job()
page_head(job, "job.py")
st.title(plain(job.details.instrument.name or job.details.instrument.kind) or "Instrument")
left, right = st.columns([3, 2], gap="large")
with left:
    stage_and_next_step(job)
    detail_lines(job)
    change(job)
with right:
    st.header("Done and open")
    parts(job)
    st.header("Visits")
    visits(job)
    phone_corner(job)
