"""Findings: what else the photos show, with a note and a category of the shop's own."""

from __future__ import annotations

from functools import partial

import streamlit as st

from inspect_app import services
from inspect_app.services import PhotoView
from inspect_app.ui import server
from inspect_app.ui.concurrent_edits import changed_note, form_key, opened_with, reopen, settle_edit
from inspect_app.ui.page_frame import current_job, length_unit, page_head, show_error, step_link
from inspect_app.ui.scenes import plain_scene
from inspect_app.ui.undo import remember_action
from inspect_app.ui.viewer import show
from inspect_app.ui.words import label_of, plain, shown
from shared.errors import InspectError


def category_choice(key: str, was: str = "") -> str:
    """One of the categories used so far, or a new one."""
    known = list(dict.fromkeys((*services.categories(server.store()), *([was] if was else []))))
    chosen = st.selectbox(
        "Category",
        known,
        known.index(was) if was else None,
        key=key,
        accept_new_options=True,
        placeholder="Choose one, or type your own",
    )
    return chosen or ""


def add(job: services.JobView) -> None:
    """The form of a new finding."""
    turn = st.session_state.get("finding-turn", 0)
    with st.container(border=True):
        st.header("New finding")
        files = st.file_uploader(
            "Photos of it", type=["image/*"], accept_multiple_files=True, max_upload_size=60, key=f"finding-{turn}"
        )
        note = st.text_area("Note", key=f"finding-note-{turn}", placeholder="What the customer should know")
        category = category_choice(f"finding-category-{turn}")
        visits = [v.label for v in job.visits]
        visit = st.pills("Visit", visits, default=visits[-1], required=True, format_func=label_of, key="f-visit")
        if not st.button("Keep this finding", type="primary", disabled=not files, key="finding-keep"):
            return
    kept = 0
    for f in files or ():
        try:
            added = services.add_photo(
                server.store(), job.id, f.getvalue(), f.name, "finding", str(visit), note, category
            )
        except InspectError as error:
            show_error(error)
            continue
        if added.already_there:
            st.info(f"{plain(f.name)} is in this job already, as {plain(added.photo.name)}.")
        else:
            kept += 1
            remember_action(
                job.id, f"Finding kept: {f.name}", partial(services.remove_photo, server.store(), added.photo.id)
            )
    if kept:
        st.session_state["finding-turn"] = turn + 1
        st.rerun()


def change(photo: PhotoView) -> None:
    """Note and category, to correct; two windows may do so at once."""
    key, now, typed = f"finding-{photo.id}", {"note": photo.note, "category": photo.category}, None
    changed_note(key, now)
    was = opened_with(key, now)
    note = st.text_area("Note", was["note"], key=f"note-{form_key(key)}")
    category = category_choice(f"category-{form_key(key)}", was["category"])
    if st.button("Keep", key=f"keep-{photo.id}"):
        typed = {"note": note.strip(), "category": category}
    keep = settle_edit(
        key, typed, now, {"note": "Note", "category": "Category"}, lambda _, text: str(text) or "nothing"
    )
    if keep is not None:
        services.update_photo(server.store(), photo.id, **keep)
        reopen(key)
        changed_finding(photo)
        st.rerun()


def changed_finding(was: PhotoView) -> None:
    """Note or category were changed: it can be taken back."""

    def back() -> None:
        services.update_photo(server.store(), was.id, note=was.note, category=was.category)
        reopen(f"finding-{was.id}")

    def said() -> tuple[str, str]:
        now = services.photo_view(server.store(), was.id)
        return now.note, now.category

    remember_action(was.job_id, "Finding changed", back, said)


def finding_card(job: services.JobView, photo: PhotoView) -> None:
    """A finding: its photo, its note, what was measured on it."""
    with st.container(border=True):
        left, right = st.columns([3, 2], gap="medium")
        with left:
            show(plain_scene(photo, small=True), f"finding-view-{photo.id}")
        with right:
            st.markdown(
                f"**{plain(photo.category) or 'No category'}** · {plain(photo.visit.label)} · {photo.added:%Y-%m-%d}"
            )
            st.markdown(plain(photo.note) or "No note.")
            for m in services.hand_measures(server.store(), photo.id):
                st.markdown(f"{plain(m.note) or m.kind.capitalize()}: **{shown(m.result, length_unit())}**")
            step_link("by_hand.py", "Measure on it", job.id, photo=str(photo.id))
            with st.expander("Change"):
                change(photo)
                if st.button("Take it out of the job", key=f"out-{photo.id}"):
                    services.remove_photo(server.store(), photo.id)
                    remember_action(
                        job.id, "Finding taken out", partial(services.restore_photo, server.store(), photo.id)
                    )
                    st.rerun()


job = current_job()
page_head(job, "findings.py")
st.title("Findings")
found = [p for p in job.photos if p.view == "finding"]
if not found:
    st.info("Nothing noted yet. A chip, a lifted fret end, a loose nut: add a photo of it with a note.")
for each in found:
    finding_card(job, each)
add(job)
