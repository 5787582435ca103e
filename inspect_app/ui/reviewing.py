"""Going through a job's features on the page: which is looked at, what was done to it, how that is undone."""

from __future__ import annotations

from collections.abc import Sequence

import streamlit as st

from inspect_app import services
from inspect_app.reading.key import Key, NotMeasured, parse_key
from inspect_app.reading.quantities import card_of, one_of
from inspect_app.reading.values import readings_of
from inspect_app.services import FeatureView, JudgementAction, ReadingView, Verdict
from inspect_app.ui import server
from inspect_app.ui.feature_marking import Addition
from inspect_app.ui.handles import hand_edge
from inspect_app.ui.undo import forget_about, remember_action
from inspect_app.ui.viewer import MovedHandles, Scene
from shared.errors import InspectError, OptionError

__all__ = [
    "Chosen",
    "feature_marked",
    "accept_many",
    "choose",
    "chosen_in",
    "decide",
    "id_of",
    "open_photo",
    "pick",
    "edge_moved",
    "stop_adding",
    "show_refusal_later",
    "take_back_edge",
    "next_to_decide",
]

Chosen = tuple[int, Key]
"""A photo and a feature on it: what tells a card from all others of the job, through new inspections too."""


def id_of(f: FeatureView) -> Chosen:
    """The card's name."""
    return f.photo_id, f.key


def chosen_in(every: Sequence[FeatureView], shown: Sequence[FeatureView]) -> FeatureView | None:
    """The feature being looked at: as in the address (a link, a reload), else as chosen, else the first shown."""
    asked = _from_address(every) or st.session_state.get("feature")
    found = next((f for f in every if id_of(f) == asked), None)
    return found or (shown[0] if shown else None)


def _from_address(every: Sequence[FeatureView]) -> Chosen | None:
    text, photo = st.query_params.get("reading"), st.query_params.get("photo")
    here = [f for f in every if photo in (None, str(f.photo_id))]
    if text is None:
        return id_of(next((f for f in here if f.left), here[0])) if photo and here else None
    named = [f for f in here if text in (str(f.key), *(str(r.reading.key) for r in f.readings))]
    return id_of(named[0]) if named else None


def choose(at: Chosen | None) -> None:
    """Look at this feature; it stands in the address, so that a reload shows it again."""
    st.session_state["feature"] = at
    st.session_state.pop("rejecting", None)
    for name, value in (("photo", at and str(at[0])), ("reading", at and str(at[1]))):
        if value:
            st.query_params[name] = value
        else:
            st.query_params.pop(name, None)


def pick(photo_id: int, text: str) -> None:
    """Look at the feature whose outline was tapped."""
    choose((photo_id, card_of(parse_key(text))))


def open_photo(every: Sequence[FeatureView], photo_id: int) -> None:
    """Look at what is first to decide on a photo, or at its first feature."""
    here = [f for f in every if f.photo_id == photo_id]
    choose(id_of(next((f for f in here if f.left), here[0])))


def next_to_decide(
    every: Sequence[FeatureView], shown: Sequence[FeatureView], at: FeatureView, by: int = 1
) -> Chosen | None:
    """The next feature to decide in that direction among those shown, round the end; nothing when none is left."""
    here = next((i for i, f in enumerate(every) if id_of(f) == id_of(at)), 0)
    wanted = {id_of(f) for f in shown if f.left} - {id_of(at)}
    ring = [id_of(every[(here + by * k) % len(every)]) for k in range(1, len(every))]
    return next((c for c in ring if c in wanted), None)


def decide(at: FeatureView, rows: Sequence[ReadingView], verdict: Verdict, then: Chosen | None, why: str = "") -> None:
    """Keep a person's word on readings of a feature and go on to the next."""
    try:
        judged = services.judge_all(server.store(), rows, verdict, why)
    except InspectError as error:
        show_refusal_later(error)
        return
    word = {"accept": "accepted", "reject": "rejected", "open": "to decide again"}[verdict]
    _judged(f"{one_of(at.key)}: {word}", judged, id_of(at))
    choose(then if verdict != "open" else id_of(at))


def accept_many(rows: Sequence[ReadingView], features: int, at: Chosen | None) -> None:
    """Accept many at once."""
    try:
        judged = services.judge_all(server.store(), rows, "accept")
    except InspectError as error:
        show_refusal_later(error)
        return
    _judged(f"{features} accepted, with {len(judged)} readings", judged, at)
    choose(None)


