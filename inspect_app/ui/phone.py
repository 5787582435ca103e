"""Sending photos in from a phone: the address of a job's photo page on the bench's network, as a code to scan."""

from __future__ import annotations

from urllib.parse import urlencode

import segno
import streamlit as st

from inspect_app import services
from inspect_app.ui import server
from inspect_app.ui.words import label_of

__all__ = ["RENEWED_S", "phone_corner", "photo_drop_path"]

RENEWED_S = 600
"""Seconds until an open page shows a new code: sooner than the one before has run out (`gate.SCAN_S`)."""


def photo_drop_path(job_id: int, visit: str = "") -> str:
    """Where a job's photo page is, set to that visit."""
    return f"/photos?{urlencode({'job': job_id} | ({'visit': visit} if visit else {}))}"


def phone_corner(job: services.JobView, visit: str = "") -> None:
    """The code to scan for photos of that visit, or how to get one."""
    st.header("From a phone")
    if server.settings().lan:
        _code(photo_drop_path(job.id, visit), visit)
        return
    st.caption(
        "These pages answer this computer alone. To send photos straight from a phone, start the program with "
        "`--lan --passcode …`, and the code to scan appears here."
    )


@st.fragment(run_every=RENEWED_S)
def _code(path: str, visit: str) -> None:
    """The code, made anew before it runs out."""
    host = f"http://{server.lan_address()}:{server.settings().port}"
    code = segno.make(host + server.passes().to_scan(path), error="m")
    st.image(
        code.svg_inline(scale=6, border=4, dark="#000", light="#fff"), width=260,
        alt=f"Code to scan: {host}{path}, without the passcode",
    )  # fmt: skip
    of = f" for visit {label_of(visit)}" if visit else ""
    st.caption(
        f"Three taps{of}: the link that the phone's camera shows for this code, Upload, and the photo. The phone has "
        "to be on the bench's own network; it is let in without the passcode."
    )
    st.caption(f"Typed instead of scanned, it asks for the passcode: {host}{path}")
    st.caption("Without encryption others on the network could read what is sent: use a network you trust.")
