"""The name of what is read: where, which feature, which of several, and which of its quantities or edges.

`Key` is handled in Python, its text stands in JSON, in the database and in addresses of pages. The text is the place,
the feature with its number, and a quantity or an edge, parted by commas::

    fret 5, crown width             a feature that is itself the quantity
    fret 5, flats 2, length         a quantity of one of several
    fret 5, flats 2, treble end     an edge of it that a person may place
    fret 5, crown nut side          a feature that is a single edge
    string 1, height                places other than frets: string 1, board, neck
    photo                           no place: what concerns the whole photo
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Annotated, Literal, get_args

from shared.errors import OptionError

__all__ = [
    "EDGES",
    "NOTHING",
    "NO_PLACE",
    "Key",
    "NotMeasured",
    "Place",
    "PlaceKind",
    "on_fret",
    "parse_key",
    "parse_place",
]

PlaceKind = Literal["", "fret", "string", "board", "neck"]
_NUMBERED = ("fret", "string")
EDGES = frozenset(
    ("treble end", "bass end", "nut side", "body side", "floor", "middle", "foot", "top", "tip", "left", "right")
)
"""Names of edges of a feature; no quantity has one of these names, so that a key's last part is never both."""
_PLACE = re.compile(r"(?P<kind>fret|string) (?P<number>0|[1-9]\d{0,2})|board|neck")
_LIKE_A_PLACE = re.compile(r"(?:fret|string|board|neck)\b")
_WORDS = re.compile(r"[a-z][a-z-]*(?: [a-z][a-z-]*)*")
_FEATURE = re.compile(rf"(?P<feature>{_WORDS.pattern})(?: (?P<index>[1-9]\d{{0,2}}))?")


@dataclass(frozen=True, slots=True)
class Place:
    """Where on the instrument: a fret or string by its number, the board, the neck, or no place in particular.

    Frets are counted from 1 at the nut, 0 being a loose piece of wire; strings from 1 at the treble side.
    """

    kind: PlaceKind = ""
    number: int | None = None

    def __post_init__(self) -> None:
        if self.kind not in get_args(PlaceKind) or (self.number is not None) != (self.kind in _NUMBERED):
            raise _key_error(f"{self.kind} {self.number}")
        if self.number is not None and not 0 <= self.number <= 999:
            raise _key_error(str(self))

    def __str__(self) -> str:
        return self.kind if self.number is None else f"{self.kind} {self.number}"

    @property
    def order(self) -> tuple[str, int]:
        """To sort by: kinds of place together, each by number."""
        return self.kind, self.number or 0


NO_PLACE = Place()


@dataclass(frozen=True, slots=True)
class Key:
    """The name of a reading, of a feature, or of an edge.

    Attributes
    ----------
    feature : str
        ``crown width``, ``flats``; empty for the place as a whole, or for nothing where there is no place either.
    index : int or None
        Which of several, from 1; of what is read by string, the string.
    quantity : str
        ``length``; empty where the feature is itself the quantity.
    edge : str
        One of `EDGES`; empty unless the key names an edge. A key has a quantity or an edge, never both.

    Raises
    ------
    OptionError
        If the text of these parts would not be read back as the same key.
    """

    place: Place = NO_PLACE
    feature: str = ""
    index: int | None = None
    quantity: str = ""
    edge: str = ""

    def __post_init__(self) -> None:
        if not _is_whole(self):
            raise _key_error(str(self))

    def __str__(self) -> str:
        return ", ".join(part for part in (str(self.place), self.name) if part)

    @property
    def name(self) -> str:
        """The key without its place: ``flats 2, length``."""
        feature = self.feature if self.index is None else f"{self.feature} {self.index}"
        return ", ".join(part for part in (feature, self.quantity or self.edge) if part)

    @property
    def of(self) -> Key:
        """The feature alone: ``fret 5, flats 2`` of ``fret 5, flats 2, length``."""
        return replace(self, quantity="", edge="") if self.quantity or self.edge else self

    @property
    def fret(self) -> int | None:
        """The fret's number, if the place is one."""
        return self.place.number if self.place.kind == "fret" else None

    def nth(self, index: int) -> Key:
        """One of several of this feature, counted from 1."""
        return replace(self, index=index)

    def part(self, name: str) -> Key:
        """A quantity or an edge of this feature."""
        return replace(self.of, edge=name) if name in EDGES else replace(self.of, quantity=name)


@lru_cache(maxsize=4096)  # as many as `parse_key`
def on_fret(fret: int, feature: str, index: int | None = None, quantity: str = "") -> Key:
    """The key of a feature of a fret; underscores read as spaces, as in the names of fields."""
    return Key(Place("fret", fret), feature.replace("_", " "), index, quantity.replace("_", " "))


def _is_whole(key: Key) -> bool:
    last = key.quantity or key.edge
    if not key.feature:
        return key.index is None and not last
    alone = key.place == NO_PLACE and _LIKE_A_PLACE.match(key.feature)
    words = _WORDS.fullmatch(key.feature) and (not last or _WORDS.fullmatch(last))
    counted = key.index is None or 1 <= key.index <= 999
    one = not (key.quantity and key.edge) and key.quantity not in EDGES and (not key.edge or key.edge in EDGES)
    return bool(words and counted and one and not alone)


def _key_error(text: str) -> OptionError:
    return OptionError(
        f"{text!r} is not the name of a reading.", "Write it as the answer does: fret 5, flats 2, length."
    )


NOTHING = Key()
"""Of a line that shows no reading."""


@lru_cache(maxsize=4096)  # a job's answers name the same few hundred again and again
def parse_key(text: str) -> Key:
    """Read a key's text.

    >>> parse_key("fret 5, flats 2, length").quantity
    'length'

    Raises
    ------
    OptionError
        If it is no key.
    """
    first, _, rest = text.partition(", ")
    if _PLACE.fullmatch(first):
        place, named = parse_place(first), rest
    else:
        place, named = NO_PLACE, text
    feature, _, last = named.partition(", ")
    at = _FEATURE.fullmatch(feature)
    key = Key(place, at["feature"], int(at["index"]) if at["index"] else None) if at else Key(place)
    key = key.part(last) if at and last else key
    if str(key) != text:
        raise _key_error(text)
    return key


def parse_place(text: str) -> Place:
    """Read ``fret 5``, ``string 1``, ``board`` or ``neck``.

    Raises
    ------
    OptionError
        If it is none of these.
    """
    at = _PLACE.fullmatch(text)
    if at is None:
        raise OptionError(f"There is no place {text!r}.", "Write fret 5, string 1, board or neck.")
    numbered: PlaceKind = "fret" if at["kind"] == "fret" else "string"
    return Place(numbered, int(at["number"])) if at["kind"] else Place("board" if text == "board" else "neck")


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """What could not be read, and why. Falsy, so ``if reading:`` asks whether there is a value."""

    what: Annotated[
        Key,
        {"description": "Named as elsewhere in the answer: `fret 5, flats`; `photo` when nothing could be measured."},
    ]
    reason: Annotated[str, {"minLength": 1}]

    def __bool__(self) -> bool:
        return False

    def to_dict(self) -> dict[str, str]:
        """Plain strings for JSON and paper."""
        return {"what": str(self.what), "reason": self.reason}
