"""A steel rule in drawn photos: any way round, pale or dark, millimetres or inches, and by coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.pose_fit import fit_plane
from calib.scales.rule import RULE_LIMIT_MM, find_rule
from calib.scales.rule_divisions import DIVISIONS, INCH_MM, tell_division
from shared.errors import ScaleError
from tests.calib.bench_scene import (
    HALF_MM_RULE,
    INCH_RULES,
    Shot,
    board,
    length_errors,
    photograph,
    place_all,
    rule,
)

pytestmark = pytest.mark.slow


def errors(shot: Shot, paints, unit: str = "mm") -> tuple[np.ndarray, np.ndarray]:
    """Relative errors of lengths round the rule, and their u from the plane."""
    photo = photograph(shot, paints)
    plane = fit_plane(find_rule(photo, unit), (photo.width, photo.height), photo.focal)
    camera = shot.camera()
    return length_errors(camera, plane), plane.u_of(lambda p: length_errors(camera, p))


@pytest.mark.parametrize("turn", [0.0, -8.0, 37.0, 90.0, 180.0])
@pytest.mark.parametrize("dark", [False, True])
def test_found_any_way_round(turn: float, dark: bool) -> None:
    scene = board(55.0) + place_all(rule(dark=dark), (0.0, 0.0), turn)
    error, u = errors(Shot(), scene)
    # a tenth of a per cent, half of what the plan view needs
    assert np.abs(error).max() < 1e-3
    assert np.all(np.abs(error) < 3.0 * u)


@pytest.mark.parametrize(
    ("step", "pattern", "unit"),
    [
        (0.5, HALF_MM_RULE, "mm"),
        (INCH_MM / 16, INCH_RULES[16], "inch"),
        (INCH_MM / 32, INCH_RULES[32], "inch"),
    ],
)
def test_divisions_are_told(step: float, pattern, unit: str) -> None:
    error, u = errors(Shot(), board(10.0) + place_all(rule(step, pattern, 152.4), (0.0, -8.0), 3.0), unit)
    assert np.abs(error).max() < 1e-3
    assert np.all(np.abs(error) < 3.0 * u)


def test_division_in_64ths_is_told_at_short_range() -> None:
    shot = Shot(distance=220.0)
    error, _ = errors(shot, place_all(rule(INCH_MM / 64, INCH_RULES[64], 152.4), (0.0, 0.0), 3.0), "inch")
    assert np.abs(error).max() < 1.5e-3


def test_the_wrong_unit_is_refused() -> None:
    inches = photograph(Shot(), place_all(rule(INCH_MM / 32, INCH_RULES[32], 152.4), (0.0, 0.0), 2.0))
    with pytest.raises(ScaleError, match="not millimetres"):
        find_rule(inches)


def test_missing_and_dirty_graduations_do_no_harm() -> None:
    from tests.calib.bench_scene import Paint, box, disc, placed

    scene = place_all(rule(), (0.0, 0.0), 4.0)
    dirt = [Paint(placed(box(-2.6, -9.0, 2.6, 0.5), (x, 0.0), 4.0), (0.3, 0.22, 0.15)) for x in (-31.0, 22.0)]
    dirt.append(Paint(placed(disc(1.2), (3.0, -2.0)), (0.2, 0.15, 0.1)))
    error, u = errors(Shot(), scene + dirt)
    assert np.abs(error).max() < 1e-3
    assert np.all(np.abs(error) < 3.0 * u)


def test_lengths_inside_their_uncertainty() -> None:
    """About as many errors inside 2 u as should be, and not because u is huge."""
    ratio = []
    for seed in range(14):
        rng = np.random.default_rng(seed)
        shot = Shot(
            tilt=tuple(rng.normal(0.0, 4.0, 2)),
            turn=float(rng.normal(0.0, 5.0)),
            k1=float(rng.normal(0.0, 0.03)),
            distance=float(rng.uniform(260.0, 400.0)),
            blur_px=float(rng.uniform(0.7, 1.4)),
            noise=float(rng.uniform(0.004, 0.015)),
            seed=seed,
        )
        scene = board(8.0) + place_all(rule(ragged=0.008, dark=seed % 3 == 0), (float(rng.normal(0, 6)), -3.0), 1.0)
        error, u = errors(shot, scene)
        ratio.append(error / u)
    r = np.array(ratio)
    assert np.mean(np.abs(r) < 2.0) >= 0.9
    assert 0.3 < np.sqrt(np.mean(r**2)) < 1.3


def test_uncertainty_of_the_rule_itself() -> None:
    """JIS B 7516:2005 class 1: 0.15 mm between any two marks up to 500 mm, however many lie between them."""
    photo = photograph(Shot(), place_all(rule(length=100.0), (0.0, 0.0)))
    scale = find_rule(photo)
    seen = np.ptp(scale.plane_mm[:, 0])
    assert seen == pytest.approx(100.0, abs=2.0)
    assert scale.u_rel * seen == pytest.approx(RULE_LIMIT_MM / 3**0.5, rel=1e-6)


@pytest.mark.parametrize(
    "paints",
    [board(-20.0), [], place_all(rule(length=9.0), (0.0, 0.0))],
    ids=["board alone", "bench alone", "nine millimetres of a rule"],
)
def test_no_rule_is_said(paints) -> None:
    with pytest.raises(ScaleError):
        find_rule(photograph(Shot(), paints))


def test_out_of_focus_is_refused() -> None:
    with pytest.raises(ScaleError):
        find_rule(photograph(replace(Shot(), blur_px=6.0), place_all(rule(), (0.0, 0.0))))


def test_pattern_of_lengths() -> None:
    """Every division is told from its lengths alone, wherever counting starts."""
    rng = np.random.default_rng(3)
    for d in DIVISIONS:
        n = np.arange(5, 5 + 3 * d.levels[0] + 12)
        length = np.full(len(n), 3.0)
        for k in reversed(d.levels):
            length[(n - 7) % k == 0] += 1.0
        told = tell_division(n, length + rng.normal(0.0, 0.05, len(n)), d.unit)
        assert told.step_mm == d.step_mm


@pytest.mark.parametrize(("step", "every"), [(0.5, (2, 10, 20)), (1.0, (5, 10))])
def test_tens_cut_off_by_an_arrow_or_a_numeral_do_not_hide_how_a_rule_is_divided(step: float, every) -> None:
    n, length = np.arange(70), np.full(70, 2.4)
    for k, steps in zip(every, (6.4, 7.4, 3.6) if step == 0.5 else (4.0, 3.1), strict=True):
        length[n % k == 0] = steps
    assert tell_division(n, length + np.random.default_rng(2).normal(0.0, 0.05, 70), "mm").step_mm == step


def test_equal_lengths_tell_nothing() -> None:
    n = np.arange(80)
    with pytest.raises(ScaleError, match="how it is divided"):
        tell_division(n, np.full(80, 3.0) + np.random.default_rng(1).normal(0, 0.05, 80), "mm")


def test_inch_lines_that_end_at_their_numerals_are_not_taken_for_half_inches() -> None:
    """64ths with inch lines cut to little less than half an inch's: not 32nds even where 64ths seem too near."""
    n = np.arange(200)
    length = np.full(200, 4.0)
    for every, steps in ((2, 5.5), (4, 7.0), (8, 9.0), (16, 11.5), (32, 14.5), (64, 13.5)):
        length[n % every == 0] = steps
    assert tell_division(n, length, "inch").name == "1/64 inch"
    with pytest.raises(ScaleError, match="could be 1/32 inch or another"):
        tell_division(n, length, "inch", (0.5, 5.0))
