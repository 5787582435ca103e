"""Pictures for papers, pages and exports: stored photos with their stored outlines, encoded anew.

Encoded anew, so that nothing of a file's own data (place, camera owner) leaves the shop.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.jobs.records import JobView, PhotoView
from inspect_app.jobs.store import Store
from inspect_app.reading.closeups import Window, closeup
from inspect_app.reading.overlay import draw
from inspect_app.reading.photo_registration import Registration
from inspect_app.services.photo_cache import decoded_photo
from inspect_app.services.photos import photo_path
from shared.errors import OptionError

__all__ = [
    "PICTURE_PX",
    "caption_of",
    "closeup_of",
    "frets_of",
    "numbered_frets",
    "of_visit",
    "photo_pairs",
    "picture_of",
    "shows_same",
    "upright",
]

PICTURE_PX = 1600
"""Longest side of a whole photo on paper: 200 dots an inch over a column of 8 inches."""
JPEG_QUALITY = 85
"""Of pictures on paper: a fret's edge shows no ringing at arm's length, and a paper with six stays under 3 MB."""


def upright(store: Store, photo: PhotoView) -> NDArray[np.uint8]:
    """A stored photo's pixels (height, width, 3), blue-green-red, the right way up."""
    return decoded_photo(photo_path(store, photo.sha256), photo.sha256).bgr


def picture_of(store: Store, photo: PhotoView, longest: int = PICTURE_PX, marked: bool = True) -> bytes:
    """A stored photo as JPEG, its stored outlines drawn on it, at most `longest` pixels on its long side."""
    bgr = upright(store, photo)
    return _encode(_shrink(draw(bgr, photo.inspection.answer) if marked and photo.inspection else bgr, longest))


def closeup_of(store: Store, photo: PhotoView, window: Window, laid: Registration | None = None) -> bytes:
    """A small piece of a stored photo as JPEG; `laid` where the window is of the photo that this one lies on."""
    if laid is None:
        return _encode(closeup(upright(store, photo), window))
    return _encode(closeup(upright(store, photo), window, laid.homography, laid.size))


def numbered_frets(
    store: Store,
    photo: PhotoView,
    lines: Sequence[tuple[tuple[float, float], tuple[float, float]]],
    names: Sequence[str],
    longest: int,
) -> bytes:
    """The piece of a stored photo that shows these frets, as JPEG, each line drawn with its number at its upper end."""
    bgr, ends = upright(store, photo), np.asarray(lines, dtype=np.float64).reshape(-1, 2)
    size = np.array(bgr.shape[1::-1])
    margin = 0.06 * float(np.ptp(ends, axis=0).max())
    low = np.clip(ends.min(axis=0) - (margin, 2.0 * margin), 0, size - 1).astype(int)
    high = np.clip(ends.max(axis=0) + margin, low + 2, size).astype(int)
    small = _shrink(bgr[low[1] : high[1], low[0] : high[0]], longest).copy()
    at = (ends - low) * (small.shape[1] / (high[0] - low[0]))
    for (a, b), name in zip(at.reshape(-1, 2, 2), names, strict=True):
        top = min(a, b, key=lambda p: float(p[1]))
        place = (round(float(top[0])) - 9 * len(name), max(26, round(float(top[1])) - 8))
        for colour, width in (((0, 0, 0), 6), ((66, 228, 240), 2)):  # as the viewer draws what is looked at
            cv2.line(
                small, np.round(a).astype(int).tolist(), np.round(b).astype(int).tolist(), colour, width, cv2.LINE_AA
            )
            cv2.putText(small, name, place, cv2.FONT_HERSHEY_SIMPLEX, 0.9, colour, width, cv2.LINE_AA)
    return _encode(small)


def caption_of(photo: PhotoView) -> str:
    """``elevation, fret 2``: the view, its end where it has one, the frets it shows, its note."""
    if photo.view == "finding":
        return photo.note or "Finding"
    numbers = sorted(f.number for f in photo.inspection.answer.frets) if photo.inspection else []
    named = f"fret {numbers[0]}" if len(numbers) == 1 else f"frets {numbers[0]} to {numbers[-1]}" if numbers else ""
    end = photo.inspection.ask.end if photo.inspection else None
    where = f"{photo.view}, {end}" if end else photo.view
    return ", ".join(w for w in (where, named, photo.note) if w)


def frets_of(photo: PhotoView) -> set[int]:
    """Numbers of the frets a photo was read for."""
    return {f.number for f in photo.inspection.answer.frets} if photo.inspection else set()


def shows_same(old: PhotoView, new: PhotoView) -> bool:
    """Whether both are of one view, of one end where the view is of an end, and of a fret they share."""
    ends = [p.inspection.ask.end if p.inspection else None for p in (old, new)]
    return old.view == new.view and ends[0] == ends[1] and bool(frets_of(old) & frets_of(new))


def photo_pairs(job: JobView, before: str, after: str, most: int = 4) -> list[tuple[PhotoView, PhotoView]]:
    """Photos of one view that share the most frets, before and after."""
    pairs = []
    for new in (p for p in job.photos if p.visit.label == after and p.inspection):
        olds = [p for p in job.photos if p.visit.label == before and shows_same(p, new)]
        if olds:
            pairs.append((max(olds, key=lambda p: len(frets_of(p) & frets_of(new))), new))
    return pairs[:most]


def of_visit(photos: Iterable[PhotoView], visit: str, view: str) -> list[PhotoView]:
    """Measured photos of one view at one visit."""
    return [p for p in photos if p.visit.label == visit and p.view == view and p.inspection is not None]


def _shrink(bgr: NDArray[np.uint8], longest: int) -> NDArray[np.uint8]:
    """The picture with its long side at most `longest` pixels."""
    factor = longest / max(bgr.shape[:2])
    if factor >= 1.0:
        return bgr
    size = [max(1, round(factor * n)) for n in bgr.shape[1::-1]]
    return np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _encode(bgr: NDArray[np.uint8]) -> bytes:
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise OptionError("A picture could not be written.", "Choose a smaller size.")
    return bytes(data)
