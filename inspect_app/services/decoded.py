"""Stored photos decoded, calibrated and looked at once, not at every move of a handle."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

from calib.photo import Photo, open_photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.measure import Look, calibrate, look
from inspect_app.reading.ask import Ask
from shared.errors import StoreError

__all__ = ["calibration", "decoded", "look_ahead", "looked"]

_WORK = ThreadPoolExecutor(max_workers=1, thread_name_prefix="looking")
"""One photo at a time: looking at two at once would only make both slower for the person who waits for one."""


@lru_cache(maxsize=2)  # a 24-megapixel photo takes 72 MB: the one in view and the one before it
def decoded(path: Path, sha256: str) -> Photo:
    """The photo in this file, its bytes checked against its hash.

    Raises
    ------
    StoreError
        If the file is gone or no longer what was stored.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise StoreError(
            f"The photo file {path.name} can't be read: {error.strerror}.", "Restore it from a backup."
        ) from error
    photo = open_photo(data, path.name)
    if photo.sha256 != sha256:
        raise StoreError(f"The photo file {path.name} has changed since it was stored.", "Restore it from a backup.")
    return photo


def calibration(path: Path, sha256: str, ask: Ask) -> tuple[Scale, Plane]:
    """The scale `ask` names in this photo, and its plane.

    Raises
    ------
    ScaleError
        If it is not there.
    """
    return _calibration(path, sha256, Ask(ask.view, ask.scale))


@lru_cache(maxsize=8)  # a few kB each
def _calibration(path: Path, sha256: str, only_scale: Ask) -> tuple[Scale, Plane]:
    return calibrate(decoded(path, sha256), only_scale)


def looked(path: Path, sha256: str, ask: Ask) -> Look:
    """The readings of a stored photo for any edges placed on it by hand; looked at once for all other of the question.

    Raises
    ------
    InspectError
        If nothing can be measured.
    """
    seen = _looking(path, sha256, replace(ask, hand_edges=()))
    try:
        return seen.result()
    except Exception:
        _looking.cache_clear()  # the file may be back, the photo asked about differently: look again next time
        raise


def look_ahead(path: Path, sha256: str, ask: Ask) -> None:
    """Begin to look at a photo that someone has before them, so that the first handle let go is answered at once."""
    seen = _looking(path, sha256, replace(ask, hand_edges=()))
    if not seen.done():  # it comes before this in the line, so waiting for it keeps nothing up
        _WORK.submit(lambda: seen.result()(ask))  # all its readings are then at hand


@lru_cache(maxsize=2)  # each holds its photo: the one in view and the one before it
def _looking(path: Path, sha256: str, without_hand: Ask) -> Future[Look]:
    def begin() -> Look:
        return look(decoded(path, sha256), without_hand, calibration(path, sha256, without_hand))

    return _WORK.submit(begin)
