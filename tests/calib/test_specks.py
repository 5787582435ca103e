"""Specks: how many there are on plain paper, and edges where they were once they are taken out."""

import cv2
import numpy as np
import pytest

from calib.photo import Focal, Photo
from calib.specks import grain, without_specks

EDGE = 60.0
EVERYWHERE = np.stack(np.meshgrid(np.arange(5, 50, 2), np.arange(5, 115, 2)), axis=-1).reshape(-1, 2)


def step_photo(noise=0.0, share=0.0, aslant=0.0):
    """Paper at 110 codes to the left of an edge, metal at 60 to its right; specks up to white on the paper."""
    rng = np.random.default_rng(2)
    y, x = np.mgrid[0:120, 0:120].astype(float)
    light = np.where(x < EDGE + aslant * (y - 60.0), 110.0, 60.0)
    light = cv2.GaussianBlur(light, (0, 0), 1.0)
    specks = cv2.GaussianBlur((rng.random(light.shape) < share).astype(float), (0, 0), 0.8)
    light += np.where(light > 85.0, 145.0 * np.clip(4.0 * specks, 0.0, 1.0), 0.0)
    light += rng.normal(0.0, 1.0, light.shape) * noise
    bgr = np.repeat(np.clip(np.round(light), 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(bgr, "0" * 64, "step.png", Focal(3000.0, 0.01, "EXIF"))


def half_way(photo, aslant=0.0):
    """Where the light, averaged over five rows, is half-way between both sides, row by row; pixels, less the slant."""
    rows = np.arange(20, 100)
    light = cv2.blur(photo.gray.astype(np.float32), (1, 5))
    at = [float(np.interp(-85.0, -light[r, 20:], np.arange(20.0, 120.0))) for r in rows]
    return np.array(at) - aslant * (rows - 60.0)


@pytest.mark.parametrize("aslant", [0.0, 0.5])
def test_an_edge_stays_where_it_is_without_its_specks(aslant):
    clean, specked = step_photo(aslant=aslant), step_photo(share=0.03, aslant=aslant)
    with_them = half_way(specked, aslant) - half_way(clean, aslant)
    without = half_way(without_specks(specked), aslant) - half_way(clean, aslant)
    assert np.mean(without**2) < 0.6 * np.mean(with_them**2)
    assert abs(np.mean(without)) < 0.15


def test_grain_is_the_noise_and_the_specks():
    assert grain(step_photo(), EVERYWHERE) == 0.0
    assert grain(step_photo(noise=3.0), EVERYWHERE) == pytest.approx(3.0, rel=0.15)
    assert grain(step_photo(noise=3.0, share=0.01), EVERYWHERE) > 9.0


def test_places_outside_the_photo_say_nothing():
    photo = step_photo(noise=3.0)
    assert grain(photo, [[-40.0, 10.0], [500.0, 10.0], [0.0, 0.0]]) == 0.0
    assert grain(photo, [[-40.0, 10.0], *EVERYWHERE]) == grain(photo, EVERYWHERE)
