"""Any flipped bit is found: in every column of every table, in the schema, in every photo, anywhere in the database.

The command ``INSPECT_APP_FLIPS=1000 pytest …/test_flipped_bits.py`` flips that many bits of the database file.
"""

import json
import os
import random
import shutil
import sqlite3
from contextlib import closing

import pytest

from inspect_app import services
from inspect_app.cli import main
from inspect_app.jobs.store import DATABASE
from inspect_app.services.store_check import database_problems
from tests.conftest import rest_slow
from tests.inspect_app.promises.conftest import stored_in

FLIPS = int(os.environ.get("INSPECT_APP_FLIPS", "120"))
TABLES = (
    "jobs", "visits", "photos", "inspections", "judgements", "hand_measures", "prints", "settings", "wires", "terms",
    "estimates", "answers", "fret_heights", "gauge_readings", "fret_work", "same_instrument",
)  # fmt: skip


def copied(store, to):
    """The database in one file, as a backup holds it."""
    with closing(sqlite3.connect(store.data_dir / DATABASE)) as source, closing(sqlite3.connect(to)) as target:
        source.backup(target)
        target.execute("PRAGMA journal_mode = DELETE")
    return to


def flipped(value, rng):
    """The same value with one bit changed."""
    if isinstance(value, str):
        data = bytearray(value.encode())
        at = rng.randrange(len(data))
        data[at] ^= 1  # the lowest bit of an ASCII letter leaves it readable text
        return bytes(data).decode("utf-8", "replace")
    if isinstance(value, bytes):
        data = bytearray(value)
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        return bytes(data)
    if isinstance(value, float):
        return value * (1.0 + 2.0**-52) if value else 5e-324
    return value ^ 1


def cells(connection, table):
    """Every value of the table's first row that is not empty, but the keys: those may not be changed at all."""
    columns = [c[1] for c in connection.execute(f"PRAGMA table_info({table})") if not c[5]]
    row = connection.execute(
        f"SELECT {', '.join(map(json.dumps, columns))} FROM {table} ORDER BY rowid LIMIT 1"
    ).fetchone()
    return [(c, v) for c, v in zip(columns, row, strict=True) if v not in (None, "")]


@pytest.mark.parametrize("table", rest_slow(TABLES, 3))
def test_a_flip_in_any_column_is_found(full, tmp_path, table):
    rng = random.Random(17)
    path = copied(full, tmp_path / "copy.sqlite")
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        triggers = [n for (n,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]
        connection.executescript("".join(f"DROP TRIGGER {n};" for n in triggers))
        connection.execute("DELETE FROM seals WHERE of_row LIKE 'trigger %'")
        assert database_problems(connection) == ()
        tried = cells(connection, table)
        assert tried
        for column, value in tried:
            connection.execute("BEGIN")
            changed = f'UPDATE {table} SET "{column}" = ? WHERE rowid = (SELECT min(rowid) FROM {table})'
            assert connection.execute(changed, (flipped(value, rng),)).rowcount == 1
            assert any("is not as it was written" in p for p in database_problems(connection)), (table, column)
            connection.execute("ROLLBACK")


def test_every_table_is_watched(full):
    with closing(sqlite3.connect(full.data_dir / DATABASE)) as connection:
        there = {n for (n,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        sealed = {n for (n,) in connection.execute("SELECT DISTINCT of_table FROM seals")}
    assert sealed - {"sqlite_master"} == there - {"seals", "actions", "alembic_version", "sqlite_sequence"}
    assert set(TABLES) <= sealed


def test_a_row_that_is_gone_or_smuggled_in_is_found(full):
    with closing(sqlite3.connect(full.data_dir / DATABASE, isolation_level=None)) as connection:
        connection.execute("BEGIN")
        connection.execute("DELETE FROM judgements WHERE id = 1")
        assert "judgement 1 is gone" in database_problems(connection)
        connection.execute("ROLLBACK")
        connection.execute("INSERT INTO prints VALUES (99, 'strip', 100, 90, 0.9, '', '2026-01-01 00:00:00', 1, NULL)")
        assert any(p.startswith("printed scale 99 was not written") for p in database_problems(connection))


def test_a_dropped_trigger_is_found(full):
    with closing(sqlite3.connect(full.data_dir / DATABASE, isolation_level=None)) as connection:
        connection.execute("DROP TRIGGER estimates_frozen")
        assert "definition of trigger estimates_frozen is gone" in database_problems(connection)


@pytest.mark.slow
def test_a_flip_anywhere_in_the_database_is_found_or_changes_nothing_stored(full, tmp_path):
    rng = random.Random(20)
    path = copied(full, tmp_path / "copy.sqlite")
    whole, before, mutant = path.read_bytes(), stored_in(path), tmp_path / "mutant.sqlite"
    assert before is not None
    harmless, missed = 0, []
    for _ in range(FLIPS):
        data, at, bit = bytearray(whole), rng.randrange(len(whole)), rng.randrange(8)
        data[at] ^= 1 << bit
        mutant.write_bytes(data)
        try:
            with closing(sqlite3.connect(mutant)) as connection:
                found = database_problems(connection)
        except sqlite3.Error as error:
            found = (str(error),)
        if not found:
            same = stored_in(mutant) == before
            harmless += same
            missed += [] if same else [(at, bit)]
    assert missed == []
    assert harmless < FLIPS, "no flip met anything stored"


def test_a_flip_in_a_photo_file_is_found(full):
    rng = random.Random(3)
    files = [p for p in full.photos_dir.rglob("*") if p.is_file()]
    assert files
    for path in files:
        whole = path.read_bytes()
        for _ in range(10):
            data = bytearray(whole)
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            path.write_bytes(data)
            assert services.check_store(full).damaged
        path.write_bytes(whole)
    assert services.check_store(full).sound


def test_a_changed_depth_is_named_by_the_command(full, capsys):
    with closing(sqlite3.connect(full.data_dir / DATABASE)) as connection:
        connection.execute("UPDATE inspections SET answer = replace(answer, '0.15', '0.65') WHERE id = 1")
        connection.commit()
    assert main(["check", "--data", str(full.data_dir)]) == 1
    said = capsys.readouterr().out
    assert "database: inspection 1 is not as it was written" in said
    assert "tidy" not in said


def test_what_was_broken_before_an_upgrade_is_broken_after_it(full, tmp_path):
    from inspect_app.jobs import seals

    path = copied(full, tmp_path / "copy.sqlite")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE jobs SET customer = 'B. Customer' WHERE id = 1")
        broken = seals.differences(connection)
        connection.execute("ALTER TABLE jobs ADD COLUMN shelf VARCHAR NOT NULL DEFAULT ''")
        seals.renew(connection, broken)
        assert list(seals.differences(connection).values()) == ["job 1 is not as it was written"]


def test_a_store_copied_whole_is_whole(full, tmp_path):
    full.close()
    shutil.copytree(full.data_dir, tmp_path / "copy")
    assert main(["check", "--data", str(tmp_path / "copy")]) == 0
