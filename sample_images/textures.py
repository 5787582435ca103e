"""What is printed, grown or scratched on the things in a photo, as pictures of linear light (RGB) or height (mm)."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.scales.printed import BACKDROP, BACKDROP_SIZE, DICTIONARY, STRIP, STRIP_SIZE, TONGUE, TONGUE_SIZE, Marker

__all__ = [
    "strip",
    "backdrop",
    "tongue",
    "marker_row",
    "rule",
    "wood",
    "bench",
    "scratches",
    "coin_relief",
    "room",
    "WOODS",
]

Picture = NDArray[np.float32]
PRINT_PX_PER_MM = 60
"""Texels a millimetre of a print: marker cells of 4/3 and 1/2 mm and edges at tenths fall on whole texels."""
_PAPER, _INK = 0.82, 0.035  # reflectance of white card and black toner (common practice, no source)

WOODS: dict[str, tuple[tuple[float, float, float], float]] = {
    "ebony": ((0.030, 0.026, 0.024), 0.30),
    "rosewood": ((0.115, 0.055, 0.036), 0.32),
    "maple": ((0.62, 0.43, 0.25), 0.14),
    "pale": ((0.33, 0.21, 0.12), 0.30),
}
"""Linear reflectance and surface roughness of board woods, chosen by eye."""


def _sheet(size: tuple[float, float], markers: Sequence[Marker]) -> Picture:
    """White card with markers, one channel."""
    k = PRINT_PX_PER_MM
    page = np.full((round(size[1] * k), round(size[0] * k)), _PAPER, np.float32)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    for m in markers:
        side, x, y = round(m.side * k), round(m.left * k), round(m.top * k)
        cells = cv2.aruco.generateImageMarker(dictionary, m.id, side)
        page[y : y + side, x : x + side] = np.where(cells > 127, _PAPER, _INK)
    return page


def _ticks(page: Picture, length: float, long: tuple[float, float, float], from_top: bool, ink: float) -> None:
    """Millimetre graduations along one edge, longer at 5 and at 10 mm."""
    k = PRINT_PX_PER_MM
    for mm in range(int(length) + 1):
        tall = round((long[2] if mm % 10 == 0 else long[1] if mm % 5 == 0 else long[0]) * k)
        x = slice(max(0, mm * k - k // 12), mm * k + k // 12)
        page[(slice(0, tall) if from_top else slice(-tall, None)), x] = ink


def _rgb(page: Picture) -> Picture:
    return np.repeat(page[:, :, None], 3, axis=2)


def strip() -> Picture:
    """The printed strip, with millimetre ticks along its bottom edge."""
    page = _sheet(STRIP_SIZE, STRIP)
    _ticks(page, STRIP_SIZE[0], (1.6, 2.3, 3.2), False, _INK)
    return _rgb(page)


def backdrop() -> Picture:
    """The printed backdrop."""
    return _rgb(_sheet(BACKDROP_SIZE, BACKDROP))


def tongue() -> Picture:
    """The printed tongue."""
    return _rgb(_sheet(TONGUE_SIZE, TONGUE))


def marker_row(top: float, bottom: float) -> Picture:
    """The part of the backdrop between two heights below its top edge: the small-marker row cut out."""
    k = PRINT_PX_PER_MM
    return backdrop()[round(top * k) : round(bottom * k)]


def rule(length: float, width: float) -> Picture:
    """A steel rule: 1 where bare metal, 0 where etched; graduations along the top edge, numbered by centimetres."""
    k = PRINT_PX_PER_MM
    page = np.ones((round(width * k), round(length * k)), np.float32)
    _ticks(page, length, (3.0, 4.2, 5.6), True, 0.0)
    digits = np.full(page.shape, 255, np.uint8)
    for cm in range(1, int(length // 10)):
        at = (round((cm * 10 + 0.5) * k), round(8.6 * k))
        cv2.putText(digits, str(cm), at, cv2.FONT_HERSHEY_DUPLEX, k / 11.0, 0, k // 7, cv2.LINE_AA)
    return page * (digits.astype(np.float32) / np.float32(255.0))


def _smooth_noise(rng: np.random.Generator, shape: tuple[int, int], sigma: tuple[float, float]) -> Picture:
    """Gaussian noise smoothed by (rows, cols), of unit variance; wide smoothing is done on a coarser grid."""
    step = tuple(max(1, int(s / 4)) for s in sigma)
    coarse = (shape[0] // step[0] + 8, shape[1] // step[1] + 8)
    n = rng.standard_normal(coarse, dtype=np.float32)
    smooth = cv2.GaussianBlur(n, (0, 0), sigma[1] / step[1], sigmaY=sigma[0] / step[0])
    fine = cv2.resize(smooth, (coarse[1] * step[1], coarse[0] * step[0]), interpolation=cv2.INTER_CUBIC)
    fine = fine[: shape[0], : shape[1]]
    return np.asarray(fine / fine.std(), dtype=np.float32)


def wood(kind: str, size_mm: tuple[float, float], rng: np.random.Generator, px_per_mm: float = 14.0) -> Picture:
    """A board's surface: long fibres, slow bands of colour and short dark pores; grain along the columns."""
    shape = (round(size_mm[1] * px_per_mm), round(size_mm[0] * px_per_mm))
    base, _ = WOODS[kind]
    contrast, pores = {"maple": (0.10, 0.03), "ebony": (0.14, 0.05), "pale": (0.18, 0.12)}.get(kind, (0.2, 0.16))
    tone = 0.5 * _smooth_noise(rng, shape, (1.2, 80.0)) + 0.5 * _smooth_noise(rng, shape, (14.0, 300.0))
    pore = _smooth_noise(rng, shape, (0.8, 9.0)) > 2.0
    tone = np.exp(contrast * tone) * np.where(pore, 1.0 - 3 * pores, 1.0)
    tint = 1.0 + 0.04 * _smooth_noise(rng, shape, (20.0, 200.0))
    picture = np.stack([base[0] * tone * tint, base[1] * tone, base[2] * tone / tint], -1)
    return np.asarray(np.clip(picture, 0.004, 0.9), dtype=np.float32)


