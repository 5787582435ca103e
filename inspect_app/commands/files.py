"""Files that commands read and write, each failure a sentence, and nothing that lay there lost."""

from __future__ import annotations

import filecmp
import os
import uuid
from collections.abc import Iterable, Iterator
from itertools import count
from pathlib import Path

from platformdirs import user_log_path

from shared.data_folder import DATABASE
from shared.errors import OptionError, StoreError

__all__ = ["free_place", "read_file", "refuse_over", "report_folder", "write_file"]


def read_file(path: Path) -> bytes:
    """The bytes of a file a person named, as `calib.photo.read_photo` reads them."""
    from calib.photo import read_photo  # loads the picture libraries, which papers and lists need not

    return read_photo(path)


def report_folder() -> Path:
    """Where reports of what nobody foresaw are kept."""
    return user_log_path("inspect-app", appauthor=False)


def refuse_over(path: Path | None, read: Iterable[Path]) -> None:
    """Refuse to write over one of the files that are read.

    Raises
    ------
    OptionError
        If `path` is one of them, by whatever name.
    """
    if path is not None and path.exists() and any(p.exists() and os.path.samefile(path, p) for p in read):
        raise OptionError(f"{path} is one of the files to read, and would be lost.", "Choose another name.")


def free_place(path: Path) -> None:
    """Make way for a file: what has its name already is kept beside it as ``NAME.~1~``, ``NAME.~2~`` …

    These are the names that GNU's file tools give numbered backups.

    Raises
    ------
    OptionError
        If it lies in a data folder, or is a folder itself.
    """
    _refuse_place(path)
    if path.is_file():
        os.replace(path, next(p for p in _numbered(path) if not p.exists()))


def _refuse_place(path: Path) -> None:
    if path.is_dir():
        raise OptionError(f"{path} is a folder.", "Name a file.")
    if any((above / DATABASE).is_file() for above in path.absolute().resolve().parents):
        raise OptionError(f"{path} lies in a data folder, where nothing else is written.", "Name a file elsewhere.")


def _numbered(path: Path) -> Iterator[Path]:
    return (path.with_name(f"{path.name}.~{n}~") for n in count(1))


def write_file(path: Path, data: bytes | Iterable[bytes]) -> None:
    """Write a file whole, with the folders above it; another one of its name is kept, as `free_place` says.

    Parts of it are written as they come, and under its name when all have; where they end is refused before the first.

    Raises
    ------
    OptionError
        As `free_place`.
    StoreError
        If it can't be written; what was there is then as it was.
    """
    parts = (data,) if isinstance(data, bytes) else data
    try:
        if path.exists() and not path.is_file() and not path.is_dir():  # a terminal or a pipe
            with path.open("wb") as out:
                out.writelines(parts)
            return
        _refuse_place(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f"{path.name}.{uuid.uuid4().hex}.part")
        try:
            with part.open("wb") as out:
                out.writelines(parts)
            if path.is_file() and filecmp.cmp(path, part, shallow=False):
                return
            free_place(path)
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(f"{path} can't be written: {error.strerror}.", "Choose another place for it.") from None
