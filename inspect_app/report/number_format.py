"""How one paper writes numbers: in the job's unit of length, with one decimal mark from its first line to its last."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from babel.dates import format_date
from babel.numbers import get_decimal_symbol

from inspect_app.decide.estimate import format_amount, format_money
from shared.measured import Measured
from shared.units import MM_PER_INCH, LengthUnit, show, show_cell, show_plain, unit_shown

__all__ = ["NumberFormat", "listed", "ordinal"]

_NUMBER = r"(?<![\d.,])\d+(?:\.\d+)?"
"""A number with a point; what a person typed with a comma is left as it was typed."""
_LENGTHS = re.compile(rf"{_NUMBER}(?:(?: and | to | ± | × ){_NUMBER})* mm\b(?!/)")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")


@dataclass(frozen=True, slots=True)
class NumberFormat:
    """The unit of length and the locale of one paper (``de_DE``; empty for a point and the currency's code)."""

    lengths: LengthUnit = "mm"
    locale: str = ""

    @property
    def mark(self) -> str:
        """The decimal mark."""
        return str(get_decimal_symbol(self.locale)) if self.locale else "."

    def marked(self, text: str) -> str:
        """Numbers written with a point, written with this paper's mark."""
        return _POINT.sub(self.mark, text)

    def value(self, q: Measured) -> str:
        """Value and U: ``0.236 ± 0.018 mm``."""
        return self.marked(str(show(q, self.lengths)))

    def found(self, q: Measured | None, why: str) -> str:
        """What was measured and why no more can be said of it, or the one there is."""
        return "; ".join(filter(None, ("" if q is None else self.value(q), self.words(why))))

    def plain(self, value: float, unit: str = "mm", digits: int = 3) -> str:
        """An exact or nominal number with its unit."""
        return self.marked(show_plain(value, unit, self.lengths, digits))

    def rough(self, mm: float) -> str:
        """A length as one says it: hundredths of a millimetre, tenths of a thou."""
        return f"{self.cell(mm)} {unit_shown(0.0, 'mm', self.lengths)[1]}"

    def cell(self, mm: float) -> str:
        """A length for one cell of a table, without its unit."""
        return self.marked(show_cell(mm, self.lengths))

    def change(self, before_mm: float, after_mm: float) -> str:
        """What changed, with its sign: the difference of the two as they are written, so that the paper adds up."""
        before, after = (Decimal(show_cell(mm, self.lengths)) for mm in (before_mm, after_mm))
        sign = "−" if after < before else "+"
        return f"{sign}{self.marked(f'{abs(after - before):f}')} {self.rough(0.0).split()[-1]}"

    def words(self, text: str) -> str:
        """A sentence made elsewhere, in millimetres and with a point, in this paper's unit and with its mark."""
        if self.lengths == "inch":
            text = _LENGTHS.sub(_in_inches, text)
        return self.marked(text)

    def number(self, text: str) -> str:
        """A decimal in text (a quantity, a percentage)."""
        return self.marked(text)

    def amount(self, minor: int, digits: int) -> str:
        """An amount of money without its currency."""
        return format_amount(minor, digits, self.locale)

    def money(self, minor: int, currency: str, digits: int) -> str:
        """An amount of money with its currency."""
        return format_money(minor, currency, digits, self.locale)

    def day(self, iso: str) -> str:
        """``4 May 2026`` for ``2026-05-04``: no order of day and month to be mistaken."""
        return str(format_date(date.fromisoformat(iso), "d MMMM y", locale="en"))


def _in_inches(found: re.Match[str]) -> str:
    """``0.51 mm`` as ``20.1 thou``: one place fewer, for a thou is 0.0254 mm; from an inch on, inches.

    Every number of ``1 to 6 mm`` goes by the largest one, so that they share a unit.
    """
    text = found[0].removesuffix(" mm")
    largest = max(float(n) for n in re.findall(_NUMBER, text))
    factor, unit, places = (1000.0 / MM_PER_INCH, "thou", -1) if largest < MM_PER_INCH else (1.0 / MM_PER_INCH, "in", 2)

    def number(n: re.Match[str]) -> str:
        shown = len(n[0].partition(".")[2])
        return f"{float(n[0]) * factor:.{max(0, shown + places)}f}"

    return f"{re.sub(_NUMBER, number, text)} {unit}"


def listed(numbers: Sequence[int], one: str = "fret", many: str = "frets") -> str:
    """``frets 1 to 4, 7 and 9``; runs of three and more are drawn together."""
    words: list[str] = []
    run: list[int] = []
    for n in [*sorted(numbers), None]:
        if run and n is not None and n == run[-1] + 1:
            run.append(n)
            continue
        words += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else [str(r) for r in run]
        run = [n] if n is not None else []
    text = ", ".join(words[:-1]) + (" and " if len(words) > 1 else "") + (words[-1] if words else "none")
    return f"{one if len(numbers) == 1 else many} {text}"


def ordinal(n: int) -> str:
    """``1st``, ``2nd``, ``11th``."""
    last = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{last}"
