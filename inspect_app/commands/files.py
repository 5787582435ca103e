"""Files that commands read and write, each failure a sentence."""

from __future__ import annotations

from pathlib import Path

from shared.errors import PhotoError, StoreError

__all__ = ["read_file", "write_file"]


def read_file(path: Path) -> bytes:
    """The bytes of a file.

    Raises
    ------
    PhotoError
        If it can't be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise PhotoError(f"{path} can't be read: {error.strerror}.", "Check the name of the file.") from None


def write_file(path: Path, data: bytes) -> None:
    """Write a file, with the folders above it.

    Raises
    ------
    StoreError
        If it can't be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise StoreError(f"{path} can't be written: {error.strerror}.", "Choose another place for it.") from None
