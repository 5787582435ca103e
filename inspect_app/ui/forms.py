"""The form of a job: customer, instrument, what was asked for. Lengths typed in millimetres, or inches with a mark."""

from __future__ import annotations

import re
from dataclasses import dataclass

import streamlit as st

from inspect_app.services import InstrumentDetails, JobDetails
from inspect_app.ui.bench import say
from shared.errors import InspectError, OptionError
from shared.trade import MOST_IN_COURSE

__all__ = ["job_form", "parse_heights", "parse_length"]

_INCH = re.compile(r"^\s*(?:(\d+)\s+)?(\d+(?:[.,]\d+)?)(?:\s*/\s*(\d+))?\s*(?:in|inch|\"|”|″)\s*$", re.IGNORECASE)
_MM_PER_INCH = 25.4


@dataclass(frozen=True, slots=True)
class Field:
    """One length of the instrument: its name in `InstrumentDetails`, its label, what it means."""

    name: str
    label: str
    help: str


LENGTHS = (
    Field("scale_length", "Scale length", "Nut to saddle, open string. Checks the spacing in every photo."),
    Field("spread_nut", "Outer strings at the nut", "Centre to centre of the outer strings."),
    Field("spread_bridge", "Outer strings at the bridge", "Centre to centre of the outer strings."),
    Field("radius_nut", "Board radius", "Nominal, or at the nut if the board is compound. Empty if flat or not known."),
    Field("radius_last", "Radius at the last fret", "Only for a compound board."),
    Field("crown_width", "Crown width when new", "Of the present wire, if known."),
    Field("crown_height", "Crown height when new", "Of the present wire, if known: gives depths from flats."),
)


def parse_length(text: str, what: str) -> float | None:
    """Millimetres from ``647.7``, ``647,7 mm``, ``25.5 in`` or ``25 1/2"``; ``None`` from nothing.

    Raises
    ------
    OptionError
        If the text is no length.
    """
    if not text.strip():
        return None
    inch = _INCH.match(text)
    try:
        if inch:
            whole, number, over = inch.groups()
            value = float(number.replace(",", ".")) / (float(over) if over else 1.0)
            return (value + float(whole or 0)) * _MM_PER_INCH
        return float(re.sub(r"\s*mm\s*$", "", text.strip()).replace(",", "."))
    except (ValueError, ZeroDivisionError):
        advice = "Write millimetres, such as 647.7, or inches with a mark, such as 25.5 in."
        raise OptionError(f"{what}: {text!r} is not a length.", advice) from None


def parse_heights(text: str) -> dict[int, float]:
    """Heights in mm by fret, from ``1: 0.95, 12: 0.93``; nothing from nothing.

    Raises
    ------
    OptionError
        If the text is not made of such pairs.
    """
    out: dict[int, float] = {}
    for part in filter(None, (p.strip() for p in re.split(r"[;\n]|,(?!\d)", text))):
        fret, _, height = part.partition(":")
        length = parse_length(height, f"Fret {fret.strip()}")
        if not fret.strip().isdecimal() or length is None:
            raise OptionError(f"{part!r} is not a fret and its height.", "Write them as in 1: 0.95, 12: 0.93.")
        out[int(fret)] = length
    return out


def _length(f: Field, was: float | None, key: str) -> str:
    return st.text_input(f.label, value="" if was is None else f"{was:.5g}", help=f.help, key=f"{key}-{f.name}")


def _lengths(was: InstrumentDetails, key: str) -> dict[str, str]:
    typed = {}
    left, right = st.columns(2)
    for i, f in enumerate(LENGTHS):
        with left if i % 2 == 0 else right:
            typed[f.name] = _length(f, getattr(was, f.name), key)
    return typed


def job_form(key: str, was: JobDetails | None, send: str) -> JobDetails | None:
    """Show the form; what was written when it is sent and makes sense, else ``None``."""
    of = was.instrument if was else InstrumentDetails()
    with st.form(key, border=False):
        left, right = st.columns(2)
        customer = left.text_input("Customer (needed)", value=was.customer if was else "", key=f"{key}-customer")
        contact = right.text_input("How to reach them", value=was.contact if was else "", key=f"{key}-contact")
        name = left.text_input("Instrument", value=of.name, key=f"{key}-name", help="What tells it from the others.")
        kind = right.text_input(
            "Kind", value=of.kind, key=f"{key}-kind", placeholder="such as electric guitar, mandolin"
        )
        frets = left.number_input("Frets", 1, 36, value=of.frets, step=1, key=f"{key}-frets")
        strings = right.number_input("Strings", 1, 12, value=of.strings, step=1, key=f"{key}-strings")
        st.caption("Lengths in millimetres, or in inches with a mark: 25.5 in. What you don't know stays empty.")
        lengths = _lengths(of, key)
        left, right = st.columns(2)
        wood = left.text_input("Board wood", value=of.board_wood, key=f"{key}-wood")
        wire = right.text_input("Present wire", value=of.present_wire, key=f"{key}-wire")
        binding = left.checkbox("Board is bound", value=of.binding, key=f"{key}-binding")
        nibs = right.checkbox("Fret ends run under nibs", value=of.nibs, key=f"{key}-nibs")
        zero_fret = left.checkbox("Zero fret at the nut", value=of.zero_fret, key=f"{key}-zero-fret")
        lacquered = right.checkbox("Board is lacquered", value=of.lacquered, key=f"{key}-lacquered")
        multi_scale = left.checkbox("Frets fan out (multi-scale)", value=of.multi_scale, key=f"{key}-multi-scale")
        courses = right.number_input(
            "Strings in a course", 1, MOST_IN_COURSE, value=of.courses or 1, step=1, key=f"{key}-courses",
            help="2 where strings run in pairs. Count every string of every course above.",
        )  # fmt: skip
        asked = st.text_area("Asked for", value=was.asked_for if was else "", key=f"{key}-asked")
        promised = st.date_input("Promised for", value=was.promised if was else None, key=f"{key}-promised")
        if not st.form_submit_button(send, type="primary"):
            return None
    try:
        typed = {f.name: parse_length(lengths[f.name], f.label) for f in LENGTHS}
        instrument = InstrumentDetails(
            name=name, kind=kind, frets=frets, strings=strings, board_wood=wood, present_wire=wire,
            binding=binding, nibs=nibs, zero_fret=zero_fret, lacquered=lacquered, multi_scale=multi_scale,
            courses=int(courses) if courses > 1 else None, **typed,
        )  # fmt: skip
        return JobDetails(customer, contact, instrument, asked, promised)
    except InspectError as error:
        say(error)
        return None
