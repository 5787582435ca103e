"""The queue of measuring on the page: how far it is, stop, go on, try again; it runs on when the page is left."""

from __future__ import annotations

import streamlit as st

from inspect_app import services
from inspect_app.reading.ask import Ask
from inspect_app.services import PhotoView, QueuedPhoto, QueueState
from inspect_app.ui import server
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.words import in_unit, plain

__all__ = ["in_queue", "measure_all", "queue_bar", "with_queue"]

Queue = tuple[QueuedPhoto, ...]

LOOK_S = 0.5
"""Between two looks at the queue: a photo takes one to some seconds."""


def measure_all(asks: list[tuple[PhotoView, Ask]]) -> None:
    """Put these photos into the queue and show it."""
    for job_id in {photo.job_id for photo, _ in asks}:
        asked = [(photo.id, photo.name, ask) for photo, ask in asks if photo.job_id == job_id]
        services.forget(server.store(), job_id)
        services.put_in_queue(server.store(), job_id, asked)
    st.rerun()


def with_queue(job: services.JobView) -> tuple[services.JobView, Queue]:
    """The job's queue, and the job as it stands since: what the queue says is measured is so in the job."""
    every = services.queue_of(server.store(), job.id)
    return (services.job_view(server.store(), job.id) if every else job), every


def in_queue(every: Queue) -> set[int]:
    """Photos that are ahead in the queue or were stopped in it: they are not asked again meanwhile."""
    return {q.photo_id for q in every if q.ahead or q.turn is QueueState.STOPPED}


def queue_bar(job_id: int, every: Queue) -> None:
    """The job's queue while there is anything to say of it."""
    if any(q.ahead for q in every):
        _running(job_id)
    elif any(q.turn in (QueueState.STOPPED, QueueState.FAILED) for q in every):
        _at_rest(job_id, every)
    elif every:
        services.forget(server.store(), job_id)


@st.fragment(run_every=LOOK_S)
def _running(job_id: int) -> None:
    """How far it is; the whole page runs again when a photo is done."""
    every = services.queue_of(server.store(), job_id)
    done = sum(1 for q in every if not q.ahead)
    names = " and ".join(plain(q.name) for q in every if q.turn is QueueState.MEASURING)
    now = f"Measuring {names}" if names else "Waiting"
    with st.container(border=True, key="queue"):
        st.progress(done / max(1, len(every)), f"{now}: {done} of {len(every)} done")
        st.button("Stop after these", key="stop-measuring", on_click=services.stop_queue,
                  args=(server.store(), job_id))  # fmt: skip
        st.caption("It goes on when you leave this page.")
    seen = st.session_state.get("queue-seen")
    st.session_state["queue-seen"] = done
    if not any(q.ahead for q in every) or (seen is not None and done > seen):
        st.rerun()


def _at_rest(job_id: int, every: Queue) -> None:
    """What was stopped, and what could not be measured."""
    st.session_state.pop("queue-seen", None)
    stopped = [q for q in every if q.turn is QueueState.STOPPED]
    failed = [q for q in every if q.turn is QueueState.FAILED]
    with st.container(border=True, key="queue"):
        if stopped:
            st.markdown(f"**Stopped.** {len(stopped)} photo{'s' if len(stopped) > 1 else ''} not measured yet.")
        for q in failed:
            wrong, advice = (plain(in_unit(text, length_unit())) for text in (q.wrong, q.advice))
            st.error(f"{plain(q.name)}: {wrong} **{advice}**")
        with st.container(horizontal=True):
            again = "Go on" if stopped and not failed else "Try again" if failed and not stopped else "Go on, try again"
            st.button(again, type="primary", key="go-on", on_click=services.go_on, args=(server.store(), job_id))
            st.button("Ask again", key="forget", on_click=services.forget, args=(server.store(), job_id),
                      help="Leave it; each photo then waits below with what is asked of it.")  # fmt: skip
