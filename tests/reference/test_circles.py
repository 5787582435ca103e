"""Circle fits by the worked example of Gander, Golub and Strebel, its algebraic fits (Kasa 1976, Pratt 1987, Taubin
1991), the Cramer-Rao bound of a short arc, the sagitta of standard board radii; the numbers stand in circles.toml."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import eig
from skimage.measure import CircleModel

from inspect_app.measure.backdrop.circle import fit_circle

PUBLISHED = tomllib.loads((Path(__file__).parent / "circles.toml").read_text())


def test_gander_golub_strebel_six_points():
    """W. Gander, G. H. Golub, R. Strebel, BIT 34 (1994) 558-578; digits from memory, recomputed."""
    case = PUBLISHED["gander_golub_strebel"]
    fit = fit_circle(case["y"], case["z"])
    assert fit.centre == pytest.approx(case["geometric_centre"], abs=case["digits"])
    assert fit.radius == pytest.approx(case["geometric_radius"], abs=case["digits"])


def algebraic(y, z, constraint):
    """Circle by the least a^T M a under a constraint on a (Pratt 1987, Taubin 1991), points about their mean."""
    y0, z0 = np.mean(y), np.mean(z)
    y, z = np.asarray(y) - y0, np.asarray(z) - z0
    rows = np.column_stack([y**2 + z**2, y, z, np.ones_like(y)])
    values, vectors = eig(rows.T @ rows, constraint(y, z, len(y)))
    kept = np.isfinite(values) & (values.real > -1e-9)
    a, b, c, d = vectors[:, kept][:, np.argmin(values[kept].real)].real
    return -b / (2 * a) + y0, -c / (2 * a) + z0, np.sqrt(b**2 + c**2 - 4 * a * d) / (2 * abs(a))


def pratt(y, z, n):
    return np.array([[0, 0, 0, -2], [0, 1, 0, 0], [0, 0, 1, 0], [-2, 0, 0, 0.0]])


def taubin(y, z, n):
    s = float(np.sum(y**2 + z**2))
    return np.array([[4 * s, 0, 0, 0], [0, n, 0, 0], [0, 0, n, 0], [0, 0, 0, 0.0]])


@pytest.mark.parametrize(("name", "constraint"), [("pratt", pratt), ("taubin", taubin)])
def test_algebraic_fits_of_the_six_points_are_not_ours(name, constraint):
    """Values computed with other libraries (tests/reference/circles.toml): each leaves more distance than ours."""
    case, other = PUBLISHED["gander_golub_strebel"], PUBLISHED["gander_golub_strebel_algebraic"]
    assert algebraic(case["y"], case["z"], constraint) == pytest.approx(other[name], abs=1e-6)
    fit = fit_circle(case["y"], case["z"])
    assert _sum_of_squares(case, (*fit.centre, fit.radius)) == pytest.approx(
        other["geometric_sum_of_squares"], rel=1e-6
    )
    assert _sum_of_squares(case, other[name]) > 1.01 * other["geometric_sum_of_squares"]


@pytest.mark.parametrize("name", ["kasa", "unit_norm"])
def test_the_simplest_algebraic_fits_are_worse_still(name):
    case, other = PUBLISHED["gander_golub_strebel"], PUBLISHED["gander_golub_strebel_algebraic"]
    assert _sum_of_squares(case, other[name]) > 1.1 * other["geometric_sum_of_squares"]


def _sum_of_squares(case, circle):
    y, z, r = circle
    return float(np.sum((np.hypot(np.array(case["y"]) - y, np.array(case["z"]) - z) - r) ** 2))


@pytest.mark.filterwarnings("ignore::FutureWarning")
def test_scikit_image_fits_algebraically_and_reads_the_same_points_smaller():
    case = PUBLISHED["gander_golub_strebel"]
    model = CircleModel()
    assert model.estimate(np.column_stack([case["y"], case["z"]]))
    assert model.params[2] == pytest.approx(case["kasa_radius"], abs=1e-3)
    assert fit_circle(case["y"], case["z"]).radius > model.params[2] + 0.5


@pytest.mark.parametrize(
    ("radius", "fall"), list(zip(PUBLISHED["sagitta"]["radius"], PUBLISHED["sagitta"]["fall"], strict=True))
)
def test_standard_board_radii_from_their_sagitta(radius, fall):
    chord = PUBLISHED["sagitta"]["chord"]
    fit = fit_circle([-chord / 2, 0.0, chord / 2], [-fall, 0.0, -fall])
    assert fit.radius == pytest.approx(radius, rel=1e-6)
    assert float(fit.z(chord / 2)) == pytest.approx(-fall, abs=1e-9)


def test_short_arcs_are_unbiased_and_their_uncertainty_is_the_bound():
    case = PUBLISHED["short_arc"]
    rng = np.random.default_rng(3)
    angle = np.linspace(-0.5, 0.5, case["points"]) * case["chord"] / case["radius"]
    fits = []
    for _ in range(300):
        r = case["radius"] + rng.normal(0.0, case["sigma"], case["points"])
        fits.append(fit_circle(r * np.sin(angle), r * np.cos(angle) - case["radius"]))
    curvature = np.array([f.curvature for f in fits])
    stated = np.array([f.u_curvature for f in fits])
    assert 1.0 / curvature.mean() > 252.5 > case["kasa_mean"]
    assert curvature.std() * case["radius"] ** 2 == pytest.approx(case["u_radius"], rel=0.15)
    inside = np.mean(np.abs(curvature - 1.0 / case["radius"]) < 2.0 * stated)
    assert 0.91 < inside < 0.99
