"""Sub-pixel edges against published bounds, and lines against reference libraries."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.special import erf
from skimage.measure import LineModelND

from calib.edges import edge_line, edge_points, locate_steps, row_offsets, sample_across
from calib.lines import fit_line, fit_lines
from calib.photo import linear_light


def rows_of_steps(rng, n, m, at, sigma, noise, low=0.2, high=0.7):
    x = row_offsets(m // 2)
    z = (x - np.broadcast_to(at, (n,))[:, None]) / sigma
    return low + (high - low) * 0.5 * (1 + erf(z / math.sqrt(2))) + rng.normal(0, noise, (n, m)), x


@pytest.mark.parametrize(("k", "m"), [(0, 21), (0, 41), (1, 11), (1, 21), (1, 41), (2, 21)])
def test_a_step_is_placed_as_well_as_the_cramer_rao_bound_allows(published, k, m):
    bound = published("edge_bounds")["bound"][k]
    noise, contrast = 0.0125, 0.5
    at = np.random.default_rng(3).uniform(-0.5, 0.5, 2000)
    rows, x = rows_of_steps(np.random.default_rng(1), 2000, m, at, bound["sigma_px"], noise)
    found = locate_steps(rows, x, polarity=1)
    ratio = np.std(found.at - at) / (bound["unknown_levels"][str(m)] * noise / contrast)
    assert 0.93 < ratio < 1.15  # 2000 rows: 1.6 % statistical; the tabulated bound is for phase 0
    assert abs(np.mean(found.at - at)) < 4 * np.std(found.at) / math.sqrt(2000)
    # the stated u is at least the bound (it counts the noise that bilinear sampling hides) and not 1.5 times more
    stated = np.median(found.u) / (bound["known_levels"] * noise / contrast)
    assert 1.0 < stated < 1.75


def test_blur_is_recovered():
    for sigma in (0.7, 1.0, 2.0):
        rows, x = rows_of_steps(np.random.default_rng(5), 300, 25, 0.2, sigma, 0.005)
        found = locate_steps(rows, x)
        assert np.median(found.sigma) == pytest.approx(sigma, rel=0.02)
        assert np.median(found.contrast) == pytest.approx(0.5, rel=0.02)


def test_polarity_picks_the_edge_and_nothing_else():
    x = row_offsets(12)
    rows = (0.2 + 0.5 * (x > -5) - 0.5 * (x > 5))[None] + np.zeros((3, 1))
    assert np.all(locate_steps(rows[:, 4:20] * 1.0, x[4:20] - x[12], polarity=1).at < 0)
    flat = np.random.default_rng(0).normal(0.5, 0.01, (200, 25))
    assert np.isfinite(locate_steps(flat, x, polarity=1).at).mean() < 0.6  # noise alone is mostly refused
    falling, x = rows_of_steps(np.random.default_rng(1), 50, 25, 0.0, 1.0, 0.01, low=0.7, high=0.2)
    assert not np.isfinite(locate_steps(falling, x, polarity=1).at).any() or np.all(
        np.abs(locate_steps(falling, x, polarity=1).contrast) < 0.1
    )


@pytest.mark.slow
def test_a_line_on_a_photo_is_within_half_again_of_the_bound_and_covered(step_photo):
    rng = np.random.default_rng(11)
    sigma, noise, contrast, length = 1.0, 0.015, 0.6, 90.0
    off, z, za = [], [], []
    for _ in range(150):
        angle, shift = rng.uniform(0, 2 * math.pi), rng.uniform(-1, 1)
        normal, along = np.array([math.cos(angle), math.sin(angle)]), np.array([-math.sin(angle), math.cos(angle)])
        at = np.array([70.0, 70.0]) + shift * normal
        guess = at + rng.uniform(-1, 1, 2)
        photo = step_photo(angle, sigma, noise, rng, at)
        line = edge_line(photo, guess - along * length / 2, guess + along * length / 2, 10.0)
        off.append((line.point - at) @ normal)
        z.append(off[-1] / line.u_offset)
        za.append(math.asin(along[0] * line.direction[1] - along[1] * line.direction[0]) / line.u_angle)
    bound = noise / contrast * math.sqrt(2 * math.sqrt(math.pi) * sigma / length)
    assert 0.85 < np.std(off) / bound < 1.5  # measured 1.2
    for scores in (z, za):
        assert 0.90 <= np.mean(np.abs(scores) < 2) <= 0.995
        assert 0.8 < np.sqrt(np.mean(np.square(scores))) < 1.25


def test_half_level_of_the_codes_would_be_displaced(step_photo, coded):
    """Why linear light: the same step read in codes is seen almost a blur nearer the dark side."""
    photo = step_photo(0.0, 1.0, 0.001, np.random.default_rng(0), np.array([70.0, 70.0]))
    row = photo.gray[70].astype(float)
    half = (row[:20].mean() + row[-20:].mean()) / 2
    k = int(np.argmax(row > half))
    in_codes = k - 1 + (half - row[k - 1]) / (row[k] - row[k - 1])
    line = edge_line(photo, (70, 110), (70, 30), 10.0)
    assert abs(in_codes - 70.0) > 0.3
    assert abs(line.point[0] - 70.0) < 0.02


def test_a_curved_edge_is_seen_nearer_its_centre_by_the_published_amount(published, coded):
    for case in published("edge_bounds")["curved"]:
        radius, sigma = case["radius_px"], case["sigma_px"]
        size, over = int(2 * radius + 40), 8
        c = (size - 1) / 2
        fine = (np.arange(size * over) + 0.5) / over - 0.5
        disc = (np.hypot(fine[:, None] - c, fine[None] - c) < radius).astype(float)
        light = cv2.GaussianBlur(disc, (0, 0), sigma * over).reshape(size, over, size, over).mean(axis=(1, 3))
        angle = np.linspace(0, 2 * math.pi, 180, endpoint=False)
        normal = np.column_stack([np.cos(angle), np.sin(angle)])
        found = edge_points(coded(0.1 + 0.6 * light), c + radius * normal, normal, min(8.0, radius - 2), polarity=-1)
        # square pixels and bilinear sampling blur a little more: the bias goes with the variance that was found
        wider = np.median(found.steps.sigma) ** 2 / sigma**2
        assert 1.0 < wider < 1.35
        assert np.mean(found.steps.at) == pytest.approx(case["shift_px"] * wider, abs=0.01)


def test_rows_that_leave_the_photo_say_nothing(step_photo):
    photo = step_photo(0.0, 1.0, 0.01, np.random.default_rng(0), np.array([70.0, 70.0]))
    rows = sample_across(photo, [[70, 70], [2, 70]], [[1, 0], [1, 0]], 10.0)
    assert np.isfinite(rows[0]).all()
    assert np.isnan(rows[1]).all()
    assert edge_line(photo, (3, 10), (3, 100), 10.0) is None


def test_bilinear_sampling_matches_scipy_in_linear_light(step_photo):
    photo = step_photo(0.7, 1.0, 0.02, np.random.default_rng(2), np.array([70.0, 70.0]))
    rng = np.random.default_rng(4)
    points, normals = rng.uniform(20, 110, (50, 2)), np.tile([0.6, 0.8], (50, 1))
    rows = sample_across(photo, points, normals, 8.0)
    xy = points[:, None] + normals[:, None] * row_offsets(8.0)[None, :, None]
    expected = map_coordinates(linear_light(photo.gray).astype(float), [xy[..., 1], xy[..., 0]], order=1)
    np.testing.assert_allclose(rows, expected, atol=1e-6)


def test_line_agrees_with_scikit_image():
    """Orthogonal fit of scikit-image's LineModelND on points without outliers."""
    rng = np.random.default_rng(8)
    for angle in rng.uniform(0, math.pi, 10):
        d = np.array([math.cos(angle), math.sin(angle)])
        t = np.sort(rng.uniform(-50, 50, 80))
        p = np.array([300.0, 200.0]) + t[:, None] * d + rng.normal(0, 0.02, (80, 2))
        ours = fit_line(p, np.full(80, 1e3))  # a large u: no point counts as an outlier
        theirs = LineModelND.from_estimate(p)
        assert abs(ours.direction @ theirs.direction) == pytest.approx(1.0, abs=1e-9)
        assert abs(float(ours.distance(theirs.origin)[0])) < 1e-4


