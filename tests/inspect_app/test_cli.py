"""The command: what it prints, what it writes, how it ends."""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import jsonschema
import numpy as np
import pytest

import sample_images
from calib.photo import open_photo
from inspect_app import measure as measuring
from inspect_app.cli import main
from inspect_app.commands.table import answer_table
from inspect_app.measure import MEASURED_VIEWS, one_photo
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection, ScaleSummary
from inspect_app.reading.schema import answer_schema
from inspect_app.services import JobDetails, check_store, create_job, find_jobs, open_store
from shared.errors import ScaleError
from tests.conftest import rest_slow

SCHEMA = answer_schema()


@pytest.fixture
def photo(tmp_path, make_jpeg):
    path = tmp_path / "board.jpg"
    path.write_bytes(make_jpeg(1))
    return path


@pytest.fixture
def measured(monkeypatch, make_answer):
    """The command's measuring gives a full answer; returns the questions put."""
    asked = []

    def measure(photo, ask):
        asked.append(ask)
        return make_answer(photo.name, photo.sha256, ask)

    monkeypatch.setattr(one_photo, "measure", measure)
    return asked


def test_measured_photo_ends_with_0_and_writes_the_answer(photo, measured, tmp_path, capsys):
    out = tmp_path / "a.json"
    assert main(["measure", str(photo), "--scale-length", "640", "--json", str(out)]) == 0
    answer = json.loads(out.read_text())
    jsonschema.validate(answer, SCHEMA)
    assert answer["photo"]["name"] == "board.jpg"
    shown = capsys.readouterr().out
    assert [line.split()[0] for line in shown.splitlines()[2:4]] == ["3", "4"]
    assert "flats 2" in shown
    assert "not measured: fret 5, flats: glare over the crown" in shown
    assert "FOCAL_ASSUMED" in shown


@pytest.mark.parametrize(
    ("words", "number", "said"), [([], None, True), (["--scale-factor", "0.98"], None, False), ([], 3, False)]
)
def test_a_print_of_which_nothing_is_said_is_said_once(photo, monkeypatch, make_answer, capsys, words, number, said):
    def measure(photo, ask):
        answer = make_answer(photo.name, photo.sha256, ask)
        return replace(answer, scale=ScaleSummary("strip", "crown", 0.1, 40, number=number))

    monkeypatch.setattr(one_photo, "measure", measure)
    assert main(["measure", str(photo), str(photo), *words]) == 0
    assert capsys.readouterr().out.count("by the print's nominal size. Printers are off by up to 3 %") == said


def test_options_reach_the_question(photo, measured):
    words = "--view elevation --scale backdrop --scale-factor 1.002 --scale-plane below:2.5 --scale-length 640"
    words += " --first-fret 7 --nut right --treble top --crown-width 2.5 --crown-height 1.1 --end bass"
    assert main(["measure", str(photo), *words.split()]) == 0
    ask = measured[0]
    assert (ask.view, ask.scale.kind, ask.scale.factor) == ("elevation", "backdrop", 1.002)
    assert str(ask.scale_plane) == "below:2.5"
    assert (ask.scale_length, ask.first_fret, ask.nut, ask.treble) == (640.0, 7, "right", "top")
    assert (ask.crown_width, ask.crown_height, ask.end) == (2.5, 1.1, "bass")


@pytest.mark.parametrize(("view", "scale"), [("plan", "strip"), ("elevation", "backdrop"), ("section", "backdrop")])
def test_the_scale_follows_the_view(photo, measured, view, scale):
    main(["measure", str(photo), "--view", view])
    assert measured[0].scale.kind == scale


def test_no_scale_is_refused_with_the_reason_in_the_json(photo, tmp_path, capsys):
    out = tmp_path / "a.json"
    assert main(["measure", str(photo), "--scale", "strip", "--json", str(out)]) == 2
    answer = json.loads(out.read_text())
    jsonschema.validate(answer, SCHEMA)
    assert answer["frets"] == []
    assert "strip" in answer["not_measured"][0]["reason"]
    assert answer["not_measured"][0]["reason"] in capsys.readouterr().out


