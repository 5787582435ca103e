"""Find or make the data folder and bring its database to the present form."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from platformdirs import user_data_path
from sqlalchemy import Engine
from sqlalchemy.exc import DatabaseError

from inspect_app.jobs.store import DATABASE, PHOTOS, Store, connect, store_error
from shared.errors import StoreError

__all__ = ["open_store"]


def open_store(data_dir: Path | None = None) -> Store:
    """Open the store in `data_dir`, or in the person's own data folder, making it if it is not there.

    Raises
    ------
    StoreError
        If the folder cannot be made or used, or was written by a newer version.
    """
    folder = Path(data_dir) if data_dir else user_data_path("inspect-app", appauthor=False)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # customers' names: for this person's eyes alone
        (folder / PHOTOS).mkdir(exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"The data folder {folder} can't be made: {error.strerror}.", "Choose another folder with --data."
        ) from error
    engine = connect(folder / DATABASE)
    try:
        _migrate(engine, folder)
    except DatabaseError as error:
        engine.dispose()
        raise store_error(error, folder) from error
    return Store(folder, engine)


def _migrate(engine: Engine, folder: Path) -> None:
    """Run the migrations the database lacks, in one transaction; a copy is kept of a store that held something."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    scripts = ScriptDirectory.from_config(config)
    with engine.connect() as connection:
        present = MigrationContext.configure(connection).get_current_revision()
    if present == scripts.get_current_head():
        return
    if present is not None:
        if present not in {s.revision for s in scripts.walk_revisions()}:
            raise StoreError(
                f"The data folder {folder} was written by a newer version.", "Install that version, or a later one."
            )
        _copy(folder / DATABASE, folder / f"jobs-before-{scripts.get_current_head()}.sqlite")
    with engine.execution_options(immediate=True).begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _copy(database: Path, to: Path) -> None:
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(to)) as target:
        source.backup(target)
