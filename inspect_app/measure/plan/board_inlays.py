"""Inlays of the board told from its worn places: by where they are set, and how they stand out."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.board_field import STEP_MM
from inspect_app.measure.plan.board_places import components, with_border
from shared.trade import DOUBLY_MARKED_FRETS, MARKED_FRETS

__all__ = ["inlays_of", "is_inlay"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MIRRORED = 0.85
"""Share of a place that it has in common with its mirror image (over both together) from which it is an inlay: they are
set half-way along their field and on the board's centre line, or in pairs about it, to half a millimetre in six."""
ROUND = 0.08
"""Departure from a circle, in height over width and in area, up to which a place is one: a grid cell on each side of a
dot of 5 mm."""
STARK = 0.25
"""Log light or colour by which an inlay stands out from its board: it is set to be seen, by a quarter at least."""
ALONE = 0.5
"""The same for a dot whose twin is not seen: pearl is twice as bright as the lightest board it is set in, and wood worn
bare is not (common practice, no source)."""
BRIGHTEST = 0.995
"""Quantile of how much a field differs from unworn board, for how much an inlay in it does: a dot of 5 mm takes a
hundredth of a field or more."""
BESIDE_INLAY_MM = 0.6
"""Left out about an inlay: the smoothing's reach."""


def inlays_of(number: int, off: Floats, seen: Mask) -> Mask:
    """Where inlays lie that stand out more than wear does, with what the smoothing takes of them.

    Parameters
    ----------
    number : int
        Of the fret on the field's body side.
    off : ndarray, shape (rows, columns, 3)
        Difference from unworn board, in log light and the two log colours.
    seen : ndarray of bool, shape (rows, columns)
        What of the field can be judged; the answer has its shape.
    """
    strength = np.abs(off).max(axis=2)
    out = np.zeros(seen.shape, dtype=bool)
    if not seen.any() or (top := float(np.quantile(strength[seen], BRIGHTEST))) < STARK:
        return out
    stark = (strength > top / 2.0) & seen
    # a worn place may touch an inlay, and one of them is the darker
    found = [m for side in (off[:, :, 0] > 0.0, off[:, :, 0] <= 0.0) for m in components(stark & side)]
    n = 2 * round(BESIDE_INLAY_MM / STEP_MM) + 1
    for mask in found:
        if is_inlay(number, mask, top, found):
            out |= cv2.dilate(mask.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (n, n))) > 0
    return out


def is_inlay(number: int, mask: Mask, strength: float, every: Sequence[Mask]) -> bool:
    """Whether a place is an inlay: the mirror image of itself half-way along the field, and of itself or another about
    the board's centre line; at the octaves of it or another. A dot in the middle is one at any number: that of the
    first fret may be wrong.

    Parameters
    ----------
    number : int
        Of the fret on the field's body side.
    mask : ndarray of bool, shape (rows, columns)
        The place, on the whole field.
    strength : float
        By how much log light or a log colour it stands out.
    every : sequence of ndarray
        All places of the field that may be its twin.
    """
    if _overlap_share(mask, mask[:, ::-1]) < MIRRORED:
        return False
    if _overlap_share(mask, mask[::-1]) > MIRRORED:
        return number in MARKED_FRETS or _is_round(mask)
    if number not in DOUBLY_MARKED_FRETS or strength < STARK:
        return False
    if strength > ALONE and _is_round(mask):
        return True  # its twin may lie in glare
    return any(_overlap_share(mask, other[::-1]) > MIRRORED for other in every)


def _is_round(mask: Mask) -> bool:
    """Whether a place is a circle within `ROUND`, as dots are and worn places are not."""
    rows, columns = np.nonzero(mask)
    high, wide = np.ptp(rows) + 1.0, np.ptp(columns) + 1.0
    return bool(abs(high / wide - 1.0) < ROUND and abs(mask.sum() / (math.pi / 4.0 * high * wide) - 1.0) < ROUND)


def _overlap_share(a: Mask, b: Mask) -> float:
    """Share that two places have in common of both together; a cell's shift, for middles fall between cells."""
    return float((with_border(a, 1) & b).sum() / max(int((a | b).sum()), 1))
