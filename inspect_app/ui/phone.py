"""Sending photos in from a phone: the address of a job's photo page on the bench's network, as a code to scan."""

from __future__ import annotations

import segno
import streamlit as st

from inspect_app import services
from inspect_app.ui import server

__all__ = ["phone_corner", "photo_drop_url"]


def photo_drop_url(job_id: int) -> str:
    """Where a phone on the bench's network finds a job's photo page."""
    return f"http://{server.lan_address()}:{server.settings().port}/photos?job={job_id}"


def phone_corner(job: services.JobView) -> None:
    """The code to scan, or how to get one."""
    st.header("From a phone")
    if not server.settings().lan:
        st.caption(
            "These pages answer this computer alone. To send photos straight from a phone, start the program with "
            "`--lan --passcode …`, and the code to scan appears here."
        )
        return
    url = photo_drop_url(job.id)
    code = segno.make(url, error="m")
    st.image(code.svg_inline(scale=6, border=4, dark="#000", light="#fff"), width=220, alt=f"Code to scan: {url}")
    st.caption(f"Scan with the phone's camera on the bench's own network, then type the passcode. {url}")
    st.caption("Without encryption others on the network could read the passcode: use a network you trust.")
