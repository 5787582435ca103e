"""Sharpness of a drawn scale; the published edge stands in tests/reference/test_esfr.py."""

import numpy as np
import pytest
from scipy.signal.windows import tukey

from calib.scales.printed import STRIP, STRIP_SIZE, find_printed
from calib.slanted_edge import TAPERED, mtf50, sharpness, taper


def test_an_edge_with_too_few_pixels_says_nothing():
    assert mtf50(np.array([-3.0, 0.2, 3.0]), np.array([0.0, 0.5, 1.0]), 4.0) is None


@pytest.mark.slow
@pytest.mark.parametrize(("k", "rel"), [(0, 0.05), (1, 0.04), (2, 0.03)])
def test_mtf50_of_a_drawn_scale(published, make_camera, print_photo, k, rel):
    edge = published("esfr")["edge"][k]
    photo = print_photo(STRIP, STRIP_SIZE, make_camera(), sigma=edge["sigma_px"], noise=0.004)
    seen = sharpness(photo, find_printed(photo, "strip"))
    assert seen.mtf50 == pytest.approx(edge["mtf50"], rel=rel)
    assert seen.resolved_mm(10.0) == pytest.approx(0.05 / edge["mtf50"], rel=rel)


@pytest.mark.parametrize("n", [63, 64])
def test_the_taper_is_scipys(n):
    assert taper(n) == pytest.approx(tukey(n, 2.0 * TAPERED), abs=1e-12)
