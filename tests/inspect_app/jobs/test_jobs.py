"""The store: its tables come from migrations, its photo files from whole writes, its search from what people type."""

import os
import shutil
import sqlite3
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import text

from inspect_app.jobs import decision_models, opening, photo_files
from inspect_app.jobs.models import Base
from inspect_app.jobs.search import folded
from inspect_app.jobs.store import DATABASE
from inspect_app.services import (
    InstrumentDetails,
    JobDetails,
    check_store,
    create_job,
    find_jobs,
    job_view,
    open_store,
    update_job,
)
from shared.errors import OptionError, StoreError

assert decision_models.EstimateRow  # its tables belong to the metadata


def test_migrated_tables_are_those_of_the_models(store):
    with store.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_the_comparison_sees_a_missing_column(store):
    with store.engine.begin() as connection:
        connection.execute(text("ALTER TABLE prints DROP COLUMN note"))
        found = compare_metadata(MigrationContext.configure(connection), Base.metadata)
    assert [d[0] for d in found] == ["add_column"]


@pytest.mark.parametrize(("pragma", "value"), [("journal_mode", "wal"), ("foreign_keys", 1), ("synchronous", 2)])
def test_the_database_is_safe_against_crashes_and_dangling_rows(store, pragma, value):
    with store.engine.connect() as connection:
        assert connection.execute(text(f"PRAGMA {pragma}")).scalar() == value


def test_a_dangling_row_is_refused(store):
    with pytest.raises(Exception, match="FOREIGN KEY"), store.engine.begin() as connection:
        connection.execute(text("INSERT INTO visits (job_id, label, date) VALUES (99, 'intake', '2026-01-01')"))


def test_opening_twice_keeps_what_is_there(tmp_path):
    first = open_store(tmp_path / "d")
    job = create_job(first, JobDetails("Ada"))
    first.close()
    second = open_store(tmp_path / "d")
    assert job_view(second, job).details.customer == "Ada"
    second.close()


def test_windows_that_open_a_new_folder_together_make_one_store(tmp_path):
    with ThreadPoolExecutor(4) as pool:
        stores = list(pool.map(lambda _: open_store(tmp_path / "d"), range(4)))
    create_job(stores[0], JobDetails("Ada"))
    assert [find_jobs(s).total for s in stores] == [1, 1, 1, 1]
    for s in stores:
        s.close()


def test_a_store_that_another_window_makes_meanwhile_is_no_folder_that_lost_its_database(tmp_path, monkeypatch):
    """The other window is done between the look at the database and the look at what lies beside it."""
    look, made = opening._is_filled, []

    def other_window_first(path):
        found = look(path)
        if path.name == DATABASE and not found and not made:
            made.append(None)
            made.append(open_store(tmp_path / "d"))
            create_job(made[-1], JobDetails("Ada"))
        return found

    monkeypatch.setattr(opening, "_is_filled", other_window_first)
    store = open_store(tmp_path / "d")
    assert [r.customer for r in find_jobs(store).rows] == ["Ada"]
    for s in (store, made[-1]):
        s.close()


@pytest.mark.slow
def test_processes_that_open_a_new_folder_together_make_one_store(tmp_path):
    code = (
        "import sys; from pathlib import Path; from inspect_app.services import *; s = open_store(Path(sys.argv[1]))\n"
    )
    code += "create_job(s, JobDetails('A')); s.close()"
    ran = [subprocess.Popen([sys.executable, "-c", code, tmp_path / "d"]) for _ in range(4)]
    assert [child.wait(120) for child in ran] == [0] * 4
    store = open_store(tmp_path / "d")
    assert sorted(r.number for r in find_jobs(store).rows) == [1, 2, 3, 4]
    assert check_store(store).sound
    store.close()


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps a person's folder private by itself")
def test_a_new_data_folder_is_for_its_owner_alone(tmp_path):
    open_store(tmp_path / "d").close()
    assert stat.S_IMODE((tmp_path / "d").stat().st_mode) == 0o700


