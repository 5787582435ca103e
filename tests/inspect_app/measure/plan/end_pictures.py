"""Pictures of one end of a fret from above, traced from the solid: seeded, fast, ours.

Every pixel's ray meets the crown's arc, the bevel's plane, the board or, past the board's edge, what lies below it. The
bevel mirrors what lies before it: a ray from above that meets a face leaning back by the bevel's angle b goes on
outwards at 2 b from straight down, to the board's margin low on the face and to what lies beyond higher up. Nothing
comes from the code under test but the types it is handed. Lengths in mm.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from calib.photo import Focal, Photo
from calib.plane import Plane
from inspect_app.measure.plan.crown_edges import CrownFit
from inspect_app.measure.plan.fret_frame import FretFrame

CLEAR = 1e9


@dataclass(frozen=True)
class End:
    """An end with its foot at `at` along its fret, outwards by `outward`; `camera` is (along, across, above the board).

    `shadow` is the share of light left, and how far from the foot, where the fret shades the board before it.
    `dirt` is how far from the foot matt dirt fills the slot's end, as wide as the fret, and its light by channel.
    `coat` is how wide dirt lies all along the fret's foot, round its end too, and its light by channel.
    `cover` is where a scale begins that covers all beyond (mm along).
    """

    outward: int = -1
    at: float = 0.0
    width: float = 2.5
    height: float = 1.15
    bevel: float = 30.0
    margin: float = 0.3
    wood: tuple = (0.08, 0.14, 0.24)
    beyond: tuple = (0.12, 0.12, 0.12)
    lamp: tuple = (0.3, 0.25, 2.0)
    sky: float = 0.35
    metal: float = 0.65
    shadow: tuple = (1.0, 0.0)
    dirt: tuple = (0.0, (0.0, 0.0, 0.0))
    coat: tuple = (0.0, (0.0, 0.0, 0.0))
    grain: float = 0.06
    camera: tuple = (20.0, 6.0, 300.0)
    px_per_mm: float = 20.0
    blur: float = 0.8
    noise: float = 1.2
    cover: float = CLEAR
    seed: int = 0

    @property
    def radius(self):
        return (self.width**2 / 4.0 + self.height**2) / (2.0 * self.height)


SIZE_MM = (7.0, 15.0)
"""Of the picture, across the fret and along it."""


def plane_of(end):
    """The board's plane, the camera straight above it; x is across the fret and y along it."""
    rotation = np.diag([1.0, -1.0, -1.0])
    camera = np.array([end.camera[1], end.camera[0], end.camera[2]])
    centre = [
        (SIZE_MM[0] / 2.0 + end.camera[1]) * end.px_per_mm,
        (SIZE_MM[1] / 2.0 - (end.camera[0] - end.at)) * end.px_per_mm,
    ]
    focal = end.px_per_mm * end.camera[2]
    rvec = cv2.Rodrigues(rotation)[0].ravel()
    params = np.concatenate([rvec, -rotation @ camera, [math.log(focal), 0.0], centre])
    return Plane(params, np.eye(10) * 1e-10, 1e-4, 0.02, 40)


def frame_of(end):
    """The fret's coordinates on a flat board."""
    along, across = np.array([0.0, 1.0]), np.array([1.0, 0.0])
    return FretFrame(5, plane_of(end), np.zeros(2), along, across, 0.0, 22.0, math.inf, 44.0)


def crown_of(end):
    """The crown as its edges are seen: below half a circle no edge hides behind its own flank."""
    half = end.width / 2.0
    return CrownFit(end.width, 0.0, 0.02, 0.02, (-half, half), end.height, True)


