"""Values and names as a person reads them on the pages; `shared.units` makes the numbers."""

from __future__ import annotations

import re

from inspect_app.readings import Reading
from shared.measured import Measured
from shared.units import LengthUnit, show

__all__ = ["Length", "name_of", "plain", "shown", "signed"]

Length = LengthUnit
_MARKDOWN = re.compile(r"([\\`*_{}\[\]()#+\-.!|~<>$:])")


def plain(text: str) -> str:
    """Text from a person, safe inside Streamlit's markdown: nothing in it is read as markup."""
    return _MARKDOWN.sub(r"\\\1", " ".join(text.split()))


def shown(q: Measured, length: Length = "mm") -> str:
    """``2.71 ± 0.03 mm``: value and U (k = 2), rounded once, to the same place."""
    return str(show(q, length))


def signed(q: Measured, length: Length = "mm") -> str:
    """As `shown`, with its sign: for changes."""
    text = shown(q, length)
    return text if text.startswith("-") else f"+{text}"


def name_of(reading: Reading) -> str:
    """``Fret 5, crown width``: a reading's key with a capital."""
    return reading.key[:1].upper() + reading.key[1:]
