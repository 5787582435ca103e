"""Wire from the shop's own stock held against the wire that was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from shared.errors import OptionError
from shared.measured import COVERAGE_FACTOR, Measured
from shared.tables import load_table
from shared.trade import SAME_WIRE_MM

__all__ = ["MATERIALS", "WireMatch", "WireStock", "hardness", "match_wire", "material_named", "size_class"]

MATERIALS = ("nickel silver", "stainless", "other")
_HARDNESS_HV = {"nickel silver": 200.0, "stainless": 300.0}
"""Vickers hardness of drawn fret wire by material (common practice, no source)."""
_WIDTHS_MM, _HEIGHTS_MM = (0.5, 6.0), (0.1, 3.0)
"""Between which a crown can be: from a fraction of the smallest made to twice the largest (common practice, no source),
so that a slip of the decimal point is told."""


@dataclass(frozen=True, slots=True)
class WireStock:
    """One wire in stock. Millimetres; `price` per fret in minor units of `currency` (empty: the price book's)."""

    label: str
    material: str
    crown_width: float
    crown_height: float
    tang_width: float | None = None
    tang_depth: float | None = None
    price: int = 0
    currency: str = ""

    def __post_init__(self) -> None:
        if not self.label.strip():
            raise OptionError("The wire has no label.", "Give it the name you know it by.", "label")
        if self.material not in MATERIALS:
            raise OptionError(f"There is no material {self.material!r}.", f"Use one of: {', '.join(MATERIALS)}.")
        (narrow, wide), (low, high) = _WIDTHS_MM, _HEIGHTS_MM
        if not (narrow <= self.crown_width <= wide and low <= self.crown_height <= high):
            raise OptionError(
                "The wire's crown is not possible.",
                f"Give a width of {narrow:g} to {wide:g} mm and a height of {low:g} to {high:g} mm.",
                "crown_width",
            )
        if self.price < 0:
            raise OptionError("The wire's price is below zero.", "Give it as an amount, or 0.", "price")


@dataclass(frozen=True, slots=True)
class WireMatch:
    """A wire in stock beside the measured one: ``same``, ``taller``, ``wider`` or ``other``, and what to mind."""

    wire: WireStock
    relation: str
    warnings: tuple[str, ...]


def match_wire(
    stock: Sequence[WireStock],
    width: Measured,
    height: Measured,
    slot_width: Measured | None = None,
    tang_width: Measured | None = None,
) -> tuple[WireMatch, ...]:
    """The stock by likeness to the measured wire: same size first, then nearest taller, nearest wider, others."""
    order = {"same": 0, "taller": 1, "wider": 2, "other": 3}

    def key(m: WireMatch) -> tuple[int, float]:
        dw, dh = m.wire.crown_width - width.value, m.wire.crown_height - height.value
        return order[m.relation], abs(dh) + abs(dw)

    matches = [WireMatch(w, _relation(w, width, height), _warnings(w, height, slot_width or tang_width)) for w in stock]
    return tuple(sorted(matches, key=key))


def _relation(wire: WireStock, width: Measured, height: Measured) -> str:
    dw, dh = wire.crown_width - width.value, wire.crown_height - height.value
    near_w = abs(dw) <= SAME_WIRE_MM + COVERAGE_FACTOR * width.u
    near_h = abs(dh) <= SAME_WIRE_MM + COVERAGE_FACTOR * height.u
    if near_w and near_h:
        return "same"
    if near_w and dh > 0:
        return "taller"
    return "wider" if near_h and dw > 0 else "other"


def _warnings(wire: WireStock, height: Measured, slot: Measured | None) -> tuple[str, ...]:
    out = []
    if wire.crown_height > height.value + COVERAGE_FACTOR * height.u:
        out.append("Taller than the present wire: the nut slots may be too low for it.")
    if wire.material == "stainless":
        out.append("Stainless is harder: it wears cutters and files, and its ends stay sharp until eased.")
    if slot is not None and wire.tang_width is not None:
        gap = wire.tang_width - slot.value
        if gap > COVERAGE_FACTOR * slot.u:
            out.append(f"Its tang is {gap:.2f} mm wider than the slot: widen the slot or the board may bend back.")
        elif gap < -COVERAGE_FACTOR * slot.u:
            out.append(f"Its tang is {-gap:.2f} mm narrower than the slot: it will not hold without glue.")
    return tuple(out)


def hardness(material: str) -> float:
    """Vickers hardness of a wire's material; nickel silver's where it is not known, for most wire is."""
    return _HARDNESS_HV.get(material, _HARDNESS_HV["nickel silver"])


def material_named(text: str) -> str:
    """The material that a description of a wire names; empty where it names none."""
    said = text.lower()
    return next((m for m in MATERIALS[:2] if m in said), "")


def size_class(width: float, height: float) -> str:
    """The trade's word for a wire of this crown, or an empty text when it falls between classes."""
    for row in load_table("wire_sizes")["class"]:
        (w0, w1), (h0, h1) = row["crown_width"], row["crown_height"]
        if w0 <= width <= w1 and h0 <= height <= h1:
            return str(row["label"])
    return ""
