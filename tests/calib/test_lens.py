"""The radial term and the tilt from straight edges; lens profiles from drawn photos of a board.

The board's photos are drawn with `Plane.to_mm`, which `test_plane.py` holds against ``cv2.projectPoints``; real photos
of a board are not at hand in a package that tests can rely on.
"""

from __future__ import annotations

import json
import math

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from calib.lens import (
    Board,
    LensProfile,
    StraightEdge,
    k1_from_lines,
    profile_from_charuco,
    profile_from_json,
    profile_to_json,
    refine_plane_with_lines,
)
from calib.photo import Focal
from calib.pose_fit import fit_plane
from calib.scales.base import HANDHELD_TILT_RAD, Scale
from shared.errors import OptionError, ScaleError

NOISE = 0.05


def fret_edges(camera, rng, parallel="", height=0.0) -> list[StraightEdge]:
    """Six edges across the picture and two along it, as seen by a camera."""
    out = []
    for x in (0.0, 25.0, 50.0, 75.0, 100.0, 125.0):
        mm = np.column_stack([np.full(60, x), np.linspace(0, 50, 60), np.full(60, height)])
        out.append((mm, parallel))
    for y in (-4.0, 54.0):
        out.append((np.column_stack([np.linspace(-8, 132, 120), np.full(120, y), np.full(120, height)]), ""))
    return [
        StraightEdge(camera.to_px(mm) + rng.normal(0, NOISE, (len(mm), 2)), np.full(len(mm), NOISE), name)
        for mm, name in out
    ]


@pytest.mark.slow
def test_the_radial_term_from_straight_edges_is_covered(make_camera):
    rng = np.random.default_rng(1)
    z = []
    for _ in range(60):
        k1 = rng.normal(0, 0.04)
        camera = make_camera(
            focal_px=9000, size=(4000, 3000), k1=k1, tilt_deg=tuple(rng.normal(0, 5, 2)), distance_mm=380
        )
        found, u = k1_from_lines(fret_edges(camera, rng), (4000, 3000), camera.focal_px)
        z.append((found - k1) / u)
        assert u < 0.01
    assert 0.9 <= np.mean(np.abs(z) < 2) <= 1.0
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.2


def test_bent_edges_are_trusted_less(make_camera):
    rng = np.random.default_rng(2)
    camera = make_camera(focal_px=9000, size=(4000, 3000), distance_mm=380)
    straight = fret_edges(camera, rng)
    bent = [StraightEdge(e.px + 2.0 * np.sin(np.linspace(0, 9, len(e.px)))[:, None], e.u_px) for e in straight]
    assert k1_from_lines(bent, (4000, 3000), 9000)[1] > 5 * k1_from_lines(straight, (4000, 3000), 9000)[1]


def card_scale(camera, rng) -> Scale:
    """Points round a bank card (ISO/IEC 7810 ID-1, 85.60 x 53.98 mm) below the board, telling little of the lens."""
    x, y = np.linspace(4, 81.6, 12), np.linspace(4, 49.98, 8)
    mm = np.concatenate(
        [np.column_stack([x, 0 * x]), np.column_stack([x, 0 * x + 53.98]), np.column_stack([0 * y, y]),
         np.column_stack([0 * y + 85.6, y])]
    ) - [0, 62.0]  # fmt: skip
    turn = np.concatenate([np.zeros(24), np.full(16, math.pi / 2)])
    px = camera.to_px(np.column_stack([mm, np.zeros(len(mm))])) + rng.normal(0, 0.1, (len(mm), 2))
    u = np.column_stack([np.full(len(px), np.inf), np.full(len(px), 0.1)])
    return Scale("id1", px, mm, u, 5e-4, px, turn_rad=turn, tilt_prior_rad=HANDHELD_TILT_RAD)


