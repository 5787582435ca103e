"""The viewer's plane geometry, run in the browser and held against NumPy, OpenCV and scikit-image."""

import base64
from itertools import pairwise

import cv2
import numpy as np
import pytest
from skimage.measure import CircleModel

from tests.browser.conftest import ROOT

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SOURCE = (ROOT / "inspect_app" / "ui" / "viewer_assets" / "geom.js").read_bytes()
MODULE = "data:text/javascript;base64," + base64.b64encode(SOURCE).decode()


@pytest.fixture(scope="module")
def geom(chromium):
    page = chromium.new_page()

    def call(name, *args):
        return page.evaluate(
            "async ([module, name, args]) => (await import(module))[name](...args)", [MODULE, name, list(args)]
        )

    yield call
    page.close()


def test_screen_and_photo_are_inverse(geom):
    view = {"s": 0.37, "x": -120.5, "y": 44.25}
    there = geom("toScreen", view, [812.5, 301.75])
    assert geom("toPhoto", view, there) == pytest.approx([812.5, 301.75])


def test_zooming_leaves_the_point_under_the_finger(geom):
    view = {"s": 0.5, "x": 10, "y": 20}
    under = geom("toPhoto", view, [300, 200])
    closer = geom("zoomAt", view, 3, [300, 200], 0.1, 12)
    assert closer["s"] == 1.5
    assert geom("toPhoto", closer, [300, 200]) == pytest.approx(under)
    assert geom("zoomAt", view, 1000, [0, 0], 0.1, 12)["s"] == 12


def test_a_fitted_box_is_centred_and_whole(geom):
    view = geom("fit", [800, 600], [100, 50, 500, 150], 20)
    a, b = geom("toScreen", view, [100, 50]), geom("toScreen", view, [500, 150])
    assert min(*a, 800 - b[0], 600 - b[1]) >= 20 - 1e-9
    assert (a[0] + b[0]) / 2 == pytest.approx(400)


def test_photo_to_millimetres_as_in_opencv(geom):
    src = np.float32([[0, 0], [4000, 30], [3950, 3000], [20, 2980]])
    h = cv2.getPerspectiveTransform(src, np.float32([[0, 0], [310, 0], [310, 230], [0, 230]]))
    points = np.random.default_rng(1).uniform(0, 3000, (20, 2))
    expected = cv2.perspectiveTransform(points[None], h)[0]
    for p, q in zip(points, expected, strict=True):
        assert geom("toPlane", h.ravel().tolist(), p.tolist()) == pytest.approx(q.tolist(), abs=1e-9)


def test_circle_through_three_points_as_in_scikit_image(geom):
    angles = np.array([0.2, 1.9, 4.4])
    points = np.column_stack([30 + 254.0 * np.cos(angles), -12 + 254.0 * np.sin(angles)])
    model = CircleModel.from_estimate(points)
    found = geom("circle", *points.tolist())
    assert found["c"] == pytest.approx(np.asarray(model.center).tolist())
    assert found["r"] == pytest.approx(model.radius)
    assert geom("circle", [0, 0], [1, 1], [2, 2]) is None


@pytest.mark.parametrize("degrees", [20, 30, 35, 90, 150])
def test_angle_at_a_corner(geom, degrees):
    a = np.radians(degrees)
    assert geom("angle", [5, 0], [0, 0], [3 * np.cos(a), 3 * np.sin(a)]) == pytest.approx(degrees)


def test_a_value_follows_its_handles(geom):
    home, slopes = [[10, 20], [40, 20]], [[-0.1, 0.0], [0.1, 0.02]]
    spec = {"kind": "follows", "base": 3.0, "slopes": slopes}
    assert geom("readout", spec, home, home) == pytest.approx(3.0)
    assert geom("readout", spec, home, [[9, 20], [42, 25]]) == pytest.approx(3.0 + 0.1 + 0.2 + 0.1)


