"""The wear map's cells and their tones, the same on the page and on paper.

Lightness runs one way through the tones, so their order survives a grey print and needs no colour vision; the number
stands in every cell all the same.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from inspect_app.decide.wear import WearMap

__all__ = ["FULL", "LEGEND", "STEPS", "TONES", "Show", "WearCell", "tone", "wear_cell"]

Show = Literal["depth", "flat", "height"]
STEPS = 5
FULL: Mapping[Show, tuple[float, float]] = {
    # Values that get the first and the last step, in mm; breaks are the same for every job so that boards compare.
    "depth": (0.0, 0.30),  # a divot of 0.3 mm is about a quarter of a common crown's height
    "flat": (0.0, 1.50),
    "height": (1.20, 0.50),  # less left is darker
}
TONES = ("#f5e3bd", "#ebbf82", "#dc9657", "#a4512f", "#6b2a20")
"""Ground of each step on light ground; page.css has the same as ``w0`` to ``w4`` (a test compares them)."""
NONE_TONE = "#ece8df"
"""Ground of a cell where nothing was seen; page.css has the same."""
LEGEND = "0: no wear seen. A dot: not read. A question mark: a flat was seen, the value is not known."


@dataclass(frozen=True, slots=True)
class WearCell:
    """One cell: its text, and its step (0 to 4), -1 where nothing was seen, -2 where nothing was read or known."""

    text: str
    step: int


def tone(value: float, show: Show) -> int:
    """Step of a value, 0 to 4."""
    first, last = FULL[show]
    return min(STEPS - 1, max(0, int((value - first) / (last - first) * STEPS)))


def wear_cell(wear: WearMap, fret: int, string: int, write: Callable[[float], str]) -> WearCell:
    """Depth under one string of one fret; `write` puts millimetres into a cell's few letters."""
    at = wear.fret(fret)
    here = [s for s in at.spots if s.string == string]
    depths = [s.depth for s in here if s.depth is not None]
    if depths:
        deepest = max(d.value for d in depths)
        return WearCell(write(deepest), tone(deepest, "depth"))
    if here:
        return WearCell("?", -2)
    return WearCell("0", -1) if at.unseen_depth is not None else WearCell("·", -2)