def _judged(text: str, judged: JudgementAction, at: Chosen | None) -> None:
    """Remember judgements, so that they are said and can be taken back."""

    def back() -> str:
        count = services.take_back(server.store(), judged)
        missed = len(judged) - count
        choose(at)
        return f"Undone: {text}" + (f" ({missed} were decided anew since and stay)" if missed else "")

    remember_action(_job_id(), text, back)


def _placed(photo_id: int, text: str, at: Chosen) -> None:
    """Remember an edge placed by hand."""

    def back() -> str:
        services.undo(server.store(), photo_id)
        _turn(photo_id)
        choose(at)
        return "The edge is back where it was"

    remember_action(_job_id(), text, back, about=photo_id)


def _job_id() -> int:
    """The job gone through."""
    return int(st.session_state["job"])


def _turn(photo_id: int) -> None:
    """Another revision of what the viewer shows: it takes over the edges as they are now."""
    st.session_state[f"rev-{photo_id}"] = st.session_state.get(f"rev-{photo_id}", 0) + 1


def show_refusal_later(error: InspectError) -> None:
    """What could not be done, to be said when the page runs again."""
    st.session_state["readings-said"] = error


def edge_moved(at: FeatureView, scene: Scene, moved: MovedHandles) -> None:
    """A handle was let go: measure again with that edge fixed; what comes of it is accepted with it."""
    st.session_state[f"rev-{at.photo_id}"] = moved.rev
    edge = hand_edge(moved, scene)
    if edge is None:
        return
    try:
        kept = services.place_edge(server.store(), at.inspection_id, edge)
        if not used_edge(kept, at):
            services.undo(server.store(), at.photo_id)
            raise OptionError(
                "This kind of photo does not take that edge by hand, so nothing was changed.",
                "Measure it on the By hand page, or take the photo again.",
            )
        services.accept_placed(server.store(), kept.id)
        _placed(at.photo_id, f"{one_of(edge.what)}: placed by hand", id_of(at))
    except InspectError as error:
        show_refusal_later(error)
    choose(id_of(at))


def take_back_edge(f: FeatureView) -> None:
    """Undo the last edge placed by hand on this photo; where that takes the feature away, stay on its fret."""
    try:
        left = readings_of(services.undo(server.store(), f.photo_id).answer)
        cards = [card_of(o.key) for o in left if o.place == f.key.place]
        choose((f.photo_id, f.key) if f.key in cards else (f.photo_id, cards[0]) if cards else None)
        forget_about(f.photo_id)
    except InspectError as error:
        show_refusal_later(error)
    _turn(f.photo_id)


def used_edge(kept: services.InspectionView, at: FeatureView) -> bool:
    """Whether the measuring function used the placed edge: it marks what rests on one."""
    values = [o.value for o in readings_of(kept.answer) if card_of(o.key) == at.key]
    return any(v.by_hand or "BY_HAND" in v.flags for v in values)


def stop_adding() -> None:
    """Go back to the readings."""
    st.session_state.pop("adding", None)


def feature_marked(inspection_id: int, photo: services.PhotoView, addition: Addition, moved: MovedHandles) -> None:
    """All points are marked: measure with the edges they make, and look at the feature that comes of it."""
    at = [moved.points.get(f"p{i + 1}") for i in range(len(addition.prompts))]
    points = [p for p in at if p is not None]
    photo = services.photo_view(server.store(), photo.id)  # another window may have added to it meanwhile
    if photo.inspection is None or len(points) < len(at):
        return
    try:
        marking = addition.mark(photo.inspection.answer, points)
        kept = services.place_edge(server.store(), inspection_id, *marking.edges)
        services.accept_placed(server.store(), kept.id)
    except InspectError as error:
        show_refusal_later(error)
        st.session_state["adding-turn"] = st.session_state.get("adding-turn", 0) + 1
        return
    stop_adding()
    _placed(photo.id, f"{one_of(card_of(marking.key))}: added by hand", (photo.id, card_of(marking.key)))
    if any(o.key == marking.key for o in readings_of(kept.answer)):
        choose((photo.id, card_of(marking.key)))
        return
    missing: tuple[NotMeasured, ...] = kept.answer.not_measured
    why = next((n.reason for n in missing if n.what == marking.key), "Mark what else bounds it.")
    show_refusal_later(OptionError(f"The mark is kept, but {one_of(marking.key)} can't be told yet.", why))
