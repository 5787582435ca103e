"""What blur and noise alone would allow for a figure: the Cramer-Rao bound of the edges it is read from.

An edge of length L in a photo of blur s and contrast to noise c is placed to (1 / c) sqrt(2 sqrt(pi) s / L) at best
(`tests.benchmarks.edge_bounds`). Contrast and noise are taken where they are known: at the printed scale's own edges,
black on white. Metal shows less against wood, so this is what no reading could beat, not what one could reach. Where
no printed scale tells them, and for what is not read from edges of a known length, there is no bound.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from tests.benchmarks.edge_bounds import least_scatter

__all__ = ["Bound", "EdgeU", "bevel", "depth", "edge_u", "line_radius", "spacing", "two_edges"]

EdgeU = Callable[[float], float]
"""How well an edge of a length, mm, can be placed, mm."""
Bound = Callable[[EdgeU], float]
"""The bound of a figure, in its unit."""


def edge_u(blur_px: float, contrast_to_noise: float, px_per_mm: float) -> EdgeU:
    """By the photo's blur, the scale's contrast and the resolution."""
    return lambda mm: least_scatter(blur_px, contrast_to_noise, mm * px_per_mm) / px_per_mm


def two_edges(length: float) -> Bound:
    """A width between two edges of a length, mm."""
    return lambda u: math.sqrt(2.0) * u(length)


def spacing(length: float) -> Bound:
    """Between two frets of a length, mm, each in the middle of its two edges."""
    return lambda u: u(length)


def depth(length: float) -> Bound:
    """Of a groove of a length, mm: the third of it that is its bottom (ISO 5436-1:2000, type A), the rest known."""
    return lambda u: u(length / 3.0)


def line_radius(radius: float, chord: float) -> Bound:
    """Of a short arc over a chord, both mm, in per cent: u(R) = (R^2 / c^2) sqrt(720) u, as in
    tests/reference/circles.toml."""
    return lambda u: 100.0 * radius / chord**2 * math.sqrt(720.0) * u(chord)


def bevel(height: float, angle: float) -> Bound:
    """Slope of the straight edge of a bevel, degrees: u = sqrt(12) u / l, as of any line; its length from crown height
    (mm) and angle from upright (degrees)."""
    length = height / math.cos(math.radians(angle))
    return lambda u: math.degrees(math.sqrt(12.0) * u(length) / length)
