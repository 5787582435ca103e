"""Full disks, locked files, a process killed half-way: nothing stored is lost, nothing half-stored is shown."""

import errno
import os
import signal
import sqlite3
import subprocess
import sys
import time
import zipfile
from contextlib import closing

import pytest

from inspect_app.jobs import photo_files
from inspect_app.jobs import store as store_module
from inspect_app.jobs.store import DATABASE, connect
from inspect_app.services import (
    JobDetails,
    add_photo,
    back_up,
    check_store,
    create_job,
    find_jobs,
    job_view,
    open_store,
    photo_path,
)
from inspect_app.services import photos as photo_services
from shared.errors import PhotoError, StoreError


class Killed(BaseException):
    """Stands for the process ending here: no handler of the program catches it."""


def files_in(store):
    return sorted(p.name for p in store.photos_dir.rglob("*") if p.is_file())


def no_space(*_args, **_kwargs):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def kill(*_args, **_kwargs):
    raise Killed


@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_a_full_disk_leaves_nothing_behind(store, job, make_jpeg, monkeypatch, where):
    add_photo(store, job, make_jpeg(1), "kept.jpg")
    before = files_in(store)
    monkeypatch.setattr(photo_files.os, where, no_space)
    with pytest.raises(StoreError, match=r"No space left on device.*Free some space"):
        add_photo(store, job, make_jpeg(2), "new.jpg")
    assert files_in(store) == before
    assert [p.name for p in job_view(store, job).photos] == ["kept.jpg"]


def test_a_read_only_photo_folder_is_said(store, job, make_jpeg):
    store.photos_dir.rmdir()
    store.photos_dir.write_text("a file where the folder was")
    with pytest.raises(StoreError, match="can't be stored"):
        add_photo(store, job, make_jpeg(1), "a.jpg")
    assert job_view(store, job).photos == ()


@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_killed_before_the_file_has_its_name(store, job, make_jpeg, monkeypatch, where):
    with monkeypatch.context() as m:
        m.setattr(photo_files.os, where, kill)
        with pytest.raises(Killed):
            add_photo(store, job, make_jpeg(1), "a.jpg")
    assert job_view(store, job).photos == ()
    assert check_store(store).sound
    assert not add_photo(store, job, make_jpeg(1), "a.jpg").already_there
    assert check_store(store).sound


def test_killed_between_file_and_row(store, job, make_jpeg, monkeypatch):
    with monkeypatch.context() as m:
        m.setattr(photo_services, "writing", kill)
        with pytest.raises(Killed):
            add_photo(store, job, make_jpeg(1), "a.jpg")
    assert len(files_in(store)) == 1
    assert job_view(store, job).photos == ()
    found = check_store(store)
    assert found.sound
    assert len(found.unclaimed) == 1
    added = add_photo(store, job, make_jpeg(1), "a.jpg")
    assert not added.already_there
    assert len(files_in(store)) == 1
    assert check_store(store).unclaimed == ()


def test_killed_inside_the_transaction(store, job, make_jpeg, monkeypatch):
    with monkeypatch.context() as m:
        m.setattr(photo_services.loading, "photo_view", kill)  # after the row was sent, before the commit
        with pytest.raises(Killed):
            add_photo(store, job, make_jpeg(1), "a.jpg")
    assert job_view(store, job).photos == ()
    assert check_store(store).sound


@pytest.mark.slow
def test_a_process_killed_for_real_while_adding_photos(tmp_path, make_jpeg):
    data = tmp_path / "data"
    script = """
import sys
from pathlib import Path
from inspect_app.services import JobDetails, add_photo, create_job, open_store
store = open_store(Path(sys.argv[1]))
job = create_job(store, JobDetails("Killed"))
print("ready", flush=True)
for i, path in enumerate(sorted(Path(sys.argv[2]).iterdir()) * 50):
    data = path.read_bytes() + b"%d" % i   # bytes after a JPEG's end are ignored, and change its hash
    add_photo(store, job, data, f"{i}.jpg")
    print(i, flush=True)
"""
    source = tmp_path / "source"
    source.mkdir()
    (source / "a.jpg").write_bytes(make_jpeg(1))
    child = subprocess.Popen([sys.executable, "-c", script, data, source], stdout=subprocess.PIPE, text=True)
    said = [child.stdout.readline() for _ in range(8)]
    child.send_signal(signal.SIGKILL)
    said += child.stdout.readlines()
    child.wait()
    child.stdout.close()
    confirmed = [int(line) for line in said if line.strip().isdigit()]
    assert confirmed, "the child added nothing before it was killed"
    store = open_store(data)
    (row,) = find_jobs(store).rows
    names = {p.name for p in job_view(store, row.id).photos}
    assert {f"{i}.jpg" for i in confirmed} <= names
    assert check_store(store).sound
    store.close()


