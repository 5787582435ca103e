"""Whether specks on the card are strong enough to move a fret's edges, and the crown large enough to lose them; and
whether they go on down to what was followed for the crown's outline."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.specks import SPECK_PX, grain
from inspect_app.instrument.crown import Crown
from inspect_app.measure.backdrop.pose import BoardPose

__all__ = ["is_close_up", "is_grainy", "is_metal_above"]

PLAIN_MM = 0.8
"""Height of the strip under the card's print that is plain: crowns stand millimetres lower."""
GRAINY = 6.0
"""Grain of the card, in 8-bit codes, from which its specks are taken out before a fret's ends are looked for: a phone
at ISO 800 stays under 5 (no source), and below, specks move no edge that stands out by fifty codes."""
FINE_SHARE = 0.05
"""Share of a crown's height that the median's neighbourhood may be: wider ones merge the lines of light along it, an
eighth of its height wide, with what is beside them."""
CLOSE_MM, FAR_MM = (0.08, 0.25), (0.7, 1.0)
"""Heights over a crown line at which specks are counted: clear of its own blur, and higher than the top of a crown that
stands above the line along which a lamp shines on it."""
SMOOTHER = 0.75
"""Of the card's own specks, relative to its light: fewer than that the same paper does not show in as much light."""


def is_close_up(crown: Crown, mm_per_px: float) -> bool:
    """Whether a crown is large enough in the photo to lose its specks, and to show its cut face for itself."""
    return SPECK_PX * mm_per_px <= FINE_SHARE * crown.height


def is_grainy(photo: Photo, pose: BoardPose, columns: NDArray[np.float64], top: float, mm_per_px: float) -> bool:
    """Whether the plain card is grainy, over `columns` (mm) below the height `top` (mm) to which it is printed."""
    y, down = (k.ravel() for k in np.meshgrid(columns, np.arange(0.0, PLAIN_MM, 3.0 * mm_per_px)))
    return grain(photo, pose.to_px(np.column_stack([np.full_like(y, pose.gap_mm), y, top - down]))) > GRAINY


def is_metal_above(photo: Photo, px: NDArray[np.float64], up: NDArray[np.float64]) -> bool:
    """Whether what lies just above a line, (N, 2) in photo pixels, is no card: at least as bright, but smoother.

    `up` are the pixels, (N, 2), that lead a millimetre up from each place, however the photo is turned. A fret's shadow
    on the card has fewer specks too, and is darker. Of a card without specks nothing can be told.
    """
    (fine, near), (specks, far) = (_specks(photo, px, up, heights) for heights in (CLOSE_MM, FAR_MM))
    return specks > GRAINY and near >= far and fine * far < SMOOTHER * specks * near


def _specks(
    photo: Photo, px: NDArray[np.float64], up: NDArray[np.float64], heights: tuple[float, float]
) -> tuple[float, float]:
    """Grain and mean light, in 8-bit codes, between two heights (mm) over a line."""
    over = np.concatenate([px + h * up for h in np.linspace(*heights, 6)])
    inside = np.all((over >= 0.0) & (over < [photo.width - 0.5, photo.height - 0.5]), axis=1)
    column, row = np.round(over[inside]).astype(int).T
    return grain(photo, over), float(np.mean(photo.gray[row, column])) if len(row) else 0.0
