"""A neck cut out of a sample photo and laid on a drawn bench, as any camera would see it: its frets' places are known.

Crown tops and board are taken for one plane, level with the crowns, so that a homography shows it from anywhere.
"""

import json
import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from calib.photo import Focal, Photo
from calib.plane import Plane
from sample_images.camera import Camera

SAMPLES = Path(__file__).parents[4] / "sample_images"
LEVEL_MM = 1.1  # about a crown height over the board
BESIDE_MM = 2.0  # of the bench beside the neck, cut out with it


@dataclass(frozen=True)
class Bench:
    """A photo of a neck on a bench. `share` of the photo's height is the neck's; angles in degrees.

    `tilt` is how the camera leans about the neck, and along it; `askew` how the neck is turned in the picture.
    """

    sample: str = "intake-plan-6"
    share: float = 0.15
    tilt: tuple = (0.0, 0.0)
    askew: float = 0.0
    nut_right: bool = False
    size: tuple = (1600, 1200)
    seed: int = 0

    @property
    def truth(self):
        return json.loads((SAMPLES / f"{self.sample}.json").read_text(encoding="utf-8"))

    @property
    def camera(self):
        frets = self.truth["frets"]
        x = np.mean([f["x"] for f in frets])
        middle = np.mean([f["y_treble"] + f["y_bass"] for f in frets]) / 2.0
        width = np.mean([f["y_bass"] - f["y_treble"] for f in frets])
        distance = 400.0
        about, along = np.radians(self.tilt)
        turn = math.radians(self.askew) + (math.pi if self.nut_right else 0.0)
        side = np.array([math.sin(along), -math.sin(about)])
        aim = np.array([x, middle, LEVEL_MM])
        away = distance * np.array([*side, math.sqrt(1.0 - side @ side)])
        focal = self.share * self.size[1] * distance / width
        fov = math.degrees(2.0 * math.atan(self.size[0] / 2.0 / focal))
        return Camera(tuple(aim + away), tuple(aim), (math.sin(turn), math.cos(turn), 0.0), fov, 0.0, 0.0, self.size)

    @property
    def plane(self):
        """The plane level with the crowns, its axes those of the truth."""
        camera, turn = self.camera, rotation(self.camera)
        shift = -turn @ (np.array(camera.position) - [0.0, 0.0, LEVEL_MM])
        centre = camera.matrix[:2, 2]
        params = [*cv2.Rodrigues(turn)[0].ravel(), *shift, math.log(camera.focal_px), 0.0, *centre]
        return Plane(np.array(params), 1e-10 * np.eye(10), 1e-4, 0.02, 40)

    def frets_px(self):
        """Treble end, middle, bass end of the frets whole in the sample and here, (n, 3, 2); their numbers."""
        taken, found, numbers = Camera.from_truth(self.truth), [], []
        for f in self.truth["frets"]:
            y = [f["y_treble"], (f["y_treble"] + f["y_bass"]) / 2.0, f["y_bass"]]
            at = np.column_stack([np.full(3, f["x"]), y, np.full(3, LEVEL_MM)])
            seen = [(c.project(at), np.array(c.size)) for c in (taken, self.camera)]
            if all(np.all((px > 4.0) & (px < size - 5.0)) for px, size in seen):
                found.append(seen[1][0])
                numbers.append(f["n"])
        return np.array(found), numbers

    def photo(self):
        back = clutter(self.seed, self.size)
        shown, mask = _seen_from(self)
        alpha = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.8)[..., None]
        rng = np.random.default_rng(self.seed)
        mixed = shown * alpha + back * (1.0 - alpha) + rng.normal(0.0, 1.0, (*mask.shape, 1))
        picture = np.clip(np.round(mixed), 0, 255).astype(np.uint8)
        return Photo(picture, "0" * 64, "bench.jpg", Focal(self.camera.focal_px, 0.01, "EXIF"))


def rotation(camera):
    """World to camera, shape (3, 3)."""
    position, aim, up = (np.array(v, dtype=float) for v in (camera.position, camera.aim, camera.up))
    forward = (aim - position) / np.linalg.norm(aim - position)
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    return np.array([right, np.cross(forward, right), forward])


def _seen_from(bench):
    """The sample as the bench's camera sees it, and where it shows the neck."""
    camera, truth = bench.camera, bench.truth
    u, v = np.meshgrid(np.arange(bench.size[0], dtype=float), np.arange(bench.size[1], dtype=float))
    on_sensor = np.stack([u, v, np.ones_like(u)], -1) @ np.linalg.inv(camera.matrix).T
    rays = on_sensor @ rotation(camera)
    there = (LEVEL_MM - camera.position[2]) / rays[..., 2]
    x, y = (camera.position[k] + there * rays[..., k] for k in (0, 1))
    taken = Camera.from_truth(truth)
    px = taken.project(np.stack([x.ravel(), y.ravel(), np.full(x.size, LEVEL_MM)], 1))
    px = px.reshape(*x.shape, 2).astype(np.float32)
    step = float(np.linalg.norm(px[u.shape[0] // 2, 1] - px[u.shape[0] // 2, 0]))
    source = _sample(bench.sample)
    soft = cv2.GaussianBlur(source, (0, 0), 0.45 * step) if step > 1.2 else source
    shown = cv2.remap(soft, px[..., 0], px[..., 1], cv2.INTER_LINEAR).astype(np.float32)
    at = [f["x"] for f in truth["frets"]]
    low, high = (np.polyval(np.polyfit(at, [f[k] for f in truth["frets"]], 1), x) for k in ("y_treble", "y_bass"))
    inside = np.all((px > 2.0) & (px < np.array(taken.size) - 3.0), axis=2)
    return shown, inside & (there > 0.0) & (y > low - BESIDE_MM) & (y < high + BESIDE_MM)


@cache
def _sample(name):
    picture = cv2.imread(str(SAMPLES / f"{name}.jpg"))
    assert picture is not None
    return picture


def clutter(seed, size):
    """A bench with boxes, blades and a striped cloth on it, shape (height, width, 3), 0 to 255."""
    rng = np.random.default_rng(seed)
    width, height = size
    grain = cv2.resize(rng.normal(0.0, 6.0, (height // 2, 12)), size, interpolation=cv2.INTER_CUBIC)
    bench = np.full((height, width, 3), (90.0, 130.0, 160.0)) + grain[..., None]
    for _ in range(25):
        centre, extent = rng.uniform((0, 0), size), rng.uniform(20, 260, 2)
        box = cv2.boxPoints((tuple(centre), tuple(extent), float(rng.uniform(0, 180))))
        cv2.fillPoly(bench, [np.round(box).astype(np.int32)], tuple(rng.uniform(20, 235, 3)))
    for _ in range(12):
        ends = rng.uniform((0, 0), size, (2, 2)).round().astype(int)
        cv2.line(bench, tuple(ends[0].tolist()), tuple(ends[1].tolist()), tuple(rng.uniform(20, 235, 3)), 3)
    x0, y0 = (rng.uniform((0, 0), size) * 0.7).astype(int)
    cloth = bench[y0 : y0 + height // 5, x0 : x0 + width // 4]
    cloth += 50.0 * np.sign(np.sin(np.arange(cloth.shape[1]) / rng.uniform(3.0, 9.0)))[None, :, None]
    return cv2.GaussianBlur(np.clip(bench, 0.0, 255.0), (0, 0), 0.8)
