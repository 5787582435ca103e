"""How well an edge in a photo is defined at all, besides its noise."""

from __future__ import annotations

__all__ = ["DEFINITION_PX", "definition_px"]

DEFINITION_PX = 0.1
"""Standard uncertainty of where a sharp edge is, besides noise: what sub-pixel detectors reach on real edges (Devernay,
INRIA RR-2724, 1995: below a tenth of a pixel)."""
DEFINITION_SHARE = 0.07
"""Share of the blur by which an edge may be off when what it borders on is not evenly bright: a ramp of a tenth of the
step's height within one blur moves its steepest point by so much."""


def definition_px(blur_px: float) -> float:
    """Standard uncertainty of an edge's place besides noise, px, from the standard deviation of its blur.

    >>> definition_px(1.0), round(definition_px(4.0), 2)
    (0.1, 0.28)
    """
    return max(DEFINITION_PX, DEFINITION_SHARE * blur_px)
