"""Every row sealed by its hash when it is written, in the same transaction, and compared with it when all is checked.

Rows are read as SQLite holds them, not as the program understands them: a bit that changes nothing the program looks at
is found as well. What a crash leaves is found by SQLite itself; seals find what a disk or another program changed.
"""

from __future__ import annotations

import hashlib
import sqlite3
import struct
from collections.abc import Iterable, Iterator
from typing import Any

from sqlalchemy import inspect
from sqlalchemy.orm import Session

__all__ = ["differences", "driver_connection", "is_sealed", "renew", "seal_changed", "seal_row"]

_SEALS = "seals"
_UNSEALED = (_SEALS, "actions", "alembic_version", "sqlite_sequence", "sqlite_stat1")
"""The seals themselves, for a changed one fits its row no more; marks, which the note beside the database is compared
with; the form of the store, which is refused when it is unknown; SQLite's own tables."""
_SCHEMA = "sqlite_master"
_KINDS = {
    "jobs": "job", "visits": "visit", "photos": "photo entry", "inspections": "inspection", "judgements": "judgement",
    "hand_measures": "hand measurement", "prints": "printed scale", "settings": "choice of the shop", "wires": "wire",
    "terms": "terms of job", "estimates": "estimate", "fret_heights": "fret height",
    "gauge_readings": "reading by gauge",
    "answers": "customer's answer", "print_bars": "check bar of a printed scale", "gauges": "gauge",
    "bench_checks": "known thing or repeat study", "lens_profiles": "lens profile",
    "fret_work": "work on the frets", "same_instrument": "earlier job of",
    _SCHEMA: "definition of",
}  # fmt: skip
"""What a person calls a row of each table."""


def seal_changed(session: Session, _flush: Any) -> None:
    """Seal what a session has just written; to be called after every flush, within its transaction."""
    changed = [*session.new, *session.dirty]
    connection = driver_connection(session)
    for thing in (*changed, *session.deleted):
        state = inspect(thing)
        table, keys = state.mapper.local_table.name, state.mapper.primary_key_from_instance(thing)
        if table not in _UNSEALED:
            session.info["changed"] = True
            seal_row(connection, table, keys)


def driver_connection(session: Session) -> sqlite3.Connection:
    """The connection below a session, in the session's transaction."""
    driver = session.connection().connection.driver_connection
    assert isinstance(driver, sqlite3.Connection)
    return driver


def seal_row(connection: sqlite3.Connection, table: str, keys: Iterable[Any]) -> None:
    """Seal one row as it is now, by its key's values; a row that is not there loses its seal."""
    columns, key_columns = _columns(connection, table)
    where = " AND ".join(f'"{c}" = ?' for c in key_columns)
    found = connection.execute(f"{_select(table, columns)} WHERE {where}", tuple(keys)).fetchone()
    if found is None:
        connection.execute(f"DELETE FROM {_SEALS} WHERE of_table = ? AND of_row = ?", (table, _name(keys)))
    else:
        _write(connection, table, _name(keys), _digest(columns, found))


def _write(connection: sqlite3.Connection, table: str, row: str, digest: str) -> None:
    connection.execute(f"INSERT OR REPLACE INTO {_SEALS} VALUES (?, ?, ?)", (table, row, digest))


def is_sealed(connection: sqlite3.Connection) -> bool:
    """Whether this database has seals at all: one of an earlier version has none."""
    return connection.execute(f"SELECT 1 FROM sqlite_master WHERE name = '{_SEALS}'").fetchone() is not None


def renew(connection: sqlite3.Connection, broken: Iterable[tuple[str, str]] = ()) -> None:
    """Seal everything as it is now, as after a migration; rows that were `broken` before keep their seal, and so stay
    broken."""
    kept = set(broken)
    for table, row, digest in _rows_to_seal(connection):
        if (table, row) not in kept:
            _write(connection, table, row, digest)
    here = {(table, row) for table, row, _ in _rows_to_seal(connection)} | kept
    for table, row in connection.execute(f"SELECT of_table, of_row FROM {_SEALS}").fetchall():
        if (table, row) not in here:
            connection.execute(f"DELETE FROM {_SEALS} WHERE of_table = ? AND of_row = ?", (table, row))


def differences(connection: sqlite3.Connection) -> dict[tuple[str, str], str]:
    """Rows that are not what was sealed, by table and key, each with a sentence; empty where all is as it was written.

    Raises
    ------
    sqlite3.DatabaseError
        If the database can't be read to its end.
    """
    sealed = {(t, r): digest for t, r, digest in connection.execute(f"SELECT of_table, of_row, sha256 FROM {_SEALS}")}
    found = {}
    for table, row, digest in _rows_to_seal(connection):
        kept = sealed.pop((table, row), None)
        if kept != digest:
            what = "is not as it was written" if kept else "was not written by this program, or its hash is lost"
            found[table, row] = f"{_KINDS.get(table, table)} {row} {what}"
    for table, row in sealed:
        found[table, row] = f"{_KINDS.get(table, table)} {row} is gone"
    return found


def _rows_to_seal(connection: sqlite3.Connection) -> Iterator[tuple[str, str, str]]:
    """Table, key and digest of every row that is sealed, and of every entry of the schema."""
    schema = connection.execute("SELECT type, name, sql FROM sqlite_master ORDER BY type, name").fetchall()
    for kind, name, sql in schema:
        yield _SCHEMA, f"{kind} {name}", hashlib.sha256(str(sql).encode()).hexdigest()
    for table in (name for kind, name, _ in schema if kind == "table" and name not in _UNSEALED):
        columns, key_columns = _columns(connection, table)
        at = [columns.index(c) for c in key_columns]
        for row in connection.execute(_select(table, columns)):
            yield table, _name(_text(row[2 * i + 1]) for i in at), _digest(columns, row)


def _columns(connection: sqlite3.Connection, table: str) -> tuple[list[str], list[str]]:
    """A table's columns by name, and those of its key."""
    info = connection.execute(f'PRAGMA table_info("{table}")').fetchall()
    return sorted(c[1] for c in info), [c[1] for c in sorted(info, key=lambda c: c[5]) if c[5]]


def _select(table: str, columns: Iterable[str]) -> str:
    """Type and value of each column; a text as its bytes, for a changed bit may make it unreadable as text."""
    parts = (
        f'typeof("{c}"), CASE typeof("{c}") WHEN \'text\' THEN CAST("{c}" AS BLOB) ELSE "{c}" END' for c in columns
    )
    return f'SELECT {", ".join(parts)} FROM "{table}"'


def _text(value: Any) -> Any:
    return value.decode("utf-8", "backslashreplace") if isinstance(value, bytes) else value


def _name(keys: Iterable[Any]) -> str:
    return "/".join(map(str, keys))


def _digest(columns: Iterable[str], row: tuple[Any, ...]) -> str:
    """SHA-256 over name, type and value of every column that holds something; lengths go before, so that none runs into
    the next."""
    made = hashlib.sha256()
    for name, kind, value in zip(columns, row[::2], row[1::2], strict=True):
        if kind != "null":
            for part in (name.encode(), kind.encode(), _bytes(value)):
                made.update(struct.pack(">Q", len(part)) + part)
    return made.hexdigest()


def _bytes(value: Any) -> bytes:
    if isinstance(value, bytes):
        return value
    return struct.pack(">d", value) if isinstance(value, float) else str(value).encode()
