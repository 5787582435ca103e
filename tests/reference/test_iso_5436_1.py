"""Depths of grooves of type A by ISO 5436-1:2000, and a divot that is read as such a groove."""

import numpy as np
import pytest

from inspect_app.measure.backdrop.divots import find_hollows, measure_depth, read_profile
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, seen


def a2_depth(x, z, width):
    """Groove depth by the regions of ISO 5436-1:2000 type A2, the reference bent like the board.

    Regions as public implementations agree on them; the standard's own text was not seen.
    """
    a_b = (np.abs(x) > 5 * width / 6) & (np.abs(x) < 1.5 * width)
    c = np.abs(x) < width / 6
    line = np.polyfit(x[a_b], z[a_b], 2)
    bottom = np.polyfit(x[c], z[c] - np.polyval(line, x[c]), 2)
    return -(bottom[2] - bottom[1] ** 2 / (4 * bottom[0]))


def a1_depth(x, z, width, bend=False):
    """Depth of a flat-bottomed groove by ISO 5436-1:2000, type A1: one line (or parabola) and a step, fitted together.

    Regions as public implementations agree on them; the standard's own text was not seen.
    """
    near = 1e-9  # the regions' ends belong to them
    a_b = (np.abs(x) >= 5 * width / 6 - near) & (np.abs(x) <= 1.5 * width + near)
    c = np.abs(x) <= width / 6 + near
    step = np.where(a_b, 1.0, -1.0)
    columns = [x, np.ones_like(x), step] + [x**2] * bend
    return 2.0 * np.linalg.lstsq(np.column_stack(columns)[a_b | c], z[a_b | c], rcond=None)[0][2]


def test_groove_evaluations_give_their_tabled_values():
    """ISO 5436-1:2000, types A1 and A2: values computed apart from this project with NumPy, W = 1.2, step 0.005."""
    w = 1.2
    x = np.round(np.arange(-360, 361) * 0.005, 6)
    tilt = 0.02 * x + 3.0
    assert a1_depth(x, tilt - 0.15 * (np.abs(x) < w / 2), w) == pytest.approx(0.15, abs=1e-12)
    radius = ((w / 2) ** 2 + 0.15**2) / (2 * 0.15)
    arc = np.sqrt(np.maximum(radius**2 - x**2, 0.0)) - (radius - 0.15)
    round_groove = tilt - np.where(np.abs(x) < w / 2, arc, 0.0)
    assert a2_depth(x, round_groove, w) == pytest.approx(0.150009, abs=5e-5)
    assert a1_depth(x, round_groove, w) == pytest.approx(0.144620, abs=1e-6)
    bent = -(x**2) / (2 * 254.0)  # no groove, only the board's curve: a straight reference invents a height
    assert a1_depth(x, bent, w) == pytest.approx(-0.003937, abs=5e-5)
    assert a1_depth(x, bent, w, bend=True) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("depth", [0.05, 0.15, 0.30])
def test_depth_of_a_clean_groove_is_that_of_iso_5436_1_type_a2(depth):
    width = 3.0
    scene = Scene(divots=((0.0, depth, width),), elevation=0.02, yaw=0.0, tilt=0.0)
    pose = scene.pose()
    line = seen(scene, pose, noise_px=1e-4)
    (h,), unclear = find_hollows(line, read_profile(line), 1e-4)
    got = measure_depth(h, scene.crown, 1e-4, 1e-4, 5e-4)
    x = np.linspace(-1.5 * width, 1.5 * width, 4001)
    t = 2.0 * x / width
    profile = np.where(np.abs(t) < 1, -depth * (1 - t**2) ** 2, 0.0) + np.sqrt(300.0**2 - x**2) - 300.0
    assert got.value == pytest.approx(a2_depth(x, profile, width), abs=0.002)
    assert unclear == 0.0
