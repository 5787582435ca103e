"""An exported job comes back byte for byte, and never twice."""

import hashlib
import json
import random
import shutil
import sqlite3
import zipfile
from contextlib import closing

import pytest

from inspect_app import services
from inspect_app.cli import main
from inspect_app.jobs.opening import make_database
from inspect_app.jobs.store import DATABASE
from inspect_app.services.bench_checks import bench_checks, retire_bench_check
from inspect_app.services.exporting import export_bytes, export_job
from inspect_app.services.importing import import_job
from shared.errors import OptionError, PhotoError
from tests.inspect_app.promises.conftest import fill

SHOP = {"name": "The bench", "lines": ["Harbour Street 1"]}
pytestmark = pytest.mark.slow


@pytest.fixture
def other(tmp_path, new_data_dir):
    """A second data folder, whose rows have got other numbers."""
    opened = services.open_store(shutil.copytree(new_data_dir, tmp_path / "other"))
    services.add_print(opened, "strip", 100.3)
    services.put_setting(opened, "shop", SHOP)  # what stands at the head of its papers
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def made(tmp_path_factory, new_data_dir):
    """A folder with `data`, which holds a job of every kind of row and a later one of the same instrument, and both
    exported whole as `job.zip` and `later.zip`."""
    folder = tmp_path_factory.mktemp("made")
    store = services.open_store(shutil.copytree(new_data_dir, folder / "data"))
    with pytest.MonkeyPatch.context() as m:
        job = fill(store, m)
    services.choose_stage(store, job, services.ChosenStage(archived=True))
    for check in bench_checks(store):  # the shop's own: a record names them, and they stay where they are
        retire_bench_check(store, check.id)
    (later,) = (r for r in services.find_jobs(store).rows if r.id != job)
    export_job(store, job, folder / "job.zip", whole=True)
    export_job(store, later.id, folder / "later.zip", whole=True)
    export_job(store, job, folder / "plain.zip")
    store.close()
    return folder


@pytest.fixture
def exported(made):
    return made / "job.zip"


def only_job(store):
    (row,) = services.find_jobs(store, archived=True).rows
    return row


def test_a_job_comes_back_byte_for_byte(exported, other, tmp_path):
    assert not import_job(other, exported).already_there
    again = tmp_path / "again.zip"
    again.write_bytes(export_bytes(other, only_job(other).id, whole=True))
    with zipfile.ZipFile(again) as mine, zipfile.ZipFile(exported) as theirs:
        assert mine.namelist() == theirs.namelist()
        assert [n for n in mine.namelist() if mine.read(n) != theirs.read(n)] == []
    assert again.read_bytes() == exported.read_bytes()
    assert services.check_store(other).sound


def test_every_table_that_holds_something_of_a_job_goes_with_it(exported, made):
    with closing(sqlite3.connect(made / "data" / DATABASE)) as connection:
        there = {n for (n,) in connection.execute("SELECT DISTINCT of_table FROM seals")}
    with zipfile.ZipFile(exported) as z:
        gone = set(json.loads(z.read("job/rows.json"))["rows"])
    shops_alone = {"sqlite_master", "prints", "print_bars", "bench_checks", "lens_profiles"}
    later_job = {"same_instrument"}  # a row of the job that came after
    assert there - gone == shops_alone | later_job


@pytest.mark.parametrize("ways", [("zip", "zip"), ("folder", "zip")])
def test_it_is_never_taken_in_twice(exported, made, other, tmp_path, ways, capsys):
    source = exported
    if ways[0] == "folder":
        source = tmp_path / "folder"
        with zipfile.ZipFile(exported) as z:
            z.extractall(source)
    data = ["--data", str(other.data_dir)]
    assert main(["import", str(source), *data]) == 0
    assert "was taken in with 2 photos" in capsys.readouterr().out
    assert main(["import", str(exported), *data]) == 0
    assert "here already, as #1; nothing was changed" in capsys.readouterr().out
    assert main(["import", str(exported), "--data", str(made / "data")]) == 0  # where it came from
    assert only_job(other).photos == 2


def test_what_was_done_to_it_here_since_is_not_touched(exported, other, capsys):
    job = only_job_after(other, exported)
    services.update_job(other, job, services.JobDetails("B. Customer"))
    before = services.job_view(other, job)
    assert main(["import", str(exported), "--data", str(other.data_dir)]) == 2
    assert "here already, as #1, and says something else" in capsys.readouterr().err
    assert services.job_view(other, job) == before


