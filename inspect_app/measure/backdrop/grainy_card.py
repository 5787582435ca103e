"""Whether specks on the card are strong enough to move a fret's edges, and the crown large enough to lose them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.specks import SPECK_PX, grain
from inspect_app.instrument.crown import Crown
from inspect_app.measure.backdrop.pose import BoardPose

__all__ = ["is_close_up", "is_grainy"]

PLAIN_MM = 0.8
"""Height of the strip under the card's print that is plain: crowns stand millimetres lower."""
GRAINY = 6.0
"""Grain of the card, in 8-bit codes, from which its specks are taken out before a fret's ends are looked for: a phone
at ISO 800 stays under 5 (no source), and below, specks move no edge that stands out by fifty codes."""
FINE_SHARE = 0.05
"""Share of a crown's height that the median's neighbourhood may be: wider ones merge the lines of light along it, an
eighth of its height wide, with what is beside them."""


def is_close_up(crown: Crown, mm_per_px: float) -> bool:
    """Whether a crown is large enough in the photo to lose its specks, and to show its cut face for itself."""
    return SPECK_PX * mm_per_px <= FINE_SHARE * crown.height


def is_grainy(photo: Photo, pose: BoardPose, columns: NDArray[np.float64], top: float, mm_per_px: float) -> bool:
    """Whether the plain card is grainy, over `columns` (mm) below the height `top` (mm) to which it is printed."""
    y, down = (k.ravel() for k in np.meshgrid(columns, np.arange(0.0, PLAIN_MM, 3.0 * mm_per_px)))
    return grain(photo, pose.to_px(np.column_stack([np.full_like(y, pose.gap_mm), y, top - down]))) > GRAINY
