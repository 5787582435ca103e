"""The readings of a job, feature by feature along the board: each on its photo, to correct, accept or reject."""

from __future__ import annotations

import streamlit as st

from inspect_app import services
from inspect_app.reading.quantities import one_of
from inspect_app.services import FeatureView, ReadingView
from inspect_app.ui import server
from inspect_app.ui.charts import long_table
from inspect_app.ui.feature_filter import (
    FeatureFilter,
    choose_filter,
    doubt_text,
    filtered,
    left_of,
    only_doubt,
    photo_strip,
    sure_left,
)
from inspect_app.ui.feature_marking import Addition, additions
from inspect_app.ui.full_size_photo import legend
from inspect_app.ui.page_frame import current_job, errors_shown, length_unit, page_head, show_error, step_link
from inspect_app.ui.reviewing import (
    Chosen,
    accept_many,
    choose,
    chosen_in,
    decide,
    edge_moved,
    feature_marked,
    id_of,
    next_to_decide,
    open_photo,
    pick,
    stop_adding,
    take_back_edge,
)
from inspect_app.ui.scenes import marking_scene, reading_scene
from inspect_app.ui.shot_list import VIEW_TEXT
from inspect_app.ui.undo import can_undo, show_last_action, undo_last
from inspect_app.ui.viewer import show
from inspect_app.ui.words import Length, in_unit, name_of, plain, shown
from shared.flags import describe

HOW_TO_MOVE = "Drag a ring to move an edge, or reach it with Tab and use the arrow keys. Tap an outline to choose it."
# By Tab alone: past the steps, the strip of photos and the photo's handles, which are some thirty presses.
SKIP = '<a class="skip" href="#the-feature">To the feature and its buttons</a>'
SKIPPED_TO = '<span id="the-feature" class="skipped-to" tabindex="-1"></span>'
SIGN = {"open": "to decide", "accept": "accepted", "reject": "rejected"}
# What a reading is most often rejected for (common practice, no source); other words can be typed.
REASONS = ("A scratch or dirt, not wear", "Glare or shadow", "An edge lies wrong", "Counted as the wrong fret")
Cards = tuple[FeatureView, ...]


def adding(photo: services.PhotoView) -> Addition | None:
    """What is being marked on this photo, if anything is."""
    asked = st.session_state.get("adding")
    offered = additions(photo.inspection.answer) if photo.inspection else ()
    return next((a for a in offered if (photo.id, a.name) == asked), None)


def add(photo_id: int, name: str) -> None:
    """Begin to mark what was missed on this photo."""
    st.session_state["adding"] = (photo_id, name)


def why_doubtful(f: FeatureView) -> None:
    """Why a feature is doubtful, and what would settle it; each doubt once."""
    for code in f.doubts:
        of = [label_of(r) for r in f.left or f.readings if code in services.doubts_of(r)]
        which = f" ({', '.join(of)})" if len(of) < len(f.readings) else ""
        if code in {c for r in f.readings for c in r.flags}:
            st.markdown(f"**{describe(code).text}**{which} {describe(code).advice}")
        else:
            st.markdown(f"**{doubt_text(code)}**{which} A closer or sharper photo narrows it.")
    if any("BY_HAND" in r.flags for r in f.readings):
        st.markdown(f"**{describe('BY_HAND').text}**")


def label_of(r: ReadingView) -> str:
    """A reading's name on its feature's card."""
    return r.reading.key.quantity or r.reading.quantity


def values(f: FeatureView, length: Length) -> None:
    """All readings of the feature, one a line; what is doubtful or decided stands behind."""
    lines = []
    for r in f.readings:
        sign = SIGN[r.verdict] if r.verdict != "open" else "" if r.sure else "?"
        lines.append(f"{label_of(r)}: **{shown(r.reading.value, length)}** {sign}")
    st.markdown("  \n".join(lines))  # one a line, close together: photo and buttons stay on one screen
    for reason in dict.fromkeys(r.reason for r in f.readings if r.reason):
        st.markdown(f"Rejected because: {plain(reason)}")


def start_rejecting(at: Chosen) -> None:
    """Ask for the reason."""
    st.session_state["rejecting"] = at


def reject(f: FeatureView, then: Chosen | None, why: str | None = None) -> None:
    """Reject what is picked of a feature, all of it unless a person left something out."""
    text = st.session_state.get("reject-reason", "") if why is None else why
    picked = st.session_state.get("reject-of")
    rows = [r for r in f.left or f.readings if picked is None or label_of(r) in picked]
    decide(f, rows, "reject", then, text)
    if "readings-said" not in st.session_state:
        st.session_state["reject-reason"] = ""


