"""Photos that wait to be measured: the view told from the photo, the first fret proposed, a tap to correct either."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import streamlit as st

from inspect_app import services
from inspect_app.reading.ask import Ask, parse_held
from inspect_app.services import FirstFret, PhotoView
from inspect_app.services.pictures import numbered_frets
from inspect_app.ui import server
from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.photo_intake import frets_seen, moved, scale_look
from inspect_app.ui.photo_question import choose_end, choose_held, choose_string, first_ask, fret_label, with_first
from inspect_app.ui.shot_list import VIEW_TEXT, covered_frets, next_first_fret, ranges
from inspect_app.ui.words import in_unit, plain
from shared.trade import HIGHEST_FRET

__all__ = ["question_for_all", "proposed"]

_VIEWS = [v for v in VIEW_TEXT if v != "finding"]
NUMBERED_PX = 900
"""Width of the picture with numbers: twice as wide as it stands on the page."""


def proposed(frets: FirstFret | None, otherwise: int) -> tuple[int | None, str]:
    """The number put into the field of the first whole fret, and where it comes from: never one without the other.

    `otherwise` is the first fret that no photo shows yet.
    """
    if frets is None or not frets.lines:
        return otherwise, "Proposed: the first fret that no photo of this visit shows yet. Count on the photo."
    if not frets.numbers:
        return otherwise, (
            "Proposed: the first fret that no photo of this visit shows yet; the spacing does not tell. "
            "Count on the photo."
        )
    if len(frets.numbers) > 1:
        fits = " or ".join(map(str, frets.numbers))
        return None, f"The spacing fits a first whole fret {fits}: count on the photo."
    first = frets.numbers[0]
    shown = ranges(first + step for step in frets.steps)
    return first, f"Proposed from the spacing: frets {shown}. Check it by the numbers in the picture."


def question_for_all(job: services.JobView, photo: PhotoView) -> Ask | None:
    """What a photo is asked when all are measured together; nothing while its fret is not said."""
    st.markdown(f"**{plain(photo.name)}** · {plain(photo.visit.label)}")
    _which_view(photo)
    st.markdown(plain(in_unit(scale_look(photo), length_unit())))
    number = _which_fret(job, photo)
    if number is None and photo.view != "section":
        return None
    ask = with_first(first_ask(photo, number or 1), number or 1)
    if photo.view == "side":
        string = choose_string(ask.string, f"string-{photo.id}")
        return replace(ask, string=string, held=parse_held(choose_held(ask.held, f"held-{photo.id}")))
    return replace(ask, end=choose_end(ask.end, f"end-{photo.id}")) if photo.view == "end" else ask


def _which_view(photo: PhotoView) -> None:
    """The view, to correct with a tap."""
    told = st.session_state.get(f"told-{photo.id}")
    label = {None: "It shows", "": "It shows (no scale tells it: assumed)"}.get(told, "It shows, by its scale")
    key = f"shows-{photo.id}-{photo.view}"
    st.pills(
        label, _VIEWS, default=photo.view, required=True, key=key, format_func=lambda v: VIEW_TEXT[v][0],
        on_change=_correct, args=(photo, key),
    )  # fmt: skip


def _correct(photo: PhotoView, key: str) -> None:
    view = st.session_state.get(key)
    if view:
        moved(photo, str(view), photo.visit.label)


def _which_fret(job: services.JobView, photo: PhotoView) -> int | None:
    """The first whole fret, proposed with its picture beside it; or the fret in focus, which is never filled in."""
    first, why = None, ""
    if photo.view == "plan":
        there = covered_frets(p for p in job.photos if p.visit.id == photo.visit.id)
        first, why = proposed(frets_seen(photo), next_first_fret(there))
    number = st.number_input(
        fret_label(photo.view), 1, HIGHEST_FRET, first, 1, key=f"first-{photo.id}", width=300, placeholder="which one?",
        persist_state="session",
    )  # fmt: skip
    if why:
        st.caption(why)
    frets = frets_seen(photo) if photo.view == "plan" else None
    if frets is not None and frets.lines:
        start = int(number) if number is not None else None
        names = tuple(str(start + step) if start else "?" for step in frets.steps)
        said = f"frets numbered {names[0]} to {names[-1]}" if start else "frets not numbered yet"
        st.image(_numbered(photo, frets.lines, names), width=450, alt=f"{photo.name}, {said}")
    return None if number is None else int(number)


@lru_cache(maxsize=48)  # the pictures of the photos on the page, at some numbers each; 60 kB a picture
def _numbered(
    photo: PhotoView, lines: tuple[tuple[tuple[float, float], tuple[float, float]], ...], names: tuple[str, ...]
) -> bytes:
    return numbered_frets(server.store(), photo, lines, names, NUMBERED_PX)
