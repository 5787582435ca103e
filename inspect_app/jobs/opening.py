"""Find or make the data folder and bring its database to the present form."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import lru_cache
from pathlib import Path

from platformdirs import user_data_path
from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DatabaseError

from inspect_app.jobs import seals, store
from inspect_app.jobs.last_action import NOTE
from inspect_app.jobs.photo_files import photo_names
from inspect_app.jobs.store import DATABASE, PHOTOS, Store, connect, store_error
from shared.errors import StoreError

__all__ = ["form_of", "make_database", "open_store", "upgrade_database", "usual_folder"]

_BEFORE = "jobs-before-{}.sqlite"
_TURN = threading.Lock()
"""Held while a store is brought up: alembic keeps what it is at in one place for the whole process."""
_UPGRADE_MS = 60_000
"""How long a window waits for another that makes or upgrades the store: a large one on a slow disk takes a while."""


def usual_folder() -> Path:
    """The person's own data folder."""
    return user_data_path("inspect-app", appauthor=False)


def open_store(data_dir: Path | None = None, make: bool = True) -> Store:
    """Open the store in `data_dir`, or in the person's own data folder; with `make`, make it if it is not there.

    Raises
    ------
    StoreError
        If the folder is not there, cannot be made or used, was written by a newer version, or has lost its database;
        nothing in it is changed then.
    """
    folder = Path(data_dir) if data_dir else usual_folder()
    database = folder / DATABASE
    if not _is_filled(database):
        _refuse_what_is_no_new_folder(folder, make)
    else:
        _refuse_newer(database, folder)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # customers' names: for this person's eyes alone
        (folder / PHOTOS).mkdir(mode=0o700, exist_ok=True)
        os.close(os.open(database, os.O_WRONLY | os.O_CREAT, 0o600))  # SQLite gives its other files the same mode
    except OSError as error:
        raise StoreError(
            f"The data folder {folder} can't be made: {error.strerror}.", "Choose another folder with --data."
        ) from error
    engine = connect(database)
    try:
        with _TURN:
            _migrate(engine, folder)
    except (DatabaseError, sqlite3.DatabaseError, UnicodeDecodeError) as error:  # text that is none any more
        engine.dispose()
        raise store_error(error, folder) from error
    except StoreError:
        engine.dispose()
        raise
    return Store(folder, engine)


def _is_filled(database: Path) -> bool:
    try:
        return database.stat().st_size > 0
    except OSError:
        return False


def _refuse_what_is_no_new_folder(folder: Path, make: bool) -> None:
    """A folder that jobs were kept in is not begun anew, and one that is not there may be a slip of the pen."""
    left = _left_behind(folder)
    if _is_filled(folder / DATABASE):  # another window has made the store since it was looked for
        return
    if left:
        raise StoreError(
            f"The data folder {folder} holds {left}, but its database {DATABASE} is gone or empty.",
            "Leave it as it is; `inspect-app restore BACKUP FOLDER` makes a new one of the last backup.",
        )
    if make:
        return
    what = "holds no jobs" if folder.is_dir() else "is a file" if folder.exists() else "does not exist"
    raise StoreError(
        f"The data folder {folder} {what}.",
        "Check its name, and choose another folder with --data; `inspect-app --data FOLDER` makes a new one.",
    )


def _left_behind(folder: Path) -> str:
    """What shows that jobs were kept here before; nothing is opened, for SQLite would tidy up."""
    photos = len(photo_names(folder / PHOTOS))
    if photos:
        return f"{photos} photo{'s' * (photos != 1)}"
    old = [*folder.glob(_BEFORE.format("*")), *folder.glob(NOTE), folder / f"{DATABASE}-wal"]
    return next((p.name for p in old if _is_filled(p)), "")