OLD = Path(__file__).parent.parent / "old"


def as_left_by(form, folder, more=""):
    """A data folder with the tables that an earlier version of this form left."""
    folder.mkdir()
    with closing(sqlite3.connect(folder / DATABASE)) as old:
        old.executescript((OLD / f"store-{form}.sql").read_text(encoding="utf-8") + more)


@pytest.mark.parametrize("form", ["0001", "0002", "0003"])
def test_an_older_store_is_brought_up_with_a_copy_of_it_kept(tmp_path, form):
    data = tmp_path / "d"
    as_left_by(form, data, "INSERT INTO prints VALUES (1, 'strip', 100, 100.2, 1.002, '', '2026-01-01 00:00:00');")
    store = open_store(data)
    assert [r.customer for r in find_jobs(store).rows] == ["Harbour Street Music School"]
    assert check_store(store).problems == ()
    store.close()
    with closing(sqlite3.connect(data / DATABASE)) as new:
        assert new.execute("SELECT count(*) FROM estimates").fetchone() == (0,)
        assert new.execute("SELECT factor FROM prints").fetchone() == (1.002,)
    (copy,) = data.glob("jobs-before-*.sqlite")
    with closing(sqlite3.connect(copy)) as kept:
        assert kept.execute("SELECT version_num FROM alembic_version").fetchone() == (form,)


def test_a_migration_that_fails_leaves_the_store_as_it_was(tmp_path):
    data = tmp_path / "d"
    as_left_by("0001", data, "CREATE TABLE estimates (id INTEGER);")  # making it again fails
    with pytest.raises(StoreError):
        open_store(data)
    with closing(sqlite3.connect(data / DATABASE)) as kept:
        tables = {name for (name,) in kept.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert "wires" not in tables
        assert kept.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)


def test_a_store_of_a_newer_version_is_refused_and_left_untouched(tmp_path):
    open_store(tmp_path / "d").close()
    with closing(sqlite3.connect(tmp_path / "d" / DATABASE)) as db:
        db.execute("UPDATE alembic_version SET version_num = '9999'")
        db.commit()
    (tmp_path / "d" / "photos").rmdir()
    before = {p.name: p.read_bytes() for p in (tmp_path / "d").iterdir()}
    with pytest.raises(StoreError, match="written by a newer version"):
        open_store(tmp_path / "d")
    assert {p.name: p.read_bytes() for p in (tmp_path / "d").iterdir()} == before


def test_the_usual_folder_is_the_persons_own(tmp_path, monkeypatch):
    monkeypatch.setattr(opening, "user_data_path", lambda *a, **k: tmp_path / "usual")
    store = open_store()
    assert store.data_dir == tmp_path / "usual"
    store.close()


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"scale_length": 25.5}, "A scale length of 25.5 mm is not possible. Give one from 200 to 1300 mm."),
        ({"crown_height": 12.0}, "A crown height of 12 mm is not possible."),
        ({"frets": 0}, "0 frets are not possible."),
        ({"radius_last": 400.0}, "A compound radius needs both ends."),
    ],
)
def test_impossible_instruments_are_refused(wrong, says):
    with pytest.raises(OptionError, match=says.replace("(", r"\(")):
        InstrumentDetails(**wrong)


def test_a_job_needs_a_customer():
    with pytest.raises(OptionError, match="no customer"):
        JobDetails("  ")


def test_all_details_come_back(store):
    instrument = InstrumentDetails(
        name="No. 7",
        kind="school guitar",
        scale_length=640.0,
        frets=20,
        strings=6,
        spread_nut=36.0,
        spread_bridge=54.0,
        board_wood="ebony",
        radius_nut=254.0,
        radius_last=406.0,
        binding=True,
        nibs=True,
        present_wire="narrow, tall",
        crown_width=2.1,
        crown_height=1.2,
    )
    details = JobDetails("Ada", "by the door", instrument, "buzzes at fret 3", date(2026, 12, 24))
    assert job_view(store, create_job(store, details)).details == details


