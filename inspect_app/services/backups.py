"""Backing up everything that is stored, and making a data folder of a backup; both are read back before they count."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import sqlite3
import tempfile
import time
import uuid
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from inspect_app.jobs.photo_files import STALE_S, photo_names, place, sync_folder
from inspect_app.jobs.store import DATABASE, PHOTOS, Store, store_error
from inspect_app.services.store_check import UNREADABLE, claims, database_problems
from shared.errors import OptionError, StoreError

__all__ = ["Backup", "back_up", "restore"]

_NO_LOG = f"{DATABASE}-wal"
"""An empty one goes into the zip: unpacked by hand over a folder, it takes the place of a log that is not this
database's and would be played into it."""
_OLDEST, _NEWEST = (1980, 1, 1, 0, 0, 0), (2107, 12, 31, 23, 59, 58)
"""The dates a zip file can hold (APPNOTE.TXT 4.4.6: MS-DOS date and time)."""
_PHOTO = re.compile(rf"{PHOTOS}/([0-9a-f]{{2}})/(\1[0-9a-f]{{62}})(\.\w+)")
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was written, or the folder made of one, and what it lacks: nothing when it holds everything."""

    path: Path
    photos: int
    lacks: tuple[str, ...]


def back_up(store: Store, path: Path) -> Backup:
    """Write everything stored into one zip file and read that back; restored anywhere, it is a data folder again.

    A backup that lacks something, for it is missing or damaged in the data folder, is written under another name, so
    that it takes no good one's place.

    Raises
    ------
    OptionError
        If `path` is something this did not write, lies in the data folder, or holds what this data folder lacks.
    StoreError
        If the file cannot be written; an earlier backup of that name is then still whole.
    """
    _refuse_target(store, path)
    part = path.with_name(f"{path.name}.{uuid.uuid4().hex}.part")
    try:
        with os.fdopen(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600), "w+b") as f:
            with zipfile.ZipFile(f, "w", zipfile.ZIP_STORED) as z:  # photos are compressed already
                _pack(store, z)
            f.flush()
            os.fsync(f.fileno())
        photos, lacks = _read_back(part)
        path = _free_name(path) if lacks else path
        if path.exists():
            _refuse_to_lose(path, part)
        os.replace(part, path)
        sync_folder(path.parent)
    except sqlite3.Error as error:
        raise store_error(error, store.data_dir) from error
    except (OSError, zipfile.BadZipFile) as error:
        raise StoreError(
            f"The backup {path} can't be written: {getattr(error, 'strerror', None) or error}.",
            "Choose another place with enough free space.",
        ) from error
    finally:
        part.unlink(missing_ok=True)
    _sweep(path)
    return Backup(path, photos, lacks)


def _sweep(path: Path) -> None:
    """Take away what backups of this name left when they were killed, once no backup can still be writing it."""
    unfinished = re.compile(re.escape(path.name) + r"\.[0-9a-f]{32}\.part")
    for left in path.parent.iterdir():
        if unfinished.fullmatch(left.name) and time.time() - left.stat().st_mtime > STALE_S:
            left.unlink(missing_ok=True)


def _refuse_target(store: Store, path: Path) -> None:
    if path.is_dir():
        raise OptionError(f"{path} is a folder.", "Name a file for the backup.")
    if store.data_dir.resolve() in path.resolve().parents:
        raise OptionError(f"{path} lies in the data folder itself.", "Name a file elsewhere, best on another disk.")
    if path.exists() and not _is_backup(path):
        raise OptionError(f"{path} is no backup of this program and stays as it is.", "Choose another name.")


def _is_backup(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as z:
            return DATABASE in z.namelist() and all(_is_ours(n) for n in z.namelist())
    except (OSError, zipfile.BadZipFile):
        return False


def _is_ours(name: str) -> bool:
    return name in (DATABASE, _NO_LOG) or _PHOTO.fullmatch(name) is not None


def _free_name(path: Path) -> Path:
    """A name that is free, for a backup that is not whole."""
    names = (path.with_name(f"{path.stem}-lacking{n or ''}{path.suffix}") for n in range(10_000))
    return next(p for p in names if not p.exists())


def _pack(store: Store, z: zipfile.ZipFile) -> None:
    """The database first, as it is at one moment; every photo file it names was stored before that moment."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / DATABASE
        with closing(sqlite3.connect(store.data_dir / DATABASE)) as source, closing(sqlite3.connect(copy)) as target:
            source.backup(target)
        _add(z, copy, DATABASE)
    z.writestr(zipfile.ZipInfo(_NO_LOG), b"")
    for file in photo_names(store.photos_dir).values():
        _add(z, file, f"{PHOTOS}/{file.parent.name}/{file.name}")


def _add(z: zipfile.ZipFile, file: Path, name: str) -> None:
    entry = zipfile.ZipInfo.from_file(file, name, strict_timestamps=False)
    entry.date_time = min(max(entry.date_time, _OLDEST), _NEWEST)
    entry.external_attr = 0o600 << 16
    with file.open("rb") as source, z.open(entry, "w", force_zip64=True) as target:
        shutil.copyfileobj(source, target, _CHUNK)


