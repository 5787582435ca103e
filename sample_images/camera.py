"""The camera: where a point is seen, and what a lens, a sensor and a JPEG make of the light that reaches it."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image

__all__ = ["Camera", "Sensor", "develop", "encode"]

Light = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Camera:
    """Position, aim, upward direction, horizontal field of view, one radial term, aperture, size in pixels."""

    position: tuple[float, float, float]
    aim: tuple[float, float, float]
    up: tuple[float, float, float]
    fov_x: float
    k1: float
    aperture_radius: float
    size: tuple[int, int]

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.size[0] / 2.0 / math.tan(math.radians(self.fov_x) / 2.0)

    @property
    def focal_35mm(self) -> int:
        """Equivalent focal length as written to EXIF: by the picture's width, rounded to whole millimetres."""
        return round(18.0 / math.tan(math.radians(self.fov_x) / 2.0))

    @property
    def ideal_size(self) -> tuple[int, int]:
        """Size in pixels of the undistorted picture that holds all the photo shows, with a few pixels to spare."""
        corner = math.hypot(*self.size) / 2.0 / self.focal_px
        grow = 1.0 + 1.5 * abs(self.k1) * corner**2
        return round(self.size[0] * grow) + 8, round(self.size[1] * grow) + 8

    @property
    def matrix(self) -> NDArray[np.float64]:
        """Intrinsic matrix, principal point in the middle of the picture."""
        cx, cy = (self.size[0] - 1) / 2.0, (self.size[1] - 1) / 2.0
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    def project(self, xyz: ArrayLike) -> NDArray[np.float64]:
        """Pixels (N, 2) where points (N, 3) are seen."""
        pos, aim, up = (np.array(v, dtype=float) for v in (self.position, self.aim, self.up))
        forward = (aim - pos) / np.linalg.norm(aim - pos)
        right = np.cross(forward, up)
        right /= np.linalg.norm(right)
        turn = np.array([right, np.cross(forward, right), forward])
        lens = np.array([self.k1, 0.0, 0.0, 0.0])
        points = np.atleast_2d(np.asarray(xyz, dtype=float))
        seen, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], -turn @ pos, self.matrix, lens)
        return np.asarray(seen, dtype=np.float64).reshape(-1, 2)

    def truth(self) -> dict[str, Any]:
        """The camera as written beside a photo."""
        return {
            "fov_x_deg": self.fov_x,
            "k1": self.k1,
            "pos": list(self.position),
            "look": list(self.aim),
            "up": list(self.up),
        }

    @classmethod
    def from_truth(cls, truth: dict[str, Any]) -> Camera:
        """The camera of a truth file."""
        c = truth["camera"]
        width, height = truth["size"]
        return cls(tuple(c["pos"]), tuple(c["look"]), tuple(c["up"]), c["fov_x_deg"], c["k1"], 0.0, (width, height))


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is lost between light and file.

    `blur_px` is the standard deviation of the lens and demosaicing, `shot` and `read` the noise at full and at no
    light, `vignette` the light lost in the corners, `sharpen` the gain of a 1.2 px unsharp mask, `white` the level the
    tone at the percentile `meter` is exposed to.
    """

    blur_px: float = 0.75
    shot: float = 0.008
    read: float = 0.0015
    vignette: float = 0.15
    sharpen: float = 0.5
    white: float = 0.7
    meter: float = 97.0
    quality: int = 90


def develop(light: Light, camera: Camera, sensor: Sensor, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Rendered light of the widened ideal picture to the 8-bit RGB pixels of a photo."""
    # 60 times white: beyond it a highlight's halo no longer grows in the 8-bit picture, and cubic resampling may ring
    bent = np.asarray(cv2.GaussianBlur(_bend(np.minimum(light, 60.0), camera), (0, 0), sensor.blur_px))
    bright = cv2.GaussianBlur(bent.mean(axis=2), (0, 0), 5)
    exposure = np.float32(sensor.white / float(np.percentile(bright[::4, ::4], sensor.meter)))
    bent = bent * (exposure * _vignette(camera, sensor.vignette)[:, :, None])
    sigma = np.sqrt(sensor.shot**2 * np.clip(bent, 0.0, 1.0) + sensor.read**2)
    v = np.clip(bent + sigma * rng.standard_normal(bent.shape, dtype=np.float32), 0.0, 1.0)
    v = np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.power(v, 1 / 2.4) - 0.055)  # IEC 61966-2-1
    v = v + np.float32(sensor.sharpen) * (v - cv2.GaussianBlur(v, (0, 0), 1.2))
    return np.asarray(np.round(np.clip(v, 0.0, 1.0) * 255.0), dtype=np.uint8)


def _bend(light: Light, camera: Camera) -> Light:
    """The ideal, widened picture as the lens shows it: each photo pixel fetches its undistorted place."""
    w, h = camera.size
    rows, cols = light.shape[:2]
    u, v = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    seen = np.stack([u, v], -1).reshape(-1, 1, 2)
    exact = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 1e-9)
    ideal = cv2.undistortPoints(seen, camera.matrix, np.array([camera.k1, 0, 0, 0.0]), None, None, None, exact)
    ideal = ideal.reshape(h, w, 2) * np.float32(camera.focal_px)
    ideal += np.array([(cols - 1) / 2.0, (rows - 1) / 2.0], dtype=np.float32)
    u, v = np.ascontiguousarray(ideal[..., 0]), np.ascontiguousarray(ideal[..., 1])
    return np.asarray(cv2.remap(light, u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)


def _vignette(camera: Camera, amount: float) -> Light:
    w, h = camera.size
    corner = math.hypot(w, h) / 2.0
    u, v = np.meshgrid((np.arange(w) - w / 2.0) / corner, (np.arange(h) - h / 2.0) / corner)
    return np.asarray(1.0 - amount * (u * u + v * v), dtype=np.float32)


def encode(rgb: NDArray[np.uint8], camera: Camera, sensor: Sensor) -> bytes:
    """JPEG bytes with the camera's focal length in EXIF."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Bench", "Sample", 1
    details = exif.get_ifd(0x8769)
    details[0xA405] = camera.focal_35mm
    details[0x9003] = "2026:03:02 10:00:00"
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=sensor.quality, subsampling=0, exif=exif)
    return out.getvalue()
