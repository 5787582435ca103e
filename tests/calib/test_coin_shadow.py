"""A coin's rim beside its soft shadow, and beside its side wall, in drawn photos."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calib.photo import Focal, Photo
from calib.pose_fit import fit_plane
from calib.scales.coin import find_coin
from calib.scales.coin_rim import fitted_ring
from calib.scales.coin_rings import Ring
from calib.scales.coin_shadow import Rim, settled_rim
from shared.errors import ScaleError
from tests.conftest import rest_slow

RADIUS = 130.0
CLOTH = np.array([190.0, 200.0, 205.0])
COPPER = np.array([40.0, 70.0, 120.0])
STEEL = np.array([165.0, 172.0, 175.0])
GREY = np.array([165.0, 168.0, 170.0])


def _cover(radius: float, at: tuple[float, float], soft: float = 1.0) -> np.ndarray:
    y, x = np.mgrid[:600, :600] - 300.0
    disc = np.clip(radius - np.hypot(x - at[0], y - at[1]) + 0.5, 0.0, 1.0)
    return np.asarray(cv2.GaussianBlur(disc, (0, 0), soft))[..., None]


def _photo(picture: np.ndarray) -> Photo:
    noisy = picture + np.random.default_rng(3).normal(0.0, 2.0, picture.shape)
    return Photo(np.clip(noisy, 0, 255).astype(np.uint8), "0" * 64, "coin", Focal(1500.0, 0.02, "drawn"))


def _shadowed(depth: float, to: tuple[float, float], soft: float = 5.0, colour: np.ndarray = COPPER) -> Photo:
    """A coin of 130 px; where its shadow falls, the cloth keeps its colour and loses this share of its light."""
    cloth = CLOTH * (1.0 - depth * _cover(RADIUS, to, soft))
    coin = _cover(RADIUS, (0.0, 0.0))
    return _photo(cloth + coin * (colour - cloth))


def _settled(photo: Photo, x: float, y: float, radius: float) -> Rim:
    found = fitted_ring(photo, Ring(300.0 + x, 300.0 + y, np.array([radius, 0.0, 0.0, 0.0, 0.0]), 1.0))
    assert found is not None
    return settled_rim(photo, *found)


def _share_of_u(rim: Rim, radius: float) -> float:
    return abs(rim.ring.radius - radius) / (2.0 * np.hypot(rim.u_radius, 0.01 * radius))


@pytest.mark.parametrize("to", [(14.0, 9.0), (-12.0, 0.0), (4.0, -16.0)])
def test_a_ring_round_the_soft_shadow_gives_way_to_the_rim_within_it(to) -> None:
    photo = _shadowed(0.25, to)
    round_both = Ring(300.0 + to[0] / 2, 300.0 + to[1] / 2, np.array([RADIUS + np.hypot(*to) / 2, 0, 0, 0, 0]), 1.0)
    points = fitted_ring(photo, Ring(300.0, 300.0, np.array([RADIUS, 0, 0, 0, 0]), 1.0))
    assert points is not None
    rim = settled_rim(photo, round_both, points[1])
    outline = rim.ring.points(np.linspace(0.0, 2.0 * np.pi, 90))[0]
    assert np.hypot(*(outline - 300.0).T) == pytest.approx(np.full(90, RADIUS), abs=0.012 * RADIUS)


def test_a_rim_without_a_shadow_is_sure() -> None:
    rim = _settled(_shadowed(0.0, (0.0, 0.0)), 0.0, 0.0, RADIUS)
    assert rim.u_radius == 0.0
    assert rim.ring.radius == pytest.approx(RADIUS, abs=0.5)


def test_relief_concentric_with_the_rim_does_not_make_it_doubtful() -> None:
    """A border in strong relief round the face of a coin that hardly differs from what it lies on."""
    picture = CLOTH + _cover(RADIUS, (0.0, 0.0)) * (STEEL - CLOTH)
    picture = picture - 90.0 * (_cover(0.92 * RADIUS, (0.0, 0.0)) - _cover(0.89 * RADIUS, (0.0, 0.0)))
    rim = _settled(_photo(picture), 0.0, 0.0, RADIUS)
    assert rim.u_radius == 0.0
    assert rim.ring.radius == pytest.approx(RADIUS, abs=1.0)


@pytest.mark.parametrize("wall", rest_slow([4.0, 8.0, 10.0]))
@pytest.mark.parametrize("tone", rest_slow([40.0, 70.0, 100.0]))
def test_a_bright_side_wall_is_within_u(wall, tone) -> None:
    """From 10 to 25 degrees off square the face, 2 mm above the foot, lies beside it; the coin's size is the face's."""
    picture = CLOTH - _cover(RADIUS, (wall, 0.0)) * tone
    picture = picture + _cover(RADIUS, (0.0, 0.0)) * (COPPER - picture)
    assert _share_of_u(_settled(_photo(picture), 0.0, 0.0, RADIUS), RADIUS) < 1.0


def _crescent(ground: np.ndarray, coin: np.ndarray, between: np.ndarray, to: float = 9.0) -> Photo:
    """A coin that touches a larger disc from within; what shows of the disc has a colour of its own."""
    picture = ground + _cover(RADIUS + to, (to, 0.0)) * (between - ground)
    return _photo(picture + _cover(RADIUS, (0.0, 0.0)) * (coin - picture))


@pytest.mark.parametrize("to", rest_slow([6.0, 9.0, 12.0]))
def test_a_crescent_of_the_ground_s_colour_leaves_the_rim_to_the_ring_within(to) -> None:
    """Halfway between the rings would be 2 to 5 % too large."""
    rim = _settled(_crescent(CLOTH, COPPER, 0.6 * CLOTH, to), to, 0.0, RADIUS + to)
    assert rim.ring.radius == pytest.approx(RADIUS, rel=0.01)
    assert rim.u_radius > 0.0


@pytest.mark.parametrize("to", rest_slow([6.0, 9.0, 12.0]))
def test_a_shadow_lit_by_the_coin_leaves_its_size_inside_u(to) -> None:
    """Half of the light on the cloth beside a copper coin has come by way of the copper."""
    shade = 0.5 * (0.6 * CLOTH + COPPER)
    assert _share_of_u(_settled(_crescent(CLOTH, COPPER, shade, to), to, 0.0, RADIUS + to), RADIUS) < 1.0


@pytest.mark.parametrize(
    ("ground", "coin", "between"),
    [(CLOTH, COPPER, 1.5 * COPPER), (GREY, GREY - 40.0, GREY + 20.0)],
    ids=["copper", "steel brighter than the ground"],
)
def test_a_crescent_of_metal_makes_the_outer_ring_likelier(ground, coin, between) -> None:
    """A coin's worn border against its face: halfway between would be 3.5 % too small."""
    rim = _settled(_crescent(ground, coin, between), 0.0, 0.0, RADIUS)
    assert rim.ring.radius == pytest.approx(RADIUS + 9.0, rel=0.02)
    assert _share_of_u(rim, RADIUS + 9.0) < 1.0


