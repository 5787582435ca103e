"""The points of a wire's outline between which its dimensions lie, and those of them that a person placed.

Every dimension is a distance between two edges, or the radius of an arc that is symmetrical to the wire's axis. A
placed edge stands where it was put, its marks with it; all other marks stay where the outline was found.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspect_app.instrument.crown import arc_of
from inspect_app.measure.manual import Placed, Points, apart
from inspect_app.measure.section.wire_outline import DIMENSIONS, WireShape

__all__ = ["EDGES", "Edge", "Marks", "dimensions_between", "with_manual_edges", "marks_of"]

Array = NDArray[np.float64]
SIDES = ("left", "right")


class Edge(NamedTuple):
    """An edge that a person may place: its marks, the direction it may go in, the dimensions that rest on it.

    `way` is ``x`` across the wire, ``z`` along its axis, ``flat`` along the flat, ``any`` wherever it is put.
    """

    marks: tuple[int, ...]
    direction: str
    dimensions: tuple[str, ...]


class Mark(IntEnum):
    """Row of a mark in `Marks.xz`."""

    CROWN_LEFT = 0
    CROWN_RIGHT = 1
    TOP = 2
    FOOT_LEFT = 3
    FOOT_RIGHT = 4
    TIP = 5
    TANG_LEFT = 6
    TANG_RIGHT = 7
    FLAT_LEFT = 8
    FLAT_RIGHT = 9
    ARC_LOW_LEFT = 10
    ARC_LOW_RIGHT = 11
    ARC_HIGH_LEFT = 12
    ARC_HIGH_RIGHT = 13


CROWN = [Mark.CROWN_LEFT, Mark.CROWN_RIGHT]
FOOT = [Mark.FOOT_LEFT, Mark.FOOT_RIGHT]
TANG = [Mark.TANG_LEFT, Mark.TANG_RIGHT]
FLAT = [Mark.FLAT_LEFT, Mark.FLAT_RIGHT]
ARC_LOW = [Mark.ARC_LOW_LEFT, Mark.ARC_LOW_RIGHT]
ARC_HIGH = [Mark.ARC_HIGH_LEFT, Mark.ARC_HIGH_RIGHT]
EDGES: Mapping[str, Mapping[str, Edge]] = {
    "crown width": {side: Edge((mark,), "x", ("crown_width",)) for side, mark in zip(SIDES, CROWN, strict=True)},
    "crown height": {"top": Edge((Mark.TOP,), "z", ("crown_height",))},
    "underside": {"": Edge(tuple(FOOT), "z", ("crown_height", "tang_depth"))},
    "tang depth": {"tip": Edge((Mark.TIP,), "z", ("tang_depth",))},
    "tang width": {side: Edge((mark,), "x", ("tang_width",)) for side, mark in zip(SIDES, TANG, strict=True)},
    "flat width": {side: Edge((mark,), "flat", ("flat_width",)) for side, mark in zip(SIDES, FLAT, strict=True)},
    "crown radius": {
        "left": Edge((Mark.ARC_LOW_LEFT,), "any", ("crown_radius",)),
        "top": Edge(tuple(ARC_HIGH), "any", ("crown_radius",)),
        "right": Edge((Mark.ARC_LOW_RIGHT,), "any", ("crown_radius",)),
    },
}
"""By feature, then by part: names under which an edge is placed, as in ``fret 1, crown width, left``."""
CLEAR_SHARE = 0.1
"""The arc's marks lie so far inside its ends: its corners are rounded by the file and by the blur."""


@dataclass(frozen=True)
class Marks:
    """Where the marks lie.

    Attributes
    ----------
    xz : ndarray of float, shape (14, 2)
        In the wire's frame, mm.
    placed : ndarray of bool, shape (14,)
        Those a person placed.
    """

    xz: Array
    placed: NDArray[np.bool_]

    def rests_on_placed(self, dimension: str) -> bool:
        """Whether one of a dimension's edges was placed by a person."""
        return any(self._placed_of(dimension))

    def all_placed(self, dimension: str) -> bool:
        """Whether all of a dimension's edges were placed by a person: nothing of it then rests on what was found."""
        return all(self._placed_of(dimension))

    def _placed_of(self, dimension: str) -> list[bool]:
        return [bool(self.placed[list(e.marks)].all()) for e in _every_edge() if dimension in e.dimensions]


