"""The two lines that frets' ends lie on, and the board's curve: what all frets together say of each."""

import math

import cv2
import numpy as np
import pytest

from calib.plane import Plane
from inspect_app.instrument.crown import sagitta
from inspect_app.measure.plan.board_level import (
    BOARD_RADIUS_MM,
    Curve,
    Level,
    common_end_lines,
    ends_near,
    laid_on,
    nearer,
    seen_curve,
)
from inspect_app.measure.plan.end_light import TAPER
from inspect_app.measure.plan.fret_ends import END_SCATTER_MM, OUT_MM, EndCurve, NearEnd
from inspect_app.measure.plan.fret_frame import FretFrame

U_MM = np.array([-52.0, -20.0, 11.0, 38.0, 63.0])
LENGTH_MM = 44.0
SLOPE = 0.0135


def seen(near, at, u=0.05):
    """What a photo tells of an end that lies `at` mm along."""
    out = near.outward * (at - near.along)
    return EndCurve(near, -0.5 * ((OUT_MM - out) / u) ** 2, np.ones(len(OUT_MM), bool))


def covered(near, visible_to):
    """An end somewhere beneath what covers the fret from `visible_to` (mm along) on."""
    beneath = near.outward * (visible_to - near.along) < OUT_MM
    return EndCurve(near, np.where(beneath, 0.0, -200.0), ~beneath)


def board(scatter=0.0, seed=0):
    """True ends of a board that widens, and where the overview puts them: a millimetre off."""
    rng = np.random.default_rng(seed)
    u = U_MM - U_MM.mean()
    treble = -SLOPE * u + rng.normal(0.0, scatter, len(u))
    bass = LENGTH_MM + SLOPE * u + rng.normal(0.0, scatter, len(u))
    near = ends_near(U_MM, [LENGTH_MM] * len(u))
    moved = [[NearEnd(n.along + 1.0, n.outward) for n in side] for side in near]
    return treble, bass, *moved


def test_the_overview_is_taken_to_widen_towards_the_body():
    treble, bass = ends_near(U_MM, [LENGTH_MM] * len(U_MM))
    grows = np.diff([b.along - t.along for t, b in zip(treble, bass, strict=True)])
    assert grows == pytest.approx(2.0 * TAPER * np.diff(U_MM))
    assert {n.outward for n in treble} == {-1}
    assert {n.outward for n in bass} == {1}


def test_ends_on_two_lines_are_put_there():
    treble, bass, near_t, near_b = board()
    lines = common_end_lines(
        [seen(n, a) for n, a in zip(near_t, treble, strict=True)],
        [seen(n, a) for n, a in zip(near_b, bass, strict=True)],
        U_MM,
    )
    assert [e.along for e in lines[0]] == pytest.approx(treble, abs=0.06)
    assert [e.along for e in lines[1]] == pytest.approx(bass, abs=0.06)
    assert all(END_SCATTER_MM < e.u < 1.3 * END_SCATTER_MM for side in lines for e in side)


def test_the_uncertainty_of_an_end_by_the_others_covers():
    pulls = []
    for seed in range(60):
        treble, bass, near_t, near_b = board(END_SCATTER_MM, seed)
        curves = [seen(n, a) for n, a in zip(near_t, treble, strict=True)]
        curves[2] = covered(near_t[2], treble[2] + 1.5)
        lines = common_end_lines(curves, [seen(n, a) for n, a in zip(near_b, bass, strict=True)], U_MM)
        pulls.append((lines[0][2].along - treble[2]) / lines[0][2].u)
    assert np.mean(np.abs(pulls) <= np.float64(2.0)) >= 0.9
    assert np.std(pulls) > 0.5


def test_one_end_misread_by_a_bevel_moves_the_others_less_than_a_mean_would():
    treble, bass, near_t, near_b = board()
    right = [seen(n, a) for n, a in zip(near_t, treble, strict=True)]
    wrong = [*right[:3], seen(near_t[3], treble[3] + 0.7), right[4]]
    others = [seen(n, a) for n, a in zip(near_b, bass, strict=True)]
    a, b = common_end_lines(right, others, U_MM)[0], common_end_lines(wrong, others, U_MM)[0]
    moved = np.array([e.along for e in b]) - [e.along for e in a]
    mean = np.polyval(np.polyfit(U_MM, [0.0, 0.0, 0.0, 0.7, 0.0], 1), U_MM)
    assert np.abs(moved).max() < 0.5 * np.abs(mean).max()


def test_one_end_in_view_and_the_other_edge_say_where_the_covered_ones_lie():
    treble, bass, near_t, near_b = board()
    curves = [seen(near_t[0], treble[0])]
    curves += [covered(n, a + 2.0) for n, a in zip(near_t[1:], treble[1:], strict=True)]
    line = common_end_lines(curves, [seen(n, a) for n, a in zip(near_b, bass, strict=True)], U_MM)[0]
    assert [e.along for e in line] == pytest.approx(treble, abs=0.3)
    assert line[0].u < line[-1].u < 0.6


