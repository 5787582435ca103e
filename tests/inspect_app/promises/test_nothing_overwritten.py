"""No command deletes or overwrites what it did not make: strangers' files are hashed around every command."""

import os
import time

import pytest

from inspect_app import services
from inspect_app.cli import main
from inspect_app.commands.pages import without_passcode
from inspect_app.measure import one_photo
from inspect_app.reading.closeups import Window
from inspect_app.services import pictures
from inspect_app.services.exporting import export_job
from shared.errors import StoreError
from tests.conftest import rest_slow
from tests.inspect_app.conftest import full_answer, noise_jpeg
from tests.inspect_app.promises.conftest import hashes

STRANGERS = ("mine.part", "mine.zip.part", "out.zip.part", "holiday.jpg", "notes.txt", "a/mine.part/letter.txt")


@pytest.fixture
def strangers(tmp_path):
    """A folder of files that the program did not make, some with names it might use."""
    folder = tmp_path / "strangers"
    for name in STRANGERS:
        at = folder / name
        at.parent.mkdir(parents=True, exist_ok=True)
        at.write_bytes(f"of {name}".encode())
    (folder / "photo.jpg").write_bytes(noise_jpeg(1))
    (folder / "photo.pdf").write_bytes(b"%PDF-1.4 a stranger's")
    (folder / "photo.zip").write_bytes(b"PK a stranger's")
    return folder


@pytest.fixture
def measured(monkeypatch):
    monkeypatch.setattr(one_photo, "measure", lambda photo, ask: full_answer(photo.name, photo.sha256, ask))


def commands(folder, data, number):
    """Every command that writes, at names that are taken."""
    f, d, n = str(folder), str(data), str(number)
    photo = f"{f}/photo.jpg"
    return (
        ["measure", photo, "--json", f"{f}/notes.txt", "--overlay", f"{f}/holiday.jpg"],
        ["measure", photo, "--overlay", photo],
        ["measure", photo, "--json", photo],
        ["measure", photo, f"{f}/holiday.jpg", "--overlay", f],
        ["print-scales", "--out", f"{f}/photo.pdf"],
        ["print-scales", "--lens", "--out", f"{f}/photo.pdf"],
        ["estimate", n, "--out", f"{f}/photo.pdf", "--data", d],
        ["report", n, "--kind", "record", "--out", f"{f}/photo.pdf", "--data", d],
        ["export", n, "--out", f"{f}/mine", "--data", d],
        ["export", n, "--out", f"{f}/photo.zip", "--data", d],
        ["export", n, "--out", f, "--data", d],
        ["export", n, "--whole", "--out", f"{f}/photo.zip", "--data", d],
        ["import", f"{f}/photo.zip", "--data", d],
        ["import", f"{f}/mine.zip.part", "--data", d],
        ["remeasure", "--dry-run", "--json", f"{f}/notes.txt", "--data", d],
        ["backup", f"{f}/photo.zip", "--data", d],
        ["backup", f"{f}/mine.zip", "--data", d],
        ["restore", f"{f}/mine.zip", f, "--data", d],
        ["check", "--tidy", "--data", d],
        ["jobs", "--data", d],
    )


@pytest.mark.slow
def test_what_strangers_left_is_there_after_every_command(full, strangers, measured):
    job = services.find_jobs(full).rows[-1]
    before = set(hashes(strangers).values())
    ended = []
    for words in commands(strangers, full.data_dir, job.number):
        try:
            ended.append(main([*words]))
        except SystemExit as stop:
            ended.append(stop.code)
        assert before <= set(hashes(strangers).values()), words
        assert services.check_store(full).sound, words
    assert ended.count(0) >= 8  # most of them did their work, under the taken name
    assert 3 not in ended
    assert set(STRANGERS[:3]) <= set(hashes(strangers))  # where they were, by name too


