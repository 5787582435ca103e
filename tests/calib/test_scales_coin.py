"""A coin in drawn photos: its rim and not its border, beside inlay dots, and by coverage; the table against the law."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.measure import CircleModel, EllipseModel

from calib.photo import Focal, Photo
from calib.pose_fit import fit_plane
from calib.scales.coin import coins, find_coin
from calib.scales.coin_rim import is_doubtful
from calib.scales.coin_rings import Ring
from shared.errors import OptionError, ScaleError
from tests.calib.bench_scene import Paint, Shot, board, coin, disc, length_errors, photograph, place_all, placed

pytestmark = pytest.mark.slow

COPPER = (0.1, 0.17, 0.3)


def test_rim_is_a_circle_of_the_right_size_on_the_true_plane() -> None:
    """The points themselves, through the true camera, against scikit-image's circle fit."""
    shot = Shot(tilt=(5.0, -4.0))
    scale = find_coin(photograph(shot, board(8.0) + place_all(coin(24.26), (12.0, -16.0))), 24.26)
    circle = CircleModel.from_estimate(shot.camera().to_mm(scale.image_px))
    assert 2.0 * circle.radius == pytest.approx(24.26, abs=0.02)
    assert circle.center == pytest.approx([12.0, -16.0], abs=0.02)


def test_ellipse_agrees_with_reference_libraries() -> None:
    scale = find_coin(photograph(Shot(tilt=(8.0, 6.0)), place_all(coin(24.26), (0.0, 0.0))), 24.26)
    ours = np.sort(np.ptp(scale.outline_px, axis=0)) / 2.0
    sk = EllipseModel.from_estimate(scale.image_px)
    cv = np.array(cv2.fitEllipse(scale.image_px.astype(np.float32))[1]) / 2.0
    assert np.sort(sk.axis_lengths) == pytest.approx(np.sort(cv), abs=0.05)
    # of the outline drawn, whose extent along the picture's sides lies between the two axes
    assert cv.min() - 0.3 < ours.min() <= ours.max() < cv.max() + 0.3


@pytest.mark.parametrize("face", [(0.38, 0.42, 0.45), COPPER], ids=["silvery", "copper"])
@pytest.mark.parametrize("bench", [(0.16, 0.15, 0.15), (0.78, 0.8, 0.8)], ids=["dark bench", "pale bench"])
def test_coin_beside_a_board_with_dots(face, bench) -> None:
    """Square on, where the two tilts of a circle are one."""
    shot = Shot(tilt=(0.3, -0.2), shift=(0.0, -10.0))
    scene = board(8.0) + place_all(coin(24.26, face), (5.0, -12.0))
    photo = photograph(shot, scene, bench)
    scale = find_coin(photo, 24.26)
    plane = fit_plane(scale, (photo.width, photo.height), photo.focal)
    seen = plane.to_mm(shot.camera().to_px(np.array([[-7.0, -12.0, 0.0], [17.0, -12.0, 0.0]])))
    assert np.linalg.norm(seen[1] - seen[0]) == pytest.approx(24.0, rel=2e-3)


def test_relief_that_stands_out_more_than_the_rim_is_not_the_rim() -> None:
    """Dark rings of relief within a bright coin."""
    relief = [
        Paint(disc(r), tone)
        for r, tone in ((12.13, (0.5, 0.52, 0.55)), (9.4, (0.05, 0.05, 0.05)), (9.1, (0.5, 0.52, 0.55)))
    ]
    relief += [Paint(disc(r), tone) for r, tone in ((8.0, (0.05, 0.05, 0.05)), (7.7, (0.5, 0.52, 0.55)))]
    shot = Shot(tilt=(3.0, -2.0), shift=(0.0, -10.0))
    scale = find_coin(photograph(shot, place_all(relief, (5.0, -12.0)), (0.15, 0.15, 0.15)), 24.26)
    circle = CircleModel.from_estimate(shot.camera().to_mm(scale.image_px))
    assert 2.0 * circle.radius == pytest.approx(24.26, abs=0.03)


@pytest.mark.parametrize(("radius_px", "within"), [(200.0, False), (180.0, True)], ids=["rim", "border"])
def test_a_ring_within_the_rim_is_doubtful_whatever_lies_beside_the_coin(radius_px, within) -> None:
    """A coin of 200 px on soft cloth, a striped board a seventh of its radius away."""
    rng = np.random.default_rng(0)
    y, x = np.mgrid[:700, :700] - 350.0
    cloth = 40.0 + rng.standard_normal(x.shape)
    seen = np.where(np.hypot(x, y) < 200.0, 200.0 + rng.standard_normal(x.shape), cloth)
    seen = np.where(y < -230.0, 90.0 + 40.0 * np.sin(x), seen)
    bgr = np.repeat(np.clip(seen, 0.0, 255.0).astype(np.uint8)[..., None], 3, axis=2)
    ring = Ring(350.0, 350.0, np.array([radius_px, 0.0, 0.0, 0.0, 0.0]), 1.0)
    assert is_doubtful(Photo(bgr, "0" * 64, "coin", Focal(1000.0, 0.1, "drawn")), ring) == within


