"""Places on the even grid that the board is laid out on: masks of shape (rows, columns)."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.board_field import STEP_MM

__all__ = ["SEED_MM2", "STREAK_MM", "components", "contours", "filled", "with_border"]

Mask = NDArray[np.bool_]

SEED_MM2 = 1.5
"""Smallest place looked at: less than a third of a worn one, of which only the middle may stand out (no source)."""
STREAK_MM = 1.6
"""What is nowhere so wide is a streak in the wood: strings press fingers wider than that."""


def components(mask: Mask) -> list[Mask]:
    """The connected places of a mask, each of `SEED_MM2` at least."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    least = SEED_MM2 / STEP_MM**2
    return [labels == k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] >= least]


def contours(mask: Mask) -> Sequence[cv2.typing.MatLike]:
    """The outlines of a mask's places, in grid cells, as OpenCV gives them."""
    return cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]


def with_border(mask: Mask, cells: int) -> Mask:
    """A place and so many cells all round it."""
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((2 * cells + 1, 2 * cells + 1), np.uint8)) > 0)


def filled(mask: Mask) -> Mask:
    """The places with their holes filled: an inlay, or a fibre that kept its tone."""
    out = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(out, contours(mask), -1, 1, cv2.FILLED)
    return np.asarray(out > 0)