def reasons(f: FeatureView, then: Chosen | None) -> None:
    """Why it is rejected: one press, or one's own words."""
    rows = f.left or f.readings
    if len(rows) > 1 and f.key.index is None:  # one of several goes whole
        labels = [label_of(r) for r in rows]
        st.pills("Reject", labels, selection_mode="multi", default=labels, key="reject-of")
    for i, why in enumerate(REASONS, 1):
        st.button(why, shortcut=str(i), on_click=reject, args=(f, then, why), key=f"reject-{i}", width="stretch")
    st.text_input("Or in your own words", key="reject-reason")
    with st.container(horizontal=True):
        st.button("Reject it", on_click=reject, args=(f, then), key="reject")
        st.button("Keep it", on_click=choose, args=(id_of(f),), key="reject-not")


def undo_button(job_id: int) -> None:
    """The way back, to be pressed once there is something to take back."""
    st.button(
        "Undo", shortcut="Ctrl+Z", on_click=undo_last, args=(job_id,), disabled=not can_undo(job_id), key="undo-last"
    )


def verdict_buttons(f: FeatureView, then: Chosen | None, job_id: int) -> None:
    """Accept, reject, take back: on a phone they stay at the lower edge of the screen."""
    with st.container(horizontal=True, key="verdict"):
        if f.verdict == "open":
            st.button(
                "Accept", type="primary", shortcut="A", on_click=decide, args=(f, f.left, "accept", then), key="accept"
            )
            st.button("Reject (R)", on_click=start_rejecting, args=(id_of(f),), key="start-reject")
        else:
            st.button("Decide again", on_click=decide, args=(f, f.readings, "open", id_of(f)), key="reopen")
        undo_button(job_id)


def card(f: FeatureView, every: Cards, shown_now: Cards, photo: services.PhotoView, length: Length) -> None:
    """The feature being looked at."""
    left = sum(1 for o in every if o.left)
    st.caption(f"{left} of {len(every)} to decide · {plain(photo.name)} · {f.visit.label} · {SIGN[f.verdict]}")
    name = one_of(f.key)
    st.html(SKIPPED_TO)
    st.header(f"{name[:1].upper()}{name[1:]}", anchor=False)
    values(f, length)
    why_doubtful(f)
    then = next_to_decide(every, shown_now, f)
    verdict_buttons(f, then, photo.job_id)
    if st.session_state.get("rejecting") == id_of(f):
        reasons(f, then)
    ahead, back = then or id_of(f), next_to_decide(every, shown_now, f, -1) or id_of(f)
    with st.container(horizontal=True):
        st.button("Previous", shortcut="P", on_click=choose, args=(back,), key="previous")
        st.button("Next", shortcut="N", on_click=choose, args=(ahead,), key="next")
        inspection = photo.inspection
        if inspection and inspection.ask.hand_edges:
            st.button("Undo the last move", on_click=take_back_edge, args=(f,), key="undo")
        offered = additions(inspection.answer) if inspection else ()
        if offered:
            with st.popover("Add what was missed"):
                for a in offered:
                    st.button(a.name, on_click=add, args=(photo.id, a.name), key=f"add-{a.name}", width="stretch")
    more(f, length)


def add_card(addition: Addition) -> None:
    """How to mark what was missed."""
    st.html(SKIPPED_TO)
    st.markdown(f"## Add by hand: {addition.name.lower()}")
    steps = "\n".join(f"{i}. {prompt}" for i, prompt in enumerate(addition.prompts, 1))
    st.markdown(f"Tap the photo, zoomed in as far as it is sharp:\n\n{steps}")
    st.caption("With the keyboard, arrow keys move the photo and Enter marks the point in its middle.")
    st.button("Cancel", on_click=stop_adding, key="stop-adding")


def more(f: FeatureView, length: Length) -> None:
    """Where the uncertainty comes from, and what was said of the readings before."""
    parts_of_u = st.expander("Where its uncertainty comes from", on_change="rerun", key="parts")
    if parts_of_u.open:
        for r in f.readings:
            q = r.reading.value
            total = sum(c.u**2 for c in q.contributions) or 1.0
            parts = sorted(q.contributions, key=lambda c: -c.u)
            shares = {c.source: f"{100.0 * c.u**2 / total:.0f} %" for c in parts}
            parts_of_u.table({f"Share of U² of {label_of(r)}": shares}, border="horizontal")
        parts_of_u.caption("U = 2 u: the true value lies within value ± U about 95 times in 100.")
    before = st.expander("What was decided before", on_change="rerun", key="before")
    if before.open:
        for r in f.readings:
            for j in services.history(server.store(), f.photo_id, r.reading.key):
                value = shown(j.value, length) if j.value else "no value"
                why = f" · {plain(j.reason)}" if j.reason else ""
                before.markdown(f"{j.at:%Y-%m-%d %H:%M} · {label_of(r)} · {SIGN[j.verdict]} · {value}{why}")


