"""The fret as a solid: closed forms against brute force, the wear model against its own inverse."""

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from inspect_app.instrument.crown import (
    Crown,
    FretSolid,
    blind_depth,
    depth_from_drop,
    depth_slope,
    drop_from_depth,
    flat_boundary,
    outline,
    outline_height,
    rim,
    sagitta,
)
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, surface

R, E = 1.35, math.radians(6.0)


@given(st.floats(0.0, 0.6), st.floats(0.8, 2.0), st.floats(0.5, 15.0))
def test_depth_and_drop_are_inverse_above_the_blind_depth(depth, radius, degrees):
    e = math.radians(degrees)
    drop = float(drop_from_depth(depth, radius, e))
    back = float(depth_from_drop(drop, radius, e))
    assert back == pytest.approx(max(depth, blind_depth(radius, e)), abs=2e-7)


@given(st.floats(0.02, 0.5), st.floats(0.5, 12.0))
@example(0.4412352832934088, 11.0)
def test_drop_agrees_with_a_ray_grazing_the_worn_cross_section(depth, degrees):
    """Brute force: the highest line of sight that touches the cut arc, where it crosses the centre plane.

    The cut's far edge lies up to one step of the grid beyond its last point, which lifts the line by step x tan(e).
    """
    e = math.radians(degrees)
    x = np.linspace(-R, R, 200_001)
    arc = np.sqrt(R**2 - x**2) - R
    crossing = lambda z: float(np.max(z + x * math.tan(e)))  # noqa: E731
    lost = crossing(arc) - crossing(np.minimum(arc, -depth))
    finest = (x[1] - x[0]) * math.tan(e) + 1e-9
    assert float(drop_from_depth(depth, R, e)) == pytest.approx(lost, abs=finest)


@pytest.mark.parametrize("depth", [0.05, 0.1, 0.25])
def test_slope_of_depth_is_its_derivative(depth):
    q = float(drop_from_depth(depth, R, E))
    numeric = float(depth_from_drop(q + 1e-6, R, E) - depth_from_drop(q - 1e-6, R, E)) / 2e-6
    assert depth_slope(depth, R, E) == pytest.approx(numeric, rel=1e-4)


def test_nothing_at_the_blind_depth_can_be_told():
    assert depth_slope(0.5 * blind_depth(R, E), R, E) == math.inf


def test_outline_height_is_unworn_up_to_the_blind_depth_and_continuous_there():
    crown = Crown(2.6, 1.2)
    blind = blind_depth(crown.radius, E)
    unworn, at, past = outline_height([0.0, blind, blind + 1e-6], crown, E)
    assert unworn == at == pytest.approx(past, abs=1e-6)
    assert unworn == pytest.approx(crown.radius - (crown.radius - 1.2) * math.cos(E))


def test_read_as_a_crown_line_the_outline_loses_half_of_a_hollow():
    """Why this module exists: at 8 degrees a 0.1 mm hollow drops the outline by less than half of it."""
    assert float(drop_from_depth(0.1, R, math.radians(8.0))) < 0.05


@pytest.mark.parametrize(("elevation", "yaw"), [(2.0, 0.0), (5.0, 2.0), (9.0, -3.0)])
def test_outline_is_the_envelope_of_the_sampled_surface(elevation, yaw):
    scene = Scene(elevation=elevation, yaw=yaw)
    pose = scene.pose()
    y = np.linspace(-17.0, 17.0, 3000)
    solid = FretSolid(scene.crown, scene.radius, y, scene.removal(y), scene.ends, scene.bevels)
    found = pose.to_px(outline(solid, y, pose.camera))
    points = pose.to_px(surface(scene, n_y=4000, n_x=401).reshape(-1, 3))
    column = np.round(points[:, 0]).astype(int)
    envelope = np.full(scene.size[0], np.inf)
    inside = (column >= 0) & (column < scene.size[0])
    np.minimum.at(envelope, column[inside], points[inside, 1])
    middle = np.arange(int(found[:, 0].min()) + 5, int(found[:, 0].max()) - 5)
    order = np.argsort(found[:, 0])
    expected = np.interp(middle, found[order, 0], found[order, 1])
    assert np.max(np.abs(expected - envelope[middle])) < 0.35  # half a column of a wall that rises 0.6 in 1
    assert abs(np.median(expected - envelope[middle])) < 0.05


def test_both_boundaries_of_a_flat_lie_on_the_uncut_arc():
    y = np.linspace(-5.0, 5.0, 50)
    solid = FretSolid(Crown(2.6, 1.2), 300.0, y, np.full_like(y, 0.1), (-22.0, 22.0))
    far, near = flat_boundary(solid, y, True), flat_boundary(solid, y, False)
    r = solid.crown.radius
    assert np.allclose(far[:, 0], -near[:, 0])
    assert np.allclose((far[:, 2] - solid.board_z(y) - 1.2 + r) ** 2 + far[:, 0] ** 2, r**2)
    assert np.allclose(far[:, 0] - near[:, 0], 2.0 * math.sqrt(2.0 * r * 0.1 - 0.01))


@pytest.mark.parametrize("end", ["treble", "bass"])
def test_rims_lie_on_the_bevel_and_meet_at_the_top(end):
    solid = FretSolid(Crown(2.6, 1.2), math.inf, np.array([0.0]), np.array([0.0]), (-22.0, 22.0), (30.0, 20.0))
    h = np.linspace(0.0, 1.2, 20)
    far, near = rim(solid, end, h, True), rim(solid, end, h, False)
    run = np.abs(far[:, 1] - solid.ends_mm[0 if end == "treble" else 1])
    assert np.allclose(run, h * math.tan(math.radians(30.0 if end == "treble" else 20.0)))
    assert np.allclose(far[-1], near[-1], atol=1e-6)
    assert far[0, 0] == pytest.approx(1.3)


def test_sagitta_of_no_curvature_is_zero():
    assert np.all(sagitta([1.0, 20.0], 0.0) == 0.0)


@pytest.mark.parametrize(("width", "height"), [(2.6, 0.0), (0.0, 1.0), (1.0, 2.0)])
def test_impossible_crowns_are_refused(width, height):
    with pytest.raises(ValueError, match="not a crown"):
        Crown(width, height)