def only_job_after(store, exported):
    import_job(store, exported)
    return only_job(store).id


def test_a_number_that_is_taken_becomes_the_next(exported, other):
    services.create_job(other, services.JobDetails("C. Customer"))
    made = import_job(other, exported)
    assert (made.number, made.number_was) == (2, 1)
    assert [r.number for r in services.find_jobs(other, "#2", archived=True).rows] == [2]
    assert import_job(other, exported).already_there
    assert services.check_store(other).sound


def test_the_earlier_job_of_an_instrument_is_found_again(made, exported, other, tmp_path):
    second = made / "later.zip"
    import_job(other, second)
    assert linked(other) == 0  # the earlier one is not here
    assert import_job(other, second).already_there
    fresh = services.open_store(tmp_path / "fresh")
    for path in (exported, second):
        import_job(fresh, path)
    assert linked(fresh) == 1
    fresh.close()


def linked(store):
    with closing(sqlite3.connect(store.data_dir / DATABASE)) as connection:
        return connection.execute("SELECT count(*) FROM same_instrument").fetchone()[0]


@pytest.mark.parametrize(
    "harm",
    ["rows", "photo", "no rows", "no zip", "other kind", "two jobs", "newer", "bad answer",
     "deep", "no photos", "great number", "empty lists", "estimate", "terms", "prices", "words for a number",
     "other paper", "no paper", "hash", "decision", "mountains", "another's answer", "no such gauge", "no such hollow",
     "no such fret", "no such crown", "no hours", "fewer hours"],
)  # fmt: skip
def test_what_is_damaged_is_refused_and_leaves_nothing(exported, other, tmp_path, harm):
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(exported) as z, zipfile.ZipFile(bad, "w") as out:
        for name in z.namelist():
            data = z.read(name)
            if name == "job/rows.json":
                data = harmed(data, harm)
            if harm == "photo" and name == max(n for n in z.namelist() if n.startswith("job/photos")):
                data = data[:-1] + bytes([data[-1] ^ 1])
            if not (harm == "no rows" and name == "job/rows.json"):
                out.writestr(name, data)
    if harm == "no zip":
        bad.write_bytes(b"PK nothing of the kind")
    with pytest.raises(OptionError):
        import_job(other, bad)
    assert services.find_jobs(other, archived=True).total == 0
    assert not list(other.photos_dir.iterdir())  # nor a photo before the one that is damaged
    assert services.check_store(other).sound


ROW_HARMS = {
    "empty lists": ("inspections", "ask", "[]"),
    "bad answer": ("inspections", "answer", "{}"),
    "estimate": ("estimates", "content", "{}"),
    "hash": ("estimates", "content_hash", "0" * 64),
    "no paper": ("estimates", "pdf", None),
    "terms": ("terms", "limits", '{"divot_leave": 0.1}'),
    "prices": ("terms", "prices", "[]"),
    "other paper": ("answers", "pdf_sha256", "0" * 64),
    "words for a number": ("fret_heights", "height", "one"),
    "mountains": ("fret_heights", "height", 1e300),
    "no such gauge": ("gauge_readings", "reading", "fret 3, sparkle"),
    "no such hollow": ("gauge_readings", "value", 50.0),
    "no such fret": ("gauge_readings", "reading", "fret 99, hollow depth"),
    "no such crown": ("fret_heights", "fret", 99),
    "great number": ("jobs", "number", 10**30),  # more than SQLite holds
}
TERM_HARMS = {
    "decision": ("limits", "divot_leave", "value", "small"),  # can be read, but not held against anything
    "no hours": ("prices", "hours", "inspect", "NaN"),
    "fewer hours": ("prices", "hours", "inspect", "-5"),
}


def harmed(data, harm):
    from inspect_app.services import importing

    held = json.loads(data)
    if harm == "rows":
        return data.replace(b"A. Customer", b"B. Customer")
    if harm == "deep":
        return b'{"rows": ' + 100_000 * b"[" + 100_000 * b"]" + b"}"
    if harm == "no photos":
        held["rows"]["photos"] = 2
    if harm in ROW_HARMS:
        table, column, value = ROW_HARMS[harm]
        held["rows"][table][0][column] = value
    if harm == "another's answer":
        inspection = held["rows"]["inspections"][0]
        answer = json.loads(inspection["answer"])
        answer["photo"]["sha256"] = "0" * 64
        inspection["answer"] = json.dumps(answer)
    if harm in TERM_HARMS:
        column, part, name, value = TERM_HARMS[harm]
        terms = held["rows"]["terms"][0]
        read = json.loads(terms[column])
        read[part][name] = value
        terms[column] = json.dumps(read)
    if harm == "other kind":
        held["kind"] = "recipe"
    if harm == "two jobs":
        held["rows"]["jobs"] *= 2
    if harm == "newer":
        held["form"] = "9999"
    held["sha256"] = importing._digest(held["rows"])
    return json.dumps(held).encode()


