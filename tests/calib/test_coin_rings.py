"""Circles found on the reduced picture: the same ones however the photo is turned."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.photo import Photo
from calib.scales.coin_rings import Ring, _with_wider, find_rings
from tests.calib.bench_scene import Paint, Shot, board, coin, disc, photograph, place_all
from tests.conftest import rest_slow

RELIEF = [
    Paint(disc(r), tone) for r, tone in ((12.13, (0.5, 0.52, 0.55)), (9.4, (0.2, 0.2, 0.2)), (9.1, (0.5, 0.5, 0.5)))
]


def turned(photo: Photo, quarters: int) -> Photo:
    """The photo turned by quarter turns against the clock."""
    return replace(photo, bgr=np.ascontiguousarray(np.rot90(photo.bgr, quarters)))


def as_it_was(photo: Photo, ring: Ring, quarters: int) -> tuple[float, float, float]:
    """Middle and radius of a ring of the turned photo, on the photo before it was turned."""
    x, y, (w, h) = ring.x, ring.y, (photo.width, photo.height)
    for _ in range(quarters):
        x, y, w, h = h - 1.0 - y, x, h, w
    return x, y, ring.radius


def best_seen(photo: Photo, quarters: int) -> np.ndarray:
    """Middles and radii of all rings, sorted, shape (N, 3)."""
    around = turned(photo, quarters)
    rings = [ring for disc_rings in find_rings(around) for ring in disc_rings]
    return np.array(sorted(as_it_was(around, ring, quarters) for ring in rings))


@pytest.mark.parametrize("quarters", rest_slow([1, 2, 3]))
def test_a_turned_photo_shows_the_same_rings(quarters: int) -> None:
    shot = Shot(tilt=(4.0, -3.0))
    scene = board(8.0) + place_all([*coin(24.26), *RELIEF], (12.0, -16.0)) + place_all(coin(19.75), (-18.0, -20.0))
    photo = photograph(shot, scene)
    upright, other = best_seen(photo, 0), best_seen(photo, quarters)
    assert len(upright) > 2
    np.testing.assert_allclose(other, upright, atol=1.5)


def test_a_rim_is_found_about_a_relief_too_broken_to_be_followed() -> None:
    """A raised border of dashes draws the circle to itself; the rim is 1.15 times as wide and as clear as can be."""
    picture = np.full((200, 200, 3), 60, np.uint8)
    cv2.circle(picture, (100, 100), 45, (200, 200, 200), -1, cv2.LINE_AA)
    for start in range(0, 360, 40):
        cv2.ellipse(picture, (100, 100), (39, 39), 0.0, start, start + 15, (230, 230, 230), 1, cv2.LINE_AA)
    soft = np.asarray(cv2.GaussianBlur(picture, (0, 0), 1.0), dtype=np.uint8)
    rims = _with_wider(soft, np.array([100.0, 100.0, 39.0]), broken=True)
    assert [rim.share for rim in rims] == [1.0, 1.0]
    assert [rim.radius for rim in rims] == pytest.approx([45.5, 45.5], abs=0.5)  # a disc reaches half a pixel farther