def at_once(every: Cards, shown_now: Cards, sieve: FeatureFilter, at: Chosen | None) -> None:
    """What may be accepted together: all sure ones, or all that share the one doubt that is looked for."""
    sure = sure_left(shown_now if sieve.narrow else every)
    if sure:
        label = f"Accept all {len(sure)} sure ones"
        st.button(label, on_click=accept_many, args=(left_of(sure), len(sure), at), key="accept-sure")
    same = only_doubt(shown_now, sieve.doubt) if sieve.doubt else ()
    if same:
        label = f"Accept all {len(same)} with this doubt alone"
        st.button(label, on_click=accept_many, args=(left_of(same), len(same), at), key="accept-doubt")


@st.fragment
def review(job: services.JobView) -> None:
    """Photo and feature side by side; only this part runs again when a handle is let go."""
    for error in (st.session_state.pop("readings-said", None), show_last_action()):
        if error is not None:
            show_error(error)
    every = services.features(server.store(), job.id)
    with st.container(horizontal=True, vertical_alignment="center", key="sieve"):
        sieve = choose_filter(every, choose)
        shown_now = filtered(every, sieve)
        at = chosen_in(every, shown_now)
        at_once(every, shown_now, sieve, id_of(at) if at else None)
    if every:
        photo_strip(job, every, at.photo_id if at else None, open_photo)
    if at is None:
        nothing(job, every)
        return
    look_at(at, every, shown_now)
    table(shown_now, length_unit())
    server.settle_once()


def look_at(at: FeatureView, every: Cards, shown_now: Cards) -> None:
    """A feature on its photo, and its card."""
    photo = services.photo_view(server.store(), at.photo_id)
    if st.session_state.get("looked-at") != photo.id:
        services.make_ready(server.store(), photo.id)
        st.session_state["looked-at"] = photo.id
    here, length = tuple(r for f in every if f.photo_id == photo.id for r in f.readings), length_unit()
    scene = reading_scene(photo, here, at.readings[0], length, st.session_state.get(f"rev-{photo.id}", 0))
    addition = adding(photo)
    left, right = st.columns([7, 4], gap="medium")
    with left:
        if addition is None:
            moved, tapped = (lambda m: edge_moved(at, scene, m)), (lambda k: pick(photo.id, k))
            show(scene, f"viewer-{photo.id}", moved, tapped, {"r": lambda: start_rejecting(id_of(at))})
            legend()
            st.caption(HOW_TO_MOVE)
        else:
            turn = st.session_state.get("adding-turn", 0)
            marking = marking_scene(scene, addition.name, addition.prompts, turn)
            show(marking, f"viewer-{photo.id}", lambda m: feature_marked(at.inspection_id, photo, addition, m))
    with right:
        if addition is None:
            card(at, every, shown_now, photo, length)
        else:
            add_card(addition)


def nothing(job: services.JobView, every: Cards) -> None:
    """What to do when there is nothing to show."""
    st.html(SKIPPED_TO)
    if not every:
        asked = any(p.inspection for p in job.photos)
        st.info(
            "No photo gave a reading. What each lacks stands below."
            if asked
            else "No readings yet. Add photos and measure them: their readings appear here."
        )
        step_link("photos.py", "Go to the photos", job.id)
        return
    st.success("Nothing left here. Choose another group above, or go on to the wear map.")
    undo_button(job.id)
    step_link("wear_map.py", "Open the wear map", job.id)


def table(shown_now: Cards, length: Length) -> None:
    """All readings of what is shown as a table."""
    rows = [r for f in shown_now for r in f.readings]
    every = st.expander(f"All {len(rows)} as a table", on_change="rerun", key="table")
    if not every.open:
        return
    with every:
        long_table(
            {
                "Reading": [name_of(r.reading) for r in rows],
                "Value ± U": [shown(r.reading.value, length) for r in rows],
                "State": [SIGN[r.verdict] for r in rows],
                "Doubts": [" ".join(map(doubt_text, services.doubts_of(r))) for r in rows],
                "Photo": [VIEW_TEXT[r.view][0] for r in rows],
                "Visit": [r.visit.label for r in rows],
            },
            "Readings with value, uncertainty, state and doubts",
        )


def not_read(job: services.JobView) -> None:
    """What the photos could not say, and why."""
    missing = [(p, n) for p in job.photos if p.inspection for n in p.inspection.answer.not_measured]
    if missing:
        shut = st.expander(f"What could not be measured ({len(missing)})", on_change="rerun", key="not-read")
        if not shut.open:
            return
        length = length_unit()
        with shut:
            st.caption(
                "What you can see yourself can be marked: choose a reading of that photo, then “Add what was missed”."
            )
            for photo, n in missing:
                st.markdown(f"**{plain(str(n.what))}** ({plain(photo.name)}): {plain(in_unit(n.reason, length))}")


job = current_job()
st.html(SKIP)
page_head(job, "readings.py")
st.title("Readings")
with errors_shown():
    review(job)
    not_read(job)
