"""Which features of a job are gone through: by state, doubt, kind and fret; the strip of its photos."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import streamlit as st

from inspect_app import services
from inspect_app.services import FeatureView, PhotoView, ReadingView
from inspect_app.services.review import SURE_RELATIVE_U, WIDE
from inspect_app.ui.words import plain
from shared.flags import describe

__all__ = [
    "FeatureFilter",
    "choose_filter",
    "doubt_text",
    "photo_strip",
    "left_of",
    "only_doubt",
    "filtered",
    "sure_left",
]

WHICH = ("To decide", "Accepted", "Rejected", "All")
MOST_FILM = 30
"""Photos in the strip at once: an everyday job's. More pictures than that keep the browser busy at every step."""
_VERDICT = {"To decide": "open", "Accepted": "accept", "Rejected": "reject"}


@dataclass(frozen=True, slots=True)
class FeatureFilter:
    """What is looked for; empty lets everything through."""

    which: str = "All"
    doubt: str = ""
    kind: str = ""
    fret: str = ""

    @property
    def narrow(self) -> bool:
        """Whether it is set to anything besides the state."""
        return bool(self.doubt or self.kind or self.fret)


def filtered(every: Iterable[FeatureView], sieve: FeatureFilter) -> tuple[FeatureView, ...]:
    """The features that the sieve lets through, in their order."""
    return tuple(
        f
        for f in every
        if (sieve.which == "All" or f.verdict == _VERDICT[sieve.which])
        and sieve.doubt in ("", *f.doubts)
        and sieve.kind in ("", f.key.feature)
        and sieve.fret in ("", str(f.key.place))
    )


def sure_left(every: Iterable[FeatureView]) -> tuple[FeatureView, ...]:
    """Features of which all that is undecided is sure."""
    return tuple(f for f in every if f.left and all(r.sure for r in f.left))


def only_doubt(every: Iterable[FeatureView], doubt: str) -> tuple[FeatureView, ...]:
    """Features to decide that have this doubt and no other: what else is doubtful wants a look of its own."""
    return tuple(f for f in every if f.left and f.doubts == (doubt,))


def left_of(every: Iterable[FeatureView]) -> tuple[ReadingView, ...]:
    """Everything undecided of these features."""
    return tuple(r for f in every for r in f.left)


def doubt_text(code: str) -> str:
    """A doubt in a sentence."""
    return f"U is more than {100.0 * SURE_RELATIVE_U:.0f} % of the value." if code == WIDE else describe(code).text


def choose_filter(every: Sequence[FeatureView], on_change: Callable[..., None]) -> FeatureFilter:
    """What to go through, as chosen on the page; it stands in the address."""
    which = st.segmented_control(
        "Show", WHICH, default=WHICH[0], required=True, key="which", on_change=on_change, args=(None,),
        label_visibility="collapsed", bind="query-params",
    )  # fmt: skip
    doubts = Counter(d for f in every for d in f.doubts)
    kinds = Counter(f.key.feature for f in every)
    places = dict.fromkeys(str(f.key.place) for f in sorted(every, key=lambda f: f.key.place.order))
    set_to = [str(st.session_state.get(k)) for k in ("doubt", "kind", "fret") if st.session_state.get(k)]
    with st.popover("Narrow down" + (f" ({len(set_to)})" if set_to else "")):
        doubt = _one("Doubt", "doubt", list(doubts), lambda d: f"{doubt_text(d)} ({doubts[d]})", on_change)
        kind = _one("Kind", "kind", list(kinds), lambda k: f"{k.capitalize()} ({kinds[k]})", on_change)
        fret = _one("Fret", "fret", list(places), str.capitalize, on_change)
    return FeatureFilter(str(which), doubt, kind, fret)


def _one(label: str, key: str, options: list[str], say: Callable[[str], str], on_change: Callable[..., None]) -> str:
    """One of these, or all."""
    if st.session_state.get(key) not in (None, *options):
        st.session_state[key] = None  # the last of these was decided: the choice would hide all others
    chosen = st.selectbox(
        label, options, None, say, key=key, placeholder="All", on_change=on_change, args=(None,)
    )  # fmt: skip
    return chosen or ""


def photo_strip(
    job: services.JobView, every: Sequence[FeatureView], here: int | None, open_it: Callable[..., None]
) -> None:
    """The job's photos in the order they are gone through, each with what is left on it; of many, those near `here`."""
    of_photo: dict[int, list[FeatureView]] = {}
    for f in every:
        of_photo.setdefault(f.photo_id, []).append(f)
    photos = {p.id: p for p in job.photos}
    order = [photos[i] for i in of_photo if i in photos]
    at = next((i for i, p in enumerate(order) if p.id == here), 0)
    start = max(0, min(at - MOST_FILM // 2, len(order) - MOST_FILM))
    stop = start + MOST_FILM
    with st.container(horizontal=True, gap="xsmall", key="film"):
        if start:
            st.button(f"‹ {start} before", key="film-back", on_click=open_it, args=(every, order[start - 1].id))
        for p in order[start:stop]:
            left = sum(1 for f in of_photo[p.id] if f.left)
            st.button(
                f"![]({_small(p)}) {_frets(of_photo[p.id])} · {f'{left} left' if left else '✓'}",
                key=f"film-{p.id}",
                type="primary" if p.id == here else "secondary",
                help=f"{plain(p.name)}, {p.visit.label}: {left} to decide",
                on_click=open_it,
                args=(every, p.id),
            )
        if order[stop:]:
            st.button(f"{len(order) - stop} more ›", key="film-on", on_click=open_it, args=(every, order[stop].id))


def _small(photo: PhotoView) -> str:
    return f"/photo/{photo.sha256}/small.jpg"


def _frets(here: Iterable[FeatureView]) -> str:
    numbers = sorted({f.key.fret for f in here if f.key.fret is not None})
    if not numbers:
        return "board"
    return f"{numbers[0]}–{numbers[-1]}" if len(numbers) > 1 else str(numbers[0])
