"""Photos of a job: what to take, send them in, measure them, and what would make each better."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from inspect_app import services
from inspect_app.reading.ask import Ask, parse_held
from inspect_app.services import PhotoView
from inspect_app.services.agreed import agreement_of
from inspect_app.ui import server
from inspect_app.ui.asking import ask_form, choose_end, choose_held, choose_string, first_ask, fret_label, with_first
from inspect_app.ui.bench import head, saying, step_link, the_job
from inspect_app.ui.howto import HOW, drawing
from inspect_app.ui.looking import full_size, looked_at, small_picture
from inspect_app.ui.phone import phone_corner
from inspect_app.ui.printed_scales import not_measured_yet
from inspect_app.ui.shots import VIEW_TEXT, advice, at_first_sight, covered, next_first_fret, ranges, wanted
from inspect_app.ui.words import label_of, plain
from shared.errors import InspectError

AT_ONCE = 12
"""Waiting photos on the page at once: each is decoded to look for its scale, and a roll of fret ends is twelve."""
CHANGE = "Change what is asked, or take it out"


def shot_list(job: services.JobView, visit: str) -> None:
    """What is there and what is missing, with how to take each photo."""
    st.subheader("Shot list")
    have = covered(p for p in job.photos if p.visit.label == visit)
    for i, want in enumerate(wanted(have, job.details.instrument)):
        name, gives = VIEW_TEXT[want.view]
        start = i == 0 and not have.photos  # nothing taken yet: show at once how it is done
        with st.expander(f"{'Done' if want.done else 'Wanted'} · **{name}** · {want.text}", expanded=start):
            st.caption(f"Gives {gives}.")
            st.image(drawing(want.view), width="stretch", alt=f"Drawing: {HOW[want.view]}")
            st.markdown(HOW[want.view])


def visits_of(job: services.JobView) -> list[str]:
    """The job's visits, and the one after the work, which it will have."""
    return list(dict.fromkeys((*(v.label for v in job.visits), services.AFTER)))


def choose_visit(job: services.JobView) -> str:
    """The visit new photos belong to: as the address says, else after the work once the work is agreed."""
    labels = visits_of(job)
    asked = st.query_params.get("visit")
    first = asked if asked in labels else services.AFTER if agreement_of(server.store(), job.id) else labels[0]
    label = st.pills("Visit", labels, default=first, required=True, key=f"visit-{job.id}", format_func=label_of)
    st.query_params["visit"] = str(label)
    return str(label)


def take_in(job: services.JobView, visit: str) -> None:
    """The place to drop photos; each is stored at once, then waits below to be measured."""
    st.subheader("Add photos")
    views = list(VIEW_TEXT)
    view = st.segmented_control(
        "They show", views, default="plan", required=True, key="view", wrap=True, format_func=lambda v: VIEW_TEXT[v][0]
    )
    turn = st.session_state.get("drop", 0)
    files = st.file_uploader(
        "Drop photos here, or choose them; on a phone this opens the camera",
        type=["image/*"],
        accept_multiple_files=True,
        max_upload_size=server.MAX_UPLOAD_MB,
        key=f"photos-{job.id}-{turn}",
    )
    if files:
        st.session_state["photos-said"] = keep(job.id, [(f.name, f.getvalue()) for f in files], str(view), visit)
        st.session_state["drop"] = turn + 1  # a fresh uploader lets go of the files' memory
        st.rerun()
    for kind, text in st.session_state.pop("photos-said", ()):
        (st.error if kind == "error" else st.info)(text)


def keep(job_id: int, files: list[tuple[str, bytes]], view: str, visit: str) -> list[tuple[str, str]]:
    """Store every photo that can be stored; what there is to say of the others."""
    said = []
    bar = st.progress(0.0, "Taking in")
    for i, (name, data) in enumerate(files):
        bar.progress(i / len(files), f"Taking in {plain(name)}, {i + 1} of {len(files)}")
        try:
            added = services.add_photo(server.store(), job_id, data, name, view, visit)
        except InspectError as error:
            said.append(("error", f"{plain(error.wrong)} **{plain(error.advice)}**"))
        else:
            st.session_state[f"sight-{added.photo.id}"] = at_sight(added.photo)
            if added.already_there:
                said.append(("info", f"{plain(name)} is the same file as {plain(added.photo.name)}: kept once."))
    bar.empty()
    return said