def _read_back(path: Path) -> tuple[int, tuple[str, ...]]:
    """How many photos a backup holds, and what it lacks of what its database names; all of it is read."""
    with zipfile.ZipFile(path) as z, _database_in(z) as connection:
        problems = [f"the database: {p}" for p in database_problems(connection)]
        try:
            named = claims(connection)
        except UNREADABLE:  # among the problems already
            named = []
        held = {m[2]: info for info in z.infolist() if (m := _PHOTO.fullmatch(info.filename))}
        sound = {sha256 for sha256, info in held.items() if _hash_in(z, info) == sha256}
    lost = [f"the photo {c.name} ({c.sha256}{c.suffix})" for c in named if c.sha256 not in sound]
    return len(sound), (*problems, *lost)


@contextmanager
def _database_in(z: zipfile.ZipFile) -> Iterator[sqlite3.Connection]:
    """The database of a backup, unpacked for as long as it is looked at."""
    with tempfile.TemporaryDirectory() as folder:
        z.extract(DATABASE, folder)
        with closing(sqlite3.connect(Path(folder) / DATABASE, isolation_level=None)) as connection:
            yield connection


def _hash_in(z: zipfile.ZipFile, info: zipfile.ZipInfo) -> str:
    made = hashlib.sha256()
    try:
        with z.open(info) as f:
            while piece := f.read(_CHUNK):
                made.update(piece)
    except zipfile.BadZipFile:
        return ""
    return made.hexdigest()


def _refuse_to_lose(old: Path, new: Path) -> None:
    """An earlier backup is not replaced by one that lacks a photo or an action it holds: it is another folder's, or
    newer."""
    with zipfile.ZipFile(old) as was, zipfile.ZipFile(new) as will:
        gone = set(was.namelist()) - set(will.namelist())
        try:
            with _database_in(was) as before, _database_in(will) as now:
                behind = bool(_actions(before) - _actions(now))
        except (*UNREADABLE, zipfile.BadZipFile):  # the old one can't be read: nothing of it is lost
            return
    if gone or behind:
        raise OptionError(
            f"The backup {old} holds what this data folder does not, and stays as it is.", "Choose another name."
        )


def _actions(connection: sqlite3.Connection) -> set[tuple[int, str]]:
    """The last action a database knows; a database of an earlier version counts by its jobs."""
    there = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'actions'").fetchone()
    rows = (
        connection.execute("SELECT id, mark FROM actions") if there else connection.execute("SELECT id, '' FROM jobs")
    )
    return {(int(n), str(mark)) for n, mark in rows}


def restore(backup: Path, folder: Path) -> Backup:
    """Make a data folder of a backup, under its name only when all of it is there and read.

    Raises
    ------
    OptionError
        If `backup` is none, or `folder` holds something: what lies there, an old log of the database above all, would
        mix with what is restored.
    StoreError
        If it cannot be read or written; nothing half-made is left.
    """
    if folder.exists() and not (folder.is_dir() and not any(folder.iterdir())):
        raise OptionError(f"{folder} holds something already.", "Name a new folder; nothing is restored over another.")
    if not backup.is_file():
        raise OptionError(f"There is no file {backup}.", "Check its name.")
    if not _is_backup(backup):
        raise OptionError(f"{backup} is no backup of this program.", "Choose a file that `inspect-app backup` wrote.")
    part = folder.absolute().with_name(f"{folder.absolute().name}.{uuid.uuid4().hex}.part")
    try:
        photos, lacks = _read_back(backup)
        part.parent.mkdir(parents=True, exist_ok=True)
        part.mkdir(mode=0o700)
        _unpack(backup, part)
        if folder.is_dir():
            folder.rmdir()  # empty, as was checked
        os.replace(part, folder)
        sync_folder(folder.absolute().parent)
    except sqlite3.Error as error:
        raise StoreError(f"The database in {backup} can't be read: {error}.", "Use an earlier backup.") from error
    except (OSError, zipfile.BadZipFile) as error:
        raise StoreError(
            f"{backup} can't be restored to {folder}: {getattr(error, 'strerror', None) or error}.",
            "Choose another place with enough free space, or an earlier backup.",
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Backup(folder, photos, lacks)


def _unpack(backup: Path, folder: Path) -> None:
    """The database and the photos, each synced; nothing else that a zip file may hold."""
    with zipfile.ZipFile(backup) as z:
        for info in z.infolist():
            found = _PHOTO.fullmatch(info.filename)
            if info.filename != DATABASE and not found:
                continue
            to = place(folder / PHOTOS, found[2], found[3]) if found else folder / DATABASE
            to.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with z.open(info) as source, os.fdopen(os.open(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as f:
                shutil.copyfileobj(source, f, _CHUNK)
                f.flush()
                os.fsync(f.fileno())
    for at in (*folder.glob(f"{PHOTOS}/*"), folder / PHOTOS, folder):
        if at.is_dir():
            sync_folder(at)
