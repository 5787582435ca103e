"""The points of a wire's outline between which its figures lie, and those of them that a person placed.

Every figure is a distance between two edges, or the radius of an arc that is symmetrical to the wire's axis. A placed
edge stands where it was put, its marks with it; all other marks stay where the outline was found.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspect_app.measure.manual import Placed, Points, apart
from inspect_app.measure.section.shape import FIGURES, WireShape

__all__ = ["EDGES", "Edge", "Marks", "arc_of", "figures_between", "hold_marks", "marks_of"]

Array = NDArray[np.float64]


class Edge(NamedTuple):
    """An edge that a person may place: its marks, the direction it may go in, the figures that rest on it.

    `way` is ``x`` across the wire, ``z`` along its axis, ``flat`` along the flat, ``any`` wherever it is put.
    """

    marks: tuple[int, ...]
    way: str
    figures: tuple[str, ...]


EDGES: Mapping[str, Mapping[str, Edge]] = {
    "crown width": {"left": Edge((0,), "x", ("crown_width",)), "right": Edge((1,), "x", ("crown_width",))},
    "crown height": {"top": Edge((2,), "z", ("crown_height",))},
    "underside": {"": Edge((3, 4), "z", ("crown_height", "tang_depth"))},
    "tang depth": {"tip": Edge((5,), "z", ("tang_depth",))},
    "tang width": {"left": Edge((6,), "x", ("tang_width",)), "right": Edge((7,), "x", ("tang_width",))},
    "flat width": {"left": Edge((8,), "flat", ("flat_width",)), "right": Edge((9,), "flat", ("flat_width",))},
    "crown radius": {
        "left": Edge((10,), "any", ("crown_radius",)),
        "top": Edge((12, 13), "any", ("crown_radius",)),
        "right": Edge((11,), "any", ("crown_radius",)),
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

    def rests_on_placed(self, figure: str) -> bool:
        """Whether one of a figure's edges was placed by a person."""
        return any(self._placed_of(figure))

    def all_placed(self, figure: str) -> bool:
        """Whether all of a figure's edges were placed by a person: nothing of it then rests on what was found."""
        return all(self._placed_of(figure))

    def _placed_of(self, figure: str) -> list[bool]:
        return [bool(self.placed[list(e.marks)].all()) for e in _every_edge() if figure in e.figures]


def _every_edge() -> tuple[Edge, ...]:
    return tuple(e for parts in EDGES.values() for e in parts.values())


def marks_of(shape: WireShape) -> Array:
    """The marks of an outline in the wire's frame, mm, shape (14, 2)."""
    xc, zc = shape.corner()
    x, z = (xc, zc) if zc >= shape["centre"] else (shape["radius"], shape["centre"])
    half, depth = shape["half_tang"], shape["depth"]
    left, right = shape.flat_ends()
    r, centre = shape["radius"], shape["centre"]
    end = math.atan2(xc, zc - centre)
    start = max(math.atan2(abs(u), w - centre) for u, w in (left, right))
    low, high = end - CLEAR_SHARE * (end - start), start + CLEAR_SHARE * (end - start)
    arc = [(s * r * math.sin(a), centre + r * math.cos(a)) for a in (low, high) for s in (-1.0, 1.0)]
    foot = ((-half, 0.0), (half, 0.0))
    sides = ((-half, -depth / 2.0), (half, -depth / 2.0))
    return np.array(
        [(-x, z), (x, z), (0.0, shape.height), *foot, (0.0, -depth), *sides, left, right, *arc], dtype=np.float64
    )


def figures_between(p: ArrayLike) -> Array:
    """The figures named in `FIGURES` from where the marks lie, in any frame, mm, shape (6,)."""
    at = np.asarray(p, dtype=np.float64)
    foot = (at[3] + at[4]) / 2.0
    values = {
        "crown_width": math.dist(at[0], at[1]),
        "crown_height": math.dist(at[2], foot),
        "crown_radius": arc_of(at[10:12], at[12:14])[0],
        "flat_width": math.dist(at[8], at[9]),
        "tang_width": math.dist(at[6], at[7]),
        "tang_depth": math.dist(foot, at[5]),
    }
    return np.array([values[name] for name in FIGURES])


def arc_of(lower: Array, upper: Array) -> tuple[float, float]:
    """Radius of the arc over two chords, each given by its ends (2, 2), and how far its centre lies above the lower.

    The arc is symmetrical: chords of half-lengths a and b, h apart, lie on one circle whose centre is
    ``(b^2 + h^2 - a^2) / (2 h)`` above the first.
    """
    a, b = (math.dist(*chord) / 2.0 for chord in (lower, upper))
    h = max(math.dist(lower.mean(axis=0), upper.mean(axis=0)), 1e-9)
    up = (b * b + h * h - a * a) / (2.0 * h)
    return math.hypot(a, up), up


def hold_marks(shape: WireShape, placed: Placed, to_plane: Mapping[Points, Array]) -> Marks:
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
    along = xz[9] - xz[8] if shape.worn else np.array([1.0, 0.0])
    along = along / np.linalg.norm(along)
    for feature, parts in EDGES.items():
        for part, edge in parts.items():
            points = placed.get(feature, {}).get(part, ())
            if len(points) != len(edge.marks):
                continue
            marks = list(edge.marks)
            put = shape.to_wire(to_plane[points])
            xz[marks], by_hand[marks] = _where(edge.way, xz[marks], put, along), True
    _check_order(xz, by_hand)
    return Marks(xz, by_hand)


def _where(way: str, found: Array, put: Array, along: Array) -> Array:
    if way == "any":
        return put
    if way == "flat":
        return np.asarray(found + np.outer((put - found) @ along, along))
    k = "xz".index(way)
    moved = found.copy()
    moved[:, k] = put[:, k]
    return moved


def _check_order(xz: Array, by_hand: NDArray[np.bool_]) -> None:
    x, z = xz[:, 0], xz[:, 1]
    foot, low, high = (float(z[[i, i + 1]].mean()) for i in (3, 10, 12))
    for left, right in ((0, 1), (6, 7), (8, 9), (10, 11), (12, 13)):
        if by_hand[[left, right]].any():
            apart(float(x[left]), float(x[right]))
    if by_hand.any():
        for lower, upper in ((foot, float(z[2])), (float(z[5]), foot), (low, high)):
            apart(lower, upper)
