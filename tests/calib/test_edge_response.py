"""Blur and sharpening of a photo, told from the printed scale's edges: against drawn blur and an unsharp mask."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from calib.edge_response import edge_response, fit_spread_function, srgb_codes
from calib.photo import Photo, linear_light
from calib.scales.printed import STRIP, STRIP_SIZE, find_printed


def sharpened(photo: Photo, amount: float, radius: float, tint: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> Photo:
    """An unsharp mask on the codes, as OpenCV blurs."""
    codes = photo.bgr.astype(np.float32) * np.array(tint, np.float32)
    codes = codes + amount * (codes - cv2.GaussianBlur(codes, (0, 0), radius))
    bgr = np.clip(np.round(codes), 0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return replace(photo, bgr=bgr)


@pytest.mark.slow
@pytest.mark.parametrize("sigma", [0.7, 1.0, 1.6])
def test_blur_is_told_from_sharpening(make_camera, print_photo, sigma):
    plain = print_photo(STRIP, STRIP_SIZE, make_camera(), sigma=sigma, noise=0.004)
    scale = find_printed(plain, "strip")
    of_plain = edge_response(plain, scale)
    of_sharp = edge_response(sharpened(plain, 1.1, 1.3), scale)
    assert of_plain.overshoot < 0.01
    seen = math.hypot(sigma, 1.0 / math.sqrt(12.0))  # a pixel averages over its own width
    for response in (of_plain, of_sharp):
        assert abs(response.spread_px - seen) < max(2.0 * response.u_spread_px, 0.08)
    drawn = _drawn_overshoot(math.hypot(seen, 1.0 / math.sqrt(6.0)), 1.1, 1.3, of_sharp.black, of_sharp.white)
    assert drawn > 0.015
    assert of_sharp.overshoot == pytest.approx(drawn, rel=0.3)


def _drawn_overshoot(sigma, amount, radius, black, white):
    x = np.arange(-20.0, 20.0, 0.05)
    dark, bright = (float(linear_light(np.array([round(255 * c)], np.uint8))[0]) for c in (black, white))
    codes = srgb_codes(dark + (bright - dark) * ndtr(x / sigma))
    codes = codes + amount * (codes - gaussian_filter1d(codes, radius / 0.05, mode="nearest"))
    return max(codes.max() - white, black - codes.min()) / (white - black)


@pytest.mark.parametrize(("sigma", "amount", "radius"), [(0.8, 0.0, 1.0), (1.0, 1.1, 1.3), (2.0, 1.5, 1.5)])
def test_the_model_gives_back_what_it_was_drawn_with(sigma, amount, radius):
    fine = np.arange(-25.0, 25.0, 0.05)
    black, white = 0.1, 0.8
    dark, bright = (float(linear_light(np.array([round(255 * c)], np.uint8))[0]) for c in (black, white))
    codes = srgb_codes(dark + (bright - dark) * ndtr(fine / sigma))
    codes = codes + amount * (codes - gaussian_filter1d(codes, radius / 0.05, mode="nearest"))
    x = np.arange(-5.0, 5.01, 0.25)
    y = np.interp(x, fine, (codes - black) / (white - black))
    spread, u_spread, _, _, overshoot = fit_spread_function(x, y, np.full(len(x), 0.01), black, white)
    assert abs(spread - sigma) < max(2.0 * u_spread, 0.05)
    assert overshoot == pytest.approx(max(codes.max() - white, black - codes.min()) / (white - black), abs=0.015)


def test_the_paper_tells_the_colour_of_the_light(make_camera, print_photo):
    photo = sharpened(print_photo(STRIP, STRIP_SIZE, make_camera(), noise=0.004), 0.0, 1.0, (0.7, 0.9, 1.0))
    white = edge_response(photo, find_printed(photo, "strip")).white_bgr
    assert white[2] == 1.0
    assert white[0] == pytest.approx(0.7**2.3, abs=0.06)  # codes to light: about the power 2.3 in the upper half
    assert white[0] < white[1] < white[2]


def test_a_scale_without_printed_edges_says_nothing(make_camera, print_photo):
    photo = print_photo(STRIP, STRIP_SIZE, make_camera())
    scale = find_printed(photo, "strip")
    assert edge_response(photo, replace(scale, kind="coin", ids=())) is None
    few = replace(scale, **{k: getattr(scale, k)[:4] for k in ("image_px", "plane_mm", "u_px", "ids", "turn_rad")})
    assert edge_response(photo, few) is None


def test_coding_is_the_inverse_of_decoding():
    codes = np.arange(256, dtype=np.uint8)
    np.testing.assert_allclose(srgb_codes(linear_light(codes).astype(float)) * 255.0, codes, atol=1e-3)
    assert math.isclose(float(srgb_codes(np.array([2.0]))[0]), 1.0)