@pytest.mark.parametrize(
    ("content", "says"), [(None, "can't be read"), (b"", "is empty"), (b"not a picture at all", "is not a picture")]
)
def test_bad_files_are_refused_with_the_reason_in_the_json(tmp_path, content, says, capsys):
    path, out = tmp_path / "x.jpg", tmp_path / "a.json"
    if content is not None:
        path.write_bytes(content)
    assert main(["measure", str(path), "--json", str(out)]) == 2
    answer = json.loads(out.read_text())
    jsonschema.validate(answer, SCHEMA)
    assert says in answer["not_measured"][0]["reason"]


def test_several_photos_give_a_list_and_one_refusal_ends_with_2(photo, measured, tmp_path):
    bad, out = tmp_path / "bad.jpg", tmp_path / "a.json"
    bad.write_bytes(b"x")
    assert main(["measure", str(photo), str(bad), "--json", str(out), "--overlay", str(tmp_path / "drawn")]) == 2
    answers = json.loads(out.read_text())
    assert [bool(a["frets"]) for a in answers] == [True, False]
    assert [p.name for p in (tmp_path / "drawn").iterdir()] == ["board-readings.jpg"]


def test_several_photos_put_together_give_one_answer(photo, measured, tmp_path, capsys):
    other, out = tmp_path / "again.jpg", tmp_path / "a.json"
    other.write_bytes(photo.read_bytes() + b" ")
    assert main(["measure", str(photo), str(other), "--together", "--json", str(out)]) == 0
    answer = json.loads(out.read_text())
    jsonschema.validate(answer, SCHEMA)
    assert [p["name"] for p in answer["options"]["together"]] == ["board.jpg", "again.jpg"]
    alone = one_photo.measure(open_photo(photo.read_bytes(), photo.name), Ask("plan"))
    assert [len(f["flats"]) for f in answer["frets"]] == [len(f.flats) for f in alone.frets]
    assert "board.jpg + again.jpg" in capsys.readouterr().out


def test_the_overlay_is_the_photo_with_something_on_it(photo, measured, tmp_path):
    out = tmp_path / "o.png"
    assert main(["measure", str(photo), "--overlay", str(out)]) == 0
    before, after = cv2.imread(str(photo)), cv2.imread(str(out))
    assert before.shape == after.shape
    assert np.any(before != after)


def test_an_overlay_that_is_no_picture_is_refused(photo, measured, tmp_path, capsys):
    assert main(["measure", str(photo), "--overlay", str(tmp_path / "o.txt")]) == 2
    assert "End its name in .jpg" in capsys.readouterr().err


def test_json_into_a_missing_folder_makes_it(photo, measured, tmp_path):
    assert main(["measure", str(photo), "--json", str(tmp_path / "new" / "a.json")]) == 0
    assert (tmp_path / "new" / "a.json").is_file()


