"""The demo scenario: an invented loan instrument before and after its frets were repaired, in photos of known geometry.

The photos are committed, so that demo and tests need no renderer; `sample_images.render` makes them again. This module
imports neither.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

__all__ = ["SCENARIO", "Scenario", "Sample", "photos"]

_FOLDER = Path(__file__).parent
_ORDER = {"intake": 0, "after": 1}
_VIEWS = ("plan", "elevation", "end", "section", "side")


@dataclass(frozen=True, slots=True)
class Scenario:
    """What the person would have written down about the job. Lengths in millimetres, angles in degrees."""

    customer: str
    contact: str
    instrument: str
    kind: str
    asked_for: str
    scale_length: float
    frets: int
    strings: int
    spread_nut: float
    spread_bridge: float
    board_wood: str
    radius_nut: float
    present_wire: str
    crown_width: float
    crown_height: float
    agreed_bevel: float
    least_height: float
    finished_height: float
    string_height: float
    finished_string_height: float
    visits: tuple[str, ...]


SCENARIO = Scenario(
    customer="Harbour Street Music School",
    contact="front desk, weekday mornings",
    instrument="Loan no. 7",
    kind="steel-string guitar, 20 frets",
    asked_for="Buzzes on the first five frets and the chords sound out of tune. Make it play cleanly before term "
    "starts, and leave enough on the frets for two more levellings; new wire only where that takes it.",
    scale_length=630.0,
    frets=20,
    strings=6,
    spread_nut=36.2,
    spread_bridge=53.9,
    board_wood="rosewood",
    radius_nut=300.0,
    present_wire="nickel silver, medium",
    crown_width=2.40,
    crown_height=1.12,
    agreed_bevel=30.0,
    least_height=0.92,  # 0.70 that must be left, and 0.11 for each of two more levellings
    finished_height=1.00,  # 0.12 off the old frets, the new ones brought down to them
    string_height=2.6,  # of the treble outer string over the twelfth fret
    finished_string_height=1.9,
    visits=("intake", "after"),
)
"""An invented customer and instrument."""


@dataclass(frozen=True)
class Sample:
    """A sample photo: its file, the truth beside it, the options to measure it with, and the visit it belongs to."""

    path: Path
    truth: dict[str, Any]

    @property
    def ask(self) -> dict[str, Any]:
        """Options of ``inspect-app measure``, by name."""
        return dict(self.truth["ask"])

    @property
    def view(self) -> str:
        """The view it shows."""
        return str(self.truth["view"])

    @property
    def visit(self) -> str:
        """``intake`` or ``after``."""
        return str(self.truth["visit"])


@cache
def photos() -> tuple[Sample, ...]:
    """All sample photos: by visit, by view, then by name."""
    found = [Sample(p.with_suffix(".jpg"), json.loads(p.read_text(encoding="utf-8"))) for p in _FOLDER.glob("*.json")]
    return tuple(sorted(found, key=lambda s: (_ORDER[s.visit], _VIEWS.index(s.view), s.path.name)))
