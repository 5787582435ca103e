"""Hand measurements: right where the pose is known, and off by as much as they say."""

import cv2
import numpy as np
import pytest

from calib.photo import Focal
from calib.pose_fit import fit_plane
from calib.scales.base import Scale
from calib.scales.printed import STRIP
from calib.unflat import heights_covariance
from inspect_app.measure.manual import PLACED_U_PX
from inspect_app.measure.marked_points import measure_by_hand
from shared.errors import OptionError

SIZE = (4000, 3000)
FOCAL_PX = 4200.0
U_REL = 5e-4
TURN, SHIFT = np.array([3.02, 0.05, 0.06]), np.array([-60.0, 20.0, 320.0])
CORNERS = np.vstack([m.corners() for m in STRIP])
TRUTH = {
    "distance": (np.array([[10.0, -40.0], [52.0, -43.0]]), float(np.hypot(42.0, 3.0))),
    "angle": (np.array([[40.0, -60.0], [40.0, -30.0], [70.0, -30.0]]), 90.0),
    "circle": (np.array([[60.0 + 12.0 * np.cos(a), -50.0 + 12.0 * np.sin(a)] for a in np.arange(0.0, 6.0, 0.7)]), 12.0),
}


def seen(xy, height_mm=0.0):
    """Pixels of points on the plane, or over it, by OpenCV's own projection; y up on the plane, down in the picture."""
    camera = np.array([[FOCAL_PX, 0.0, (SIZE[0] - 1) / 2.0], [0.0, FOCAL_PX, (SIZE[1] - 1) / 2.0], [0.0, 0.0, 1.0]])
    px, _ = cv2.projectPoints(np.column_stack([xy, np.zeros(len(xy)) + height_mm]), TURN, SHIFT, camera, np.zeros(4))
    return px.reshape(-1, 2)


def fitted(rng=None):
    """The plane of a strip whose corners are found to 0.05 px and whose print is off by `U_REL`."""
    noise, factor = (rng.normal(0.0, 0.05, CORNERS.shape), 1.0 + rng.normal(0.0, U_REL)) if rng else (0.0, 1.0)
    u = np.full(CORNERS.shape, 0.05)
    image = seen(CORNERS) + noise
    scale = Scale("strip", image, CORNERS * factor, u, U_REL, image[:4], u_flat_mm=0.0)
    return fit_plane(scale, SIZE, Focal(FOCAL_PX, 0.02, "EXIF"))


def marked(kind, rng=None):
    at = TRUTH[kind][0]
    if rng is None:
        return seen(at)
    heights = rng.multivariate_normal(np.zeros(len(at)), heights_covariance(at))
    return seen(at, heights) + rng.normal(0.0, PLACED_U_PX, at.shape)


def as_tuples(points):
    return tuple((float(x), float(y)) for x, y in points)


@pytest.mark.parametrize("kind", TRUTH)
def test_it_reads_the_truth_where_nothing_is_uncertain(kind):
    found = measure_by_hand(fitted(), kind, as_tuples(marked(kind)))
    assert found.value == pytest.approx(TRUTH[kind][1], rel=2e-3)
    assert found.unit == ("deg" if kind == "angle" else "mm")
    assert found.by_hand


@pytest.mark.slow
@pytest.mark.parametrize("kind", TRUTH)
def test_errors_lie_inside_the_stated_uncertainty_as_often_as_they_should(kind):
    rng = np.random.default_rng(11)
    errors, stated = [], []
    for _ in range(60):
        found = measure_by_hand(fitted(rng), kind, as_tuples(marked(kind, rng)))
        errors.append(found.value - TRUTH[kind][1])
        stated.append(found.u)
    inside = np.mean(np.abs(errors) <= 2.0 * np.array(stated))
    assert inside >= 0.85  # of 60 draws at 95.4 %, fewer than 51 inside has a chance under 0.1 % (binomial)
    assert np.std(errors) / np.mean(stated) >= 0.5  # half as wide as stated would be timid by a factor of two


@pytest.mark.parametrize("kind", TRUTH)
def test_contributions_are_named(kind):
    found = measure_by_hand(fitted(), kind, as_tuples(marked(kind)))
    wanted = {"placement", "pose and lens", "level with the scale"} | (set() if kind == "angle" else {"scale"})
    assert {c.source for c in found.contributions} == wanted


def test_a_thing_above_the_scale_reads_smaller_than_it_looks():
    plane, points = fitted(), as_tuples(marked("distance"))
    level = measure_by_hand(plane, "distance", points).value
    raised = measure_by_hand(plane, "distance", points, height_mm=10.0).value
    # by similar triangles a plane 10 mm nearer shows the same pixels for a length shorter by 10 mm / distance
    assert raised / level == pytest.approx(1.0 - 10.0 / plane.distance_mm, rel=5e-3)


def test_three_points_make_an_exact_circle():
    points = as_tuples(marked("circle")[[0, 3, 6]])
    assert measure_by_hand(fitted(), "circle", points).value == pytest.approx(12.0, rel=2e-3)


@pytest.mark.parametrize(
    ("kind", "points", "says"),
    [
        ("distance", ((0.0, 0.0),), "1 points do not make a distance. Mark 2 points."),
        ("angle", ((0.0, 0.0), (9.0, 9.0)), "2 points do not make a angle."),
        ("distance", ((5.0, 5.0), (5.2, 5.0)), "lie on each other"),
        ("distance", ((5.0, 5.0), (float("nan"), 5.0)), "lie on each other"),
        ("circle", ((0.0, 0.0), (900.0, 900.0), (1800.0, 1800.0)), "straight line"),
        ("area", ((0.0, 0.0), (9.0, 9.0)), "no hand measurement 'area'"),
    ],
)
def test_points_that_fix_nothing_are_refused(kind, points, says):
    with pytest.raises(OptionError, match=says):
        measure_by_hand(fitted(), kind, points)
