"""Tracing the outline: the first sharp edge from the card, placed to a fraction of a pixel, and its unworn circle."""

import numpy as np
import pytest

from inspect_app.measure.backdrop.circle import fit_circle
from inspect_app.measure.backdrop.crown_line import COLUMN_STEPS, CrownLine, best_arc
from inspect_app.measure.backdrop.edge_path import EdgePath, place_edge
from inspect_app.measure.backdrop.outline import first_edge, significance, trace_edge
from inspect_app.measure.backdrop.reference_arc import fit_reference_arc, u_curvature_by_stretches
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw, surface


def card(rows=200, columns=240, noise=0.004, seed=0):
    return 0.6 + np.random.default_rng(seed).normal(0.0, noise, (rows, columns))


def test_a_faint_first_edge_is_preferred_to_strong_ones_below_it():
    light = card()
    line = (100 + 12 * np.sin(np.arange(240) / 60.0)).astype(int)
    for c, r in enumerate(line):
        light[r:, c] -= 0.03
        light[r + 30 : r + 45, c] += 0.5
    path, gain = first_edge(significance(light.astype(np.float32), 40))
    assert np.mean(np.abs(path - line) <= 2) > 0.97
    assert np.mean(gain > 0.2) > 0.9


def test_soft_light_on_the_card_is_not_an_edge():
    light = card()
    rows, columns = np.mgrid[0:200, 0:240]
    light += 0.3 * np.exp(-0.5 * (((columns - 120) / 25.0) ** 2 + ((rows - 60) / 25.0) ** 2))
    light[130:] -= 0.2
    path, _ = first_edge(significance(light.astype(np.float32), 25))
    assert np.mean(np.abs(path - 130) <= 2) > 0.97


def test_brighter_metal_is_found_as_well_as_darker():
    for step in (-0.15, 0.15):
        light = card()
        light[90:] += step
        path, _ = first_edge(significance(light.astype(np.float32), 30))
        assert np.all(np.abs(path - 90) <= 2)


def straightened(dip=20, lamp=0.5, dark=0.05, seed=0):
    """Light along a known curve at row 40: card, a dark rim six rows wide, the lamp's line; one hollow in it."""
    light = card(110, 300, seed=seed)
    columns = np.arange(300)
    t = (columns - 150) / 60.0
    line = 40 + np.where(np.abs(t) < 1, dip * (1 - t**2) ** 2, 0.0)
    for c, r in enumerate(np.round(line).astype(int)):
        light[r : r + 6, c] -= dark
        light[r + 6 :, c] += lamp
    return light.astype(np.float32), line


def test_a_faint_rim_is_followed_above_the_lamps_strong_line_and_through_a_hollow():
    light, line = straightened()
    path, gain, polarity = trace_edge(light, 24, 40)
    assert np.mean(np.abs(path - line) <= 2) > 0.97
    assert np.mean(polarity == -1.0) > 0.97  # from the card down into the dark rim
    assert np.mean(gain > 0.2) > 0.9


def test_a_line_followed_does_not_jump_where_its_edge_fades():
    light, line = straightened(dip=0)
    light[36:46, 100:112] = light[30:34, 100:112].mean()  # a streak of light as bright as the card
    path, _, _ = trace_edge(light, 24, 40)
    away = np.abs(path - line)
    assert away[:95].max() <= 2
    assert away[120:].max() <= 2
    assert np.abs(np.diff(path)).max() <= 3


def scratched(seed=0, dip=14):
    """Metal near the card's tone under a curve at row 40, brighter here and darker there; the lamp's line below it."""
    light, columns = card(110, 300, seed=seed), np.arange(300)
    tone = np.repeat([-0.02, 0.02, -0.02, 0.02, -0.02, 0.02], 50)
    t = (columns - 190) / 30.0
    line = 40 + np.where(np.abs(t) < 1, dip * (1 - t**2) ** 2, 0.0)
    for c, r in enumerate(np.round(line).astype(int)):
        light[r : r + 8, c] += tone[c] if dip == 0 or abs(t[c]) >= 1 else -0.1
        light[r + 8 :, c] += 0.4
    return light.astype(np.float32), line


