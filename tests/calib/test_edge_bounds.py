"""Edge finders beside the Cramer-Rao bound on drawn edges; tests/benchmarks/edge_bounds.py has the whole table."""

import math

import numpy as np
import pytest

from tests.benchmarks.edge_bounds import TARGET, bounds
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
    s, d = math.hypot(blur, math.sqrt(1.0 / 12.0)), 1.2
    expected = 1.153 * (s**2 + d**2) ** 1.5 / d**2.5 / (1.8828 * math.sqrt(s))
    assert found["path", blur].ratio == pytest.approx(expected, rel=0.25)


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
