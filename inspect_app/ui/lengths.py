"""Lengths as they are typed: in the unit of the pages, or in another one with its mark behind."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from inspect_app.ui.words import Length
from shared.errors import OptionError
from shared.units import MM_PER_INCH

__all__ = [
    "Bare",
    "TypedLength",
    "bare_unit",
    "length_field",
    "length_number",
    "parse_heights",
    "parse_length",
    "written",
]

Bare = Literal["mm", "in", "thou"]
"""The unit of a number without a mark."""
_MM: dict[str, float] = {"mm": 1.0, "in": MM_PER_INCH, "thou": MM_PER_INCH / 1000.0}
_ADVICE: dict[Bare, str] = {
    "mm": "Write millimetres, such as 647.7, or inches with a mark, such as 25.5 in.",
    "in": "Write inches, such as 25.5 or 25 1/2, or millimetres with a mark, such as 647.7 mm.",
    "thou": "Write thousandths of an inch, such as 43, or millimetres with a mark, such as 1.1 mm.",
}
_LENGTH = re.compile(
    r"""^(?:(?P<whole>\d+)\s+(?=\d+\s*/))?(?P<number>\d+[.,]?\d*|[.,]\d+)(?:\s*/\s*(?P<over>\d+))?
    \s*(?P<unit>mm|in|inch|inches|"|”|″|thou|mil)?$""",
    re.IGNORECASE | re.VERBOSE,
)
_NAMES = {"inch": "in", "inches": "in", '"': "in", "”": "in", "″": "in", "mil": "thou"}


def bare_unit(length: Length, small: bool) -> Bare:
    """What a number without a mark means: `small` lengths are in thousandths where the pages are in inches."""
    return "mm" if length == "mm" else "thou" if small else "in"


def parse_length(text: str, what: str, bare: Bare = "mm") -> float | None:
    """Millimetres from ``647.7``, ``647,7 mm``, ``25.5 in``, ``25 1/2"`` or ``43 thou``; ``None`` from nothing.

    Raises
    ------
    OptionError
        If the text is no length.
    """
    if not text.strip():
        return None
    found = _LENGTH.match(text.strip())
    number = math.nan
    if found is not None and (over := float(found["over"] or 1.0)) > 0.0:
        number = float(found["number"].replace(",", ".")) / over + float(found["whole"] or 0)
    if found is None or not math.isfinite(number):  # hundreds of digits are infinite
        raise OptionError(f"{what}: {text!r} is not a length.", _ADVICE[bare])
    unit = (found["unit"] or bare).lower()
    return number * _MM[_NAMES.get(unit, unit)]


def parse_heights(text: str, bare: Bare = "mm") -> dict[int, float]:
    """Heights in mm by fret, from ``1: 0.95, 12: 0.93`` (or ``1: 37, 12: 36.5`` in thousandths); nothing from nothing.

    Raises
    ------
    OptionError
        If the text is not made of such pairs.
    """
    such = "1: 0.95, 12: 0.93" if bare == "mm" else "1: 37.5, 12: 36.5"
    out: dict[int, float] = {}
    for part in filter(None, (p.strip() for p in re.split(r"[;\n]|,(?!\d)", text))):
        fret, _, height = part.partition(":")
        length = parse_length(height, f"Fret {fret.strip()}", bare)
        if not re.fullmatch(r"\d{1,3}", fret.strip()) or length is None:
            raise OptionError(f"{part!r} is not a fret and its height.", f"Write them as in {such}.")
        out[int(fret)] = length
    return out


def written(mm: float | None, bare: Bare) -> str:
    """A length to start from in a field: a plain number in millimetres, else with its mark; empty where not known."""
    if mm is None:
        return ""
    text = f"{mm / _MM[bare]:.6g}"
    return text if bare == "mm" else f"{text} {bare}"


@dataclass(frozen=True, slots=True)
class TypedLength:
    """A field's text, the text it began with and the length that stood for, mm."""

    what: str
    text: str
    began: str
    was: float | None
    bare: Bare

    def mm(self) -> float | None:
        """The length typed; where nothing was typed, exactly the one it began with.

        Raises
        ------
        OptionError
            If the text is no length.
        """
        return self.was if self.text == self.began else parse_length(self.text, self.what, self.bare)


def length_field(
    at: DeltaGenerator, label: str, was: float | None, bare: Bare, key: str | None = None, help: str | None = None,
    hint: str = "",
) -> TypedLength:  # fmt: skip
    """A field for a length, its unit in the label."""
    began = written(was, bare)
    text = at.text_input(f"{label}, {bare}", value=began, key=key, help=help, placeholder=hint)
    return TypedLength(label, text, began, was, bare)


def length_number(
    label: str, low: float, high: float, was: float, step: float, length: Length, key: str, help: str | None = None
) -> float:
    """A number field for a small length, mm in and out, in the unit of the pages: exactly `was` if nothing is typed."""
    bare = bare_unit(length, True)
    per, digits = _MM[bare], 3 if bare == "mm" else 2
    began = round(was / per, 6)
    least, most = round(low / per, 6), round(high / per, 6)
    typed = st.number_input(
        f"{label}, {bare}", least, most, began, max(step, 0.5 * (per != 1.0)), f"%.{digits}f", f"{key}-{bare}", help
    )
    return was if typed == began else typed * per