def test_numbers_count_up_and_one_form_makes_one_job(store):
    ids = [create_job(store, JobDetails(n), form_token=t) for n, t in (("A", "x"), ("A", "x"), ("B", "y"))]
    assert ids[0] == ids[1] != ids[2]
    assert [r.number for r in find_jobs(store).rows] == [2, 1]


def test_two_windows_do_not_overwrite_each_other(store, job):
    seen = job_view(store, job).revision
    update_job(store, job, JobDetails("First window"), seen)
    with pytest.raises(StoreError, match="changed in another window"):
        update_job(store, job, JobDetails("Second window"), seen)
    assert job_view(store, job).details.customer == "First window"


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("", ["Bo Ek", "Åsa Öst"]),
        ("asa", ["Åsa Öst"]),
        ("ÅSA ost", ["Åsa Öst"]),
        ("guitar", ["Bo Ek", "Åsa Öst"]),
        ("guitar bo", ["Bo Ek"]),
        ("#2", ["Bo Ek"]),
        ("2026-12", ["Bo Ek"]),
        ("100%", ["Bo Ek"]),
        ("%", ["Bo Ek"]),
        ("_", []),
        ("' OR 1=1 --", []),
        ("nobody", []),
    ],
)
def test_search_finds_what_people_type(store, query, found):
    create_job(store, JobDetails("Åsa Öst", instrument=InstrumentDetails("old guitar")))
    instrument = InstrumentDetails("guitar")
    create_job(store, JobDetails("Bo Ek", instrument=instrument, asked_for="100% level", promised=date(2026, 12, 24)))
    assert [r.customer for r in find_jobs(store, query).rows] == found


def test_a_changed_job_is_found_by_its_new_words(store, job):
    update_job(store, job, JobDetails("Someone else"))
    assert find_jobs(store, "someone").total == 1
    assert find_jobs(store, "harbour").total == 0


def test_pages_of_the_list_do_not_overlap(store):
    for i in range(7):
        create_job(store, JobDetails(f"Customer {i}"))
    pages = [find_jobs(store, limit=3, offset=k) for k in (0, 3, 6)]
    assert [p.total for p in pages] == [7, 7, 7]
    assert len({r.id for p in pages for r in p.rows}) == 7


def test_folding_is_the_same_for_all_writings_of_a_name():
    assert folded("STRASSE") == folded("Straße")
    assert folded("Ångström") == folded("A\u030angstro\u0308m") == "angstrom"


def test_a_photo_file_lies_under_its_hash(tmp_path, make_jpeg):
    data = make_jpeg(1)
    sha = "ab" + "0" * 62
    path = photo_files.keep(tmp_path, data, sha, ".jpg")
    assert path == tmp_path / "ab" / f"{sha}.jpg"
    assert path.read_bytes() == data


def test_a_damaged_file_is_written_anew(tmp_path, make_jpeg):
    import hashlib

    data = make_jpeg(1)
    sha = hashlib.sha256(data).hexdigest()
    path = photo_files.keep(tmp_path, data, sha, ".jpg")
    path.write_bytes(b"rot")
    photo_files.keep(tmp_path, data, sha, ".jpg")
    assert path.read_bytes() == data


@pytest.mark.parametrize(
    ("head", "suffix"),
    [
        (b"\xff\xd8\xff\xe0", ".jpg"),
        (b"\x89PNG\r\n\x1a\n", ".png"),
        (b"RIFF\0\0\0\0WEBP", ".webp"),
        (b"\0\0\0\x18ftypheic", ".heic"),
    ],
)
def test_the_ending_follows_the_bytes(head, suffix):
    assert photo_files.suffix_of(head) == suffix


def test_a_moved_folder_is_the_same_store(store, job, tmp_path):
    store.close()
    shutil.move(store.data_dir, tmp_path / "elsewhere")
    moved = open_store(tmp_path / "elsewhere")
    assert job_view(moved, job).details.customer == "Harbour Street Music School"
    moved.close()
