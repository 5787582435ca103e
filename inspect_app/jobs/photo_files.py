"""Photo files kept under their own hash: written whole and synced before anything refers to them, never changed."""

from __future__ import annotations

import hashlib
import os
import re
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

from shared.errors import StoreError

__all__ = [
    "STALE_S",
    "keep",
    "photo_names",
    "place",
    "set_aside",
    "sha256_of",
    "stray_files",
    "suffix_of",
    "sync_folder",
]

_MAGIC = (
    (b"\xff\xd8\xff", 0, ".jpg"),
    (b"\x89PNG\r\n\x1a\n", 0, ".png"),
    (b"WEBP", 8, ".webp"),
    (b"ftyp", 4, ".heic"),
)
"""First bytes of each format, where they stand, and the file ending."""
_PART = ".part"
STALE_S = 24 * 3600.0
"""Age at which an unfinished or unclaimed file is set aside: no action in progress is a day old."""
_OURS = re.compile(r"([0-9a-f]{2})/\1[0-9a-f]{62}\.(jpg|png|webp|heic|photo)")
_UNFINISHED = re.compile(r"[0-9a-f]{2}/[0-9a-f]{32}\.part")


def place(folder: Path, sha256: str, suffix: str) -> Path:
    """Where the file of this hash lies: ``photos/ab/abcdef….jpg``."""
    return folder / sha256[:2] / f"{sha256}{suffix}"


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, hexadecimal."""
    with path.open("rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()


def keep(folder: Path, data: bytes, sha256: str, suffix: str) -> Path:
    """Write the bytes under their hash, so that a crash leaves either the whole file or none under that name.

    A file that is already there with the right bytes (another job's, or left by an action that was cut short) is used
    as it is.

    Raises
    ------
    StoreError
        If the folder is read-only or the disk full; nothing is left behind then.
    """
    path = place(folder, sha256, suffix)
    if path.is_file() and sha256_of(path) == sha256:
        return path
    part = path.with_name(f"{uuid.uuid4().hex}{_PART}")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.parent.mkdir(mode=0o700, exist_ok=True)
        _write_synced(part, data)
        os.replace(part, path)
        sync_folder(path.parent)
    except OSError as error:
        _delete(part)
        raise StoreError(
            f"The photo can't be stored in {folder}: {error.strerror}.",
            "Free some space or allow writing there, then add it again; what was stored before is untouched.",
        ) from error
    return path


def _write_synced(path: Path, data: bytes) -> None:
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600), "wb") as f:
        f.write(data)
        f.flush()
        os.fsync(f.fileno())


def sync_folder(folder: Path) -> None:
    """Make the new name itself durable; Windows does not sync folders and keeps the name with the file."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _delete(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError:  # the disk refuses this too; `check --tidy` takes it later
        return


def photo_names(folder: Path) -> dict[str, Path]:
    """Every file below `folder` that has a stored photo's name, by its hash; what else lies there is not ours."""
    return {p.stem: p for p in sorted(folder.glob("??/*")) if _OURS.fullmatch(f"{p.parent.name}/{p.name}")}


def stray_files(folder: Path, claimed: frozenset[str]) -> Iterator[Path]:
    """Photo files below `folder` that no photo claims by its hash, and those left unfinished."""
    yield from (p for sha256, p in photo_names(folder).items() if sha256 not in claimed)
    yield from (p for p in sorted(folder.glob("??/*")) if _UNFINISHED.fullmatch(f"{p.parent.name}/{p.name}"))


def set_aside(folder: Path, claimed: frozenset[str], to: Path) -> tuple[Path, ...]:
    """Move stray files older than a day to another folder; younger ones may belong to an action still going on.

    Nothing is deleted: a photo that no job claims may be one whose job was lost.

    Raises
    ------
    StoreError
        If they can't be moved; what was not moved is where it was.
    """
    old = [p for p in stray_files(folder, claimed) if abs(time.time() - p.stat().st_mtime) > STALE_S]
    moved = []
    try:
        for path in old:
            to.mkdir(mode=0o700, exist_ok=True)
            target = to / path.name
            if not target.exists():
                os.replace(path, target)
                moved.append(target)
    except OSError as error:
        raise StoreError(f"Files can't be moved to {to}: {error.strerror}.", "Allow writing there.") from error
    return tuple(moved)


def suffix_of(data: bytes) -> str:
    """The file ending for a photo's bytes, by what they are and not by the name they came with."""
    for magic, at, suffix in _MAGIC:
        if data[at : at + len(magic)] == magic:
            return suffix
    return ".photo"
