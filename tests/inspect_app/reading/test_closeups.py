"""Close-ups: the width asked for in millimetres whatever the photo, the same place before and after."""

import cv2
import numpy as np
import pytest

from inspect_app.reading.closeups import (
    OUT_PX,
    SPOT_MM,
    Window,
    bar_of,
    bevel_window,
    box_of,
    closeup,
    nearest_spot,
)
from inspect_app.reading.inspection import CameraSummary, Flat, FretReading, Inspection, Outline, PhotoSummary
from inspect_app.reading.key import on_fret
from shared.measured import Measured


def mm(value):
    return Measured.of(value, "mm", reading=0.01)


def answer(px_per_mm=20.0, shift=0.0, worn=True):
    """Fret 5 standing upright at x = 300 + shift, its treble end at y = 1000, 44 mm long, worn 11 mm from there."""
    x, end = 300.0 + shift, 1000.0 - 44.0 * px_per_mm
    edges = tuple(
        Outline("crown_edge", ((x + d, 1000.0), (x + d, end)), of=on_fret(5, "crown nut side")) for d in (-24.0, 24.0)
    )
    at = 1000.0 - 11.0 * px_per_mm
    spot = Outline("flat", ((x - 5, at), (x, at - 9), (x + 5, at), (x, at + 9)), True, on_fret(5, "flats", 1))
    bevel = Outline("bevel", ((x, 990.0), (x, 1000.0)), of=on_fret(5, "bevel treble"))
    flats = (Flat(mm(11.0), mm(3.0), mm(0.8)),) if worn else ()
    fret = FretReading(5, length=mm(44.0), flats=flats, outlines=(*edges, bevel, *((spot,) if worn else ())))
    camera = CameraSummary(3000.0, "EXIF", 0.0, 350.0, 3.0, px_per_mm)
    return Inspection("plan", PhotoSummary("a", "0" * 64, 600, 1100), "t", {}, (fret,), camera=camera)


def test_the_worn_place_is_in_the_middle():
    found = nearest_spot(answer(), 5, 11.4, 1.5)
    assert found.middle == pytest.approx((300.0, 780.0))
    assert nearest_spot(answer(), 5, 20.0, 1.5) is None
    assert nearest_spot(answer(), 6, 11.0, 1.5) is None


def test_a_laid_photo_shows_the_very_piece_of_the_first():
    """A mark at the window's middle in the first photo lies, turned and shifted, in the same place of the picture."""
    window, size = Window((300.0, 780.0), SPOT_MM, 20.0), (600, 1100)
    onto = np.array([[0.9, 0.1, -20.0], [-0.1, 0.9, 40.0], [0.0, 0.0, 1.0]])  # second photo to first
    second = np.zeros((1300, 900, 3), np.uint8)
    x, y = (np.linalg.inv(onto) @ (300.0, 780.0, 1.0))[:2]
    cv2.circle(second, (round(x), round(y)), 6, (255, 255, 255), -1)
    shown = closeup(second, window, onto, size)[..., 0]
    at = np.argwhere(shown > 127).mean(axis=0)
    x0, y0, x1, _ = box_of(window, size)
    zoom = OUT_PX / (x1 - x0)
    assert at == pytest.approx([(780.0 - y0) * zoom, (300.0 - x0) * zoom], abs=zoom)


def test_a_close_up_has_its_scale_whatever_the_photos():
    """A white mark 2 mm wide covers the bar's share of the picture, at 20 and at 35 pixels to the millimetre."""
    for px in (20.0, 35.0):
        photo = np.zeros((800, 900, 3), np.uint8)
        half = round(px)
        photo[:, 450 - half : 450 + half] = 255
        window = Window((450.0, 400.0), SPOT_MM, px)
        row = closeup(photo, window)[200, :, 0]
        assert (row > 127).sum() / OUT_PX == pytest.approx(bar_of(window, "mm")[0], abs=0.004)
    assert bar_of(window, "inch") == (pytest.approx(2.54 / SPOT_MM), "0.1 in")


def test_at_the_border_the_window_moves_inwards_and_keeps_its_size():
    photo = np.full((400, 400, 3), 200, np.uint8)
    shown = closeup(photo, Window((3.0, 3.0), SPOT_MM, 20.0))
    assert shown.shape == (OUT_PX // 2, OUT_PX, 3)
    assert (shown[9:-9, 9:-9] == 200).all()  # the outermost pixels are blended with what lies outside


def test_bevels_are_found_by_their_end():
    assert bevel_window(answer(), 5, "treble").middle == pytest.approx((300.0, 995.0))
    assert bevel_window(answer(), 5, "bass") is None
