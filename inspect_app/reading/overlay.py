"""An inspection drawn on its photo: outlines with a halo that reads on dark and pale wood, each kind with its dash."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.reading.inspection import Inspection, Outline
from inspect_app.reading.quantities import Line, line_named

__all__ = ["draw"]

_BITS = 4  # fractional bits of OpenCV's drawing coordinates


def draw(bgr: NDArray[np.uint8], inspection: Inspection) -> NDArray[np.uint8]:
    """A copy of the photo with every outline and the fret numbers on it.

    Parameters
    ----------
    bgr : ndarray of uint8, shape (height, width, 3)
        The upright photo.
    inspection : Inspection
        Its outlines are in pixels of that photo.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
    """
    canvas = bgr.copy()
    unit = max(1.0, max(canvas.shape[:2]) / 3000.0)
    outlines = [*(o for f in inspection.frets for o in f.outlines), *inspection.outlines]
    if inspection.scale and inspection.scale.outline:
        outlines.append(inspection.scale.outline)
    for o in outlines:
        _stroke(canvas, o, 5.0 * unit, Line("halo", (255, 255, 255)))
    for o in outlines:
        _stroke(canvas, o, 3.4 * unit, Line("rim", (0, 0, 0)))
    for o in outlines:
        _stroke(canvas, o, 2.0 * unit, line_named(o.name))
    for fret in inspection.frets:
        if fret.outlines:
            _label(canvas, str(fret.number), _label_place(fret.outlines), unit)
    return canvas


def _stroke(canvas: NDArray[np.uint8], o: Outline, width: float, style: Line) -> None:
    pts = np.asarray(o.points, dtype=np.float64).reshape(-1, 2)
    if len(pts) < 2:
        return
    pieces = _dashes(pts, o.closed, style.dash * width) if style.dash else [pts]
    fixed = [np.round(p * (1 << _BITS)).astype(np.int32).reshape(-1, 1, 2) for p in pieces]
    cv2.polylines(canvas, fixed, o.closed and not style.dash, style.bgr, max(1, round(width)), cv2.LINE_AA, _BITS)


def _dashes(pts: NDArray[np.float64], closed: bool, length: float) -> list[NDArray[np.float64]]:
    """The even pieces, each `length` pixels long, of a polyline."""
    if closed:
        pts = np.vstack([pts, pts[:1]])
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(pts, axis=0), axis=1))])
    pieces = []
    for k in range(0, math.ceil(s[-1] / length), 2):
        a, b = k * length, min((k + 1) * length, float(s[-1]))
        at = np.concatenate([[a], s[(s > a) & (s < b)], [b]])
        pieces.append(np.column_stack([np.interp(at, s, pts[:, 0]), np.interp(at, s, pts[:, 1])]))
    return pieces


def _label_place(outlines: tuple[Outline, ...]) -> tuple[float, float]:
    """Above the highest point of a fret's outlines."""
    pts = np.vstack([np.asarray(o.points, dtype=np.float64).reshape(-1, 2) for o in outlines])
    top = pts[np.argmin(pts[:, 1])]
    return float(top[0]), float(top[1])


def _label(canvas: NDArray[np.uint8], text: str, at: tuple[float, float], unit: float) -> None:
    """White on a black plate, its foot at the point, kept inside the picture."""
    font, size, thick = cv2.FONT_HERSHEY_SIMPLEX, 1.2 * unit, max(1, round(2.4 * unit))
    (w, h), _ = cv2.getTextSize(text, font, size, thick)
    pad = round(5 * unit)
    x = int(np.clip(at[0] - w / 2, pad, max(pad, canvas.shape[1] - w - pad)))
    y = int(np.clip(at[1] - 3 * pad, h + pad, canvas.shape[0] - pad))
    cv2.rectangle(canvas, (x - pad, y - h - pad), (x + w + pad, y + pad), (0, 0, 0), cv2.FILLED)
    cv2.putText(canvas, text, (x, y), font, size, (255, 255, 255), thick, cv2.LINE_AA)
