"""Pictures with known truth: drawn in linear light, blurred, noisy, coded as sRGB, all from a seed."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.special import erf

from calib.photo import Focal, Photo
from calib.plane import Plane

Vector = NDArray[np.float64]


def as_photo(light: Vector, focal: Focal | None = None) -> Photo:
    """Code linear light 0..1 (H, W) as an 8-bit sRGB photo (IEC 61966-2-1)."""
    v = np.clip(light, 0.0, 1.0)
    codes = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    gray = np.round(codes * 255.0).astype(np.uint8)
    bgr = np.repeat(gray[..., None], 3, axis=2)
    bgr.flags.writeable = False
    return Photo(bgr, "0" * 64, "drawn", focal or Focal(1.3 * light.shape[1], 0.4, "assumed"))


@pytest.fixture(scope="session")
def coded() -> Callable[..., Photo]:
    """`as_photo`."""
    return as_photo


@pytest.fixture(scope="session")
def step_photo() -> Callable[..., Photo]:
    """A straight blurred step through `centre` with its normal at `angle`: dark before it, bright after it."""

    def draw(
        angle: float, sigma: float, noise: float, rng: np.random.Generator, centre: Vector, size: int = 140
    ) -> Photo:
        y, x = np.mgrid[0:size, 0:size].astype(float)
        d = (x - centre[0]) * math.cos(angle) + (y - centre[1]) * math.sin(angle)
        light = 0.1 + 0.6 * 0.5 * (1.0 + erf(d / sigma / math.sqrt(2.0)))
        return as_photo(light + rng.normal(0.0, noise, light.shape))

    return draw


def camera(
    focal_px: float = 2400.0,
    size: tuple[int, int] = (1200, 900),
    tilt_deg: tuple[float, float] = (4.0, -3.0),
    look_mm: tuple[float, float] = (62.0, 20.0),
    distance_mm: float = 290.0,
    roll_deg: float = 1.0,
    k1: float = 0.0,
    centre: tuple[float, float] = (0.0, 0.0),
) -> Plane:
    """A camera of known pose over a plane, looking about at `look_mm` of it, without uncertainty."""
    turn = cv2.Rodrigues(np.radians([*tilt_deg, 0.0]))[0] @ cv2.Rodrigues(np.radians([0.0, 0.0, roll_deg]))[0]
    rotation = turn @ np.diag([1.0, -1.0, -1.0])
    shift = np.array([0.0, 0.0, distance_mm]) - rotation @ [*look_mm, 0.0]
    middle = (np.array(size) - 1) / 2.0 + centre
    params = np.concatenate([cv2.Rodrigues(rotation)[0].ravel(), shift, [math.log(focal_px), k1], middle])
    return Plane(params, np.zeros((10, 10)), 0.0, 0.0, 0)


@pytest.fixture(scope="session")
def make_camera() -> Callable[..., Plane]:
    """`camera`."""
    return camera


def paper(
    layout: Any, sheet: tuple[float, float], x: Vector, y: Vector, spread_mm: float = 0.0, bars: Any = ()
) -> Vector:
    """Reflectance of a printed sheet of markers and black bars at plane points (y up): 0.04 ink, 0.8 paper, 0.25 the
    bench around."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    on = (x >= 0) & (x <= sheet[0]) & (y <= 0) & (y >= -sheet[1])
    out = np.full(x.shape, 0.25)
    out[on] = _print(dictionary, layout, x[on], y[on], spread_mm)
    for left, top, width, height in bars:
        out[(x > left) & (x < left + width) & (y < -top) & (y > -top - height)] = 0.04
    return out


def _print(dictionary: Any, layout: Any, x: Vector, y: Vector, spread_mm: float) -> Vector:
    out = np.full(x.shape, 0.8)
    for m in layout:
        bits = dictionary.generateImageMarker(m.id, 6) > 127
        u, v = (x - m.left) / m.side * 6.0, (-y - m.top) / m.side * 6.0
        grow = spread_mm / m.side * 6.0
        near = (u > -grow) & (u < 6 + grow) & (v > -grow) & (v < 6 + grow)
        white = bits[np.clip(v[near], 0, 5.999).astype(int), np.clip(u[near], 0, 5.999).astype(int)]
        out[near] = np.where(white, 0.8, 0.04)
    return out


def _smooth(plane: Plane, size: tuple[int, int]) -> Callable[[Vector, Vector], tuple[Vector, Vector]]:
    """Plane coordinates on a grid of pixels, by cubic splines through every 24th: exact to nanometres, and quick."""
    u, v = np.arange(-24.0, size[0] + 48, 24), np.arange(-24.0, size[1] + 48, 24)
    mm = plane.to_mm(np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)).reshape(len(v), len(u), 2)
    fx, fy = RectBivariateSpline(v, u, mm[..., 0]), RectBivariateSpline(v, u, mm[..., 1])
    return lambda x, y: (fx(y, x), fy(y, x))


def _slopes(values: Vector) -> tuple[Vector, Vector, Vector]:
    """A smooth grid's values, and their slopes along it and down it, a pixel."""
    down, along = np.gradient(values)
    return values, along, down


@pytest.fixture(scope="session")
def print_photo() -> Callable[..., Photo]:
    """A photo of a printed sheet lying on the plane of a known camera."""

    def draw(  # noqa: PLR0913
        layout: Any,
        sheet: tuple[float, float],
        plane: Plane,
        size: tuple[int, int] = (1200, 900),
        sigma: float = 0.7,
        noise: float = 0.01,
        seed: int = 1,
        over: int = 4,
        spread_mm: float = 0.0,
        hide: tuple[float, float, float, float] | None = None,
        bars: Any = (),
    ) -> Photo:
        w, h = size
        x, y = _smooth(plane, size)(np.arange(w), np.arange(h))
        light = paper(layout, sheet, x, y, spread_mm, bars)
        near = cv2.dilate(light, np.ones((5, 5))) > cv2.erode(light, np.ones((5, 5)))  # what is level stays so
        at, along, down = (np.array([q[near] for q in pair]) for pair in zip(*map(_slopes, (x, y)), strict=True))
        light[near] = 0.0
        for part in itertools.product((np.arange(over) + 0.5) / over - 0.5, repeat=2):
            light[near] += paper(layout, sheet, *(at + part[0] * along + part[1] * down), spread_mm, bars) / over**2
        if hide is not None:
            light[(x > hide[0]) & (x < hide[2]) & (y > hide[1]) & (y < hide[3])] = 0.3
        light = cv2.GaussianBlur(light, (0, 0), sigma)
        rng = np.random.default_rng(seed)
        return as_photo(light + rng.normal(0.0, noise, light.shape), Focal(plane.focal_px, 0.02, "EXIF"))

    return draw
