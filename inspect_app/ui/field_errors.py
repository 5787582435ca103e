"""Errors of a form, each said beneath the field it is about."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from inspect_app.ui.page_frame import length_unit
from inspect_app.ui.words import in_unit, plain
from shared.errors import InspectError

__all__ = ["FieldErrors"]


class FieldErrors:
    """The places beneath a form's fields, by the name of the field; what names no field is said at the form's end."""

    def __init__(self) -> None:
        self._at: dict[str, DeltaGenerator] = {}
        self.end: DeltaGenerator | None = None

    def below(self, name: str, column: DeltaGenerator | None = None) -> None:
        """Keep the place for `name` beneath what was drawn last, in `column` where there are several."""
        self._at[name] = column.empty() if column else st.empty()

    @contextmanager
    def saying(self, of: str = "") -> Iterator[None]:
        """Say an `InspectError` raised inside at its field, at `of` where it names none, and go on after the block."""
        try:
            yield
        except InspectError as error:
            self.say((error if error.of else error.at(of),))

    def say(self, errors: Iterable[InspectError]) -> None:
        """Say each error at its field."""
        for error in errors:
            spot = self._at.get(error.of) or self.end or st.container()
            said = (in_unit(text, length_unit()) for text in (error.wrong, error.advice))
            wrong, advice = map(plain, said)
            spot.error(f"{wrong} **{advice}**")
