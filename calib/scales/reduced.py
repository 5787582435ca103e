"""Pictures made smaller for finding things in them; what is found is then measured on the full picture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["halved", "reduced"]

Picture = NDArray[np.uint8]


def halved(picture: Picture, least: float) -> tuple[Picture, float]:
    """The picture halved as long as its longer side stays `least` or more, and how many of its pixels one of those is.

    A pixel is the mean of the four it stands for; an odd row or column at the end is left out.
    """
    factor = 1.0
    while max(picture.shape[:2]) >= 2.0 * least and min(picture.shape[:2]) >= 2:
        rows, columns = (n // 2 for n in picture.shape[:2])
        even = picture[: 2 * rows, : 2 * columns]
        picture = np.asarray(cv2.resize(even, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        factor *= 2.0
    return picture, factor


def reduced(picture: Picture, width: float) -> tuple[Picture, float]:
    """The picture with its longer side no more than `width`, and how many of its pixels one of those is.

    Halves first: OpenCV's average over two by two pixels takes a tenth of the time of that over any other factor.
    """
    small, factor = halved(picture, width)
    rest = max(1.0, max(picture.shape[:2]) / factor / width)
    if rest > 1.0:
        small = np.asarray(cv2.resize(small, None, fx=1 / rest, fy=1 / rest, interpolation=cv2.INTER_AREA), np.uint8)
    return small, factor * rest