def test_stray_files_are_set_aside_only_when_old(store, job, make_jpeg):
    kept = add_photo(store, job, make_jpeg(1), "kept.jpg").photo
    folder = store.photos_dir / "ff"
    folder.mkdir()
    fresh, old, unclaimed, notes = f"{'1' * 32}.part", f"{'2' * 32}.part", f"{'f' * 64}.jpg", "notes.txt"
    for name in (fresh, old, unclaimed, notes):
        (folder / name).write_bytes(b"x")
    day_ago = time.time() - photo_files.STALE_S - 10
    for name in (old, unclaimed, notes):
        os.utime(folder / name, (day_ago, day_ago))
    os.utime(photo_path(store, kept.sha256), (day_ago, day_ago))
    assert len(check_store(store).unclaimed) == 3
    assert check_store(store, tidy=True).unclaimed == (fresh,)
    assert photo_path(store, kept.sha256).is_file()
    assert (folder / notes).is_file(), "a file this program did not make was moved"
    assert sorted(p.name for p in (store.data_dir / "set-aside").iterdir()) == [old, unclaimed]


def test_a_changed_file_is_found(store, job, make_jpeg):
    added = add_photo(store, job, make_jpeg(1), "a.jpg").photo
    path = photo_path(store, added.sha256)
    data = bytearray(path.read_bytes())
    data[-10] ^= 1
    path.write_bytes(data)
    found = check_store(store)
    assert not found.sound
    assert found.damaged == (f"a.jpg ({path.name})",)


def test_a_changed_file_is_not_measured(store, job, make_jpeg):
    from inspect_app.services import measure_photo, suggested_ask

    added = add_photo(store, job, make_jpeg(1), "a.jpg").photo
    photo_path(store, added.sha256).write_bytes(make_jpeg(2))
    with pytest.raises(StoreError, match="has changed since it was stored"):
        measure_photo(store, added.id, suggested_ask(store, added.id))
    assert job_view(store, job).photos[0].inspection is None


def test_a_missing_file_is_said(store, job, make_jpeg):
    from inspect_app.services import measure_photo, suggested_ask

    added = add_photo(store, job, make_jpeg(1), "a.jpg").photo
    photo_path(store, added.sha256).unlink()
    with pytest.raises(StoreError, match="can't be read"):
        measure_photo(store, added.id, suggested_ask(store, added.id))
    assert check_store(store).missing


def test_a_locked_store_is_waited_for_then_said(tmp_path, monkeypatch):
    monkeypatch.setattr(store_module, "BUSY_MS", 50)
    store = open_store(tmp_path / "d")
    other = sqlite3.connect(store.data_dir / DATABASE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="in use by another program"):
        create_job(store, JobDetails("A"))
    assert find_jobs(store).total == 0  # reading goes on meanwhile
    other.execute("ROLLBACK")
    create_job(store, JobDetails("A"))
    other.close()
    store.close()


def test_a_read_only_database_is_said(tmp_path):
    store = open_store(tmp_path / "d")
    create_job(store, JobDetails("kept"))
    with store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA query_only = ON")  # as root no file is read-only
    with pytest.raises(StoreError, match="is read-only"):
        create_job(store, JobDetails("B"))
    assert find_jobs(store).total == 1
    store.close()


def test_a_full_disk_under_the_database_is_said(store):
    create_job(store, JobDetails("kept"))
    with store.engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreError, match="is on a full disk"):
        create_job(store, JobDetails("x", asked_for="a page " * 280))
    assert [r.customer for r in find_jobs(store).rows] == ["kept"]
    assert check_store(store).sound


@pytest.mark.parametrize("content", [b"not a database, but long enough to be read as a page " * 100])
def test_a_file_that_is_no_database_is_said(tmp_path, content):
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / DATABASE).write_bytes(content)
    with pytest.raises(StoreError, match="does not hold a job store"):
        open_store(tmp_path / "d")
    assert (tmp_path / "d" / DATABASE).read_bytes() == content


def test_a_bad_photo_leaves_the_job_as_it_was(store, job):
    with pytest.raises(PhotoError):
        add_photo(store, job, b"no picture", "a.jpg")
    assert files_in(store) == []
    assert job_view(store, job).photos == ()


def test_a_backup_unpacked_is_a_store(store, job, make_jpeg, tmp_path):
    added = add_photo(store, job, make_jpeg(1), "a.jpg").photo
    (store.photos_dir / "zz.part").write_bytes(b"unfinished")
    path = back_up(store, tmp_path / "b.zip").path
    with zipfile.ZipFile(path) as z:
        z.extractall(tmp_path / "restored")
    restored = open_store(tmp_path / "restored")
    assert job_view(restored, job).details == job_view(store, job).details
    assert photo_path(restored, added.sha256).read_bytes() == make_jpeg(1)
    assert check_store(restored).sound
    restored.close()


def test_a_backup_that_fails_leaves_the_earlier_one(store, tmp_path, monkeypatch):
    path = back_up(store, tmp_path / "b.zip").path
    before = path.read_bytes()
    monkeypatch.setattr(zipfile.ZipFile, "open", no_space)
    with pytest.raises(StoreError, match=r"The backup .* can't be written: No space left on device"):
        back_up(store, path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []


def test_the_driver_begins_no_transaction_of_its_own(tmp_path):
    engine = connect(tmp_path / "x.sqlite")
    with closing(engine.raw_connection()) as raw:
        assert raw.driver_connection.isolation_level is None
    engine.dispose()
