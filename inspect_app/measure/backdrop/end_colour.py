"""A fret's end by its colour: brightness loses an edge wherever the light on the metal passes the card's own tone.

Along a crown the light goes from dark to bright and back, and somewhere is as bright as the card. Relative to the
card's, each colour of whatever is paper is the same, lit or in a shadow, so their differences are nothing; metal is a
little warmer, brass far more. Differences of linear light mix evenly at an edge, as ratios don't: the darker side's
would have no say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.edge_response import srgb_codes
from calib.photo import Photo, linear_light
from calib.specks import without_specks
from inspect_app.measure.backdrop.end_outline import INWARD, OUTSIDE_MM, End
from inspect_app.measure.backdrop.fret import DetectedFret

__all__ = ["in_colour", "COLOUR_U_PX"]

Array = NDArray[np.float64]

METAL_MM, CARD_MM = (0.15, 1.2), (-3.0, -1.6)
"""Where the metal and the card are looked at, from the last place of the crown line inwards: short of the end and clear
of a rounded tip's corner; beyond the foot of a 45 degree bevel of a 1.5 mm crown."""
DEEP = (0.15, 0.75)
"""Depths of that, in crown heights: below the outline's blur, above dirt along the foot."""
LEAST_APART, LEAST_SIGMAS = 0.08, 4.0
"""How far apart both must lie, relative to their light: files keep colours in steps of up to four of 128 codes, and
twice that and a little is no step; and so many standard deviations of what the card itself scatters."""
LEAST_GRAIN = 0.001
"""Scatter of the card's colour, relative to its light, under which the photo keeps no colours as fine as an edge: a
third of what rounding to codes leaves alone (0.29 of one in 225, times 2.4 for their gamma). A phone's noise reduction,
and files with coarse colours, make a card one grey."""
FEW = 0.05
"""Share of the metal that may differ from the card the other way: more mirrors something of another colour, or is burnt
out, and then has no colour."""
BASE, METAL = 0.25, 0.35
"""Linear light that the card gets, and what the metal gets above it; either side of them there is room for noise."""
COLOUR_U_PX = 0.2
"""Standard uncertainty of an edge in colour, beside that of one in brightness: a sensor sees each colour at every
second pixel and files often keep no more (no source)."""


def in_colour(photo: Photo, fret: DetectedFret, end: End) -> Photo | None:
    """The photo about a fret's end with the card dark and the metal bright, by their colours; black further off.

    None where they can't be told by colour, or the end is cut off by the photo's edge.
    """
    last = fret.line.span[0 if end == "treble" else 1]
    half = int((OUTSIDE_MM + fret.crown.height) / fret.mm_per_px)
    x, y = (round(float(v)) for v in fret.pose.to_px([[0.0, last, float(fret.line.circle.z(last))]])[0])
    left, above = max(0, x - half), max(0, y - half)
    window = (slice(above, y + half), slice(left, x + half))
    part = photo.bgr[window]
    if min(part.shape[:2]) < half:
        return None
    raw, light = (linear_light(p).astype(np.float64) for p in (part, without_specks(replace(photo, bgr=part)).bgr))
    metal, card = (_within(light, fret, end, last, span, (left, above)) for span in (METAL_MM, CARD_MM))
    if min(len(metal), len(card)) == 0:
        return None
    white = np.maximum(np.median(card, axis=0), 1e-3)
    metal, card = metal / white, card / white
    apart = np.median(metal - metal.mean(axis=1, keepdims=True), axis=0)
    apart -= apart.mean()  # so that light alone, of no colour, comes to nothing
    far = float(np.linalg.norm(apart))
    weights = apart / max(far, 1e-9)
    shows, scatter = metal @ weights, float(np.sqrt(np.mean((card @ weights) ** 2)))
    own = float(np.median(shows))
    grain = _within(raw, fret, end, last, CARD_MM, (left, above)) / white @ weights
    if float(np.std(grain)) < LEAST_GRAIN:
        return None
    if own <= max(LEAST_APART * float(np.median(metal)), LEAST_SIGMAS * scatter) or np.quantile(shows, FEW) < -scatter:
        return None
    shown = BASE + METAL * ((light / white) @ weights) / own
    bgr = np.zeros_like(photo.bgr)
    bgr[window] = np.round(255.0 * srgb_codes(shown)).astype(np.uint8)[..., None]
    bgr.flags.writeable = False
    return replace(photo, bgr=bgr)


def _within(
    light: Array, fret: DetectedFret, end: End, last: float, span: tuple[float, float], corner: tuple[int, int]
) -> Array:
    """Colours at places of the upright plane, `span` (mm) inwards of the last one of the crown line; shape (N, 3)."""
    step = 2.0 * fret.mm_per_px
    along = last + INWARD[end] * np.arange(*span, step)
    y, down = (v.ravel() for v in np.meshgrid(along, fret.crown.height * np.arange(*DEEP, step / fret.crown.height)))
    px = fret.pose.to_px(np.column_stack([np.zeros_like(y), y, fret.line.circle.z(y) - down])) - corner
    column, row = np.round(px).astype(int).T
    inside = (column >= 0) & (row >= 0) & (column < light.shape[1]) & (row < light.shape[0])
    return np.asarray(light[row[inside], column[inside]])