def test_json_where_nothing_can_be_written_is_refused(photo, measured, capsys):
    assert main(["measure", str(photo), "--json", str(photo / "a.json")]) == 2
    assert "can't be written" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("measure x.jpg --scael strip", "There is no option --scael. Did you mean --scale?"),
        ("measure x.jpg --zzz", "There is no option --zzz."),
        ("restore a.zip b --data c", "This command has no option --data."),
        ("measure", "The following arguments are required: PHOTO."),
        ("measure x.jpg --first-fret two", "invalid int value: 'two'"),
        ("measure x.jpg --nut up", "invalid choice: 'up'"),
        ("mesure x.jpg", "invalid choice: 'mesure'"),
        ("print-scales", "--out"),
    ],
)
def test_unknown_options_are_one_sentence_and_end_with_2(words, says, capsys):
    with pytest.raises(SystemExit) as ended:
        main(words.split())
    assert ended.value.code == 2
    err = capsys.readouterr().err
    assert says in err
    assert "--help" in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("--view beside", "There is no view called 'beside'. Use one of: plan, elevation, end, section, side."),
        ("--view side --held low", "The frets 'low' are not understood."),
        ("--view side --held 1,2,3", "A string can't be held down on 1, 2, 3."),
        ("--scale coin", "The scale 'coin' is not understood."),
        ("--scale coin:big", "The scale 'coin:big' is not understood."),
        ("--scale span:1,2,3", "The scale 'span:1,2,3' is not understood."),
        ("--scale-plane under", "The place of the scale 'under' is not understood."),
        ("--scale-plane below:-1", "The place of the scale 'below:-1' is not understood."),
        ("--scale-length -5", "The scale length of -5 mm is not possible."),
        ("--crown-width 0", "The crown width of 0 mm is not possible."),
        ("--first-fret 0", "There is no fret 0."),
    ],
)
def test_impossible_values_are_one_sentence_and_end_with_2(photo, words, says, capsys):
    assert main(["measure", str(photo), *words.split()]) == 2
    assert capsys.readouterr().err.startswith(says)


def test_jobs_lists_what_is_stored(tmp_path, capsys):
    data = tmp_path / "data"
    open_store(data).close()
    assert main(["jobs", "--data", str(data)]) == 0
    assert "There are no jobs yet" in capsys.readouterr().out
    store = open_store(data)
    for name in ("Ada", "Bo", "Cy"):
        create_job(store, JobDetails(name))
    store.close()
    assert main(["--data", str(data), "jobs", "bo"]) == 0
    assert capsys.readouterr().out.strip() == "#2  Bo    0 photos  no photos to measure yet"
    assert main(["jobs", "--data", str(data), "--limit", "1"]) == 0
    assert "2 more" in capsys.readouterr().out
    assert main(["jobs", "--data", str(data), "nobody"]) == 0
    assert "No job holds all these words." in capsys.readouterr().out


def test_check_ends_with_1_when_something_is_missing(tmp_path, store, job, make_jpeg, capsys):
    from inspect_app.services import add_photo, photo_path

    added = add_photo(store, job, make_jpeg(3), "a.jpg").photo
    assert main(["check", "--data", str(store.data_dir)]) == 0
    photo_path(store, added.sha256).unlink()
    assert main(["check", "--data", str(store.data_dir)]) == 1
    assert "missing: a.jpg" in capsys.readouterr().out


def test_backup_writes_the_file_and_says_how_to_use_it(tmp_path, store, capsys):
    out = tmp_path / "b.zip"
    assert main(["backup", str(out), "--data", str(store.data_dir)]) == 0
    assert out.is_file()
    assert "restore" in capsys.readouterr().out


def test_a_data_folder_that_is_a_file_is_refused(tmp_path, capsys):
    (tmp_path / "data").write_text("")
    assert main(["jobs", "--data", str(tmp_path / "data")]) == 2
    assert "is a file. Check its name, and choose another folder with --data" in capsys.readouterr().err


def test_pages_get_the_options_on_either_side_of_the_command(monkeypatch, tmp_path):
    from inspect_app.commands import pages

    got = []
    monkeypatch.setattr(pages, "serve", lambda *a: got.append(a))
    main(["--data", str(tmp_path), "--port", "8600", "--no-browser"])
    main([])
    assert got == [(tmp_path, 8600, False, False, None), (None, 8501, True, False, None)]


@pytest.mark.slow
def test_the_demo_is_two_jobs_however_often_it_is_opened(monkeypatch, finished_made):
    from inspect_app.commands import pages

    monkeypatch.setattr(pages, "serve", lambda *a: None)
    data = finished_made()  # opened once
    for _ in range(2):
        assert main(["demo", "--data", str(data), "--no-browser"]) == 0
    store = open_store(data)
    rows = find_jobs(store).rows
    samples = len(sample_images.photos())
    assert [r.photos for r in rows] == [samples + 1, samples]  # the finished one has a finding with a photo of its own
    assert [r.stage.value for r in rows] == ["handed over", "readings to review"]
    assert check_store(store).sound
    store.close()


