"""Two marked edges: bars of known width, steps and corners drawn, by coverage; and what is refused."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from calib.marked_edges import angle_between, distance_across, distance_between
from shared.errors import OptionError, ScaleError

SIZE = (500, 400)
SIGMA = 1.0


def bar_photo(camera, coded, rng, width_mm, angle, tones=(0.08, 0.6), wedge=0.0):
    """A straight bar on the plane through its origin, its long side at `angle`; blurred by a pixel."""
    x, y = np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float))
    mm = camera.to_mm(np.column_stack([x.ravel(), y.ravel()]))
    along = mm @ [math.cos(angle), math.sin(angle)]
    off = (mm @ [-math.sin(angle), math.cos(angle)]) * camera.px_per_mm((0.0, 0.0))
    half = (width_mm / 2.0 + wedge * along) * camera.px_per_mm((0.0, 0.0))
    inside = ndtr((half - off) / SIGMA) - ndtr((-half - off) / SIGMA)
    dark, ground = tones
    light = (ground + (dark - ground) * inside).reshape(SIZE[::-1])
    return coded(light + rng.normal(0.0, 0.006, light.shape))


def across(camera, angle, reach_mm=0.8, askew=0.0):
    n = np.array([-math.sin(angle + askew), math.cos(angle + askew)])
    ends = camera.to_px(np.column_stack([np.outer([-reach_mm, reach_mm], n), [0.0, 0.0]]))
    return tuple(ends.ravel())


def view(make_camera, tilt=(0.0, 0.0)):
    camera = make_camera(focal_px=12000, size=SIZE, tilt_deg=tilt, look_mm=(0.0, 0.0), distance_mm=240.0)
    return replace(camera, cov=np.diag([1e-8] * 3 + [1e-4] * 3 + [1e-6, 1e-8, 1e-6, 1e-6]))


@pytest.mark.slow
def test_leaves_of_known_thickness_are_read_and_u_covers_the_error(make_camera, coded):
    rng = np.random.default_rng(7)
    camera = view(make_camera)
    z = []
    for k in range(24):
        true, angle = rng.uniform(0.2, 0.9), rng.uniform(0.0, math.pi)
        bright = k % 2
        photo = bar_photo(camera, coded, rng, true, angle, (0.7, 0.1) if bright else (0.08, 0.6))
        q, edges = distance_across(photo, camera, 5e-4, across(camera, angle, askew=rng.normal(0, 0.05)))
        z.append((q.value - true) / q.u)
        assert abs(q.value - true) < 0.004  # a fifth of a pixel
        assert q.u < 0.012
        assert {c.source for c in q.contributions} >= {"edges", "sharpening", "scale", "camera pose and lens"}
        assert len(edges) == 2
    assert np.mean(np.abs(z) < 2.0) == 1.0


def test_what_lies_higher_reads_smaller_on_its_own_plane(make_camera, coded):
    camera = view(make_camera)
    photo = bar_photo(camera, coded, np.random.default_rng(1), 0.5, 0.3)
    low, _ = distance_across(photo, camera, 5e-4, across(camera, 0.3))
    high, _ = distance_across(photo, camera, 5e-4, across(camera, 0.3), height_mm=2.4)
    assert high.value / low.value == pytest.approx(1.0 - 2.4 / 240.0, rel=1e-6)


@pytest.mark.parametrize(
    ("line", "sentence"),
    [((10.0, 10.0, 14.0, 12.0), "too short or leaves"), ((-5.0, 10.0, 60.0, 60.0), "too short or leaves")],
)
def test_a_line_that_cannot_be_is_refused(make_camera, coded, line, sentence):
    camera = view(make_camera)
    photo = bar_photo(camera, coded, np.random.default_rng(1), 0.5, 0.3)
    with pytest.raises(OptionError, match=sentence):
        distance_across(photo, camera, 5e-4, line)


def test_where_there_are_no_two_edges_it_says_so(make_camera, coded):
    camera, rng = view(make_camera), np.random.default_rng(1)
    plain = coded(0.5 + rng.normal(0.0, 0.006, SIZE[::-1]))
    with pytest.raises(ScaleError, match=r"no two clear edges|not parallel"):
        distance_across(plain, camera, 5e-4, (100.0, 100.0, 180.0, 160.0))
    wedge = bar_photo(camera, coded, rng, 0.5, 0.0, wedge=0.1)
    with pytest.raises(ScaleError, match="not parallel"):
        distance_across(wedge, camera, 5e-4, across(camera, 0.0))


def scene_photo(camera, coded, rng, above):
    """Dark where `above` (mm over an outline, at each pixel's x and y in mm) is negative; blurred by a pixel."""
    x, y = np.meshgrid(np.arange(SIZE[0], dtype=float), np.arange(SIZE[1], dtype=float))
    mm = camera.to_mm(np.column_stack([x.ravel(), y.ravel()]))
    light = 0.08 + 0.5 * ndtr(above(mm[:, 0], mm[:, 1]) * camera.px_per_mm((0.0, 0.0)) / SIGMA)
    return coded(light.reshape(SIZE[::-1]) + rng.normal(0.0, 0.006, light.size).reshape(SIZE[::-1]))


def marked(camera, points, rng, slip_px=1.5):
    """Pixels of points on two edges, marked as well as a hand does."""
    px = camera.to_px(np.column_stack([points, np.zeros(4)]))
    return tuple((px + rng.normal(0.0, slip_px, px.shape)).ravel())


@pytest.mark.slow
def test_steps_of_known_height_are_read_and_u_covers_the_error(make_camera, coded):
    rng, camera, z = np.random.default_rng(3), view(make_camera, (3.0, 1.0)), []
    for _ in range(12):
        true = rng.uniform(0.05, 0.4)
        photo = scene_photo(camera, coded, rng, lambda x, y, h=true: y - np.where(x < 0.0, h, 0.0))
        points = [[-2.5, true], [-0.5, true], [0.5, 0.0], [2.5, 0.0]]
        q, _ = distance_between(photo, camera, 5e-4, marked(camera, points, rng))
        z.append((q.value - true) / q.u)
        assert abs(q.value - true) < 0.004
    assert np.mean(np.abs(z) < 2.0) == 1.0


@pytest.mark.slow
def test_corners_of_known_angle_are_read_and_u_covers_the_error(make_camera, coded):
    rng, z = np.random.default_rng(5), []
    for k in range(16):
        camera = view(make_camera, (rng.uniform(-5.0, 5.0), rng.uniform(-3.0, 3.0)))
        true = math.radians(rng.uniform(20.0, 88.0))
        lean = np.array([math.cos(true), math.sin(true)])
        photo = scene_photo(camera, coded, rng, lambda x, y, d=lean: np.maximum(y, d[1] * x + d[0] * y))
        points = [[-2.5, 0.0], [-0.5, 0.0], [0.4 * lean[0], -0.4 * lean[1]], [2.0 * lean[0], -2.0 * lean[1]]]
        q, _ = angle_between(photo, camera, marked(camera, points, rng))
        z.append((q.value - math.degrees(true)) / q.u)
        assert q.unit == "deg"
        assert q.u < 0.2, k
    assert np.mean(np.abs(z) < 2.0) >= 0.9


@pytest.mark.parametrize(
    ("read", "points", "sentence"),
    [
        (angle_between, [[-2.5, 0.0], [-0.5, 0.0], [0.5, 0.0], [2.5, 0.0]], "are parallel"),
        (angle_between, [[-2.5, 0.0], [-2.4, 0.0], [0.5, 0.0], [2.5, 0.0]], "Too little of an edge"),
        (angle_between, [[math.nan, 0.0], [-0.5, 0.0], [0.5, 0.0], [2.5, 0.0]], "outside the photo"),
        (angle_between, [[-2.5, 2.0], [-0.5, 2.0], [0.5, 0.0], [2.5, 0.0]], "no straight edge"),
        (angle_between, [[-2.5, 0.0], [-0.5, 0.0], [0.5, 0.0], [25.0, 0.0]], "outside the photo"),
    ],
)
def test_edges_that_cannot_be_are_refused(make_camera, coded, read, points, sentence):
    camera, rng = view(make_camera), np.random.default_rng(1)
    photo = scene_photo(camera, coded, rng, lambda x, y: y)
    with pytest.raises((OptionError, ScaleError), match=sentence):
        read(photo, camera, marked(camera, points, rng, 0.0))


def test_edges_that_enclose_an_angle_are_no_step(make_camera, coded):
    camera, rng = view(make_camera), np.random.default_rng(1)
    photo = scene_photo(camera, coded, rng, lambda x, y: np.maximum(y, math.sqrt(0.75) * x + 0.5 * y))
    points = [[-2.5, 0.0], [-0.5, 0.0], [0.2, -0.2 * math.sqrt(3.0)], [1.0, -math.sqrt(3.0)]]
    by_hand = marked(camera, points, rng, 0.0)
    assert angle_between(photo, camera, by_hand)[0].value == pytest.approx(60.0, abs=0.2)
    with pytest.raises(ScaleError, match="not parallel"):
        distance_between(photo, camera, 5e-4, by_hand)


@pytest.mark.parametrize(("second", "same"), [([[-2.4, 0.0], [-0.6, 0.0]], True), ([[0.5, 0.0], [2.5, 0.0]], False)])
def test_one_edge_marked_twice_has_no_height_but_a_step_may_be_none(make_camera, coded, second, same):
    camera, rng = view(make_camera), np.random.default_rng(1)
    photo = scene_photo(camera, coded, rng, lambda x, y: y)
    by_hand = marked(camera, [[-2.5, 0.0], [-0.5, 0.0], *second], rng, 0.5)
    if same:
        with pytest.raises(ScaleError, match="on the same edge"):
            distance_between(photo, camera, 5e-4, by_hand)
    else:
        q, _ = distance_between(photo, camera, 5e-4, by_hand)
        assert abs(q.value) < q.expanded
