"""Divots from the outline, with coverage both ways over a seeded sweep; grooves of ISO 5436-1 stand in
tests/reference/test_iso_5436_1.py."""

import math

import numpy as np
import pytest
from scipy.signal import savgol_filter

from inspect_app.instrument.crown import Crown, depth_from_drop
from inspect_app.measure.backdrop.crown_line import crown_line_of
from inspect_app.measure.backdrop.divots import (
    Hollow,
    Profile,
    find_hollows,
    is_sure,
    least_drop,
    measure_depth,
    measure_length,
    measure_place,
    read_profile,
    smoothed,
)
from inspect_app.measure.backdrop.edge_path import EdgePath
from shared.measured import Measured
from tests.inspect_app.measure.backdrop.fret_pictures import MM_PER_PX, Scene, seen


@pytest.mark.parametrize("elevation", [2.0, 5.0, 8.0])
def test_divots_are_found_where_they_are_and_as_deep(elevation):
    scene = Scene(elevation=elevation)
    pose = scene.pose()
    line = seen(scene, pose)
    profile = read_profile(line)
    hollows, _ = find_hollows(line, profile, 0.1 * MM_PER_PX)
    assert len(hollows) == 3
    for h, (at, depth, length) in zip(hollows, scene.divots, strict=True):
        got = measure_depth(h, scene.crown, math.radians(0.1), 0.1 * MM_PER_PX, 1e-3)
        assert got.value == pytest.approx(depth, abs=0.012)
        assert h.at == pytest.approx(at, abs=0.15)
        assert measure_place(h, h.at, 0.1 * MM_PER_PX, {}).u < 0.1 * length
        least = depth_from_drop(least_drop(profile, 0.1 * MM_PER_PX), scene.crown.radius, h.elevation)
        assert measure_length(h, got.value, float(least)).value == pytest.approx(length, rel=0.25)


def test_an_unworn_crown_shows_no_divot():
    for seed in range(20):
        scene = Scene(divots=(), elevation=2.0 + 0.3 * seed)
        line = seen(scene, scene.pose(), seed=seed)
        assert find_hollows(line, read_profile(line), 0.1 * MM_PER_PX) == ([], 0.0)


def test_two_hollows_that_touch_are_told_apart():
    scene = Scene(divots=((-2.0, 0.2, 3.0), (1.2, 0.15, 3.0)), elevation=2.0)
    line = seen(scene, scene.pose())
    hollows, _ = find_hollows(line, read_profile(line), 0.1 * MM_PER_PX)
    assert [round(h.at) for h in hollows] == [-2, 1]


def test_a_jump_of_the_path_is_not_a_divot():
    scene = Scene(divots=(), elevation=4.0)
    pose = scene.pose()
    line = seen(scene, pose)
    px = line.edge.px.copy()
    px[500:620, 1] += 4.0
    moved = EdgePath.plain(px, line.edge.u_px, line.edge.strength, 5.0)
    broken = crown_line_of(moved, pose, scene.crown.radius, MM_PER_PX)
    hollows, unclear = find_hollows(broken, read_profile(broken), 0.1 * MM_PER_PX)
    assert hollows == []
    assert unclear > 0.05


def test_a_divot_beside_a_jump_of_the_path_is_still_read():
    scene = Scene(divots=((-4.0, 0.25, 4.0),), elevation=4.0)
    pose = scene.pose()
    line = seen(scene, pose)
    y = pose.cross(line.edge.px)[:, 0]
    px = line.edge.px.copy()
    px[(y > -2.6) & (y < -1.0), 1] += 5.0
    moved = EdgePath.plain(px, line.edge.u_px, line.edge.strength, 5.0)
    beside = crown_line_of(moved, pose, scene.crown.radius, MM_PER_PX)
    hollows, unclear = find_hollows(beside, read_profile(beside), 0.1 * MM_PER_PX)
    assert [round(h.at) for h in hollows] == [-4]
    assert unclear > 0.02


@pytest.mark.parametrize(("leap", "read"), [(-2.6, True), (-3.5, False)])
def test_a_hollow_whose_wall_is_cut_short_by_a_leap_is_not_read(leap, read):
    """Its lowest place at -4 mm; from there up to half its depth before the path leaps to another edge."""
    line = seen(Scene(divots=(), elevation=4.0), Scene(elevation=4.0).pose())
    y = np.arange(-15.0, 15.0, 0.05)
    rising = np.interp(y, [-6.0, -5.2, -4.0, leap - 0.25, leap, leap + 1.0], [0.0, 0.06, 0.25, 0.11, 0.05, 0.0])
    profile = Profile(y, rising, np.abs(y - leap) < 0.06, 0.001)
    hollows, unclear = find_hollows(line, profile, 0.1 * MM_PER_PX)
    assert ([round(h.at) for h in hollows] == [-4]) is read
    assert unclear > (0.0 if read else 0.05)