def test_a_photo_that_is_none_is_refused_with_its_job(exported, other, tmp_path):
    from inspect_app.services import importing

    bad, junk = tmp_path / "bad.zip", b"no picture"
    named = hashlib.sha256(junk).hexdigest()
    with zipfile.ZipFile(exported) as z, zipfile.ZipFile(bad, "w") as out:
        held = json.loads(z.read("job/rows.json"))
        was = held["rows"]["photos"][0]["sha256"]
        held["rows"] = json.loads(json.dumps(held["rows"]).replace(was, named))
        held["sha256"] = importing._digest(held["rows"])
        out.writestr("job/rows.json", json.dumps(held))
        for name in (n for n in z.namelist() if n.startswith("job/photos")):
            out.writestr(name.replace(was, named), junk if was in name else z.read(name))
    with pytest.raises(PhotoError, match="not a picture"):
        import_job(other, bad)
    assert not list(other.photos_dir.iterdir())


def test_a_job_brings_no_choices_of_the_shop(exported, other, tmp_path):
    from inspect_app.services import importing

    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(exported) as z, zipfile.ZipFile(bad, "w") as out:
        for name in z.namelist():
            data = z.read(name)
            if name == "job/rows.json":
                held = json.loads(data)
                (standing,) = held["rows"]["settings"]
                standing["key"] = "theirs"
                held["sha256"] = importing._digest(held["rows"])
                data = json.dumps(held).encode()
            out.writestr(name, data)
    import_job(other, bad)
    assert services.get_setting(other, "theirs") is None
    assert services.get_setting(other, "shop") == SHOP


@pytest.mark.parametrize("seed", range(3))
def test_no_damage_to_a_zip_file_ends_in_anything_but_a_sentence(tmp_path, seed):
    """Single bytes of a small zip file changed at random: what can still be read is what was written."""
    from inspect_app.services import importing

    sound, bad, text = tmp_path / "sound.zip", tmp_path / "bad.zip", b"said twice, said twice, said twice"
    with zipfile.ZipFile(sound, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("job/rows.json", text)
        z.writestr("\u00fc", b"1")
    whole, chance, refused = sound.read_bytes(), random.Random(seed), 0
    for _ in range(500):
        data = bytearray(whole)
        data[chance.randrange(len(data))] = chance.randrange(256)
        bad.write_bytes(data)
        try:
            assert importing._read(bad, "job/rows.json", 1000) == text
        except OptionError:
            refused += 1
    assert refused


def test_an_export_of_an_earlier_version_is_brought_forward(exported, other, tmp_path):
    """Form 0006 had neither gauges, nor their readings, nor hashes."""
    from inspect_app.services import importing

    assert make_database(tmp_path / "old.sqlite", "0006")
    old = tmp_path / "old.zip"
    with zipfile.ZipFile(exported) as z, zipfile.ZipFile(old, "w") as out:
        for name in z.namelist():
            data = z.read(name)
            if name == "job/rows.json":
                held = json.loads(data)
                held["form"] = "0006"
                del held["rows"]["gauges"], held["rows"]["gauge_readings"]
                for row in held["rows"]["fret_heights"]:
                    row.pop("gauge_id", None)
                held["sha256"] = importing._digest(held["rows"])
                data = json.dumps(held).encode()
            out.writestr(name, data)
    import_job(other, old)
    assert services.job_view(other, only_job(other).id).photos[0].inspection is not None
    assert services.check_store(other).sound


def test_an_export_without_the_whole_says_how_to_make_one(made, other):
    with pytest.raises(OptionError, match=r"holds no job/rows.json.*--whole"):
        import_job(other, made / "plain.zip")


def test_rows_that_only_repeat_are_refused_before_they_are_read(other, tmp_path):
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(bad, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("job/rows.json", b'{"rows": [' + b"0," * 1_000_000 + b"0]}")
    with pytest.raises(OptionError, match="larger than any export makes it"):
        import_job(other, bad)