def test_a_line_ignores_a_third_of_wild_points():
    rng = np.random.default_rng(9)
    t = np.linspace(0, 100, 120)
    p = np.column_stack([t, 0.3 * t + rng.normal(0, 0.05, 120)])
    p[30:65, 1] += rng.uniform(3, 9, 35)
    line = fit_line(p, np.full(120, 0.05))
    assert line.direction[1] / line.direction[0] == pytest.approx(0.3, abs=1e-3)
    assert 75 <= line.used <= 90


def test_too_few_points_give_no_line():
    p = np.column_stack([np.arange(10.0), np.zeros(10)])
    u = np.full(10, 0.1)
    assert fit_line(p[:2], u[:2]) is None
    u[:6] = np.inf
    assert fit_line(p, u) is None
    both = fit_lines(np.stack([p, p]), np.stack([np.full(10, 0.1), u]))
    assert both[0] is not None
    assert both[1] is None


@pytest.mark.slow
def test_what_a_line_is_uncertain_by_at_a_place_by_monte_carlo():
    rng = np.random.default_rng(10)
    t, places = np.linspace(5, 45, 30), np.array([[0.0, 0.0], [25.0, 5.0], [60.0, 12.0]])
    lines = [
        fit_line(np.column_stack([t, 0.2 * t + rng.normal(0, 0.1, 30)]), np.full(30, 0.1 / math.hypot(1.0, 0.2)))
        for _ in range(1500)
    ]
    away = np.array([line.distance(places) for line in lines])
    assert np.abs(away.mean(axis=0)).max() < 0.01
    stated = np.mean([line.u_at(places) for line in lines], axis=0)
    assert stated / away.std(axis=0) == pytest.approx(1.05, abs=0.05)  # the Birge ratio of 28 only ever widens