def test_scratched_metal_near_the_cards_tone_is_followed_above_the_lamps_line():
    light, line = scratched()
    path, _, polarity = trace_edge(light, 24, 40)
    assert np.mean(np.abs(path - line) <= 2) > 0.9
    assert 0.2 < np.mean(polarity == 1.0) < 0.8


def test_the_arc_with_most_edge_on_it_is_found_above_the_lamps_line_and_in_spite_of_wear():
    columns = np.arange(300)
    true = 60.0 + 0.0008 * (columns - 130.0) ** 2
    worn = true + np.where((columns > 60) & (columns < 140), 15.0, 0.0)
    light = card(200, 300)
    for c, r in enumerate(np.round(worn).astype(int)):
        light[r : r + 8, c] += 0.03 if c // 12 % 2 else -0.03
        light[r + 8 :, c] += 0.4
    arc = best_arc(significance(light.astype(np.float32), 30), pitch=0.03)
    assert np.abs(np.polyval(arc, columns) - true).max() < 2.5
    assert best_arc(np.zeros((50, 60)), 0.03) is None
    specks = np.zeros((50, 60))
    specks[20, 5], specks[22, 30], specks[20, 55] = 1.0, 1.0, 1.0
    assert best_arc(specks, 0.03) is None


def test_an_arc_bends_no_more_than_a_board():
    columns = np.arange(300)
    deep = 60.0 + 0.004 * (columns - 150.0) ** 2  # 0.004 rows a column squared at 0.03 mm: a radius of 15 mm
    light = card(200, 300)
    for c, r in enumerate(np.round(deep).astype(int)):
        light[r:, c] -= 0.2
    arc = best_arc(significance(light.astype(np.float32), 30), pitch=0.03)
    assert arc is None or abs(2.0 * arc[0]) / (0.03 * COLUMN_STEPS**2) < 1.05 / 40.0


@pytest.mark.slow
@pytest.mark.parametrize(("metal", "card_tone"), [(60, 225), (190, 225), (225, 110), (95, 120)])
def test_an_outline_is_placed_within_a_tenth_of_a_pixel(metal, card_tone):
    scene = Scene(metal=metal, card=card_tone, divots=(), noise=1.0, yaw=0.0, tilt=0.0)
    photo, pose = draw(scene)
    crown = pose.to_px(surface(scene, n_y=400, n_x=601).reshape(-1, 3)).reshape(400, 601, 2)
    y = np.linspace(*scene.ends, 400)
    top = crown[np.arange(400), np.argmin(crown[:, :, 1], axis=1)]
    inside = np.abs(y) < 18.0
    guess = np.arange(top[inside, 0].max(), top[inside, 0].min(), -1.0)
    order = np.argsort(top[:, 0])
    true = np.interp(guess, top[order, 0], top[order, 1])
    found = place_edge(photo, np.column_stack([guess, true + 1.3]))
    off = found.px[:, 1] - np.interp(found.px[:, 0], top[order, 0], top[order, 1])
    assert abs(np.mean(off)) < 0.1
    assert np.std(off) < 0.2


def worn(y, radius=300.0):
    z = np.sqrt(radius**2 - (y - 1.0) ** 2) - radius
    for at, depth, half in ((-12.0, 0.2, 2.0), (-4.0, 0.05, 1.5), (6.0, 0.12, 2.5), (14.0, 0.3, 1.0)):
        t = (y - at) / half
        z -= np.where(np.abs(t) < 1, depth * (1 - t**2) ** 2, 0.0)
    return z


@pytest.mark.parametrize("radius", [184.15, 241.3, 304.8, 406.4])
def test_wear_does_not_bend_the_circle(radius):
    y = np.linspace(-20.0, 20.0, 1200)
    z = worn(y, radius) + np.random.default_rng(2).normal(0.0, 0.002, 1200)
    circle, used, rms = fit_reference_arc(y, z, np.full(1200, 0.002), 1.0)
    assert 1.0 / circle.curvature == pytest.approx(radius, rel=0.005)
    assert not used[np.abs(y + 12.0) < 1.2].any()
    assert rms < 0.003


