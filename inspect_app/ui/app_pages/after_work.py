"""After the work: the same views again, held against what was agreed, before beside after."""

from __future__ import annotations

import streamlit as st

from inspect_app import services
from inspect_app.decide.limits import Verdict
from inspect_app.services.deciding import fret_heights, write_fret_heights
from inspect_app.services.papers import AFTER, handover_paper, proof_of
from inspect_app.ui import server
from inspect_app.ui.bench import head, length_unit, say, saying, step_link, the_job
from inspect_app.ui.comparing import before_and_after
from inspect_app.ui.forms import parse_heights
from inspect_app.ui.fret_history import work_done
from inspect_app.ui.meanwhile import changed_note, opened, reopened, settled, turn
from inspect_app.ui.words import in_unit, plain, shown
from shared.errors import InspectError

SIGNS = {Verdict.WITHIN: "✓ within", Verdict.BEYOND: "✕ beyond", Verdict.CANNOT_TELL: "? cannot tell"}


def checks(job: services.JobView) -> None:
    """Everything agreed, with its verdict."""
    found = proof_of(server.store(), job.id)
    unit = length_unit()
    count = {v: sum(1 for c in found if c.verdict == v) for v in Verdict}
    st.markdown(" · ".join(f"**{n}** {v}" for v, n in count.items() if n))
    st.table(
        [
            {
                "Check": plain(c.what),
                "Agreed": plain(in_unit(c.target, unit)),
                "Measured": plain(shown(c.measured, unit) if c.measured else in_unit(c.reason, unit)),
                "Verdict": SIGNS[c.verdict],
            }
            for c in found
        ],
        border="horizontal",
    )


def heights(job: services.JobView) -> None:
    """Crown heights read at the bench: no photo of a fret in its slot shows them."""
    known, key, typed = fret_heights(server.store(), job.id, AFTER), f"heights-{job.id}", None
    now = {str(n): q.value for n, q in known.items()}
    with st.expander("Crown heights read with a calliper", expanded=not known):
        changed_note(key, now)
        was = opened(key, now)
        with st.form(turn(key), border=False):
            text = st.text_input(
                "Fret and height in mm, one after another",
                ", ".join(f"{n}: {mm:g}" for n, mm in was.items()),
                placeholder="1: 0.95, 12: 0.93",
                help="From the board to the crown's top, beside the fret's middle. Each counts with ± 0.06 mm.",
            )
            sent = st.form_submit_button("Keep these heights")
        with saying():
            if sent:
                written = {str(n): mm for n, mm in parse_heights(text).items()}
                typed = dict.fromkeys((*was, *now)) | written
            labels = {n: f"Fret {n}" for n in (*was, *now, *(typed or {}))}
            full = dict.fromkeys(labels) | now
            keep = settled(key, typed, full, labels, lambda _, mm: f"{mm:g} mm" if mm else "nothing")
            if keep is not None:
                write_fret_heights(server.store(), job.id, {int(n): mm for n, mm in keep.items()}, AFTER)
                reopened(key)
                st.rerun()


job = the_job()
head(job, "after_work.py")
st.title("After work")
if not any(v.label == AFTER for v in job.visits):
    st.info("No photos were taken after the work yet. Add them as visit “after”: the same views as at intake.")
    step_link("photos.py", "**Add photos ›**", job.id, visit=AFTER)
    st.stop()
try:
    checks(job)
    before_and_after(job)
    heights(job)
    work_done(job, AFTER)
    st.download_button(
        "Handover (PDF)",
        data=lambda: handover_paper(server.store(), job.id).data,
        file_name=f"handover-{job.number}.pdf",
        mime="application/pdf",
        on_click="ignore",
    )
except InspectError as error:
    say(error)
