"""The board's radius: what all frets together tell of it."""

import math

import cv2
import numpy as np
import pytest

from calib.plane import Plane
from inspect_app.instrument.crown import sagitta
from inspect_app.measure.plan.board_height import BoardLevel, moved_to_level
from inspect_app.measure.plan.board_radius import BoardCurvature, fit_curvature
from inspect_app.measure.plan.fret_frame import FretFrame
from shared.trade import BOARD_RADIUS_MM

U_MM = np.array([-52.0, -20.0, 11.0, 38.0, 63.0])
LENGTH_MM = 44.0


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
        curve = fit_curvature(frames, bows_of(frames, radius, np.random.default_rng(seed)))
        assert curve.u < 0.2 * BoardCurvature().u
        pulls.append((curve.per_mm - 1.0 / radius) / curve.u)
    assert np.mean(np.abs(pulls) < np.float64(2.0)) > 0.95


def test_what_tells_nothing_of_the_curve_leaves_it_as_usual():
    frames = usual_frames(plane_from_above())
    curve = fit_curvature(frames, [(3e-4, 1.0)] * len(frames))
    assert curve.per_mm == pytest.approx(1.0 / BOARD_RADIUS_MM, rel=0.01)
    assert curve.u == pytest.approx(BoardCurvature().u, rel=0.01)
    # flat and 7 1/4 inches are both within what is then allowed for
    assert all(abs(k - curve.per_mm) < 2.0 * curve.u for k in (0.0, 1.0 / 184.0))


def test_a_bow_common_to_all_frets_is_the_lens_not_the_board():
    frames = usual_frames(plane_from_above())
    bows = [(bow + 2e-5, u) for bow, u in bows_of(frames, 305.0, np.random.default_rng(1), 1e-6)]
    assert 1.0 / fit_curvature(frames, bows).per_mm == pytest.approx(305.0, rel=0.03)


def test_a_fret_laid_on_another_board_is_still_seen_where_it_was():
    frame = usual_frames(plane_from_above())[0]
    curve = BoardCurvature(0.0, 1e-4)
    flat, larger = moved_to_level(frame, BoardLevel(-1.1, (), 1.1, 0.1, curve))
    fallen = float(sagitta(LENGTH_MM / 2.0, BOARD_RADIUS_MM))
    assert larger == pytest.approx(1.0 + fallen / 320.0, rel=1e-4)  # it lies so much farther from the camera
    assert math.isinf(flat.radius_mm)
    assert flat.base_mm == pytest.approx(-1.1)
    middle = LENGTH_MM / 2.0
    assert flat.to_px([middle], 0.0) == pytest.approx(frame.to_px([middle], 0.0), abs=1e-3)
    assert flat.origin_mm[0] != pytest.approx(frame.origin_mm[0], abs=0.05)