def test_a_floor_where_two_edges_vie_is_uncertain_by_how_far_they_lie_apart():
    """In noise that hides the leap, a fifth of the hollow follows an edge 2.5 px farther down."""
    scene = Scene(divots=((-4.0, 0.22, 3.2),), elevation=3.0)
    pose = scene.pose()
    line = seen(scene, pose, noise_px=0.6, seed=3)
    y = pose.cross(line.edge.px)[:, 0]
    px = line.edge.px.copy()
    px[(y > -4.7) & (y < -4.1), 1] += 2.5
    moved = EdgePath.plain(px, line.edge.u_px, line.edge.strength, 5.0)
    vying = crown_line_of(moved, pose, scene.crown.radius, MM_PER_PX)
    (alone,), (torn,) = (find_hollows(x, read_profile(x), 0.1 * MM_PER_PX)[0] for x in (line, vying))
    assert torn.drop > alone.drop + 0.03
    assert torn.u_drop == pytest.approx(2.5 * MM_PER_PX / 2.0, rel=0.25)
    assert alone.u_drop < 0.01
    depth = measure_depth(torn, scene.crown, math.radians(0.3), 0.1 * MM_PER_PX, 1e-3)
    assert abs(depth.value - 0.22) < 2.0 * depth.u


@pytest.mark.parametrize(
    ("drop", "u_drop", "sure"), [(0.04, 0.002, True), (0.04, 0.027, False), (0.037, 0.0147, False), (0.14, 0.027, True)]
)
def test_a_hollow_whose_floor_may_be_another_edge_is_told_only_beyond_its_own_noise(drop, u_drop, sure):
    h = Hollow(-1.0, 1.0, 0.0, drop, math.radians(5.0), u_drop)
    depth = measure_depth(h, Scene().crown, math.radians(0.3), 0.1 * MM_PER_PX, 1e-3)
    assert is_sure(h, depth) is sure


def test_a_depth_whose_uncertainty_reaches_zero_tells_no_hollow():
    h = Hollow(-1.0, 1.0, 0.0, 0.04, math.radians(5.0), 0.002)
    assert not is_sure(h, Measured.of(0.07, "mm", edge_definition=0.036))


def test_least_drop_follows_the_noise():
    scene = Scene(divots=())
    quiet, loud = (read_profile(seen(scene, scene.pose(), noise_px=n)) for n in (0.05, 0.8))
    assert least_drop(loud, 1e-4) > 5.0 * least_drop(quiet, 1e-4)


def errors_of_a_sweep(cases=150):
    """(error, u) of one divot a case, every input drawn from the uncertainty that is stated for it."""
    rng = np.random.default_rng(11)
    out = []
    for k in range(cases):
        depth = rng.uniform(0.06, 0.35)
        scene = Scene(
            width=rng.uniform(2.2, 2.9),
            height=rng.uniform(1.0, 1.3),
            divots=((rng.uniform(-12, 12), depth, rng.uniform(2.2, 5.0)),),
            elevation=rng.uniform(2.0, 8.0),
            yaw=rng.uniform(-3.0, 3.0),
        )
        true = scene.pose()
        believed = Crown(scene.width + rng.normal(0, 0.03), scene.height + rng.normal(0, 0.03), 0.03, 0.03)
        u_tilt = math.radians(rng.choice([0.15, 1.0]))
        pose = true.tilted(true.tilt + rng.normal(0.0, u_tilt), u_tilt)
        line = seen(scene, pose, noise_px=rng.uniform(0.1, 0.5), seed=k, crown=believed, true_pose=true)
        hollows, _ = find_hollows(line, read_profile(line), 0.1 * MM_PER_PX)
        if not hollows:
            continue
        h = max(hollows, key=lambda x: x.drop)
        got = measure_depth(h, believed, u_tilt, 0.1 * MM_PER_PX, 1.5e-3)
        out.append((got.value - depth, got.u))
    return np.array(out)


@pytest.mark.slow
def test_stated_uncertainty_of_the_depth_covers_its_error_and_is_not_timid():
    error, u = errors_of_a_sweep().T
    assert len(error) > 140
    assert 0.90 <= np.mean(np.abs(error) <= 2.0 * u) <= 0.995
    assert 0.6 < np.sqrt(np.mean((error / u) ** 2)) < 1.25


@pytest.mark.parametrize("window", [5, 19])
def test_the_smoothing_is_scipys_to_the_ends(window):
    values = np.random.default_rng(1).normal(size=60)
    assert smoothed(values, window) == pytest.approx(savgol_filter(values, window, 2), abs=1e-12)
