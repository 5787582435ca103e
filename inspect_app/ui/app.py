"""The pages' entry: one look, one icon, one list of pages."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from inspect_app.ui import server
from inspect_app.ui.look import KEYS, PAGE_CSS
from inspect_app.ui.page_frame import JOBS_PAGE, SHOP_PAGE, STEPS, look_up_unit, page, show_error
from shared.errors import InspectError

ICON = Path(__file__).parent / "static" / "icon.png"

# Before the pages are named: a page's own icon would be fetched from another host.
st.set_page_config(page_title="Fret wear record", page_icon=str(ICON), layout="wide")
st.html(PAGE_CSS)
with st.container(key="keys"):
    st.html(KEYS, unsafe_allow_javascript=True)
_pages = [
    st.Page(page(JOBS_PAGE), title="Jobs", default=True),
    *(st.Page(page(s.file), title=s.name) for s in STEPS),
    st.Page(page(SHOP_PAGE), title="Shop"),
]
_chosen = st.navigation(_pages, position="hidden")
try:
    server.store()
    look_up_unit()
except InspectError as error:
    show_error(error)
    st.stop()
_chosen.run()
