"""What is known of the instrument on the bench. Lengths in millimetres."""

from __future__ import annotations

from dataclasses import dataclass

from shared.errors import OptionError
from shared.trade import HIGHEST_FRET, SPREAD_BRIDGE_MM, SPREAD_NUT_MM

__all__ = ["Instrument", "string_places"]

SCALE_LENGTHS_MM = (200.0, 1300.0)
"""What fretted instruments measure, the smallest and the largest with margin (common practice, no source)."""
MOST_STRINGS = 12
"""Two courses of six (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """A fretted instrument.

    `spread_nut` and `spread_bridge` are the distances between the outer strings. `radius_nut` and `radius_last` are
    equal on a cylindrical board, ``None`` where not known (0 would be a bent board; a flat board is ``None`` too).
    `binding`: the board's edges are bound; `nibs`: the binding rises over the frets' ends; `zero_fret`: a fret at the
    nut carries the open strings; `lacquered`: the board has a finish; `multi_scale`: the frets fan out. `strings`
    counts all of them, in courses of `courses` strings each.
    """

    scale_length: float
    frets: int = 22
    strings: int = 6
    spread_nut: float = SPREAD_NUT_MM
    spread_bridge: float = SPREAD_BRIDGE_MM
    radius_nut: float | None = None
    radius_last: float | None = None
    binding: bool = False
    nibs: bool = False
    zero_fret: bool = False
    lacquered: bool = False
    multi_scale: bool = False
    courses: int = 1

    def __post_init__(self) -> None:
        if not SCALE_LENGTHS_MM[0] <= self.scale_length <= SCALE_LENGTHS_MM[1]:
            raise OptionError(f"A scale length of {self.scale_length:g} mm is not possible.", "Give it in millimetres.")
        if not (1 <= self.frets <= HIGHEST_FRET and 1 <= self.strings <= MOST_STRINGS):
            raise OptionError(
                f"{self.frets} frets and {self.strings} strings are not possible.",
                f"Count frets 1 to {HIGHEST_FRET}, strings 1 to {MOST_STRINGS}.",
            )
        if self.courses < 1 or self.strings % self.courses:
            raise OptionError(
                f"{self.strings} strings don't make courses of {self.courses}.", "Count every string of every course."
            )


COURSE_MM = 2.2
"""Distance between two strings of one course, mm (common practice, no source)."""


def string_places(instrument: Instrument, fret: int, fret_length: float) -> tuple[float, ...]:
    """Where the strings cross a fret, in mm from its treble end, the treble string first.

    The strings, or courses, fan out evenly from nut to bridge and lie centred on the board; the strings of a course run
    side by side.

    >>> string_places(Instrument(648.0, strings=2, spread_nut=36.0, spread_bridge=52.0), fret=12, fret_length=52.0)
    (4.0, 48.0)
    """
    share = 1.0 - 2.0 ** (-fret / 12.0)  # equal temperament: x_n / L
    spread = instrument.spread_nut + (instrument.spread_bridge - instrument.spread_nut) * share
    each = instrument.courses
    n = instrument.strings // each
    beside = COURSE_MM * (each - 1)
    step = (spread - beside) / (n - 1) if n > 1 else 0.0
    first = (fret_length - spread) / 2.0 if instrument.strings > 1 and n > 1 else (fret_length - beside) / 2.0
    return tuple(first + i * step + k * COURSE_MM for i in range(n) for k in range(each))
