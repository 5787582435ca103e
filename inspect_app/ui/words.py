"""Numbers and names as a person reads them on the pages; the rounding is `shared.units`'."""

from __future__ import annotations

import re

from inspect_app.readings import Reading
from shared.measured import Measured
from shared.units import MM_PER_INCH, LengthUnit, round_pair, show

__all__ = ["Length", "expanded", "name_of", "number", "plain", "shown", "signed"]

Length = LengthUnit
_MARKDOWN = re.compile(r"([\\`*_{}\[\]()#+\-.!|~<>$:])")


def plain(text: str) -> str:
    """Text from a person, safe inside Streamlit's markdown: nothing in it is read as markup."""
    return _MARKDOWN.sub(r"\\\1", " ".join(text.split()))


def number(unit: str, length: Length) -> tuple[float, str]:
    """Factor and name of the unit shown for a stored unit; short lengths, so thousandths for the inch."""
    if unit == "mm" and length == "inch":
        return 1000.0 / MM_PER_INCH, "thou"
    return 1.0, {"mm": "mm", "deg": "°", "1": ""}.get(unit, unit)


def shown(q: Measured, length: Length = "mm") -> str:
    """``2.71 ± 0.03 mm``: value and U (k = 2), rounded once, to the same place."""
    return str(show(q, length))


def expanded(q: Measured, length: Length = "mm") -> str:
    """U alone with its unit, for what stands beside a value already written."""
    factor, unit = number(q.unit, length)
    return f"{round_pair(q.value * factor, q.expanded * factor)[1]:f} {unit}".rstrip()


def signed(q: Measured, length: Length = "mm") -> str:
    """As `shown`, with its sign: for changes."""
    text = shown(q, length)
    return text if text.startswith("-") else f"+{text}"


def name_of(reading: Reading) -> str:
    """``Fret 5, crown width``: a reading's key with a capital."""
    return reading.key[:1].upper() + reading.key[1:]