def _every_edge() -> tuple[Edge, ...]:
    return tuple(e for parts in EDGES.values() for e in parts.values())


def marks_of(shape: WireShape) -> Array:
    """The marks of an outline in the wire's frame, mm, shape (14, 2)."""
    xc, zc = shape.corner()
    x, z = (xc, zc) if zc >= shape.arc_centre else (shape.radius, shape.arc_centre)
    half, depth = shape.half_tang, shape.tang_depth
    left, right = shape.flat_ends()
    r, centre = shape.radius, shape.arc_centre
    end = math.atan2(xc, zc - centre)
    start = max(math.atan2(abs(u), w - centre) for u, w in (left, right))
    low, high = end - CLEAR_SHARE * (end - start), start + CLEAR_SHARE * (end - start)
    arc = [(s * r * math.sin(a), centre + r * math.cos(a)) for a in (low, high) for s in (-1.0, 1.0)]
    foot = ((-half, 0.0), (half, 0.0))
    sides = ((-half, -depth / 2.0), (half, -depth / 2.0))
    return np.array(
        [(-x, z), (x, z), (0.0, shape.height), *foot, (0.0, -depth), *sides, left, right, *arc], dtype=np.float64
    )


def dimensions_between(p: ArrayLike) -> Array:
    """The dimensions named in `DIMENSIONS` from where the marks lie, in any frame, mm, shape (6,)."""
    at = np.asarray(p, dtype=np.float64)
    foot = (at[Mark.FOOT_LEFT] + at[Mark.FOOT_RIGHT]) / 2.0
    values = {
        "crown_width": math.dist(*at[CROWN]),
        "crown_height": math.dist(at[Mark.TOP], foot),
        "crown_radius": arc_of(at[ARC_LOW], at[ARC_HIGH])[0],
        "flat_width": math.dist(*at[FLAT]),
        "tang_width": math.dist(*at[TANG]),
        "tang_depth": math.dist(foot, at[Mark.TIP]),
    }
    return np.array([values[name] for name in DIMENSIONS])


def with_manual_edges(shape: WireShape, placed: Placed, to_plane: Mapping[Points, Array]) -> Marks:
    """The marks with the placed edges where they were put.

    Parameters
    ----------
    placed : Placed
        What a person placed, by feature and part.
    to_plane : mapping
        For the points of each placed edge their places on the scale's plane, mm.

    Raises
    ------
    OptionError
        If an edge was moved past the one across from it.
    """
    xz = marks_of(shape)
    by_hand = np.zeros(len(xz), dtype=bool)
    along = xz[Mark.FLAT_RIGHT] - xz[Mark.FLAT_LEFT] if shape.worn else np.array([1.0, 0.0])
    along = along / np.linalg.norm(along)
    for feature, parts in EDGES.items():
        for part, edge in parts.items():
            points = placed.get((feature, None), {}).get(part, ())
            if len(points) != len(edge.marks):
                continue
            marks = list(edge.marks)
            placed_at = shape.to_wire(to_plane[points])
            xz[marks], by_hand[marks] = _where(edge.direction, xz[marks], placed_at, along), True
    _check_order(xz, by_hand)
    return Marks(xz, by_hand)


def _where(direction: str, found: Array, placed_at: Array, along: Array) -> Array:
    if direction == "any":
        return placed_at
    if direction == "flat":
        return np.asarray(found + np.outer((placed_at - found) @ along, along))
    k = "xz".index(direction)
    moved = found.copy()
    moved[:, k] = placed_at[:, k]
    return moved


def _check_order(xz: Array, by_hand: NDArray[np.bool_]) -> None:
    x, z = xz[:, 0], xz[:, 1]
    foot, low, high = (float(z[pair].mean()) for pair in (FOOT, ARC_LOW, ARC_HIGH))
    for left, right in (CROWN, TANG, FLAT, ARC_LOW, ARC_HIGH):
        if by_hand[[left, right]].any():
            apart(float(x[left]), float(x[right]))
    if by_hand.any():
        for lower, upper in ((foot, float(z[Mark.TOP])), (float(z[Mark.TIP]), foot), (low, high)):
            apart(lower, upper)
