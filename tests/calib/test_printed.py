"""Finding the printed scales in drawn photos: whole, cut, covered, blurred, doubled, mirrored."""

from __future__ import annotations

import numpy as np
import pytest

from calib.photo import Photo
from calib.pose_fit import fit_plane
from calib.scales.ask import ScaleAsk
from calib.scales.find import find_scale
from calib.scales.printed import (
    BACKDROP,
    BACKDROP_SIZE,
    SHEETS,
    STRIP,
    STRIP_SIZE,
    find_markers,
    find_printed,
)
from shared.errors import ScaleError


def normal_errors(scale, camera) -> np.ndarray:
    """Distance of each point from where the camera sees it, along the direction it states."""
    true = camera.to_px(np.column_stack([scale.plane_mm, np.zeros(len(scale.plane_mm))]))
    n = np.column_stack([-np.sin(scale.turn_rad), np.cos(scale.turn_rad)])
    return np.sum((scale.image_px - true) * n, axis=1)


@pytest.mark.slow
@pytest.mark.parametrize(("sigma", "noise"), [(0.6, 0.005), (0.9, 0.02), (1.8, 0.02)])
def test_sides_are_found_to_hundredths_of_a_pixel(make_camera, print_photo, sigma, noise):
    camera = make_camera(k1=0.02)
    scale = find_printed(print_photo(STRIP, STRIP_SIZE, camera, sigma=sigma, noise=noise), "strip")
    assert set(scale.ids) == set(range(10))
    error = normal_errors(scale, camera)
    assert np.sqrt(np.mean(error**2)) < 0.06
    assert np.mean(np.abs(error) < 2 * scale.u_px[:, 1]) >= 0.9


def test_the_corners_of_a_marker(make_camera, print_photo):
    camera = make_camera()
    seen = find_markers(print_photo(STRIP, STRIP_SIZE, camera, noise=0.005))
    for m in seen:
        true = camera.to_px(np.column_stack([STRIP[m.id].corners(), np.zeros(4)]))
        np.testing.assert_allclose(m.corners_px, true, atol=0.15)


@pytest.mark.slow
def test_the_backdrop_with_both_sizes_of_marker(make_camera, print_photo):
    camera = make_camera(look_mm=(46.0, -13.0), distance_mm=200.0, tilt_deg=(3.0, 2.0))
    scale = find_printed(print_photo(BACKDROP, BACKDROP_SIZE, camera, spread_mm=0.02), "backdrop")
    assert len(set(scale.ids)) >= 24
    fitted = fit_plane(scale, (1200, 900), print_photo(BACKDROP, BACKDROP_SIZE, camera, over=1).focal)
    assert fitted.outward_mm == pytest.approx(0.02, abs=0.006)
    assert fitted.residual_px < 0.08


@pytest.mark.parametrize("asked", ["tongue", "backdrop", "auto"])
def test_the_tongue_is_told_by_its_own_markers_and_serves_as_the_backdrop(make_camera, print_photo, asked):
    tongue = SHEETS["tongue"]
    camera = make_camera(look_mm=(31.0, -8.0), distance_mm=200.0, tilt_deg=(3.0, 2.0))
    scale = find_scale(print_photo(tongue.markers, tongue.size, camera, over=2), ScaleAsk(asked))
    assert scale.kind == "tongue"
    assert set(scale.ids) == set(range(10, 17))
    assert np.sqrt(np.mean(normal_errors(scale, camera) ** 2)) < 0.06


def test_no_two_printed_scales_share_a_marker():
    ids = [m.id for s in SHEETS.values() for m in s.markers]
    assert len(ids) == len(set(ids)) == 43


@pytest.mark.slow
def test_the_print_factor_stretches_the_sheet(make_camera, print_photo):
    photo = print_photo(STRIP, STRIP_SIZE, make_camera(), over=2)
    one, longer = find_printed(photo, "strip"), find_printed(photo, "strip", factor=1.01)
    np.testing.assert_allclose(longer.plane_mm, one.plane_mm * 1.01)


