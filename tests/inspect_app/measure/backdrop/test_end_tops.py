"""Tops of fret ends that hardly stand out from their crowns, seen across the neck, and what they say of crowns."""

import math
from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure import calibrate
from inspect_app.measure.backdrop import side
from inspect_app.measure.backdrop.crown_heights import crown_heights, lowered
from inspect_app.measure.backdrop.end_tops import ArchStep, arch_steps, shared_tops
from inspect_app.measure.backdrop.string_gap import measure_gaps
from tests.conftest import rest_slow
from tests.inspect_app.measure.backdrop.side_pictures import SideScene, draw_side, side_ask
from tests.inspect_app.measure.backdrop.test_side import no_daylight

PITCH, WIDTH, SHARE = 0.025, 100.0, 0.45


def a_step(depth, contrast=0.05, arched=True, seed=0):
    """Square roots of light below the foot that step at a depth (mm), along an end's arch or straight across."""
    rows, columns = np.arange(80)[:, None], np.arange(161)[None, :]
    radius = (0.25 + SHARE**2) / (2.0 * SHARE) * WIDTH
    fall = radius - np.sqrt(radius**2 - np.minimum(np.abs(columns - 80.0), WIDTH / 2.0) ** 2) if arched else 0.0
    edge = np.clip(rows - depth / PITCH - fall, -2.0, 2.0) / 4.0 + 0.5
    noise = np.random.default_rng(seed).normal(0.0, 0.003, edge.shape)
    return np.asarray(0.5 + contrast * edge + noise, dtype=np.float32)


@pytest.mark.parametrize("contrast", [0.05, -0.05, 0.2])
def test_a_faint_step_along_an_arch_is_found_where_it_is(contrast):
    (step,) = arch_steps(a_step(0.7, contrast), 80.0, WIDTH, 60.0, SHARE, PITCH)
    assert step.depth == pytest.approx(0.7, abs=0.01)


def test_a_step_straight_across_is_no_top_and_noise_is_none():
    assert arch_steps(a_step(0.7, arched=False), 80.0, WIDTH, 60.0, SHARE, PITCH) == ()
    assert all(arch_steps(a_step(0.7, 0.0, seed=k), 80.0, WIDTH, 60.0, SHARE, PITCH) == () for k in range(20))


@pytest.mark.parametrize(
    ("depths", "known", "tops"),
    [
        ([[0.7], [0.3, 0.72], [0.69], []], [None] * 4, (0.7, 0.72, 0.69, None)),
        ([[0.3], [0.28, 0.72], [0.29], [0.31]], [None] * 4, (None,) * 4),  # lamps' lines, and one top below
        ([[0.7], [], [], []], [None] * 4, (None,) * 4),
        ([[0.3, 0.7], [0.31]], [None, 0.71], (0.7, None)),  # beside a top that stands out one is enough
    ],
)
def test_tops_are_what_most_ends_share_none_having_a_step_below(depths, known, tops):
    steps = [[ArchStep(d, 0.02) for d in some] for some in depths]
    assert shared_tops(steps, known) == tops


def true_top(scene):
    """Height at which the near ends' tops are seen on the card, mm."""
    z = scene.behind + scene.inset - scene.short - scene.height * math.tan(math.radians(scene.bevel))
    camera, distance = float(scene.plane().camera_mm[1]), scene.plane().distance_mm
    return camera + (scene.crown(z) - camera) * distance / (distance - z)


@pytest.mark.parametrize(("face", "fall"), rest_slow([(152, 6.0), (160, 3.0)]))
def test_ends_of_nearly_their_crowns_tone_tell_how_the_crowns_fall(face, fall):
    """Without their tops the crowns were taken to fall by 4 degrees, give or take 1.7."""
    scene = SideScene(face=face, metal=140, fall=fall, elevation=5.0, noise=1.0, seed=51)
    photo, ask = draw_side(scene), side_ask(scene)
    detected = side.detect(photo, *calibrate(photo, ask), ask)
    tops = [s.face.top for s in detected.seen if s.face.top is not None]
    assert len(tops) >= 3
    assert all(s.face.faint for s in detected.seen if s.face.top is not None)
    assert tops == pytest.approx([true_top(scene)] * len(tops), abs=0.03)
    answer = side.measure_detected(detected, ask)
    true = scene.gaps()
    assert {f.number for f in answer.frets} == set(true)
    assert all(abs(f.string_gap.value - true[f.number]) < f.string_gap.expanded for f in answer.frets)
    assert answer.checks["crowns_fall_deg_u"] < 1.4


@pytest.mark.parametrize("burnt", [False, True], ids=["a string's shadow", "burnt out below"])
def test_a_line_along_an_arch_or_one_over_burnt_out_metal_is_no_top(burnt):
    one = a_step(0.4, 0.1)
    seen = np.minimum(one + 0.45, 1.0) if burnt else one + a_step(0.48, -0.1, seed=1) - 0.5
    assert arch_steps(one, 80.0, WIDTH, 60.0, SHARE, PITCH)
    assert arch_steps(np.asarray(seen, dtype=np.float32), 80.0, WIDTH, 60.0, SHARE, PITCH) == ()


def test_a_crown_that_its_end_says_is_lower_than_daylight_shows_is_taken_to_be():
    """Light behind the card fills its slit: it shows a hundredth, and is 0.15 mm. Small differences are left alone."""
    for low, moved in ((0.15, True), (0.02, False)):
        g, true = no_daylight(SideScene(elevation=1.0), {8: 0.0, 9: 0.0, 10: 0.0, 11: -low})
        g = replace(g, seen=tuple(replace(s, u_crown=0.012) for s in g.seen))
        after = lowered(g, measure_gaps(g)[1])
        assert (after != g) == moved
        gaps, stand, *_ = measure_gaps(after)
        off = [q.value - true[s.face.number] for q, s in zip(gaps, after.seen, strict=True)]
        assert np.ptp(off) < 0.03
        assert crown_heights(after, stand, gaps)[11][1] == after.seen[3].u_crown
