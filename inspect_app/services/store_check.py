"""Checking everything that is stored: every row and every photo file against its hash."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from inspect_app.jobs import last_action, seals
from inspect_app.jobs.photo_files import STALE_S, photo_names, place, set_aside, sha256_of, stray_files
from inspect_app.jobs.records import StoreCheck
from inspect_app.jobs.store import DATABASE, Store, store_error
from shared.data_folder import PREVIEWS

__all__ = ["UNREADABLE", "Claim", "changed_estimates", "check_store", "claims", "database_problems"]

UNREADABLE = (sqlite3.DatabaseError, ValueError)
"""What reading a damaged database ends in; text that is no text any more is a `ValueError`."""
SET_ASIDE = "set-aside"
"""Folder of a data folder for files that belong to no photo."""


class Claim(NamedTuple):
    """A photo file that the database names."""

    sha256: str
    suffix: str
    name: str


def check_store(store: Store, tidy: bool = False) -> StoreCheck:
    """Read everything stored and compare every row and every photo file with its hash.

    With `tidy`, files that belong to no photo and are over a day old are moved to the folder `set-aside`: an action
    that was cut short between a file and its row left them. Where anything is missing or damaged they stay, for they
    may be what is missing.
    """
    with closing(_reader(store)) as connection:
        problems = database_problems(connection)
        try:
            files, jobs = claims(connection), int(connection.execute("SELECT count(*) FROM jobs").fetchone()[0])
            behind = last_action.forgotten(connection, store.data_dir)
        except UNREADABLE:  # said among the problems
            files, jobs, behind = [], 0, None
    if behind is not None:
        problems = (f"it does not know what was stored on {behind.at}: it is an older one, or another's", *problems)
    there = photo_names(store.photos_dir)
    missing = tuple(f"{f.name} ({place(Path(), *f[:2]).name})" for f in files if not _is_there(store, f))
    damaged = tuple(
        f"{f.name} ({path.name})"
        for f in files
        if _is_there(store, f) and not _has_hash(path := place(store.photos_dir, *f[:2]), f.sha256)
    )
    claimed = frozenset(f.sha256 for f in files)
    lost = tuple(p.name for sha256, p in there.items() if sha256 not in claimed and _has_hash(p, sha256))
    if tidy and not (missing or damaged or problems):
        set_aside(store.photos_dir, claimed, store.data_dir / SET_ASIDE)
        _sweep_previews(store.data_dir / PREVIEWS)
    unclaimed = tuple(p.name for p in stray_files(store.photos_dir, claimed))
    return StoreCheck(store.data_dir, jobs, len(files), missing, damaged, unclaimed, problems, lost)


def _sweep_previews(folder: Path) -> None:
    """Previews that were left half-written: each is made anew from its photo."""
    for part in folder.glob("??/*.part"):
        if time.time() - part.stat().st_mtime > STALE_S:
            part.unlink(missing_ok=True)


def _reader(store: Store) -> sqlite3.Connection:
    """A connection that sees one moment of the store."""
    connection = sqlite3.connect(store.data_dir / DATABASE, isolation_level=None)
    try:
        connection.execute("BEGIN")
    except sqlite3.DatabaseError as error:
        connection.close()
        raise store_error(error, store.data_dir) from error
    return connection


def database_problems(connection: sqlite3.Connection) -> tuple[str, ...]:
    """What is wrong in a database: pages that do not fit together, rows that refer to none, rows that changed.

    A database that can't be read to its end has a problem too; nothing is raised.
    """
    found: list[str] = []
    for look in (_broken_pages, _dangling_rows, _changed_rows, changed_estimates):
        try:
            found += look(connection)
        except (*UNREADABLE, KeyError, TypeError, AttributeError, OverflowError) as error:
            found.append(f"it can't be read to its end ({error})")
    return tuple(dict.fromkeys(found))


def _broken_pages(connection: sqlite3.Connection) -> list[str]:
    return [r for (r,) in connection.execute("PRAGMA integrity_check") if r != "ok"]


def _dangling_rows(connection: sqlite3.Connection) -> list[str]:
    broken = connection.execute("PRAGMA foreign_key_check")
    return [f"{table} {number} refers to a missing row of {other}" for table, number, other, _ in broken]


def _changed_rows(connection: sqlite3.Connection) -> list[str]:
    return list(seals.differences(connection).values())


def changed_estimates(connection: sqlite3.Connection) -> list[str]:
    """Estimates whose content is not the one they were hashed with: these had a hash before all rows had one.

    The content is hashed as it is stored: read by the present version it may have gained fields.
    """
    rows = connection.execute("SELECT id, content, content_hash FROM estimates").fetchall()
    return [
        f"estimate {number} is not as it was written" for number, content, kept in rows if _hash_of(content) != kept
    ]


def _hash_of(content: str) -> str:
    text = json.dumps(json.loads(content), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def claims(connection: sqlite3.Connection) -> list[Claim]:
    """The photo files that the database names, each once."""
    rows = connection.execute("SELECT sha256, suffix, name FROM photos ORDER BY id").fetchall()
    return list({(s, x): Claim(str(s), str(x), str(n)) for s, x, n in rows}.values())


def _is_there(store: Store, claim: Claim) -> bool:
    return place(store.photos_dir, claim.sha256, claim.suffix).is_file()


def _has_hash(path: Path, sha256: str) -> bool:
    try:
        return sha256_of(path) == sha256
    except OSError:
        return False
