"""The made-up instrument: board, frets, wear and wire as numbers, and the truth a photo of them is judged by.

Millimetres and degrees. x runs along the neck from nut to body, y across the board (treble negative), z up from the
board's centre line. A crown is a circular arc standing on the board; wear removes all above a level along the fret.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Board", "Spot", "Fret", "Wire", "fret_position", "FLAT_WIDTHS", "INSET_MM"]

Vector = NDArray[np.float64]
FLAT_WIDTHS = (0.2, 0.3, 0.5)
"""Widths, mm, at which the truth states how long a flat is."""
INSET_MM = 3.5
"""Of the outer strings from the board's edge."""


def fret_position(scale_length: float, n: int) -> float:
    """Distance of fret `n` from the nut in equal temperament, x_n = L (1 - 2^(-n/12))."""
    return scale_length * (1.0 - math.exp2(-n / 12.0))


@dataclass(frozen=True, slots=True)
class Board:
    """A fingerboard: its surface at x is an arc of radius ``radius_nut + radius_per_mm x`` about the centre line.

    The neck bows by `relief` half-way to `bows_to`, where the body holds it (negative: backwards); from there on the
    board rises by `tongue` over `tongue_mm`, as the square of the way.
    """

    scale_length: float
    nut_width: float
    radius_nut: float
    radius_per_mm: float = 0.0
    width_per_mm: float = 0.028
    relief: float = 0.0
    bows_to: float = 380.0
    tongue: float = 0.0
    tongue_mm: float = 100.0

    def bow(self, x: ArrayLike) -> Vector:
        """Height of the centre line over the chord from the nut to `bows_to`."""
        x = np.asarray(x, dtype=float)
        t = np.clip(2.0 * x / self.bows_to - 1.0, -1.0, 1.0)
        return np.asarray(
            -self.relief * (1.0 - t * t) + self.tongue * (np.maximum(x - self.bows_to, 0.0) / self.tongue_mm) ** 2
        )

    def radius(self, x: float) -> float:
        """Radius of the surface at `x`."""
        return self.radius_nut + self.radius_per_mm * x

    def half_width(self, x: ArrayLike) -> Vector:
        """Half the board's width at `x`."""
        return np.asarray((self.nut_width + self.width_per_mm * np.asarray(x, dtype=float)) / 2.0)

    def height(self, x: float, y: ArrayLike) -> Vector:
        """Height of the surface: 0 on the centre line of a straight neck, negative beside it."""
        r = self.radius(x)
        return np.asarray(np.sqrt(r * r - np.asarray(y, dtype=float) ** 2) - r + self.bow(x))

    def slope(self, x: float, y: ArrayLike) -> Vector:
        """dz/dy of the surface."""
        y = np.asarray(y, dtype=float)
        return np.asarray(-y / np.sqrt(self.radius(x) ** 2 - y * y))


@dataclass(frozen=True, slots=True)
class Spot:
    """A worn place: depth (1 - |t|^power)^edge below the unworn crown, t from -1 to 1 over `length`, 0 at `y`.

    `skew` (-1 to 1) makes it lopsided: the half towards the bass is (1 + skew) times half the length. A large `power`
    gives a flat bottom, as a wound string wears it; a large `edge` a narrow notch, as a plain string does.
    """

    y: float
    depth: float
    length: float
    skew: float = 0.0
    power: float = 2.0
    edge: float = 2.0

    def removed(self, y: Vector) -> Vector:
        """Depth removed at `y`."""
        half = self.length / 2.0 * np.where(y >= self.y, 1.0 + self.skew, 1.0 - self.skew)
        t = np.clip(np.abs(y - self.y) / half, 0.0, 1.0)
        return np.asarray(self.depth * (1.0 - t**self.power) ** self.edge)

    def length_where_deeper(self, depth: float) -> float:
        """Length along the fret over which more than `depth` is removed."""
        if self.depth <= depth:
            return 0.0
        return float(self.length * (1.0 - (depth / self.depth) ** (1.0 / self.edge)) ** (1.0 / self.power))


def _chord(radius: float, depth: float) -> float:
    """Width of the flat left when a crown of this radius is cut `depth` below its top."""
    return 2.0 * math.sqrt(max(0.0, 2.0 * radius * depth - depth * depth))


