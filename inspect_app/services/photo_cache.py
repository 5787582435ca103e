"""Stored photos decoded, calibrated and looked at once: not at every move of a handle, nor once a thread."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Condition
from typing import TYPE_CHECKING

from cachetools import LRUCache, cached

from calib.photo import Photo, open_photo, read_photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.reading.ask import Ask
from shared.errors import InspectError, StoreError

if TYPE_CHECKING:
    from inspect_app.measure import Look

__all__ = ["calibration", "decoded_photo", "look_ahead", "detected_photo", "stored_bytes"]

_BYTES_A_PIXEL = 9
"""What is kept of a photo: 3 of colour, 1 of luma, and at most 4.7 that a view makes of them (measured, elevation)."""
_KEPT_BYTES = 600_000_000
"""Five photos of 12 megapixels, or two of 24 (the one in view and the one before it): half of what measuring takes."""
_MOST_PHOTOS = 32
"""More small ones than a job has; what is kept of each besides its pixels stays below a fiftieth of the whole."""
_WORK = ThreadPoolExecutor(max_workers=1, thread_name_prefix="looking")
"""Looks ahead at one photo at a time: at two at once, each would be ready later."""


@dataclass(frozen=True, eq=False)
class _Opened:
    """A decoded photo and what was found in it, kept and let go together; a question being answered is waited for."""

    photo: Photo
    calibration: Callable[[Ask], tuple[Scale, Plane] | InspectError]
    """An error is kept as well: a photo without a scale takes as long to look at, and never gets one."""
    look: Callable[[Ask], Look]


def _opened_as(photo: Photo) -> _Opened:
    """A decoded photo that nothing was asked of yet; measuring is loaded when something is, for papers need none."""

    @cached(LRUCache(4), condition=Condition())
    def calibrated(ask: Ask) -> tuple[Scale, Plane] | InspectError:
        from inspect_app.measure import calibrate

        try:
            return calibrate(photo, ask)
        except InspectError as error:
            return error

    @cached(LRUCache(1), condition=Condition())  # the question that stands
    def looked(ask: Ask) -> Look:
        from inspect_app.measure import look

        return look(photo, ask, _or_raise(calibrated(_only_scale(ask))))

    return _Opened(photo, calibrated, looked)


def _or_raise(found: tuple[Scale, Plane] | InspectError) -> tuple[Scale, Plane]:
    if isinstance(found, InspectError):
        raise found.with_traceback(None)  # else each time it is raised would add to the last
    return found


def _kept_bytes(at: _Opened) -> int:
    """What a photo counts for; one larger than all that may be kept is kept alone."""
    pixels = at.photo.width * at.photo.height
    return min(max(_BYTES_A_PIXEL * pixels, _KEPT_BYTES // _MOST_PHOTOS), _KEPT_BYTES)


_KEPT: LRUCache[Hashable, _Opened] = LRUCache(_KEPT_BYTES, _kept_bytes)
_TURN = Condition()
"""Held while `_KEPT` is looked into or changed, and told when a photo is ready; not held while one is decoded."""


_Stamp = tuple[int, int]


@cached(_KEPT, condition=_TURN)
def _read(path: Path, sha256: str, stamp: _Stamp) -> _Opened:
    return _opened_as(open_photo(_checked_bytes(path, sha256), path.name))


def _checked_bytes(path: Path, sha256: str) -> bytes:
    data = read_photo(path)
    if hashlib.sha256(data).hexdigest() != sha256:  # before it is decoded: what took its place need not be a photo
        raise StoreError(f"The photo file {path.name} has changed since it was stored.", "Restore it from a backup.")
    return data


def _stamp(path: Path) -> _Stamp:
    """Size and time of the last change, ns: memory is no answer for a file that was changed or lost since."""
    at = path.stat()
    return at.st_size, at.st_mtime_ns


def _opened(path: Path, sha256: str) -> _Opened:
    try:
        return _read(path, sha256, _stamp(path))
    except OSError as error:
        raise _unreadable(path, error) from error


def stored_bytes(path: Path, sha256: str) -> bytes:
    """A stored photo as it came.

    Raises
    ------
    StoreError
        If the file is gone or no longer what was stored.
    """
    try:
        _stamp(path)
        return _checked_bytes(path, sha256)
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> StoreError:
    return StoreError(f"The photo file {path.name} can't be read: {error.strerror}.", "Restore it from a backup.")


def decoded_photo(path: Path, sha256: str) -> Photo:
    """The photo in this file, its bytes checked against its hash.

    Raises
    ------
    PhotoError
        If it is not a photo that can be measured.
    StoreError
        If the file is gone or no longer what was stored.
    """
    return _opened(path, sha256).photo


def calibration(path: Path, sha256: str, ask: Ask) -> tuple[Scale, Plane]:
    """The scale `ask` names in this photo, and its plane.

    Raises
    ------
    InspectError
        As `decoded_photo`; if the scale is not there.
    """
    return _or_raise(_opened(path, sha256).calibration(_only_scale(ask)))


def detected_photo(path: Path, sha256: str, ask: Ask) -> Look:
    """The readings of a stored photo for any edges placed on it by hand; looked at once for all other of the question.

    Raises
    ------
    InspectError
        As `decoded_photo`; if nothing can be measured.
    """
    return _opened(path, sha256).look(replace(ask, hand_edges=()))


def look_ahead(path: Path, sha256: str, ask: Ask) -> None:
    """Begin to look at a photo that someone has before them, so that the first handle let go is answered at once.

    What goes wrong is not said here: it does so again when someone asks.
    """
    _WORK.submit(lambda: detected_photo(path, sha256, ask)(ask))  # all its readings are then at hand


def _only_scale(ask: Ask) -> Ask:
    return Ask(ask.view, ask.scale, lens=ask.lens, lenses=ask.lenses)
