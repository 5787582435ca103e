"""The readings of a job, doubtful first: look at each on its photo, correct it, accept or reject it."""

from __future__ import annotations

import streamlit as st

from inspect_app import services
from inspect_app.reading.key import Key, parse_key
from inspect_app.reading.quantities import one_of
from inspect_app.reading.values import readings_of
from inspect_app.ui import server
from inspect_app.ui.adding import Addition, additions
from inspect_app.ui.bench import head, length_unit, say, saying, step_link, the_job
from inspect_app.ui.handles import hand_edge
from inspect_app.ui.scenes import marking_scene, reading_scene
from inspect_app.ui.viewer import Moved, Scene, show
from inspect_app.ui.words import Length, name_of, plain, shown
from shared.errors import InspectError, OptionError
from shared.flags import describe

WHICH = ("To decide", "Accepted", "Rejected", "All")
_OF = {"To decide": "open", "Accepted": "accept", "Rejected": "reject"}
HOW_TO_MOVE = "Drag a ring to move an edge, or reach it with Tab and use the arrow keys. Tap an outline to choose it."
SIGN = {"open": "to decide", "accept": "accepted", "reject": "rejected"}
Chosen = tuple[int, Key]
Rows = tuple[services.ReadingView, ...]


def key_of(r: services.ReadingView) -> Chosen:
    """What tells a reading from all others of the job, through new inspections too."""
    return r.photo_id, r.reading.key


def chosen_in(every: Rows, group: Rows) -> services.ReadingView | None:
    """The reading being looked at: as chosen, as in the address, else the first of the group."""
    asked = st.session_state.get("reading")
    key, photo = st.query_params.get("reading"), st.query_params.get("photo")
    for r in every:
        if asked == key_of(r) or (asked is None and str(r.reading.key) == key and photo in (None, str(r.photo_id))):
            return r
    return group[0] if group else None


def choose(key: Chosen | None) -> None:
    """Look at this reading."""
    st.session_state["reading"] = key
    for name in ("reading", "photo"):
        st.query_params.pop(name, None)


def pick(photo_id: int, text: str) -> None:
    """Look at the reading whose outline was tapped."""
    choose((photo_id, parse_key(text)))


def step(rows: Rows, at: services.ReadingView, by: int) -> Chosen:
    """The next reading to decide in that direction, round the end; the next of any kind when none is left."""
    here = next((i for i, r in enumerate(rows) if key_of(r) == key_of(at)), 0)
    ring = [rows[(here + by * k) % len(rows)] for k in range(1, len(rows) + 1)]
    return key_of(next((r for r in ring if r.verdict == "open"), ring[0]))


def after(rows: Rows, at: services.ReadingView) -> Chosen | None:
    """What to look at once a reading is decided: the next to decide, or nothing when it was the last."""
    left = [r for r in rows if r.verdict == "open" and key_of(r) != key_of(at)]
    return step(rows, at, 1) if left else None


def decide(r: services.ReadingView, verdict: services.Verdict, then: Chosen | None, reason: str = "") -> None:
    """Keep a person's word on a reading and go on to the next."""
    try:
        services.judge(server.store(), r.inspection_id, r.reading.key, verdict, reason)
    except InspectError as error:
        st.session_state["readings-said"] = error
        return
    choose(then if verdict != "open" else key_of(r))


def reject(r: services.ReadingView, then: Chosen | None) -> None:
    """Reject with the reason typed."""
    decide(r, "reject", then, st.session_state.get("reject-reason", ""))
    if "readings-said" not in st.session_state:
        st.session_state["reject-reason"] = ""


def take_back(r: services.ReadingView) -> None:
    """Undo the last edge placed by hand on this photo; where that takes the reading away, stay on its fret."""
    try:
        left = readings_of(services.undo(server.store(), r.photo_id).answer)
        same = [o.key for o in left if o.key == r.reading.key] or [o.key for o in left if o.place == r.reading.place]
        choose((r.photo_id, same[0]) if same else None)
    except InspectError as error:
        st.session_state["readings-said"] = error
    rev = f"rev-{r.photo_id}"
    st.session_state[rev] = st.session_state.get(rev, 0) + 1


def placed(r: services.ReadingView, scene: Scene, moved: Moved) -> None:
    """A handle was let go: measure again with that edge fixed."""
    st.session_state[f"rev-{r.photo_id}"] = moved.rev
    edge = hand_edge(moved, scene)
    if edge is None:
        return
    try:
        kept = services.place_edge(server.store(), r.inspection_id, edge)
        if not took(kept, r):
            services.undo(server.store(), r.photo_id)
            raise OptionError(
                "This kind of photo does not take that edge by hand, so nothing was changed.",
                "Measure it on the By hand page, or take the photo again.",
            )
    except InspectError as error:
        st.session_state["readings-said"] = error
    choose(key_of(r))


