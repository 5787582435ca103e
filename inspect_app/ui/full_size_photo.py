"""Photos to look at: a small picture that opens full size, with everything drawn that was found in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import streamlit as st

from inspect_app.services import PhotoView
from inspect_app.ui.page_frame import step_link
from inspect_app.ui.photo_intake import frets_seen
from inspect_app.ui.scenes import plain_scene
from inspect_app.ui.shot_list import VIEW_TEXT
from inspect_app.ui.viewer import Scene, Shape, show
from inspect_app.ui.words import plain

__all__ = ["LEGEND", "full_size", "legend", "photo_in_address", "small_picture"]

LEGEND = (
    ("picked", "looked at"),
    ("sure", "read"),
    ("doubt", "doubtful"),
    ("hand", "placed by hand"),
    ("rejected", "rejected"),
    ("scale", "scale"),
)
"""What the lines on a photo mean, by tone; page.css draws each as viewer.css does (a test compares them)."""


def legend(*tones: str) -> None:
    """What the lines on the photo mean: all of them, or these alone."""
    keys = "".join(
        f'<span><i class="key-{tone}"></i>{text}</span>' for tone, text in LEGEND if not tones or tone in tones
    )
    st.html(f'<p class="legend">{keys}</p>')


def small_picture(photo: PhotoView) -> None:
    """The photo, small; it opens full size."""
    st.button(
        f"![Open {plain(photo.name)}](/photo/{photo.sha256}/small.jpg)",
        key=f"open-{photo.id}",
        help="Open full size",
        on_click=_put_in_address,
        args=(photo.id,),
    )


def _put_in_address(photo_id: int | None) -> None:
    """Which photo is looked at stands in the address: a reload shows it again."""
    if photo_id is None:
        st.query_params.pop("photo", None)
    else:
        st.query_params["photo"] = str(photo_id)


def photo_in_address(photos: Sequence[PhotoView]) -> PhotoView | None:
    """The photo named in the address."""
    return next((p for p in photos if str(p.id) == st.query_params.get("photo")), None)


def _scene(photo: PhotoView) -> Scene:
    """The photo with what was found in it; before it is measured with its frets, numbered as they are proposed."""
    scene, frets, first = plain_scene(photo), frets_seen(photo), st.session_state.get(f"first-{photo.id}")
    if photo.inspection or photo.view != "plan" or frets is None:
        return scene
    names = [str(int(first) + step) if first else "?" for step in frets.steps]
    lines = (Shape(line, "doubt", label=name) for line, name in zip(frets.lines, names, strict=True))
    return replace(scene, shapes=tuple(lines))


def full_size(photo: PhotoView, photos: Sequence[PhotoView]) -> None:
    """A photo over the whole width, with the way to the ones before and after it."""
    at = next(i for i, p in enumerate(photos) if p.id == photo.id)
    with st.container(border=True, key="full-size"):
        with st.container(horizontal=True, vertical_alignment="center"):
            where = f"{VIEW_TEXT[photo.view][0]} · {photo.visit.label} · {at + 1} of {len(photos)}"
            st.markdown(f"**{plain(photo.name)}** · {where}", width="stretch")
            st.button(
                "Previous photo",
                key="look-back",
                on_click=_put_in_address,
                args=(photos[at - 1].id,),
                disabled=len(photos) < 2,
            )
            ahead = photos[(at + 1) % len(photos)].id
            st.button("Next photo", key="look-on", on_click=_put_in_address, args=(ahead,), disabled=len(photos) < 2)
            st.button("Close", key="look-close", shortcut="Escape", on_click=_put_in_address, args=(None,))
        show(_scene(photo), f"look-{photo.id}")
        if photo.inspection is None:
            st.caption("Not measured yet. Count the first whole fret here, zoomed in: plus and minus, or the wheel.")
            return
        legend("sure", "scale")
        if photo.inspection.answer.frets:
            step_link("readings.py", "Its readings", photo.job_id, photo=str(photo.id))
