"""Pictures of one fret with flats of known size: a mirror-like arc of metal under lamps, seen by a known camera.

Each ray of sight is brought to the crown (arc cut by the hollows' floor), reflected there, and looks up the light that
comes from that direction: an even room, lamps with soft edges, a dark board below the horizon. Then blur in light,
grain and noise, and 8-bit sRGB codes.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import cv2
import numpy as np

from calib.photo import Focal, Photo
from calib.plane import Plane
from inspect_app.measure.manual import NOTHING_PLACED, Placed
from inspect_app.measure.plan.flats import FlatFindings, measure_flats, search_flats
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.measure.plan.fret_patch import FretPatch, Sampling, sample_patch
from shared.measured import Measured

MARGIN_MM = 1.6
_SUB = 2


@dataclass(frozen=True)
class Hollow:
    """Wear of depth ``depth (1 - |s|^power)^(2 narrow)``, s from -1 to 1 over `length`, deepest at `place`; mm.

    `lopsided` is by what share of half the length the deepest place lies nearer to the treble end.
    """

    place: float
    length: float
    depth: float
    lopsided: float = 0.0
    power: float = 2.0
    narrow: float = 1.0

    def floor(self, along: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Depth and its slope along the fret."""
        side = (1.0 + np.sign(along - self.place) * self.lopsided) * self.length / 2.0
        s = (along - self.place) / side
        size = np.maximum(np.abs(s), 1e-9)
        g = np.maximum(1.0 - size**self.power, 0.0)
        q = 2.0 * self.narrow
        by_s = -q * g ** (q - 1.0) * self.power * size ** (self.power - 1.0) * np.sign(s)
        return self.depth * g**q, self.depth * by_s / side

    def width(self, radius: float) -> float:
        """Greatest width of its flat: the chord of the arc at its depth."""
        return 2.0 * math.sqrt(2.0 * radius * self.depth - self.depth**2)

    def length_at(self, radius: float, width: float = 0.3) -> float:
        """Length over which its flat is at least `width` wide, found on a fine grid."""
        along = np.linspace(self.place - self.length, self.place + self.length, 40001)
        d = self.floor(along)[0]
        return float(np.sum(2.0 * np.sqrt(2.0 * radius * d - d * d) >= width)) * self.length / 20000.0


@dataclass(frozen=True)
class Lamp:
    """Light from a direction (along, across; degrees from straight up), `size` wide and `soft` at its rim, degrees."""

    along: float
    across: float
    size: float
    power: float
    soft: float = 2.0


@dataclass(frozen=True)
class Scene:
    """One fret, its wear, its light and the camera above it; mm, degrees, linear light."""

    hollows: tuple[Hollow, ...] = ()
    lamps: tuple[Lamp, ...] = (Lamp(5.0, 25.0, 30.0, 2.0),)
    room: float = 0.25
    width: float = 2.4
    height: float = 1.15
    length: float = 30.0
    level: float = 0.0
    rough: float = 4.0
    camera: tuple[float, float, float] = (14.0, 20.0, 330.0)
    px_per_mm: float = 20.0
    blur_px: float = 0.9
    noise: float = 0.004
    grain: float = 0.03
    scratches: float = 0.0
    strings: tuple[float, ...] = ()
    seed: int = 1

    @property
    def radius(self) -> float:
        """Of the crown's arc."""
        return (self.width**2 / 4.0 + self.height**2) / (2.0 * self.height)

    def but(self, **changes: object) -> Scene:
        """The same scene with changes."""
        return dataclasses.replace(self, **changes)


def frame_of(scene: Scene) -> FretFrame:
    """The true frame: plane at the board's level, fret upwards in the picture."""
    focal = scene.px_per_mm * scene.camera[2]
    r = np.diag([1.0, -1.0, -1.0])
    at = np.array([scene.camera[1], scene.camera[0], scene.camera[2]])
    middle = _size(scene) / 2.0
    seen = focal * (r @ (np.array([0.0, scene.length / 2.0, 0.0]) - at))[:2] / scene.camera[2]
    p = np.concatenate([cv2.Rodrigues(r)[0].ravel(), -r @ at, [math.log(focal), 0.0], middle - seen])
    plane = Plane(p, np.zeros((10, 10)), u_rel=0.001, residual_px=0.0, points=0)
    along, across = np.array([0.0, 1.0]), np.array([1.0, 0.0])
    return FretFrame(5, plane, np.zeros(2), along, across, 0.0, scene.length / 2.0, 1e6, scene.length, 0.02)


def _size(scene: Scene) -> np.ndarray:
    return np.round(np.array([2.0 * (scene.width / 2.0 + 1.2), scene.length + 2 * MARGIN_MM]) * scene.px_per_mm)


