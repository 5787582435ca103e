"""All jobs: find one, or start one."""

from __future__ import annotations

import uuid

import streamlit as st

from inspect_app import services
from inspect_app.ui import server
from inspect_app.ui.forms import new_job_form
from inspect_app.ui.page_frame import SHOP_PAGE, TURN, page, show_error
from inspect_app.ui.words import plain
from shared.errors import InspectError

SHOWN = 25
"""Jobs on one page: about two screens of a laptop."""


SHOW = {
    "all": ("All but the archive", False, ""),
    "bench": ("Waits for the bench", False, "bench"),
    "customer": ("Waits for the customer", False, "customer"),
    "archive": ("Archive", True, ""),
}
"""What the list can show: its name, whether archived, whose turn it is."""
ORDERS = {"changed": "Last changed first", "promised": "Promised soonest first", "number": "Newest number first"}


def new_job() -> None:
    """The form of a new job; made once however often it is sent."""
    token = st.session_state.setdefault("new-job-token", uuid.uuid4().hex)
    sent = new_job_form(f"new-{token}")
    if sent is None:
        return
    try:
        job_id = services.create_job(server.store(), sent, token)
    except InspectError as error:
        show_error(error)
        return
    del st.session_state["new-job-token"]
    st.switch_page(page("job.py"), query_params={"job": str(job_id)})


def row(job: services.JobRow) -> None:
    """One job of the list."""
    with st.container(border=True, horizontal=True, vertical_alignment="center", gap="medium"):
        with st.container(gap=None, width="stretch"):
            label = f"**{job.number} · {plain(job.customer)}** · {plain(job.instrument) or 'instrument not named'}"
            st.page_link(page("job.py"), label=label, query_params={"job": str(job.id)})
            promised = f" · promised {job.promised:%Y-%m-%d}" if job.promised else ""
            photos = f"{job.photos} photo{'' if job.photos == 1 else 's'}"
            away = " · archived" if job.archived else ""
            st.caption(f"{job.stage.value.capitalize()}{away} · {photos}{promised} · changed {job.updated:%Y-%m-%d}")
        st.markdown(f"{TURN.get(job.stage.waits_for, '')}{job.stage.next_step}")


def page_turner(by: int) -> None:
    """Another page of the list."""
    st.session_state["jobs-from"] = max(0, st.session_state.get("jobs-from", 0) + by)


def first_page() -> None:
    """Back to the start of the list: the search changed."""
    st.session_state["jobs-from"] = 0


with st.container(horizontal=True, vertical_alignment="bottom", horizontal_alignment="distribute"):
    st.title("Jobs", width="content")
    st.page_link(page(SHOP_PAGE), label="The shop: papers, limits, prices, wire, scales ›")
query = st.text_input(
    "Search",
    key="jobs-query",
    on_change=first_page,
    bind="query-params",
    placeholder="Customer, instrument, #number, or a date such as 2026-11",
)
with st.container(horizontal=True):
    show = st.segmented_control(
        "Show", list(SHOW), default="all", required=True, key="jobs-show", on_change=first_page, wrap=True,
        format_func=lambda s: SHOW[s][0], bind="query-params",
    )  # fmt: skip
    order = st.selectbox(
        "Sorted by", list(ORDERS), key="jobs-order", format_func=ORDERS.__getitem__, width=260, bind="query-params"
    )
start = st.session_state.get("jobs-from", 0)
_, archived, waits_for = SHOW[str(show)]
found = services.find_jobs(server.store(), query, SHOWN, start, archived, waits_for, str(order))
with st.expander("New job", expanded=found.total == 0 and not query and show == "all", icon=None):
    new_job()
if found.total == 0:
    text = "No job matches. Try fewer words, or a part of the name." if query else "No jobs yet: start the first above."
    text = text if query or show == "all" else f"No jobs here: {SHOW[str(show)][0].lower()}."
    st.info(text)
for each in found.rows:
    row(each)
if found.total > SHOWN:
    with st.container(horizontal=True, vertical_alignment="center"):
        st.button("Newer", on_click=page_turner, args=(-SHOWN,), disabled=start == 0)
        st.button("Older", on_click=page_turner, args=(SHOWN,), disabled=start + SHOWN >= found.total)
        st.caption(f"{start + 1} to {start + len(found.rows)} of {found.total}")