def took(kept: services.InspectionView, r: services.ReadingView) -> bool:
    """Whether the measuring function used the placed edge: it marks what rests on one."""
    values = [o.value for o in readings_of(kept.answer) if o.of == r.reading.of or o.key == r.reading.key]
    return any(v.by_hand or "BY_HAND" in v.flags for v in values)


def adding(photo: services.PhotoView) -> Addition | None:
    """What is being marked on this photo, if anything is."""
    asked = st.session_state.get("adding")
    offered = additions(photo.inspection.answer) if photo.inspection else ()
    return next((a for a in offered if (photo.id, a.name) == asked), None)


def add(photo_id: int, name: str) -> None:
    """Begin to mark what was missed on this photo."""
    st.session_state["adding"] = (photo_id, name)


def stop_adding() -> None:
    """Go back to the readings."""
    st.session_state.pop("adding", None)


def added(r: services.ReadingView, photo: services.PhotoView, addition: Addition, moved: Moved) -> None:
    """All points are marked: measure with the edges they make, and look at the reading that comes of it."""
    at = [moved.points.get(f"p{i + 1}") for i in range(len(addition.prompts))]
    points = [p for p in at if p is not None]
    photo = services.photo_view(server.store(), photo.id)  # another window may have added to it meanwhile
    if photo.inspection is None or len(points) < len(at):
        return
    try:
        marking = addition.mark(photo.inspection.answer, points)
        kept = services.place_edge(server.store(), r.inspection_id, *marking.edges)
    except InspectError as error:
        st.session_state["readings-said"] = error
        st.session_state["adding-turn"] = st.session_state.get("adding-turn", 0) + 1
        return
    stop_adding()
    if any(o.key == marking.key for o in readings_of(kept.answer)):
        choose((photo.id, marking.key))
        return
    why = next((n.reason for n in kept.answer.not_measured if n.what == marking.key), "Mark what else bounds it.")
    st.session_state["readings-said"] = OptionError(
        f"The mark is kept, but {one_of(marking.key)} can't be told yet.", why
    )


def accept_all(job_id: int) -> None:
    """Accept all sure readings at once."""
    try:
        st.session_state["accepted"] = services.accept_sure(server.store(), job_id)
    except InspectError as error:
        st.session_state["readings-said"] = error
    choose(None)


def doubts(r: services.ReadingView) -> None:
    """Why a reading is doubtful, and what would settle it."""
    for code in r.flags:
        flag = describe(code)
        st.markdown(f"**{flag.text}** {flag.advice}")
    if not r.flags and not r.sure:
        st.markdown(f"**Its uncertainty is {r.relative_u:.0%} of the value.** A closer or sharper photo narrows it.")


def card(r: services.ReadingView, rows: Rows, photo: services.PhotoView, length: Length) -> None:
    """The reading being looked at."""
    where = next((i for i, o in enumerate(rows) if key_of(o) == key_of(r)), 0)
    st.caption(f"{where + 1} of {len(rows)} · {plain(photo.name)} · {SIGN[r.verdict]}")
    st.markdown(f"### {name_of(r.reading)}")
    st.markdown(f"## {shown(r.reading.value, length)}")
    doubts(r)
    if r.reason:
        st.markdown(f"Rejected because: {plain(r.reason)}")
    ahead, back, then = step(rows, r, 1), step(rows, r, -1), after(rows, r)
    with st.container(horizontal=True):
        if r.verdict == "open":
            st.button("Accept", type="primary", shortcut="A", on_click=decide, args=(r, "accept", then), key="accept")
            with st.popover("Reject"):
                st.text_input("What is wrong with it?", key="reject-reason")
                st.button("Reject it", on_click=reject, args=(r, then), key="reject")
        else:
            st.button("Decide again", on_click=decide, args=(r, "open", key_of(r)), key="reopen")
    with st.container(horizontal=True):
        st.button("Previous", shortcut="P", on_click=choose, args=(back,), key="previous")
        st.button("Next", shortcut="N", on_click=choose, args=(ahead,), key="next")
        inspection = photo.inspection
        if inspection and inspection.ask.hand_edges:
            st.button("Undo the last move", on_click=take_back, args=(r,), key="undo")
        offered = additions(inspection.answer) if inspection else ()
        if offered:
            with st.popover("Add what was missed"):
                for a in offered:
                    st.button(a.name, on_click=add, args=(photo.id, a.name), key=f"add-{a.name}", width="stretch")
    more(r, length)


def add_card(addition: Addition) -> None:
    """How to mark what was missed."""
    st.markdown(f"### Add by hand: {addition.name.lower()}")
    steps = "\n".join(f"{i}. {prompt}" for i, prompt in enumerate(addition.prompts, 1))
    st.markdown(f"Tap the photo, zoomed in as far as it is sharp:\n\n{steps}")
    st.caption("With the keyboard, arrow keys move the photo and Enter marks the point in its middle.")
    st.button("Cancel", on_click=stop_adding, key="stop-adding")


