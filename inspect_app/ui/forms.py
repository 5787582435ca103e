"""The forms of a job: five things to start one, all of it afterwards; each error said at its field."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from dataclasses import fields as dataclass_fields
from datetime import date
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from inspect_app.services import InstrumentDetails, JobDetails
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.lengths import TypedLength, bare_unit, length_field
from inspect_app.ui.page_frame import length_unit
from shared.errors import InspectError
from shared.trade import HIGHEST_FRET, MOST_IN_COURSE

__all__ = ["LENGTHS", "details_of", "fields_of", "job_form", "label_of_field", "new_job_form"]


@dataclass(frozen=True, slots=True)
class Field:
    """One length of the instrument: its name in `InstrumentDetails`, its label, what it means; small ones in thou."""

    name: str
    label: str
    help: str
    small: bool = False


LENGTHS = (
    Field("scale_length", "Scale length", "Nut to saddle, open string. Checks the spacing in every photo."),
    Field("spread_nut", "Outer strings at the nut", "Centre to centre of the outer strings."),
    Field("spread_bridge", "Outer strings at the bridge", "Centre to centre of the outer strings."),
    Field("radius_nut", "Board radius", "Nominal, or at the nut if the board is compound. Empty if flat or not known."),
    Field("radius_last", "Radius at the last fret", "Only for a compound board."),
    Field("crown_width", "Crown width when new", "Of the present wire, if known.", True),
    Field("crown_height", "Crown height when new", "Of the present wire, if known: gives depths from flats.", True),
)
_LABELS = {
    "customer": "Customer (needed)",
    "contact": "How to reach them",
    "name": "Instrument",
    "kind": "Kind",
    "frets": "Frets",
    "strings": "Strings",
    "courses": "Strings in a course",
    "board_wood": "Board wood",
    "present_wire": "Present wire",
    "binding": "Board is bound",
    "nibs": "Fret ends run under nibs",
    "zero_fret": "Zero fret at the nut",
    "lacquered": "Board is lacquered",
    "multi_scale": "Frets fan out (multi-scale)",
    "asked_for": "Asked for",
    "promised": "Promised for",
}
_HELP = {
    "name": "What tells it from the others.",
    "courses": "2 where strings run in pairs. Count every string of every course above.",
}
_HINT = {"kind": "such as electric guitar, mandolin"}
_YES_OR_NO = ("binding", "nibs", "zero_fret", "lacquered", "multi_scale")
_STAND_IN: dict[str, Any] = {"customer": "?"}
"""What a field that is wrong counts as while the others are looked at; nothing where not named."""


def label_of_field(name: str) -> str:
    """A field's label, without what is said of it in brackets."""
    of_length = {f.name: f.label for f in LENGTHS}
    return (of_length | _LABELS).get(name, name).split(" (")[0]


def fields_of(details: JobDetails) -> dict[str, Any]:
    """Everything that the form of a job holds, by name."""
    flat = asdict(details)
    of: dict[str, Any] = flat.pop("instrument")
    return of | flat


def details_of(fields: dict[str, Any]) -> JobDetails:
    """The same as details.

    Raises
    ------
    OptionError
        If a field can't be so.
    """
    own = {n: fields[n] for n in ("customer", "contact", "asked_for", "promised")}
    of = {f.name: fields[f.name] for f in dataclass_fields(InstrumentDetails)}
    return JobDetails(instrument=InstrumentDetails(**of), **own)


