"""Photos drawn for the pages' tests: a board with frets and the printed strip beside it, seen a little askew."""

from functools import cache

import cv2
import numpy as np

from calib.scales.printed import DICTIONARY, STRIP, STRIP_SIZE

FRET_X_MM = (15.0, 48.0, 79.0, 108.0)  # on the strip's plane, x along it
FRET_Y_MM = (6.0, 50.0)
WIDTH_MM = 2.4
_PX = 10.0  # of the flat drawing, to the millimetre


@cache
def board_photo(seed=0, size=(1600, 1100), strip=True, dark_corner=False):
    """JPEG bytes. The strip's top left corner is the origin of the plane, y up: the board lies above it."""
    rng = np.random.default_rng(seed)
    flat = np.full((1000, 1500, 3), 140, np.uint8)  # 10 px/mm; the strip's corner is at (100, 700)
    flat[150:650] = (40, 55, 80)
    for x in FRET_X_MM:
        x0, x1 = (round(100 + _PX * (x + d)) for d in (-WIDTH_MM / 2, WIDTH_MM / 2))
        flat[700 - round(_PX * FRET_Y_MM[1]) : 700 - round(_PX * FRET_Y_MM[0]), x0:x1] = 205
    if strip:
        flat[700 : 700 + round(_PX * STRIP_SIZE[1]), 100 : 100 + round(_PX * STRIP_SIZE[0])] = 245
        dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
        for m in STRIP:
            side, x, y = round(_PX * m.side), round(100 + _PX * m.left), round(700 + _PX * m.top)
            flat[y : y + side, x : x + side] = cv2.aruco.generateImageMarker(dictionary, m.id, side)[..., None]
    corners = np.float32([[0, 0], [1500, 0], [1500, 1000], [0, 1000]])
    askew = np.float32([[60, 40], [1545, 62], [1560, 1050], [42, 1066]])
    h = cv2.getPerspectiveTransform(corners, askew)
    photo = cv2.warpPerspective(flat, h, size, flags=cv2.INTER_AREA, borderValue=(140, 140, 140))
    if dark_corner:
        photo[:60, :60] = 0
    photo = cv2.GaussianBlur(photo, (0, 0), 0.9).astype(np.float32) + rng.normal(0, 2, photo.shape)
    return cv2.imencode(".jpg", np.clip(photo, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
