"""Measuring by hand: mark a distance, an angle or a circle on any photo that shows a scale."""

from __future__ import annotations

from functools import partial
from typing import cast

import streamlit as st

from inspect_app import services
from inspect_app.reading.ask import ScaleAsk
from inspect_app.services import HandKind, HandView, PhotoView
from inspect_app.ui import server
from inspect_app.ui.lengths import length_number
from inspect_app.ui.page_frame import current_job, length_unit, page_head, show_error, step_link
from inspect_app.ui.photo_question import choose_scale
from inspect_app.ui.scenes import photo_of
from inspect_app.ui.shot_list import VIEW_TEXT
from inspect_app.ui.undo import remember_action, rerun_to_show_action
from inspect_app.ui.viewer import MovedHandles, Point, PointsToPlace, Scene, Shape, show
from inspect_app.ui.words import plain, shown
from shared.errors import InspectError
from shared.units import unit_shown

KINDS: dict[HandKind, tuple[str, tuple[str, ...]]] = {
    "distance": ("Distance", ("Mark where it starts", "Mark where it ends")),
    "angle": ("Angle", ("Mark one side", "Mark the corner", "Mark the other side")),
    "circle": ("Circle (radius)", ("Mark a point on it", "Mark a second, a third of the way round", "Mark a third")),
}
Marked = tuple[Point, ...]


def state(photo: PhotoView, kind: str) -> str:
    """Where the points marked so far are kept while the page is open."""
    return f"marked-{photo.id}-{kind}"


