"""A bank card in drawn photos: its edges, whatever is printed on it or lies beside it, and by coverage."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.special import erf

from calib.edges import row_offsets
from calib.pose_fit import fit_plane
from calib.scales.id1 import find_id1
from calib.scales.id1_card import card
from calib.scales.outline import outline_steps, steepest
from shared.errors import ScaleError
from tests.calib.bench_scene import (
    Paint,
    Shot,
    bank_card,
    board,
    box,
    length_errors,
    photograph,
    place_all,
    placed,
    rounded,
)

pytestmark = pytest.mark.slow


def test_edges_lie_on_the_true_edges() -> None:
    shot = Shot(tilt=(4.0, -3.0))
    scale = find_id1(photograph(shot, place_all(bank_card(), (3.0, -2.0))))
    seen = shot.camera().to_mm(scale.image_px) - [3.0, -2.0]
    out = scale.outward_mm
    off = np.where(np.abs(out[:, 0]) > 0, np.abs(seen[:, 0]) - 42.80, np.abs(seen[:, 1]) - 26.99)
    assert np.abs(np.mean(off)) < 0.01
    assert np.sqrt(np.mean(off**2)) < 0.02
    # never the corners: all points are clear of the round
    assert np.all(np.minimum(42.80 - np.abs(seen[:, 0]), 26.99 - np.abs(seen[:, 1])) < 0.1)
    assert np.all(np.where(np.abs(out[:, 0]) > 0, 26.99 - np.abs(seen[:, 1]), 42.80 - np.abs(seen[:, 0])) > 3.18)


@pytest.mark.parametrize("turn", [0.0, 4.0, 90.0, -150.0])
@pytest.mark.parametrize(
    ("face", "bench"),
    [
        ((0.5, 0.22, 0.1), (0.16, 0.15, 0.15)),
        ((0.75, 0.75, 0.75), (0.3, 0.3, 0.3)),
        ((0.45, 0.16, 0.1), (0.18, 0.18, 0.18)),
    ],
    ids=["blue on dark", "white on grey", "as bright as the bench"],
)
def test_found_any_way_round(turn: float, face, bench) -> None:
    shot = Shot()
    photo = photograph(shot, board(32.0) + place_all(bank_card(face), (2.0, -2.0), turn), bench)
    plane = fit_plane(find_id1(photo), (photo.width, photo.height), photo.focal)
    camera = shot.camera()
    error = length_errors(camera, plane)
    assert np.abs(error).max() < 1.5e-3
    assert np.all(np.abs(error) < 3.5 * plane.u_of(lambda p: length_errors(camera, p)))


def test_lengths_inside_their_uncertainty() -> None:
    ratio = []
    for seed in range(14):
        rng = np.random.default_rng(seed)
        shot = Shot(
            tilt=tuple(rng.normal(0, 4, 2)),
            k1=float(rng.normal(0, 0.03)),
            blur_px=float(rng.uniform(0.7, 1.4)),
            seed=seed,
        )
        face = tuple(np.array([0.5, 0.22, 0.1])[rng.permutation(3)])
        photo = photograph(shot, board(34.0) + place_all(bank_card(face), tuple(rng.normal(0, 3, 2)), 2.0))
        plane = fit_plane(find_id1(photo), (photo.width, photo.height), photo.focal)
        camera = shot.camera()
        ratio.append(length_errors(camera, plane) / plane.u_of(lambda p, c=camera: length_errors(c, p)))
    r = np.array(ratio)
    assert np.mean(np.abs(r) < 2.0) >= 0.9
    assert 0.3 < np.sqrt(np.mean(r**2)) < 1.4


def test_frets_and_board_edges_are_not_a_card() -> None:
    """Two frets 77 mm apart on a board 48.5 mm wide have the card's shape exactly."""
    gap = 48.5 * 85.60 / 53.98
    with pytest.raises(ScaleError):
        find_id1(photograph(Shot(), board(-24.0, 48.5, (-gap / 2, gap / 2))))


def test_a_sharp_cornered_rectangle_is_not_a_card() -> None:
    photo = photograph(Shot(), [Paint(box(-42.8, -26.99, 42.8, 26.99), (0.5, 0.22, 0.1))])
    with pytest.raises(ScaleError):
        find_id1(photo)


