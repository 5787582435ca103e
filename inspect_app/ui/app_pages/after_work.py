"""After the work: the same views again, held against what was agreed, before beside after."""

from __future__ import annotations

from typing import Any

import streamlit as st

from inspect_app import services
from inspect_app.decide.limits import Verdict
from inspect_app.services.deciding import fret_heights, write_fret_heights
from inspect_app.services.on_paper import NumberFormat
from inspect_app.services.papers import AFTER, handover_paper, proof_of
from inspect_app.ui import server
from inspect_app.ui.before_after import before_and_after
from inspect_app.ui.concurrent_edits import changed_note, form_key, opened_with, reopen, settle_edit
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.fret_history import work_done
from inspect_app.ui.lengths import Bare, bare_unit, parse_heights, written
from inspect_app.ui.page_frame import current_job, length_unit, page_head, show_error, step_link
from inspect_app.ui.undo import remember_action
from inspect_app.ui.words import in_unit, plain
from shared.errors import InspectError
from shared.units import show_plain

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
                "Measured": plain(NumberFormat(unit).found(c.measured, c.reason)),
                "Verdict": SIGNS[c.verdict],
            }
            for c in found
        ],
        border="horizontal",
    )


def heights(job: services.JobView) -> None:
    """Crown heights read at the bench: no photo of a fret in its slot shows them."""
    known, key, typed = fret_heights(server.store(), job.id, AFTER), f"heights-{job.id}", None
    unit, spots = length_unit(), FieldErrors()
    bare = bare_unit(unit, True)
    now = {str(n): q.value for n, q in known.items()}
    with st.expander("Crown heights read with a calliper", expanded=not known):
        changed_note(key, now)
        was = opened_with(key, now)
        with st.form(form_key(key), border=False):
            sent = _heights_typed(was, bare, spots)
        with spots.saying("heights"):
            if sent is not None:
                read = parse_heights(sent, bare)
                typed = dict.fromkeys((*was, *now)) | {
                    str(n): _as_it_was(mm, was.get(str(n)), bare) for n, mm in read.items()
                }
            labels = {n: f"Fret {n}" for n in (*was, *now, *(typed or {}))}
            full = dict.fromkeys(labels) | now
            keep = settle_edit(key, typed, full, labels, lambda _, mm: show_plain(mm, "mm", unit) if mm else "nothing")
            if keep is not None:
                write_fret_heights(server.store(), job.id, {int(n): mm for n, mm in keep.items()}, AFTER)
                reopen(key)
                kept_heights(job.id, {int(n): now.get(n) for n in keep})
                st.rerun()


def kept_heights(job_id: int, was: dict[int, float | None]) -> None:
    """Heights were written down: that can be taken back."""

    def back() -> None:
        write_fret_heights(server.store(), job_id, was, AFTER)
        reopen(f"heights-{job_id}")

    remember_action(job_id, "Heights kept", back, lambda: fret_heights(server.store(), job_id, AFTER))


def _heights_typed(was: dict[str, Any], bare: Bare, spots: FieldErrors) -> str | None:
    """The field of all heights; its text when the form is sent."""
    such = "1: 0.95, 12: 0.93" if bare == "mm" else "1: 37.5, 12: 36.5"
    text = st.text_input(
        f"Fret and height in {bare}, one after another",
        ", ".join(f"{n}: {_number(mm, bare)}" for n, mm in was.items()),
        key=f"heights-{bare}-{hash(tuple(was.items()))}",
        placeholder=such,
        help=in_unit(
            "From the board to the crown's top, beside the fret's middle. Each counts with ± 0.06 mm.", length_unit()
        ),
    )
    spots.below("heights")
    return text if st.form_submit_button("Keep these heights") else None


def _number(mm: float, bare: Bare) -> str:
    return written(mm, bare).removesuffix(f" {bare}")


def _as_it_was(mm: float, was: float | None, bare: Bare) -> float:
    """A height read back from the text it was written as is that height, not its rounding."""
    return was if was is not None and _number(mm, bare) == _number(was, bare) else mm


job = current_job()
page_head(job, "after_work.py")
st.title("After work")
if not any(v.label == AFTER for v in job.visits):
    st.info("No photos were taken after the work yet. Add them as visit “after”: the same views as at intake.")
    step_link("photos.py", "Add photos", job.id, visit=AFTER)
    st.stop()
try:
    checked = st.container()
    heights(job)  # first: when they are kept the page begins anew
    with checked:
        checks(job)
    work_done(job, AFTER)
    st.download_button(
        "Handover (PDF)",
        data=lambda: handover_paper(server.store(), job.id).data,
        file_name=f"handover-{job.number}.pdf",
        mime="application/pdf",
        on_click="ignore",
    )
    before_and_after(job)
except InspectError as error:
    show_error(error)
