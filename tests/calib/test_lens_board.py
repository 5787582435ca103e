"""Lens profiles from drawn photos of the lens board, and which photos they hold for.

The photos are drawn with `Plane.to_mm`, which `test_plane.py` holds against ``cv2.projectPoints``; real photos of a
board are not at hand in a package that tests can rely on.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from calib.lens_board import (
    Board,
    SeenBoard,
    advice_on,
    least_focal_shown,
    profile_of,
    residual_of,
    residual_through,
    see_board,
)
from calib.lens_profile import (
    LensProfile,
    check_distance,
    profile_from_json,
    profile_to_json,
    unconfirmed,
    with_lens_profile,
)
from calib.photo import Camera
from calib.scales.print_lens_board import board_boxes, board_of_bars, lens_board_pdf
from shared.errors import OptionError, ScaleError

BOARD = Board()
MIDDLE = (BOARD.squares[0] * BOARD.square_mm / 2, -BOARD.squares[1] * BOARD.square_mm / 2)
SIZE = (4000, 3000)


def seen_by(make_camera, rng, n=10, noise=0.1, focal_px=3200.0, k1=-0.05, centre=(20.0, -15.0), camera=None):
    """Corners as a camera shows them, n views that lean every way, without drawing the photos."""
    places = BOARD.corners_mm().astype(float)
    out = []
    for i in range(n):
        turn, lean = 2.0 * math.pi * i / n, rng.uniform(18.0, 32.0)
        look = (MIDDLE[0] + rng.normal(0, 25.0), MIDDLE[1] + rng.normal(0, 18.0))
        tilt = (lean * math.sin(turn), lean * math.cos(turn))
        eye = make_camera(
            focal_px=focal_px, size=SIZE, tilt_deg=tilt, look_mm=look, distance_mm=rng.uniform(190.0, 330.0),
            roll_deg=rng.uniform(-20.0, 20.0), k1=k1, centre=centre,
        )  # fmt: skip
        px = eye.to_px(places * [1, -1, 1])
        ok = ((px > 5) & (px < np.array(SIZE) - 5)).all(axis=1)
        assert ok.sum() >= 12
        noisy = (px + rng.normal(0, noise, px.shape))[ok].astype(np.float32)
        lean_of = (float(eye.rotation[0, 2]), float(eye.rotation[1, 2]))
        out.append(SeenBoard(f"{i}.jpg", SIZE, camera or Camera(), np.flatnonzero(ok), noisy, 1.0, lean_of))
    return out


@pytest.mark.slow
def test_focal_length_within_two_thousandths_and_honest(make_camera):
    z, errors, claimed = [], [], []
    for seed in range(30):
        p = profile_of(seen_by(make_camera, np.random.default_rng(seed)), "x", replace(BOARD, u_stretch=1e-9))
        found = np.array([p.focal * SIZE[0], p.k1, p.centre[0] * SIZE[0], p.centre[1] * SIZE[0]])
        u = np.array([p.u_focal * SIZE[0], p.u_k1, p.u_centre * SIZE[0], p.u_centre * SIZE[0]])
        z.append((found - [3200.0, -0.05, 20.0, -15.0]) / u)
        errors.append(found[0] / 3200.0 - 1.0)
        claimed.append(p.u_focal / p.focal)
    assert np.abs(errors).max() < 0.002
    assert np.max(claimed) < 0.001
    z = np.array(z)
    assert ((np.mean(np.abs(z) < 2, axis=0) >= 0.9) & (np.mean(np.abs(z) < 2, axis=0) <= 1.0)).all()
    assert ((np.sqrt(np.mean(z**2, axis=0)) > 0.5) & (np.sqrt(np.mean(z**2, axis=0)) < 1.25)).all()


def test_a_stretched_print_is_in_the_uncertainty_and_its_bars_take_it_away(make_camera):
    seen = seen_by(make_camera, np.random.default_rng(50))
    longer = [replace(s, corners_px=s.corners_px) for s in seen]
    believed = profile_of(longer, "x", replace(BOARD, stretch=0.997))  # the true print is 0.3 % longer than thought
    error = believed.focal * SIZE[0] / 3200.0 - 1.0
    assert abs(error) > 2e-4
    assert abs(error) < 2.5 * believed.u_focal / believed.focal
    measured = board_of_bars(100.0, 100.3)
    assert measured.stretch == pytest.approx(1.003)
    assert measured.u_stretch < BOARD.u_stretch / 3


def test_one_moved_photo_is_left_out(make_camera):
    rng = np.random.default_rng(8)
    seen = seen_by(make_camera, rng)
    seen[4] = replace(seen[4], corners_px=seen[4].corners_px + rng.normal(0, 3.0, seen[4].corners_px.shape).astype("f"))
    p = profile_of(seen, "x", BOARD)
    assert p.photos == 9
    assert p.focal * SIZE[0] == pytest.approx(3200.0, rel=0.002)


def test_another_lens_is_found_out_by_new_photos_of_the_board(make_camera):
    p = profile_of(seen_by(make_camera, np.random.default_rng(1)), "x", BOARD)
    right = seen_by(make_camera, np.random.default_rng(2), n=3)
    zoomed = seen_by(make_camera, np.random.default_rng(2), n=3, focal_px=3200.0 * 1.02)
    bent = seen_by(make_camera, np.random.default_rng(2), n=3, k1=-0.02)
    assert max(residual_through(s, p, BOARD) for s in right) < 2.0 * p.held_out_px
    for wrong in (zoomed, bent):
        assert np.mean([residual_through(s, p, BOARD) for s in wrong]) > 3.0 * p.held_out_px


@pytest.mark.parametrize("lean", [6.0, 12.0, 20.0])
def test_what_a_check_would_have_shown_is_what_it_shows(make_camera, lean):
    """Photos through a lens that is off by as much lie at the limit; straight from above nothing shows."""
    p = profile_of(seen_by(make_camera, np.random.default_rng(1)), "x", BOARD)
    limit = 2.0 * max(p.held_out_px, p.residual_px)
    shown = least_focal_shown(leaning(make_camera, lean, p.focal * SIZE[0]), p, BOARD, limit)
    assert least_focal_shown(leaning(make_camera, 0.0, p.focal * SIZE[0]), p, BOARD, limit) > 0.1
    off = [leaning(make_camera, lean, p.focal * SIZE[0] * (1.0 + side * shown)) for side in (-1.0, 1.0)]
    assert np.mean([residual_of(s, p, BOARD) for s in off]) == pytest.approx(limit, rel=0.15)
    assert least_focal_shown(off[1], p, BOARD, limit) == pytest.approx(shown, rel=0.25)  # though a wrong lens is in it


def leaning(make_camera, lean, focal_px):
    """Three views that lean so many degrees, each to another side, the board as large in all of them."""
    rng, places, out = np.random.default_rng(3), BOARD.corners_mm().astype(float), []
    for i in range(3):
        tilt = (lean * math.sin(2.1 * i), lean * math.cos(2.1 * i))
        eye = make_camera(
            focal_px=focal_px, size=SIZE, tilt_deg=tilt, look_mm=MIDDLE, distance_mm=300.0 * focal_px / 3200.0,
            k1=-0.05, centre=(20.0, -15.0),
        )  # fmt: skip
        px = eye.to_px(places * [1, -1, 1]) + rng.normal(0, 0.1, (len(places), 2))
        ok = ((px > 5) & (px < np.array(SIZE) - 5)).all(axis=1)
        out.append(SeenBoard(f"{i}.jpg", SIZE, Camera(), np.flatnonzero(ok), px[ok].astype("f"), 1.0, (0.0, 0.0)))
    return out


def test_what_photos_still_lack(make_camera):
    seen = seen_by(make_camera, np.random.default_rng(3), n=12)
    assert not [a for a in advice_on(seen) if "side of the board" in a]
    few = advice_on(seen[:1])
    from_above = [replace(s, lean=(0.0, 0.4)) for s in seen]  # the face looks down: seen from above
    assert {a.split()[6] for a in advice_on(from_above) if "side" in a} == {"left", "right", "lower"}
    assert few[0] == "7 more photos of the board are needed."
    assert sum("side of the board" in a for a in few) >= 2
    cornered = [replace(s, corners_px=s.corners_px * 0.3) for s in seen]
    assert any("lower right part" in a and "upper left part" not in a for a in advice_on(cornered))
    soft = [*seen[:-1], replace(seen[-1], blur_px=4.0)]
    assert advice_on(soft)[0] == "11.jpg is soft: focus on the board."
    assert advice_on(seen[:7])[0] == "1 more photo of the board is needed."
    assert advice_on([]) == ("8 more photos of the board are needed.",)


def test_photos_that_do_not_go_together(make_camera):
    seen = seen_by(make_camera, np.random.default_rng(3), n=8)
    with pytest.raises(OptionError, match="different sizes"):
        profile_of([*seen, replace(seen[0], size_px=(3000, 4000))], "x", BOARD)
    with pytest.raises(OptionError, match="different cameras, zooms"):
        profile_of([*seen, replace(seen[0], camera=Camera("A", 6.0))], "x", BOARD)
    with pytest.raises(ScaleError, match="7 of the photos show enough of the board; 8 are needed"):
        profile_of(seen[:7], "x", BOARD)


def board_photo(camera, coded, size=(900, 675), seed=0):
    """The printed board seen by a camera, four samples a pixel."""
    per_mm = 8
    w, h = (round(n * BOARD.square_mm * per_mm) for n in BOARD.squares)
    sheet = BOARD.opencv().generateImage((w, h), marginSize=0)
    light = np.zeros(size[::-1])
    for dx, dy in ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)):
        x, y = np.meshgrid(np.arange(size[0]) + dx, np.arange(size[1]) + dy)
        mm = camera.to_mm(np.column_stack([x.ravel(), y.ravel()])) * [1, -1] * per_mm - 0.5
        light += map_coordinates(sheet.astype(float), mm.T[::-1], order=1, cval=200.0).reshape(size[::-1]) / 255 / 4
    light = cv2.GaussianBlur(0.04 + 0.8 * light, (0, 0), 0.7)
    return coded(light + np.random.default_rng(seed).normal(0, 0.005, light.shape))


@pytest.mark.slow
def test_a_profile_from_drawn_photos_of_the_board(make_camera, coded):
    tilts = [(0, 0), (22, 5), (-22, -6), (6, 24), (-5, -24), (17, 17), (-17, 16), (16, -17)]
    look = {"look_mm": MIDDLE, "distance_mm": 400.0, "centre": (4.0, -3.0), "focal_px": 1500.0, "size": (900, 675)}
    cameras = [make_camera(tilt_deg=t, roll_deg=5.0 * i, k1=-0.08, **look) for i, t in enumerate(tilts)]
    seen = [see_board(board_photo(c, coded, seed=i), BOARD) for i, c in enumerate(cameras)]
    for s, c in zip(seen, cameras, strict=True):
        assert s.lean == pytest.approx((c.rotation[0, 2], c.rotation[1, 2]), abs=0.06)
        assert 0.6 < s.blur_px < 1.3  # 0.7 px of blur, the pixel's own width, and the light's bend by sampling
    profile = profile_of(seen, "bench camera, close", BOARD)
    assert profile.photos >= 7
    assert profile.residual_px < 0.2
    assert profile.focal * 900 == pytest.approx(1500.0, rel=0.002)
    assert abs(profile.focal * 900 - 1500.0) < 2.5 * profile.u_focal * 900
    assert abs(profile.k1 + 0.08) < 2.5 * profile.u_k1
    assert (profile.nearest_mm, profile.farthest_mm) == pytest.approx((400.0, 400.0), rel=0.02)
    assert see_board(coded(np.full((90, 120), 0.5)), BOARD) is None


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_printed_board_is_the_one_looked_for(paper):
    """The page's boxes drawn at eight pixels to the millimetre, against OpenCV's own picture of the board."""
    per_mm = 8
    w, h = (round(n * BOARD.square_mm * per_mm) for n in BOARD.squares)
    page = np.full((h, w), 255, dtype=np.uint8)
    black, white = board_boxes(BOARD, 0.0, 0.0)
    for boxes, tone in ((black, 0), (white, 255)):
        for left, top, width, height in boxes:
            x, y = round(left * per_mm), round(top * per_mm)
            page[y : round((top + height) * per_mm), x : round((left + width) * per_mm)] = tone
    drawn = BOARD.opencv().generateImage((w, h), marginSize=0)
    assert np.mean(page != drawn) < 0.01  # cells of 2.57 mm end between two pixels
    _, ids, _, _ = cv2.aruco.CharucoDetector(BOARD.opencv()).detectBoard(
        cv2.copyMakeBorder(page, *[99] * 4, 0, value=255)
    )
    assert len(ids) == (BOARD.squares[0] - 1) * (BOARD.squares[1] - 1)
    assert lens_board_pdf(paper).startswith(b"%PDF")


def test_bars_and_papers_that_cannot_be():
    with pytest.raises(OptionError, match="not possible"):
        board_of_bars(100.0, 80.0)
    with pytest.raises(OptionError, match="on one page are not possible"):
        board_of_bars(98.0, 101.0)
    with pytest.raises(OptionError, match="no paper called"):
        lens_board_pdf("a3")


PROFILE = LensProfile(
    "phone, close", 0.81, 0.0008, -0.01, 0.003, 0.12, 9, (0.01, -0.004), 1e-3, 0.15, 250.0, 400.0, 4 / 3, True,
    "Maker One", 6.0, 28.0,
)  # fmt: skip
BLANK = np.full((60, 80), 0.5)


def test_a_photo_of_the_same_lens_takes_the_profile_over(coded):
    focal = with_lens_profile(replace(coded(BLANK), camera=Camera("Maker One", 6.0, 28.0)), PROFILE).focal
    assert focal.px == pytest.approx(0.81 * 80)
    assert (focal.source, focal.k1, focal.u_k1) == ("lens profile", -0.01, 0.003)
    assert focal.centre_px == pytest.approx((0.8, -0.32))
    assert 0.0008 / 0.81 < focal.u_rel < 0.01


def test_a_photo_held_another_way_is_not_told_where_its_centre_lies(coded):
    upright = coded(BLANK.T)
    for photo in (upright, replace(coded(BLANK), camera=Camera(orientation=3))):
        focal = with_lens_profile(photo, PROFILE).focal
        assert focal.centre_px == (0.0, 0.0)
        assert focal.u_centre_px > math.hypot(0.8, 0.32)


@pytest.mark.parametrize(
    ("camera", "sentence"),
    [
        (Camera("Maker Two"), "made for Maker One; the photo is from Maker Two"),
        (Camera("Maker One", 9.0), "focal length of 6 mm; the photo has 9 mm"),
        (Camera("Maker One", 6.0, 56.0), "35 mm equivalent of 28 mm; the photo has 56 mm"),
        (Camera("Maker One", 6.0, 28.0, 2.0), "zoom of 1; the photo has 2"),
    ],
)
def test_another_camera_or_zoom_is_refused(coded, camera, sentence):
    with pytest.raises(OptionError, match=sentence):
        with_lens_profile(replace(coded(BLANK), camera=camera), PROFILE)


def test_a_crop_and_another_distance_are_refused(coded):
    with pytest.raises(OptionError, match=r"1\.33 times as long as wide; this one is 2\.00"):
        with_lens_profile(coded(np.full((40, 80), 0.5)), PROFILE)
    for near in (210.0, 300.0, 480.0):
        check_distance(PROFILE, near)
    for far in (150.0, 600.0):
        with pytest.raises(OptionError, match="made from 250 to 400 mm away"):
            check_distance(PROFILE, far)


def test_a_photo_that_names_no_camera_is_unconfirmed():
    assert unconfirmed(PROFILE, Camera())
    assert not unconfirmed(PROFILE, Camera("Maker One"))
    assert not unconfirmed(PROFILE, Camera(focal_mm=6.0))


def test_a_profile_survives_its_file():
    assert profile_from_json(profile_to_json(PROFILE)) == PROFILE


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "not a lens profile"),
        ("[1, 2]", "not a lens profile"),
        ('{"kind": "something else", "format": 1}', "not a lens profile"),
        (profile_to_json(PROFILE).replace('"format": 1', '"format": 2'), "newer version"),
        (profile_to_json(PROFILE).replace("0.81", "NaN"), "not a lens profile"),
        (profile_to_json(PROFILE).replace("0.81", "-1"), "not a lens profile"),
        (json.dumps({"kind": "lens profile", "format": 1, "name": "x"}), "not a lens profile"),
    ],
)
def test_a_file_that_is_no_profile(text, sentence):
    with pytest.raises(OptionError, match=sentence):
        profile_from_json(text)
