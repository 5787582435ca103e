"""No exception reaches a person: every odd photo and question ends in an answer or a sentence.

The sweep here is short; ``python -m tests.sweeps.odd_inputs`` goes as far as one likes.
"""

import json
import os
import re
import subprocess
import sys
import time
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.photo import open_photo
from inspect_app import services
from inspect_app.cli import main
from inspect_app.commands import answering
from inspect_app.measure import measure
from inspect_app.reading.ask import Ask, ScaleAsk
from shared.errors import UnforeseenError
from tests.conftest import rest_slow
from tests.inspect_app.conftest import full_answer, mm, noise_jpeg
from tests.inspect_app.promises.odd_inputs import MANY, QUICK, SAMPLES, answered

CORPUS = (3_028_900, 3_029_650, 3_109_700, 73, 20, 303, 1134, 60_977_645)
"""Seeds that once ended in an exception."""
SWEEP = 20_000


@pytest.mark.parametrize("seed", rest_slow(CORPUS, 4))
def test_what_once_failed_does_so_no_more(seed):
    answer = answered(seed)
    if answer is not None:
        json.dumps(answer.to_dict(), allow_nan=False)


@pytest.mark.slow
def test_odd_photos_and_questions_end_in_an_answer_or_a_sentence(tmp_path):
    """In a process of its own: its memory is watched too; its time is not, but for an input that hangs."""
    words = ["--from", str(QUICK), "--count", str(SWEEP), "--processes", "1", "--slow", "inf"]
    words += ["--report", str(tmp_path / "report")]
    ran = subprocess.run([sys.executable, "-m", "tests.sweeps.odd_inputs", *words], capture_output=True, text=True)
    said = (tmp_path / "report").read_text(encoding="utf-8")
    assert ran.returncode == 0, said + ran.stderr
    assert int(re.search(r"(\d+) answered", said)[1]) > SWEEP / 200  # not all refused at the door


@pytest.mark.slow
def test_the_sweep_tells_what_is_wrong(monkeypatch):
    """Each fault that it looks for, put there on purpose."""
    from tests.sweeps import odd_inputs as sweep

    def judged(fails, slow=sweep.SLOW_S):
        with monkeypatch.context() as m:
            m.setattr("inspect_app.measure.measure", fails)
            return [what for seed in range(MANY, MANY + 200, 50) for what, _ in sweep.judged(seed, slow)[1]]

    def breaks(photo, ask):
        raise IndexError("7")

    def lingers(photo, ask):
        end = time.process_time() + 0.2
        while time.process_time() < end:
            pass
        return full_answer()

    assert set(judged(breaks)) == {"exception"}
    assert "slow" in judged(lingers, slow=0.1)
    answer, was = full_answer(), full_answer()
    moved = replace(was.frets[0], crown_width=mm(was.frets[0].crown_width.value + 0.1))
    with monkeypatch.context() as m:
        m.setattr("inspect_app.measure.measure", lambda photo, ask: replace(was, frets=(moved, *was.frets[1:])))
        (text,) = sweep.far_off(answer, noise_jpeg(), Ask("plan", ScaleAsk("strip")))
    assert text.startswith("fret 3, crown width")
    whole = noise_jpeg(1)
    assert not sweep.decoder_warned(whole)
    assert sweep.decoder_warned(whole[:-400])


@pytest.fixture
def faulty(monkeypatch):
    """A recipe that fails as no one foresaw, for photos whose first pixel is dark."""
    from inspect_app.measure.plan import recipe

    def fails(photo, scale, plane, ask):
        raise IndexError("index 7 is out of bounds")

    monkeypatch.setattr(recipe, "detect", fails)
    monkeypatch.setattr("inspect_app.measure.find_scale", lambda *_: None)
    monkeypatch.setattr("inspect_app.measure.fit_plane", lambda *_: None)


def photos_in(folder, n):
    paths = [folder / f"p{i}.jpg" for i in range(n)]
    for i, path in enumerate(paths):
        path.write_bytes(noise_jpeg(i))
    return paths


def test_a_fault_in_one_photo_is_that_photos_refusal_with_a_report(faulty):
    photo = open_photo(noise_jpeg(), "a.jpg")
    with pytest.raises(UnforeseenError, match="nobody foresaw") as caught:
        measure(photo, Ask("plan", ScaleAsk("strip")))
    assert "index 7 is out of bounds" in caught.value.report
    assert photo.sha256 in caught.value.report
    assert "a.jpg" not in caught.value.report


