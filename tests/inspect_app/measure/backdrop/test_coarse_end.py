"""A fret's end of a dozen pixels: its bands kept apart, its bloom as wide as the blur, and points that chance laid on
its line left out."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.photo import Focal, Photo
from inspect_app.measure.backdrop.bevel import fit_bevel
from inspect_app.measure.backdrop.end_outline import BLOOM_U_PX, Sampling, place_rim
from tests.inspect_app.measure.backdrop.fret_pictures import Scene
from tests.inspect_app.measure.backdrop.test_bevel import MM_PER_PX, crown_line, end_outline


def end_of(bands, blur_px=0.5):
    """A card of code 150 above row 60, metal below it in bands (first column, code)."""
    codes = np.full((120, 40), 150.0)
    for column, code in bands:
        codes[60:, column:] = code
    codes = cv2.GaussianBlur(codes, (0, 0), blur_px) + np.random.default_rng(3).normal(0.0, 0.5, codes.shape)
    bgr = np.repeat(np.clip(codes, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo(bgr, "0" * 64, "end.png", Focal(3000.0, 0.01, "EXIF"))


RIM = np.column_stack([np.arange(27.0, 13.0, -1.0), np.full(14, 59.5)])
COARSE = Sampling(mm_per_px=0.045, blur_px=0.5)


def test_bands_of_a_few_pixels_are_kept_apart_in_a_coarse_photo():
    """Pooled by fives, the light of the dark band and the bright one runs into one over most of fourteen points."""
    photo = end_of([(0, 90), (20, 215)])
    coarse = place_rim(photo, RIM, 3.0, COARSE)
    finer = place_rim(photo, RIM, 3.0, Sampling(mm_per_px=0.02))
    assert len(coarse.px) >= 8 > len(finer.px)
    assert set(coarse.part) == {0, 1}
    assert np.abs(coarse.px[:, 1] - 59.5).max() < 0.4
    assert coarse.noise_correlation < finer.noise_correlation


def test_faint_metal_is_pooled_as_in_any_photo():
    photo = end_of([(0, 148)])
    assert place_rim(photo, RIM, 3.0, COARSE).noise_correlation >= 5.0


@pytest.mark.parametrize(("blur_px", "reach"), [(0.6, 0.639), (0.3, 0.5), (0.0, 1.0), (1.4, 1.0)])
def test_bloom_reaches_out_by_as_much_as_the_photo_is_blurred(blur_px, reach):
    """A photo made smaller is sharper to the pixel: sqrt((0.6^2 - 1 / 6) / (0.8^2 - 1 / 6)) of a sharp one carries."""
    edge = place_rim(end_of([(0, 255)]), RIM, 3.0, Sampling(True, 0.02, blur_px))
    assert len(edge.px) > 8
    assert edge.u_shared_px == pytest.approx(BLOOM_U_PX * reach, abs=1e-3)


@pytest.mark.parametrize(("left", "read"), [(3, True), (12, False)])
def test_some_points_that_chance_laid_on_an_ends_line_do_not_lose_it(left, read):
    """Fewer than make a part of an edge, beyond a third without any: left out. As many as do, and nothing is read."""
    scene = Scene(elevation=6.0)
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble", noise_px=0.02)
    kept = (np.arange(60) < 25) | (np.arange(60) >= 60 - left)
    fit = fit_bevel(edge.only(kept), pose, crown_line(scene), scene.crown, "treble", MM_PER_PX)
    assert (fit is not None) is read
    if fit is not None:
        assert fit.used[:25].sum() > 20
        assert not fit.used[25:].any()
        assert math.degrees(fit.angle) == pytest.approx(scene.bevels[0], abs=1.5)


def test_one_point_astray_between_is_no_other_edge():
    """A bulge beside burnt-out metal with one speck beside it is still a bulge."""
    scene = Scene(elevation=6.0)
    pose = scene.pose()
    edge = end_outline(scene, pose, "treble", noise_px=0.02)
    px = edge.px.copy()
    px[16:40, 0] -= 1.2
    px[28, 0] += 5.0
    fit = fit_bevel(replace(edge, px=px), pose, crown_line(scene), scene.crown, "treble", MM_PER_PX)
    assert fit is not None
