"""Close-ups: the same small piece of a fret cut out of a photo, turned into a picture of known width in millimetres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.reading.inspection import FretReading, Inspection, Outline
from inspect_app.reading.key import on_fret
from inspect_app.reading.quantities import line_named

__all__ = ["BAR_MM", "Window", "bar_of", "bevel_window", "box_of", "closeup", "line_along", "nearest_spot"]

Point = tuple[float, float]

OUT_PX = 900
"""Width of a close-up: 270 dots an inch over a column of 85 mm."""
SHAPE = 0.5
"""Height over width of a close-up: two of them and their words stand beside each other on a page."""
SPOT_MM = 9.0
"""Width of a close-up of one worn place: more than twice as wide as a flat is long, so that the whole fret beside it
shows what it was."""
BEVEL_MM = 9.0
"""Width of a close-up of one end: bevel, tip and the board's corner."""
BAR_MM = {"mm": (2.0, "2 mm"), "inch": (2.54, "0.1 in")}
"""The scale bar by unit: its length in mm and how it is written."""


@dataclass(frozen=True, slots=True)
class Window:
    """A piece of a photo: its middle in upright photo pixels, its width in mm, pixels to the mm, what to outline."""

    middle: Point
    width_mm: float
    px_per_mm: float
    outline: Outline | None = None


def nearest_spot(inspection: Inspection, fret: int, from_treble_mm: float, reach_mm: float) -> Window | None:
    """The window on the flat or divot nearest to a place on a fret; ``None`` where this photo has none in reach."""
    reading = _fret(inspection, fret)
    camera = inspection.camera
    if reading is None or camera is None:
        return None
    places = [("divots", i, d.from_treble_end.value) for i, d in enumerate(reading.divots, 1)]
    places += [("flats", i, f.from_treble_end.value) for i, f in enumerate(reading.flats, 1)]
    near = [p for p in places if abs(p[2] - from_treble_mm) <= reach_mm]
    for kind, i, _ in sorted(near, key=lambda p: abs(p[2] - from_treble_mm)):
        drawn = next((o for o in reading.outlines if o.of == on_fret(fret, kind, i)), None)
        if drawn is not None and drawn.points:
            middle = np.asarray(drawn.points, dtype=np.float64).mean(axis=0)
            return Window((float(middle[0]), float(middle[1])), SPOT_MM, camera.px_per_mm, drawn)
    return None


def bevel_window(inspection: Inspection, fret: int, end: str) -> Window | None:
    """The window on one end's bevel."""
    reading, camera = _fret(inspection, fret), inspection.camera
    bevel = on_fret(fret, f"bevel {end}")
    drawn = [o for o in reading.outlines if o.name == "bevel" and o.of == bevel] if reading else []
    if not drawn or camera is None:
        return None
    middle = np.asarray(drawn[0].points, dtype=np.float64).mean(axis=0)
    return Window((float(middle[0]), float(middle[1])), BEVEL_MM, camera.px_per_mm, drawn[0])


def box_of(window: Window, size: tuple[int, int]) -> tuple[float, float, float, float]:
    """The piece ``(x0, y0, x1, y1)`` of an upright photo of this width and height that a window shows, in its pixels.

    Near the photo's border the window moves inwards; it never shrinks, so that pictures of one width share a scale.
    """
    w = window.width_mm * window.px_per_mm
    left, top = (
        _inside(c - length / 2.0, length, limit)
        for c, length, limit in zip(window.middle, (w, w * SHAPE), size, strict=True)
    )
    return left, top, left + w, top + w * SHAPE


def closeup(
    bgr: NDArray[np.uint8], window: Window, matrix: NDArray[np.float64] | None = None, of: tuple[int, int] | None = None
) -> NDArray[np.uint8]:
    """The window cut out of an upright photo and brought to `OUT_PX` wide, its outline drawn on it.

    What lies outside the photo stays grey.

    Parameters
    ----------
    matrix : ndarray of float, shape (3, 3), optional
        Takes this photo's pixels to those of the one that the window is of, whose width and height are `of`: the
        picture then shows the very piece that the window shows there.
    """
    left, top, right, _ = box_of(window, of or (bgr.shape[1], bgr.shape[0]))
    zoom = OUT_PX / (right - left)
    size = (OUT_PX, round(OUT_PX * SHAPE))
    move = np.array([[zoom, 0.0, -zoom * left], [0.0, zoom, -zoom * top], [0.0, 0.0, 1.0]])
    kind = cv2.INTER_CUBIC if zoom > 1.0 else cv2.INTER_AREA
    onto = move if matrix is None else move @ matrix
    grey = (128, 128, 128)
    out: NDArray[np.uint8] = np.asarray(
        cv2.warpPerspective(bgr, onto, size, flags=kind, borderMode=cv2.BORDER_CONSTANT, borderValue=grey),
        dtype=np.uint8,
    )
    if matrix is None and window.outline is not None and len(window.outline.points) > 1:
        pts = (np.asarray(window.outline.points) - (left, top)) * zoom
        _draw(out, pts, window.outline)
    return out


def _inside(start: float, length: float, limit: int) -> float:
    return float(min(max(start, 0.0), max(0.0, limit - length)))


def _draw(out: NDArray[np.uint8], pts: NDArray[np.float64], outline: Outline) -> None:
    """A thin line with a dark halo: the metal under it must stay to be seen."""
    fixed = [np.round(pts * 16).astype(np.int32).reshape(-1, 1, 2)]
    for colour, width in (((0, 0, 0), 5), (line_named(outline.name).bgr, 2)):
        cv2.polylines(out, fixed, outline.closed, colour, width, cv2.LINE_AA, 4)


def bar_of(window: Window, lengths: str) -> tuple[float, str]:
    """The scale bar's share of the close-up's width, and what it says."""
    mm, text = BAR_MM[lengths]
    return mm / window.width_mm, text


def _fret(inspection: Inspection, number: int) -> FretReading | None:
    return next((f for f in inspection.frets if f.number == number), None)


def line_along(reading: FretReading | None) -> NDArray[np.float64] | None:
    """A line along a fret, photo pixels, treble to bass: its crown line, else the middle of its crown's edges."""
    if reading is None:
        return None
    lines: dict[str, list[Sequence[Point]]] = {}
    for o in reading.outlines:
        lines.setdefault(o.name, []).append(o.points)
    if "crown_line" in lines:
        return np.asarray(lines["crown_line"][0], dtype=np.float64)
    edges = [np.asarray(e, dtype=np.float64) for e in lines.get("crown_edge", [])]
    if len(edges) != 2 or min(map(len, edges)) < 2:
        return None
    return np.array([(edges[0][k] + edges[1][k]) / 2.0 for k in (0, -1)])
