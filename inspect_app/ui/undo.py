"""What was done to a job from this window: said as it is done, taken back the last first, by Ctrl+Z on every page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import streamlit as st

from inspect_app.ui.words import plain
from shared.errors import InspectError, OptionError

__all__ = [
    "SHOP",
    "Undoable",
    "can_undo",
    "remember_action",
    "forget_about",
    "kept_in_shop",
    "show_last_action",
    "rerun_to_show_action",
    "said_in_shop",
    "undo_corner",
    "undo_last",
]

SHOP = 0
"""Stands for a job's id where something was done to the shop."""
MOST_UNDONE = 50
"""Actions that can be taken back one after the other: more than anyone remembers."""
_DONE, _SAID, _REFUSED, _IN_SHOP = "done", "done-said", "undo-refused", "shop-said"


@dataclass(frozen=True, slots=True)
class Undoable:
    """An action, as it is said and taken back; `about` is what it was done to, where that may take it back itself."""

    job_id: int
    text: str
    back: Callable[[], str | None]
    about: object = None


def remember_action(
    job_id: int,
    text: str,
    back: Callable[[], object],
    read: Callable[[], object] | None = None,
    about: object = None,
    said: bool = True,
) -> None:
    """Remember an action just done, and say it on the page that comes.

    Parameters
    ----------
    back
        Takes it back; what it returns, if it is a text, is said.
    read
        What the action changed. Where that is no longer as it is now, taking back is refused: someone changed it since.
    said
        Whether to say it; not where the page says it by itself, as what is typed into a field does.
    """
    left = read() if read else None

    def unless_changed() -> str | None:
        if read is not None and read() != left:
            raise OptionError("It was changed again since, perhaps in another window.", "Change it by hand.")
        said = back()
        return said if isinstance(said, str) else None

    every: list[Undoable] = st.session_state.get(_DONE, [])
    st.session_state[_DONE] = [*every, Undoable(job_id, text, unless_changed, about)][-MOST_UNDONE:]
    if said:
        st.session_state[_SAID] = f"{text}. Ctrl+Z takes it back."


def kept_in_shop(said: str, back: Callable[[], object], read: Callable[[], object] | None = None) -> None:
    """Say at the head of the shop's page what was done there, and remember how it is taken back."""
    st.session_state[_IN_SHOP] = said
    remember_action(SHOP, said.rstrip("."), back, read, said=False)


def said_in_shop() -> str:
    """What was done in the shop last, said once."""
    said: str = st.session_state.pop(_IN_SHOP, "")
    return said


def _last(job_id: int) -> Undoable | None:
    every: list[Undoable] = st.session_state.get(_DONE, [])
    return next((d for d in reversed(every) if d.job_id == job_id), None)


def can_undo(job_id: int) -> bool:
    """Whether anything of this job can be taken back from this window."""
    return _last(job_id) is not None


def undo_last(job_id: int) -> None:
    """Take back the last action of this job; what stops it is said, and the action is then forgotten."""
    last = _last(job_id)
    if last is None:
        return
    _forget(last)
    try:
        st.session_state[_SAID] = last.back() or f"Undone: {last.text}"
    except InspectError as error:
        st.session_state[_REFUSED] = error


def _forget(one: Undoable) -> None:
    st.session_state[_DONE] = [d for d in st.session_state.get(_DONE, []) if d is not one]


def forget_about(about: object) -> None:
    """Forget the last action on this: it was taken back by other means."""
    every: list[Undoable] = st.session_state.get(_DONE, [])
    last = next((d for d in reversed(every) if d.about == about), None)
    if last is not None:
        _forget(last)


def show_last_action() -> InspectError | None:
    """Say what was done or taken back last; what could not be taken back is handed out, to be said where it fits."""
    said = st.session_state.pop(_SAID, None)
    if said:
        st.toast(plain(said))
    refused: InspectError | None = st.session_state.pop(_REFUSED, None)
    return refused


def rerun_to_show_action() -> None:
    """In a part of a page that runs alone: let the whole page run where there is something to say, or to take back."""
    if _SAID in st.session_state or _REFUSED in st.session_state:
        st.rerun()


def undo_corner(job_id: int) -> None:
    """The way back, once there is something to take back."""
    last = _last(job_id)
    if last is not None:
        st.button(
            "Undo", shortcut="Ctrl+Z", key="undo-corner", help=f"Takes back: {plain(last.text)}", on_click=undo_last,
            args=(job_id,),
        )  # fmt: skip
