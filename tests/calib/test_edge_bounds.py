"""Edge finders beside the Cramer-Rao bound on drawn edges; tests/benchmarks/edge_bounds.py has the whole table."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq, least_squares
from scipy.special import ndtr

from tests.benchmarks.accuracy_pages import noise_rows
from tests.benchmarks.against_truth import Row, Score
from tests.benchmarks.edge_bounds import TARGET, bounds, least_with_card, steepest_ratio
from tests.benchmarks.figure_bounds import bevel, line_radius


@pytest.fixture(scope="module")
def found():
    return {(b.finder.split()[0], b.blur): b for b in bounds((0.8, 2.0), (50.0,), 120)}


@pytest.mark.slow
@pytest.mark.parametrize("blur", [0.8, 2.0])
@pytest.mark.parametrize("finder", ["one", "line"])
def test_rows_and_lines_scatter_little_more_than_the_bound(found, finder, blur):
    b = found[finder, blur]
    assert 0.8 < b.ratio < TARGET * (1.0 + 3.0 / math.sqrt(2.0 * 120))
    assert abs(b.bias) < 0.1 * b.scatter + 4.0 * b.scatter / math.sqrt(120)


@pytest.mark.slow
@pytest.mark.parametrize("blur", [0.8, 2.0])
@pytest.mark.parametrize("finder", ["path", "steepest", "rows"])
def test_no_finder_loses_much_of_what_is_in_its_reach(found, finder, blur):
    b = found[finder, blur]
    assert 0.7 < b.own_ratio < TARGET * (1.0 + 3.0 / math.sqrt(2.0 * 120))
    assert abs(b.bias) < 0.1 * b.scatter + 4.0 * b.scatter / math.sqrt(120)


@pytest.mark.slow
@pytest.mark.parametrize("blur", [0.8, 2.0])
def test_the_steepest_place_scatters_as_worked_out(found, blur):
    assert found["path", blur].ratio == pytest.approx(steepest_ratio(blur), rel=0.25)


@pytest.mark.parametrize("blur", [0.8, 2.5])
def test_a_step_fitted_with_the_cards_level_known_scatters_by_the_least_there_is(blur):
    """Light sampled every quarter of a pixel to 3 px into the metal, its level and the place found by least squares."""
    rng, s, noise, step = np.random.default_rng(12), math.hypot(blur, math.sqrt(1.0 / 12.0)), 0.02, 0.25
    x = np.arange(-9.0, 3.0 + 1e-9, step)

    def off(p, y):
        return p[1] * ndtr((x - p[0]) / s) - y

    drawn = [ndtr(x / s) + rng.normal(0.0, noise, len(x)) for _ in range(400)]
    at = [least_squares(off, (0.1, 1.1), args=(y,)).x[0] for y in drawn]
    bound = noise * math.sqrt(step) * math.sqrt(2.0 * math.sqrt(math.pi) * s)  # with even metal, as far as one likes
    assert np.std(at) / bound == pytest.approx(least_with_card(blur, 3.0), rel=3.0 / math.sqrt(2.0 * 400))
    assert least_with_card(blur, 9.0) < least_with_card(blur, 3.0) < least_with_card(blur, 3.0, level_known=False)


def test_noise_in_u_is_what_a_finder_nearer_the_bound_would_take_away():
    """Of two readings one is all noise, at a blur where the finder scatters by twice 1.3 times the bound."""
    blur = brentq(lambda b: steepest_ratio(b) - 2.0 * TARGET, 0.6, 2.5)
    rows = [Row("end: x", "p", 1.0, 0.1, 0.1, 0.0, 0.0, {}, share, blur) for share in (0.0, 1.0)]
    other = [
        Row("plan: x", "p", 1.0, 0.1, 0.1, 0.0, 0.0, {}, 1.0, blur),
        Row("end: y", "p", 1.0, 0.1, 0.1, 0.0, 0.0, {}),
    ]
    (said,) = noise_rows(Score(rows=rows + other))
    assert said == ("end: x", 2, f"{blur:.1f} to {blur:.1f}", "0.500", "1.000", "25.0 %", "50.0 %")


@pytest.mark.slow
def test_bounds_of_figures_are_those_of_fitted_lines_and_arcs():
    """Points in noise along an edge: a line's slope and a short arc's radius scatter as their bounds say."""
    rng, sigma, count = np.random.default_rng(8), 0.01, 200

    def u(_):
        return sigma / math.sqrt(count)

    length = 1.2 / math.cos(math.radians(30.0))
    x = np.linspace(-length / 2.0, length / 2.0, count)
    slopes = [np.degrees(np.polyfit(x, rng.normal(0.0, sigma, count), 1)[0]) for _ in range(2000)]
    assert np.std(slopes) == pytest.approx(bevel(1.2, 30.0)(u), rel=0.05)
    y = np.linspace(-20.0, 20.0, count)
    radii = [-0.5 / np.polyfit(y, -(y**2) / 600.0 + rng.normal(0.0, sigma, count), 2)[0] for _ in range(2000)]
    assert 100.0 * np.std(radii) / 300.0 == pytest.approx(line_radius(300.0, 40.0)(u), rel=0.05)