@dataclass(frozen=True, slots=True)
class Fret:
    """A fret: unworn crown width and height, ends at board level, end bevels, uniform removal, worn spots.

    `lift` is how far it stands off the board, not having been pressed home.

    The tangent of a bevel is how far the end moves inward for each millimetre of height above the board there.
    """

    n: int
    x: float
    width: float
    height: float
    y_treble: float
    y_bass: float
    bevel_treble: float
    bevel_bass: float
    level: float = 0.0
    spots: tuple[Spot, ...] = ()
    lift: float = 0.0

    @property
    def radius(self) -> float:
        """Crown radius r = (W^2/4 + H^2) / (2 H)."""
        return (self.width**2 / 4.0 + self.height**2) / (2.0 * self.height)

    def top(self, board: Board, y: ArrayLike) -> Vector:
        """Height of the crown's top at `y`."""
        return np.asarray(board.height(self.x, y) + self.lift + self.height - self.removed(y))

    def removed(self, y: ArrayLike) -> Vector:
        """Depth removed at `y`: the deepest of the uniform removal and every spot."""
        y = np.asarray(y, dtype=float)
        depth = np.full(y.shape, self.level)
        for s in self.spots:
            depth = np.maximum(depth, s.removed(y))
        return depth

    def flat_length_at(self, spot: Spot, width: float) -> float:
        """Length along the fret over which the flat of `spot` is at least `width` wide."""
        r = self.radius
        return spot.length_where_deeper(r - math.sqrt(r * r - width * width / 4.0))

    def truth(self) -> dict[str, Any]:
        """The fret as written beside a photo."""
        spots = [
            {"y": s.y, "divot_depth": s.depth, "divot_length": s.length, "flat_width_max": _chord(self.radius, s.depth)}
            | {f"flat_length_at_{w}": self.flat_length_at(s, w) for w in FLAT_WIDTHS}
            | ({} if (s.skew, s.power, s.edge) == (0.0, 2.0, 2.0) else {"skew": s.skew, "pow": s.power, "pow2": s.edge})
            for s in self.spots
        ]
        return {
            "n": self.n,
            "x": self.x,
            "crown_width": self.width,
            "crown_height": self.height,
            "crown_radius": self.radius,
            "y_treble": self.y_treble,
            "y_bass": self.y_bass,
            "bevel_treble": self.bevel_treble,
            "bevel_bass": self.bevel_bass,
            "level": self.level,
            "spots": spots,
        }


@dataclass(frozen=True, slots=True)
class Wire:
    """Fret wire seen end-on: crown, uniform removal, tang, its barbs beyond the tang's sides, turned by `rotation`."""

    width: float
    height: float
    level: float
    tang_width: float
    tang_depth: float
    barb: float
    rotation: float
    length: float

    @property
    def radius(self) -> float:
        """Crown radius."""
        return (self.width**2 / 4.0 + self.height**2) / (2.0 * self.height)

    @property
    def flat_width(self) -> float:
        """Width of the flat the removal leaves."""
        return _chord(self.radius, self.level)

    def profile(self, points: int = 96) -> Vector:
        """Closed outline (y, z) of the section before it is turned, clockwise, shape (N, 2); crown foot at z = 0."""
        r, half, t = self.radius, self.flat_width / 2.0, self.tang_width / 2.0
        edge = math.acos((r - self.height) / r)
        start = math.asin(half / r)
        a = np.linspace(start, edge, points)
        right = np.column_stack([r * np.sin(a), self.height - r + r * np.cos(a)])
        mid = self.tang_depth * 0.55
        tang = [(t, 0), (t, -mid + 0.35), (t + self.barb, -mid), (t, -mid - 0.35), (t, -self.tang_depth)]
        half_outline = np.vstack([right, np.array(tang)])
        mirrored = half_outline[::-1] * [-1.0, 1.0]
        return np.vstack([half_outline, mirrored])[::-1]

    def truth(self) -> dict[str, float]:
        """The section as written beside a photo."""
        return {
            "crown_width": self.width,
            "crown_height": self.height,
            "crown_radius": self.radius,
            "levelled": self.level,
            "flat_width": self.flat_width,
            "height_now": self.height - self.level,
            "tang_width": self.tang_width,
            "tang_depth": self.tang_depth,
            "rotation_deg": self.rotation,
        }