@pytest.mark.slow
def test_a_marker_cut_by_the_frame_still_counts(make_camera, print_photo):
    camera = make_camera(look_mm=(20.0, -5.0), distance_mm=220.0)
    photo = print_photo(STRIP, STRIP_SIZE, camera, noise=0.005)
    markers = {m.id for m in find_markers(photo)}
    right_edge = camera.to_mm([[1199.0, 450.0]])[0, 0]
    cut = [m.id for m in STRIP if m.left < right_edge - 3.0 < m.left + m.side - 3.0]
    scale = find_printed(photo, "strip")
    assert len(cut) <= 1
    assert set(scale.ids) >= markers
    if cut:
        assert cut[0] not in markers
        assert cut[0] in scale.ids
    assert np.max(np.abs(normal_errors(scale, camera))) < 0.3


@pytest.mark.slow
def test_covered_markers_are_left_out_and_the_rest_measured(make_camera, print_photo):
    camera = make_camera()
    photo = print_photo(STRIP, STRIP_SIZE, camera, noise=0.005, hide=(26.0, -20.0, 55.0, 5.0))
    scale = find_printed(photo, "strip")
    assert set(scale.ids) >= {0, 1, 5, 6, 7, 8, 9}
    assert 3 not in scale.ids
    error = normal_errors(scale, camera)
    assert np.median(np.abs(error)) < 0.05
    fitted = fit_plane(scale, (1200, 900), photo.focal)
    assert fitted.residual_px < 0.15


def test_no_scale_says_so(coded):
    with pytest.raises(ScaleError, match="No strip was found"):
        find_printed(coded(np.full((600, 800), 0.4)), "strip")


def test_the_other_scale_is_not_taken_for_it(make_camera, print_photo):
    photo = print_photo(STRIP, STRIP_SIZE, make_camera(), over=2)
    with pytest.raises(ScaleError, match="No backdrop was found"):
        find_printed(photo, "backdrop")


def test_two_strips_are_refused(make_camera, print_photo):
    one = print_photo(STRIP, STRIP_SIZE, make_camera(look_mm=(62.0, 25.0)), over=2)
    both = one.bgr.copy()
    both[:450] = one.bgr[450:]
    with pytest.raises(ScaleError, match="more than one strip"):
        find_printed(Photo(both, "", "two", one.focal), "strip")


def test_a_mirrored_photo_is_named(make_camera, print_photo):
    photo = print_photo(STRIP, STRIP_SIZE, make_camera(), over=2)
    mirrored = np.ascontiguousarray(photo.bgr[:, ::-1])
    with pytest.raises(ScaleError, match="mirrored"):
        find_printed(Photo(mirrored, "", "mirrored", photo.focal), "strip")


def test_upside_down_is_fine(make_camera, print_photo):
    camera = make_camera(roll_deg=181.0)
    scale = find_printed(print_photo(STRIP, STRIP_SIZE, camera, noise=0.005), "strip")
    assert np.sqrt(np.mean(normal_errors(scale, camera) ** 2)) < 0.06


def test_finding_leaves_the_photo_alone(make_camera, print_photo):
    photo = print_photo(STRIP, STRIP_SIZE, make_camera(), over=1)
    assert not photo.bgr.flags.writeable
    assert not photo.gray.flags.writeable
    find_printed(photo, "strip")


def test_a_noisy_close_up_is_read_with_what_its_noise_leaves_open(make_camera, print_photo):
    """The sides' points scatter by more than half a pixel, and their own noise says so: nothing is torn or bent."""
    camera = make_camera(look_mm=(46.0, -13.0), distance_mm=45.0, tilt_deg=(3.0, 2.0))
    scale = find_printed(print_photo(BACKDROP, BACKDROP_SIZE, camera, noise=0.25), "backdrop")
    error = normal_errors(scale, camera)
    assert np.sqrt(np.mean(error**2)) < 0.4
    assert np.mean(np.abs(error) < 2 * scale.u_px[:, 1]) >= 0.75