class _Form:
    """The fields of a form of a job as they are drawn: what was typed, and where their errors are said."""

    def __init__(self, key: str, was: dict[str, Any]) -> None:
        self.key, self.was, self.spots = key, was, FieldErrors()
        self.typed: dict[str, Any] = dict(was)
        self._lengths: dict[str, TypedLength] = {}

    def text(self, at: DeltaGenerator, name: str) -> None:
        draw = at.text_area if name == "asked_for" else at.text_input
        self.typed[name] = draw(
            _LABELS[name], self.was[name], key=f"{self.key}-{name}", help=_HELP.get(name), placeholder=_HINT.get(name)
        )
        self.spots.below(name, at)

    def number(self, at: DeltaGenerator, name: str, most: int) -> None:
        n = at.number_input(_LABELS[name], 1, most, self.was[name], 1, key=f"{self.key}-{name}", help=_HELP.get(name))
        self.typed[name] = None if (name, n) == ("courses", 1) else n
        self.spots.below(name, at)

    def length(self, at: DeltaGenerator, f: Field) -> None:
        bare = bare_unit(length_unit(), f.small)
        self._lengths[f.name] = length_field(at, f.label, self.was[f.name], bare, f"{self.key}-{f.name}-{bare}", f.help)
        self.spots.below(f.name, at)

    def box(self, at: DeltaGenerator, name: str) -> None:
        self.typed[name] = at.checkbox(_LABELS[name], self.was[name], key=f"{self.key}-{name}")

    def day(self, at: DeltaGenerator, name: str) -> None:
        was: date | None = self.was[name]
        self.typed[name] = at.date_input(_LABELS[name], was, key=f"{self.key}-{name}")

    def sent(self, label: str) -> JobDetails | None:
        """The details when the form is sent and every field makes sense; each that does not says so."""
        pressed = st.form_submit_button(label, type="primary")
        self.spots.end = st.empty()
        if not pressed:
            return None
        wrong: list[InspectError] = []
        for name, typed in self._lengths.items():
            try:
                self.typed[name] = typed.mm()
            except InspectError as error:
                wrong.append(error.at(name))
                self.typed[name] = None
        made, more = _details_from(self.typed)
        self.spots.say([*wrong, *more])
        return None if wrong or more else made


def _details_from(fields: dict[str, Any]) -> tuple[JobDetails | None, list[InspectError]]:
    """Details of these fields, and what is wrong with them, field by field."""
    wrong: list[InspectError] = []
    while True:
        try:
            return details_of(fields), wrong
        except InspectError as error:
            seen = any(error.of == w.of for w in wrong)
            wrong.append(error)
            if seen or error.of not in fields:
                return None, wrong
            fields = fields | {error.of: _STAND_IN.get(error.of)}


def new_job_form(key: str) -> JobDetails | None:
    """What is needed to start: whose it is, how to reach them, what it is, what it wants, and its scale length."""
    with st.form(key, border=False):
        form = _Form(key, fields_of(JobDetails("?")) | {"customer": ""})
        left, right = st.columns(2)
        form.text(left, "customer")
        form.text(right, "contact")
        form.text(left, "name")
        form.length(right, LENGTHS[0])
        form.text(st.container(), "asked_for")
        st.caption("Frets, strings, wire and the day it is promised for have time: the job's page asks for them.")
        return form.sent("Start this job")


def job_form(key: str, was: JobDetails, send: str) -> JobDetails | None:
    """Everything about a job; what was written when it is sent and makes sense, else ``None``."""
    with st.form(key, border=False):
        form = _Form(key, fields_of(was))
        left, right = st.columns(2)
        form.text(left, "customer")
        form.text(right, "contact")
        form.text(left, "name")
        form.text(right, "kind")
        form.number(left, "frets", HIGHEST_FRET)
        form.number(right, "strings", 12)
        st.caption("Lengths in another unit take its mark: 25.5 in, 647.7 mm, 43 thou. What is not known stays empty.")
        left, right = st.columns(2)
        for i, f in enumerate(LENGTHS):
            form.length(right if i % 2 else left, f)
        form.text(right, "board_wood")
        form.text(left, "present_wire")
        form.number(right, "courses", MOST_IN_COURSE)
        for i, name in enumerate(_YES_OR_NO):
            form.box(right if i % 2 else left, name)
        form.text(st.container(), "asked_for")
        form.day(st.container(), "promised")
        return form.sent(send)