def at_sight(photo: PhotoView) -> str:
    """What a look at the scale alone says of a photo that was just taken in."""
    if photo.view == "finding":
        return ""
    try:
        return at_first_sight(photo.view, services.first_look(server.store(), photo.id))
    except InspectError as error:
        return f"{error.wrong} {error.advice}"


def measure_all(asks: list[tuple[PhotoView, Ask]]) -> None:
    """Measure these photos, two at a time, with progress; what is measured stays where it is stopped or left."""
    bar = st.progress(0.0, f"Measuring {len(asks)} photo{'' if len(asks) == 1 else 's'}")
    st.button("Stop after this photo", key="stop-measuring")  # any press ends this run at the next photo
    names = {photo.id: photo.name for photo, _ in asks}
    every = services.measure_photos(server.store(), [(photo.id, ask) for photo, ask in asks])
    for i, (photo_id, made) in enumerate(every, 1):
        bar.progress(i / len(asks), f"Measured {plain(names[photo_id])}, {i} of {len(asks)}")
        if isinstance(made, InspectError):
            said = f"{plain(names[photo_id])}: {plain(made.wrong)} **{plain(made.advice)}**"
            st.session_state["photos-said"] = [*st.session_state.get("photos-said", ()), ("error", said)]
    st.rerun()


def to_measure(job: services.JobView) -> None:
    """Photos without an answer: say which fret each shows, then measure all."""
    waiting = [p for p in job.photos if p.view != "finding" and p.inspection is None]
    if not waiting:
        return
    st.subheader(f"To measure ({len(waiting)})")
    asks = []
    waiting, behind = waiting[:AT_ONCE], len(waiting[AT_ONCE:])
    if behind:
        st.caption(f"The first {AT_ONCE} are here; {behind} more come up as these are measured.")
    for photo in waiting:
        with st.container(border=True):
            with st.container(horizontal=True, vertical_alignment="center"):
                small_picture(photo)
                with st.container(gap=None), saying():
                    ask = ask_at_once(job, photo)
                    if ask is not None:
                        asks.append((photo, ask))
            with st.expander(CHANGE):
                change(job, photo)
    unsaid = len(waiting) - len(asks)
    if unsaid:
        st.caption(
            f"{unsaid} wait{'s' if unsaid == 1 else ''} for the number of the fret in focus: it is never guessed."
        )
    not_measured_yet({ask.scale.kind for _, ask in asks})
    label = f"Measure {len(asks)} photo{'' if len(asks) == 1 else 's'}"
    if st.button(label, type="primary", key="measure-all", disabled=not asks):
        measure_all(asks)
    st.caption(
        "The printed strip or backdrop is looked for. Another scale, or a neck that lies another way: change that."
    )


def ask_at_once(job: services.JobView, photo: PhotoView) -> Ask | None:
    """What a photo is asked when all are measured together; nothing while its fret is not said."""
    st.markdown(f"**{plain(photo.name)}** · {VIEW_TEXT[photo.view][0]} · {plain(photo.visit.label)}")
    if f"sight-{photo.id}" not in st.session_state:  # it came from a phone, or another window
        with st.spinner("Looking for its scale"):
            st.session_state[f"sight-{photo.id}"] = at_sight(photo)
    st.markdown(plain(st.session_state[f"sight-{photo.id}"]))
    there = covered(p for p in job.photos if p.visit.id == photo.visit.id)
    first = next_first_fret(there) if photo.view == "plan" else None
    number = st.number_input(
        fret_label(photo.view), 1, 36, first, 1, key=f"first-{photo.id}", width=300, placeholder="which one?"
    )
    if number is None and photo.view != "section":
        return None
    if photo.view == "plan" and job.details.instrument.scale_length:
        st.caption("Three frets or more are counted by their spacing as well, and put right by it.")
    number = int(number or 1)
    ask = with_first(first_ask(photo, number), number)
    if photo.view == "side":
        string = choose_string(ask.string, f"string-{photo.id}")
        return replace(ask, string=string, held=parse_held(choose_held(ask.held, f"held-{photo.id}")))
    return replace(ask, end=choose_end(ask.end, f"end-{photo.id}")) if photo.view == "end" else ask