def test_the_passcode_may_come_from_the_environment(monkeypatch):
    from inspect_app.commands import pages

    got = []
    monkeypatch.setattr(pages, "serve", lambda *a: got.append(a))
    monkeypatch.setenv("INSPECT_APP_PASSCODE", "from the wall")
    main(["--lan"])
    assert got[0][3:] == (True, "from the wall")


def test_lengths_on_the_screen_may_be_thousandths_of_an_inch(photo, measured, tmp_path, capsys):
    out = tmp_path / "a.json"
    assert main(["measure", str(photo), "--units", "inch", "--json", str(out)]) == 0
    assert "thou" in capsys.readouterr().out
    assert json.loads(out.read_text())["frets"][0]["length"]["unit"] == "mm"


def test_the_table_names_every_doubt_once(make_answer):
    table = answer_table(make_answer())
    assert table.count("FOCAL_ASSUMED") == 1
    assert table.count("  INDIRECT:") == 1


def one_sample_of_each_view():
    """The first sample photo of each view, with the options its truth file asks for."""
    found = {}
    for path in sorted(Path(sample_images.__file__).parent.glob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        if "ask" in truth:
            found.setdefault(truth["ask"]["view"], (path.with_name(truth["photo"]), truth["ask"]))
    quickest_first = sorted(found.items(), key=lambda of: (of[0] != "section", of[0]))
    return rest_slow([pytest.param(*item, id=view) for view, item in quickest_first if view in MEASURED_VIEWS])


def test_a_view_without_a_recipe_is_refused_with_the_reason(photo, tmp_path, monkeypatch):
    monkeypatch.setattr(measuring, "MEASURED_VIEWS", ("plan",))
    out = tmp_path / "answer.json"
    assert main(["measure", str(photo), "--view", "section", "--json", str(out)]) == 2
    assert "by hand" in json.loads(out.read_text(encoding="utf-8"))["not_measured"][0]["reason"]


@pytest.mark.parametrize(("photo", "ask"), one_sample_of_each_view())
def test_a_real_answer_fits_the_schema_and_comes_back_whole(photo, ask, tmp_path):
    out = tmp_path / "a.json"
    options = [word for name, value in ask.items() for word in (f"--{name.replace('_', '-')}", str(value))]
    drawn = tmp_path / "o.jpg"
    assert main(["measure", str(photo), *options, "--json", str(out), "--overlay", str(drawn)]) == 0
    answer = json.loads(out.read_text())
    jsonschema.validate(answer, SCHEMA)
    assert json.loads(json.dumps(Inspection.from_dict(answer).to_dict())) == answer
    assert all(o["of"].startswith(f"fret {f['number']}, ") for f in answer["frets"] for o in f["outlines"])
    assert drawn.stat().st_size > 0


def test_the_command_starts_as_a_module():
    ran = subprocess.run(
        [sys.executable, "-m", "inspect_app.cli", "--version"], capture_output=True, text=True, check=True
    )
    assert ran.stdout.startswith("inspect-app ")


def test_a_refusal_of_the_view_is_kept_apart_from_a_fault(photo, tmp_path, monkeypatch):
    monkeypatch.setattr("inspect_app.commands.files.report_folder", lambda: tmp_path / "reports")

    def fails(photo, ask):
        raise RuntimeError("a fault of the program, not of the photo")

    monkeypatch.setattr(one_photo, "measure", fails)
    assert main(["measure", str(photo)]) == 3
    assert len(list((tmp_path / "reports").iterdir())) == 1

    def refuses(photo, ask):
        raise ScaleError("No.", "Do.")

    monkeypatch.setattr(one_photo, "measure", refuses)
    assert main(["measure", str(photo)]) == 2


def test_the_schema_is_printed(capsys):
    assert main(["schema"]) == 0
    assert json.loads(capsys.readouterr().out) == SCHEMA
