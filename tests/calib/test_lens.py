"""The radial term and the tilt from straight edges."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calib.lens import StraightEdge, k1_from_lines, refine_plane_with_lines
from calib.photo import Focal
from calib.pose_fit import fit_plane
from calib.scales.base import HANDHELD_TILT_RAD, Scale

NOISE = 0.05


def fret_edges(camera, rng, parallel="", height=0.0) -> list[StraightEdge]:
    """Six edges across the picture and two along it, as seen by a camera."""
    out = []
    for x in (0.0, 25.0, 50.0, 75.0, 100.0, 125.0):
        mm = np.column_stack([np.full(60, x), np.linspace(0, 50, 60), np.full(60, height)])
        out.append((mm, parallel))
    for y in (-4.0, 54.0):
        out.append((np.column_stack([np.linspace(-8, 132, 120), np.full(120, y), np.full(120, height)]), ""))
    return [
        StraightEdge(camera.to_px(mm) + rng.normal(0, NOISE, (len(mm), 2)), np.full(len(mm), NOISE), name)
        for mm, name in out
    ]


@pytest.mark.slow
def test_the_radial_term_from_straight_edges_is_covered(make_camera):
    rng = np.random.default_rng(1)
    z = []
    for _ in range(60):
        k1 = rng.normal(0, 0.04)
        camera = make_camera(
            focal_px=9000, size=(4000, 3000), k1=k1, tilt_deg=tuple(rng.normal(0, 5, 2)), distance_mm=380
        )
        found, u = k1_from_lines(fret_edges(camera, rng), (4000, 3000), camera.focal_px)
        z.append((found - k1) / u)
        assert u < 0.01
    assert 0.9 <= np.mean(np.abs(z) < 2) <= 1.0
    assert 0.5 < np.sqrt(np.mean(np.square(z))) < 1.2


def test_bent_edges_are_trusted_less(make_camera):
    rng = np.random.default_rng(2)
    camera = make_camera(focal_px=9000, size=(4000, 3000), distance_mm=380)
    straight = fret_edges(camera, rng)
    bent = [StraightEdge(e.px + 2.0 * np.sin(np.linspace(0, 9, len(e.px)))[:, None], e.u_px) for e in straight]
    assert k1_from_lines(bent, (4000, 3000), 9000)[1] > 5 * k1_from_lines(straight, (4000, 3000), 9000)[1]


def card_scale(camera, rng) -> Scale:
    """Points round a bank card (ISO/IEC 7810 ID-1, 85.60 x 53.98 mm) below the board, telling little of the lens."""
    x, y = np.linspace(4, 81.6, 12), np.linspace(4, 49.98, 8)
    mm = np.concatenate(
        [np.column_stack([x, 0 * x]), np.column_stack([x, 0 * x + 53.98]), np.column_stack([0 * y, y]),
         np.column_stack([0 * y + 85.6, y])]
    ) - [0, 62.0]  # fmt: skip
    turn = np.concatenate([np.zeros(24), np.full(16, math.pi / 2)])
    px = camera.to_px(np.column_stack([mm, np.zeros(len(mm))])) + rng.normal(0, 0.1, (len(mm), 2))
    u = np.column_stack([np.full(len(px), np.inf), np.full(len(px), 0.1)])
    return Scale("id1", px, mm, u, 5e-4, px, turn_rad=turn, tilt_prior_rad=HANDHELD_TILT_RAD)


@pytest.mark.slow
def test_edges_make_a_poor_scale_better_and_stay_honest(make_camera):
    rng = np.random.default_rng(3)
    target = np.array([[0.0, 20.0], [130.0, 20.0], [65.0, 50.0]])
    before, after, z = [], [], []
    for _ in range(25):
        camera = make_camera(
            focal_px=9000, size=(4000, 3000), k1=rng.normal(0, 0.03), tilt_deg=tuple(rng.normal(0, 4, 2)),
            look_mm=(62.0, 5.0), distance_mm=380, roll_deg=0.0, centre=tuple(rng.normal(0, 20, 2)),
        )  # fmt: skip
        focal = Focal(camera.focal_px * math.exp(rng.normal(0, 0.02)), 0.02, "EXIF")
        rough = fit_plane(card_scale(camera, rng), (4000, 3000), focal)
        fine = refine_plane_with_lines(rough, fret_edges(camera, rng, "frets", height=-1.0))
        px = camera.to_px(np.column_stack([target, np.zeros(3)]))

        def lengths(p, px=px):
            mm = p.to_mm(px)
            return np.array([np.linalg.norm(mm[1] - mm[0]), np.linalg.norm(mm[2] - mm[0])])

        true = np.array([130.0, math.hypot(65, 30)])
        before.append(lengths(rough) - true)
        after.append(lengths(fine) - true)
        z.append(after[-1] / fine.u_of(lengths))
        assert np.all(np.diag(fine.cov) <= np.diag(rough.cov) * 1.0001)
    assert np.std(after) < 0.7 * np.std(before)
    assert 0.88 <= np.mean(np.abs(z) < 2) <= 1.0


def test_without_edges_the_plane_stays(make_camera):
    rng = np.random.default_rng(4)
    plane = fit_plane(card_scale(make_camera(), rng), (1200, 900), Focal(2400, 0.02, "EXIF"))
    assert refine_plane_with_lines(plane, []) is plane
    nothing = StraightEdge(np.full((9, 2), np.nan), np.ones(9))
    assert refine_plane_with_lines(plane, [nothing]) is plane
