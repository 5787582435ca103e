"""Which view a photo most likely is, by the scale printed in it: a proposal to be corrected, never a reading.

The strip lies beside a board seen from above. The backdrop stands: close up behind the end of a fret or beside a piece
of wire, from farther away behind a fret along the neck or on the crowns across it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.scales.printed import BACKDROP, STRIP, rough_markers
from inspect_app.reading.ask import View

__all__ = ["likely_view"]

Floats = NDArray[np.float64]

_CLOSE_MM = 40.0
"""Width a photo shows under which it is a close-up: a fret along the neck is 40 mm wide at least and needs the card
beside it, an end or a piece of wire fills 10 to 30 mm."""
_LEAST_SEEN = 2
"""One marker alone may be read into anything."""
_BAND_MM = (-16.25, -21.75)
"""Places down the backdrop, mm: from under its small markers to where a crown stands before it along the neck, its
top edge standing 20 mm over the board; on the crowns across the neck the card is free down there, but for a string."""
_STEP_MM = 0.25
"""From one to the next, down the backdrop and along it: half of what an edge is told over."""
_ALONG_MM = (6.0, 86.0)
"""Places along the backdrop: 6 mm clear of its sides, past which other things are seen."""
_MISFIT_PX = 8.0
"""By which a marker's corner may lie off the rest: corners are rough here, and the lens bends."""
_EDGE = 0.15
"""Step of the logarithm of light over half a millimetre from which it is an edge: shadows on the card are softer."""
_CROWN_FROM, _FREE_UP_TO = 0.5, 0.2
"""Share of the card's width over which such an edge runs: a fret is half as wide as the card, a stray mark is not.
Between the two nobody can tell."""


def likely_view(photo: Photo) -> View | None:
    """The view; ``None`` where neither strip nor backdrop is seen, or both are, or it can't be told."""
    ids, corners = rough_markers(photo)
    strip = [i for i, n in enumerate(ids) if n in {m.id for m in STRIP}]
    card = [i for i, n in enumerate(ids) if n in {m.id for m in BACKDROP}]
    if min(len(strip), len(card)) >= _LEAST_SEEN or max(len(strip), len(card)) < _LEAST_SEEN:
        return None
    if len(strip) > len(card):
        return "plan"
    h = _card_to_px([ids[i] for i in card], corners[card])
    if h is None:
        return None
    to_mm: Floats = np.asarray(np.linalg.inv(h), dtype=np.float64)
    sides = np.array([[(0.0, photo.height / 2.0), (photo.width, photo.height / 2.0)]])
    left, right = cv2.perspectiveTransform(sides, to_mm)[0]
    if np.linalg.norm(right - left) < _CLOSE_MM:
        # the board under a fret's end hides the card below its row of markers; a wire stands free above the row
        return "section" if float(np.mean(corners[card][..., 1])) > photo.height / 2.0 else "end"
    share = _edge_share(photo, h)
    return "elevation" if share >= _CROWN_FROM else "side" if share <= _FREE_UP_TO else None


def _card_to_px(ids: list[int], corners: Floats) -> Floats | None:
    known = {m.id: m.corners() for m in BACKDROP}
    h, _ = cv2.findHomography(np.concatenate([known[n] for n in ids]), corners.reshape(-1, 2), cv2.RANSAC, _MISFIT_PX)
    return None if h is None or abs(np.linalg.det(h)) < 1e-12 else np.asarray(h, dtype=np.float64)


def _edge_share(photo: Photo, h: Floats) -> float:
    """Share of the card's width over which an edge runs through the band above its foot, where the photo shows it."""
    x = np.linspace(*_ALONG_MM, round((_ALONG_MM[1] - _ALONG_MM[0]) / _STEP_MM) + 1)
    rows = np.arange(_BAND_MM[0], _BAND_MM[1], -_STEP_MM)
    light = np.log(np.maximum([_light(photo, h, x, y) for y in rows], 1.0))
    light = cv2.blur(light, (5, 1))  # over 1 mm along the card: grain is no edge
    steps = np.abs(light[2:] - light[:-2]).max(axis=0)
    seen = np.isfinite(steps)
    return float(np.mean(steps[seen] > _EDGE)) if seen.any() else float("nan")


def _light(photo: Photo, h: Floats, x: Floats, y: float) -> Floats:
    """Grey codes along a line on the card; NaN outside the photo."""
    px = cv2.perspectiveTransform(np.column_stack([x, np.full_like(x, y)])[None], h)[0].astype(np.float32)
    got = cv2.remap(photo.gray, px[:, :1], px[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    inside = np.all((px >= 0) & (px <= (photo.width - 1, photo.height - 1)), axis=1)
    return np.where(inside, np.ravel(got).astype(np.float64), np.nan)
