"""How grainy a photo is where its card is plain, and the same photo with its specks taken out.

Paper glitters under a bare lamp, and a sensor short of light is noisy in its own way: single pixels, or two or three,
far brighter than those around them. Averages along an edge carry such specks with them; medians don't, and they leave
a straight edge where it is (Tukey 1977, from memory).
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calib.photo import Photo

__all__ = ["SPECK_PX", "grain", "without_specks"]

SPECK_PX = 5
"""Side of the neighbourhood whose median stands for a pixel: a speck is two or three pixels wide once its colours are
filled in, and covers less than half of it; edges and corners of a sharp photo are as wide."""


def without_specks(photo: Photo) -> Photo:
    """The same photo, each channel the median of a small neighbourhood."""
    bgr = np.asarray(cv2.medianBlur(np.ascontiguousarray(photo.bgr), SPECK_PX), dtype=np.uint8)
    bgr.flags.writeable = False
    return replace(photo, bgr=bgr)


def grain(photo: Photo, px: ArrayLike) -> float:
    """How far pixels stray from the median of their neighbourhood, in 8-bit codes: RMS over plain paper.

    Parameters
    ----------
    px : array_like, shape (N, 2)
        Places on plain paper, photo pixels; those outside the photo are left out.
    """
    at = np.round(np.atleast_2d(np.asarray(px, dtype=float))).astype(int)
    half = SPECK_PX // 2
    inside = np.all((at >= half) & (at < np.array([photo.width, photo.height]) - half), axis=1)
    if not inside.any():
        return 0.0
    step = np.arange(-half, half + 1)
    x, y = at[inside, 0][:, None, None] + step, at[inside, 1][:, None, None] + step[:, None]
    around = photo.gray[y, x].reshape(int(inside.sum()), -1)
    off = photo.gray[at[inside, 1], at[inside, 0]].astype(float) - np.median(around, axis=1)
    return float(np.sqrt(np.mean(off**2)))
