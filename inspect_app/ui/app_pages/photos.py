"""Photos of a job: what to take, send them in, measure them, and what would make each better."""

from __future__ import annotations

from functools import partial

import streamlit as st

from inspect_app import services
from inspect_app.services import PhotoView
from inspect_app.services.agreements import agreement_of
from inspect_app.ui import server
from inspect_app.ui.full_size_photo import full_size, photo_in_address, small_picture
from inspect_app.ui.howto import HOW, drawing
from inspect_app.ui.measuring_bar import in_queue, measure_all, queue_bar, with_queue
from inspect_app.ui.page_frame import choose_visit, current_job, errors_shown, length_unit, page_head, step_link
from inspect_app.ui.phone import phone_corner
from inspect_app.ui.photo_intake import moved, photo_drop
from inspect_app.ui.photo_question import ask_form
from inspect_app.ui.printed_scales import not_measured_yet
from inspect_app.ui.shot_list import VIEW_TEXT, advice, covered_frets, ranges, shot_list_lines
from inspect_app.ui.undo import remember_action
from inspect_app.ui.waiting_photos import question_for_all
from inspect_app.ui.words import in_unit, plain
from shared.errors import OptionError

AT_ONCE = 12
"""Waiting photos on the page at once: each is decoded to look for its scale, and a roll of fret ends is twelve."""
AT_A_TIME = 12
"""Measured photos on the page to begin with, and with each press for more: two or three screens."""
CHANGE = "Change what is asked, or take it out"


def shot_list(job: services.JobView, visit: str) -> None:
    """What is there and what is missing, with how to take each photo."""
    st.header("Shot list")
    have = covered_frets(p for p in job.photos if p.visit.label == visit)
    for i, want in enumerate(shot_list_lines(have, job.details.instrument)):
        name, gives = VIEW_TEXT[want.view]
        start = i == 0 and not have.photos  # nothing taken yet: show at once how it is done
        with st.expander(f"{'Done' if want.done else 'Wanted'} · **{name}** · {want.text}", expanded=start):
            st.caption(f"Gives {gives}.")
            st.image(drawing(want.view), width="stretch", alt=f"Drawing: {HOW[want.view]}")
            st.markdown(HOW[want.view])


def visits_of(job: services.JobView) -> list[str]:
    """The job's visits, and the one after the work, which it will have: new photos belong there once it is agreed."""
    return list(dict.fromkeys((*(v.label for v in job.visits), services.AFTER)))


def to_measure(job: services.JobView, queue: tuple[services.QueuedPhoto, ...]) -> None:
    """Photos without an answer: say which fret each shows, then measure all."""
    busy = in_queue(queue)
    waiting = [p for p in job.photos if p.view != "finding" and p.inspection is None and p.id not in busy]
    if not waiting:
        return
    st.header(f"To measure ({len(waiting)})")
    asks = []
    waiting, behind = waiting[:AT_ONCE], len(waiting[AT_ONCE:])
    if behind:
        st.caption(f"The first {AT_ONCE} are here; {behind} more come up as these are measured.")
    for photo in waiting:
        with st.container(border=True):
            with st.container(horizontal=True, key=f"card-{photo.id}"):
                small_picture(photo)
                with st.container(gap=None), errors_shown():
                    ask = question_for_all(job, photo)
                    if ask is not None:
                        asks.append((photo, ask))
            change(job, photo)
    unsaid = len(waiting) - len(asks)
    if unsaid:
        wait = "waits" if unsaid == 1 else "wait"
        st.caption(f"{unsaid} {wait} for a fret's number: that of the fret in focus is never guessed.")
    not_measured_yet({ask.scale.kind for _, ask in asks})
    label = f"Measure {len(asks)} photo{'' if len(asks) == 1 else 's'}"
    if st.button(label, type="primary", key="measure-all", disabled=not asks):
        measure_all(asks)
    st.caption(
        "The printed strip or backdrop is looked for. Another scale, or a neck that lies another way: change that."
    )


def measured(job: services.JobView, photo: PhotoView) -> None:
    """One measured photo: what it gave and what would make it better."""
    assert photo.inspection is not None
    answer = photo.inspection.answer
    with st.container(border=True):
        with st.container(horizontal=True, vertical_alignment="center", key=f"card-{photo.id}"):
            small_picture(photo)
            with st.container(gap=None, width="stretch"):
                frets = ranges(f.number for f in answer.frets)
                what = f"fret{'s' if len(answer.frets) > 1 else ''} {frets}" if frets else "nothing measured"
                st.markdown(
                    f"**{plain(photo.name)}** · {VIEW_TEXT[photo.view][0]} · {plain(photo.visit.label)} · {what}"
                )
                st.markdown(plain(in_unit(advice(answer), length_unit())))
                if answer.frets:
                    step_link("readings.py", "Its readings", job.id, photo=str(photo.id))
        change(job, photo)