def test_an_edge_of_which_nothing_is_in_view_is_hardly_known():
    treble, bass, near_t, near_b = board()
    curves = [covered(n, a + 2.0) for n, a in zip(near_t, treble, strict=True)]
    line = common_end_lines(curves, [seen(n, a) for n, a in zip(near_b, bass, strict=True)], U_MM)[0]
    assert all(e.u > 0.8 for e in line)
    assert all(abs(e.along - a) <= 2.5 * e.u for e, a in zip(line, treble, strict=True))


def test_an_end_that_the_others_put_off_the_places_tried_is_looked_for_there():
    treble, bass, near_t, near_b = board()
    beyond = treble[0] + near_t[0].outward * -(OUT_MM[-1] + 0.4)  # the scale left the overview that much too little
    near_t = [NearEnd(float(beyond), -1), *near_t[1:]]
    curves = [seen(n, a) for n, a in zip(near_t, treble, strict=True)]
    others = [seen(n, a) for n, a in zip(near_b, bass, strict=True)]
    better = nearer((curves, others), common_end_lines(curves, others, U_MM))
    assert better[0][0].along == pytest.approx(treble[0], abs=0.4)
    assert better[0][1:] == near_t[1:]
    assert better[1] == near_b


# -- how round the board is --------------------------------------------------------------------------------------------


def plane_from_above(distance=320.0, tilt=0.05):
    """A camera some degrees off square above the middle of the frets; x runs along the neck."""
    rotation = cv2.Rodrigues(np.array([0.0, tilt, 0.0]))[0] @ np.diag([1.0, -1.0, -1.0])
    camera = np.array([0.0, 5.0, distance])
    params = [*cv2.Rodrigues(rotation)[0].ravel(), *(-rotation @ camera), math.log(6500.0), 0.0, 2000.0, 1500.0]
    return Plane(np.array(params), np.eye(10) * 1e-12, 1e-4, 0.02, 40)


def usual_frames(plane):
    base = -1.1 + float(sagitta(LENGTH_MM / 2.0, BOARD_RADIUS_MM))
    along, across = np.array([0.0, 1.0]), np.array([1.0, 0.0])
    return [
        FretFrame(i, plane, np.array([u, -22.0]), along, across, base, LENGTH_MM / 2.0, BOARD_RADIUS_MM, LENGTH_MM)
        for i, u in enumerate(U_MM)
    ]


def bows_of(frames, radius, rng, u=2e-5):
    """How straight frets on a board of this radius are seen to bend in frames laid with the usual one."""
    y = np.linspace(2.0, LENGTH_MM - 2.0, 12)
    bows = []
    for f in frames:
        fallen = float(sagitta(LENGTH_MM / 2.0, radius)) - sagitta(y - LENGTH_MM / 2.0, radius)
        points = np.column_stack([f.origin_mm + y[:, None] * f.along, -1.1 + fallen])
        at = f.to_fret(f.plane.to_px(points))
        bows.append((float(np.polyfit(at[:, 0], at[:, 1], 2)[0]) + rng.normal(0.0, u), u))
    return bows


@pytest.mark.parametrize("radius", [184.0, 241.0, 305.0, 406.0, 508.0, math.inf])
def test_the_boards_radius_is_read_from_how_its_frets_are_seen_bowed(radius):
    frames = usual_frames(plane_from_above())
    pulls = []
    for seed in range(40):
        curve = seen_curve(frames, bows_of(frames, radius, np.random.default_rng(seed)))
        assert curve.u < 0.2 * Curve().u
        pulls.append((curve.per_mm - 1.0 / radius) / curve.u)
    assert np.mean(np.abs(pulls) < np.float64(2.0)) > 0.95


def test_what_tells_nothing_of_the_curve_leaves_it_as_usual():
    frames = usual_frames(plane_from_above())
    curve = seen_curve(frames, [(3e-4, 1.0)] * len(frames))
    assert curve.per_mm == pytest.approx(1.0 / BOARD_RADIUS_MM, rel=0.01)
    assert curve.u == pytest.approx(Curve().u, rel=0.01)
    # flat and 7 1/4 inches are both within what is then allowed for
    assert all(abs(k - curve.per_mm) < 2.0 * curve.u for k in (0.0, 1.0 / 184.0))


def test_a_bow_common_to_all_frets_is_the_lens_not_the_board():
    frames = usual_frames(plane_from_above())
    bows = [(bow + 2e-5, u) for bow, u in bows_of(frames, 305.0, np.random.default_rng(1), 1e-6)]
    assert 1.0 / seen_curve(frames, bows).per_mm == pytest.approx(305.0, rel=0.03)


def test_a_fret_laid_on_another_board_is_still_seen_where_it_was():
    frame = usual_frames(plane_from_above())[0]
    curve = Curve(0.0, 1e-4)
    flat, larger = laid_on(frame, Level(-1.1, (), 1.1, 0.1, curve))
    fallen = float(sagitta(LENGTH_MM / 2.0, BOARD_RADIUS_MM))
    assert larger == pytest.approx(1.0 + fallen / 320.0, rel=1e-4)  # it lies so much farther from the camera
    assert math.isinf(flat.radius_mm)
    assert flat.base_mm == pytest.approx(-1.1)
    middle = LENGTH_MM / 2.0
    assert flat.to_px([middle], 0.0) == pytest.approx(frame.to_px([middle], 0.0), abs=1e-3)
    assert flat.origin_mm[0] != pytest.approx(frame.origin_mm[0], abs=0.05)
