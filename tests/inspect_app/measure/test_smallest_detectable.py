"""What a photo can show, from how sharp its scale is: a demo photo, as it is and blurred."""

from dataclasses import replace
from pathlib import Path

import cv2
import pytest
from scipy.stats import norm

import sample_images
from calib.photo import open_photo
from calib.scales.ask import ScaleAsk
from calib.scales.find import find_scale
from inspect_app.measure.smallest_detectable import LEVEL_MIDDLE, sharpness_summary

PHOTO = Path(sample_images.__file__).with_name("intake-plan-1.jpg")


@pytest.fixture(scope="module")
def plain():
    return open_photo(PHOTO.read_bytes(), PHOTO.name)


def test_a_blurred_photo_shows_less(plain):
    bgr = cv2.GaussianBlur(plain.bgr, (0, 0), 2.0)
    bgr.flags.writeable = False
    seen = [
        sharpness_summary(p, find_scale(p, ScaleAsk("strip")), 20.0) for p in (plain, replace(plain, bgr=bgr))
    ]  # fmt: skip
    assert seen[1].mtf50 < 0.6 * seen[0].mtf50
    assert 1.5 < seen[1].blur_px < 2.5  # 2 px, in codes that were sharpened before
    assert seen[1].smallest_flat_mm > 2.0 * seen[0].smallest_flat_mm
    assert seen[1].smallest_divot_mm > seen[0].smallest_divot_mm


def test_a_coin_tells_no_sharpness(plain):
    found = replace(find_scale(plain, ScaleAsk("strip")), kind="coin", ids=(), turn_rad=None)
    assert sharpness_summary(plain, found, 20.0) is None


def test_the_middle_of_the_narrowest_flat_keeps_nine_tenths_of_its_light():
    assert norm.cdf(LEVEL_MIDDLE / 2.0) - norm.cdf(-LEVEL_MIDDLE / 2.0) == pytest.approx(0.9, abs=0.001)
