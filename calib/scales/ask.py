"""Which scale to look for in a photo, and reading that from text."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Annotated

from shared.errors import OptionError

__all__ = ["PRINT_U_REL", "UNVERIFIED_U_REL", "KnownPrint", "ScaleAsk", "parse_scale", "numbers_from", "u_of_air"]

PRINT_U_REL = 5e-4
"""Relative standard uncertainty of a print whose check bar was measured: 0.05 mm on 100 mm, read with a calliper."""

UNVERIFIED_U_REL = 0.015
"""The same of a print that nobody measured: printers are off by up to 3 % (American Mathematical Society's staff, 1988,
of two laser engines: 2 and 3 % "permissible"), here twice the standard uncertainty."""

_PAPER_GROWS = (0.0010 / 33.0, 0.0040 / 33.0)
"""Growth of bond paper for one per cent of the air's humidity: 0.10 % to 0.20 % along the grain and 0.20 % to 0.40 %
across it (tables of the paper trade) between 33 % and 66 %, the span such tests have (ISO 8226-1, from memory). Nobody
knows how a print lies in its sheet: anything from the least to the most alike."""
_AIR = (40.0, 60.0)
"""The air's humidity where instruments are kept, per cent (common practice, no source): anything between alike."""


def u_of_air(humidity: float | None) -> float:
    """Relative standard uncertainty of a print's size since its bar was measured, at this humidity (per cent) or at one
    that nobody wrote down: the photo's is not known, only where instruments are kept."""
    least, most = _AIR
    varies = (most - least) ** 2 / 12.0
    apart = math.sqrt(varies + (varies if humidity is None else (humidity - (least + most) / 2.0) ** 2))
    a, b = _PAPER_GROWS
    return apart * math.sqrt((a * a + a * b + b * b) / 3.0)


_MOST = 1e6
"""Neither a photo's pixels nor a bench's millimetres count as many."""
SCALE_KINDS = ("auto", "strip", "backdrop", "tongue", "rule", "coin", "id1", "span")


@dataclass(frozen=True, slots=True)
class KnownPrint:
    """A printed scale that tells its number in the photo: true over nominal length, and its standard uncertainty."""

    number: int
    kind: str
    factor: float
    u_factor: float


@dataclass(frozen=True, slots=True)
class ScaleAsk:
    """Which scale to look for.

    `kind` is one of ``auto``, ``strip``, ``backdrop`` (which the tongue serves as), ``tongue``, ``rule``, ``coin``,
    ``id1``, ``span``. `diameter_mm` goes with ``coin``, and so does `at_px` (x, y), a point on it where the photo shows
    several; `span_px` (x1, y1, x2, y2) and `span_mm` with ``span``; `rule_unit` (``mm`` or ``inch``) with ``rule``.
    `factor` is true length / nominal length of this print, as measured on its check bar; `u_factor` is its standard
    uncertainty, where the shop's print says it.
    A print that tells its number is found among `prints`, whatever the factor says; it has to be `number`, where given.
    """

    kind: str = "auto"
    diameter_mm: float | None = None
    span_px: tuple[float, float, float, float] | None = None
    span_mm: float | None = None
    rule_unit: str = "mm"
    factor: float = 1.0
    at_px: tuple[float, float] | None = None
    u_factor: Annotated[float | None, "left out while empty"] = None
    prints: Annotated[tuple[KnownPrint, ...], "left out while empty"] = ()
    number: Annotated[int | None, "left out while empty"] = None


def parse_scale(text: str, factor: float = 1.0) -> ScaleAsk:
    """Read ``strip``, ``backdrop``, ``tongue``, ``rule``, ``rule:inch``, ``coin:24.26``, ``id1``, ``span:…``, ``auto``.

    ``coin:24.26@X,Y`` gives a point on the coin, for photos that show several.
    A span is ``span:X1,Y1,X2,Y2,MM``: two points in photo pixels and their distance.

    Raises
    ------
    OptionError
        If the text is none of these.
    """
    kind, _, rest = text.strip().lower().partition(":")
    bad = OptionError(
        f"The scale {text!r} is not understood.",
        "Use strip, backdrop, tongue, rule, rule:inch, coin:DIAMETER, coin:DIAMETER@X,Y, id1, span:X1,Y1,X2,Y2,MM or "
        "auto.",
    )
    try:
        if kind in ("auto", "strip", "backdrop", "tongue", "id1") and not rest:
            return ScaleAsk(kind, factor=factor)
        if kind == "rule" and rest in ("", "mm", "inch"):
            return ScaleAsk(kind, rule_unit=rest or "mm", factor=factor)
        if kind == "coin":
            return _coin(rest, factor)
        if kind == "span":
            x1, y1, x2, y2, mm = numbers_from(rest, 5)
            if mm > 0 and (x1, y1) != (x2, y2):
                return ScaleAsk(kind, span_px=(x1, y1, x2, y2), span_mm=mm, factor=factor)
    except ValueError:
        raise bad from None
    raise bad


def _coin(text: str, factor: float) -> ScaleAsk:
    """``DIAMETER`` or ``DIAMETER@X,Y``; ValueError if it is neither."""
    diameter, at, point = text.partition("@")
    mm = float(diameter)
    if not math.isfinite(mm):
        raise ValueError("a diameter is needed")
    if not 5.0 < mm < 60.0:  # wider than any coin in use, so that tokens and medals can serve
        raise OptionError(f"No coin is {mm:g} mm across.", "Give its diameter, 5 to 60 mm.")
    x, y = numbers_from(point, 2) if at else (0.0, 0.0)
    return ScaleAsk("coin", diameter_mm=mm, factor=factor, at_px=(x, y) if at else None)


def numbers_from(text: str, count: int) -> list[float]:
    """Finite numbers between commas or blanks; ValueError if they are not `count`."""
    numbers = [float(v) for v in re.split(r"[,\s]+", text.strip())]
    if len(numbers) != count or not all(math.isfinite(v) and abs(v) < _MOST for v in numbers):
        raise ValueError(f"{count} numbers of pixels or millimetres are needed")
    return numbers