def more(r: services.ReadingView, length: Length) -> None:
    """Where the uncertainty comes from, and what was said of the reading before."""
    parts_of_u = st.expander("Where its uncertainty comes from", on_change="rerun", key="parts")
    if parts_of_u.open:
        q = r.reading.value
        total = sum(c.u**2 for c in q.contributions) or 1.0
        parts = sorted(q.contributions, key=lambda c: -c.u)
        shares = {c.source: f"{c.u**2 / total:.0%}" for c in parts}
        parts_of_u.table({"Share of U²": shares}, border="horizontal")
        parts_of_u.caption("U = 2 u: the true value lies within value ± U about 95 times in 100.")
    said = services.history(server.store(), r.photo_id, r.reading.key)
    if said:
        with st.expander("What was decided before"):
            for j in said:
                value = shown(j.value, length) if j.value else "no value"
                st.markdown(
                    f"{j.at:%Y-%m-%d %H:%M} · {SIGN[j.verdict]} · {value} {'· ' + plain(j.reason) if j.reason else ''}"
                )


@st.fragment
def review(job_id: int) -> None:
    """Photo and reading side by side; only this part runs again when a handle is let go."""
    error = st.session_state.pop("readings-said", None)
    if error is not None:
        say(error)
    every = services.readings(server.store(), job_id)
    with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
        which = st.segmented_control(
            "Show", WHICH, default=WHICH[0], required=True, key="which", on_change=choose, args=(None,),
            label_visibility="collapsed",
        )  # fmt: skip
        sure = sum(1 for r in every if r.sure and r.verdict == "open")
        if sure:
            st.button(f"Accept all {sure} sure ones", on_click=accept_all, args=(job_id,), key="accept-sure")
    done = st.session_state.pop("accepted", None)
    if done:
        st.success(f"{done} accepted. What is left below wants a look.")
    rows = tuple(r for r in every if which == "All" or r.verdict == _OF.get(str(which)))
    at = chosen_in(every, rows)
    if at is None:
        nothing(job_id, every)
        return
    photo = services.photo_view(server.store(), at.photo_id)
    if st.session_state.get("looked-at") != photo.id:
        services.make_ready(server.store(), photo.id)
        st.session_state["looked-at"] = photo.id
    here, length = tuple(r for r in every if r.photo_id == photo.id), length_unit()
    scene = reading_scene(photo, here, at, length, st.session_state.get(f"rev-{photo.id}", 0))
    addition = adding(photo)
    left, right = st.columns([7, 4], gap="medium")
    with left:
        if addition is None:
            show(scene, f"viewer-{photo.id}", lambda m: placed(at, scene, m), lambda k: pick(photo.id, k))
            st.caption(HOW_TO_MOVE)
        else:
            turn = st.session_state.get("adding-turn", 0)
            marking = marking_scene(scene, addition.name, addition.prompts, turn)
            show(marking, f"viewer-{photo.id}", lambda m: added(at, photo, addition, m))
    with right:
        if addition is None:
            card(at, rows if at in rows else every, photo, length)
        else:
            add_card(addition)
    table(rows, length)
    server.settle_once()


def nothing(job_id: int, every: Rows) -> None:
    """What to do when there is nothing to show."""
    if not every:
        st.info("No readings yet. Add photos and measure them: their readings appear here.")
        step_link("photos.py", "Go to the photos", job_id)
    else:
        st.success("Nothing left here. Choose another group above, or go on to the wear map.")
        step_link("wear_map.py", "Open the wear map", job_id)


def table(rows: Rows, length: Length) -> None:
    """All readings of the group as a table."""
    every = st.expander(f"All {len(rows)} as a table", on_change="rerun", key="table")
    if not every.open:
        return
    with every:
        st.dataframe(
            {
                "Reading": [name_of(r.reading) for r in rows],
                "Value ± U": [shown(r.reading.value, length) for r in rows],
                "State": [SIGN[r.verdict] for r in rows],
                "Doubts": [" ".join(describe(c).text for c in r.flags) for r in rows],
                "Photo": [r.view for r in rows],
                "Visit": [r.visit.label for r in rows],
            },
            hide_index=True,
            alt="Readings with value, uncertainty, state and doubts",
        )


def not_read(job: services.JobView) -> None:
    """What the photos could not say, and why."""
    missing = [(p, n) for p in job.photos if p.inspection for n in p.inspection.answer.not_measured]
    if missing:
        with st.expander(f"What could not be measured ({len(missing)})"):
            st.caption(
                "What you can see yourself can be marked: choose a reading of that photo, then “Add what was missed”."
            )
            for photo, n in missing:
                st.markdown(f"**{plain(str(n.what))}** ({plain(photo.name)}): {plain(n.reason)}")


job = the_job()
head(job, "readings.py")
st.title("Readings")
with saying():
    review(job.id)
    not_read(job)