@pytest.mark.parametrize("border", [0.95, 0.96])
def test_the_border_of_a_face_with_its_rim_round_it_is_not_the_rim_beyond_doubt(border) -> None:
    """A border that stands out more than the rim, and a shadow's ring that touches both."""
    picture = CLOTH * (1.0 - 0.15 * _cover(RADIUS + 8.0, (8.0, 0.0), 3.0))
    picture = picture + _cover(RADIUS, (0.0, 0.0)) * (0.75 * CLOTH - picture)
    picture = picture + _cover(border * RADIUS, (0.0, 0.0)) * (COPPER - picture)
    assert _share_of_u(_settled(_photo(picture), 8.0, 0.0, RADIUS + 8.0), RADIUS) < 1.0


@pytest.mark.slow
def test_a_refusal_names_its_cause() -> None:
    photo = _shadowed(0.0, (0.0, 0.0))
    with pytest.raises(ScaleError, match="at the point given"):
        find_coin(photo, 22.25, at_px=(20.0, 20.0))
    ring = 0.5 * (_cover(1.2 * RADIUS, (0.0, 0.0)) - _cover(1.17 * RADIUS, (0.0, 0.0)))
    cloth = CLOTH * (1.0 - ring * (np.indices((600, 600))[0] > 260)[..., None])  # for two thirds of the way round
    with pytest.raises(ScaleError, match="Round the coin lies something"):
        find_coin(_photo(cloth + _cover(RADIUS, (0.0, 0.0)) * (COPPER - cloth)), 22.25)


@pytest.mark.slow
@pytest.mark.parametrize("turn", rest_slow([0.0, 1.0, 2.0, 4.0]))
def test_a_hard_shadow_as_dark_as_a_copper_coin_is_told_by_its_colour(turn) -> None:
    photo = _shadowed(0.5, (12.0 * np.cos(turn), 12.0 * np.sin(turn)), 3.0)
    scale = find_coin(photo, 22.25)
    size = float(np.mean(np.ptp(scale.outline_px, axis=0))) / (2.0 * RADIUS)
    assert abs(size - 1.0) < 2.0 * scale.u_outward_mm / (22.25 / 2.0)


@pytest.mark.slow
@pytest.mark.parametrize("depth", [0.1, 0.2, 0.3])
@pytest.mark.parametrize("colour", [COPPER, STEEL - 40.0], ids=["copper", "steel"])
def test_a_coin_s_size_is_inside_its_uncertainty_in_soft_shadows(depth, colour) -> None:
    """Or refused: steel in a shadow of its own tone."""
    ratios = []
    for k in range(6):
        turn = k * np.pi / 3.0
        photo = _shadowed(depth, (12.0 * np.cos(turn), 12.0 * np.sin(turn)), 4.0 + k, colour)
        try:
            scale = find_coin(photo, 22.25)
        except ScaleError:
            continue
        plane = fit_plane(scale, (photo.width, photo.height), photo.focal)
        ends = np.array([[300.0 - RADIUS, 300.0], [300.0 + RADIUS, 300.0]])

        def error(p, ends=ends) -> np.ndarray:
            a, b = p.to_mm(ends)
            return np.array([np.linalg.norm(b - a) / 22.25 - 1.0])

        ratios.append(float(error(plane)[0] / plane.u_of(error)[0]))
    assert len(ratios) >= 3
    assert np.max(np.abs(ratios)) < 2.0, ratios
