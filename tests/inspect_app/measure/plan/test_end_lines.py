"""The two lines that frets' ends lie on: what all frets together tell of them."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure.plan.end_light import ExpectedEnd
from inspect_app.measure.plan.end_lines import common_end_lines, expected_ends, recentred
from inspect_app.measure.plan.fret_ends import END_SCATTER_MM, OUT_MM, EndCurve
from shared.trade import WIDENING

U_MM = np.array([-52.0, -20.0, 11.0, 38.0, 63.0])
LENGTH_MM = 44.0
SLOPE = 0.0135


def seen(expected, at, u=0.05):
    """What a photo tells of an end that lies `at` mm along."""
    out = expected.outward * (at - expected.along)
    likely = -0.5 * ((OUT_MM - out) / u) ** 2
    return EndCurve(expected, likely, np.ones(len(OUT_MM), bool), np.stack([likely, likely]))


def covered(expected, visible_to):
    """An end somewhere beneath what covers the fret from `visible_to` (mm along) on."""
    beneath = expected.outward * (visible_to - expected.along) < OUT_MM
    likely = np.where(beneath, 0.0, -200.0)
    return EndCurve(expected, likely, ~beneath, np.stack([likely, likely]))


def board(scatter=0.0, seed=0):
    """True ends of a board that widens, and where the overview puts them: a millimetre off."""
    rng = np.random.default_rng(seed)
    u = U_MM - U_MM.mean()
    treble = -SLOPE * u + rng.normal(0.0, scatter, len(u))
    bass = LENGTH_MM + SLOPE * u + rng.normal(0.0, scatter, len(u))
    expected = expected_ends(U_MM, [LENGTH_MM] * len(u))
    moved = [[ExpectedEnd(n.along + 1.0, n.outward) for n in side] for side in expected]
    return treble, bass, *moved


def test_the_overview_is_taken_to_widen_towards_the_body():
    treble, bass = expected_ends(U_MM, [LENGTH_MM] * len(U_MM))
    grows = np.diff([b.along - t.along for t, b in zip(treble, bass, strict=True)])
    assert grows == pytest.approx(2.0 * WIDENING * np.diff(U_MM))
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


@pytest.mark.slow
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
    near_t = [ExpectedEnd(float(beyond), -1), *near_t[1:]]
    curves = [seen(n, a) for n, a in zip(near_t, treble, strict=True)]
    others = [seen(n, a) for n, a in zip(near_b, bass, strict=True)]
    better = recentred((curves, others), common_end_lines(curves, others, U_MM))
    assert better[0][0].along == pytest.approx(treble[0], abs=0.4)
    assert better[0][1:] == near_t[1:]
    assert better[1] == near_b


@pytest.mark.parametrize(("going_on", "moved"), [(3, True), (2, False)])
def test_ends_are_looked_for_farther_out_where_the_metal_of_most_goes_on(going_on, moved):
    treble, bass, near_t, near_b = board()
    curves = [seen(n, a) for n, a in zip(near_t, treble, strict=True)]
    others = [seen(n, a) for n, a in zip(near_b, bass, strict=True)]
    others = [replace(c, goes_on=i < going_on) for i, c in enumerate(others)]
    better = recentred((curves, others), common_end_lines(curves, others, U_MM))
    assert better[0] == near_t
    assert [b.along - n.along for b, n in zip(better[1], near_b, strict=True)] == pytest.approx(
        [OUT_MM[-1] if moved else 0.0] * len(bass)
    )
