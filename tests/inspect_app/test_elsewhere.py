"""Windows and macOS as far as they can be stood in for: names, encodings, locks, time zones, consoles."""

import errno
import os
import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest

from inspect_app import services
from inspect_app.cli import main
from inspect_app.jobs import photo_files
from inspect_app.jobs.store import DATABASE
from inspect_app.services.exporting import export_job
from shared.errors import StoreError
from tests.conftest import rest_slow
from tests.inspect_app.conftest import noise_jpeg
from tests.inspect_app.deciding_case import make_job, put_elevation

ODD_NAMES = ("jobs?mode=ro", "jobs%20of%20mine", "a#b&c=d", "Gitarren Übersicht", "名前", "two  spaces", "o'neill's")


@pytest.mark.parametrize("name", rest_slow(ODD_NAMES, 3))
def test_a_folder_of_any_name_holds_its_own_store(tmp_path, name):
    """`?` and `%20` mean something in an address, but not in a folder's name."""
    folder = tmp_path / name
    store = services.open_store(folder)
    job = services.create_job(store, services.JobDetails("Ada"))
    services.add_photo(store, job, noise_jpeg(1), "a.jpg")
    made = services.back_up(store, tmp_path / "b.zip")
    assert services.check_store(store).sound
    store.close()
    assert made.photos == 1
    assert made.lacks == ()
    assert (folder / DATABASE).stat().st_size > 0
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted({name, "b.zip"})
    assert main(["check", "--data", str(folder)]) == 0
    assert services.restore(tmp_path / "b.zip", tmp_path / f"{name} again").photos == 1


def test_a_folder_whose_name_was_mistyped_is_not_made(tmp_path, capsys):
    for words in (["check"], ["jobs"], ["backup", str(tmp_path / "b.zip")], ["export", "1", "--out", "x.zip"]):
        assert main([*words, "--data", str(tmp_path / "jbos")]) == 2
        assert "does not exist" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_names_in_an_export_are_names_on_every_system(store, monkeypatch, tmp_path):
    job = make_job(store)
    for n, visit in enumerate(("intake", "../../out", 'a:b*c?"d"', "after\\work")):
        put_elevation(store, monkeypatch, job, n, [0.1] * 6, visit=visit)
    folder = export_job(store, job, tmp_path / "out")
    names = [p.relative_to(folder) for p in folder.rglob("*") if p.is_file()]
    assert len([n for n in names if n.parts[0] == "pictures"]) == 4
    assert not [n for n in names if set(str(n)) & set('\\:*?"<>|')]
    assert {n.parts[0] for n in names if len(n.parts) > 1} == {"pictures"}


def in_use(*_args, **_kwargs):
    raise PermissionError(errno.EACCES, "The file is being used by another process")


def test_a_file_that_another_program_holds_open_is_said(store, job, monkeypatch, tmp_path):
    """Windows refuses to replace a file that is open; nothing half-written may stay."""
    with monkeypatch.context() as m:
        m.setattr(photo_files.os, "replace", in_use)
        with pytest.raises(StoreError, match="used by another process"):
            services.add_photo(store, job, noise_jpeg(1), "a.jpg")
        with pytest.raises(StoreError, match="used by another process"):
            services.back_up(store, tmp_path / "b.zip")
    assert not list(store.data_dir.rglob("*.part"))
    assert not list(tmp_path.glob("*.part"))
    assert not services.add_photo(store, job, noise_jpeg(1), "a.jpg").already_there
    assert services.check_store(store).sound


def test_a_note_that_cannot_be_replaced_stops_no_action(store, monkeypatch):
    with monkeypatch.context() as m:
        m.setattr("inspect_app.jobs.last_action.os.replace", in_use)
        services.create_job(store, services.JobDetails("Ada"))
    assert services.check_store(store).sound
    assert services.find_jobs(store).total == 1


def test_windows_does_not_sync_folders(store, job, monkeypatch):
    with monkeypatch.context() as m:
        m.setattr(photo_files.os, "name", "nt")
        m.setattr(photo_files.os, "O_BINARY", 0, raising=False)
        synced = []
        m.setattr(photo_files.os, "fsync", lambda fd: synced.append(os.path.isdir(f"/proc/self/fd/{fd}")))
        photo_files.keep(store.photos_dir, noise_jpeg(7), "ab" * 32, ".jpg")
    assert synced == [False]


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the time zone can't be changed here")
@pytest.mark.parametrize("zone", ["Pacific/Auckland", "America/Los_Angeles", "Asia/Kathmandu"])
def test_times_are_the_same_in_every_zone(store, monkeypatch, zone):
    begun = datetime.now(UTC)
    job = services.create_job(store, services.JobDetails("Ada"))
    here = services.job_view(store, job).created
    try:
        monkeypatch.setenv("TZ", zone)
        time.tzset()
        there = services.job_view(store, job).created
        later = services.job_view(store, services.create_job(store, services.JobDetails("Bo"))).created
    finally:
        monkeypatch.undo()
        time.tzset()
    assert here == there
    assert begun <= here <= later <= datetime.now(UTC)
    assert [r.customer for r in services.find_jobs(store).rows] == ["Bo", "Ada"]


def command(*words, **env):
    told = [sys.executable, "-m", "inspect_app.cli", *words]
    return subprocess.run(told, capture_output=True, env={**os.environ, **env})


@pytest.mark.slow
@pytest.mark.parametrize("console", ["cp1252", "ascii", "cp437", "utf-8"])
def test_a_console_of_any_encoding_shows_every_line(store, console):
    """Names from everywhere, and signs that only some consoles have."""
    services.create_job(store, services.JobDetails("Jiří Nováček ±2° 名前 🎸"))
    ran = command("jobs", "--data", str(store.data_dir), PYTHONIOENCODING=console, PYTHONUTF8="0", LC_ALL="C")
    assert ran.returncode == 0, ran.stderr
    said = ran.stdout.decode(console)
    assert "Ji" in said
    assert ("±2°" if console != "ascii" else "+/-2 deg") in said


def test_help_is_shown_on_a_plain_console():
    ran = command("measure", "--help", PYTHONIOENCODING="ascii", PYTHONUTF8="0", LC_ALL="C")
    assert ran.returncode == 0, ran.stderr
