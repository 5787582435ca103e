"""The outline of fret wire seen end-on: crown arc, flat on top, underside, tang, in a frame turned with the wire.

The wire's own frame has its origin where the line of the crown's underside meets the tang (board level of a seated
fret), x across and z up. The crown is a circular arc; its underside rises or falls evenly from the tang to its edges;
wear and files leave a flat, level or not; the tang is straight between its barbs. All is symmetric but the flat's tilt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["WireShape", "Piece", "PIECES", "NAMES", "DIMENSIONS"]

Array = NDArray[np.float64]
Piece = Literal["flat", "arc", "underside", "side", "bottom"]
PIECES: tuple[Piece, ...] = ("flat", "arc", "underside", "side", "bottom")
DIMENSIONS = ("crown_width", "crown_height", "crown_radius", "flat_width", "tang_width", "tang_depth")


@dataclass(frozen=True)
class WireShape:
    """One outline, by the parameters that are fitted.

    Attributes
    ----------
    x, y : float
        Origin on the plane, mm.
    turn : float
        Of the wire on the plane, anticlockwise, rad.
    radius, arc_centre : float
        The crown's arc: its radius and the height of its centre, mm.
    flat_height, flat_slope : float
        The flat on the axis: its height, mm, and its slope.
    underside_slope : float
    half_tang, tang_depth : float
        Half the tang's width, and its depth, mm.
    worn : bool
        Whether the crown has a flat; if not, its height and slope mean nothing and the arc goes round.
    """

    x: float
    y: float
    turn: float
    radius: float
    arc_centre: float
    flat_height: float
    flat_slope: float
    underside_slope: float
    half_tang: float
    tang_depth: float
    worn: bool = field(default=True, kw_only=True)

    @classmethod
    def of(cls, params: ArrayLike, worn: bool = True) -> WireShape:
        """The outline with the parameters named in `NAMES`, shape (10,); mm and rad."""
        return cls(*(float(v) for v in np.asarray(params)), worn=worn)

    @property
    def params(self) -> Array:
        """The values named in `NAMES`, shape (10,)."""
        return np.array([getattr(self, name) for name in NAMES])

    @property
    def origin(self) -> Array:
        """Where the wire's frame begins on the plane, mm, shape (2,)."""
        return np.array([self.x, self.y])

    @property
    def free(self) -> NDArray[np.intp]:
        """Indices of the parameters that mean something."""
        return np.array([i for i, n in enumerate(NAMES) if self.worn or n not in ("flat_height", "flat_slope")])

    def with_free(self, values: ArrayLike) -> WireShape:
        """The same with other values of its `free` parameters."""
        p = self.params.copy()
        p[self.free] = values
        return WireShape.of(p, self.worn)

    def to_wire(self, mm: ArrayLike) -> Array:
        """Points of the plane (N, 2), mm, in the wire's frame (x, z)."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        d = np.atleast_2d(np.asarray(mm, dtype=float)) - self.origin
        return np.asarray(d @ np.array([[c, -s], [s, c]]))

    def to_plane(self, xz: ArrayLike) -> Array:
        """The inverse of `to_wire`."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        return np.asarray(np.atleast_2d(np.asarray(xz, dtype=float)) @ np.array([[c, s], [-s, c]]) + self.origin)

    @property
    def height(self) -> float:
        """Height of the crown now, above the foot of the underside at the tang."""
        return self.flat_height if self.worn else self.arc_centre + self.radius

    def corner(self) -> tuple[float, float]:
        """Edge of the crown (x > 0, z): where arc and underside meet, or where the arc comes nearest to it."""
        r, s, t = self.radius, self.underside_slope, self.half_tang
        # x from x^2 + (s (x - t) - centre)^2 = r^2
        k = s * t + self.arc_centre
        a, b, c = 1.0 + s * s, -2.0 * s * k, k * k - r * r
        x = (-b + math.sqrt(max(b * b - 4.0 * a * c, 0.0))) / (2.0 * a)
        return x, s * (x - t)

    def flat_ends(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Ends of the flat (x, z), left and right; both the top of the arc where there is none."""
        if not self.worn:
            return (0.0, self.height), (0.0, self.height)
        m, q = self.flat_slope, self.flat_height - self.arc_centre
        root = math.sqrt(max(self.radius**2 * (1.0 + m * m) - q * q, 0.0))
        left, right = ((-m * q + sign * root) / (1.0 + m * m) for sign in (-1.0, 1.0))
        return (left, self.flat_height + m * left), (right, self.flat_height + m * right)

    def dimensions(self) -> Array:
        """The values named in `DIMENSIONS`, mm, shape (6,)."""
        x, z = self.corner()
        # the arc reaches past its own middle where the crown is more than half round: it is widest there
        width = 2.0 * (x if z >= self.arc_centre else self.radius)
        flat = math.dist(*self.flat_ends())
        return np.array([width, self.height, self.radius, flat, 2.0 * self.half_tang, self.tang_depth])

    def distance(self, mm: ArrayLike, piece: NDArray[np.intp]) -> Array:
        """Signed distance of points of the plane (N, 2) from the piece of each, an index into `PIECES` (N,), as if it
        went on past its ends; positive is outside."""
        r, s, t = self.radius, self.underside_slope, self.half_tang
        p = self.to_wire(mm)
        x, z = np.abs(p[:, 0]), p[:, 1]
        flat = (z - self.flat_height - self.flat_slope * p[:, 0]) / math.hypot(1.0, self.flat_slope)
        underside = (s * (x - t) - z) / math.hypot(1.0, s)
        arc = np.hypot(x, z - self.arc_centre) - r
        return np.asarray(np.choose(piece, (flat, arc, underside, x - t, -z - self.tang_depth)))

    def slopes(self, mm: ArrayLike, piece: NDArray[np.intp]) -> Array:
        """Derivatives of `distance` by `params`, shape (N, 10)."""
        r, s, t, m = self.radius, self.underside_slope, self.half_tang, self.flat_slope
        x, z = self.to_wire(mm).T
        side, up = np.sign(x), z - self.arc_centre
        far, steep, aslant = np.maximum(np.hypot(x, up), r * 1e-9), math.hypot(1.0, s), math.hypot(1.0, m)
        none, one = np.zeros_like(x), np.ones_like(x)

        def by_piece(flat: Array, arc: Array, underside: Array, tang: Array, bottom: Array) -> Array:
            return np.asarray(np.choose(piece, (flat, arc, underside, tang, bottom)))

        by_x = by_piece(one * -m / aslant, x / far, side * s / steep, side, none)
        by_z = by_piece(one / aslant, up / far, -one / steep, none, -one)
        c, d = math.cos(self.turn), math.sin(self.turn)
        by_flat_slope = -x / aslant - (z - self.flat_height - m * x) * m / aslant**3
        by_underside_slope = (np.abs(x) - t) / steep - (s * (np.abs(x) - t) - z) * s / steep**3
        by = {
            "x": d * by_z - c * by_x,
            "y": -d * by_x - c * by_z,
            "turn": by_x * z - by_z * x,
            "radius": by_piece(none, -one, none, none, none),
            "arc_centre": by_piece(none, -up / far, none, none, none),
            "flat_height": by_piece(-one / aslant, none, none, none, none),
            "flat_slope": by_piece(by_flat_slope, none, none, none, none),
            "underside_slope": by_piece(none, none, by_underside_slope, none, none),
            "half_tang": by_piece(none, none, -one * s / steep, -one, none),
            "tang_depth": by_piece(none, none, none, none, -one),
        }
        return np.column_stack([by[name] for name in NAMES])

    def chain(self, step: float = 0.02) -> list[tuple[Piece, int, Array]]:
        """The outline as pieces in order round the wire: name, side (-1 left, 1 right, 0 both), points (N, 2) on
        the plane about `step` mm apart, without the ends of the piece."""
        (xl, zl), (xr, zr) = self.flat_ends()
        xc, zc = self.corner()
        t, d, r, c = self.half_tang, self.tang_depth, self.radius, self.arc_centre
        out: list[tuple[Piece, int, Array]] = []
        if self.worn:
            out.append(("flat", 0, _along((xl, zl), (xr, zr), step)))
        for side, x, z in ((1, xr, zr), (-1, xl, zl)):
            a, b = math.atan2(abs(x), z - c), math.atan2(xc, zc - c)
            at = a + (b - a) * _fractions(r * abs(b - a), step)
            arc = np.column_stack([side * r * np.sin(at), c + r * np.cos(at)])
            out.append(("arc", side, arc))
            out.append(("underside", side, _along((side * xc, zc), (side * t, 0.0), step)))
            out.append(("side", side, _along((side * t, 0.0), (side * t, -d), step)))
        out.append(("bottom", 0, _along((t, -d), (-t, -d), step)))
        return [(name, side, self.to_plane(points)) for name, side, points in out]

    def crown_outline(self) -> Array:
        """Outline of the crown down to its underside, on the plane, mm, (N, 2), from left of the tang over the top."""
        (xl, zl), (xr, zr) = self.flat_ends()
        xc, zc = self.corner()
        r, c, t = self.radius, self.arc_centre, self.half_tang
        left = np.linspace(math.atan2(-xc, zc - c), math.atan2(xl, zl - c), 40)
        right = np.linspace(math.atan2(xr, zr - c), math.atan2(xc, zc - c), 40)
        arcs = (np.column_stack([r * np.sin(a), c + r * np.cos(a)]) for a in (left, right))
        return self.to_plane(np.vstack([[[-t, 0.0]], *arcs, [[t, 0.0]]]))

    def outline(self) -> Array:
        """Closed outline on the plane, mm, (N, 2)."""
        t, d = self.half_tang, self.tang_depth
        return np.vstack([self.crown_outline(), self.to_plane([[t, -d], [-t, -d]])])


NAMES = tuple(f.name for f in fields(WireShape) if f.name != "worn")
"""The fitted parameters in the order of `WireShape.params`."""


def _fractions(length: float, step: float) -> Array:
    n = max(3, round(length / step))
    return (np.arange(n) + 0.5) / n


def _along(a: tuple[float, float], b: tuple[float, float], step: float) -> Array:
    f = _fractions(math.dist(a, b), step)[:, None]
    return np.asarray(np.array(a) + f * (np.array(b) - np.array(a)))
