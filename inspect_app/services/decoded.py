"""Stored photos decoded and calibrated once, not at every move of a handle."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from calib.photo import Photo, open_photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.ask import Ask
from inspect_app.views import calibrate
from shared.errors import StoreError

__all__ = ["calibration", "decoded"]


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
