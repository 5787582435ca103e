"""What the person asks of a photo: the view, the scale, where it lies, and what is known of the instrument."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, Literal, get_args

from calib.lens_profile import LensProfile
from calib.scales.ask import ScaleAsk, parse_scale
from inspect_app.reading.json_form import LEAVE_OUT, from_plain, to_plain
from inspect_app.reading.key import Key
from shared.errors import OptionError
from shared.trade import Side

__all__ = [
    "View",
    "HandEdge",
    "OwnPrecision",
    "ScaleAsk",
    "ScalePlane",
    "Ask",
    "parse_held",
    "parse_scale",
    "parse_scale_plane",
]

View = Literal["plan", "elevation", "end", "section", "side"]
VIEWS: tuple[View, ...] = get_args(View)


@dataclass(frozen=True, slots=True)
class ScalePlane:
    """Where the scale lies: ``crown`` (level with the crown tops beside it), ``board``, or ``below``.

    ``below`` means `below_mm` under the crown tops.
    """

    where: str = "crown"
    below_mm: float = 0.0

    def __str__(self) -> str:
        return f"below:{self.below_mm:g}" if self.where == "below" else self.where


_POSSIBLE_MM = {"scale_length": (0.0, 2000.0), "crown_width": (0.2, 20.0), "crown_height": (0.1, 10.0)}
"""Between which a length can be one of a fretted instrument: several times the largest made, a fraction of the
smallest (common practice, no source), so that a slip of the decimal point is told and nothing odd is refused."""


@dataclass(frozen=True, slots=True)
class OwnPrecision:
    """What a repeat study of the shop found of one quantity in one view.

    `u` is the standard deviation from photo to photo, by any of the people who took part; `dof` its degrees of freedom;
    `assumed` what the study's readings allowed for the same, root mean square. `study` says which study it was.
    """

    quantity: str
    unit: str
    u: float
    dof: float
    assumed: float
    study: str


@dataclass(frozen=True, slots=True)
class HandEdge:
    """An edge a person placed: which one (``fret 5, crown nut side``) and its points in upright photo pixels."""

    what: Key
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Ask:
    """Everything a view needs besides the photo. Lengths in millimetres; ``None`` where not known.

    Of a photo across the neck, `string` is the outer string before the backdrop, first being the treble side's; `held`
    the frets it was held down on, none for an open string; `string_inset` how far inside the board's edge it runs.
    `lens` is the profile a person named; else the first of `lenses` that the photo's EXIF and distance speak for.
    """

    view: View
    scale: ScaleAsk = field(default_factory=ScaleAsk)
    scale_plane: ScalePlane = field(default_factory=ScalePlane)
    scale_length: float | None = None
    first_fret: int = 1
    nut: Literal["left", "right"] = "left"
    treble: Literal["top", "bottom"] = "bottom"
    crown_width: float | None = None
    crown_height: float | None = None
    end: Side | None = None
    string: Annotated[Literal["first", "last"] | None, LEAVE_OUT] = None
    held: Annotated[tuple[int, ...], LEAVE_OUT] = ()
    string_inset: Annotated[float | None, LEAVE_OUT] = None
    hand_edges: tuple[HandEdge, ...] = ()
    lens: Annotated[LensProfile | None, LEAVE_OUT] = None
    lenses: Annotated[tuple[LensProfile, ...], LEAVE_OUT] = ()
    precision: Annotated[tuple[OwnPrecision, ...], LEAVE_OUT] = ()

    def __post_init__(self) -> None:
        if self.view not in VIEWS:
            raise OptionError(f"There is no view called {self.view!r}.", f"Use one of: {', '.join(VIEWS)}.")
        for name, (least, most) in _POSSIBLE_MM.items():
            v = getattr(self, name)
            if v is not None and not least < v < most:
                raise OptionError(
                    f"The {name.replace('_', ' ')} of {v:g} mm is not possible.", "Give it in millimetres."
                )
        if self.string_inset is not None and not 0.5 <= self.string_inset <= 10.0:
            raise OptionError(
                f"A string {self.string_inset:g} mm from the board's edge is not possible.",
                "Measure from the board's edge to the middle of the outer string.",
                "string_inset",
            )
        if len(self.held) > 2 or any(not 1 <= n <= 36 for n in self.held) or len(set(self.held)) < len(self.held):
            raise OptionError(
                f"A string can't be held down on {', '.join(map(str, self.held))}.", "Name one fret, or two.", "held"
            )
        if not 1 <= self.first_fret <= 36:
            raise OptionError(f"There is no fret {self.first_fret}.", "Count from 1 at the nut.")

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON and the store."""
        return dict(to_plain(self))

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Ask:
        """The inverse of `to_dict`."""
        return from_plain(cls, data)

    def with_hand_edge(self, edge: HandEdge) -> Ask:
        """The same question with one more edge fixed by hand (replacing an earlier one of the same name)."""
        kept = tuple(h for h in self.hand_edges if h.what != edge.what)
        return replace(self, hand_edges=(*kept, edge))


def parse_scale_plane(text: str) -> ScalePlane:
    """Read ``crown``, ``board`` or ``below:MM``.

    Raises
    ------
    OptionError
        If the text is none of these.
    """
    where, _, rest = text.strip().lower().partition(":")
    try:
        if where in ("crown", "board") and not rest:
            return ScalePlane(where)
        if where == "below" and 0.0 <= float(rest) < 200.0:
            return ScalePlane(where, float(rest))
    except ValueError:
        pass
    raise OptionError(f"The place of the scale {text!r} is not understood.", "Use crown, board or below:MM.")


def parse_held(text: str) -> tuple[int, ...]:
    """Read the frets a string is held down on: ``1,16``; empty for an open string.

    Raises
    ------
    OptionError
        If the text is none of that.
    """
    parts = [p.strip() for p in text.replace(" ", ",").split(",") if p.strip()]
    if not all(p.isdecimal() for p in parts):
        raise OptionError(f"The frets {text!r} are not understood.", "Write their numbers: 1,16.", "held")
    return tuple(sorted(int(p) for p in parts))
