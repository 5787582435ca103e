"""Values and names as a person reads them on the pages; `shared.units` makes the numbers."""

from __future__ import annotations

import re

from inspect_app.reading.quantities import one_of
from inspect_app.reading.values import Reading
from inspect_app.services.on_paper import NumberFormat
from shared.measured import Measured
from shared.units import LengthUnit, show, show_plain

__all__ = ["Length", "crown_size", "in_unit", "label_of", "name_of", "plain", "shown", "signed"]

Length = LengthUnit
_MARKDOWN = re.compile(r"([\\`*_{}\[\]()#+\-.!|~<>$:])")


def plain(text: str) -> str:
    """Text from a person, safe inside Streamlit's markdown: nothing in it is read as markup."""
    return _MARKDOWN.sub(r"\\\1", " ".join(text.split()))


def label_of(text: str) -> str:
    """A visit's label as a choice to press: those are read as markdown too."""
    return plain(text.capitalize())


def shown(q: Measured, length: Length = "mm") -> str:
    """``2.71 ± 0.03 mm``: value and U (k = 2), rounded once, to the same place."""
    return str(show(q, length))


def signed(q: Measured, length: Length = "mm") -> str:
    """As `shown`, with its sign: for changes."""
    text = shown(q, length)
    return text if text.startswith("-") else f"+{text}"


def in_unit(text: str, length: Length) -> str:
    """A sentence made elsewhere, in millimetres, in the unit chosen: as the papers write it."""
    return NumberFormat(length).words(text)


def crown_size(width: float, height: float, length: Length = "mm") -> str:
    """The size a wire is sold by, crown width by height, mm."""
    return f"crown {show_plain(width, 'mm', length)} × {show_plain(height, 'mm', length)}"


def name_of(reading: Reading) -> str:
    """``Fret 5, crown width``, ``Fret 5, flat 2, length``: a reading's key as a person says it."""
    name = one_of(reading.key)
    return name[:1].upper() + name[1:]