def test_coins_that_could_be_each_other_are_refused_until_one_is_pointed_at() -> None:
    scene = place_all(coin(23.25), (-22.0, 0.0)) + place_all(coin(21.25), (18.0, 4.0))
    photo = photograph(Shot(), scene)
    with pytest.raises(ScaleError, match=r"2 discs.*21.25 mm"):
        find_coin(photo, 21.25)
    for at, diameter in (((540.0, 600.0), 23.25), ((1010.0, 550.0), 21.25)):
        scale = find_coin(photo, diameter, at_px=at)
        assert np.linalg.norm(scale.outline_px.mean(axis=0) - at) < 60.0
    with pytest.raises(ScaleError, match="No circle"):
        find_coin(photo, 21.25, at_px=(800.0, 1100.0))
    with pytest.raises(OptionError, match="outside the photo"):
        find_coin(photo, 21.25, at_px=(-5.0, 600.0))


def test_a_medal_larger_than_any_coin_in_use_serves_too() -> None:
    scale = find_coin(photograph(Shot(), place_all(coin(50.0), (0.0, 0.0))), 50.0)
    assert scale.kind == "coin"


def test_lengths_inside_their_uncertainty() -> None:
    """Including the tilt that can't be told: over many photos, errors stay inside 2 u."""
    ratio = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        shot = Shot(
            tilt=tuple(rng.normal(0.0, 4.0, 2)),
            k1=float(rng.normal(0, 0.03)),
            blur_px=float(rng.uniform(0.7, 1.4)),
            seed=seed,
        )
        at = (float(rng.uniform(-30, 30)), -float(rng.uniform(14, 22)))
        photo = photograph(shot, board(8.0) + place_all(coin(24.26, COPPER if seed % 2 else (0.38, 0.42, 0.45)), at))
        plane = fit_plane(find_coin(photo, 24.26), (photo.width, photo.height), photo.focal)
        camera = shot.camera()
        error = length_errors(camera, plane, 30.0)
        ratio.append(error / plane.u_of(lambda p, c=camera: length_errors(c, p, 30.0)))
    r = np.array(ratio)
    assert np.mean(np.abs(r) < 2.0) >= 0.88  # six errors of each photo go together: three photos of sixteen may be out
    assert np.sqrt(np.mean(r**2)) > 0.15


def test_the_other_tilt_is_carried() -> None:
    """The picture of a circle is the same for two tilts, mirrored about the line of sight (cone of two nappes)."""
    shot = Shot(tilt=(4.0, 0.0), shift=(0.0, 25.0))
    photo = photograph(shot, place_all(coin(24.26), (0.0, 0.0)))
    plane = fit_plane(find_coin(photo, 24.26), (photo.width, photo.height), photo.focal)
    tilts = [plane.tilt_deg, *(plane.with_params(p).tilt_deg for _, p in plane.alternatives)]
    assert len(tilts) == 2
    assert min(abs(t - shot.camera().tilt_deg) for t in tilts) < 0.6
    assert sum(w for w, _ in plane.alternatives) < 0.5


def test_inlay_dots_are_not_the_coin() -> None:
    """A dot of 6.4 mm taken for a coin of 24 would put the camera four times too far away."""
    with pytest.raises(ScaleError, match=r"No circle in the photo has the size|No coin"):
        find_coin(photograph(Shot(distance=420.0, focal_px=4900.0), board(-20.0)), 24.26)


def test_a_coin_cut_off_by_the_picture_is_refused() -> None:
    with pytest.raises(ScaleError):
        find_coin(photograph(Shot(), place_all(coin(24.26), (0.0, -54.0))), 24.26)


def test_no_coin_is_said() -> None:
    with pytest.raises(ScaleError, match="coin"):
        find_coin(photograph(Shot(), [Paint(placed(disc(0.8), (9.0, 9.0)), (0.5, 0.5, 0.5))]), 24.26)


def test_table_of_coins(published) -> None:
    """US diameters from the statute's inches; euro from the Regulation's Annex I."""
    table = {c.name: c.diameter_mm for c in coins()}
    for name, inches in published("coins")["us"]["diameter_inch"].items():
        assert table[name] == pytest.approx(inches * 25.4, abs=1e-6)
    for name, mm in published("coins")["euro"]["diameter_mm"].items():
        assert table[name] == mm
    assert "20 euro cent" not in table  # its outline is not a circle
    assert all(c.source for c in coins())
