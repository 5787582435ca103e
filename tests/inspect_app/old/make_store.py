"""``python -m tests.inspect_app.old.make_store FORM > store-FORM.sql``: a store as a version of this form left it.

Made once for every form that is released, and kept: later versions must open it.
"""

import base64
import hashlib
import os
import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import pytest

from inspect_app import services
from inspect_app.jobs import seals
from inspect_app.jobs.opening import make_database
from inspect_app.jobs.store import DATABASE
from inspect_app.jobs.whole_job import put_rows, rows_of
from tests.inspect_app.promises.conftest import fill

PAPER = b"%PDF-1.7 as it was issued"
"""In place of a paper of a hundred kilobytes."""


def rows(folder):
    """A job with something of every kind."""
    os.environ["INSPECT_APP_APART"] = "0"
    store = services.open_store(folder)
    with pytest.MonkeyPatch.context() as m:
        job = fill(store, m)
    store.close()
    with closing(sqlite3.connect(folder / DATABASE)) as connection:
        out = rows_of(connection, job)
    for at in out["estimates"]:
        at["pdf"] = {"base64": base64.b64encode(PAPER).decode()}
    for at in out["answers"]:
        at["pdf_sha256"] = hashlib.sha256(PAPER).hexdigest()
    return out


def as_far_as(connection, given):
    """The rows without what this form has no table or column for."""
    out = {}
    for table, of in given.items():
        columns = {c[1] for c in connection.execute(f'PRAGMA table_info("{table}")')}
        if columns:
            out[table] = [{c: v for c, v in at.items() if c in columns} for at in of]
    return out


def main(form):
    with tempfile.TemporaryDirectory() as at:
        path = Path(at) / "old.sqlite"
        assert make_database(path, form), f"there is no form {form}"
        given = rows(Path(at) / "data")
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("BEGIN")
            put_rows(connection, as_far_as(connection, given))
            if seals.is_sealed(connection):
                seals.renew(connection)
            connection.execute("COMMIT")
            print("\n".join(connection.iterdump()))


if __name__ == "__main__":
    main(sys.argv[1])
