"""One job: where it stands, the next thing to do, what is known of the instrument."""

from __future__ import annotations

import streamlit as st

from inspect_app import services
from inspect_app.ui import server
from inspect_app.ui.bench import head, length_unit, say, step_link, the_job
from inspect_app.ui.forms import job_form
from inspect_app.ui.phone import phone_corner
from inspect_app.ui.words import plain
from shared.errors import InspectError
from shared.units import show_plain

NEXT = {
    services.Stage.EMPTY: ("photos.py", "Add photos"),
    services.Stage.UNMEASURED: ("photos.py", "Measure them"),
    services.Stage.RETAKE: ("photos.py", "See what each lacks"),
    services.Stage.REVIEW: ("readings.py", "Review readings"),
    services.Stage.MEASURED: ("wear_map.py", "Open the wear map"),
}


def standing(job: services.JobView) -> None:
    """Where the job stands and the one next thing to do."""
    file, label = NEXT[job.stage]
    with st.container(key="standing", border=True):
        st.markdown(f"#### {job.stage.value.capitalize()}")
        st.markdown(job.stage.next_step)
        step_link(file, f"**{label} ›**", job.id)


def length(mm: float | None) -> str:
    """A length as it was written down, in the shop's unit; nothing where none was."""
    return show_plain(mm, "mm", length_unit(), digits=5) if mm else ""


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


def known(job: services.JobView) -> None:
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
        "Crown when new": f"{length(i.crown_width) or '?'} x {length(i.crown_height) or '?'}"
        if i.crown_width or i.crown_height
        else "",
    }
    st.table({plain(k): plain(v) or "–" for k, v in lines.items()}, border="horizontal")
    if i.scale_length is None:
        st.info("The scale length is not written down: with it, every photo's spacing is checked. Add it below.")


def visits(job: services.JobView) -> None:
    """Photos by visit."""
    for visit in job.visits:
        here = [p for p in job.photos if p.visit.id == visit.id]
        measured = sum(1 for p in here if p.inspection and p.inspection.answer.frets)
        text = f"{len(here)} photos, {measured} with readings" if here else "no photos yet"
        st.markdown(f"**{plain(visit.label.capitalize())}**, {visit.date:%Y-%m-%d}: {text}")


def change(job: services.JobView) -> None:
    """The form with what is known, to correct it."""
    with st.expander("Change what is written down"):
        sent = job_form(f"job-{job.id}-{job.revision}", job.details, "Keep these details")
        if sent is not None:
            try:
                services.update_job(server.store(), job.id, sent, job.revision)
            except InspectError as error:
                say(error)
                return
            st.rerun()


job = the_job()
head(job, "job.py")
st.title(job.details.instrument.name or job.details.instrument.kind or "Instrument")
left, right = st.columns([3, 2], gap="large")
with left:
    standing(job)
    known(job)
    change(job)
with right:
    st.subheader("Visits")
    visits(job)
    phone_corner(job)