def measured_list(job: services.JobView, done: list[PhotoView]) -> None:
    """The measured photos, the newest first, some at a time: each brings a form, and hundreds would stall the page."""
    key = f"measured-shown-{job.id}"
    most = st.session_state.get(key, AT_A_TIME)
    for each in list(reversed(done))[:most]:
        with errors_shown():
            measured(job, each)
    if len(done) > most:
        more = min(AT_A_TIME, len(done) - most)
        st.button(f"Show {more} more of {len(done)}", key="show-more", on_click=_show, args=(key, most + more))


def _show(key: str, most: int) -> None:
    st.session_state[key] = most


def change(job: services.JobView, photo: PhotoView) -> None:
    """Move the photo to another visit or view, ask again, or hide it: a form that is made when it is wanted."""
    shut = st.expander(CHANGE, on_change="rerun", key=f"change-{photo.id}")
    if shut.open:
        with shut:
            _change(job, photo)


def _change(job: services.JobView, photo: PhotoView) -> None:
    left, right = st.columns(2)
    views, visits = [v for v in VIEW_TEXT if v != "finding"], visits_of(job)
    view = left.selectbox(
        "It shows", views, views.index(photo.view), lambda v: VIEW_TEXT[v][0], key=f"view-{photo.id}-{photo.view}"
    )
    visit = right.selectbox(
        "It belongs to visit",
        visits,
        visits.index(photo.visit.label),
        str.capitalize,
        key=f"visit-of-{photo.id}-{photo.visit.label}",
    )
    if (view, visit) != (photo.view, photo.visit.label):
        moved(photo, view, visit)
        st.rerun()
    send = "Measure it again" if photo.inspection else "Measure it"
    with errors_shown():
        ask = ask_form(photo, services.suggested_ask(server.store(), photo.id), f"ask-{photo.id}", send)
        if ask is not None:
            if photo.inspection is not None:
                _measured_again(photo, photo.inspection)
            measure_all([(photo, ask)])
    if st.button("Take this photo out of the job", key=f"out-{photo.id}"):
        services.remove_photo(server.store(), photo.id)
        remember_action(job.id, f"{photo.name} taken out", partial(services.restore_photo, server.store(), photo.id))
        st.rerun()


def _measured_again(photo: PhotoView, was: services.InspectionView) -> None:
    """What it gave before can be brought back, with what was said of it; once the new answer is there."""

    def back() -> None:
        if not services.wait_for_queue(server.store()):
            raise OptionError("It is still being measured.", "Measure it again as it was asked before.")
        services.restore_inspection(server.store(), was.id)

    remember_action(photo.job_id, f"{photo.name} measured again", back, said=False)


def taken_out(job: services.JobView) -> None:
    """Photos taken out, to bring back."""
    if job.removed:
        with st.expander(f"Taken out ({len(job.removed)})"):
            for photo in job.removed:
                with st.container(horizontal=True, vertical_alignment="center"):
                    st.markdown(plain(photo.name))
                    if st.button("Bring back", key=f"back-{photo.id}"):
                        services.restore_photo(server.store(), photo.id)
                        back = partial(services.remove_photo, server.store(), photo.id)
                        remember_action(job.id, f"{photo.name} brought back", back)
                        st.rerun()


job, queue = with_queue(current_job())
page_head(job, "photos.py")
st.title("Photos")
shown = [p for p in job.photos if p.view != "finding"]
open_now = photo_in_address(shown)
if open_now is not None:
    full_size(open_now, shown)
left, right = st.columns([3, 2], gap="large")
with left:
    visit = choose_visit(
        f"visit-{job.id}", visits_of(job), services.AFTER if agreement_of(server.store(), job.id) else None
    )
    photo_drop(job, visit)
    queue_bar(job.id, queue)
    with errors_shown():
        to_measure(job, queue)
    done = [p for p in job.photos if p.inspection is not None and p.visit.label == visit]
    if done:
        st.header(f"Measured ({len(done)})")
        nothing = sum(1 for p in done if p.inspection and not p.inspection.answer.frets)
        if nothing:
            st.caption(f"{nothing} of them gave nothing: what each lacks stands beside it.")
    measured_list(job, done)
    taken_out(job)
with right:
    shot_list(job, visit)
    phone_corner(job, visit)