def test_the_command_goes_on_past_a_fault_and_names_the_report(faulty, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(answering, "report_folder", lambda: tmp_path / "reports")
    paths = photos_in(tmp_path, 3)
    assert main(["measure", *map(str, paths), "--json", str(tmp_path / "out.json")]) == 2
    answers = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert ["nobody foresaw" in a["not_measured"][0]["reason"] for a in answers] == [True] * 3
    reports = list((tmp_path / "reports").glob("report-*.txt"))
    assert len(reports) == 3  # one a photo: each names its own
    assert str(reports[0].parent) in capsys.readouterr().out


def test_a_stored_photo_keeps_its_refusal_and_the_others_go_on(faulty, store, job):
    ids = [services.add_photo(store, job, noise_jpeg(i), f"{i}.jpg").photo.id for i in range(2)]
    views = [services.measure_photo(store, i, Ask("plan", ScaleAsk("strip"))) for i in ids]
    assert all("nobody foresaw" in v.answer.not_measured[0].reason for v in views)
    assert len(list((store.data_dir / "reports").glob("report-*.txt"))) == 2
    assert services.check_store(store).sound


def test_any_other_fault_of_a_command_ends_in_a_sentence_and_a_report(monkeypatch, tmp_path, capsys):
    from inspect_app.commands import files, jobs

    monkeypatch.setattr(files, "report_folder", lambda: tmp_path / "reports")
    monkeypatch.setattr(jobs, "open_store", lambda *_, **__: 1 / 0)
    assert main(["jobs", "--data", str(tmp_path)]) == 3
    said = capsys.readouterr().err
    assert said.startswith("This failed in a way nobody foresaw.")
    (report,) = (tmp_path / "reports").iterdir()
    assert str(report) in said
    assert "ZeroDivisionError" in report.read_text(encoding="utf-8")


def test_a_reader_that_stops_reading_gets_no_error():
    """As in `inspect-app schema | head -1`."""
    command = [sys.executable, "-m", "inspect_app.cli", "schema"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as ran:
        ran.stdout.close()
        assert ran.stderr.read() == b""
    assert ran.returncode == 141


def test_a_number_that_is_none_is_never_handed_out(monkeypatch, make_answer):
    from dataclasses import replace

    from inspect_app.measure.unforeseen import finite

    answer = make_answer()
    assert "blur_px" not in finite(replace(answer, checks={"blur_px": float("nan")})).checks
    with pytest.raises(ValueError, match="JSON"):
        finite(replace(answer, camera=replace(answer.camera, focal_px=float("inf"))))


@pytest.mark.parametrize("size", [(1, 4000), (4000, 1), (31, 400), (1, 1)])
def test_slivers_are_refused_and_not_stored(store, job, size):
    data = cv2.imencode(".png", np.zeros((*size, 3), np.uint8))[1].tobytes()
    with pytest.raises(services_error(), match="too few to measure"):
        services.add_photo(store, job, data, "sliver.png")
    assert services.job_view(store, job).photos == ()


def services_error():
    from shared.errors import PhotoError

    return PhotoError


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_pipe_does_not_hang(tmp_path, capsys):
    os.mkfifo(tmp_path / "pipe.jpg")
    assert main(["measure", str(tmp_path / "pipe.jpg")]) == 2
    assert "is not a file" in capsys.readouterr().out


def test_a_file_of_four_gigabytes_is_not_read(tmp_path, capsys):
    with (tmp_path / "big.jpg").open("wb") as f:
        f.truncate(4 << 30)  # sparse
    assert main(["measure", str(tmp_path / "big.jpg")]) == 2
    assert "is larger than" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("--scale-factor 0", "scale factor"),
        ("--scale-factor nan", "scale factor"),
        ("--scale-factor inf", "scale factor"),
        ("--scale-factor 1e-9", "scale factor"),
        ("--crown-height 50", "crown height of 50 mm"),
        ("--crown-width nan", "crown width of nan mm"),
        ("--scale span:nan,1,2,3,4", "is not understood"),
        ("--scale span:1e300,1,2,3,4", "is not understood"),
    ],
)
def test_impossible_numbers_are_a_sentence(tmp_path, words, says, capsys):
    (path,) = photos_in(tmp_path, 1)
    assert main(["measure", str(path), *words.split()]) == 2
    said = capsys.readouterr()
    assert says in (said.out + said.err).replace("\n", " ")


def test_what_a_parser_of_photos_ends_in_is_a_sentence(monkeypatch):
    from shared.errors import PhotoError

    monkeypatch.setattr("PIL.Image.open", lambda *_: (_ for _ in ()).throw(KeyError("odd")))
    with pytest.raises(PhotoError, match="not a picture"):
        open_photo(noise_jpeg(), "a.jpg")


@pytest.mark.slow
def test_a_crown_said_to_be_as_tall_as_wide_is_measured():
    """Its bevels' uncertainty asks what a taller one would give, which is no crown."""
    path = next(p for p in SAMPLES if p.stem == "intake-elevation-3")
    answer = measure(open_photo(path.read_bytes()), Ask("elevation", ScaleAsk("backdrop"), crown_width=1.0))
    assert answer.frets
