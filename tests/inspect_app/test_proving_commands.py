"""``known-thing`` and ``repeat-study``: what they print, write and refuse."""

import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from inspect_app.cli import main
from inspect_app.measure import one_photo

SECTION = Path(__file__).parents[2] / "sample_images" / "intake-section.jpg"
TRUTH = json.loads(SECTION.with_suffix(".json").read_text(encoding="utf-8"))["section"]
ACROSS_TANG = "1060,656,1295,676"


def known(*words):
    return main(["known-thing", str(SECTION), "--view", "section", *words])


@pytest.mark.slow
def test_a_tang_of_known_width_agrees_both_ways(tmp_path, capsys):
    """The wire's tang, drawn 0.52 mm wide, as a leaf seen end-on and as a reading by its name."""
    out, drawn = tmp_path / "known.json", tmp_path / "drawn.png"
    size = ["--expected", str(TRUTH["tang_width"]), "--within", "0.005"]
    assert known("--across", ACROSS_TANG, *size, "--json", str(out), "--overlay", str(drawn)) == 0
    said = capsys.readouterr().out
    assert "intake-section.jpg: distance across" in said
    assert ", agrees" in said
    form = json.loads(out.read_text())
    assert form["agrees"] is True
    assert form["read"]["value"] == pytest.approx(TRUTH["tang_width"], abs=0.003)
    assert abs(form["e_n"]) < 1.0
    assert len(form["date"]) == 10
    assert np.any(cv2.imread(str(drawn)) != cv2.imread(str(SECTION)))
    assert known("--reading", "fret 1, tang width", *size) == 0


@pytest.mark.slow
def test_a_leaf_of_another_thickness_and_a_wrong_print_are_found_out(capsys):
    assert known("--across", ACROSS_TANG, "--expected", "0.55", "--within", "0.005") == 1
    said = capsys.readouterr().out
    assert "does not agree" in said
    assert said.index("another thing") < said.index("check bar")
    wide = ["--reading", "fret 1, crown width", "--expected", str(TRUTH["crown_width"]), "--within", "0.005"]
    assert known(*wide) == 0
    assert known(*wide, "--scale-factor", str(1 / 0.98)) == 1  # a print at 98 % taken for a true one
    said = capsys.readouterr().out
    share = re.search(r"by this scale is ([\d.]+) % too large: measure the print's check bar", said)
    assert float(share[1]) == pytest.approx(100 * (1 / 0.98 - 1), abs=0.35)  # half of U: 0.016 of 2.4 mm


@pytest.mark.slow
def test_a_reading_that_is_not_there_is_said(capsys):
    assert known("--reading", "fret 2, crown width", "--expected", "2.4", "--within", "0.01") == 2
    assert "The photo gives no fret 2, crown width. It gives: fret 1, crown width; " in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--expected", "1", "--within", "0.1"], "Give one of --across"),
        (["--expected", "1", "--within", "0", "--across", "1,2,3,4"], "how far off that may be"),
        (["--expected", "nan", "--within", "0.1", "--across", "1,2,3,4"], "how far off that may be"),
        (["--expected", "1", "--within", "0.1", "--across", "1,2,3"], "The points '1,2,3' are not understood"),
        (["--expected", "1", "--within", "0.1", "--reading", "??"], "?"),
        (["--expected", "30", "--within", "0.1", "--angle", "1,2,3,4"], "Give 8 numbers, X and Y of 4 points"),
        (["--expected", "1", "--within", "0.1", "--across", "1,2,3,4", "--reading", "x"], "Give one of --across"),
    ],
)
def test_what_makes_no_sense_is_refused(words, sentence, capsys):
    assert known(*words) == 2
    assert sentence in capsys.readouterr().err


@pytest.fixture
def study(tmp_path, monkeypatch, make_answer, make_jpeg):
    """Two people's folders of three photos; every photo gives a full answer whose widths differ a little."""
    count = iter(range(100))

    def measure(photo, ask):
        answer = make_answer(photo.name, photo.sha256, ask)
        k = next(count)
        frets = [_wider(f, 0.01 * (k % 3) + 0.05 * (k >= 3)) for f in answer.frets]
        return _with_frets(answer, frets)

    monkeypatch.setattr(one_photo, "measure", measure)
    for who in ("first", "second"):
        (tmp_path / who).mkdir()
        for k in range(3):
            (tmp_path / who / f"{k}.jpg").write_bytes(make_jpeg(k))
    return tmp_path


def _wider(fret, by):
    return replace(fret, crown_width=replace(fret.crown_width, value=fret.crown_width.value + by))


def _with_frets(answer, frets):
    return replace(answer, frets=tuple(frets))


def test_folders_are_people_and_the_table_is_plain(study, capsys):
    out = study / "study.json"
    (study / "first" / "note.txt").write_text("not a photo")
    (study / "second" / "bad.jpg").write_bytes(b"x")
    assert (
        main(
            [
                "repeat-study",
                str(study / "first"),
                str(study / "second"),
                "--json",
                str(out),
                "--plot",
                str(study / "study.svg"),
            ]
        )
        == 0
    )
    drawn = ElementTree.fromstring((study / "study.svg").read_text(encoding="utf-8"))
    panel = "".join(t.text for t in drawn.iter("{http://www.w3.org/2000/svg}text"))
    assert {"first", "second"} <= {t.text for t in drawn.iter("{http://www.w3.org/2000/svg}text")}
    assert "crown width: s_r 0.01 mm" in panel
    said = capsys.readouterr().out
    assert "bad.jpg is not a picture" in said
    assert "note.txt" not in said
    row = next(line for line in said.splitlines() if line.strip().startswith("crown width"))
    assert "12 of 2" in row
    assert "0.010 mm" in row  # three widths 0.01 mm apart: s_r is 0.01
    form = {q["quantity"]: q for q in json.loads(out.read_text())["quantities"]}
    assert form["crown width"]["repeatability"] == pytest.approx(0.01)
    assert form["crown width"]["between"] == pytest.approx(np.sqrt(0.05**2 / 2 - 0.01**2 / 3), rel=1e-6)
    assert form["bevel treble"]["repeatability"] == pytest.approx(0.0, abs=1e-12)
    assert "position" not in form


def test_photos_by_name_belong_to_their_folders(study, capsys):
    photos = [str(study / "first" / f"{k}.jpg") for k in range(2)]
    assert main(["repeat-study", *photos]) == 0
    assert "0.007 mm" in capsys.readouterr().out  # two widths 0.01 mm apart
    assert main(["repeat-study", photos[0]]) == 2
    assert "Nothing was read twice" in capsys.readouterr().err
    (study / "empty").mkdir()
    assert main(["repeat-study", str(study / "empty")]) == 2
    assert "empty holds no photos" in capsys.readouterr().err
