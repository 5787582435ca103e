"""A sheet that bows: lengths far from the part of it that is given as the scale are off by as much as U says."""

import math

import numpy as np
import pytest

from calib.photo import Focal
from calib.plane import Plane
from calib.pose_fit import fit_plane
from calib.scales.base import Scale
from calib.unflat import U_SHEET_MM, heights_covariance

PITCH, SIDE, COLUMNS, ROWS = 42.0, 36.0, 4, 5  # squares on an A4 sheet
FOCAL_PX, SIZE, U_PX = 820.0, (640, 480), 0.1
SHEETS = 60


def sheet() -> np.ndarray:
    """Corners of the squares, mm, shape (20, 4, 2)."""
    at = [(c * PITCH, -r * PITCH) for r in range(ROWS) for c in range(COLUMNS)]
    square = np.array([[0.0, 0.0], [SIDE, 0.0], [SIDE, -SIDE], [0.0, -SIDE]])
    return np.array(at)[:, None] + square


def wave(at_mm: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Heights of a sheet bowed once along its length or its breadth, 1 mm from lowest to highest."""
    turn, phase, length = rng.uniform(0.0, math.pi), rng.uniform(0.0, 2.0 * math.pi), rng.uniform(210.0, 297.0)
    along = at_mm @ [math.cos(turn), math.sin(turn)]
    return np.asarray(0.5 * np.sin(2.0 * math.pi * along / length + phase))


def shares_of_u(make_camera, rng: np.random.Generator, u_flat_mm: float) -> np.ndarray:
    """Errors over U of lengths between corners all over a sheet whose first four squares are given."""
    at = sheet().reshape(-1, 2)
    camera = make_camera(
        focal_px=FOCAL_PX,
        size=SIZE,
        tilt_deg=tuple(rng.uniform(10.0, 30.0, 2) * rng.choice([-1, 1], 2)),
        look_mm=tuple(at.mean(axis=0)),
        distance_mm=450.0,
        roll_deg=rng.uniform(0.0, 360.0),
    )
    px = camera.to_px(np.column_stack([at, wave(at, rng)])) + rng.normal(0.0, U_PX, at.shape)
    block = np.array([0, 1, COLUMNS, COLUMNS + 1])
    given = (4 * block[:, None] + np.arange(4)).ravel()
    u = np.full((len(given), 2), U_PX)
    scale = Scale("strip", px[given], at[given], u, 0.0, px[given][:4], u_flat_mm=u_flat_mm)
    plane = fit_plane(scale, SIZE, Focal(FOCAL_PX * rng.normal(1.0, 0.02), 0.02, "EXIF"))
    a, b = np.triu_indices(len(at), 7)

    def lengths(p: Plane) -> np.ndarray:
        return np.asarray(np.linalg.norm(p.to_mm(px)[a] - p.to_mm(px)[b], axis=1))

    error = lengths(plane) - np.linalg.norm(at[a] - at[b], axis=1)
    read = U_PX * math.sqrt(2.0) / plane.px_per_mm(at.mean(axis=0))
    return np.asarray(np.abs(error) / (2.0 * np.hypot(plane.u_of(lengths), read)))


@pytest.mark.slow
def test_lengths_over_a_bowed_sheet_are_inside_u_and_would_not_be_if_it_were_taken_for_flat(make_camera):
    seeds = range(SHEETS)
    bowed, flat = (
        np.concatenate([shares_of_u(make_camera, np.random.default_rng(s), u) for s in seeds])
        for u in (U_SHEET_MM, 0.0)
    )
    assert np.mean(bowed <= 1.0) >= 0.95
    assert np.mean(bowed > 2.0) < 0.005
    assert np.mean(flat <= 1.0) < 0.9


def test_places_near_each_other_rise_together():
    cov = heights_covariance(np.array([[0.0, 0.0], [1.0, 0.0], [1000.0, 0.0]]))
    assert math.sqrt(cov[0, 0]) == pytest.approx(U_SHEET_MM)
    slope = math.sqrt(cov[0, 0] + cov[1, 1] - 2.0 * cov[0, 1])
    assert slope == pytest.approx(2.0 * math.pi / 297.0 * U_SHEET_MM, rel=1e-3)  # of a wave as long as the sheet
    assert abs(cov[0, 2]) < 1e-12
