"""Pictures of a fretted board from above, traced from arcs on a board: seeded, fast, ours.

Every pixel's ray meets the board or a crown, a circular arc; wood is grain darkened towards the frets, metal mirrors a
sky with lamps or, on its steep flanks, the board. Nothing comes from the code under test but the types it is handed.
"""

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calib.photo import Focal, Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.instrument.fretboard import fret_position
from inspect_app.reading.ask import Ask


@dataclass(frozen=True)
class Shot:
    """A board, its light and a camera. Lengths in mm, angles in degrees; `lamps` are (direction, width, strength).

    `others` are (number, crown width) of frets of another wire, `pulled` the numbers of frets that are not there.
    """

    first: int = 5
    last: int = 8
    scale_length: float = 630.0
    width: float = 2.4
    height: float = 1.15
    half_board: float = 22.0
    wood: tuple = (0.05, 0.09, 0.16)
    metal: float = 0.65
    face: float = 0.02
    sky: float = 0.5
    lamps: tuple = ((-28.0, 9.0, 3.0),)
    distance: float = 300.0
    aside: float = 8.0
    px_per_mm: float = 13.0
    size: tuple = (1560, 860)
    blur: float = 0.7
    noise: float = 1.2
    strings: tuple = ()
    nut: bool = False
    others: tuple = ()
    pulled: tuple = ()
    seed: int = 0

    @property
    def radius(self):
        return (self.width**2 / 4.0 + self.height**2) / (2.0 * self.height)

    @property
    def numbers(self):
        return np.array([n for n in range(self.first, self.last + 1) if n not in self.pulled])

    @property
    def middle(self):
        return float(np.mean(fret_position(self.scale_length, [self.first, self.last])))

    @property
    def focal_px(self):
        return self.px_per_mm * self.distance

    def plane(self, above_board):
        """The scale's plane, so far above the board; x along the neck from the middle of the frets, y towards bass."""
        rotation = np.diag([1.0, -1.0, -1.0])
        camera = np.array([self.aside, 0.0, self.distance - above_board])
        rvec = cv2.Rodrigues(rotation)[0].ravel()
        centre = (self.size[0] - 1) / 2.0 + self.aside * self.px_per_mm, (self.size[1] - 1) / 2.0
        params = np.concatenate([rvec, -rotation @ camera, [math.log(self.focal_px), 0.0, *centre]])
        return Plane(params, np.eye(10) * 1e-10, 1e-4, 0.02, 40)


def environment(shot, angle):
    """Light from a direction (rad from the vertical, towards the body positive), (..., 3): wood below the horizon."""
    a = np.degrees(angle)
    light = np.full(a.shape, shot.sky)
    for at, width, strength in shot.lamps:
        light = light + strength * np.exp(-0.5 * ((a - at) / width) ** 2)
    return np.where(np.abs(a)[..., None] < 90.0, light[..., None], np.array(shot.wood))