def _refuse_newer(database: Path, folder: Path) -> None:
    """Look at the form of the store without writing: a newer version's folder is left untouched to the last byte."""
    log = database.with_name(f"{DATABASE}-wal")
    how = "mode=ro" if _is_filled(log) else "immutable=1"
    try:
        with closing(sqlite3.connect(f"{database.absolute().as_uri()}?{how}", uri=True)) as connection:
            present = _revision(connection)
    except (sqlite3.DatabaseError, UnicodeDecodeError):  # said when it is opened
        return
    if present is not None and present not in _known_forms():
        raise StoreError(
            f"The data folder {folder} was written by a newer version.", "Install that version, or a later one."
        )


def form_of(connection: sqlite3.Connection) -> str:
    """The form of an open store."""
    return str(_revision(connection))


def make_database(path: Path, form: str) -> bool:
    """Make an empty database in a form that this version knows; ``False``, and nothing made, if it does not."""
    if form not in _known_forms():
        return False
    _upgrade(path, form)
    return True


def upgrade_database(path: Path) -> None:
    """Bring a database that nobody else uses to the present form."""
    _upgrade(path, "head")


def _upgrade(path: Path, to: str) -> None:
    engine = connect(path)
    try:
        with _TURN, engine.execution_options(immediate=True).begin() as connection:
            _upgraded(connection, to)
    finally:
        engine.dispose()


def _revision(connection: sqlite3.Connection) -> str | None:
    """The form of the store, ``None`` where there is none yet."""
    if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").fetchone() is None:
        return None
    found = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(found[0]) if found else None


def _upgraded(connection: Connection, to: str) -> None:
    """Run migrations up to a form."""
    from alembic import command  # a quarter of a second to import, and a store is hardly ever upgraded
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, to)


@lru_cache(maxsize=1)
def _known_forms() -> tuple[str, ...]:
    """Every form this version knows, the present one first: each migration's file is called after its form."""
    names = (p.name for p in (Path(__file__).parent / "migrations" / "versions").glob("v????_*.py"))
    return tuple(sorted((name[1:5] for name in names), reverse=True))


def _migrate(engine: Engine, folder: Path) -> None:
    """Run the migrations the database lacks, in one transaction; a copy is kept of a store that held something."""
    with closing(engine.raw_connection()) as raw:
        present = _revision(_driver(raw.driver_connection))
    head = _known_forms()[0]
    if present == head:
        return
    if present is not None:
        _copy(folder / DATABASE, folder / _BEFORE.format(head))
    with engine.execution_options(immediate=True).connect() as connection, _patient_transaction(connection) as driver:
        if _revision(driver) is None:  # asked again: another window may have made the store meanwhile
            _refuse_emptied(folder)
        broken = seals.differences(driver) if seals.is_sealed(driver) else {}
        _upgraded(connection, "head")
        seals.renew(driver, broken)


@contextmanager
def _patient_transaction(connection: Connection) -> Iterator[sqlite3.Connection]:
    """A transaction that waits as long as another window may take to make or upgrade the store."""
    driver = _driver(connection.connection.driver_connection)
    driver.execute(f"PRAGMA busy_timeout = {_UPGRADE_MS}")
    try:
        with connection.begin():
            yield driver
    finally:
        driver.execute(f"PRAGMA busy_timeout = {store.BUSY_MS}")


def _driver(connection: object) -> sqlite3.Connection:
    assert isinstance(connection, sqlite3.Connection)
    return connection


def _refuse_emptied(folder: Path) -> None:
    photos = len(photo_names(folder / PHOTOS))
    if photos or (folder / NOTE).exists():
        raise StoreError(
            f"The data folder {folder} holds {photos} photos, but its database {DATABASE} has been emptied.",
            "Leave it as it is; `inspect-app restore BACKUP FOLDER` makes a new one of the last backup.",
        )


def _copy(database: Path, to: Path) -> None:
    """A copy of the database as it is; one that is there already, of an attempt that was cut short, is kept."""
    if to.exists():
        return
    part = to.with_name(f"{to.name}.part")
    part.unlink(missing_ok=True)
    os.close(os.open(part, os.O_WRONLY | os.O_CREAT, 0o600))
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(part)) as target:
        source.backup(target)
    os.replace(part, to)
