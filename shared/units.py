"""The one place where measured values become text: rounded once, value and U to the same place.

U (k = 2) keeps two significant digits when its first three digits are 100 to 354, one from 355 to 949, and is rounded
up to 1000 from 950 on: the rule of the Particle Data Group, within what JCGM 100:2008 (GUM) 7.2.6 asks for. Halves go
to the even digit (ISO 80000-1:2009, annex B, rule A).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Literal, get_args

from shared.measured import Measured

__all__ = [
    "LengthUnit",
    "LENGTH_UNITS",
    "MM_PER_INCH",
    "ShownValue",
    "show",
    "show_plain",
    "show_cell",
    "show_probability",
    "places",
    "unit_shown",
    "round_pair",
]

LengthUnit = Literal["mm", "inch"]
LENGTH_UNITS: tuple[LengthUnit, ...] = get_args(LengthUnit)
MM_PER_INCH = 25.4
"""Exact, by the definition of the international inch (1959)."""


@dataclass(frozen=True, slots=True)
class ShownValue:
    """A measured value as text: ``2.71``, ``0.03``, ``mm``; `str` gives ``2.71 ± 0.03 mm``."""

    value: str
    expanded: str
    unit: str

    def __str__(self) -> str:
        space = "" if self.unit in ("°", "") else " "
        if self.unit == "°":
            return f"{self.value}° ± {self.expanded}°"
        return f"{self.value} ± {self.expanded}{space}{self.unit}"


def show(q: Measured, lengths: LengthUnit = "mm") -> ShownValue:
    """A measured value with U (k = 2), lengths in millimetres or inches.

    In inches, what is shorter than one inch is given in thousandths (``thou``), the rest in inches.

    >>> width = Measured.of(2.7134, "mm", edge_noise=0.013)
    >>> str(show(width)), str(show(width, "inch"))
    ('2.713 ± 0.026 mm', '106.8 ± 1.0 thou')
    """
    factor, unit = unit_shown(q.value, q.unit, lengths)
    value, expanded = round_pair(q.value * factor, q.expanded * factor)
    return ShownValue(f"{value:f}", f"{expanded:f}", unit)


def show_plain(value: float, unit: str, lengths: LengthUnit = "mm", digits: int = 3) -> str:
    """An exact or nominal number (a limit, a stated size) with its unit, to `digits` significant digits."""
    factor, name = unit_shown(value, unit, lengths)
    scaled = Decimal(repr(value * factor))
    place = scaled.adjusted() - digits + 1 if scaled else 0
    text = f"{_to_place(scaled, place):f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text + ("°" if name == "°" else f" {name}" if name else "")


def show_cell(value: float, lengths: LengthUnit = "mm") -> str:
    """A length in millimetres for one cell of a table, without its unit: hundredths of one, or tenths of a thou.

    One place for all cells, so that they compare at a glance; value and U rounded together stand beside the table.
    """
    factor, place = (1.0, -2) if lengths == "mm" else (1000.0 / MM_PER_INCH, -1)
    return f"{_to_place(Decimal(repr(float(value) * factor)), place):f}"


def places(q: Measured, lengths: LengthUnit = "mm") -> int:
    """Decimal places that `show` gives a value."""
    return len(show(q, lengths).expanded.partition(".")[2])


def round_pair(value: float, expanded: float) -> tuple[Decimal, Decimal]:
    """Value and U rounded to the same decimal place, that of the last digit U keeps.

    Raises
    ------
    ValueError
        If either is not finite, or U is negative.
    """
    v, u = Decimal(repr(float(value))), Decimal(repr(float(expanded)))
    if not (v.is_finite() and u.is_finite()) or u < 0:
        raise ValueError(f"only finite values with U >= 0 can be shown, got {value} and {expanded}")
    if u == 0:
        return _to_place(v, v.adjusted() - 5 if v else 0), Decimal(0)
    leading = int(_to_place(u.scaleb(2 - u.adjusted()), 0))  # the first three digits, 100 to 1000
    digits = 2 if leading <= 354 or leading >= 950 else 1
    place = u.adjusted() + (1 if leading >= 950 else 0) - digits + 1
    return _to_place(v, place), _to_place(u, place)


def _to_place(x: Decimal, place: int) -> Decimal:
    """Rounded to ten to the `place`; written without an exponent and without a minus before nothing."""
    r = x.quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)
    r = r.quantize(Decimal(1)) if place > 0 else r
    return abs(r) if r == 0 else r


def show_probability(p: float) -> str:
    """A probability in whole per cent; what is nearly sure is not called sure."""
    if p > 0.99 or p < 0.01:
        return "over 99 %" if p > 0.99 else "under 1 %"
    return f"{100.0 * p:.0f} %"


def unit_shown(value: float, unit: str, lengths: LengthUnit) -> tuple[float, str]:
    """Factor and name of the unit that a value in a stored unit is shown in."""
    if unit == "mm" and lengths == "inch":
        return (1000.0 / MM_PER_INCH, "thou") if abs(value) < MM_PER_INCH else (1.0 / MM_PER_INCH, "in")
    return 1.0, {"mm": "mm", "deg": "°", "1": ""}.get(unit, unit)
