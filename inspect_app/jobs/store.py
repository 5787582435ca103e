"""Opening the store, and its two kinds of transaction.

SQLite in write-ahead mode beside a folder of photo files. A user action is one transaction: it takes the write lock at
its start, so two windows wait for each other instead of failing half-way.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from json import dumps
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from inspect_app.jobs import last_action, seals
from inspect_app.jobs.seals import driver_connection
from shared.data_folder import DATABASE, PHOTOS
from shared.errors import StoreError

__all__ = ["Store", "connect", "reading", "writing", "store_error", "DATABASE", "PHOTOS"]

BUSY_MS = 5000
"""How long an action waits for another window's action: longer than any takes, and a person will wait it."""


@dataclass(frozen=True)
class Store:
    """An open store: its folder and its database."""

    data_dir: Path
    engine: Engine

    @property
    def photos_dir(self) -> Path:
        """Where the photo files lie."""
        return self.data_dir / PHOTOS

    def close(self) -> None:
        """Let go of the database file."""
        self.engine.dispose()


def connect(database: Path) -> Engine:
    """An engine on a SQLite file with foreign keys enforced and every commit synced to the disk."""
    engine = create_engine(
        URL.create("sqlite", database=str(database)),  # as it is: a `?` or `%20` in a folder's name is no option
        connect_args={"timeout": BUSY_MS / 1000.0},
        json_serializer=partial(dumps, allow_nan=False, ensure_ascii=False, separators=(",", ":")),
    )
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare(connection: sqlite3.Connection, _record: Any) -> None:
    connection.isolation_level = None  # the driver must not begin transactions of its own: `_begin` does
    _write_ahead(connection)
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")


def _write_ahead(connection: sqlite3.Connection) -> None:
    """Switch to write-ahead mode; windows that open a new store at one moment try again, for SQLite does not wait here
    (it would wait for itself: sqlite.org/wal.html, "Sometimes Queries Return SQLITE_BUSY In WAL Mode")."""
    end = time.monotonic() + BUSY_MS / 1000.0
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > end:
                raise
            time.sleep(0.01)


def _begin(connection: Connection) -> None:
    immediate = connection.get_execution_options().get("immediate", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")


@contextmanager
def reading(store: Store) -> Iterator[Session]:
    """A session that sees one moment of the store and changes nothing.

    Raises
    ------
    StoreError
        If the database cannot be read.
    """
    try:
        with Session(store.engine) as session:
            yield session
    except DatabaseError as error:
        raise store_error(error, store.data_dir) from error


@contextmanager
def writing(store: Store) -> Iterator[Session]:
    """A session whose changes are kept together when the block ends well, and not at all otherwise.

    Raises
    ------
    StoreError
        If the database cannot be written.
    """
    try:
        kept = None
        with Session(store.engine.execution_options(immediate=True)) as session, session.begin():
            event.listen(session, "after_flush", seals.seal_changed)
            known = last_action.forgotten(driver_connection(session), store.data_dir) is None
            yield session
            session.flush()
            if session.info.get("changed"):
                kept = last_action.add(driver_connection(session))
        if kept and known:  # a note of what an older database lacks is left for `check`
            last_action.note(store.data_dir, kept)
    except DatabaseError as error:
        raise store_error(error, store.data_dir) from error


_RESTORE = "Leave it as it is; `inspect-app restore BACKUP FOLDER` makes a new one of the last backup."
_CAUSES = (
    ("locked", "is in use by another program", "Close the other program, or try again in a moment."),
    ("full", "is on a full disk", "Free some space; what was stored before is untouched."),
    ("readonly", "is read-only", "Allow writing to it, or choose another folder with --data."),
    ("unable to open", "cannot be opened", "Check that it exists and may be written, or choose another with --data."),
    ("not a database", "does not hold a job store", "Choose another folder with --data, or restore a backup into it."),
    ("malformed", "is damaged", _RESTORE),
    ("codec can't decode", "is damaged", _RESTORE),
    ("no such", "is damaged: its database lacks a table or a column", _RESTORE),
    ("disk i/o", "is on a disk that fails to read or write", "Check the disk, then run `inspect-app check`."),
)


def store_error(error: Exception, data_dir: Path) -> StoreError:
    """The sentence for an error of the database or the file system."""
    text = str(getattr(error, "orig", None) or getattr(error, "strerror", None) or error)
    for sign, wrong, advice in _CAUSES:
        if sign in text.lower():
            return StoreError(f"The data folder {data_dir} {wrong}.", advice)
    return StoreError(f"The data folder {data_dir} can't be used: {text}.", "Run `inspect-app check`.")