def draw(end):
    """The photo of an end."""
    rng = np.random.default_rng(end.seed)
    over = 2
    n_x, n_y = (round(s * end.px_per_mm) for s in SIZE_MM)
    t = ((np.arange(n_x * over) + 0.5) / over - 0.5) / end.px_per_mm - SIZE_MM[0] / 2.0
    y = end.at - (((np.arange(n_y * over) + 0.5) / over - 0.5) / end.px_per_mm - SIZE_MM[1] / 2.0)
    t, y = np.meshgrid(t, y)
    image = _metal(end, _ground(end, t, y, rng), t, y)
    if end.cover != CLEAR:
        image[end.outward * (y - end.cover) > 0.0] = 0.85
    image = cv2.GaussianBlur(image, (0, 0), end.blur * over)
    small = cv2.resize(image, (n_x, n_y), interpolation=cv2.INTER_AREA)
    code = np.where(small <= 0.0031308, 12.92 * small, 1.055 * np.clip(small, 1e-9, 1.0) ** (1 / 2.4) - 0.055) * 255.0
    bgr = np.clip(np.round(code + rng.normal(0, end.noise, code.shape)), 0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return Photo(bgr, "0" * 64, "drawn", Focal(end.px_per_mm * end.camera[2], 0.01, "drawn"))


def cover_of(end):
    """Outline of the scale that covers the end, in the photo's pixels; none if it is in the clear."""
    if end.cover == CLEAR:
        return ()
    edge = frame_of(end).to_px([end.cover, end.cover], [-SIZE_MM[0], SIZE_MM[0]])
    far = frame_of(end).to_px([end.cover + 30.0 * end.outward] * 2, [SIZE_MM[0], -SIZE_MM[0]])
    return (np.concatenate([edge, far]),)


def _ground(end, t, y, rng):
    """Board with grain along its strings, contact shadow beside the fret, a cast shadow before it; what lies beyond."""
    grain = cv2.GaussianBlur(rng.standard_normal(t.shape), (0, 0), sigmaX=40, sigmaY=3)
    wood = np.array(end.wood) * (1.0 + end.grain * grain / grain.std())[..., None]
    past = np.hypot(np.maximum(np.abs(t) - end.width / 2.0, 0.0), np.maximum(end.outward * (y - end.at), 0.0))
    wood *= (1.0 - 0.4 / (1.0 + (past / 0.3) ** 2))[..., None]
    before = end.outward * (y - end.at)
    shaded = (np.abs(t) < end.width / 2.0) & (before > 0.0) & (before < end.shadow[1])
    wood[shaded] *= end.shadow[0]
    wood[(np.abs(t) < end.width / 2.0) & (before > 0.0) & (before < end.dirt[0])] = end.dirt[1]
    wood[(past > 0.0) & (past < end.coat[0])] = end.coat[1]
    beyond = np.broadcast_to(np.array(end.beyond), wood.shape) * (1.0 + 0.05 * grain / grain.std())[..., None]
    return np.where((before > end.margin)[..., None], beyond, wood)


def _metal(end, image, t, y):
    """Paint crown and bevel where the rays that would reach the board at (y, t) meet them."""
    toward_t, toward_y = ((c - q) / end.camera[2] for c, q in ((end.camera[1], t), (end.camera[0], y)))
    r, rise = end.radius, end.height - end.radius
    # nearer crossing of (t + toward_t z)^2 + (z - rise)^2 = r^2
    a, b, c = 1.0 + toward_t**2, t * toward_t - rise, t**2 + rise**2 - r**2
    root = b**2 - a * c
    z = (-b + np.sqrt(np.maximum(root, 0.0))) / a
    slope = math.tan(math.radians(end.bevel))
    inward = end.outward * (end.at - y)
    on_crown = (root > 0.0) & (z > 0.0) & (inward - end.outward * toward_y * z > slope * z)
    up_face = inward / (slope + end.outward * toward_y)
    on_face = (inward > 0.0) & (root > 0.0) & ~on_crown & (up_face < z)
    normal = np.arctan2(t + toward_t * z, z - rise)
    angle = 2.0 * normal - np.arctan(toward_t)
    at, wide, strong = end.lamp
    sky = end.sky + strong * np.exp(-0.5 * ((angle - at) / wide) ** 2)
    wood = 0.6 * np.array(end.wood)
    crown = end.metal * np.where((np.abs(angle) < math.pi / 2.0)[..., None], sky[..., None], wood)
    # a ray at 2 b from straight down falls cot(2 b) per mm outwards
    fall = 1.0 / math.tan(2.0 * math.radians(end.bevel))
    hit = up_face / fall - slope * up_face  # so far before the foot
    board = np.where((hit < end.coat[0])[..., None], np.array(end.coat[1]), wood)
    face = end.metal * np.where((hit < end.margin)[..., None], board, np.array(end.beyond))
    image = np.where(on_crown[..., None], crown, image)
    return np.where(on_face[..., None], face, image)
