"""How far a crown's top lies below the backdrop's foot: the daylight between them.

A straight foot stands on the two highest crowns. Between it and any other crown a slit is left, in shadow, with the
lit crown below it. What is missing of light there, card above and crown below taken to meet at the foot, is the slit's
height times the crown's light: blur moves light about and loses none. A dull crown shows the slit as it is, one that
mirrors shows it and its image, twice as high.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from inspect_app.measure.backdrop.card_foot import StraightEdge, straightened

__all__ = ["ABOVE_PX", "FROM_PX", "NONE_SEEN_U_MM", "SEEN_MM", "UNSEEN_MM", "daylight_under"]

HALF_MM = 0.15
"""Half of the crown's top looked at: the arc of an everyday crown falls by 0.008 mm over it."""
OWN_MM = (0.22, 0.36)
"""How far below the foot the crown's own light is taken: below the slit, above the fret's near end."""
LEAST_OWN_MM, END_PX = 0.1, 3.0
"""It is taken higher where the near end's top comes nearer: `END_PX` above that, three standard deviations of blur, and
no higher than this, which leaves room for the slits that frets have."""
ABOVE_PX = (4.0, 9.0)
"""How far above the foot the card's light is taken: beyond the blur, near enough for soft shadows to be the same."""
FROM_PX = 1.0
"""Below the foot's edge, where the card over it is hidden: its blur."""
MOST_MM = 0.22
"""The widest slit that leaves room for the crown's own light."""
SLIT_OF_DARK = 0.75
"""The slit's height over the dark one's: 1 on a dull crown, a half on a mirror; u is 0.5 / sqrt(12) (GUM 4.3.7)."""
UNSEEN_MM, U_MM = 0.01, 0.012
"""Slit where none is seen, and its standard uncertainty: frets are level within 0.03 mm (common practice, no source),
so the crowns that a card stands over lie about a hundredth below the two it stands on."""
U_SHARE = 0.5 / 12.0**0.5 / SLIT_OF_DARK
SEEN_MM = 0.03
"""Slit from which it is taken to be seen: twice its u over what contact itself draws."""
NONE_SEEN_U_MM = 0.025
"""Standard uncertainty of every slit where a photo shows none at all: with light behind the card none would show. Nine
frets in ten are level within 0.012 mm, the tenth stands up by 0.05 to 0.1 (common practice, no source): their RMS."""


def daylight_under(
    photo: Photo, plane: Plane, foot: StraightEdge, x: float, pitch: float, hidden: bool, end: float | None = None
) -> tuple[float, float]:
    """Height of the slit under the foot at a crown's middle and its standard uncertainty, mm.

    `hidden` says that the card just above the foot is not seen, `end` how far below it the near end's top is seen, mm,
    where that stands out.
    """
    higher = 0.0 if end is None else max(0.0, OWN_MM[1] - (end - END_PX * pitch))
    if OWN_MM[0] - higher < LEAST_OWN_MM:  # too little of the crown is seen before its end
        return UNSEEN_MM, NONE_SEEN_U_MM
    own = (OWN_MM[0] - higher, OWN_MM[1] - higher)
    across = x + np.arange(-HALF_MM, HALF_MM, pitch / 2.0)
    below = np.arange(-ABOVE_PX[1] * pitch, own[1], pitch / 2.0)
    light = straightened(photo, plane, across, float(foot.y(x)) - below)
    if light is None:
        return UNSEEN_MM, MOST_MM / 2.0
    line = np.asarray(light.mean(axis=1), dtype=np.float64)
    dark = (_hidden if hidden else _missing)(line, below, pitch, own[0])
    height = max(dark * SLIT_OF_DARK, UNSEEN_MM)
    return height, float(np.hypot(U_MM, U_SHARE * (height - UNSEEN_MM)))


def _missing(line: NDArray[np.float64], below: NDArray[np.float64], pitch: float, start: float) -> float:
    """Height of the dark slit by the light that is missing on both sides of the foot, mm; the crown's own from `start`
    on."""
    own = float(np.median(line[below > start]))
    card = float(np.median(line[below < -ABOVE_PX[0] * pitch]))
    near = (below >= -ABOVE_PX[0] * pitch) & (below <= min(MOST_MM, start))
    there = np.where(below < 0.0, card, own)
    return float(np.sum((there - line)[near])) * pitch / 2.0 / max(own, 1e-6)


def _hidden(line: NDArray[np.float64], below: NDArray[np.float64], pitch: float, start: float) -> float:
    """The same from the crown's side alone, mm."""
    own = float(np.median(line[below > start]))
    slit = (below >= FROM_PX * pitch) & (below <= min(MOST_MM, start))
    return float(np.clip(1.0 - line[slit] / max(own, 1e-6), 0.0, 1.0).sum()) * pitch / 2.0
