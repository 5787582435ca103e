"""Sharpening told from a picture's lone edges and taken out again: against an unsharp mask drawn by OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calib.edge_response import EdgeResponse, srgb_codes
from calib.lone_edges import SOFT_PX, lone_edge_response
from calib.photo import Focal, Photo
from calib.unsharpening import unsharpened


def photo_of(codes: np.ndarray) -> Photo:
    bgr = np.repeat(np.clip(np.round(codes), 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    bgr.flags.writeable = False
    return Photo(bgr, "0" * 64, "drawn", Focal(1000.0, 0.1, "assumed"))


def whole(photo: Photo) -> np.ndarray:
    return photo.part((0, 0), (photo.width, photo.height))[..., 0]


def sharpened(codes: np.ndarray, amount: float, radius: float) -> np.ndarray:
    return codes + amount * (codes - cv2.GaussianBlur(codes, (0, 0), radius))


def cards(noise: float = 0.004) -> np.ndarray:
    """Codes of leaning cards and coins of several greys on a dark bench, blurred by 0.9 px in light."""
    light = np.full((600, 800), 0.1, np.float32)
    for k, grey in enumerate((0.25, 0.35, 0.5, 0.65)):
        box = cv2.boxPoints(((110.0 + 190.0 * k, 160.0), (120.0, 190.0), 7.0 + 11.0 * k))
        cv2.fillPoly(light, [np.round(box * 16).astype(np.int32)], float(grey), cv2.LINE_AA, 4)
        cv2.circle(light, (110 + 190 * k, 440), 60 + 5 * k, float(grey), -1, cv2.LINE_AA)
    light = cv2.GaussianBlur(light, (0, 0), 0.9)
    rng = np.random.default_rng(3)
    return (255.0 * srgb_codes(light + rng.normal(0.0, noise, light.shape))).astype(np.float32)


def response_of(amount: float, radius: float, overshoot: float = 0.1) -> EdgeResponse:
    return EdgeResponse(0.9, 0.05, overshoot, amount, radius, 0.1, 0.8, (1.0, 1.0, 1.0), 100)


@pytest.mark.parametrize(("amount", "radius"), [(0.4, 0.8), (1.1, 1.3), (2.5, 2.0)])
def test_what_an_unsharp_mask_did_is_undone(amount: float, radius: float) -> None:
    rng = np.random.default_rng(1)
    plain = cv2.GaussianBlur(rng.normal(0.0, 1.0, (300, 400)).astype(np.float32), (0, 0), 1.5)
    plain = 128.0 + 8.0 * plain / plain.std()
    sharp = sharpened(plain, amount, radius)
    assert np.abs(sharp - plain).max() > 2.5
    back = whole(unsharpened(photo_of(sharp), response_of(amount, radius)))
    assert np.sqrt(np.mean((back - plain) ** 2)) < 0.8  # roundings of 0.3 codes each
    assert np.abs(back - plain).max() < 3.0


def test_of_much_sharpening_as_much_is_left_as_is_asked_for() -> None:
    rng = np.random.default_rng(2)
    plain = cv2.GaussianBlur(rng.normal(0.0, 1.0, (300, 400)).astype(np.float32), (0, 0), 1.5)
    plain = 128.0 + 8.0 * plain / plain.std()
    photo, response = photo_of(sharpened(plain, 2.0, 1.3)), response_of(2.0, 1.3, 0.2)
    left = whole(unsharpened(photo, response, 0.05))
    assert np.sqrt(np.mean((left - sharpened(plain, 0.5, 1.3)) ** 2)) < 0.8  # roundings of 0.3 codes each
    assert unsharpened(photo, response, 0.2) is photo


def test_a_photo_that_was_not_sharpened_is_left_as_it_is() -> None:
    photo = photo_of(cards())
    assert unsharpened(photo, None) is photo
    assert unsharpened(photo, response_of(0.3, 1.2, 0.004)) is photo


def test_a_part_is_the_same_as_of_the_whole() -> None:
    photo = unsharpened(photo_of(sharpened(cards(), 1.1, 1.3)), response_of(1.1, 1.3))
    for first, last in (((0, 0), (60, 40)), ((301, 203), (407, 288)), ((700, 500), (800, 600))):
        cut = whole(photo)[first[1] : last[1], first[0] : last[0]]
        np.testing.assert_array_equal(photo.part(first, last)[..., 0], cut)


@pytest.mark.slow
@pytest.mark.parametrize(("amount", "radius"), [(0.0, 1.0), (0.6, 1.4), (1.1, 1.3), (1.6, 1.0)])
def test_the_halos_beside_lone_edges_tell_the_sharpening(amount: float, radius: float) -> None:
    plain = cards()
    photo = photo_of(sharpened(plain, amount, radius))
    found = lone_edge_response(photo)
    assert found is not None
    assert found.rows > 500
    assert abs(found.spread_px - 0.9) < 0.15
    if not amount:
        assert found.overshoot < 0.01
        return
    assert found.overshoot > 0.03
    back = whole(unsharpened(photo, found))
    before, after = (np.sqrt(np.mean((codes - plain) ** 2)) for codes in (photo.bgr[..., 0], back))
    assert after < 0.4 * before


@pytest.mark.slow
def test_a_soft_photo_tells_its_blur_at_half_its_size() -> None:
    """Out of focus no edge is quiet beside, at half the size they are again; of halos nothing is told there."""
    soft = cv2.GaussianBlur(cards(), (0, 0), 1.8)
    found = lone_edge_response(photo_of(soft))
    assert found is not None
    assert abs(found.spread_px - np.hypot(0.9, 1.8)) < 0.2
    assert found.overshoot < 0.01
    shaken = cv2.GaussianBlur(cards(), (0, 0), sigmaX=3.0, sigmaY=0.01)  # edges along the shake stay sharp
    along = lone_edge_response(photo_of(shaken))
    assert along is not None
    assert along.spread_px > SOFT_PX


def test_nothing_is_told_from_a_picture_without_edges_or_with_nothing_but_texture() -> None:
    rng = np.random.default_rng(2)
    texture = 128.0 + 40.0 * cv2.GaussianBlur(rng.normal(0.0, 1.0, (300, 400)).astype(np.float32), (0, 0), 1.0) * 3.5
    assert lone_edge_response(photo_of(np.full((300, 400), 90.0))) is None
    assert lone_edge_response(photo_of(texture)) is None


def test_halos_that_are_cut_off_at_white_tell_nothing() -> None:
    burnt = np.minimum(2.2 * cards(), 255.0)
    assert lone_edge_response(photo_of(sharpened(burnt, 1.1, 1.3))) is None
    assert lone_edge_response(photo_of(sharpened(cards(), 1.1, 1.3))) is not None
