"""A backup that reports success restores; one that lacks something takes no good one's place; nothing is mixed."""

import io
import random
import shutil
import sqlite3
import zipfile
from contextlib import closing, suppress

import pytest

from inspect_app import services
from inspect_app.cli import main
from inspect_app.jobs.store import DATABASE
from inspect_app.services import JobDetails, back_up, check_store, create_job, find_jobs, open_store, restore
from shared.errors import InspectError, OptionError, StoreError
from tests.inspect_app.promises.conftest import fill, hashes, stored_in


def photo_files(store):
    return sorted(p for p in store.photos_dir.rglob("*") if p.is_file())


def test_a_backup_restores_to_the_same(full, tmp_path):
    made = back_up(full, tmp_path / "b.zip")
    assert (made.photos, made.lacks) == (2, ())
    again = restore(made.path, tmp_path / "again")
    assert again.lacks == ()
    store = open_store(tmp_path / "again", make=False)
    assert check_store(store).sound
    assert check_store(store).unclaimed == ()
    for row in find_jobs(full).rows:
        assert services.job_view(store, row.id) == services.job_view(full, row.id)
    store.close()


@pytest.mark.parametrize("harm", ["gone", "cut", "swapped", "flipped"])
def test_a_backup_without_a_photo_says_so_and_leaves_the_good_one(full, tmp_path, harm, capsys):
    good = back_up(full, tmp_path / "b.zip").path
    before = good.read_bytes()
    first, second = photo_files(full)
    data = first.read_bytes()
    if harm == "gone":
        first.unlink()
    else:
        first.write_bytes({"cut": data[:-100], "swapped": second.read_bytes(), "flipped": b"\0" + data[1:]}[harm])
    assert main(["backup", str(good), "--data", str(full.data_dir)]) == 1
    said = capsys.readouterr().out
    assert "lacks:" in said
    assert "holds everything" not in said
    assert first.stem in said
    assert good.read_bytes() == before
    assert [p.name for p in tmp_path.glob("b*.zip")] == ["b-lacking.zip", "b.zip"]


@pytest.mark.slow
def test_a_backup_of_a_damaged_database_never_says_whole(full, tmp_path):
    """Bytes changed at random in the database: either nothing stored changed, or the backup names what it lacks."""
    rng = random.Random(5)
    full.close()
    database = full.data_dir / DATABASE
    whole, before = database.read_bytes(), stored_in(database)
    harmed, said_whole = 0, 0
    for n in range(25):
        data = bytearray(whole)
        for at in rng.sample(range(100, len(data)), 40):
            data[at] = rng.randrange(256)
        database.write_bytes(data)
        for log in full.data_dir.glob(f"{DATABASE}-*"):
            log.unlink()
        if stored_in(database) == before:
            continue
        harmed += 1
        with suppress(InspectError):
            said_whole += not back_up(full, tmp_path / f"{n}.zip").lacks
    assert harmed > 10
    assert said_whole == 0


def test_an_older_database_does_not_replace_the_backup_of_a_newer_one(full, tmp_path):
    full.close()
    shutil.copy(full.data_dir / DATABASE, tmp_path / "older.sqlite")
    create_job(full, JobDetails("Later"))
    full.close()
    good = back_up(full, tmp_path / "b.zip").path
    before = good.read_bytes()
    shutil.copy(tmp_path / "older.sqlite", full.data_dir / DATABASE)
    with pytest.raises(OptionError, match="holds what this data folder does not"):
        back_up(full, good)
    assert good.read_bytes() == before


def test_the_backup_of_another_folder_is_not_replaced(full, tmp_path):
    good = back_up(full, tmp_path / "b.zip").path
    before = good.read_bytes()
    other = open_store(tmp_path / "other")
    create_job(other, JobDetails("Another shop"))
    with pytest.raises(OptionError, match="stays as it is"):
        back_up(other, good)
    other.close()
    assert good.read_bytes() == before


def test_a_later_backup_replaces_the_earlier(full, tmp_path):
    back_up(full, tmp_path / "b.zip")
    create_job(full, JobDetails("Later"))
    assert back_up(full, tmp_path / "b.zip").lacks == ()
    restore(tmp_path / "b.zip", tmp_path / "again")
    store = open_store(tmp_path / "again")
    assert find_jobs(store, "later").total == 1
    store.close()


def test_nothing_is_restored_over_a_folder_that_holds_something(full, tmp_path):
    made = back_up(full, tmp_path / "b.zip")
    create_job(full, JobDetails("Later"))
    before = hashes(full.data_dir)
    with pytest.raises(OptionError, match="holds something already"):
        restore(made.path, full.data_dir)
    assert hashes(full.data_dir) == before
    (tmp_path / "empty").mkdir()
    assert restore(made.path, tmp_path / "empty").lacks == ()


