"""Which scale to look for in a photo, and reading that from text."""

from __future__ import annotations

import re
from dataclasses import dataclass

from shared.errors import OptionError

__all__ = ["ScaleAsk", "parse_scale"]

SCALE_KINDS = ("auto", "strip", "backdrop", "rule", "coin", "id1", "span")


@dataclass(frozen=True, slots=True)
class ScaleAsk:
    """Which scale to look for.

    `kind` is one of ``auto``, ``strip``, ``backdrop``, ``rule``, ``coin``, ``id1``, ``span``. `diameter_mm` goes with
    ``coin``; `span_px` (x1, y1, x2, y2) and `span_mm` with ``span``; `rule_unit` (``mm`` or ``inch``) with ``rule``.
    `factor` is true length / nominal length of this print, as measured on its check bar.
    """

    kind: str = "auto"
    diameter_mm: float | None = None
    span_px: tuple[float, float, float, float] | None = None
    span_mm: float | None = None
    rule_unit: str = "mm"
    factor: float = 1.0


def parse_scale(text: str, factor: float = 1.0) -> ScaleAsk:
    """Read ``strip``, ``backdrop``, ``rule``, ``rule:inch``, ``coin:24.26``, ``id1``, ``span:…`` or ``auto``.

    A span is ``span:X1,Y1,X2,Y2,MM``: two points in photo pixels and their distance.

    Raises
    ------
    OptionError
        If the text is none of these.
    """
    kind, _, rest = text.strip().lower().partition(":")
    bad = OptionError(
        f"The scale {text!r} is not understood.",
        "Use strip, backdrop, rule, rule:inch, coin:DIAMETER, id1, span:X1,Y1,X2,Y2,MM or auto.",
    )
    try:
        if kind in ("auto", "strip", "backdrop", "id1") and not rest:
            return ScaleAsk(kind, factor=factor)
        if kind == "rule" and rest in ("", "mm", "inch"):
            return ScaleAsk(kind, rule_unit=rest or "mm", factor=factor)
        if kind == "coin" and 5.0 < float(rest) < 60.0:
            return ScaleAsk(kind, diameter_mm=float(rest), factor=factor)
        if kind == "span":
            x1, y1, x2, y2, mm = (float(v) for v in re.split(r"[,\s]+", rest))
            if mm > 0 and (x1, y1) != (x2, y2):
                return ScaleAsk(kind, span_px=(x1, y1, x2, y2), span_mm=mm, factor=factor)
    except ValueError:
        raise bad from None
    raise bad
