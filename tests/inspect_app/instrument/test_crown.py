"""The fret as a solid: closed forms against brute force, the wear model against its own inverse."""

import math
import tomllib
from pathlib import Path

import GTC
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from inspect_app.instrument.crown import (
    Crown,
    arc_radius,
    blind_depth,
    depth_from_drop,
    drop_from_depth,
    half_chord,
    sagitta,
)
from tests.conftest import rest_slow
from tests.inspect_app.instrument.fret_solid import FretSolid, flat_boundary, outline, rim
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, surface

REFERENCE = Path(__file__).resolve().parents[2] / "reference"
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


def test_up_to_the_blind_depth_the_outline_stays():
    blind = blind_depth(R, E)
    assert drop_from_depth([0.0, 0.5 * blind, blind], R, E) == pytest.approx(0.0, abs=1e-12)
    assert float(drop_from_depth(blind + 0.01, R, E)) > 0.0


def crowns_and_flats():
    reference = tomllib.loads((REFERENCE / "flat_chords.toml").read_text(encoding="utf-8"))
    return [(c, d, f) for c in reference["crown"] for d, f in zip(c["depth_mm"], c["flat_mm"], strict=True)]


@pytest.mark.parametrize(("crown", "depth", "flat"), crowns_and_flats())
def test_flat_and_depth_are_those_of_the_circular_segment(crown, depth, flat):
    """Euclid, Elements III.35; digits worked out elsewhere."""
    radius = Crown(crown["width_mm"], crown["height_mm"]).radius
    assert radius == pytest.approx(crown["radius_mm"], abs=5e-6)
    assert 2.0 * float(half_chord(depth, radius)) == pytest.approx(flat, abs=5e-5)
    assert float(sagitta(flat / 2.0, radius)) == pytest.approx(depth, abs=5e-5)


def test_sagittas_of_standard_radii_are_those_of_the_handbook():
    case = tomllib.loads((REFERENCE / "circles.toml").read_text(encoding="utf-8"))["sagitta"]
    for radius, fall in zip(case["radius"], case["fall"], strict=True):
        assert float(sagitta(case["chord"] / 2.0, radius)) == pytest.approx(fall, abs=5e-8)
        assert arc_radius(case["chord"], fall) == pytest.approx(radius, rel=1e-6)


@given(st.floats(-30, 30), st.floats(100, 1000))
def test_sagitta_lies_on_the_circle(y, radius):
    s = float(sagitta(y, radius))
    assert math.hypot(y, radius - s) == pytest.approx(radius, rel=1e-12)


def test_a_flat_board_has_no_sagitta():
    assert float(sagitta(22.0, math.inf)) == 0.0


@given(st.floats(1.5, 3.5), st.floats(0.6, 1.5))
def test_a_crown_is_as_wide_at_its_foot_as_stated_and_nothing_at_its_top(width, height):
    crown = Crown(width, height)
    assert 2.0 * crown.half_width([0.0, height]) == pytest.approx([width, 0.0], abs=1e-6)


def test_uncertainty_of_the_radius_is_that_of_its_derivatives():
    """Against GTC, which differentiates by itself."""
    w, h = GTC.ureal(2.5, 0.02), GTC.ureal(1.1, 0.03)
    assert Crown(2.5, 1.1, 0.02, 0.03).u_radius == pytest.approx(GTC.uncertainty((w**2 / 4 + h**2) / (2 * h)))


def test_read_as_a_crown_line_the_outline_loses_half_of_a_hollow():
    """Why this module exists: at 8 degrees a 0.1 mm hollow drops the outline by less than half of it."""
    assert float(drop_from_depth(0.1, R, math.radians(8.0))) < 0.05


@pytest.mark.parametrize(("elevation", "yaw"), rest_slow([(2.0, 0.0), (5.0, 2.0), (9.0, -3.0)]))
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


@pytest.mark.parametrize(("width", "height"), [(2.6, 0.0), (0.0, 1.0), (1.0, 2.0)])
def test_impossible_crowns_are_refused(width, height):
    with pytest.raises(ValueError, match="not a crown"):
        Crown(width, height)