def test_photos_of_one_name_get_overlays_of_their_own(tmp_path, measured):
    photos = [tmp_path / folder / "x.jpg" for folder in ("a", "b")]
    for n, photo in enumerate(photos):
        photo.parent.mkdir()
        photo.write_bytes(noise_jpeg(n))
    assert main(["measure", *map(str, photos), "--overlay", str(tmp_path / "drawn")]) == 0
    assert sorted(p.name for p in (tmp_path / "drawn").iterdir()) == ["x-readings-2.jpg", "x-readings.jpg"]


@pytest.mark.slow
def test_visits_of_names_that_files_cannot_tell_apart_are_exported_each(full, tmp_path):
    job = services.find_jobs(full).rows[-1].id
    for n, visit in enumerate(("3/4", "3-4")):
        services.add_photo(full, job, noise_jpeg(70 + n), f"{n}.jpg", visit=visit)
    records = sorted(p.name for p in export_job(full, job, tmp_path / "out").glob("record-3*"))
    assert records == ["record-3-4-2.pdf", "record-3-4.pdf"]


@pytest.mark.parametrize("option", ["--overlay", "--json"])
def test_a_photo_is_not_written_over_by_its_own_readings(strangers, measured, option, capsys):
    photo = strangers / "photo.jpg"
    link = strangers / "same.jpg"
    link.symlink_to(photo)
    for name in (photo, link):
        assert main(["measure", str(photo), option, str(name)]) == 2
        assert "is one of the files to read" in capsys.readouterr().err
    assert photo.read_bytes() == noise_jpeg(1)


@pytest.mark.parametrize(
    "words",
    [
        ["measure", "PHOTO", "--json", "DATA/jobs.sqlite"],
        ["measure", "PHOTO", "--overlay", "DATA/photos/x.jpg"],
        ["print-scales", "--out", "DATA/jobs.sqlite"],
        ["backup", "DATA/jobs.sqlite", "--data", "DATA"],
        ["backup", "DATA/photos/b.zip", "--data", "DATA"],
    ],
)
def test_nothing_is_written_into_a_data_folder(full, strangers, measured, words, capsys):
    before = hashes(full.data_dir / "photos"), services.check_store(full)
    told = [w.replace("PHOTO", str(strangers / "photo.jpg")).replace("DATA", str(full.data_dir)) for w in words]
    assert main(told) == 2
    assert "data folder" in capsys.readouterr().err
    assert (hashes(full.data_dir / "photos"), services.check_store(full)) == before


def test_a_file_written_again_keeps_the_earlier_one_beside_it(strangers, measured):
    out = strangers / "out.json"
    for first_fret in ("1", "2", "2"):
        assert main(["measure", str(strangers / "photo.jpg"), "--json", str(out), "--first-fret", first_fret]) == 0
    assert sorted(p.name for p in strangers.glob("out.json*")) == ["out.json", "out.json.~1~"]  # the same twice: once
    assert b'"first_fret": 1' in (strangers / "out.json.~1~").read_bytes()


@pytest.mark.parametrize("harm", ["missing", "swapped"])
@pytest.mark.parametrize("words", rest_slow([["report", "--kind", "record"], ["export"]]))
def test_papers_without_one_of_their_photos_are_a_sentence(full, tmp_path, words, harm, capsys):
    job = services.find_jobs(full).rows[-1]
    for photo in services.job_view(full, job.id).photos:
        path = services.photo_path(full, photo.sha256)
        if harm == "missing":
            path.unlink()
        else:
            path.write_bytes(noise_jpeg(99))
    out = tmp_path / "paper.pdf"
    assert main([*words, str(job.number), "--out", str(out), "--data", str(full.data_dir)]) == 2
    assert "Restore it from a backup." in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize("harm", ["missing", "swapped"])
def test_no_picture_of_a_missing_or_swapped_photo_comes_onto_any_paper(full, harm):
    photo, other = services.job_view(full, services.find_jobs(full).rows[-1].id).photos[:2]
    assert pictures.picture_of(full, photo)  # decoded, and kept in memory
    path = services.photo_path(full, photo.sha256)
    path.unlink()
    if harm == "swapped":
        path.write_bytes(services.photo_path(full, other.sha256).read_bytes())
    ways = (
        lambda: pictures.picture_of(full, photo),
        lambda: pictures.closeup_of(full, photo, Window((10.0, 10.0), 4.0, 8.0)),
    )
    for picture in ways:
        with pytest.raises(StoreError, match="Restore it from a backup"):
            picture()


