"""The profile across a fret: its rows laid on one another, how it bends, and how streaked the light is."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from inspect_app.measure.plan.crown_profile import _moved, crown_profile
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.measure.plan.fret_patch import COLOUR_ROWS, FretPatch
from inspect_app.reading.key import NotMeasured, parse_key

PX = 24.0
LENGTH_MM = 44.0
HALF_MM = 1.2


def patch(streaks=0.1, bow=0.0, noise=0.01, strings=(), hidden_mm=0.0, seed=0):
    """A crown twice as bright as the board, on wood streaked along the neck; `bow` in mm per mm^2."""
    rng = np.random.default_rng(seed)
    along = np.arange(-1.0, LENGTH_MM + 1.0, 1.0 / PX)
    across = np.arange(-77, 78) / PX
    off = bow * (along - LENGTH_MM / 2.0) ** 2
    on = 0.5 + 0.5 * np.tanh((HALF_MM - np.abs(across - off[:, None])) * PX)  # about a pixel soft
    wood = 0.1 * np.exp(streaks * np.repeat(rng.standard_normal(len(along) // 8 + 1), 8)[: len(along)])
    for y in strings:
        wood[np.abs(along - y) < 0.5] *= 4.0
    light = (1.0 - on) * wood[:, None] + on * 0.2
    light *= np.exp(rng.normal(0.0, noise, light.shape))
    valid = np.ones(light.shape, bool)
    valid[along < hidden_mm] = False
    frame = FretFrame(5, None, np.zeros(2), np.array([0.0, 1.0]), np.array([1.0, 0.0]), -1.1, 22.0, 320.0, LENGTH_MM)
    unread = NotMeasured(parse_key("crown width"), "not yet read")
    return FretPatch(frame, light.astype(np.float32), valid, along, across, 0.0, PX, unread)


def test_the_profile_is_sharp_though_the_fret_bends():
    straight, bent = (crown_profile(patch(bow=b)) for b in (0.0, 3e-4))
    steepest = [np.abs(np.gradient(p.log_light)).max() for p in (straight, bent)]
    assert steepest[1] == pytest.approx(steepest[0], rel=0.05)


@pytest.mark.parametrize("bow", [-4e-4, 0.0, 2e-4])
def test_how_the_fret_bends_is_read(bow):
    p = crown_profile(patch(bow=bow))
    assert abs(p.bow - bow) < max(3.0 * p.bow_u, 2e-6)
    assert p.bow_u < 2e-5


def test_wood_is_as_streaked_as_the_open_board_and_metal_is_not():
    p = crown_profile(patch())
    on_metal, on_wood = np.abs(p.across_mm) < HALF_MM - 0.15, np.abs(p.across_mm) > HALF_MM + 0.15
    for grain, u in zip(p.grain, p.grain_u, strict=True):
        assert u < 0.05
        assert np.abs(grain[on_metal]).max() < 5.0 * u
        assert np.abs(grain[on_wood] - 1.0).max() < 5.0 * u


def test_wood_without_streaks_tells_nothing():
    p = crown_profile(patch(streaks=0.0))
    assert min(p.grain_u) > 0.3


def test_strings_across_the_fret_are_no_streaks_of_the_wood():
    p = crown_profile(patch(strings=(6.0, 12.5, 19.0, 25.5, 32.0, 38.5)))
    on_metal = np.abs(p.across_mm) < HALF_MM - 0.15
    assert np.abs(np.array(p.grain)[:, on_metal]).max() < 0.3


def test_strings_with_shade_and_halo_tell_nothing_of_metal():
    p = patch(strings=(6.0, 12.5, 19.0, 25.5, 32.0, 38.5))
    light = p.light.copy()
    for y in (6.0, 12.5, 19.0, 25.5, 32.0, 38.5):
        off = p.along_mm - y
        light[np.abs(off) < 0.4] = 0.6  # over metal and wood alike
        light *= (1.0 - 0.5 * np.exp(-0.5 * ((off - 1.0) / 0.4) ** 2))[:, None]  # shade on one side of it
    grain = crown_profile(replace(p, light=light)).grain
    inside = np.abs(p.across_mm) < HALF_MM - 0.15
    assert np.abs(np.array(grain)[:, inside]).max() < 0.2


def test_what_is_hidden_takes_no_part():
    whole, part = crown_profile(patch()), crown_profile(patch(hidden_mm=12.0))
    assert part.rows < whole.rows
    assert part.log_light == pytest.approx(whole.log_light, abs=0.1)
    assert crown_profile(patch(hidden_mm=30.0)) is None


def test_rows_are_moved_as_scipys_cubic_splines_move_them():
    rows, shift = np.random.default_rng(2).normal(size=(5, 80)), np.array([-3.7, -0.2, 0.0, 0.45, 6.1])
    at = np.stack([np.broadcast_to(np.arange(5.0)[:, None], rows.shape), np.arange(80) + shift[:, None]])
    one_by_one = [
        map_coordinates(r, a[1:], order=3, mode="mirror") for r, a in zip(rows, at.swapaxes(0, 1), strict=True)
    ]
    assert _moved(rows, shift)[:, 10:-10] == pytest.approx(np.array(one_by_one)[:, 10:-10], abs=1e-9)


def test_the_colour_is_read_where_the_light_is():
    p = patch(bow=3e-4)
    assert crown_profile(p).warmth == pytest.approx(np.zeros(len(p.across_mm)))  # none was sampled
    off = 3e-4 * (p.along_mm - LENGTH_MM / 2.0) ** 2
    on = np.abs(p.across_mm - off[:, None]) < HALF_MM
    red_blue = np.stack([np.where(on, 0.2, 0.3), np.where(on, 0.2, 0.1)], axis=2).astype(np.float32)
    warmth = crown_profile(replace(p, red_blue=red_blue[::COLOUR_ROWS])).warmth
    assert np.interp([-2.0, 0.0, 2.0], p.across_mm, warmth) == pytest.approx([1.08, 0.0, 1.08], abs=0.02)
    nut_side = p.across_mm < 0.0
    half_way = np.interp(-0.54, -warmth[nut_side], p.across_mm[nut_side])
    assert half_way == pytest.approx(-HALF_MM, abs=0.03)  # three quarters of a pixel
