"""A whole job out of a data folder and back into one: every row and photo byte for byte, and never twice."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

from sqlalchemy import select
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session, undefer

from calib.photo import MAX_BYTES
from inspect_app.decide.agreement import Status
from inspect_app.decide.estimate import totals
from inspect_app.jobs import loading
from inspect_app.jobs.models import Base, Job
from inspect_app.jobs.opening import form_of, make_database, upgrade_database
from inspect_app.jobs.photo_files import keep, place
from inspect_app.jobs.seals import driver_connection
from inspect_app.jobs.store import DATABASE, Store, connect, reading, store_error, writing
from inspect_app.jobs.whole_job import Rows, put_rows, rows_of
from inspect_app.measure.one_photo import look_over
from inspect_app.services import workers
from inspect_app.services.agreements import agreed_of
from inspect_app.services.deciding import decide, terms
from inspect_app.services.estimating import estimates
from inspect_app.services.gauge_readings import check_gauge_readings
from inspect_app.services.heights import check_fret_history
from inspect_app.services.jobs import job_view
from inspect_app.services.photo_cache import stored_bytes
from inspect_app.services.review import readings
from inspect_app.services.rows import row
from inspect_app.services.store_check import changed_estimates
from shared.errors import InspectError, OptionError
from shared.worker_processes import outcome

__all__ = ["Imported", "import_job", "whole_job"]

_ROWS, _PHOTOS = "job/rows.json", "job/photos"
_KIND = "inspect-app job"
_MOST_ROW_BYTES = 1_000_000_000
"""Of a file of rows: some hundred photos with a megabyte of answer for each of ten inspections."""
_DENSEST = 100
"""Times that a file of an export may be smaller packed: rows pack ten to twenty times, while deflate reaches a thousand
on what only repeats, and reading that would fill the memory."""
_LARGEST = 1e12
"""No length in mm, no count and no price in minor units is larger, nor is a sum of a few finite then."""
_SHOP, _LINK = ("wires", "gauges", "prints"), "same_instrument"
_UNREADABLE = (
    sqlite3.Error,
    DatabaseError,
    ValueError,
    LookupError,
    TypeError,
    AttributeError,
    ArithmeticError,
    RecursionError,
)
"""What reading rows that are none can end in: those of a file made to harm are of any type, size and depth."""
_PHOTO = re.compile(r"[0-9a-f]{64}\.(jpg|png|webp|heic|photo)")


@dataclass(frozen=True, slots=True)
class Imported:
    """The job that was taken in, or that was there already and is the same."""

    number: int
    photos: int
    already_there: bool
    number_was: int


def whole_job(store: Store, job_id: int) -> list[tuple[str, bytes]]:
    """Files that `import_job` makes the job of again: its rows, and its photos as they came, with all they say.

    Raises
    ------
    StoreError
        If a photo is missing or changed.
    """
    with reading(store) as session:
        row(session, Job, job_id, "job")
        connection = driver_connection(session)
        form, rows = form_of(connection), rows_of(connection, job_id)
    out = [(_ROWS, _written(form, rows))]
    for sha256, suffix in sorted({(p["sha256"], p["suffix"]) for p in rows.get("photos", ())}):
        out.append((f"{_PHOTOS}/{sha256}{suffix}", stored_bytes(place(store.photos_dir, sha256, suffix), sha256)))
    return out


def _written(form: str, rows: Rows) -> bytes:
    held = {"kind": _KIND, "form": form, "sha256": _digest(rows), "rows": rows}
    return (json.dumps(held, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()


def _digest(rows: Rows) -> str:
    text = json.dumps(rows, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def import_job(store: Store, path: Path) -> Imported:
    """Take in the job of an export that was written whole, all of it or nothing.

    A job that is here already, from an earlier import or because it was made here, is not taken in again. Its number
    stays where it is free. Wires and gauges that it names are entered where the shop has none such.

    Raises
    ------
    OptionError
        If the file is no such export or damaged, or the job is here and says something else.
    PhotoError
        If one of its photos is none.
    StoreError
        If it can't be stored.
    """
    rows = _read_through(path, *_rows_in(path))
    number = int(rows["jobs"][0]["number"])
    there = _job_already_here(store, rows)
    if there is not None:
        return there
    photos = {(str(p["sha256"]), str(p["suffix"])): str(p["name"]) for p in rows.get("photos", ())}
    for at, name in photos.items():  # each is looked at, as any that comes in, before the first is kept
        outcome(workers.submit(look_over, _photo_in(path, *at), name), name)
    for at in photos:
        keep(store.photos_dir, _photo_in(path, *at), *at)
    try:
        with writing(store) as session:
            if _job_born_at(driver_connection(session), str(rows["jobs"][0]["created"])) is None:
                job_id = put_rows(driver_connection(session), rows)
                session.info["changed"] = True
                return Imported(row(session, Job, job_id, "job").number, len(photos), False, number)
    except sqlite3.OperationalError as error:  # of the disk, not of the rows
        raise store_error(error, store.data_dir) from error
    except sqlite3.IntegrityError as error:  # what may be there once only is there already
        raise OptionError(f"{path} holds something of a job that is here: {error}.", "Nothing was changed.") from error
    return _job_already_here(store, rows) or Imported(
        number, len(photos), True, number
    )  # another window took it in meanwhile


def _read_through(path: Path, form: str, rows: Rows) -> Rows:
    """The rows in this version's form, put into a data folder of their own and read there to the last value: what can't
    be read is not let in."""
    with tempfile.TemporaryDirectory() as folder:
        database = Path(folder) / DATABASE
        if not make_database(database, form):
            raise OptionError(f"{path} was written by a newer version.", "Install that version, or a later one.")
        try:
            with closing(sqlite3.connect(database, isolation_level=None)) as connection:
                connection.execute("BEGIN")
                put_rows(connection, rows)
                connection.execute("COMMIT")
            upgrade_database(database)
            store = Store(Path(folder), connect(database))
            try:
                with Session(store.engine) as session:
                    job_id = session.scalars(select(Job.id)).one()
                    _read_values(session)
                    _read_as_pages_do(store, job_id)
                    if changed := changed_estimates(driver_connection(session)):
                        raise ValueError(changed[0])
                    present = rows_of(driver_connection(session), job_id)
            finally:
                store.close()
        except (*_UNREADABLE, InspectError) as error:
            raise OptionError(
                f"{path} holds a job that this version can't read: {error}.", "Export it again from where it came."
            ) from error
    return present | {_LINK: rows[_LINK]} if _LINK in rows else present  # the other job is not there


def _read_values(session: Session) -> None:
    """Every value of every row as what its column holds: SQLite itself takes text for a number."""
    for mapper in Base.registry.mappers:
        types = {c.key: c.columns[0].type.python_type for c in mapper.column_attrs}
        for at in session.scalars(select(mapper.class_).options(undefer("*"))):
            for name, kind in types.items():
                value = getattr(at, name)
                if not (value is None or isinstance(value, (float, int) if kind is float else kind)):
                    raise TypeError(f"{name} is {value!r:.50}")
                if any(not abs(n) <= _LARGEST for n in _numbers_in(value)):
                    raise ValueError(f"a number in {name} is too large")


def _numbers_in(value: object) -> Iterator[float]:
    if isinstance(value, dict | list):
        for held in value.values() if isinstance(value, dict) else value:
            yield from _numbers_in(held)
    elif isinstance(value, int | float):
        yield value


def _read_as_pages_do(store: Store, job_id: int) -> None:
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        labels = [v.label for v in job.visits]
        for photo in job.photos:
            if not _PHOTO.fullmatch(f"{photo.sha256}{photo.suffix}"):
                raise ValueError("a photo's name is no hash")
            read = {loading.inspection_view(at).answer.photo.sha256 for at in photo.inspections}
            if read - {photo.sha256}:
                raise ValueError(f"what {photo.name} says is of another photo")
            _ = [loading.hand_view(h) for h in photo.hand_measures]
        for label in labels:
            check_gauge_readings(session, job, label)
            check_fret_history(session, job, label)
    job_view(store, job_id), readings(store, job_id), terms(store, job_id), agreed_of(store, job_id)
    for e in estimates(store, job_id):
        totals(e.estimate)
        if e.status not in ("draft", *get_args(Status)) or (e.status != "draft") != bool(e.pdf_sha256):
            raise ValueError(f"estimate {e.estimate.revision} is {e.status!r}, which it can't be")
        if e.answer is not None and e.answer.pdf_sha256 not in ("", e.pdf_sha256):
            raise ValueError(f"the answer to estimate {e.estimate.revision} was given to another paper")
    for label in labels:
        with suppress(InspectError):  # a job that says too little to decide
            decide(store, job_id, label)


def _job_born_at(connection: sqlite3.Connection, created: str) -> int | None:
    found = connection.execute("SELECT id FROM jobs WHERE created = ?", (created,)).fetchone()
    return None if found is None else int(found[0])


def _job_already_here(store: Store, rows: Rows) -> Imported | None:
    """The job, if it is here and says the same."""
    with reading(store) as session:
        connection = driver_connection(session)
        job_id = _job_born_at(connection, str(rows["jobs"][0]["created"]))
        if job_id is None:
            return None
        here = rows_of(connection, job_id)
    number, was = int(here["jobs"][0]["number"]), int(rows["jobs"][0]["number"])
    if not _are_the_same(here, rows):
        raise OptionError(
            f"This job is here already, as #{number}, and says something else.",
            "Nothing was changed. To look at the other one, import it into a new folder with --data.",
        )
    return Imported(number, len(here.get("photos", ())), True, was)


def _are_the_same(here: Rows, rows: Rows) -> bool:
    """Whether two jobs are one and the same, but for the number; the shop's own rows may go on changing, and an earlier
    job of the instrument need not be here."""
    number = int(rows["jobs"][0]["number"])
    passed = {*_SHOP, *({_LINK} if _LINK not in here else ())}
    mine, theirs = ({t: r for t, r in of.items() if t not in passed} for of in (here, rows))
    job = mine["jobs"][0]
    searched = f"#{number}" + str(job["search_text"]).removeprefix(f"#{job['number']}")
    return {**mine, "jobs": [{**job, "number": number, "search_text": searched}]} == theirs


def _rows_in(path: Path) -> tuple[str, Rows]:
    """The form and the rows of an export."""
    try:
        held = json.loads(_read(path, _ROWS, _MOST_ROW_BYTES))
        form, rows = str(held["form"]), held["rows"]
        sound = held["kind"] == _KIND and held["sha256"] == _digest(rows) and len(rows["jobs"]) == 1
    except InspectError:
        raise
    except _UNREADABLE as error:
        raise OptionError(f"{path} holds no job that can be read.", "Export it again from where it came.") from error
    if not sound:
        raise OptionError(f"{path} is damaged: its rows are not as they were written.", "Export the job again.")
    return form, rows


def _photo_in(path: Path, sha256: str, suffix: str) -> bytes:
    name = f"{sha256}{suffix}"
    if not _PHOTO.fullmatch(name):
        raise OptionError(f"{path} names a photo {name!r}, which no export does.", "Export the job again.")
    data = _read(path, f"{_PHOTOS}/{name}", MAX_BYTES)
    if hashlib.sha256(data).hexdigest() != sha256:
        raise OptionError(f"The photo {name} in {path} is damaged.", "Export the job again, or use another copy.")
    return data


def _read(path: Path, name: str, most: int) -> bytes:
    """One file of an export, in a zip file or a folder.

    Raises
    ------
    OptionError
        If it is not there, damaged, or larger than it can be.
    """
    try:
        if path.is_dir():
            at = path / name
            size = packed = at.stat().st_size
            data = at.read_bytes() if size <= most else b""
        else:
            with zipfile.ZipFile(path) as z:
                size, packed = z.getinfo(name).file_size, z.getinfo(name).compress_size
                data = z.read(name) if size <= min(most, _DENSEST * packed) else b""
    except (KeyError, FileNotFoundError):
        if path.exists():
            raise OptionError(
                f"{path} holds no {name}.", "Export the job with `inspect-app export JOB --whole --out FILE`."
            ) from None
        raise OptionError(f"There is no file {path}.", "Check its name.") from None
    except Exception as error:  # `zipfile` hands on whatever its parts end in: struct, zlib, codecs
        raise OptionError(f"{path} can't be read: {error}.", "Use another copy, or export the job again.") from error
    if size > min(most, _DENSEST * packed):
        raise OptionError(f"{name} in {path} is larger than any export makes it.", "Export the job again.")
    return data