def draw(shot):
    """The photo of a shot: the camera looks straight down, so that columns are places along the neck."""
    rng = np.random.default_rng(shot.seed)
    over = 2
    w, h = shot.size[0] * over, shot.size[1] * over
    x = ((np.arange(w) + 0.5) / over - 0.5 - (shot.size[0] - 1) / 2.0) / shot.px_per_mm  # on the board
    y = -((np.arange(h) + 0.5) / over - 0.5 - (shot.size[1] - 1) / 2.0) / shot.px_per_mm
    image = _bench_and_wood(shot, x, y, rng)
    for n in shot.numbers:
        own = replace(shot, width=dict(shot.others).get(n, shot.width))
        _metal(own, image, x - _place(shot, n), (shot.aside - x) / shot.distance, y)
    if shot.nut:
        there = np.abs(x - _place(shot, 0) + 2.5) < 2.5
        image[np.ix_(np.abs(y) < shot.half_board, there)] = 0.6
    for s in shot.strings:
        image[np.abs(y - s + 1.2) < 0.4] *= 0.6
        image[np.abs(y - s) < 0.25] = 0.5
    image = cv2.GaussianBlur(image, (0, 0), shot.blur * over)
    small = cv2.resize(image, shot.size, interpolation=cv2.INTER_AREA)
    code = np.where(small <= 0.0031308, 12.92 * small, 1.055 * np.clip(small, 1e-9, 1.0) ** (1 / 2.4) - 0.055) * 255.0
    bgr = np.clip(np.round(code + rng.normal(0, shot.noise, code.shape)), 0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return Photo(bgr, "0" * 64, "drawn", Focal(shot.focal_px, 0.01, "drawn"))


def _place(shot, n):
    return float(fret_position(shot.scale_length, n)) - shot.middle


def _bench_and_wood(shot, x, y, rng):
    shape = (len(y), len(x))
    grain, bench = _blurred_noise(shape, rng, (30, 2), (8, 1)), _blurred_noise(shape, rng, (16, 16), (4, 4))
    nearest = np.min([np.abs(x - _place(shot, n)) for n in shot.numbers], axis=0)
    shade = _shade(shot, nearest).astype(np.float32)
    board = np.abs(y) < shot.half_board + 0.4
    wood = (1.0 + 0.12 * grain[board] / grain.std())[..., None] * np.asarray(shot.wood, np.float32)
    wood[np.abs(y[board]) < shot.half_board] *= shade[:, None]
    image = np.empty((*shape, 3), np.float32)
    image[board], image[~board] = wood, (0.18 * (1.0 + 0.1 * bench[~board] / bench.std()))[..., None]
    return image


def _blurred_noise(shape, rng, sigma, step):
    """White noise blurred by `sigma` (x, y): drawn on every so many columns and rows, and smooth between them."""
    coarse = rng.standard_normal([-(-n // k) for n, k in zip(shape, step[::-1], strict=True)], dtype=np.float32)
    coarse = cv2.GaussianBlur(coarse, (0, 0), sigmaX=sigma[0] / step[0], sigmaY=sigma[1] / step[1])
    return cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC)


def _shade(shot, away):
    """What a fret's shade leaves of the light so far from its centre line."""
    past = np.maximum(away - shot.width / 2.0, 0.0)
    return 1.0 - 0.45 / (1.0 + (past / shot.height) ** 2) ** 1.5


def _metal(shot, image, across, towards, y):
    """Paint one crown where the columns' rays, reaching the board at `across`, drifting `towards` it, meet its arc."""
    r, rise = shot.radius, shot.height - shot.radius
    # nearest crossing of (across + towards z)^2 + (z - rise)^2 = r^2
    a, b, c = 1.0 + towards**2, across * towards - rise, across**2 + rise**2 - r**2
    root = b**2 - a * c
    z = (-b + np.sqrt(np.maximum(root, 0.0))) / a
    cols = np.flatnonzero((root > 0) & (z > 0))
    at, z = (across + towards * z)[cols], z[cols]
    normal = np.arctan2(at, z - rise)
    seen = 2.0 * normal - np.arctan(towards[cols])
    light = shot.metal * np.mean([environment(shot, seen + d) for d in np.radians([-5.0, -2.5, 0.0, 2.5, 5.0])], axis=0)
    wood = np.abs(seen) > math.pi / 2  # mirrored as it lies there: in its own colour and shade
    light[wood] *= _shade(shot, np.abs(at - z * np.tan(seen)))[wood, None]
    left = np.abs(y)[:, None] < shot.half_board - 0.55 * z
    rows = np.abs(y)[:, None] < shot.half_board
    block = image[:, cols]
    block = np.where(rows[..., None], np.where(left[..., None], light, shot.face), block)
    image[:, cols] = block


def scale_of(shot, plane):
    """A scale as `calib` would give it, lying beside the board and covering nothing."""
    y = -shot.half_board - 8.0
    corners = np.array([[-40.0, y, 0.0], [40.0, y, 0.0], [40.0, y - 3.0, 0.0], [-40.0, y - 3.0, 0.0]])
    px = plane.to_px(corners)
    return Scale("strip", px, corners[:, :2], np.full((4, 2), 0.05), 1e-4, px, u_flat_mm=0.0)


def asked(shot, **more):
    """Photo, scale, plane and question of a shot whose scale lies level with the crown tops."""
    plane = shot.plane(shot.height)
    return draw(shot), scale_of(shot, plane), plane, Ask("plan", **{**_known(shot), **more})


def _known(shot):
    return {"scale_length": shot.scale_length, "first_fret": shot.first, "crown_height": shot.height}
