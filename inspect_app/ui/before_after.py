"""Before and after in one viewer: two photos of one place, a line between them that moves, opened on the worst spot."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from inspect_app import services
from inspect_app.reading.closeups import box_of
from inspect_app.services.before_after import SamePlace, same_places
from inspect_app.ui import server
from inspect_app.ui.scenes import photo_of
from inspect_app.ui.viewer import OverlaidPhoto, Scene, Shape, show
from inspect_app.ui.words import plain

__all__ = ["before_and_after", "laid_scene"]

NAMES = ("Before", "After")
HOW = (
    "Drag the line, or reach it with Tab and use the arrow keys. Zoom and place are the same for both. The handover "
    "shows the same pieces."
)


def laid_scene(place: SamePlace) -> Scene:
    """The photo before the work, the one after it laid on it, looking at the worst spot."""
    window = place.window
    focus = box_of(window, place.laid.size) if window else None
    outline = window.outline if window else None
    alt = (
        f"{place.caption}, before and after the work. Arrow keys move both photos, plus and minus zoom, 0 shows all; "
        "Tab goes to the line between them."
    )
    return Scene(
        photo_of(place.before),
        alt,
        f"laid {_name(place)}",
        shapes=(Shape(outline.points, "picked", outline.closed),) if outline else (),
        focus=focus,
        focus_key=_name(place),
        focus_name="Worst spot" if place.spot else "End",
        kept=True,
        second=OverlaidPhoto(photo_of(place.after), place.laid.matrix, NAMES),
    )


def _name(place: SamePlace) -> str:
    return f"{place.before.id}-{place.after.id}"


@st.fragment
def before_and_after(job: services.JobView) -> None:
    """The places that both visits show, one at a time; which one stands in the address."""
    places = same_places(server.store(), job.id)
    if not places:
        st.caption("No two photos show the same frets before and after: take the same views again, as close as before.")
        return
    st.header("The same place, before and after")
    place = _choose(places)
    show(laid_scene(place), f"laid-{_name(place)}")
    off = place.laid.misfit_mm
    fits = "by the end that both show" if off is None else f"by their frets, to {max(off, 0.01):.2f} mm"
    st.caption(f"{plain(place.before.name)} and {plain(place.after.name)}, laid on each other {fits}. {HOW}")


def _choose(places: Sequence[SamePlace]) -> SamePlace:
    by_name = {_name(p): p for p in places}
    asked = st.query_params.get("pair")
    chosen = st.pills(
        "Place", list(by_name), default=asked if asked in by_name else _name(places[0]), required=True, key="pair",
        format_func=lambda n: by_name[n].caption, label_visibility="collapsed",
    )  # fmt: skip
    st.query_params["pair"] = str(chosen)
    return by_name[str(chosen)]