@pytest.mark.slow
def test_edges_make_a_poor_scale_better_and_stay_honest(make_camera):
    rng = np.random.default_rng(3)
    target = np.array([[0.0, 20.0], [130.0, 20.0], [65.0, 50.0]])
    before, after, z = [], [], []
    for _ in range(25):
        camera = make_camera(
            focal_px=9000, size=(4000, 3000), k1=rng.normal(0, 0.03), tilt_deg=tuple(rng.normal(0, 4, 2)),
            look_mm=(62.0, 5.0), distance_mm=380, roll_deg=0.0, centre=tuple(rng.normal(0, 20, 2)),
        )  # fmt: skip
        focal = Focal(camera.focal_px * math.exp(rng.normal(0, 0.02)), 0.02, "EXIF")
        rough = fit_plane(card_scale(camera, rng), (4000, 3000), focal)
        fine = refine_plane_with_lines(rough, fret_edges(camera, rng, "frets", height=-1.0))
        px = camera.to_px(np.column_stack([target, np.zeros(3)]))

        def lengths(p, px=px):
            mm = p.to_mm(px)
            return np.array([np.linalg.norm(mm[1] - mm[0]), np.linalg.norm(mm[2] - mm[0])])

        true = np.array([130.0, math.hypot(65, 30)])
        before.append(lengths(rough) - true)
        after.append(lengths(fine) - true)
        z.append(after[-1] / fine.u_of(lengths))
        assert np.all(np.diag(fine.cov) <= np.diag(rough.cov) * 1.0001)
    assert np.std(after) < 0.7 * np.std(before)
    assert 0.88 <= np.mean(np.abs(z) < 2) <= 1.0


def test_without_edges_the_plane_stays(make_camera):
    rng = np.random.default_rng(4)
    plane = fit_plane(card_scale(make_camera(), rng), (1200, 900), Focal(2400, 0.02, "EXIF"))
    assert refine_plane_with_lines(plane, []) is plane
    nothing = StraightEdge(np.full((9, 2), np.nan), np.ones(9))
    assert refine_plane_with_lines(plane, [nothing]) is plane


def board_photo(camera, coded, board: Board, size=(900, 675), seed=0):
    """The printed board seen by a camera, four samples a pixel."""
    per_mm = 8
    w, h = (round(n * board.square_mm * per_mm) for n in board.squares)
    sheet = board.opencv().generateImage((w, h), marginSize=0)
    light = np.zeros(size[::-1])
    for dx, dy in ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25)):
        x, y = np.meshgrid(np.arange(size[0]) + dx, np.arange(size[1]) + dy)
        mm = camera.to_mm(np.column_stack([x.ravel(), y.ravel()])) * [1, -1] * per_mm - 0.5
        light += map_coordinates(sheet.astype(float), mm.T[::-1], order=1, cval=200.0).reshape(size[::-1]) / 255 / 4
    light = cv2.GaussianBlur(0.04 + 0.8 * light, (0, 0), 0.7)
    return coded(light + np.random.default_rng(seed).normal(0, 0.005, light.shape))


@pytest.fixture(scope="module")
def board_photos(make_camera, coded):
    board = Board()
    tilts = [(0, 0), (22, 5), (-22, -6), (6, 24), (-5, -24), (17, 17), (-17, 16), (16, -17)]
    middle = (board.squares[0] * board.square_mm / 2, -board.squares[1] * board.square_mm / 2)
    look = {"look_mm": middle, "distance_mm": 400.0, "centre": (4.0, -3.0), "focal_px": 1500.0, "size": (900, 675)}
    cameras = [make_camera(tilt_deg=t, roll_deg=5.0 * i, k1=-0.08, **look) for i, t in enumerate(tilts)]
    return [board_photo(c, coded, board, seed=i) for i, c in enumerate(cameras)]


@pytest.mark.slow
def test_a_profile_from_photos_of_the_board(board_photos):
    profile = profile_from_charuco(board_photos, "bench camera, close")
    assert profile.photos >= 6
    assert profile.residual_px < 0.2
    assert profile.focal * 900 == pytest.approx(1500.0, rel=0.004)
    assert profile.k1 == pytest.approx(-0.08, abs=0.01)
    assert abs(profile.focal * 900 - 1500.0) < 3 * profile.u_focal * 900
    assert abs(profile.k1 + 0.08) < 3 * profile.u_k1
    focal = profile.focal_px((1800, 1350))
    assert focal.px == pytest.approx(3000.0, rel=0.004)
    assert focal.source == "lens profile"


@pytest.mark.slow
def test_too_few_photos_of_the_board(board_photos):
    with pytest.raises(ScaleError, match="3 of the photos show enough of the board; 5 are needed"):
        profile_from_charuco(board_photos[:3], "x")


@pytest.mark.slow
def test_photos_of_different_sizes(board_photos, coded):
    with pytest.raises(OptionError, match="different sizes"):
        profile_from_charuco([*board_photos, coded(np.full((50, 60), 0.5))], "x")


PROFILE = LensProfile("phone, close", 0.81, 0.002, -0.01, 0.003, 0.12, 9)


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
