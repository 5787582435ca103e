"""Circles found on the reduced picture: the same ones however the photo is turned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.photo import Photo
from calib.scales.coin_rings import Ring, find_rings
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
