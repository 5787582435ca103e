"""Two photos of one place, laid on each other by the frets that both show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.reading.closeups import line_along
from inspect_app.reading.inspection import FretReading, Inspection

__all__ = ["MOST_MISFIT_MM", "Registration", "register"]

Floats = NDArray[np.float64]

MOST_MISFIT_MM = 1.0
"""Root mean square distance between the fret ends of the two photos from which they do not show the same place: new
frets are cut within some tenths of a millimetre of where the old ones ended (common practice, no source)."""
_FROM_FRETS = 3
"""So many frets tell a homography with ends to spare; with two it would be exact, and wild beside them."""
_MOST_OFF = 1.0 / 3.0
"""Share of fret ends that may lie off by more: an end under glare, or one that was not cut anew where it was."""


@dataclass(frozen=True, slots=True)
class Registration:
    """How a second photo lies on a first one.

    `matrix` takes upright pixels of the second to those of the first, nine numbers row by row; `size` is the first
    one's width and height in pixels. `misfit_mm` is the root mean square distance between the fret ends of both;
    ``None`` where only one end tells the place.
    """

    matrix: tuple[float, ...]
    size: tuple[int, int]
    frets: tuple[int, ...]
    misfit_mm: float | None

    @property
    def homography(self) -> Floats:
        """The matrix, shape (3, 3)."""
        return np.array(self.matrix).reshape(3, 3)


def register(first: Inspection, second: Inspection) -> Registration | None:
    """How the second photo lies on the first by the frets of both; ``None`` where they do not show the same place.

    The ends of three frets or more tell a homography, of two an affine map. A single fret tells where and which way
    round it lies; how large follows from the pixels to the millimetre.
    """
    if first.camera is None or second.camera is None or first.view != second.view:
        return None
    lines = _lines(first, second)
    if not lines:
        return None
    px = first.camera.px_per_mm
    a, b = (np.array([line[k][[0, -1]] for line in lines.values()]).reshape(-1, 2) for k in (0, 1))
    if len(lines) >= _FROM_FRETS:
        h, kept = _homography(b, a, MOST_MISFIT_MM * px)
    elif len(lines) == 2:
        h, kept = _affine(b, a), np.ones(len(a), dtype=bool)
    else:
        end = first.options.get("end") if first.view == "end" else None
        kept = np.array([end != "bass", end != "treble"])  # close up, the photo's border cuts the far end off
        h = _turned(b, a, kept, px / second.camera.px_per_mm)
    if h is None or float(np.mean(kept)) < (1.0 - _MOST_OFF if len(lines) > 1 else 0.5):
        return None
    off = np.linalg.norm(cv2.perspectiveTransform(b[kept][None], h)[0] - a[kept], axis=1) / px
    misfit = float(np.sqrt(np.mean(off**2))) if len(off) > 1 else None
    if misfit is not None and misfit > MOST_MISFIT_MM:
        return None
    size = (first.photo.width_px, first.photo.height_px)
    return Registration(tuple(map(float, (h / h[2, 2]).ravel())), size, tuple(lines), misfit)


def _lines(first: Inspection, second: Inspection) -> dict[int, tuple[Floats, Floats]]:
    """The lines along each fret that both photos show, from treble to bass."""
    theirs = {f.number: _line(f) for f in second.frets}
    both = ((f.number, _line(f), theirs.get(f.number)) for f in first.frets)
    return {n: (a, b) for n, a, b in both if a is not None and b is not None}


def _line(fret: FretReading) -> Floats | None:
    """The line along a fret: its arc where one was read, for wear does not move that."""
    arc: Sequence[tuple[float, float]] = next((o.points for o in fret.outlines if o.name == "arc"), ())
    return np.asarray(arc, dtype=np.float64) if len(arc) > 1 else line_along(fret)


def _homography(b: Floats, a: Floats, most_px: float) -> tuple[Floats | None, NDArray[np.bool_]]:
    h, kept = cv2.findHomography(b, a, cv2.RANSAC, most_px)
    found: Floats | None = None if kept is None or not np.any(kept) else np.asarray(h, dtype=np.float64)
    return found, np.ravel(kept).astype(bool)


def _affine(b: Floats, a: Floats) -> Floats:
    """The affine map by least squares."""
    p, *_ = np.linalg.lstsq(np.column_stack([b, np.ones(len(b))]), a, rcond=None)
    return np.vstack([p.T, [0.0, 0.0, 1.0]])


def _turned(b: Floats, a: Floats, kept: NDArray[np.bool_], factor: float) -> Floats:
    """The turn and shift that lay a line of two ends on another, its size changed by `factor`."""
    (va, vb), at = (p[1] - p[0] for p in (a, b)), (a[kept].mean(axis=0), b[kept].mean(axis=0))
    angle = np.arctan2(va[1], va[0]) - np.arctan2(vb[1], vb[0])
    turn = factor * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.vstack([np.column_stack([turn, at[0] - turn @ at[1]]), [0.0, 0.0, 1.0]])
