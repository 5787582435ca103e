"""The narrowest flat and the shallowest divot that a photo can show, from how sharp it is at its scale."""

from __future__ import annotations

from calib.edge_response import EdgeResponse
from calib.photo import Photo
from calib.scales.base import Scale
from calib.slanted_edge import sharpness
from inspect_app.measure.edge_definition import definition_px
from inspect_app.reading.inspection import SharpnessSummary

__all__ = ["DETECTED", "LEVEL_MIDDLE", "sharpness_summary", "smallest_divot_px", "smallest_flat_px"]

LEVEL_MIDDLE = 3.29
"""Width of a band, in standard deviations of its blur, whose middle still has nine tenths of its own light: the
integral of a normal distribution from -1.645 to 1.645. A narrower one is two edges without a middle, as wide as its
contrast pretends."""
DETECTED = 3.29
"""Times its standard uncertainty from which a difference is told from none, once in twenty wrong either way
(ISO 11843-1, from memory)."""


def smallest_flat_px(blur_px: float) -> float:
    """Width of the narrowest flat whose two edges show with its own light between them, px.

    >>> round(smallest_flat_px(0.9), 2)
    2.96
    """
    return LEVEL_MIDDLE * blur_px


def smallest_divot_px(blur_px: float) -> float:
    """Drop of the crown's outline that is told from none, px: an edge's place is defined to `definition_px`.

    >>> round(smallest_divot_px(0.9), 2)
    0.33
    """
    return DETECTED * definition_px(blur_px)


def sharpness_summary(
    photo: Photo, scale: Scale, px_per_mm: float, response: EdgeResponse | None = None
) -> SharpnessSummary | None:
    """What the scale's own edges say; None for scales without printed ones."""
    seen = sharpness(photo, scale, response)
    if seen is None:
        return None
    flat, divot = (of(seen.spread_px) / px_per_mm for of in (smallest_flat_px, smallest_divot_px))
    return SharpnessSummary(seen.mtf50, seen.resolved_mm(px_per_mm), seen.spread_px, flat, divot)
