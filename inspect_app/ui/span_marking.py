"""Marking a known length on a photo that shows no other scale: two points, and how far they lie apart."""

from __future__ import annotations

import streamlit as st

from inspect_app.reading.ask import ScaleAsk
from inspect_app.services import PhotoView
from inspect_app.ui.lengths import bare_unit, length_field
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.scenes import photo_of
from inspect_app.ui.viewer import AS_SEEN, MovedHandles, PointsToPlace, Scene, Shape, show
from shared.errors import OptionError

__all__ = ["mark_span", "span_of"]

PROMPTS = ("Mark one end of the known length", "Mark its other end")


def mark_span(photo: PhotoView, was: ScaleAsk | None, key: str) -> ScaleAsk | None:
    """The photo to mark two points on, and their distance; the scale once both are there.

    What was marked before is drawn, and stays until it is marked anew.

    Raises
    ------
    OptionError
        If the length that was typed is none.
    """
    before = was if was is not None and was.kind == "span" else None
    points = st.session_state.get(key) or (before.span_px if before else None)
    shapes = (Shape(((points[0], points[1]), (points[2], points[3])), "scale"),) if points else ()
    place = PointsToPlace("span", "Known length", PROMPTS, AS_SEEN)
    alt = (
        f"Photo {photo.name}: mark both ends of a known length. Enter marks a point in the middle; arrow keys move it."
    )
    st.caption("Mark both ends of something whose length you know, as long as the photo allows, level with the frets.")
    scene = Scene(photo_of(photo), alt, f"span {photo.id}", shapes=shapes, place=place, small=True)
    show(scene, f"{key}-viewer", lambda m: _marked(key, m))
    bare, was_mm = bare_unit(length_unit(), False), before.span_mm if before else None
    hint = "such as 100, or 4 in" if bare == "mm" else "such as 4, or 100 mm"
    typed = length_field(st.container(), "Length between them", was_mm or None, bare, f"{key}-{bare}", hint=hint)
    return span_of(points, typed.mm())


def _marked(key: str, m: MovedHandles) -> None:
    """Both points are marked, or one was moved since."""
    if {"p1", "p2"} <= set(m.points):
        st.session_state[key] = (*m.points["p1"], *m.points["p2"])


def span_of(points: tuple[float, float, float, float] | None, length: float | None) -> ScaleAsk | None:
    """The scale that two points and their distance in millimetres make; ``None`` while one of them is missing.

    Raises
    ------
    OptionError
        If the length is not possible.
    """
    if length is not None and not length > 0:
        raise OptionError(f"A length of {length:g} mm is not possible.", "Write how far apart the two points lie.")
    return ScaleAsk("span", span_px=points, span_mm=length) if points and length else None
