"""Taking photos in: one drop for all views, each told from the photo; what a first look says of each."""

from __future__ import annotations

from functools import partial

import streamlit as st

from inspect_app import services
from inspect_app.services import PhotoView
from inspect_app.ui import server
from inspect_app.ui.shot_list import VIEW_TEXT, advice_at_first_look
from inspect_app.ui.undo import remember_action
from inspect_app.ui.words import plain
from shared.errors import InspectError

__all__ = ["TOLD", "first_look_at", "frets_seen", "moved", "scale_look", "photo_drop"]

TOLD = "told"
"""In place of a view: each photo says its own."""


def photo_drop(job: services.JobView, visit: str) -> None:
    """The place to drop photos; each is stored at once, then waits below to be measured."""
    st.header("Add photos")
    names = {TOLD: "Told from each photo"} | {view: name for view, (name, _) in VIEW_TEXT.items()}
    turn = st.session_state.get("drop", 0)
    files = st.file_uploader(
        "Drop photos of any views here, or choose them; on a phone this opens the camera",
        type=["image/*"],
        accept_multiple_files=True,
        max_upload_size=server.MAX_UPLOAD_MB,
        key=f"photos-{job.id}-{turn}",
    )
    view = st.segmented_control(
        "They show", list(names), default=TOLD, required=True, key="view", wrap=True, format_func=names.__getitem__
    )
    if files:
        st.session_state["photos-said"] = _keep(job.id, [(f.name, f.getvalue()) for f in files], str(view), visit)
        st.session_state["drop"] = turn + 1  # a fresh uploader lets go of the files' memory
        st.rerun()
    said = st.container()  # there when it is empty too: what stands below keeps its place
    for kind, text in st.session_state.pop("photos-said", ()):
        {"error": said.error, "info": said.info}.get(kind, said.caption)(text)


def _keep(job_id: int, files: list[tuple[str, bytes]], view: str, visit: str) -> list[tuple[str, str]]:
    """Store every photo that can be stored; what there is to say of the others."""
    said: list[tuple[str, str]] = []
    kept: list[PhotoView] = []
    bar = st.progress(0.0, "Taking in")
    for i, (name, data) in enumerate(files):
        bar.progress(i / len(files), f"Taking in {plain(name)}, {i + 1} of {len(files)}")
        try:
            added = services.add_photo(server.store(), job_id, data, name, "plan" if view == TOLD else view, visit)
            photo = added.photo
            if view == TOLD and not added.already_there:
                photo = _with_proposed_view(photo)
        except InspectError as error:
            said.append(("error", f"{plain(error.wrong)} **{plain(error.advice)}**"))
        else:
            first_look_at(photo)
            if added.already_there:
                said.append(("info", f"{plain(name)} is the same file as {plain(added.photo.name)}: kept once."))
            else:
                kept.append(photo)
    bar.empty()
    if kept:
        what = f"{plain(kept[0].name)} is" if len(kept) == 1 else f"{len(kept)} photos are"
        said.append(("kept", f"{what} with the job now, visit {plain(visit)}."))
        text = f"{kept[0].name if len(kept) == 1 else f'{len(kept)} photos'} taken in"
        remember_action(job_id, text, partial(_take_out, [p.id for p in kept]), said=False)
    return said


def _take_out(photo_ids: list[int]) -> None:
    for photo_id in photo_ids:
        services.remove_photo(server.store(), photo_id)


def _with_proposed_view(photo: PhotoView) -> PhotoView:
    """The photo with the view it tells; one that tells none stays from above, and says so."""
    view = services.proposed_view(server.store(), photo.id)
    st.session_state[f"told-{photo.id}"] = view or ""
    return services.update_photo(server.store(), photo.id, view=view) if view and view != photo.view else photo


def scale_look(photo: PhotoView) -> str:
    """What a look at the scale alone says of a photo, looked at once."""
    if f"sight-{photo.id}" not in st.session_state:  # it came from a phone, or another window
        with st.spinner("Looking for its scale"):
            first_look_at(photo)
    return str(st.session_state[f"sight-{photo.id}"])


def frets_seen(photo: PhotoView) -> services.FirstFret | None:
    """The frets that the first look saw from above."""
    seen: services.FirstFret | None = st.session_state.get(f"frets-{photo.id}")
    return seen


def first_look_at(photo: PhotoView) -> None:
    """Look at a photo for the first time, and keep what that says for this window."""
    said, frets = "", None
    if photo.view != "finding":
        try:
            sight = services.first_look(server.store(), photo.id)
            said, frets = advice_at_first_look(photo.view, sight.camera), sight.frets
        except InspectError as error:
            said = f"{error.wrong} {error.advice}"
    st.session_state[f"sight-{photo.id}"], st.session_state[f"frets-{photo.id}"] = said, frets


def moved(photo: PhotoView, view: str, visit: str) -> None:
    """Move a photo to another view or visit, as a person says."""

    def to(view: str, visit: str) -> None:
        services.update_photo(server.store(), photo.id, view=view, visit=visit)
        forget_first_look(photo.id)

    def place() -> tuple[str, str]:
        now = services.photo_view(server.store(), photo.id)
        return now.view, now.visit.label

    to(view, visit)
    said = f"{photo.name} is now: {VIEW_TEXT[view][0].lower()}, visit {visit}"
    remember_action(photo.job_id, said, lambda: to(photo.view, photo.visit.label), place)


def forget_first_look(photo_id: int) -> None:
    """Look again, and ask again what was filled in: the photo shows something else than was thought."""
    for name in ("sight", "frets", "told", "first", "end", "string", "held"):
        st.session_state.pop(f"{name}-{photo_id}", None)
