"""``inspect-app lens`` and ``measure --lens``: what is said, what is refused, and that the profile reaches the fit."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

from calib.lens_board import Board, SeenBoard
from calib.lens_profile import LensProfile, profile_from_json, profile_to_json
from calib.photo import Camera
from inspect_app.cli import main
from inspect_app.commands import lens

SIZE = (900, 675)
SAMPLES = Path(__file__).parents[2] / "sample_images"


def view(name, turn, lean, rng, focal_px=1500.0, away=380.0):
    """The board as a camera shows it that leans by `lean`, rad, to the side that `turn` says."""
    places = Board().corners_mm().astype(float) - [96.0, 72.0, 0.0]
    axis = np.array([math.sin(turn), math.cos(turn), 0.0])
    cross = np.array([[0, 0, axis[1]], [0, 0, -axis[0]], [-axis[1], axis[0], 0]])
    rotation = np.eye(3) + math.sin(lean) * cross + (1 - math.cos(lean)) * cross @ cross
    seen = places @ rotation.T + [0.0, 0.0, away]
    px = seen[:, :2] / seen[:, 2:] * focal_px + (np.array(SIZE) - 1) / 2 + rng.normal(0, 0.05, (len(seen), 2))
    face = -rotation[:, 2]
    return SeenBoard(
        name, SIZE, Camera(), np.arange(len(px)), px.astype(np.float32), 1.0, (float(face[0]), float(face[1]))
    )


@pytest.fixture
def straight_views(board_views, views, tmp_path):
    """Three photos from straight above through a lens of a tenth more focal length, from a tenth farther."""
    rng = np.random.default_rng(5)
    for i in range(3):
        views[f"s{i}.jpg"] = view(f"s{i}.jpg", 0.0, 0.0, rng, 1650.0, 418.0)
        (tmp_path / f"s{i}.jpg").write_bytes(b"x")
    return [str(tmp_path / f"s{i}.jpg") for i in range(3)]


@pytest.fixture
def views():
    """What the photos of `board_views` show, by name."""
    return {}


@pytest.fixture
def board_views(monkeypatch, tmp_path, views):
    """Ten photos on disk, each standing for the view of its number; drawing them is left to tests/calib."""
    rng = np.random.default_rng(4)
    for i in range(10):
        views[f"{i}.jpg"] = view(f"{i}.jpg", 0.6 * i, math.radians(25.0), rng)
        (tmp_path / f"{i}.jpg").write_bytes(b"x")
    monkeypatch.setattr(lens, "open_photo", lambda data, name: name)
    monkeypatch.setattr(lens, "see_board", lambda photo, board: views.get(photo))
    return [str(tmp_path / f"{i}.jpg") for i in range(10)]


def test_photos_of_the_board_become_a_profile(board_views, tmp_path, capsys):
    out = tmp_path / "phone.json"
    assert main(["lens", *board_views, "--out", str(out), "--name", "bench phone", "--bars", "100,100"]) == 0
    said = capsys.readouterr().out
    profile = profile_from_json(out.read_text())
    assert profile.name == "bench phone"
    assert profile.focal * 900 == pytest.approx(1500.0, rel=0.002)
    assert "0.jpg: 35 corners, leaning 25 degrees, edges 1.0 px wide" in said
    assert "in views held out by" in said
    assert "took no part" not in said
    assert f"--lens {out}" in said
    assert main(["lens", *board_views[:3], "--check", str(out)]) == 0
    assert "The profile holds. A focal length " in capsys.readouterr().out


def test_photos_from_straight_above_tell_no_other_lens(board_views, straight_views, tmp_path, capsys):
    out = tmp_path / "phone.json"
    assert main(["lens", *board_views, "--out", str(out)]) == 0
    assert main(["lens", *straight_views, "--check", str(out)]) == 2
    said = capsys.readouterr()
    assert "holds" not in said.out
    assert "These photos could not tell another lens" in said.err


def test_a_photo_that_took_no_part_is_counted(board_views, views, tmp_path, capsys):
    views["4.jpg"].corners_px[:] += np.random.default_rng(2).normal(0, 2.0, (35, 2))
    assert main(["lens", *board_views, "--out", str(tmp_path / "p.json")]) == 0
    assert "Of 10 photos 1 took no part" in capsys.readouterr().out


def test_a_wrong_lens_is_said(board_views, tmp_path, capsys):
    out = tmp_path / "phone.json"
    assert main(["lens", *board_views, "--out", str(out)]) == 0
    wrong = json.loads(out.read_text())
    out.write_text(json.dumps(wrong | {"focal": wrong["focal"] * 1.03}))
    assert main(["lens", *board_views, "--check", str(out)]) == 1
    assert "not the lens of the profile" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ([], "Give either --out FILE or --check FILE"),
        (["--out", "x.json", "--bars", "100"], "The bars '100' are not understood"),
        (["--out", "x.json", "--bars", "100,60"], "not possible"),
        (["--out", "x.json"], "1 of the photos show enough of the board; 8 are needed"),
        (["--check", "missing.json"], "can't be read"),
    ],
)
def test_what_cannot_be_done_is_said(board_views, words, sentence, capsys):
    assert main(["lens", board_views[0], *words]) == 2
    assert sentence in capsys.readouterr().err


def test_a_photo_that_cannot_be_read_is_named_and_passed_over(board_views, tmp_path, capsys):
    (tmp_path / "none.jpg").write_bytes(b"x")
    out = tmp_path / "p.json"
    assert main(["lens", str(tmp_path / "gone.jpg"), str(tmp_path / "none.jpg"), *board_views, "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "gone.jpg: " in said
    assert "can't be read" in said
    assert "none.jpg: too little of the board can be seen" in said


def test_the_lens_board_is_printed_on_request(tmp_path, capsys):
    out = tmp_path / "board.pdf"
    assert main(["print-scales", "--lens", "--out", str(out)]) == 0
    assert out.read_bytes().startswith(b"%PDF")
    assert "both check bars" in capsys.readouterr().out


@pytest.mark.slow
def test_a_profile_reaches_the_fit_and_the_answer(tmp_path, capsys):
    photo = SAMPLES / "intake-section.jpg"
    plain_json, with_json, file = (tmp_path / n for n in ("plain.json", "with.json", "lens.json"))
    assert main(["measure", str(photo), "--view", "section", "--json", str(plain_json)]) == 0
    plain = json.loads(plain_json.read_text())
    camera, size = plain["camera"], (plain["photo"]["width_px"], plain["photo"]["height_px"])
    profile = LensProfile("bench", camera["focal_px"] / max(size), 2e-4, 0.0, 0.001, 0.1, 9, u_centre=1e-3)
    file.write_text(profile_to_json(profile))
    assert main(["measure", str(photo), "--view", "section", "--lens", str(file), "--json", str(with_json)]) == 0
    answer = json.loads(with_json.read_text())
    assert answer["camera"]["focal_source"] == "lens profile"
    assert answer["options"]["lens"]["name"] == "bench"
    assert "LENS_UNCONFIRMED" in answer["flags"]
    assert "lens" not in plain["options"]
    far = LensProfile("bench", 0.8, 2e-4, 0.0, 0.001, 0.1, 9, nearest_mm=5000.0, farthest_mm=6000.0)
    file.write_text(profile_to_json(far))
    capsys.readouterr()
    assert main(["measure", str(photo), "--view", "section", "--lens", str(file)]) == 2
    assert "lens" in capsys.readouterr().out
