"""Time from bytes to a fitted plane, as a multiple of decoding: ``python tests/benchmarks/calibration.py [PHOTO ...]``.

Without photos it draws one of 12 megapixels with the strip. Each step is the best of several runs in processor time of
one thread, so that other work on the machine does little harm. Budget: grey, find and fit in 1.75 times
``cv2.imdecode``,
so that with opening (1.1) a whole measurement of six times leaves three for the reading.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from calib.photo import open_photo
from calib.pose_fit import fit_plane
from calib.scales.printed import BACKDROP, STRIP, STRIP_SIZE, find_markers, find_printed

RUNS = 7


def drawn_photo() -> bytes:
    """A strip on a grainy board, 4000 x 3000, as a JPEG."""
    per_mm = 24
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    sheet = np.full((int(STRIP_SIZE[1] * per_mm), int(STRIP_SIZE[0] * per_mm)), 230, np.uint8)
    for m in STRIP:
        x, y, side = (round(v * per_mm) for v in (m.left, m.top, m.side))
        sheet[y : y + side, x : x + side] = np.maximum(words.generateImageMarker(m.id, side), 40)
    rng = np.random.default_rng(1)
    board = 90 + 15 * np.sin(np.arange(3000) / 11.0)[:, None] + rng.normal(0, 4, (3000, 4000))
    turn = np.array([[0.9995, -0.02, 500.0], [0.02, 0.9995, 2400.0], [1e-6, 2e-6, 1.0]])
    laid = cv2.warpPerspective(sheet, turn, (4000, 3000), flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.full_like(sheet, 255), turn, (4000, 3000)) > 127
    picture = cv2.GaussianBlur(np.where(mask, laid, board).astype(np.float32), (0, 0), 0.8)
    picture += rng.normal(0, 2, picture.shape)
    return cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8)[..., None].repeat(3, 2))[1].tobytes()


def best(action: Callable[[], Any]) -> tuple[float, Any]:
    """Least processor time of several runs, in ms, and the last result."""
    spent, result = [], None
    for _ in range(RUNS):
        t = time.process_time()
        result = action()
        spent.append(time.process_time() - t)
    return 1000.0 * min(spent), result


def report(name: str, data: bytes) -> None:
    """Print one photo's line."""
    codes = np.frombuffer(data, np.uint8)
    decode, _ = best(lambda: cv2.imdecode(codes, cv2.IMREAD_COLOR))
    opened, photo = best(lambda: open_photo(data))
    gray, _ = best(lambda: cv2.cvtColor(photo.bgr, cv2.COLOR_BGR2GRAY))
    ids = {m.id for m in find_markers(photo)}
    kind = "backdrop" if ids & {m.id for m in BACKDROP} else "strip"
    found, scale = best(lambda: find_printed(photo, kind))
    fitted, plane = best(lambda: fit_plane(scale, (photo.width, photo.height), photo.focal))
    whole = opened + gray + found + fitted
    print(
        f"{name}: {photo.width * photo.height / 1e6:.0f} megapixels, {kind}, {len(set(scale.ids))} markers, "
        f"residual {plane.residual_px:.3f} px\n"
        f"  decode {decode:.0f} ms; open {opened:.0f}, grey {gray:.0f}, find {found:.0f}, fit {fitted:.0f}; "
        f"all {whole / decode:.2f}, without opening {(whole - opened) / decode:.2f} times decode"
    )


if __name__ == "__main__":
    for path in sys.argv[1:]:
        report(Path(path).name, Path(path).read_bytes())
    if len(sys.argv) == 1:
        report("drawn", drawn_photo())
