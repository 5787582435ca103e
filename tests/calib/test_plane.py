"""Pixels to millimetres: against OpenCV's projection, published offsets, and by coverage over many cameras."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.photo import Focal
from calib.plane import Plane, Unknown, distort, undistort
from calib.pose_fit import fit_plane
from calib.scales.base import Scale
from calib.scales.printed import STRIP, find_printed
from shared.errors import ScaleError

GRID = np.array([[x, y] for x in (-10.0, 30.0, 62.0, 124.0) for y in (-60.0, -40.0, -8.0, 0.0, 35.0, 70.0)])


def strip_scale(camera: Plane, rng: np.random.Generator, noise_px: float, spread_mm: float = 0.0) -> Scale:
    """What finding the strip gives: two points on each marker side, noisy across it."""
    outward = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, -1.0], [-1.0, 0.0]])
    plane, out, along = [], [], []
    for m in STRIP:
        c = m.corners()
        for k in range(4):
            d = c[(k + 1) % 4] - c[k]
            plane += [c[k] + 0.28 * d, c[k] + 0.72 * d]
            out += [outward[k]] * 2
            along += [d / m.side] * 2
    plane, out, along = np.array(plane), np.array(out), np.array(along)
    true = plane + spread_mm * out
    px = camera.to_px(np.column_stack([true, np.zeros(len(true))]))
    d = camera.to_px(np.column_stack([true + 1e-3 * along, np.zeros(len(true))])) - px
    turn = np.arctan2(d[:, 1], d[:, 0])
    px += rng.normal(0, noise_px, len(px))[:, None] * np.column_stack([-np.sin(turn), np.cos(turn)])
    u = np.column_stack([np.full(len(px), np.inf), np.full(len(px), noise_px)])
    ids = tuple(m.id for m in STRIP for _ in range(8))
    return Scale("strip", px, plane, u, 5e-4, px, ids, turn_rad=turn, outward_mm=out, u_flat_mm=0.0)


def some_camera(make_camera, rng: np.random.Generator) -> Plane:
    """A camera held about square over a board, the strip along one long side of the picture."""
    focal = math.exp(rng.uniform(math.log(6000), math.log(13000)))
    return make_camera(
        focal_px=focal,
        size=(4000, 3000),
        tilt_deg=tuple(rng.normal(0, 5, 2)),
        look_mm=(62.0 + rng.uniform(-5, 5), rng.choice([-1, 1]) * rng.uniform(25, 45)),
        distance_mm=focal / rng.uniform(20, 26),
        roll_deg=rng.normal(0, 3),
        k1=rng.normal(0, 0.03),
        centre=tuple(rng.normal(0, 20, 2)),
    )


@pytest.mark.parametrize("k1", [-0.08, 0.0, 0.05])
def test_projection_is_that_of_opencv(make_camera, k1):
    plane = make_camera(k1=k1, tilt_deg=(12.0, -7.0), roll_deg=31.0, centre=(8.0, -5.0))
    xyz = np.column_stack([GRID, np.linspace(-3, 3, len(GRID))])
    f = plane.focal_px
    k = np.array([[f, 0, plane.centre_px[0]], [0, f, plane.centre_px[1]], [0, 0, 1]])
    seen, _ = cv2.projectPoints(xyz, plane.params[:3], plane.params[3:6], k, np.array([k1, 0.0, 0.0, 0.0]))
    np.testing.assert_allclose(plane.to_px(xyz), seen[:, 0], atol=1e-8)


@pytest.mark.parametrize("height", [-1.0, 0.0, 1.3])
def test_to_mm_undoes_to_px(make_camera, height):
    plane = make_camera(k1=-0.06, tilt_deg=(9.0, 4.0), roll_deg=-20.0)
    px = plane.to_px(np.column_stack([GRID, np.full(len(GRID), height)]))
    np.testing.assert_allclose(plane.to_mm(px, height), GRID, atol=1e-8)
    np.testing.assert_allclose(plane.to_mm(px, np.full(len(GRID), height)), GRID, atol=1e-8)


def test_undistort_undoes_distort():
    xy = np.random.default_rng(0).uniform(-0.6, 0.6, (200, 2))
    xy[0] = 0.0
    for k1 in (-0.1, 0.0, 0.1):
        np.testing.assert_allclose(undistort(distort(xy, k1), k1), xy, atol=1e-9)


def test_offset_of_the_plane_published(published, make_camera):
    table = published("plane_offset")
    for case in table["offset"]:
        plane = make_camera(tilt_deg=(0.0, 0.0), distance_mm=case["distance_mm"])
        xyz = np.array([[50.0, 20.0, case["dz_mm"]], [70.0, 20.0, case["dz_mm"]]])
        a, b = plane.to_mm(plane.to_px(xyz))
        assert np.linalg.norm(b - a) / 20.0 - 1.0 == pytest.approx(case["relative"], abs=1e-6)
        # told the height, the length is right
        a, b = plane.to_mm(plane.to_px(xyz), case["dz_mm"])
        assert np.linalg.norm(b - a) == pytest.approx(20.0, abs=1e-8)


def test_tilted_offset_published(published, make_camera):
    """The length lies across the tilt's axis-parallel middle of the picture, the post's shift along the tilt."""
    table = published("plane_offset")
    for case in table["tilted"]:
        plane = make_camera(tilt_deg=(case["tilt_deg"], 0.0), look_mm=(0.0, 0.0), distance_mm=300.0, roll_deg=0.0)
        a, b = plane.to_mm(plane.to_px([[-10.0, 0.0, 1.2], [10.0, 0.0, 1.2]]))
        ratio = case["read_mm"] / 20.0 - 1.0
        assert np.linalg.norm(b - a) / 20.0 - 1.0 == pytest.approx(
            ratio, rel=0.01 + 1 - math.cos(math.radians(case["tilt_deg"]))
        )
    for case in table["post"]:
        plane = make_camera(tilt_deg=(case["tilt_deg"], 0.0), look_mm=(0.0, 0.0), distance_mm=300.0, roll_deg=0.0)
        foot, top = plane.to_mm(plane.to_px([[0.0, 0.0, 0.0], [0.0, 0.0, 1.2]]))
        assert np.linalg.norm(top - foot) == pytest.approx(case["shift_mm"], rel=0.01)


def test_a_clean_scale_gives_the_camera_back(make_camera):
    rng = np.random.default_rng(2)
    for _ in range(5):
        camera = some_camera(make_camera, rng)
        scale = strip_scale(camera, rng, 1e-4, spread_mm=0.02)
        fitted = fit_plane(scale, (4000, 3000), Focal(camera.focal_px, 0.02, "EXIF"))
        px = camera.to_px(np.column_stack([GRID, np.zeros(len(GRID))]))
        assert fitted.outward_mm == pytest.approx(0.02, abs=1e-5)
        assert fitted.k1 == pytest.approx(camera.k1, abs=2e-4)
        np.testing.assert_allclose(fitted.to_mm(px), GRID, atol=5e-4)


@pytest.mark.slow
def test_errors_beside_the_strip_lie_inside_two_u(make_camera):
    """0 to 70 mm beside the strip on either side, 93 to 98 of 100 inside 2 u; focal length and lens drawn anew."""
    rng = np.random.default_rng(20)
    z, zl = [], []
    for _ in range(150):
        camera = some_camera(make_camera, rng)
        scale = strip_scale(camera, rng, 0.03, spread_mm=rng.normal(0, 0.01))
        focal = Focal(camera.focal_px * math.exp(rng.normal(0, 0.02)), 0.02, "EXIF")
        fitted = fit_plane(scale, (4000, 3000), focal)
        px = camera.to_px(np.column_stack([GRID, np.zeros(len(GRID))]))
        z.append((fitted.to_mm(px) - GRID) / fitted.u_of(lambda p, px=px: p.to_mm(px)))

        def across(p: Plane, px=px) -> float:
            mm = p.to_mm(px)
            return float(np.linalg.norm(mm[5] - mm[0]))

        zl.append((across(fitted) - 130.0) / fitted.u_of(across))
    inside = np.mean(np.abs(z) < 2)
    assert 0.93 <= inside <= 0.98  # measured 0.96; trials are few, points of one trial go together
    assert 0.90 <= np.mean(np.abs(zl) < 2) <= 0.99


def test_a_lens_profile_fixes_what_the_scale_cannot_tell(make_camera):
    """Two markers only: the radial term stays at what was known before."""
    rng = np.random.default_rng(6)
    camera = make_camera(focal_px=9000, size=(4000, 3000), k1=-0.05, distance_mm=380)
    whole = strip_scale(camera, rng, 0.03)
    part = np.arange(16)
    scale = replace(
        whole,
        **{n: getattr(whole, n)[part] for n in ("image_px", "plane_mm", "u_px", "turn_rad", "outward_mm")},
        ids=whole.ids[:16],
    )
    focal = Focal(9000.0, 0.001, "lens profile")
    told = fit_plane(scale, (4000, 3000), replace(focal, k1=-0.05, u_k1=0.002))
    assert told.k1 == pytest.approx(-0.05, abs=0.004)
    assert math.sqrt(fit_plane(scale, (4000, 3000), focal).cov[7, 7]) > 0.02


def strip_through(make_camera, k1):
    """A plane fitted to the strip seen through a lens of this radial term, of which only the focal length is named."""
    camera = make_camera(focal_px=9000, size=(4000, 3000), k1=k1, distance_mm=380)
    return fit_plane(strip_scale(camera, np.random.default_rng(7), 0.03), (4000, 3000), Focal(9000.0, 0.02, "EXIF"))


def test_a_lens_that_bows_lines_outwards_as_old_zooms_do_is_told_by_the_strip(make_camera):
    fitted = strip_through(make_camera, -0.35)
    u = math.sqrt(fitted.cov[Unknown.K1, Unknown.K1])
    assert u < 0.03
    assert fitted.k1 == pytest.approx(-0.35, abs=4.0 * u)


@pytest.mark.parametrize("k1", [-0.5, 0.35])
def test_a_scale_that_would_lie_flat_for_no_lens_there_is_is_refused(make_camera, k1):
    with pytest.raises(ScaleError, match="only for a lens unlike"):
        strip_through(make_camera, k1)


def test_one_wild_marker_does_not_move_the_plane(make_camera):
    rng = np.random.default_rng(3)
    camera = some_camera(make_camera, rng)
    scale = strip_scale(camera, rng, 0.03)
    scale.image_px[:8] += 1.5
    fitted = fit_plane(scale, (4000, 3000), Focal(camera.focal_px, 0.02, "EXIF"))
    px = camera.to_px(np.column_stack([GRID, np.zeros(len(GRID))]))
    error = np.abs(fitted.to_mm(px) - GRID)
    assert np.all(error < 4 * fitted.u_of(lambda p: p.to_mm(px)))


@pytest.mark.parametrize(
    ("kind", "said"), [("strip", "strip .* bent, or printed badly"), ("id1", "card .* bent, or not whole in the photo")]
)
def test_a_bent_scale_is_refused(make_camera, kind, said):
    rng = np.random.default_rng(4)
    camera = some_camera(make_camera, rng)
    scale = replace(strip_scale(camera, rng, 0.03), kind=kind)
    scale.image_px[:, 1] += 30.0 * np.sin(scale.plane_mm[:, 0] / 12.0)
    with pytest.raises(ScaleError, match=said):
        fit_plane(scale, (4000, 3000), Focal(camera.focal_px, 0.02, "EXIF"))


def test_too_few_points_are_refused():
    few = Scale("strip", np.zeros((3, 2)), np.zeros((3, 2)), np.ones((3, 2)), 0.0, np.zeros((4, 2)))
    with pytest.raises(ScaleError, match="too few points"):
        fit_plane(few, (100, 100), Focal(130.0, 0.4, "assumed"))


def test_u_of_agrees_with_monte_carlo(make_camera):
    """First-order propagation against drawing the parameters (JCGM 101:2008 chapter 7).

    A twentieth of the uncertainty, so that what is compared is of first order.
    """
    rng = np.random.default_rng(5)
    camera = some_camera(make_camera, rng)
    fitted = fit_plane(strip_scale(camera, rng, 0.03), (4000, 3000), Focal(camera.focal_px, 0.02, "EXIF"))
    px = camera.to_px([[62.0, 60.0, 0.0], [62.0, -50.0, 0.0]])
    drawn = [fitted.with_params(p).to_mm(px) for p in rng.multivariate_normal(fitted.params, fitted.cov / 400, 800)]
    np.testing.assert_allclose(fitted.u_of(lambda p: p.to_mm(px)), 20 * np.std(drawn, axis=0), rtol=0.12)


def test_a_photo_of_the_strip_gives_the_plane(make_camera, print_photo):
    """The whole way from pixels, with ink spread, over and beside the strip."""
    camera = make_camera(k1=-0.03, look_mm=(62.0, 15.0))
    photo = print_photo(STRIP, (124.0, 16.0), camera, spread_mm=0.03)
    fitted = fit_plane(find_printed(photo, "strip"), (photo.width, photo.height), photo.focal)
    inside = np.array([[x, y] for x in (5.0, 62.0, 120.0) for y in (-25.0, -8.0, 20.0, 55.0)])
    px = camera.to_px(np.column_stack([inside, np.zeros(len(inside))]))
    error = fitted.to_mm(px) - inside
    assert np.all(np.abs(error) < 3 * fitted.u_of(lambda p: p.to_mm(px)) + 1e-3)
    assert fitted.outward_mm == pytest.approx(0.03, abs=0.01)
