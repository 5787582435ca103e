"""Polygons painted as drawn pictures need them."""

import numpy as np


def fill(picture, px, tone):
    """Paint the pixels whose middle lies inside a polygon, by the even-odd rule: no swollen borders.

    Parameters
    ----------
    picture : ndarray, shape (h, w)
        Painted in place.
    px : ndarray, shape (n, 2)
        Corners, x and y; a pixel's middle has whole numbers.
    """
    (left, top), (right, bottom) = np.maximum(np.floor(px.min(axis=0)), 0), np.ceil(px.max(axis=0)) + 1
    piece = picture[int(top) : max(int(bottom), 0), int(left) : max(int(right), 0)]
    if not piece.size:
        return
    (x, y), (next_x, next_y) = (px - (left, top)).T, (np.roll(px, -1, axis=0) - (left, top)).T
    rows = np.arange(piece.shape[0])[:, None]
    row, side = np.nonzero((y <= rows) != (next_y <= rows))
    at = x[side] + (row - y[side]) * ((next_x - x)[side] / (next_y - y)[side])
    passed = np.zeros((piece.shape[0], piece.shape[1] + 1), np.uint8)
    np.add.at(passed, (row, np.clip(np.ceil(at), 0, piece.shape[1]).astype(int)), 1)
    piece[np.bitwise_xor.accumulate(passed & 1, axis=1)[:, :-1] == 1] = tone
