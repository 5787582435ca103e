"""What the person writes down about a job: the customer, the instrument, what was asked for."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from inspect_app.instrument.details import Instrument
from shared.errors import OptionError
from shared.trade import HIGHEST_FRET, MOST_IN_COURSE

__all__ = ["InstrumentDetails", "JobDetails", "instrument_of", "VIEW_OR_FINDING", "FIRST_VISIT", "AFTER"]

VIEW_OR_FINDING = ("plan", "elevation", "end", "section", "side", "finding")
"""What a photo of a job shows: one of the measured views, or a finding with a note."""
FIRST_VISIT = "intake"
"""Label of the visit every job starts with."""
AFTER = "after"
"""Label of the visit after the work."""

_RANGES = {
    # Widest values met on fretted instruments, from the smallest ukuleles to bass guitars and citterns, with room to
    # spare (common practice, no source): they catch a slipped decimal point or inches typed for millimetres.
    "scale_length": (200.0, 1300.0),
    "spread_nut": (5.0, 120.0),
    "spread_bridge": (5.0, 160.0),
    "radius_nut": (50.0, 2000.0),
    "radius_last": (50.0, 2000.0),
    "crown_width": (0.5, 6.0),
    "crown_height": (0.1, 3.0),
}
MAX_FRETS = HIGHEST_FRET
MAX_STRINGS = 12
MAX_TEXT = 2000
"""Longest text kept in one field, in characters: a page of notes."""


@dataclass(frozen=True, slots=True)
class InstrumentDetails:
    """A fretted instrument as far as it is known; lengths in millimetres, ``None`` or empty where not.

    `spread_nut` and `spread_bridge` are centre to centre of the outer strings. `radius_nut` alone is a board of one
    radius; with `radius_last`, the radius at the last fret, the board is compound. `crown_width` and `crown_height`
    are those of the present wire when it was new. `courses` is how many strings make a course, `zero_fret` a fret at
    the nut under the open strings, `multi_scale` frets that fan out.
    """

    name: str = ""
    kind: str = ""
    scale_length: float | None = None
    frets: int | None = None
    strings: int | None = None
    spread_nut: float | None = None
    spread_bridge: float | None = None
    board_wood: str = ""
    radius_nut: float | None = None
    radius_last: float | None = None
    binding: bool = False
    nibs: bool = False
    zero_fret: bool = False
    lacquered: bool = False
    multi_scale: bool = False
    courses: int | None = None
    present_wire: str = ""
    crown_width: float | None = None
    crown_height: float | None = None

    def __post_init__(self) -> None:
        for name, (low, high) in _RANGES.items():
            v = getattr(self, name)
            if v is not None and not low <= v <= high:
                what = name.replace("_", " ")
                raise OptionError(
                    f"A {what} of {v:g} mm is not possible.", f"Give one from {low:g} to {high:g} mm.", name
                )
        for name, most in (("frets", MAX_FRETS), ("strings", MAX_STRINGS), ("courses", MOST_IN_COURSE)):
            n = getattr(self, name)
            if n is not None and not 1 <= n <= most:
                raise OptionError(f"{n} {name} are not possible.", f"Give a number from 1 to {most}.", name)
        if self.courses and self.strings and self.strings % self.courses:
            raise OptionError(
                f"{self.strings} strings don't make courses of {self.courses}.",
                "Count every string of every course.",
                "courses",
            )
        if self.radius_last is not None and self.radius_nut is None:
            raise OptionError(
                "A compound radius needs both ends.", "Give the radius at the nut as well.", "radius_last"
            )


@dataclass(frozen=True, slots=True)
class JobDetails:
    """A job as written down at the bench."""

    customer: str
    contact: str = ""
    instrument: InstrumentDetails = field(default_factory=InstrumentDetails)
    asked_for: str = ""
    promised: date | None = None

    def __post_init__(self) -> None:
        if not self.customer.strip():
            raise OptionError(
                "The job has no customer.", "Write a name, even a short one, so it can be found again.", "customer"
            )
        own = {"customer": self.customer, "contact": self.contact, "asked_for": self.asked_for}
        texts = own | {n: getattr(self.instrument, n) for n in ("name", "kind", "board_wood", "present_wire")}
        for name, text in texts.items():
            if len(text) > MAX_TEXT:
                raise OptionError(f"A text of {len(text)} characters is too long.", f"Keep it under {MAX_TEXT}.", name)


def instrument_of(details: InstrumentDetails) -> Instrument | None:
    """The instrument the decisions reckon with, or ``None`` while its scale length is not known."""
    if details.scale_length is None:
        return None
    known = {n: getattr(details, n) for n in ("frets", "strings", "spread_nut", "spread_bridge")}
    return Instrument(
        details.scale_length,
        radius_nut=details.radius_nut,
        radius_last=details.radius_last or details.radius_nut,
        binding=details.binding,
        nibs=details.nibs,
        zero_fret=details.zero_fret,
        lacquered=details.lacquered,
        multi_scale=details.multi_scale,
        courses=(details.courses or 1) if details.strings else 1,
        **{n: v for n, v in known.items() if v is not None},
    )
