"""Numbers and names as a person reads them: one rounding rule, one way to say a fret, a string, a visit."""

from __future__ import annotations

import math
import re
from typing import Literal

from inspect_app.readings import Reading
from shared.measured import Measured

__all__ = ["Length", "name_of", "number", "plain", "shown", "signed"]

Length = Literal["mm", "in"]
_MM_PER_THOU = 0.0254  # the inch is 25.4 mm exactly (international yard and pound agreement, 1959)
_UNITS = {"mm": ("mm", 1.0), "in": ("thou", 1.0 / _MM_PER_THOU)}
_MARKDOWN = re.compile(r"([\\`*_{}\[\]()#+\-.!|~<>$:])")


def plain(text: str) -> str:
    """Text from a person, safe inside Streamlit's markdown: nothing in it is read as markup."""
    return _MARKDOWN.sub(r"\\\1", " ".join(text.split()))


def number(unit: str, length: Length) -> tuple[float, str]:
    """Factor and name of the unit shown for a stored unit."""
    if unit == "mm":
        name, factor = _UNITS[length]
        return factor, name
    return 1.0, {"deg": "°", "1": ""}.get(unit, unit)


def decimals(expanded: float) -> int:
    """Decimals that show U to two significant digits where it starts with 1 or 2, else to one (GUM 7.2.6)."""
    if expanded <= 0:
        return 3
    digits = 2 if f"{expanded:.1e}"[0] in "12" else 1
    return max(0, digits - 1 - math.floor(math.log10(expanded)))


def shown(q: Measured, length: Length = "mm") -> str:
    """``2.71 ± 0.03 mm``: value and U (k = 2), both rounded once, to the same place."""
    factor, unit = number(q.unit, length)
    d = min(3, decimals(q.expanded * factor))
    space = "" if unit == "°" else " "
    return f"{q.value * factor:.{d}f} ± {q.expanded * factor:.{d}f}{space}{unit}".rstrip()


def signed(q: Measured, length: Length = "mm") -> str:
    """As `shown`, with its sign: for changes."""
    text = shown(q, length)
    return text if text.startswith("-") else f"+{text}"


def name_of(reading: Reading) -> str:
    """``Fret 5, crown width``: a reading's key with a capital."""
    return reading.key[:1].upper() + reading.key[1:]