def measured(job: services.JobView, photo: PhotoView) -> None:
    """One measured photo: what it gave and what would make it better."""
    assert photo.inspection is not None
    answer = photo.inspection.answer
    with st.container(border=True):
        with st.container(horizontal=True, vertical_alignment="center"):
            small_picture(photo)
            with st.container(gap=None, width="stretch"):
                frets = ranges(f.number for f in answer.frets)
                what = f"fret{'s' if len(answer.frets) > 1 else ''} {frets}" if frets else "nothing measured"
                st.markdown(
                    f"**{plain(photo.name)}** · {VIEW_TEXT[photo.view][0]} · {plain(photo.visit.label)} · {what}"
                )
                st.markdown(plain(advice(answer)))
                if answer.frets:
                    step_link("readings.py", "Its readings ›", job.id, photo=str(photo.id))
        with st.expander(CHANGE):
            change(job, photo)


def change(job: services.JobView, photo: PhotoView) -> None:
    """Move the photo to another visit or view, ask again, or hide it."""
    left, right = st.columns(2)
    views, visits = [v for v in VIEW_TEXT if v != "finding"], visits_of(job)
    view = left.selectbox("It shows", views, views.index(photo.view), lambda v: VIEW_TEXT[v][0], key=f"view-{photo.id}")
    visit = right.selectbox(
        "It belongs to visit", visits, visits.index(photo.visit.label), str.capitalize, key=f"visit-of-{photo.id}"
    )
    if (view, visit) != (photo.view, photo.visit.label):
        services.update_photo(server.store(), photo.id, view=view, visit=visit)
        st.session_state.pop(f"sight-{photo.id}", None)
        where = f"{VIEW_TEXT[view][0].lower()}, visit {visit}"
        st.session_state["photos-said"] = [("info", f"{plain(photo.name)} is now: {plain(where)}.")]
        st.rerun()
    send = "Measure it again" if photo.inspection else "Measure it"
    with saying():
        ask = ask_form(photo, services.suggested_ask(server.store(), photo.id), f"ask-{photo.id}", send)
        if ask is not None:
            measure_all([(photo, ask)])
    if st.button("Take this photo out of the job", key=f"out-{photo.id}"):
        services.remove_photo(server.store(), photo.id)
        st.rerun()


def taken_out(job: services.JobView) -> None:
    """Photos taken out, to bring back."""
    if job.removed:
        with st.expander(f"Taken out ({len(job.removed)})"):
            for photo in job.removed:
                with st.container(horizontal=True, vertical_alignment="center"):
                    st.markdown(plain(photo.name))
                    if st.button("Bring back", key=f"back-{photo.id}"):
                        services.restore_photo(server.store(), photo.id)
                        st.rerun()


job = the_job()
head(job, "photos.py")
st.title("Photos")
shown = [p for p in job.photos if p.view != "finding"]
open_now = looked_at(shown)
if open_now is not None:
    full_size(open_now, shown)
left, right = st.columns([3, 2], gap="large")
with left:
    visit = choose_visit(job)
    take_in(job, visit)
    with saying():
        to_measure(job)
    done = [p for p in job.photos if p.inspection is not None and p.visit.label == visit]
    if done:
        st.subheader(f"Measured ({len(done)})")
    for each in reversed(done):
        with saying():
            measured(job, each)
    taken_out(job)
with right:
    shot_list(job, visit)
    phone_corner(job)