def shapes_of(kept: tuple[HandView, ...]) -> tuple[Shape, ...]:
    """What was measured before, on the photo."""
    return tuple(
        Shape(m.points, "hand", m.kind == "circle", plain_label(m), m.points[len(m.points) // 2]) for m in kept
    )


def plain_label(m: HandView) -> str:
    """The value, short, for the photo."""
    return shown(m.result, length_unit())


def scene_of(
    photo: PhotoView, kind: HandKind, kept: tuple[HandView, ...], to_plane: tuple[float, ...], turn: int
) -> Scene:
    """The photo with the tool in hand."""
    label, prompts = KINDS[kind]
    factor, unit = unit_shown(1.0, "deg" if kind == "angle" else "mm", length_unit())
    place = PointsToPlace(kind, label, prompts, to_plane, factor, 2 if unit == "mm" else 1, unit, turn)
    alt = f"Photo {photo.name}: {label}. Enter marks a point in the middle; arrow keys move the photo."
    return Scene(photo_of(photo), alt, f"hand {photo.id} {kind} {turn}", shapes=shapes_of(kept), place=place)


def moved(photo: PhotoView, kind: HandKind, m: MovedHandles) -> None:
    """All points are marked, or one was moved since."""
    points = tuple(m.points[f"p{i + 1}"] for i in range(len(m.points)) if f"p{i + 1}" in m.points)
    st.session_state[state(photo, kind)] = points


def keep(photo: PhotoView, kind: HandKind, marked: Marked, scale: ScaleAsk | None) -> None:
    """Keep the measurement, then start afresh."""
    try:
        note = st.session_state.get("hand-note", "")
        height = st.session_state["hand-height"]
        made = services.keep_hand_measure(server.store(), photo.id, kind, marked, note, scale, height)
    except InspectError as error:
        st.session_state["hand-said"] = error
        return
    label = f"{KINDS[kind][0]} kept: {shown(made.result, length_unit())}"
    remember_action(photo.job_id, label, partial(services.remove_hand_measure, server.store(), made.id))
    st.session_state["hand-note"] = ""
    afresh(photo, kind)


def afresh(photo: PhotoView, kind: str) -> None:
    """Drop the points marked so far."""
    st.session_state.pop(state(photo, kind), None)
    st.session_state["hand-turn"] = st.session_state.get("hand-turn", 0) + 1


def result(photo: PhotoView, kind: HandKind, scale: ScaleAsk | None) -> None:
    """What the marked points say, and keeping it."""
    marked: Marked | None = st.session_state.get(state(photo, kind))
    st.session_state["hand-height"] = length_number(
        "Height above the scale", -50.0, 50.0, 0.0, 0.1, length_unit(), "hand-height-typed",
        "0 when what you mark lies level with the scale; what lies nearer the camera looks larger.",
    )  # fmt: skip
    if not marked:
        st.markdown("Tap the photo to mark the points in turn. Each can be moved afterwards.")
        return
    try:
        value = services.measure_by_hand(server.store(), photo.id, kind, marked, scale, st.session_state["hand-height"])
    except InspectError as error:
        show_error(error)
    else:
        st.markdown(f"## {shown(value, length_unit())}")
        st.text_input("Note", key="hand-note", placeholder="What was measured")
        st.button("Keep it", type="primary", on_click=keep, args=(photo, kind, marked, scale), key="hand-keep")
    st.button("Start again", on_click=afresh, args=(photo, kind), key="hand-again")


def remove(job_id: int, m: HandView) -> None:
    """Take it away."""
    services.remove_hand_measure(server.store(), m.id)
    label = f"{KINDS[cast(HandKind, m.kind)][0]} removed: {shown(m.result, length_unit())}"
    remember_action(job_id, label, partial(services.restore_hand_measure, server.store(), m.id))


def kept_list(photo: PhotoView, kept: tuple[HandView, ...]) -> None:
    """Measurements kept with this photo."""
    if kept:
        st.header("Kept with this photo")
    for m in kept:
        with st.container(horizontal=True, vertical_alignment="center"):
            note = f": {plain(m.note)}" if m.note else ""
            st.markdown(f"{KINDS[cast(HandKind, m.kind)][0]} **{shown(m.result, length_unit())}**{note}")
            st.button("Remove", key=f"hand-out-{m.id}", on_click=remove, args=(photo.job_id, m))


def photo_choice(job: services.JobView) -> PhotoView:
    """The photo to measure on: as chosen, or as in the address."""
    ids = [p.id for p in job.photos]
    asked = st.query_params.get("photo", "")
    names = {p.id: f"{p.name} ({p.note or VIEW_TEXT[p.view][0]}, {p.visit.label})" for p in job.photos}
    first = ids.index(int(asked)) if asked.isdigit() and int(asked) in ids else 0
    chosen = st.selectbox("Photo", ids, first, names.__getitem__, key="hand-photo")
    return next(p for p in job.photos if p.id == chosen)


@st.fragment
def measuring(photo: PhotoView, scale: ScaleAsk | None) -> None:
    """The photo and the value side by side."""
    rerun_to_show_action()
    error = st.session_state.pop("hand-said", None)
    if error is not None:
        show_error(error)
    kinds: list[HandKind] = list(KINDS)
    kind = st.segmented_control(
        "Measure", kinds, default="distance", required=True, key="hand-kind", format_func=lambda k: KINDS[k][0]
    )
    try:
        to_plane = services.plane_of(server.store(), photo.id, scale)
    except InspectError as error:
        show_error(error)
        return
    kept = services.hand_measures(server.store(), photo.id)
    turn = st.session_state.get("hand-turn", 0)
    scene = scene_of(photo, kind, kept, to_plane, turn)
    left, right = st.columns([7, 4], gap="medium")
    with left:
        show(scene, f"hand-{photo.id}-{kind}-{turn}", lambda m: moved(photo, kind, m))
    with right:
        result(photo, kind, scale)
    kept_list(photo, kept)


job = current_job()
page_head(job, "by_hand.py")
st.title("By hand")
if not job.photos:
    st.info("No photos yet. Add one with a scale in it, and anything level with the scale can be measured.")
    step_link("photos.py", "Go to the photos", job.id)
else:
    photo = photo_choice(job)
    measuring(photo, choose_scale(photo))