@pytest.mark.parametrize(("frame_mm", "frame", "screen"), [(0.6, 0.02, 0.25), (0.8, 0.02, 0.7), (1.3, 0.5, 0.25)])
def test_a_screen_in_its_frame_is_not_a_card(frame_mm: float, frame: float, screen: float) -> None:
    """The frame's edge on one side and the screen's on the next have a card's shape, and seem to meet in the round."""
    round_frame = Paint(rounded(85.60 + 2.0 * frame_mm, 53.98 + 2.0 * frame_mm, 5.0), (frame,) * 3)
    lit = Paint(box(-42.80, -26.99, 42.80, 26.99), (screen,) * 3)
    with pytest.raises(ScaleError):
        find_id1(photograph(Shot(), [round_frame, lit]))


def test_a_card_cut_off_by_the_picture_is_refused() -> None:
    photo = photograph(Shot(), place_all(bank_card(), (0.0, -40.0)))
    with pytest.raises(ScaleError):
        fit_plane(find_id1(photo), (photo.width, photo.height), photo.focal)


def test_something_over_an_edge_does_no_harm() -> None:
    shot = Shot()
    over = [Paint(placed(box(-6, -20, 6, 20), (10.0, 26.0)), (0.1, 0.2, 0.1))]
    photo = photograph(shot, place_all(bank_card(), (0.0, 0.0), 1.0) + over)
    plane = fit_plane(find_id1(photo), (photo.width, photo.height), photo.focal)
    assert np.abs(length_errors(shot.camera(), plane)).max() < 1.5e-3


def test_a_card_farther_off_than_a_plan_photo_is_found() -> None:
    shot = Shot(distance=700.0, focal_px=3000.0)
    photo = photograph(shot, board(32.0) + place_all(bank_card(), (2.0, -2.0), 4.0))
    plane = fit_plane(find_id1(photo), (photo.width, photo.height), photo.focal)
    assert np.abs(length_errors(shot.camera(), plane)).max() < 3e-3


def test_a_print_with_round_corners_is_not_the_card() -> None:
    """A card hardly brighter than the bench does not show on the coarse picture; what is printed on it does."""
    shot = Shot(focal_px=3200.0, noise=0.012)
    face = [Paint(rounded(85.60, 53.98, 3.18), (0.205, 0.205, 0.205))]
    print_on_it = [Paint(placed(rounded(30.0, 18.92, 1.11), (6.0, 3.0)), (0.75, 0.75, 0.2))]
    photo = photograph(shot, place_all(face + print_on_it, (2.0, -2.0), 5.0))
    plane = fit_plane(find_id1(photo), (photo.width, photo.height), photo.focal)
    assert np.abs(length_errors(shot.camera(), plane)).max() < 3e-3


def test_the_steepest_place_is_a_pixel_from_the_fitted_step_or_nearer() -> None:
    rng = np.random.default_rng(3)
    x, at = row_offsets(9.0), rng.uniform(-4.0, 4.0, 60)
    light = 0.5 - 0.3 * erf((x - at[:, None]) / (1.2 * np.sqrt(2.0)))
    rows = light[..., None] * [0.2, 1.0, 0.6] + rng.normal(0.0, 0.01, (*light.shape, 3))
    rows[7] = np.nan
    colour = np.array([0.2, 0.9, 0.4])
    near, fitted = steepest(rows, 9.0, 1.0, colour), outline_steps(rows, 9.0, 1.0, colour)
    assert np.isnan(near.at[7])
    kept = np.arange(60) != 7
    assert np.abs(near.at - at)[kept].max() < 1.0
    assert np.abs(near.at - fitted.at)[kept].max() < 1.0


def test_no_card_is_said() -> None:
    with pytest.raises(ScaleError, match="No bank card"):
        find_id1(photograph(Shot(), []))


def test_size_is_the_standards(published) -> None:
    """ISO/IEC 7810, size ID-1."""
    size, reference = card(), published("id1")
    assert (size.length, size.height) == (reference["length_mm"], reference["height_mm"])
    assert (size.corner_radius, size.thickness) == (reference["corner_radius_mm"], reference["thickness_mm"])


@pytest.mark.parametrize("change", ["half", "border"])
def test_half_the_size_or_a_border_round_the_photo_changes_nothing(change: str) -> None:
    photo = photograph(Shot(), place_all(bank_card(), (3.0, -2.0), 2.0))
    whole = find_id1(photo).outline_px
    if change == "half":
        small = cv2.resize(photo.bgr, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        focal = replace(photo.focal, px=photo.focal.px / 2.0)
        seen = (find_id1(replace(photo, bgr=small, focal=focal)).outline_px + 0.5) * 2.0 - 0.5
    else:
        framed = cv2.copyMakeBorder(photo.bgr, 90, 90, 120, 120, cv2.BORDER_CONSTANT, value=(255, 255, 255))
        seen = find_id1(replace(photo, bgr=framed)).outline_px - [120.0, 90.0]
    assert np.abs(seen - whole).max() < 0.3
