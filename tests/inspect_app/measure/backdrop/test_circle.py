"""Circle fits: scikit-image, straight lines, coverage. Published examples stand in tests/reference/test_circles.py."""

import math

import numpy as np
import pytest
from skimage.measure import CircleModel

from inspect_app.measure.backdrop.circle import fit_circle


@pytest.mark.filterwarnings("ignore::FutureWarning")
def test_agrees_with_scikit_image_on_a_clean_circle():
    t = np.linspace(0.0, 5.0, 40)
    y, z = 3.0 + 7.0 * np.cos(t), -2.0 + 7.0 * np.sin(t)
    model = CircleModel()
    assert model.estimate(np.column_stack([y, z]))
    fit = fit_circle(y, z)
    assert (*fit.centre, fit.radius) == pytest.approx(model.params, abs=1e-8)


def test_a_straight_line_is_a_circle_of_no_curvature():
    y = np.linspace(-20.0, 20.0, 30)
    fit = fit_circle(y, 0.1 * y + 3.0)
    assert abs(fit.curvature) < 1e-9
    assert float(fit.z(5.0)) == pytest.approx(3.5)
    assert float(fit.slope(0.0)) == pytest.approx(0.1)


@pytest.mark.slow
def test_uncertainty_of_the_curve_covers_its_error():
    rng = np.random.default_rng(5)
    y = np.linspace(-20.0, 20.0, 80)
    inside = []
    for _ in range(200):
        z = np.sqrt(300.0**2 - y**2) - 300.0 + rng.normal(0.0, 0.01, 80)
        fit = fit_circle(y, z, 0.01)
        at = rng.uniform(-20.0, 20.0)
        inside.append(abs(float(fit.z(at)) - (math.sqrt(300.0**2 - at**2) - 300.0)) < 2.0 * fit.u_z(at)[0])
    assert 0.9 < np.mean(inside) < 0.99


def test_two_points_are_too_few():
    with pytest.raises(ValueError, match="three points"):
        fit_circle([0.0, 1.0], [0.0, 0.0])