def photograph(scene: Scene) -> Photo:
    """Take the picture."""
    rng = np.random.default_rng(scene.seed)
    frame = frame_of(scene)
    w, h = (int(v) for v in _size(scene))
    x = (np.arange(w * _SUB) + 0.5) / _SUB - 0.5
    y = (np.arange(h * _SUB) + 0.5) / _SUB - 0.5
    px = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    top = frame.plane.to_mm(px, scene.height).reshape(h * _SUB, w * _SUB, 2)
    light = _scene_light(scene, top[..., 1], top[..., 0], rng)
    light = light.reshape(h, _SUB, w, _SUB).mean(axis=(1, 3))
    light = cv2.GaussianBlur(light, (0, 0), scene.blur_px)
    light = light + rng.normal(0.0, scene.noise, light.shape) * np.sqrt(0.3 + np.clip(light, 0.0, 1.0))
    v = np.clip(light, 0.0, 1.0)
    codes = np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.maximum(v, 1e-9) ** (1 / 2.4) - 0.055) * 255.0
    grey = np.round(codes).astype(np.uint8)
    bgr = np.ascontiguousarray(np.repeat(grey[..., None], 3, axis=2))
    bgr.flags.writeable = False
    return Photo(bgr, "0" * 64, "scene", Focal(1000.0, 0.1, "assumed"))


def patch_of(
    scene: Scene, covers: tuple[np.ndarray, ...] = (), *, height_known: bool = True, photo: Photo | None = None
) -> FretPatch:
    """The picture, or `photo` of it, resampled over the fret, as the plan view hands it on."""
    return sample_patch(
        photo or photograph(scene),
        frame_of(scene),
        covers,
        Measured.of(scene.width, "mm", edge=0.02),
        Measured.of(scene.height, "mm", typed=0.02) if height_known else None,
        Sampling(scene.height if height_known else 1.15, (1.0, scene.width / 2.0 + 0.8)),
    )


def _scene_light(scene: Scene, along: np.ndarray, top: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Light towards the camera from where rays that pass (`along`, `top`) at the crown's height meet the crown."""
    r, (ca, ct, ch) = scene.radius, scene.camera
    floor = np.full(along.shape, scene.level)
    slope = np.zeros(along.shape)
    for hollow in scene.hollows:
        d, s = hollow.floor(along)
        slope = np.where(d > floor, s, slope)
        floor = np.maximum(floor, d)
    t, drop = top, floor
    for _ in range(8):
        arc = r - np.sqrt(np.maximum(r * r - t * t, 1e-9))
        drop = np.maximum(arc, floor)
        t = top - (ct - top) * drop / (ch - scene.height)
    flat = floor >= arc
    normal = np.stack(
        [
            np.where(flat, slope, 0.0),
            np.where(flat, 0.0, t / r),
            np.where(flat, 1.0, np.sqrt(np.maximum(1.0 - (t / r) ** 2, 0.0))),
        ],
        axis=-1,
    )
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    if scene.scratches:
        normal = _scratch(normal, scene, rng)
    view = np.stack([ca - along, ct - t, np.full(t.shape, ch - scene.height)], axis=-1)
    view /= np.linalg.norm(view, axis=-1, keepdims=True)
    mirror = 2.0 * np.sum(normal * view, axis=-1, keepdims=True) * normal - view
    light = _environment(scene, mirror) * (1.0 + scene.grain * _blotches(rng, t.shape))
    light = np.where(np.abs(t) > scene.width / 2.0, 0.06 + 0.02 * _blotches(rng, t.shape), light)
    for at in scene.strings:
        light = np.where(np.abs(along - at) < 0.3, 0.5, light)
    return light


def _scratch(normal: np.ndarray, scene: Scene, rng: np.random.Generator) -> np.ndarray:
    """Tilt the metal by fine scratches along and across."""
    n, m = normal.shape[:2]
    tilt = np.radians(scene.scratches)
    normal = normal.copy()
    normal[..., 0] += tilt * cv2.GaussianBlur(rng.normal(0, 4, (n, 1)), (0, 0), 1.5).reshape(n, 1)
    normal[..., 1] += tilt * cv2.GaussianBlur(rng.normal(0, 4, (1, m)), (0, 0), 1.5).reshape(1, m)
    return normal / np.linalg.norm(normal, axis=-1, keepdims=True)


def _blotches(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    coarse = rng.normal(0.0, 1.0, (shape[0] // 6 + 2, shape[1] // 6 + 2))
    return np.asarray(cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC))


def _environment(scene: Scene, mirror: np.ndarray) -> np.ndarray:
    """Light from each direction: the room above, the dark board below, lamps, all softened by the metal's roughness."""
    up = mirror[..., 2]
    light = scene.room * (0.75 + 0.25 * up) / (1.0 + np.exp(-np.degrees(up) / (2.0 + scene.rough)))
    for lamp in scene.lamps:
        a, t = math.radians(lamp.along), math.radians(lamp.across)
        towards = np.array([math.sin(a), math.sin(t) * math.cos(a), math.cos(t) * math.cos(a)])
        angle = np.degrees(np.arccos(np.clip(mirror @ towards, -1.0, 1.0)))
        light = light + lamp.power / (
            1.0 + np.exp((angle - lamp.size / 2.0) / math.hypot(lamp.soft, scene.rough) * 1.7)
        )
    return np.asarray(light)


def find_flats(patch: FretPatch, placed: Placed = NOTHING_PLACED) -> FlatFindings:
    """Search and measure in one go, with the edges a person placed."""
    return measure_flats(search_flats(patch), placed)
