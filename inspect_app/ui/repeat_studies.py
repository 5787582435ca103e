"""A repeat study on the shop's page: photos of the same frets by one or more people, and what they differ by."""

from __future__ import annotations

from functools import partial
from typing import Literal, cast, get_args

import streamlit as st

from inspect_app import services
from inspect_app.reading.ask import Ask, ScaleAsk, View, parse_held
from inspect_app.reading.inspection import PhotoSummary
from inspect_app.services.bench_checks import (
    REPEAT_STUDY,
    bench_checks,
    keep_bench_check,
    restore_bench_check,
    retire_bench_check,
)
from inspect_app.services.known_things import hold_photo
from inspect_app.services.lenses import lenses_in_use
from inspect_app.services.repeat_studies import (
    STUDY_LEGEND,
    STUDY_PICTURE,
    StudyResult,
    study_plot,
    study_table,
    try_study,
)
from inspect_app.ui import server
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.lengths import bare_unit, length_field
from inspect_app.ui.lens_profiles import choose_lens
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.photo_question import choose_end, choose_held, choose_string, fret_label, print_factor
from inspect_app.ui.shot_list import VIEW_TEXT
from inspect_app.ui.undo import kept_in_shop
from inspect_app.ui.words import plain
from shared.errors import OptionError
from shared.trade import HIGHEST_FRET

__all__ = ["repeat_studies"]

_PHOTOS, _DONE = "study-photos", "study-done"
Taken = list[tuple[str, PhotoSummary]]


def repeat_studies() -> None:
    """Photos in, the question, what they differ by; and what was kept."""
    st.markdown(
        "How much does a reading change when you photograph the same frets again? **1. Photograph them** three times "
        "or more, the scale laid and the camera held anew for each, or the study flatters. With another person the "
        "study also says how much people differ."
    )
    photos: Taken = st.session_state.setdefault(_PHOTOS, [])
    _add(photos)
    if photos:
        _listed(photos)
        _ask(photos)
        _answer()
    _kept_studies()


def _add(photos: Taken) -> None:
    turn, spots = st.session_state.get("study-drop", 0), FieldErrors()
    with st.form(f"study-add-{turn}", border=False):
        who = st.text_input("Who photographed", photos[-1][0] if photos else "", key=f"study-who-{turn}")
        spots.below("who")
        files = st.file_uploader(
            "Their photos", type=["image/*"], accept_multiple_files=True, key=f"study-files-{turn}",
            max_upload_size=server.MAX_UPLOAD_MB,
        )  # fmt: skip
        spots.below("photos")
        if st.form_submit_button("Add these photos"):
            with spots.saying("photos"), st.spinner("Taking the photos in"):
                if not who.strip():
                    raise OptionError("Who photographed is missing.", "Write a name, or such as “right-handed”.", "who")
                if not files:
                    raise OptionError("No photo was chosen.", "Choose two or more of the same frets.")
                photos += [(who.strip(), hold_photo(server.store(), f.getvalue(), f.name)) for f in files]
                st.session_state.pop(_DONE, None)
                st.session_state["study-drop"] = turn + 1  # a fresh uploader lets go of the files' memory
                st.rerun()


def _listed(photos: Taken) -> None:
    for who in dict.fromkeys(name for name, _ in photos):
        own = [p.name for name, p in photos if name == who]
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(f"**{plain(who)}**: {len(own)} photo{'s' if len(own) > 1 else ''}, {plain(', '.join(own))}")
            st.button("Take them out", key=f"study-out-{who}", on_click=_take_out, args=(who,))


def _take_out(who: str) -> None:
    st.session_state[_PHOTOS] = [p for p in st.session_state[_PHOTOS] if p[0] != who]
    st.session_state.pop(_DONE, None)


def _ask(photos: Taken) -> None:
    st.markdown("**2. Say what they show.** All of them the same frets, in the same view.")
    view = cast(View, st.selectbox("View", get_args(View), format_func=lambda v: VIEW_TEXT[v][0], key="study-view"))
    spots = FieldErrors()
    with st.form("study-ask", border=False):
        left, right = st.columns(2)
        first = left.number_input(fret_label(view), 1, HIGHEST_FRET, 1, 1)
        length = length_field(right, "Scale length", None, bare_unit(length_unit(), False), "study-length")
        spots.below("scale_length", right)
        left, right = st.columns(2)  # a row of its own: on a phone the columns of one stand below each other
        nut = (
            left.radio("The nut is at the", ["left", "right"], horizontal=True) if view in ("plan", "side") else "left"
        )
        treble = right.radio("Treble side at the", ["bottom", "top"], horizontal=True) if view == "plan" else "bottom"
        left, _ = st.columns(2)
        with left:
            end = choose_end(None, "study-end") if view == "end" else None
            string = choose_string(None, "study-string") if view == "side" else None
            held = choose_held((), "study-held") if view == "side" else ""
            lens = choose_lens(None)
        if not st.form_submit_button("Compare them", type="primary"):
            return
    with spots.saying("scale_length"), st.spinner(f"Measuring {len(photos)} photos"):
        kind = "strip" if view == "plan" else "backdrop"
        scale = ScaleAsk(kind, factor=print_factor(kind), prints=services.known_prints(server.store()))
        ask = Ask(
            view, scale, scale_length=length.mm(), first_fret=int(first), end=end, string=string,
            nut=cast(Literal["left", "right"], nut), treble=cast(Literal["top", "bottom"], treble),
            held=parse_held(held), lens=lens, lenses=lenses_in_use(server.store()),
        )  # fmt: skip
        st.session_state[_DONE] = try_study(server.store(), photos, ask)


def _answer() -> None:
    done: StudyResult | None = st.session_state.get(_DONE)
    if done is None:
        return
    st.table([{"By": plain(by), "Photo": plain(n), "Gave": plain(said)} for by, n, said in done.photos])
    head, *rows = study_table(done.rows, length_unit())
    st.table([dict(zip(["Reading", *head[1:]], map(plain, row), strict=True)) for row in rows], border="horizontal")
    st.caption("  \n".join(f"{mark}: {said}" for mark, said in STUDY_LEGEND.items()))
    picture = study_plot(done.rows)
    st.image(picture, width="stretch")
    st.caption(STUDY_PICTURE)
    with st.container(horizontal=True):
        if st.button("Keep this study", key="keep-study", type="primary"):
            made = keep_bench_check(server.store(), done.view, done.result)
            st.session_state[_PHOTOS] = []
            del st.session_state[_DONE]
            said = "Study kept: it stands in the U of photos of this view from now on."
            kept_in_shop(said, partial(retire_bench_check, server.store(), made.id))
            st.rerun()
        st.download_button("The picture (SVG)", picture, "repeat-study.svg", "image/svg+xml", on_click="ignore")


def _kept_studies() -> None:
    for c in bench_checks(server.store()):
        if c.kind != REPEAT_STUDY or c.retired:
            continue
        people = len({p["by"] for p in c.result["photos"]})
        said = f"{len(c.result['photos'])} photos by {people} {'person' if people == 1 else 'people'}"
        of = ", ".join(q["quantity"] for q in c.result["quantities"])
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(f"{c.created:%Y-%m-%d}, {VIEW_TEXT[cast(View, c.view)][0]}: {said}; {plain(of)}")
            st.button("Take back", key=f"retire-study-{c.id}", on_click=_take_back, args=(c.id,))


def _take_back(number: int) -> None:
    retire_bench_check(server.store(), number)
    kept_in_shop("Study taken back.", partial(restore_bench_check, server.store(), number))
