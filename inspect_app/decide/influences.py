"""Name the influences behind the readings of one photo: which photo, which scale, which wire, which reading.

What is needed to tell stands in every answer that was ever stored, so old answers are read like new ones. What is
assumed, where an answer does not say more: scales of one kind with one size and one factor are one and the same scale
(the shop's own strip, card or rule) unless their numbers differ, at every visit; a wire's size given alike for several
photos was measured once.
"""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from inspect_app.reading.inspection import FretReading, Inspection
from shared.influences import Scope, keeps_sign, scope_of
from shared.measured import Contribution, Measured

__all__ = ["named", "with_influences"]

T = TypeVar("T")


def with_influences(inspection: Inspection) -> Inspection:
    """The same inspection, every contribution saying which one of its source it is."""
    of = _instances(inspection)
    photo = of[Scope.PHOTO]
    positions = [f.position.value for f in inspection.frets if f.position is not None]
    middle = sum(positions) / len(positions) if positions else 0.0
    frets = tuple(
        _sign_about_middle(_every_value(f, of, f"{photo}, fret {f.number}"), middle) for f in inspection.frets
    )
    return replace(inspection, frets=frets)


def _instances(inspection: Inspection) -> dict[Scope, str]:
    asked: dict[str, Any] = dict(inspection.options)
    scale: dict[str, Any] = dict(asked.get("scale") or {})
    kind = inspection.scale.kind if inspection.scale else scale.get("kind", "")
    size = [scale.get(name) for name in ("diameter_mm", "span_mm") if scale.get(name)]
    number = inspection.scale.number if inspection.scale else None
    print_of = scale.get("factor", 1.0) if number is None else f"no. {number}"
    width, height = asked.get("crown_width"), asked.get("crown_height")
    return {
        Scope.PHOTO: inspection.photo.sha256 or inspection.photo.name,
        Scope.SCALE: " ".join(str(w) for w in (kind, *size, print_of)),
        Scope.WIRE: f"given as {width} x {height}" if width or height else "everyday size",
        Scope.CALLIPER: "calliper",
    }


def _every_value(item: T, of: dict[Scope, str], where: str) -> T:
    """Every measured value in a reading and its parts."""
    if isinstance(item, Measured):
        return replace(item, contributions=tuple(named(c, of, where) for c in item.contributions))
    if isinstance(item, tuple):
        return tuple(_every_value(v, of, f"{where} {k}") for k, v in enumerate(item, 1))  # type: ignore[return-value]
    if is_dataclass(item) and not isinstance(item, type):
        parts = {f.name: getattr(item, f.name) for f in fields(item) if f.name != "outlines"}
        return replace(item, **{k: _every_value(v, of, f"{where}, {k}") for k, v in parts.items()})
    return item


def named(c: Contribution, of: dict[Scope, str], where: str) -> Contribution:
    """A contribution that says which one it is: `of` by reach, else `where` for what is a reading's own.

    One that says so already is left alone.
    """
    if c.of:
        return c
    scope = scope_of(c.source)
    return replace(c, of=where if scope == Scope.OWN else of[scope], sign=c.sign if keeps_sign(c.source) else 0)


def _sign_about_middle(fret: FretReading, middle: float) -> FretReading:
    """A scale that is too long moves frets on either side of the photo's middle apart: its sign is the side's."""
    at = fret.position
    if at is None or at.value >= middle:
        return fret
    parts = tuple(replace(c, sign=-c.sign) if scope_of(c.source) == Scope.SCALE else c for c in at.contributions)
    return replace(fret, position=replace(at, contributions=parts))