def test_unpacked_by_hand_over_a_killed_folder_no_old_log_is_played(full, tmp_path):
    """No log that a killed process left is played into the restored database; `check` says that is an older one."""
    made = back_up(full, tmp_path / "b.zip")
    killed = tmp_path / "killed"
    create_job(full, JobDetails("Later"))
    shutil.copytree(full.data_dir, killed)  # while it is open: as a killed process leaves it
    assert (killed / f"{DATABASE}-wal").stat().st_size > 0
    with zipfile.ZipFile(made.path) as z:
        z.extractall(killed)
    store = open_store(killed)
    assert find_jobs(store, "later").total == 0
    found = check_store(store)
    assert not found.sound
    assert len(found.problems) == 1
    assert "older one" in found.problems[0]
    store.close()


@pytest.mark.parametrize(
    ("name", "data"), [("../outside.txt", b"x"), ("photos/ab/../../../outside.txt", b"x"), ("/outside.txt", b"x")]
)
def test_a_zip_that_points_outside_is_no_backup(full, tmp_path, name, data):
    made = back_up(full, tmp_path / "b.zip")
    with zipfile.ZipFile(made.path, "a") as z:
        z.writestr(name, data)
    with pytest.raises(OptionError, match="is no backup"):
        restore(made.path, tmp_path / "again")
    assert not list(tmp_path.rglob("outside.txt"))
    assert not (tmp_path / "again").exists()


def test_a_cut_backup_leaves_nothing_half_made(full, tmp_path):
    made = back_up(full, tmp_path / "b.zip")
    whole = made.path.read_bytes()
    held = io.BytesIO(whole)
    with zipfile.ZipFile(held) as z:
        at = z.getinfo(DATABASE).header_offset + 5000
    made.path.write_bytes(whole[:at] + b"\xff" * 64 + whole[at + 64 :])
    with pytest.raises(StoreError, match=r"can't be (restored|read)"):
        restore(made.path, tmp_path / "again")
    assert sorted(p.name for p in tmp_path.iterdir() if "again" in p.name) == []


def test_restore_by_command(full, tmp_path, capsys):
    back_up(full, tmp_path / "b.zip")
    assert main(["restore", str(tmp_path / "b.zip"), str(tmp_path / "again")]) == 0
    assert "restored whole, 2 photos" in capsys.readouterr().out
    assert main(["restore", str(tmp_path / "b.zip"), str(tmp_path / "again")]) == 2
    assert "Name a new folder" in capsys.readouterr().err
    assert main(["check", "--data", str(tmp_path / "again")]) == 0


@pytest.mark.parametrize("left", ["gone", "empty", "emptied"])
def test_a_folder_that_lost_its_database_is_neither_whole_nor_begun_anew(full, left, capsys):
    full.close()
    database = full.data_dir / DATABASE
    if left == "emptied":
        with closing(sqlite3.connect(database)) as connection:
            connection.executescript("PRAGMA foreign_keys = OFF; DROP TABLE alembic_version; DELETE FROM visits;")
    else:
        database.unlink()
        if left == "empty":
            database.touch()
    before = {n: h for n, h in hashes(full.data_dir).items() if n.startswith("photos")}
    assert before
    for words in (["check"], ["check", "--tidy"], ["jobs"], ["backup", str(full.data_dir.parent / "b.zip")]):
        assert main([*words, "--data", str(full.data_dir)]) == 2
        said = capsys.readouterr()
        assert "its database jobs.sqlite" in said.err
        assert "restore" in said.err
        assert "whole" not in said.out
        assert "tidy" not in said.out + said.err
    with pytest.raises(StoreError):
        open_store(full.data_dir)  # as the pages do
    assert {n: h for n, h in hashes(full.data_dir).items() if n.startswith("photos")} == before


@pytest.mark.slow
def test_an_older_database_is_not_called_whole_however_much_is_added_to_it(full, monkeypatch, capsys):
    full.close()
    shutil.copy(full.data_dir / DATABASE, full.data_dir.parent / "older.sqlite")
    fill(full, monkeypatch)
    full.close()
    shutil.copy(full.data_dir.parent / "older.sqlite", full.data_dir / DATABASE)
    for _ in range(2):
        assert main(["check", "--tidy", "--data", str(full.data_dir)]) == 1
        said = capsys.readouterr().out
        assert "it is an older one" in said
        assert "Everything" not in said
        store = open_store(full.data_dir)
        for n in range(40):
            create_job(store, JobDetails(f"Later {n}"))
        store.close()
