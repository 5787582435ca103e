"""Distance of two parallel edges: drawn bars of known width, by coverage, and what is refused."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from calib.parallel_edges import distance_across
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
