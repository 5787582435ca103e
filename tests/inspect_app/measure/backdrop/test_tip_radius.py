"""A fret's tip and its overhang: known circles recovered, drawn ends read within U, and what can't be told is said."""

import math

import numpy as np
import pytest

from inspect_app.measure import measure
from inspect_app.measure.backdrop.tip_radius import fit_tip
from inspect_app.reading.key import parse_key
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw, scene_ask

pytestmark = pytest.mark.slow

CLOSE = {"focal_px": 20000.0, "distance": 220.0, "divots": (), "blur": 1.2, "elevation": 5.0, "crown_below_top": 19.0}


def inspected(end, **more):
    at = {"look_y": -15.0, "yaw": 1.5} if end == "treble" else {"look_y": 15.0, "yaw": -1.5}
    scene = Scene(**{**CLOSE, **at, **more})
    photo, _ = draw(scene)
    return measure(photo, scene_ask(scene, "end", end=end))


def rounded_corner(radius, turn, points=80):
    """Points along one side, round the circle that touches both, and down the other, on a corner at (3, 5)."""
    corner, along = np.array([3.0, 5.0]), np.array([1.0, 0.0])
    down = np.array([math.cos(math.pi - turn), math.sin(math.pi - turn)])
    half = (math.pi - turn) / 2.0
    bisector = (along + down) / np.linalg.norm(along + down)
    centre = corner + bisector * radius / math.sin(half)
    touch = radius / math.tan(half)
    away = np.linspace(touch, touch + 1.0, points)[:, None]
    u, v = (corner + touch * d - centre for d in (along, down))
    share = np.linspace(0.0, 1.0, points)[:, None]
    arc = centre + radius * ((1 - share) * u + share * v) / np.linalg.norm((1 - share) * u + share * v, axis=1)[:, None]
    return np.concatenate([corner + away * along, arc, corner + away * down]), corner, along, down


@pytest.mark.parametrize("turn", [50.0, 60.0, 72.0])
@pytest.mark.parametrize("radius", [0.1, 0.25, 0.6])
def test_a_circle_that_touches_both_sides_is_found(radius, turn):
    points, corner, along, down = rounded_corner(radius, math.radians(turn))
    points = points + np.random.default_rng(1).normal(0.0, 0.002, points.shape)
    found, scatter = fit_tip(points, corner, along, down)
    assert found == pytest.approx(radius, rel=0.05)
    assert scatter == pytest.approx(0.002 * math.sqrt(2.0 / math.pi), rel=0.25)  # mean distance of normal noise


def test_a_sharp_corner_has_no_radius():
    points, corner, along, down = rounded_corner(1e-6, math.radians(60.0))
    assert fit_tip(points, corner, along, down)[0] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("yaw", [-1.5, 1.5])
@pytest.mark.parametrize("end", ["treble", "bass"])
@pytest.mark.parametrize("tip", [0.0, 0.15, 0.3])
def test_a_tips_radius_is_within_its_uncertainty(tip, end, yaw):
    """Seen over the cut face (its far rim outside) and past it (its near rim)."""
    found = inspected(end, tip=tip, seed=int(100 * tip), yaw=yaw)
    got = found.frets[0].tip_radius
    assert got is not None, found.not_measured
    assert abs(got.value - tip) <= 2.0 * got.u
    assert got.u < 0.12


@pytest.mark.parametrize("end", ["treble", "bass"])
def test_an_end_short_of_the_boards_edge_says_by_how_much(end):
    """The drawn board reaches 0.3 mm beyond the fret's ends."""
    found = inspected(end, seed=3)
    got = found.frets[0].overhang
    assert got is not None, found.not_measured
    assert abs(got.value + 0.3) <= 2.0 * got.u
    assert got.u < 0.08
    drawn = {o.name for o in found.frets[0].outlines}
    assert {"tip", "board_edge"} <= drawn


def test_an_upright_outline_beside_the_end_is_not_taken_for_the_boards_edge():
    found = inspected("treble", look_y=-22.3, yaw=0.0, seed=4)
    assert found.frets[0].overhang is None
    (why,) = [n.reason for n in found.not_measured if n.what == parse_key("fret 5, overhang")]
    assert "nearer the middle of the board" in why


def test_a_board_of_the_cards_tone_shows_no_edge():
    found = inspected("bass", wood=225, noise=2.0, seed=5)
    assert found.frets[0].overhang is None
    assert any(n.what == parse_key("fret 5, overhang") for n in found.not_measured)
