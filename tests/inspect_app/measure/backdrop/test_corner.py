"""Where a crown line ends, and that a bevel begins there and nowhere else."""

import math

import cv2
import numpy as np
import pytest

from calib.photo import Focal, Photo
from inspect_app.measure import calibrate
from inspect_app.measure.backdrop.beside_edge import is_halo
from inspect_app.measure.backdrop.bevel import Bevel
from inspect_app.measure.backdrop.corner import find_corner
from inspect_app.measure.backdrop.end_seen import is_an_end
from inspect_app.measure.backdrop.fret import detect_fret
from tests.inspect_app.measure.backdrop.fret_pictures import CARD_X, Scene, draw, scene_ask


def seen(scene):
    photo, _ = draw(scene)
    return photo, detect_fret(photo, *calibrate(photo, scene_ask(scene)), scene_ask(scene))


def true_corner(scene, end):
    """In the frame that a photo gives, which begins at the card's side."""
    i, inward = (0, 1.0) if end == "treble" else (1, -1.0)
    return scene.ends[i] - CARD_X + inward * scene.height * math.tan(math.radians(scene.bevels[i]))


@pytest.mark.slow
@pytest.mark.parametrize("end", ["treble", "bass"])
@pytest.mark.parametrize(
    "scene",
    [
        Scene(seed=1),
        Scene(divots=((-18.5, 0.25, 3.0), (18.6, 0.25, 3.0)), seed=2),  # a hollow just before either end
        Scene(metal=214, noise=1.0, seed=3),  # nearly of the card's tone
    ],
)
def test_a_crown_line_ends_at_the_corner_of_its_bevel(scene, end):
    photo, fret = seen(scene)
    corner = find_corner(photo, fret.pose, fret.line, end, 1.0, fret.mm_per_px)
    assert corner.y == pytest.approx(true_corner(scene, end), abs=0.15)
    assert corner.may_begin(true_corner(scene, end))


@pytest.mark.slow
def test_where_a_file_rounded_the_tip_a_bevel_may_begin_a_little_beyond():
    places = []
    for tip in (0.0, 0.4):
        scene = Scene(divots=(), tip=tip, seed=4)
        photo, fret = seen(scene)
        corner = find_corner(photo, fret.pose, fret.line, "treble", 1.0, fret.mm_per_px)
        assert corner.may_begin(true_corner(scene, "treble"))
        places.append(corner.y)
    assert places[1] > places[0] + 0.03


@pytest.mark.slow
def test_metal_of_the_cards_tone_has_no_corner():
    scene = Scene(divots=(), seed=5)
    photo, fret = seen(scene)
    bgr = np.random.default_rng(6).normal(150.0, 2.0, photo.bgr.shape).astype(np.uint8)
    bgr.flags.writeable = False
    blank = Photo(bgr, photo.sha256, photo.name, photo.focal)
    assert find_corner(blank, fret.pose, fret.line, "treble", 1.0, fret.mm_per_px) is None


@pytest.mark.slow
@pytest.mark.parametrize(("beyond", "believed"), [(-0.45, False), (0.0, True), (0.2, True), (0.45, False)])
def test_a_bevel_that_begins_elsewhere_is_no_end(beyond, believed):
    """Short of it there would be crown outside the fret's end: an edge on the card that began 0.45 mm within a pale end
    had been read as 60 degrees for 18, at U 4."""
    scene = Scene(divots=(), seed=1)
    photo, fret = seen(scene)
    corner = find_corner(photo, fret.pose, fret.line, "treble", 1.0, fret.mm_per_px)
    foot = scene.ends[0] - CARD_X - beyond
    bevel = Bevel(math.radians(30.0), foot, math.radians(0.5), math.radians(0.7), 1.0, (0.2, 1.1))
    assert is_an_end(bevel, fret, "treble", corner) is believed


def _banded(codes_of_rows):
    codes = np.repeat(np.asarray(codes_of_rows, float)[:, None], 200, axis=1)
    codes = cv2.GaussianBlur(codes, (0, 0), 0.7) + np.random.default_rng(8).normal(0.0, 0.5, codes.shape)
    return Photo(
        np.repeat(codes.astype(np.uint8)[..., None], 3, axis=2), "0" * 64, "halo.png", Focal(3e3, 0.01, "EXIF")
    )


@pytest.mark.parametrize(("lighter", "overshoot", "halo"), [(9, 0.1, True), (9, 0.0, False), (30, 0.1, False)])
def test_what_is_no_lighter_than_the_photos_halos_is_no_cut_face(lighter, overshoot, halo):
    """Card of 170, three rows lighter, and metal of 90: what sharpening makes of an edge, or the face of its end."""
    rows = np.where(np.arange(120) < 60, 170, 90) + np.where((np.arange(120) >= 57) & (np.arange(120) < 60), lighter, 0)
    edge = np.column_stack([np.arange(170.0, 30.0, -1.0), np.full(140, 59.5)])  # the card lies to the right
    assert is_halo(_banded(rows), edge, 3.0, overshoot) is halo
    assert not is_halo(_banded(rows), edge, 8.0, overshoot)  # too far off for any halo


@pytest.mark.slow
def test_a_fret_knows_how_much_its_photo_was_sharpened():
    scene = Scene(divots=(), blur=0.7, seed=9)
    photo, fret = seen(scene)
    soft = cv2.GaussianBlur(photo.bgr, (0, 0), 1.2).astype(float)
    bgr = np.clip(photo.bgr + 1.5 * (photo.bgr - soft), 0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    sharpened = Photo(bgr, "1" * 64, "sharp.png", photo.focal)
    again = detect_fret(sharpened, *calibrate(sharpened, scene_ask(scene)), scene_ask(scene))
    assert fret.overshoot < 0.02
    assert again.overshoot > 0.05
