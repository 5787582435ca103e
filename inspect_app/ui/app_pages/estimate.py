"""The estimate: saved as it is typed, its paper beside it, issued once and then unchanged, answered by the customer."""

from __future__ import annotations

import streamlit as st

from inspect_app import services
from inspect_app.services.estimating import estimates
from inspect_app.services.exporting import export_bytes
from inspect_app.ui import server
from inspect_app.ui.estimate_draft import edit_draft, make_draft, show_failed_change
from inspect_app.ui.issued_estimates import show_issued, show_lines
from inspect_app.ui.page_frame import current_job, errors_shown, not_decided, page_head, step_link


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


job = current_job()
page_head(job, "estimate.py")
st.title("Estimate")
not_decided(job)
views = estimates(server.store(), job.id)
if not views:
    st.info("There is no estimate yet. Choose an option first, then draft it.")
    step_link("options.py", "Open the options", job.id)
drafted = bool(views) and views[0].status == "draft"
show_failed_change(drafted)
if drafted:
    edit_draft(job, views[0])
elif views:
    show_lines(views[0])
    if st.button("Draft the next revision"):
        with errors_shown():
            make_draft(job.id)
            st.rerun()
for issued in (v for v in views if v.status != "draft"):
    show_issued(job, issued)
if job.photos:
    send(job)