def test_a_circle_does_not_creep_to_points_of_another_edge_below_it():
    y = np.linspace(-20.0, 20.0, 1200)
    rng = np.random.default_rng(5)
    z = np.sqrt(250.0**2 - y**2) - 250.0
    lost = np.repeat(rng.random(60) < 0.45, 20)
    off = np.where(lost, -rng.uniform(0.02, 0.2, 1200), rng.normal(0.0, 0.002, 1200))
    circle, used, _ = fit_reference_arc(y, z + off, np.full(1200, 0.003), 1.0, np.abs(off) < 0.04)
    assert 1.0 / circle.curvature == pytest.approx(250.0, rel=0.02)
    assert np.abs(circle.z(y) - z).max() < 0.006
    assert used[lost].mean() < 0.1


def test_a_flat_board_gives_no_curvature():
    y = np.linspace(-25.0, 25.0, 1000)
    z = np.random.default_rng(2).normal(0.0, 0.002, 1000)
    circle, _, _ = fit_reference_arc(y, z, np.full(1000, 0.002), 1.0)
    assert abs(circle.curvature) < 3.0 * circle.u_curvature + 1e-5


def test_points_that_agree_on_nothing_give_no_circle():
    rng = np.random.default_rng(4)
    assert fit_reference_arc(np.linspace(-20, 20, 60), rng.normal(0, 1.0, 60), np.full(60, 0.002), 1.0) is None


BOARD = 300.0


def arc(seed, jump):
    """A crown line 45 mm long, its points scattered by 2 um, whose stretches of 5 mm follow edges `jump` mm apart."""
    rng = np.random.default_rng(seed)
    y = np.linspace(-22.5, 22.5, 900)
    stretch = ((y + 22.5) / 5.0 + rng.uniform()).astype(int)
    z = np.sqrt(BOARD**2 - y**2) - BOARD + rng.normal(0.0, 0.002, len(y))
    return y, z + jump * rng.choice([-0.5, 0.5], stretch.max() + 1)[stretch]


@pytest.mark.slow
def test_stretches_on_other_edges_are_in_the_uncertainty_of_the_radius():
    covered = by_points_alone = 0
    for seed in range(60):
        y, z = arc(seed, jump=0.012)
        u = np.full(len(y), 0.002)
        fit = fit_circle(y, z, u, 5.0)
        off = abs(fit.curvature - 1.0 / BOARD)
        covered += off <= 2.0 * u_curvature_by_stretches(y, z, u)
        by_points_alone += off <= 2.0 * fit.u_curvature
    assert covered >= 54  # 95 % of 60 with three standard deviations to spare
    assert by_points_alone < 50


def test_an_even_outline_is_no_less_sure_for_its_stretches():
    y, z = arc(0, jump=0.0)
    u = np.full(len(y), 0.002)
    assert u_curvature_by_stretches(y, z, u) < 2.0 * fit_circle(y, z, u, 5.0).u_curvature


def crown_line(raised):
    """A crown line on an arc, with a part of it (first and last place, mm) 0.05 mm above that."""
    y, z = arc(1, jump=0.0)
    circle = fit_circle(y, np.sqrt(BOARD**2 - y**2) - BOARD)
    z = z + np.where((y > raised[0]) & (y < raised[1]), 0.05, 0.0)
    edge = EdgePath.plain(np.column_stack([y, z]), np.full(len(y), 0.1), np.full(len(y), 30.0), 5.0)
    used = np.abs(z - circle.z(y)) < 0.01
    return CrownLine(edge, y, z, np.zeros(len(y)), circle, used, 0.002, 1.4)


def test_what_stands_above_the_reference_arc_is_told():
    assert crown_line((0.0, 0.0)).above == 0.0
    assert crown_line((3.0, 12.0)).above == pytest.approx(0.2, abs=0.03)


def test_bands_that_rounding_leaves_in_smooth_light_are_no_edge():
    """A phone's noise reduction leaves them: lines across the whole card, above the crown's, which hid it."""
    codes = np.round(np.linspace(200.0, 195.0, 200))  # light that falls evenly over five codes
    codes[150:] -= 60.0
    light = np.repeat(((codes / 255.0) ** 2.2)[:, None], 240, axis=1).astype(np.float32)
    certain = significance(light, 40)
    assert certain[:145].max() == 0.0
    assert certain[148:153].max(axis=0).min() == 1.0
