"""A form that was open while another window saved: what both typed is kept, and a clash is shown with both versions.

A form is built from the values it was opened with, not from those of the moment: only so can be told what was typed
in it and what somebody else changed since.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import streamlit as st

from inspect_app.ui.words import plain

__all__ = ["MergedEdit", "changed_note", "merge", "opened_with", "reopen", "settle_edit", "form_key"]

Fields = Mapping[str, Any]
Say = Callable[[str, Any], str]
"""A field's value in words, from its name and value."""


@dataclass(frozen=True, slots=True)
class MergedEdit:
    """What comes of two changes of the same fields: the fields, those only the other changed, those both did."""

    fields: dict[str, Any]
    theirs: tuple[str, ...]
    clash: tuple[str, ...]


def merge(base: Fields, mine: Fields, now: Fields) -> MergedEdit:
    """Both changes of `base` together: `mine` as typed, `now` as kept meanwhile; a field both changed stays `mine`.

    >>> merge({"a": 1, "b": 1}, {"a": 2, "b": 1}, {"a": 1, "b": 3})
    MergedEdit(fields={'a': 2, 'b': 3}, theirs=('b',), clash=())
    """
    typed = {n for n in mine if mine[n] != base.get(n)}
    other = {n for n in now if now[n] != base.get(n)}
    clash = tuple(n for n in mine if n in typed & other and mine[n] != now[n])
    fields = {n: mine[n] if n in typed else now.get(n, mine[n]) for n in mine}
    return MergedEdit(fields, tuple(n for n in mine if n in other - typed), clash)


def opened_with(key: str, now: Fields) -> dict[str, Any]:
    """The values a form was opened with: those of now the first time, then the same until `reopen`."""
    at: dict[str, Any] = st.session_state.setdefault(f"opened-{key}", dict(now))
    return at


def form_key(key: str) -> str:
    """A form's own key, another after each `reopen`: its fields then show what is kept."""
    return f"{key}-{st.session_state.get(f'turn-{key}', 0)}"


def reopen(key: str) -> None:
    """Build the form anew from what is kept now."""
    for of in ("opened", "typed"):
        st.session_state.pop(f"{of}-{key}", None)
    st.session_state[f"turn-{key}"] = st.session_state.get(f"turn-{key}", 0) + 1


def changed_note(key: str, now: Fields) -> None:
    """Say that another window saved since the form was opened, where it did and no choice is asked for yet."""
    base = opened_with(key, now)
    if base == dict(now) or f"typed-{key}" in st.session_state:
        return
    st.info("Another window has changed this since it was opened here. What you type is kept beside that change.")
    st.button("Show it as it is now", key=f"fresh-{key}", on_click=reopen, args=(key,))


def settle_edit(
    key: str, typed: Fields | None, now: Fields, labels: Mapping[str, str], say: Say
) -> dict[str, Any] | None:
    """What to save of a form: what was typed with what others changed; where both changed a field, once a person chose.

    Returns ``None`` while there is nothing to save. `labels` names the fields; `say` puts a value into words.
    """
    if typed is not None:
        st.session_state[f"typed-{key}"] = dict(typed)
    mine = st.session_state.get(f"typed-{key}")
    if mine is None:
        return None
    both = merge(opened_with(key, now), mine, now)
    fields = _choose(key, both, mine, now, labels, say) if both.clash else both.fields
    if fields is not None and both.theirs:
        names = ", ".join(labels.get(n, n) for n in both.theirs)
        st.toast(f"Kept. Another window's change is kept as well: {plain(names)}.")
    return fields


def _choose(
    key: str, both: MergedEdit, mine: Fields, now: Fields, labels: Mapping[str, str], say: Say
) -> dict[str, Any] | None:
    """Both versions of what two windows changed, and the choice between them; nothing is saved before."""
    with st.container(border=True):
        st.warning("Another window has changed the same meanwhile. Nothing is saved yet: choose which to keep.")
        st.table(
            [
                {"": labels.get(n, n), "Typed here": plain(say(n, mine[n])), "Kept meanwhile": plain(say(n, now[n]))}
                for n in both.clash
            ],
            border="horizontal",
        )
        left, right = st.columns(2)
        if left.button("Keep what was typed here", key=f"mine-{key}", width="stretch"):
            return both.fields
        if right.button("Keep the other", key=f"theirs-{key}", width="stretch"):
            return both.fields | {n: now[n] for n in both.clash}
    return None
