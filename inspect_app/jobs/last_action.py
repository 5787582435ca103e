"""A note beside the database of the last action it was told to keep: a database that does not know it is an older one.

The note is written after the database has kept the action, so a crash leaves it behind the database, never ahead.
"""

from __future__ import annotations

import json
import os
import secrets
import sqlite3
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

__all__ = ["NOTE", "Action", "add", "forgotten", "note", "noted"]

NOTE = "last-action.json"


@dataclass(frozen=True, slots=True)
class Action:
    """An action's number, its mark, and when it was kept (ISO 8601, UTC)."""

    id: int
    mark: str
    at: str


def add(connection: sqlite3.Connection) -> Action:
    """Enter one more action, within the transaction that makes it."""
    mark = secrets.token_hex(8)
    made = connection.execute("INSERT INTO actions (mark) VALUES (?)", (mark,))
    return Action(int(made.lastrowid or 0), mark, datetime.now(UTC).isoformat(timespec="seconds"))


def noted(data_dir: Path) -> Action | None:
    """The action noted in this folder, ``None`` where there is no readable note: it is a witness, not a record."""
    try:
        held = json.loads((data_dir / NOTE).read_text(encoding="utf-8"))
        return Action(int(held["id"]), str(held["mark"]), str(held["at"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def forgotten(connection: sqlite3.Connection, data_dir: Path) -> Action | None:
    """The noted action, if this database does not know it."""
    last = noted(data_dir)
    if last is None:
        return None
    known = connection.execute("SELECT mark FROM actions WHERE id = ?", (last.id,)).fetchone()
    return None if known == (last.mark,) else last


def note(data_dir: Path, action: Action) -> None:
    """Note an action that was kept; where that is not possible the older note stays, which is true as well."""
    part = data_dir / f"{NOTE}.{action.mark}.part"
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as f:
            json.dump(asdict(action), f)
        os.replace(part, data_dir / NOTE)
    except OSError:
        part.unlink(missing_ok=True)
