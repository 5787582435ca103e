"""Checking and backing up everything that is stored."""

from __future__ import annotations

import os
import sqlite3
import tempfile
import uuid
import zipfile
from contextlib import closing
from pathlib import Path

from sqlalchemy import select, text

from inspect_app.jobs.models import Job, Photo
from inspect_app.jobs.photo_files import place, sha256_of, stray_files, sweep
from inspect_app.jobs.records import StoreCheck
from inspect_app.jobs.store import DATABASE, PHOTOS, Store, reading
from shared.errors import StoreError

__all__ = ["back_up", "check_store"]


def check_store(store: Store, tidy: bool = False) -> StoreCheck:
    """Read everything stored and compare every photo file with its hash.

    With `tidy`, files that belong to no photo and are over a day old are deleted: an action that was cut short between
    a file and its row left them.
    """
    with reading(store) as session:
        problems = [r for r in session.scalars(text("PRAGMA integrity_check")) if r != "ok"]
        broken = session.execute(text("PRAGMA foreign_key_check"))
        problems += [f"{table} {number} refers to a missing row of {other}" for table, number, other, _ in broken]
        jobs = len(session.scalars(select(Job.id)).all())
        files = {(s, x): name for s, x, name in session.execute(select(Photo.sha256, Photo.suffix, Photo.name))}
    missing, damaged = [], []
    for (sha256, suffix), name in files.items():
        path = place(store.photos_dir, sha256, suffix)
        if not path.is_file():
            missing.append(f"{name} ({path.name})")
        elif not _has_hash(path, sha256):
            damaged.append(f"{name} ({path.name})")
    claimed = frozenset(sha256 for sha256, _ in files)
    if tidy:
        sweep(store.photos_dir, claimed)
    unclaimed = tuple(p.name for p in stray_files(store.photos_dir, claimed))
    return StoreCheck(
        store.data_dir, jobs, len(files), tuple(missing), tuple(damaged), unclaimed, tuple(map(str, problems))
    )


def _has_hash(path: Path, sha256: str) -> bool:
    try:
        return sha256_of(path) == sha256
    except OSError:
        return False


def back_up(store: Store, path: Path) -> Path:
    """Write everything stored into one zip file; unpacked anywhere, it is a data folder again.

    Raises
    ------
    StoreError
        If the file cannot be written; an earlier backup of that name is then still whole.
    """
    part = path.with_name(f"{path.name}.{uuid.uuid4().hex}.part")
    try:
        with zipfile.ZipFile(part, "x", zipfile.ZIP_STORED) as z:  # photos are compressed already
            _pack(store, z)
        with part.open("rb+") as f:
            os.fsync(f.fileno())
        os.replace(part, path)
    except (OSError, sqlite3.Error) as error:
        part.unlink(missing_ok=True)
        raise StoreError(
            f"The backup {path} can't be written: {getattr(error, 'strerror', None) or error}.",
            "Choose another place with enough free space.",
        ) from error
    return path


def _pack(store: Store, z: zipfile.ZipFile) -> None:
    """The database first, as it is at one moment; every photo file it names was stored before that moment."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / DATABASE
        with closing(sqlite3.connect(store.data_dir / DATABASE)) as source, closing(sqlite3.connect(copy)) as target:
            source.backup(target)
        z.write(copy, DATABASE)
    for file in sorted(store.photos_dir.glob("*/*")):
        if file.suffix != ".part":
            z.write(file, f"{PHOTOS}/{file.parent.name}/{file.name}")
