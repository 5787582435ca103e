"""All rows of one job, taken out of one database and put into another without a change.

Values are handed on as SQLite holds them, not as the program understands them, so that a job comes back byte for byte.
Which tables belong to a job follows from their foreign keys: a table that a later form adds goes with it.
"""

from __future__ import annotations

import base64
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from graphlib import TopologicalSorter
from typing import Any

from inspect_app.jobs.seals import is_sealed, seal_row
from inspect_app.jobs.search import chosen_stage_key

__all__ = ["Rows", "job_born", "put_rows", "rows_of"]

Row = dict[str, Any]
Rows = dict[str, list[Row]]
"""Rows by table: numbers, texts, ``None``, and bytes as ``{"base64": text}``. Keys and what refers to them count from 1
in each table, whatever they are in a database. ``settings`` holds where a person said that the job stands."""

_NO_FOREIGN_KEY = {("fret_heights", "gauge_id"): "gauges"}
"""References that the database does not know as such: SQLite adds no constraint to a table that is there."""
_SETTINGS = "settings"


@dataclass(frozen=True, slots=True)
class _Table:
    """A table's columns, its own key where it has one, and which column refers to which table."""

    name: str
    columns: tuple[str, ...]
    key: tuple[str, ...]
    refers: Mapping[str, str]
    owner: str
    """The column that says to which row of another table a row belongs, empty where there is none."""


def job_born(connection: sqlite3.Connection, job_id: int) -> str:
    """What tells a job from every other wherever it is: the moment it was made, to the microsecond."""
    return str(connection.execute("SELECT created FROM jobs WHERE id = ?", (job_id,)).fetchone()[0])


def rows_of(connection: sqlite3.Connection, job_id: int) -> Rows:
    """Every row of a job, and those rows of the shop that it refers to."""
    tables = _tables(connection)
    tree = _tree(tables)
    ids: dict[str, dict[int, int]] = {}
    held = {name: _rows_of_table(connection, tables[name], ids, job_id) for name in tree}
    shop: dict[str, dict[int, int]] = {}
    out = {name: [_portable(connection, tables[name], row, ids, shop) for row in held[name]] for name in tree}
    for name in sorted(shop):
        found = [_row(connection, tables[name], at) for at in shop[name]]
        out[name] = [{c: _text(v) for c, v in row.items() if c != "id"} for row in found]
    key = (chosen_stage_key(job_id),)
    said = connection.execute(f"SELECT value, updated FROM {_SETTINGS} WHERE key = ?", key).fetchone()
    out[_SETTINGS] = [{"value": said[0], "updated": said[1]}] if said else []
    return {name: rows for name, rows in out.items() if rows}


def put_rows(connection: sqlite3.Connection, rows: Rows) -> int:
    """Put a job's rows into a database that does not hold it, within a transaction; returns the job's id there.

    A number that is taken there becomes the next that is free. Rows of the shop that are there already serve.

    Raises
    ------
    ValueError
        If the rows are not those of one job in this database's form.
    sqlite3.Error
        If the database refuses them.
    """
    connection.execute("PRAGMA defer_foreign_keys = ON")  # an inspection refers to the later one that followed it
    tables = _tables(connection)
    tree = _tree(tables)
    shop = {t for name in tree for t in tables[name].refers.values()} - set(tree)
    if set(rows) - set(tree) - shop - {_SETTINGS} or len(rows.get("jobs", ())) != 1:
        raise ValueError("these are not the rows of one job")
    ids = {name: {n: _shop_row(connection, tables[name], r) for n, r in enumerate(rows.get(name, ()), 1)}
           for name in sorted(shop)}  # fmt: skip
    for name in tree:
        first = _next_id(connection, name) if tables[name].key == ("id",) else 0
        ids[name] = {n: first + n - 1 for n in range(1, len(rows.get(name, ())) + 1)} if first else {}
    for name in tree:
        for n, row in enumerate(rows.get(name, ()), 1):
            _insert_row(connection, tables[name], row, n, ids)
    job_id = ids["jobs"][1]
    for row in rows.get(_SETTINGS, ()):
        _insert(connection, tables[_SETTINGS], {**row, "key": chosen_stage_key(job_id)})
    return job_id