def test_what_killed_backups_and_previews_left_is_swept(full, tmp_path):
    here = tmp_path / "b"
    here.mkdir()
    ours, young = here / f"mine.zip.{'a' * 32}.part", here / f"mine.zip.{'b' * 32}.part"
    theirs = here / "mine.zip.letters.part"
    preview = full.data_dir / "previews" / "ab" / "tmpx.part"
    preview.parent.mkdir(parents=True)
    for path in (ours, young, theirs, preview):
        path.write_bytes(b"half")
    long_ago = time.time() - 3 * 24 * 3600.0
    for path in (ours, theirs, preview):
        os.utime(path, (long_ago, long_ago))
    services.back_up(full, here / "mine.zip")
    assert sorted(p.name for p in here.iterdir()) == ["mine.zip", theirs.name, young.name][:1] + sorted(
        [theirs.name, young.name]
    )
    services.check_store(full, tidy=True)
    assert not preview.exists()


@pytest.mark.parametrize("year", [1970, 2128])
def test_a_photo_file_of_any_date_goes_into_a_backup(full, tmp_path, year):
    when = (year - 1970) * 31_557_600.0 + 86_400.0
    photo = services.job_view(full, services.find_jobs(full).rows[-1].id).photos[0]
    os.utime(services.photo_path(full, photo.sha256), (when, when))
    assert services.back_up(full, tmp_path / "b.zip").lacks == ()


@pytest.mark.skipif(os.name == "nt", reason="modes are of POSIX")
def test_what_the_data_folder_holds_is_for_its_owner_alone(full):
    from inspect_app.ui.photo_files import make_preview

    job = services.find_jobs(full).rows[-1]
    sha = services.job_view(full, job.id).photos[0].sha256
    make_preview(sha, lambda s: services.photo_path(full, s), full.data_dir / "previews")
    services.back_up(full, full.data_dir.parent / "b.zip")
    every = [*full.data_dir.rglob("*"), full.data_dir.parent / "b.zip"]
    assert len(every) > 5
    assert {p.name: oct(p.stat().st_mode & 0o077) for p in every if p.stat().st_mode & 0o077} == {}


@pytest.mark.parametrize(
    "words", ["--lan --passcode pear-tree-9", "--lan --passcode=pear-tree-9", "--passc pear-tree-9 --lan"]
)
def test_the_passcode_does_not_stay_in_the_list_of_processes(words):
    assert without_passcode(["inspect-app", *words.split(), "--port", "8600"]) == [
        "inspect-app",
        "--lan",
        "--port",
        "8600",
    ]


def test_the_pages_start_again_without_the_passcode_among_their_words(monkeypatch):
    from inspect_app.commands import pages

    started = []
    monkeypatch.setattr(pages.sys, "argv", ["inspect-app", "--lan", "--passcode", "pear-tree-9"])
    monkeypatch.setattr(pages.os, "execve", lambda *a: started.append(a))
    monkeypatch.setattr(pages, "serve", lambda *a: None)
    main(["--lan", "--passcode", "pear-tree-9"])
    ((_, words, environment),) = started
    assert "pear-tree-9" not in " ".join(words)
    assert environment["INSPECT_APP_PASSCODE"] == "pear-tree-9"


def test_job_1_is_found_among_two_thousand(store, job):
    from sqlalchemy import insert

    from inspect_app.jobs.models import Job
    from inspect_app.jobs.store import writing
    from inspect_app.services.rows import now

    with writing(store) as session:
        first = session.get(Job, job)
        columns = {c.key: getattr(first, c.key) for c in Job.__table__.columns if c.key not in ("id", "number")}
        columns |= {"updated": now(), "form_token": None}
        session.execute(insert(Job), [{**columns, "number": n} for n in range(2, 2002)])
    assert services.job_numbered(store, 1) == job
    assert main(["jobs", "#1", "--limit", "3", "--data", str(store.data_dir)]) == 0
