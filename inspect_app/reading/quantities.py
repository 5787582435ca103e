"""Every quantity a photo may give: its name, its unit, how it is drawn, which edges move it, where it is written.

One entry a quantity, in the order a person reads them. Answer, schema, tables, pages and papers ask here, so a new
reading is a file that measures and an entry: its value goes into `Inspection.values` under its key.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from inspect_app.reading.ask import View
from inspect_app.reading.key import Key
from shared.trade import SIDES

__all__ = [
    "MarkingSteps",
    "Edge",
    "Line",
    "Quantity",
    "card_of",
    "entry_of",
    "every_quantity",
    "line_named",
    "one_of",
    "rank",
]


@dataclass(frozen=True, slots=True)
class Line:
    """A kind of outline: its name, its colour (blue, green, red), its dashes in line widths (0 draws it whole)."""

    name: str
    bgr: tuple[int, int, int]
    dash: int = 0


@dataclass(frozen=True, slots=True)
class Edge:
    """An edge a person may move: its name, and where on the drawn outline its handles stand.

    `at` are shares of the way along the outline's points, 0 the first and 1 the last; ``lowest`` the point farthest
    below its ends; ``outermost`` the point of a closed outline farthest towards the side that the name says; ``ends``
    and ``centre`` those of an outline of its own. `views` are those it is moved in, all when empty.
    """

    name: str
    at: tuple[float, ...] | Literal["lowest", "outermost", "ends", "centre"]
    views: tuple[View, ...] = ()


@dataclass(frozen=True, slots=True)
class MarkingSteps:
    """How a person marks the feature where it was not found: its name, what each point is, and what to say for it.

    A point is named by its edge or, of two edges across from each other, by the way on which they are told apart:
    ``along`` the fret, ``across`` it, ``up``, ``right``. `on` is the line that must be drawn already.
    """

    name: str
    points: tuple[str, ...]
    prompts: tuple[str, ...]
    views: tuple[View, ...]
    on: str = ""


Rule = Literal["", "apart", "share", "place", "drop", "sagitta", "turn", "arc", "circle"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Quantity:
    """One quantity.

    Attributes
    ----------
    feature, quantity : str
        As in its `Key`; `quantity` is empty where the feature is itself the quantity.
    label : str
        In the trade's words, for columns and pages.
    views : tuple of View
        Which give it.
    meaning : str
        What is measured from where to where, for the schema.
    one : str
        One of several, for people: ``flat 2`` of ``flats 2``. Empty where there is only one.
    lines : tuple of Line
        The first draws it; each is drawn by its own style.
    edges : tuple of Edge
        Those a person may move.
    follows : tuple of Rule, edge, edge
        How the shown value follows them while they move; without edges, the first two.
    where : bool
        Whether it says where, not how much: then U / value means nothing for it.
    signed : bool
        Whether it is a difference of either sign, none being as usual as any: nor does U / value mean a thing then.
    on_paper : bool
        Whether it stands in the record of measurements.
    card : str
        The part of the instrument it is reviewed with, where several features make one; empty for its feature alone.
    """

    feature: str
    quantity: str = ""
    label: str
    unit: Literal["mm", "deg", "1"] = "mm"
    views: tuple[View, ...]
    meaning: str = ""
    one: str = ""
    lines: tuple[Line, ...] = ()
    edges: tuple[Edge, ...] = ()
    follows: tuple[Rule | str, ...] = ("",)
    where: bool = False
    signed: bool = False
    on_paper: bool = False
    adding: MarkingSteps | None = None
    card: str = ""


# Colours of the set by Okabe and Ito for all kinds of colour vision (Color Universal Design, 2008); dashes besides.
_BLUE, _YELLOW, _ORANGE, _GREEN = (233, 180, 86), (66, 228, 240), (0, 159, 230), (115, 158, 0)
_PURPLE, _VERMILION, _DARK_BLUE = (167, 121, 204), (0, 94, 213), (178, 114, 0)
CROWN_EDGE, FRET_END, FLAT = Line("crown_edge", _BLUE), Line("fret_end", _BLUE, 4), Line("flat", _YELLOW)
DIVOT, CROWN_LINE, ARC = Line("divot", _ORANGE, 6), Line("crown_line", _GREEN), Line("arc", _PURPLE, 8)
BEVEL, TIP, BOARD_EDGE = Line("bevel", _VERMILION), Line("tip", _VERMILION, 3), Line("board_edge", _BLUE, 6)
GAP_LINE, STRING, FOOT = Line("string_gap", _ORANGE), Line("string_underside", _GREEN), Line("card_foot", _PURPLE, 8)
WORN_BOARD = Line("board_wear", _DARK_BLUE, 4)
SECTION, SPAN, SCALE_LINE = Line("section", _GREEN), Line("span", _PURPLE), Line("scale", _DARK_BLUE, 3)
_OTHER = Line("", _BLUE, 2)

_SIDES = (Edge("left", (0.0,), ("section",)), Edge("right", (1.0,), ("section",)))
_UNDERSIDE = Edge("underside", (2 / 3, 1.0))
_OF_FLAT = tuple(Edge(name, "outermost") for name in ("treble end", "bass end", "nut side", "body side"))
_OF_DIVOT = (Edge("treble end", (0.0,)), Edge("floor", "lowest"), Edge("bass end", (1.0,)))
_OF_BEVEL = (Edge("foot", (0.0,)), Edge("top", (1.0,)))
_FROM_END = "Place of the deepest or widest point along the fret, from its treble end at board level."
_SQUARE = "Angle from the perpendicular to the board; 0 is square-cut."
_ENDS = tuple(f"{side} end" for side in SIDES)
_BACKDROP: tuple[View, ...] = ("elevation", "end")


def _bevel(end: str) -> Quantity:
    prompts = ("Mark the foot of the bevel, at the board", "Mark its top, where the crown begins")
    return Quantity(
        feature=f"bevel {end}", card="bevel", label=f"bevel {end}", unit="deg", views=_BACKDROP, meaning=_SQUARE,
        lines=(BEVEL,), edges=_OF_BEVEL, follows=("turn",), on_paper=True,
        adding=MarkingSteps(f"Bevel, {end} end", ("up", "up"), prompts, _BACKDROP, "arc"),
    )  # fmt: skip


def _lifted(end: str) -> Quantity:
    meaning = "Gap between the crown's shoulder and the wood at the end; read by feeler, for no photo gives it."
    feature = f"{end} end lifted"
    return Quantity(feature=feature, card="fret ends", label=feature, views=("end",), meaning=meaning)


def _proud(end: str) -> Quantity:
    meaning = "How far the end's foot stands out beyond the board's edge; negative where it ends short of it."
    feature = f"{end} end proud"
    return Quantity(
        feature=feature, card="fret ends", label=feature, views=("plan",), meaning=meaning, lines=(BOARD_EDGE,),
        signed=True,
    )  # fmt: skip


_SETUP = (
    ("string height", "At the 12th fret, from the crown up to the open string's underside."),
    ("nut clearance", "At the first fret, the string held down between the second and the third."),
    ("relief", "Half-way between the two frets the string is held down on, from the crown up to it."),
)


_BOARD_WEAR: tuple[tuple[str, str, Literal["mm", "1"], str, bool], ...] = (
    (
        "from treble end",
        "worn board from treble end",
        "mm",
        "Middle of a worn place of the board, along the fret.",
        False,
    ),
    ("width", "worn board across", "mm", "Extent across the board.", False),
    ("length", "worn board along", "mm", "Extent along the neck.", False),
    ("share", "worn board, share of field", "1", "Its area over that of the field: crown to crown, end to end.", True),
)


def _of_board(quantity: str, label: str, unit: Literal["mm", "1"], meaning: str, on_paper: bool) -> Quantity:
    return Quantity(
        feature="board wear", one="worn place", quantity=quantity, label=label, unit=unit, views=("plan",),
        meaning=meaning, lines=(WORN_BOARD,), where=quantity == "from treble end", on_paper=on_paper,
    )  # fmt: skip


def _of_neck(side: str, what: str, meaning: str) -> Quantity:
    return Quantity(
        feature=f"{side} {what}", label=f"{what}, {side} side", views=("side",), meaning=meaning, on_paper=True
    )


QUANTITIES: tuple[Quantity, ...] = (
    Quantity(feature="position", card="fret ends", label="position", views=("plan",), where=True, lines=(CROWN_EDGE,),
        meaning="Along the neck, from an origin that all frets of the photo share."),
    Quantity(feature="length", card="fret ends", label="length", views=("plan",),
        meaning="Between the ends at board level.", lines=(FRET_END,),
        edges=tuple(Edge(e, "centre") for e in _ENDS), follows=("apart", *_ENDS),
        adding=MarkingSteps("Fret end", ("along",), ("Mark the end of the fret, at the board",), ("plan",))),
    Quantity(feature="crown width", card="crown", label="crown width", views=("plan", "section"),
        meaning="At board level.", lines=(CROWN_EDGE, SPAN, SECTION), follows=("apart",), on_paper=True,
        edges=(*(Edge(f"crown {s} side", "ends", ("plan",)) for s in ("nut", "body")), *_SIDES)),
    Quantity(feature="crown height", card="crown", label="crown height", views=("section",), lines=(SPAN,),
        on_paper=True,
        meaning="Above the board, as it is now.", edges=(Edge("top", (0.0,)), _UNDERSIDE), follows=("apart",)),
    Quantity(feature="crown radius", card="crown", label="crown radius", views=("section",), lines=(ARC,),
        on_paper=True, meaning="Radius of the crown's arc across the fret.", follows=("arc",),
        edges=(*_SIDES, Edge("top", (1 / 3, 2 / 3)))),
    Quantity(feature="flat width", card="crown", label="flat width", views=("section",), lines=(FLAT,), edges=_SIDES,
        meaning="Of a section: width of the flat on top.", follows=("apart",), on_paper=True,
        adding=MarkingSteps("Flat", ("right", "right"),
            ("Mark the flat's left end", "Mark its right end"), ("section",))),
    Quantity(feature="tang width", label="tang width", views=("section",), meaning="Without the barbs.",
        lines=(SPAN, SECTION), edges=_SIDES, follows=("apart",)),
    Quantity(feature="tang depth", label="tang depth", views=("section",), meaning="Below the crown.", lines=(SPAN,),
        edges=(Edge("tip", (0.0,)), _UNDERSIDE), follows=("apart",)),
    Quantity(feature="crown line radius", card="crown", label="crown line radius", views=("elevation",), on_paper=True,
        meaning="Radius of the unworn crown line across the board.", lines=(ARC, CROWN_LINE), follows=("circle",),
        edges=(Edge("treble end", (0.0,)), Edge("middle", (0.5,)), Edge("bass end", (1.0,)))),
    Quantity(feature="blind depth", card="crown", label="blind depth", views=("elevation",),
        meaning="Depth that this photo could not show, hidden behind the crown."),
    *map(_bevel, SIDES),
    Quantity(feature="bevel straight", card="bevel", label="bevel straight", views=_BACKDROP, on_paper=True,
        meaning="Length of the straight part of the bevel."),
    Quantity(feature="tip radius", card="bevel", label="tip radius", views=("end",), lines=(TIP,),
        meaning="Radius to which the tip is rounded."),
    Quantity(feature="overhang", card="fret ends", label="overhang", views=("end",), lines=(BOARD_EDGE,),
        signed=True,
        meaning="How far the end stands out beyond the board's edge."),
    *(_lifted(end) for end in SIDES),
    *(_proud(end) for end in SIDES),
    Quantity(feature="string gap", label="string gap", views=("side",), on_paper=True, lines=(GAP_LINE, STRING, FOOT),
        meaning="From the top of the crown up to the underside of the outer string over it.",
        edges=(Edge("foot", (0.0,)), Edge("top", (1.0,))), follows=("apart", "foot", "top")),
    Quantity(feature="height over neighbours", label="height over neighbours", views=("side",), on_paper=True,
        signed=True,
        meaning="How far the crown stands over the line through the crowns beside it; below it is negative."),
    *(_of_neck(side, *about) for side in SIDES for about in _SETUP),
    *(_of_board(*about) for about in _BOARD_WEAR),
    Quantity(feature="flats", one="flat", quantity="from treble end", label="flat from treble end", views=("plan",),
        meaning=_FROM_END, lines=(FLAT,), edges=_OF_FLAT, follows=("place", *_ENDS), where=True),
    Quantity(feature="flats", one="flat", quantity="length", label="flat length", views=("plan",), on_paper=True,
        meaning="Along the fret, where at least 0.3 mm wide.", lines=(FLAT,), edges=_OF_FLAT,
        follows=("apart", *_ENDS)),
    Quantity(feature="flats", one="flat", quantity="width", label="flat width", views=("plan",), on_paper=True,
        meaning="Greatest, across the crown.", lines=(FLAT,), edges=_OF_FLAT,
        follows=("apart", "nut side", "body side"),
        adding=MarkingSteps("Flat", ("along", "across", "along", "across"), ("Mark one end of the flat",
            "Mark one of its sides, where it is widest", "Mark its other end", "Mark its other side"), ("plan",))),
    Quantity(feature="flats", one="flat", quantity="depth", label="flat depth", views=("plan",), on_paper=True,
        meaning="Worked out from the width.", lines=(FLAT,), edges=_OF_FLAT,
        follows=("sagitta", "nut side", "body side")),
    Quantity(feature="divots", one="divot", quantity="from treble end", label="divot from treble end",
        views=("elevation",), meaning=_FROM_END, lines=(DIVOT,), edges=_OF_DIVOT, follows=("place", "floor"),
        where=True),
    Quantity(feature="divots", one="divot", quantity="length", label="divot length", views=("elevation",),
        meaning="Along the fret.", lines=(DIVOT,), edges=_OF_DIVOT, follows=("share", *_ENDS)),
    Quantity(feature="divots", one="divot", quantity="depth", label="divot depth", views=("elevation",),
        on_paper=True, meaning="Greatest, below the unworn crown.", lines=(DIVOT,), edges=_OF_DIVOT,
        follows=("drop", "floor"),
        adding=MarkingSteps("Divot", ("along", "floor", "along"), ("Mark one end of the divot",
            "Mark its deepest place, on the outline", "Mark its other end"), ("elevation",), "arc")),
)  # fmt: skip


def every_quantity() -> tuple[Quantity, ...]:
    """The table."""
    return QUANTITIES


@lru_cache(maxsize=4)
def _by_name(table: tuple[Quantity, ...]) -> Mapping[tuple[str, str], tuple[int, Quantity]]:
    return {(q.feature, q.quantity): (i, q) for i, q in enumerate(table)}


def entry_of(key: Key) -> Quantity:
    """The entry of a reading; of one that a newer version wrote, an entry that says no more than its name."""
    found = _by_name(QUANTITIES).get((key.feature, key.quantity))
    label = " ".join(p for p in (key.feature, key.quantity) if p)
    return found[1] if found else Quantity(feature=key.feature, quantity=key.quantity, label=label, views=())


def rank(key: Key) -> tuple[int, int, int]:
    """Where a reading stands among its place's: features in the table's order, each of several whole."""
    table, last = _by_name(QUANTITIES), len(QUANTITIES)
    first = _first(QUANTITIES).get(key.feature, last)
    return first, key.index or 0, table.get((key.feature, key.quantity), (last,))[0]


@lru_cache(maxsize=4)
def _first(table: tuple[Quantity, ...]) -> Mapping[str, int]:
    """Where each feature's first quantity stands."""
    return {q.feature: i for i, q in reversed(list(enumerate(table)))}


def one_of(key: Key) -> str:
    """``fret 5, flat 2`` for the key ``fret 5, flats 2``: one of several is named in the singular."""
    one = next((q.one for q in QUANTITIES if q.feature == key.feature and q.one), key.feature)
    return str(key) if key.index is None else str(Key(key.place, one, key.index, key.quantity, key.edge))


def card_of(key: Key) -> Key:
    """What a reading is reviewed with: ``fret 5, flats 2`` of its length, ``fret 5, crown`` of a crown's width."""
    return Key(key.place, entry_of(key).card or key.feature, key.index)


def line_named(name: str) -> Line:
    """How an outline of this name is drawn."""
    every = (SCALE_LINE, *(line for q in QUANTITIES for line in q.lines))
    return next((line for line in every if line.name == name), _OTHER)