def _tables(connection: sqlite3.Connection) -> dict[str, _Table]:
    names = [n for (n,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
    return {name: _table(connection, name) for name in names}


def _table(connection: sqlite3.Connection, name: str) -> _Table:
    info = connection.execute(f'PRAGMA table_info("{name}")').fetchall()
    refers = {f[3]: f[2] for f in connection.execute(f'PRAGMA foreign_key_list("{name}")')}
    refers |= {c: to for (table, c), to in _NO_FOREIGN_KEY.items() if table == name and c in {i[1] for i in info}}
    must = [i[1] for i in info if i[1] in refers and i[3] and refers[i[1]] != name]
    return _Table(name, tuple(i[1] for i in info), tuple(i[1] for i in info if i[5]), refers, must[0] if must else "")


def _tree(tables: Mapping[str, _Table]) -> list[str]:
    """The tables whose rows belong to a job, each after the one that its rows belong to."""
    above = {t.name: t.refers[t.owner] for t in tables.values() if t.owner}
    belongs = {name for name in above if "jobs" in _chain(name, above)}
    return [n for n in TopologicalSorter({n: {above[n]} for n in sorted(belongs)}).static_order() if n in tables]


def _chain(name: str, above: Mapping[str, str]) -> Iterable[str]:
    while name in above:
        name = above[name]
        yield name


def _rows_of_table(connection: sqlite3.Connection, t: _Table, ids: dict[str, dict[int, int]], job_id: int) -> list[Row]:
    """The job's rows of one table, in the order of their keys, which are noted in `ids` with the number each gets."""
    owners = [job_id] if t.name == "jobs" else list(ids[t.refers[t.owner]])
    column = "id" if t.name == "jobs" else t.owner
    found = [r for at in owners for r in _select(connection, t, column, at)]
    if t.key == ("id",):
        found.sort(key=lambda r: int(r["id"]))
        ids[t.name] = {int(r["id"]): n for n, r in enumerate(found, 1)}
    return found


def _select(connection: sqlite3.Connection, t: _Table, column: str, value: object) -> list[Row]:
    listed = ", ".join(f'"{c}"' for c in t.columns)
    rows = connection.execute(f'SELECT {listed} FROM "{t.name}" WHERE "{column}" = ?', (value,)).fetchall()
    return [dict(zip(t.columns, r, strict=True)) for r in rows]


def _row(connection: sqlite3.Connection, t: _Table, at: int) -> Row:
    return _select(connection, t, "id", at)[0]


def _portable(
    connection: sqlite3.Connection, t: _Table, row: Row, ids: dict[str, dict[int, int]], shop: dict[str, dict[int, int]]
) -> Row:
    out = {}
    for column, value in row.items():
        if column == "id" or value is None:
            continue
        to = t.refers.get(column)
        if to is None:
            out[column] = _text(value)
        elif to == "jobs" and column != t.owner:
            out[column] = job_born(connection, value)
        elif to in ids:
            out[column] = ids[to][value]
        else:
            out[column] = shop.setdefault(to, {}).setdefault(value, len(shop.get(to, {})) + 1)
    return out


def _text(value: Any) -> Any:
    return {"base64": base64.b64encode(value).decode()} if isinstance(value, bytes) else value


def _value(value: Any) -> Any:
    if isinstance(value, dict) and set(value) == {"base64"}:
        return base64.b64decode(value["base64"], validate=True)
    if value is not None and not isinstance(value, int | float | str):
        raise ValueError(f"{value!r} is no value of a row")
    return value


def _insert_row(
    connection: sqlite3.Connection, t: _Table, row: Row, n: int, ids: Mapping[str, Mapping[int, int]]
) -> None:
    """One row with its references as they are here; a link to a job that is not here is left out."""
    values: Row = {}
    for column, value in row.items():
        to = t.refers.get(column)
        if to == "jobs" and column != t.owner:
            there = connection.execute("SELECT id FROM jobs WHERE created = ?", (value,)).fetchone()
            if there is None:
                return
            values[column] = there[0]
        else:
            values[column] = _value(value) if to is None else ids[to][value]
    if t.key == ("id",):
        values["id"] = ids[t.name][n]
    if t.name == "jobs":
        _free_number(connection, values)
    _insert(connection, t, values)


def _free_number(connection: sqlite3.Connection, job: Row) -> None:
    number, searched = job["number"], job["search_text"]
    taken = connection.execute("SELECT 1 FROM jobs WHERE number = ?", (number,)).fetchone()
    if taken:
        job["number"] = int(connection.execute("SELECT max(number) FROM jobs").fetchone()[0]) + 1
        job["search_text"] = f"#{job['number']}" + searched.removeprefix(f"#{number}")


def _insert(connection: sqlite3.Connection, t: _Table, values: Row) -> None:
    if set(values) - set(t.columns):
        raise ValueError(f"{t.name} has no columns {sorted(set(values) - set(t.columns))}")
    listed, marks = ", ".join(f'"{c}"' for c in values), ", ".join("?" * len(values))
    connection.execute(f'INSERT INTO "{t.name}" ({listed}) VALUES ({marks})', tuple(values.values()))
    if is_sealed(connection):
        seal_row(connection, t.name, [values[c] for c in t.key])


def _shop_row(connection: sqlite3.Connection, t: _Table, row: Row) -> int:
    """The shop's row that says the same, entered if there is none."""
    values = {c: _value(v) for c, v in row.items()}
    if set(values) | {"id"} != set(t.columns):
        raise ValueError(f"{t.name} has other columns")
    where = " AND ".join(f'"{c}" IS ?' for c in values)
    found = connection.execute(f'SELECT id FROM "{t.name}" WHERE {where}', tuple(values.values())).fetchone()
    if found:
        return int(found[0])
    made = _next_id(connection, t.name)
    _insert(connection, t, {**values, "id": made})
    return made


def _next_id(connection: sqlite3.Connection, table: str) -> int:
    return int(connection.execute(f'SELECT coalesce(max(id), 0) + 1 FROM "{table}"').fetchone()[0])
