"""A data folder of every released form opens with all that was in it, and a copy of it as it was is kept."""

import hashlib
import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from inspect_app import services
from inspect_app.jobs.migrations import versions
from inspect_app.jobs.store import DATABASE
from inspect_app.services.estimating import estimate_pdf, estimates
from shared.errors import StoreError
from tests.inspect_app.promises.conftest import stored_in

OLD = Path(__file__).parent / "old"
RELEASED = sorted(re.search(r"\d{4}", p.name)[0] for p in OLD.glob("store-*.sql"))
FORMS = {p.name[1:5] for p in Path(versions.__file__).parent.glob("v0*.py")}
WHOLE = [form for form in RELEASED if form >= "0005"]
ADDED = {"seals", "actions", "alembic_version", "sqlite_sequence"}
"""Tables that change with an upgrade."""


@pytest.fixture
def folder(tmp_path, request):
    """A data folder as a version of this form left it."""
    at = tmp_path / "data"
    at.mkdir()
    with closing(sqlite3.connect(at / DATABASE)) as tables:
        tables.executescript((OLD / f"store-{request.param}.sql").read_text(encoding="utf-8"))
    return at


def rows(database):
    """Every row of the person's tables as columns and values."""
    with closing(sqlite3.connect(database)) as connection:
        connection.row_factory = sqlite3.Row
        names = [n for (n,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {n: [dict(r) for r in connection.execute(f'SELECT * FROM "{n}"')] for n in names if n not in ADDED}


def test_every_form_there_was_is_kept():
    assert FORMS - {max(FORMS)} <= set(RELEASED), "missing: python -m tests.inspect_app.old.make_store FORM"
    assert len(WHOLE) >= 4


@pytest.mark.parametrize("folder", WHOLE, indirect=True)
def test_nothing_of_it_is_lost_or_changed(folder):
    before, as_it_was = rows(folder / DATABASE), stored_in(folder / DATABASE)
    store = services.open_store(folder)
    after = rows(folder / DATABASE)
    assert all(before[t] for t in ("jobs", "photos", "inspections", "judgements", "estimates", "answers"))
    for table, held in before.items():
        assert len(after[table]) == len(held), table
        for was, now in zip(held, after[table], strict=True):
            assert {c: now[c] for c in was} == was, table
    ((_, form),) = as_it_was[1]["alembic_version"]
    copies = [stored_in(p) for p in folder.glob("jobs-before-*.sqlite")]
    assert copies == ([as_it_was] if form.decode() < max(FORMS) else [])
    assert services.check_store(store).problems == ()
    store.close()


@pytest.mark.parametrize("folder", WHOLE, indirect=True)
def test_the_program_reads_all_of_it(folder):
    store = services.open_store(folder)
    (job,) = services.find_jobs(store).rows
    view = services.job_view(store, job.id)
    assert [p.inspection.answer.frets[0].number for p in view.photos] == [1, 1]
    assert {r.verdict for r in services.readings(store, job.id)} >= {"accept"}
    (made,) = estimates(store, job.id)
    assert made.status == "accepted"
    paper = estimate_pdf(store, made.id)
    assert paper == b"%PDF-1.7 as it was issued"
    with closing(sqlite3.connect(folder / DATABASE)) as connection:
        assert connection.execute("SELECT pdf_sha256 FROM answers").fetchall() == [(hashlib.sha256(paper).hexdigest(),)]
    services.update_job(store, job.id, services.JobDetails("B. Customer"))
    assert services.check_store(store).problems == ()
    store.close()


@pytest.mark.parametrize("folder", ["0008"], indirect=True)
def test_a_newer_folder_is_left_to_the_last_byte(folder):
    with closing(sqlite3.connect(folder / DATABASE)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    with pytest.raises(StoreError, match="newer version"):
        services.open_store(folder)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


@pytest.mark.parametrize("folder", ["0007"], indirect=True)
def test_what_was_changed_before_an_upgrade_is_still_told_after_it(folder):
    with closing(sqlite3.connect(folder / DATABASE)) as connection:
        connection.execute("UPDATE inspections SET answer = replace(answer, '0.15', '0.65') WHERE id = 1")
        connection.commit()
        assert "0.65" in json.dumps(connection.execute("SELECT answer FROM inspections WHERE id = 1").fetchone())
    store = services.open_store(folder)
    assert services.check_store(store).problems == ("inspection 1 is not as it was written",)
    store.close()