def test_a_radius_follows_three_points_as_in_scikit_image(geom):
    home = [[100.0, 150.0], [250.0, 140.0], [400.0, 150.0]]
    now = [[100.0, 150.0], [250.0, 137.0], [400.0, 150.0]]
    was, fitted = (CircleModel.from_estimate(np.array(p)).radius for p in (home, now))
    spec = {"kind": "circle", "base": 254.0, "slopes": []}
    assert geom("readout", spec, home, now) == pytest.approx(254.0 * fitted / was)
    assert geom("readout", spec, home, [[0, 0], [1, 1], [2, 2]]) is None


def test_a_line_bends_along_with_its_anchors(geom):
    line = [[float(i), 0.0] for i in range(11)]
    moved = np.subtract(geom("bent", line, [[2, 0, 4.0], [6, 0, 8.0]]), line)[:, 1]
    assert moved.tolist() == pytest.approx(np.interp(range(11), [2, 6], [4.0, 8.0]).tolist())
    ring = np.subtract(geom("bent", line[:8], [[0, 1.0, 0.0], [4, 0.0, 0.0]], True), line[:8])[:, 0]
    assert ring.tolist() == pytest.approx(np.interp(range(8), [0, 4, 8], [1.0, 0.0, 1.0]).tolist())
    assert geom("bent", line, [], False) == line


def test_a_distance_by_hand_is_told_in_millimetres(geom):
    spec = {"kind": "distance", "H": [0.1, 0, 0, 0, 0.1, 0, 0, 0, 1]}
    assert geom("measured", spec, [[0, 0], [30, 40]]) == pytest.approx(5.0)
    assert geom("measured", spec, [[0, 0]]) is None


def test_distance_from_a_line_of_points(geom):
    square = [[0, 0], [10, 0], [10, 10], [0, 10]]
    assert geom("toLine", square, [-3, 5], False) == pytest.approx(np.hypot(3, 5))
    assert geom("toLine", square, [-3, 5], True) == pytest.approx(3.0)


def inside(points, lo, hi):
    return np.all((points >= np.array(lo) - 1e-9) & (points <= np.array(hi) + 1e-9), axis=1)


@pytest.mark.parametrize("closed", [False, True])
def test_of_a_long_line_only_what_is_in_sight_is_drawn(geom, closed):
    """Held against points sampled densely along random lines: the same share lies in the box, and in the same place."""
    rng, lo, hi = np.random.default_rng(2), [-40, -40], [740, 540]
    for _ in range(8):
        line = rng.uniform(-3000, 3000, (7, 2))
        ends = np.vstack([line, line[:1]]) if closed else line
        dense = np.vstack([a + np.linspace(0, 1, 20001)[:, None] * (b - a) for a, b in pairwise(ends)])
        steps = np.linalg.norm(np.diff(dense, axis=0), axis=1)
        expected = float(steps[inside(dense[:-1], lo, hi) & inside(dense[1:], lo, hi)].sum())
        parts = [np.array(p) for p in geom("clipped", line.tolist(), closed, lo, hi)]
        found = sum(float(np.linalg.norm(np.diff(p, axis=0), axis=1).sum()) for p in parts)
        assert found == pytest.approx(expected, abs=1.5 * len(parts) + 1e-9)  # a cut starts up to a pixel early
        assert all(inside(p, np.array(lo) - 1, np.array(hi) + 1).all() for p in parts)


def test_dashes_stay_with_their_line_when_it_is_cut(geom):
    cut = geom("clipped", [[-1000, 10], [3000, 10]], False, [0, 0], [500, 500], 14)
    assert cut == [[[-1000 + 14 * (1000 // 14), 10], [500, 10]]]


def test_a_line_in_sight_is_left_as_it_is(geom):
    square = [[0, 0], [10, 0], [10, 10], [0, 10]]
    assert geom("clipped", square, False, [-5, -5], [20, 20], 6) == [square]
    assert geom("clipped", square, True, [-5, -5], [20, 20], 6) == [[*square, square[0]]]
    assert geom("clipped", square, True, [30, 30], [40, 40], 6) == []
    assert geom("clipped", [[3, 4]], False, [0, 0], [9, 9]) == [[[3, 4]]]
