"""A fold whose inside is drawn when it is opened, by itself: shut, a form of thirty fields costs a page nothing."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

__all__ = ["fold"]


@st.fragment
def fold(label: str, key: str, draw: Callable[[], None]) -> None:
    """Show a fold, shut to begin with; `draw` fills it while it is open."""
    shut = st.expander(label, on_change="rerun", key=key)
    if shut.open:
        with shut:
            draw()
