"""Specks of a card that stop above the line followed: what is there is metal, or a shadow, which is darker."""

from dataclasses import replace

import numpy as np
import pytest

from calib.photo import Focal, Photo
from inspect_app.measure.backdrop.grainy_card import is_metal_above

MM_PER_PX = 0.02
LINE_ROW = 100.0


def card(band, grain=12.0, band_grain=4.0):
    """Card at 100 codes, and at `band` codes in the 25 rows (half a millimetre) above a line; each with its specks."""
    rng = np.random.default_rng(7)
    rows = np.arange(140)[:, None]
    near = (rows > LINE_ROW - 25) & (rows < LINE_ROW)
    light = np.where(near, band, np.where(rows < LINE_ROW, 100.0, 250.0))
    codes = np.clip(light + rng.normal(0.0, 1.0, (140, 300)) * np.where(near, band_grain, grain), 0, 255)
    bgr = np.repeat(np.round(codes).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(bgr, "0" * 64, "card.png", Focal(3000.0, 0.01, "EXIF"))


@pytest.mark.parametrize(
    ("photo", "metal"),
    [
        (card(band=110.0), True),
        (card(band=70.0), False),
        (card(band=110.0, band_grain=13.0), False),
        (card(band=110.0, grain=4.0, band_grain=1.0), False),
    ],
    ids=["smooth and as bright", "a shadow", "card to the line", "a card without specks"],
)
def test_metal_above_a_line_is_as_bright_as_the_card_and_smoother(photo, metal):
    line = np.column_stack([np.arange(20.0, 280.0), np.full(260, LINE_ROW)])
    up = np.tile([0.0, -1.0 / MM_PER_PX], (260, 1))
    assert is_metal_above(photo, line, up) == metal
    turned = replace(photo, bgr=np.ascontiguousarray(np.rot90(photo.bgr, -1)))  # columns are rows now, from the right
    assert is_metal_above(turned, np.column_stack([139.0 - line[:, 1], line[:, 0]]), -up[:, ::-1]) == metal