def bench(rng: np.random.Generator) -> Picture:
    """A mat under the instrument: speckled, in a quiet colour."""
    grey = 0.06 + 0.22 * rng.random()
    colour = grey * (1.0 + 0.15 * rng.uniform(-1.0, 1.0, 3))
    tone = np.exp(0.12 * _smooth_noise(rng, (900, 900), (1.5, 1.5)) + 0.15 * _smooth_noise(rng, (900, 900), (60, 60)))
    return np.asarray(np.clip(tone[:, :, None] * colour, 0.01, 0.9), dtype=np.float32)


def scratches(rng: np.random.Generator, used: float, shape: tuple[int, int] = (2400, 160)) -> Picture:
    """Heights, mm, over a crown (rows along the fret): polishing marks, and scratches in number by `used` (0 to 1)."""
    h = 8e-5 * _smooth_noise(rng, shape, (30.0, 1.0)) + 8e-5 * _smooth_noise(rng, shape, (1.0, 12.0))
    for _ in range(round(420 * used)):
        y, x = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        # strings rub along the neck (across the crown) and, when bent, along the fret
        a = rng.normal(0.0, 0.25) + (np.pi / 2 if rng.random() < 0.4 else 0.0)
        reach = rng.uniform(10, 70) if abs(a) < 1 else rng.uniform(20, 300)
        end = (round(x + reach * np.cos(a)), round(y + reach * np.sin(a)))
        cv2.line(h, (round(x), round(y)), end, float(-rng.uniform(2e-4, 1.2e-3)), 1, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(h, (0, 0), 0.8), dtype=np.float32)


def coin_relief(rng: np.random.Generator) -> Picture:
    """Heights, mm, of a coin's face: a raised border and an invented ornament."""
    n = 1200
    v, u = np.mgrid[-1 : 1 : n * 1j, -1 : 1 : n * 1j]
    r, a = np.hypot(u, v), np.arctan2(v, u)
    petals = int(rng.integers(5, 10))
    beads = (r > 0.76) & (r < 0.83) & (np.cos(40 * a) > 0.2)
    h = 0.10 * (r > 0.9) + 0.08 * (r < 0.55 + 0.15 * np.cos(petals * a)) + 0.04 * beads
    return np.asarray(cv2.GaussianBlur(h.astype(np.float32), (0, 0), 5), dtype=np.float32)


def room(rng: np.random.Generator) -> Picture:
    """Surroundings as a latitude-longitude picture (top row straight up): pale ceiling, uneven walls, dark floor."""
    rows, cols = 64, 128
    up = np.linspace(1.0, -1.0, rows)[:, None]
    light = np.where(up > 0.55, 0.9, np.where(up > -0.1, 0.35, 0.12)) * np.ones((1, cols))
    for _ in range(9):  # furniture, shelves, a door: patches the metal can mirror
        r, c, t = int(rng.integers(8, 44)), int(rng.integers(0, cols)), rng.uniform(0.1, 1.8)
        rr, cc = int(rng.integers(4, 14)), int(rng.integers(4, 22))
        light[r : r + rr, np.arange(c, c + cc) % cols] *= t
    soft = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.0)
    tint = 1.0 + 0.06 * rng.uniform(-1.0, 1.0, 3)
    return np.asarray(soft[:, :, None] * tint, dtype=np.float32)
