"""Many photos by command: folders, workers, a file of answers that a stopped run goes on with, a cluster."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import pytest

import sample_images
from inspect_app.cli import main
from inspect_app.measure import one_photo
from inspect_app.reading.inspection import Inspection
from tests.inspect_app.conftest import full_answer, noise_jpeg

SAMPLES = Path(sample_images.__file__).parent


@pytest.fixture
def folder(tmp_path):
    """A folder of five photos, one of them damaged, and a note."""
    at = tmp_path / "photos"
    at.mkdir()
    for n in range(5):
        (at / f"{n}.jpg").write_bytes(noise_jpeg(n))
    (at / "3.jpg").write_bytes(noise_jpeg(3)[:900])
    (at / "notes.txt").write_text("not a photo")
    return at


@pytest.fixture
def asked(monkeypatch):
    """Every photo gives a full answer; returns the names asked for."""
    names = []

    def measure(photo, ask):
        from dataclasses import replace

        from inspect_app import __version__

        names.append(photo.name)
        return replace(full_answer(photo.name, photo.sha256, ask), version=__version__)

    monkeypatch.setattr(one_photo, "measure", measure)
    return names


def lines(path):
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def test_a_folder_is_its_photos_in_the_order_of_their_names(folder, asked, tmp_path):
    out = tmp_path / "out.json"
    assert main(["measure", str(folder), "--json", str(out)]) == 2
    assert [a["photo"]["name"] for a in json.loads(out.read_text())] == [f"{n}.jpg" for n in range(5)]
    assert asked == ["0.jpg", "1.jpg", "2.jpg", "4.jpg"]


def test_a_folder_without_photos_is_refused(tmp_path, capsys):
    assert main(["measure", str(tmp_path)]) == 2
    assert "holds no photos" in capsys.readouterr().err


@pytest.mark.parametrize("workers", ["-1", "1000000"])
def test_a_number_of_workers_that_makes_no_sense_is_refused(folder, workers, capsys):
    assert main(["measure", str(folder), "--workers", workers]) == 2
    assert "workers are not possible" in capsys.readouterr().err


def test_a_stopped_run_is_taken_up_where_it_ended(folder, asked, tmp_path, capsys):
    results, out = tmp_path / "r.jsonl", tmp_path / "out.json"
    words = ["measure", str(folder), "--results", str(results)]
    assert main([*words, "--json", str(out)]) == 2
    whole, answers = results.read_bytes(), out.read_bytes()
    assert len(whole.splitlines()) == 5
    for kept in (2, 3):
        cut = b"".join(whole.splitlines(keepends=True)[:kept])
        results.write_bytes(cut + whole[len(cut) : len(cut) + 40])  # the next line was cut short
        asked.clear()
        out.unlink()
        assert main([*words, "--json", str(out)]) == 2
        assert asked == [f"{n}.jpg" for n in range(kept, 5) if n != 3]
        assert out.read_bytes() == answers
        assert [Inspection.from_dict(a).photo.name for a in lines(results)] == [f"{n}.jpg" for n in range(5)]


def test_another_question_or_photo_is_asked_for_again(folder, asked, tmp_path):
    results = tmp_path / "r.jsonl"
    assert main(["measure", str(folder), "--results", str(results)]) == 2
    asked.clear()
    (folder / "1.jpg").write_bytes(noise_jpeg(11))
    assert main(["measure", str(folder), "--results", str(results)]) == 2
    assert asked == ["1.jpg"]
    asked.clear()
    assert main(["measure", str(folder), "--results", str(results), "--first-fret", "3"]) == 2
    assert len(asked) == 4


def test_a_file_of_something_else_stays_as_it_is(folder, asked, tmp_path, capsys):
    for text in ("a letter\n", '{"a": 1}\n', "[]\n", "a letter", '{"a": 1}', '{"format"- '):
        other = tmp_path / "letter.txt"
        other.write_text(text)
        assert main(["measure", str(folder), "--results", str(other)]) == 2
        assert "something else than answers" in capsys.readouterr().err
        assert other.read_text() == text
    assert asked == []


def test_a_full_disk_is_said_and_what_was_measured_stays(folder, asked, tmp_path, monkeypatch, capsys):
    results = tmp_path / "r.jsonl"
    words = ["measure", str(folder), "--results", str(results)]

    def full(_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as m:
        m.setattr(os, "fsync", full)
        assert main(words) == 2
    assert "No space left on device. Free some space, then" in capsys.readouterr().err
    assert main(words) == 2  # one of them is no photo
    assert len(lines(results)) == 5


def test_ctrl_c_says_how_to_go_on(folder, monkeypatch, tmp_path, capsys):
    def stop(photo, ask):
        if photo.name == "2.jpg":
            raise KeyboardInterrupt
        return full_answer(photo.name, photo.sha256, ask)

    monkeypatch.setattr(one_photo, "measure", stop)
    results = tmp_path / "r.jsonl"
    assert main(["measure", str(folder), "--results", str(results)]) == 130
    assert "the same command goes on from there" in capsys.readouterr().err
    assert len(lines(results)) >= 1


def command(*words, **kwargs):
    """The command in a process of its own, with real workers."""
    env = {k: v for k, v in os.environ.items() if k != "INSPECT_APP_APART"}
    return subprocess.Popen([sys.executable, "-m", "inspect_app.cli", *map(str, words)], env=env, text=True, **kwargs)


def run(*words):
    with command(*words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child:
        out, err = child.communicate(timeout=500)
    return child.returncode, out, err


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    """A folder of three sample photos, half as large, and what one worker says of them."""
    folder = tmp_path_factory.mktemp("real")
    for name in ("intake-plan-6", "intake-elevation-3", "after-plan-1"):
        half = cv2.imread(str(SAMPLES / f"{name}.jpg"), cv2.IMREAD_REDUCED_COLOR_2)
        assert cv2.imwrite(str(folder / f"{name}.jpg"), half)
    out = folder / "one.json"
    code, said, err = run("measure", folder, "--scale-length", 640, "--workers", 1, "--json", out)
    assert code == 2, err  # the elevation photo has no strip
    assert "intake-plan-6.jpg: plan" in said
    return folder, out.read_bytes()


@pytest.mark.slow
def test_three_workers_give_the_same_to_the_bit_as_one(real, tmp_path):
    folder, expected = real
    out = tmp_path / "out.json"
    assert run("measure", folder, "--scale-length", 640, "--workers", 3, "--json", out)[0] == 2
    assert out.read_bytes() == expected


@pytest.mark.slow
def test_a_run_that_is_killed_is_taken_up(real, tmp_path):
    folder, expected = real
    results, out = tmp_path / "r.jsonl", tmp_path / "out.json"
    words = ("measure", folder, "--scale-length", 640, "--workers", 1, "--results", results)
    with command(*words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as child:
        while child.poll() is None and not (results.exists() and results.read_bytes().count(b"\n")):
            time.sleep(0.05)
        child.send_signal(signal.SIGKILL)
    assert results.read_bytes().count(b"\n") >= 1
    assert run(*words, "--json", out)[0] == 2
    assert out.read_bytes() == expected
    assert len(lines(results)) == 3


@pytest.mark.slow
def test_a_local_cluster_of_two_processes_gives_the_same_to_the_bit(real, tmp_path):
    distributed = pytest.importorskip("distributed")
    folder, expected = real
    out = tmp_path / "out.json"
    env = {k: v for k, v in os.environ.items() if k != "INSPECT_APP_APART"}
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        env=env,
        local_directory=str(tmp_path),
    ) as cluster:
        address = cluster.scheduler_address
        code, _, err = run("measure", folder, "--scale-length", 640, "--scheduler", address, "--json", out)
    assert code == 2, err
    assert out.read_bytes() == expected


@pytest.mark.slow
def test_a_scheduler_that_does_not_answer_is_said(folder, capsys):
    pytest.importorskip("distributed")
    from inspect_app.commands import cluster

    with pytest.MonkeyPatch.context() as m:
        m.setattr(cluster, "_WAIT_S", 1)
        assert main(["measure", str(folder), "--scheduler", "tcp://127.0.0.1:9"]) == 2
    assert "No scheduler answers at tcp://127.0.0.1:9" in capsys.readouterr().err


def test_without_the_extra_it_is_said_how_to_install_it(folder, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["measure", str(folder), "--scheduler", "tcp://127.0.0.1:8786"]) == 2
    assert "inspect-app[cluster]" in capsys.readouterr().err
