"""Pictures of scales on a bench beside a board, drawn with a known camera: blur and noise in light, then coded as JPEG.

Shapes are signed distances in millimetres on the scale's plane (positive inside), painted one over the other with
exact coverage of the pixels along their edges, so that a shape's edge lies where it should to a hundredth of a pixel.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.interpolate import RectBivariateSpline

from calib.photo import Focal, Photo, open_photo
from calib.plane import Plane

Field = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Shot:
    """How a scene is photographed; angles in degrees, `distance` in mm, `size` in pixels."""

    size: tuple[int, int] = (1600, 1200)
    focal_px: float = 3900.0
    distance: float = 330.0
    tilt: tuple[float, float] = (3.0, -2.0)
    turn: float = 2.0
    k1: float = -0.03
    shift: tuple[float, float] = (0.0, 0.0)
    blur_px: float = 0.9
    noise: float = 0.008
    seed: int = 1

    def camera(self) -> Plane:
        """The true plane."""
        a, b, c = (math.radians(v) for v in (180.0 + self.tilt[0], self.tilt[1], self.turn))
        rx, ry, rz = (cv2.Rodrigues(np.array(v))[0] for v in ((a, 0, 0), (0, b, 0), (0, 0, c)))
        r = rz @ ry @ rx
        aim = np.array([*self.shift, 0.0])
        t = np.array([0.0, 0.0, self.distance]) - r @ aim
        middle = ((self.size[0] - 1) / 2.0, (self.size[1] - 1) / 2.0)
        p = np.concatenate([cv2.Rodrigues(r)[0].ravel(), t, [math.log(self.focal_px), self.k1], middle])
        return Plane(p, np.zeros((10, 10)), u_rel=0.0, residual_px=0.0, points=0)


@dataclass(frozen=True)
class Bounded:
    """A shape that lies between two corners, x0, y0, x1, y1 in mm: it need not be drawn anywhere else."""

    inside: Field
    corners: tuple[float, float, float, float]

    def __call__(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return self.inside(x, y)


@dataclass(frozen=True)
class Paint:
    """A shape and its colour in linear light, blue, green, red."""

    inside: Field
    colour: tuple[float, float, float]


def photograph(shot: Shot, paints: list[Paint], bench: tuple[float, float, float] = (0.16, 0.15, 0.15)) -> Photo:
    """Draw the paints over a textured bench, in order, and take the picture."""
    rng = np.random.default_rng(shot.seed)
    x, y, scale = _grid(shot)
    light = _texture(shot, rng)[..., None] * np.array(bench, np.float32)
    for p in paints:
        around = _around(p.inside, x, y, scale)
        cover = np.clip(p.inside(x[around], y[around]) * scale[around] + 0.5, 0.0, 1.0).astype(np.float32)
        left, top, width, height = cv2.boundingRect((cover > 0).view(np.uint8))
        here = (slice(top, top + height), slice(left, left + width))
        light[around][here] += cover[here][..., None] * (np.array(p.colour, np.float32) - light[around][here])
    return develop(shot, light, rng)


def _around(shape: Field, x: np.ndarray, y: np.ndarray, scale: np.ndarray) -> tuple[slice, slice]:
    """Rows and columns outside which no pixel touches the shape: all, unless it says where it lies."""
    if not isinstance(shape, Bounded):
        return slice(None), slice(None)
    step, (x0, y0, x1, y1) = 8, shape.corners
    beyond = 2.0 * step / float(scale.min())  # mm: a pixel that it touches is less than this from one looked at
    u, v = x[::step, ::step], y[::step, ::step]
    near = (u > x0 - beyond) & (u < x1 + beyond) & (v > y0 - beyond) & (v < y1 + beyond)
    left, top, width, height = cv2.boundingRect(near.view(np.uint8))
    rows, columns = ((max(0, a - 1) * step, (a + many) * step) for a, many in ((top, height), (left, width)))
    return slice(*rows), slice(*columns)


def develop(shot: Shot, light: np.ndarray, rng: np.random.Generator) -> Photo:
    """Blur, noise, code and compress; the focal length is known to 2 %, as from EXIF, and 1 % off."""
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), shot.blur_px)
    light = np.clip(light + shot.noise * rng.standard_normal(light.shape, np.float32), 0, 1)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    ok, data = cv2.imencode(".jpg", np.rint(codes * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 93])
    assert ok
    photo = open_photo(data.tobytes(), "bench.jpg")
    return dataclasses.replace(photo, focal=Focal(shot.focal_px * 1.01, 0.02, "EXIF"))


def _grid(shot: Shot) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Millimetres on the plane of every pixel, and pixels per millimetre there: every 8 px, then interpolated."""
    w, h = shot.size
    step = 8
    gx, gy = np.arange(0, w + step, step), np.arange(0, h + step, step)
    px = np.stack(np.meshgrid(gx, gy), axis=-1).reshape(-1, 2).astype(float)
    mm = shot.camera().to_mm(px).reshape(len(gy), len(gx), 2)
    # not cv2.remap: it interpolates at thirty-seconds of a cell
    x, y = (RectBivariateSpline(gy, gx, mm[..., k])(np.arange(h), np.arange(w)).astype(np.float32) for k in (0, 1))
    (x_v, x_u), (y_v, y_u) = np.gradient(x), np.gradient(y)
    per = np.sqrt(np.abs(x_u * y_v - x_v * y_u))
    return x, y, 1.0 / per


def _texture(shot: Shot, rng: np.random.Generator) -> np.ndarray:
    """Mottled stone or cloth: noise at three sizes."""
    w, h = shot.size
    out = np.ones((h, w), np.float32)
    for cell, depth in ((5, 0.12), (17, 0.15), (90, 0.25)):
        small = rng.normal(0, depth, (h // cell + 2, w // cell + 2)).astype(np.float32)
        out += cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)
    return np.clip(out, 0.3, 1.9)


# --- shapes --------------------------------------------------------------------------------------------------------


def placed(field: Field, at: tuple[float, float] = (0.0, 0.0), turn: float = 0.0) -> Field:
    """A shape drawn about the origin, turned by degrees and moved."""
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))

    def moved(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return field(c * (x - at[0]) + s * (y - at[1]), -s * (x - at[0]) + c * (y - at[1]))

    if not isinstance(field, Bounded):
        return moved
    x0, y0, x1, y1 = field.corners
    xs, ys = zip(*((c * x - s * y + at[0], s * x + c * y + at[1]) for x in (x0, x1) for y in (y0, y1)), strict=True)
    return Bounded(moved, (min(xs), min(ys), max(xs), max(ys)))


def box(x0: float, y0: float, x1: float, y1: float) -> Field:
    """A rectangle with sharp corners."""
    return Bounded(lambda x, y: np.minimum(np.minimum(x - x0, x1 - x), np.minimum(y - y0, y1 - y)), (x0, y0, x1, y1))


def disc(radius: float) -> Field:
    """A circle."""
    return Bounded(lambda x, y: radius - np.hypot(x, y), (-radius, -radius, radius, radius))


def rounded(width: float, height: float, radius: float) -> Field:
    """A rectangle with round corners."""

    def field(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        dx, dy = np.abs(x) - width / 2 + radius, np.abs(y) - height / 2 + radius
        return radius - np.hypot(np.maximum(dx, 0), np.maximum(dy, 0)) - np.minimum(np.maximum(dx, dy), 0)

    return Bounded(field, (-width / 2, -height / 2, width / 2, height / 2))


def graduations(
    step: float, count: int, lengths: dict[int, float], shortest: float, width: float = 0.18, ragged: float = 0.0
) -> Field:
    """Lines from y = 0 downwards at 0, step, 2 step, …; every k-th has its own length.

    Each is off its place by a normal error of `ragged` mm, always the same for the same number.
    """
    off = np.random.default_rng(7).normal(0.0, ragged, count + 1).astype(np.float32)

    def field(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        n = np.clip(np.rint(x / step), 0, count)
        x = x - off[n.astype(int)]
        length = np.full_like(x, shortest)
        for every, longer in sorted(lengths.items()):
            length = np.where(n % every == 0, longer, length)
        return np.minimum(width / 2 - np.abs(x - n * step), np.minimum(-y, y + length))

    return field


def board(top: float, width: float = 48.0, frets: tuple[float, ...] = (-60.0, -24.0, 10.0, 42.0)) -> list[Paint]:
    """A dark board with its upper edge at y = `top` + `width`, frets, and two inlay dots."""
    out = [Paint(box(-400, top, 400, top + width), (0.03, 0.045, 0.07))]
    out += [Paint(box(f - 1.3, top + 0.5, f + 1.3, top + width - 0.5), (0.55, 0.56, 0.58)) for f in frets]
    out += [Paint(placed(disc(3.2), (f, top + width / 2)), (0.8, 0.8, 0.8)) for f in (-42.0, 26.0)]
    return out


MM_RULE = ({5: 4.0, 10: 5.6}, 2.8)
HALF_MM_RULE = ({2: 3.4, 10: 4.4, 20: 5.6}, 2.2)
INCH_RULES = {
    16: ({2: 3.4, 4: 4.4, 8: 5.6, 16: 7.4}, 2.4),
    32: ({2: 2.8, 4: 3.6, 8: 4.6, 16: 5.8, 32: 7.4}, 2.0),
    64: ({2: 2.2, 4: 2.8, 8: 3.6, 16: 4.6, 32: 5.8, 64: 7.4}, 1.6),
}


def rule(
    step: float = 1.0,
    pattern: tuple[dict[int, float], float] = MM_RULE,
    length: float = 150.0,
    dark: bool = False,
    ragged: float = 0.004,
) -> list[Paint]:
    """A steel rule with its ticked edge on y = 0, body below, from x = -length / 2: put it with `place_all`."""
    steel, ink = ((0.05, 0.05, 0.05), (0.55, 0.55, 0.55)) if dark else ((0.6, 0.62, 0.62), (0.03, 0.03, 0.03))
    marks = graduations(step, round(length / step), *pattern, ragged=ragged)
    out = [
        Paint(box(-length / 2 - 6, -19, length / 2 + 6, 0), steel),
        Paint(placed(marks, (-length / 2, 0.0)), ink),
    ]
    if step == 1.0:
        out.append(Paint(placed(numerals(10.0, int(length // 10), -7.8), (-length / 2, 0.0)), ink))
    return out


def coin(diameter: float, face: tuple[float, float, float] = (0.38, 0.42, 0.45)) -> list[Paint]:
    """A coin about the origin: raised border, a dark groove inside it, marks on its face."""
    dull, bright = (tuple(k * c for c in face) for k in (0.6, 1.35))
    border = 0.93 * diameter / 2.0
    out = [Paint(disc(diameter / 2.0), face), Paint(disc(border), dull), Paint(disc(border - 0.2), face)]
    for k in range(9):
        out.append(Paint(placed(box(-2.5, -0.25, 2.5, 0.25), (1.5 * (k % 3) - 2, k / 2 - 2), 40.0 * k), bright))
    return out


def bank_card(face: tuple[float, float, float] = (0.5, 0.22, 0.1)) -> list[Paint]:
    """An ID-1 card about the origin, with a print of the card's own shape on it."""
    return [
        Paint(rounded(85.60, 53.98, 3.18), face),
        Paint(placed(box(-15.0, -9.46, 15.0, 9.46), (14.0, 6.0)), (0.75, 0.75, 0.7)),
        Paint(placed(box(-20.0, -2.0, 20.0, 2.0), (-12.0, -17.0)), (0.05, 0.05, 0.05)),
    ]


def place_all(paints: list[Paint], at: tuple[float, float], turn: float = 0.0) -> list[Paint]:
    """All of these moved together."""
    return [Paint(placed(p.inside, at, turn), p.colour) for p in paints]


def length_errors(true: Plane, fitted: Plane, reach: float = 40.0) -> np.ndarray:
    """Relative errors of lengths in six directions and places within `reach` mm of the origin of the true plane."""
    ends = reach * np.array(
        [
            [[-1, 0], [1, 0]],
            [[0, -1], [0, 1]],
            [[-1, 1], [0, 1]],
            [[0, 1], [1, 1]],
            [[-1, 0.5], [-1, 1]],
            [[1, 0.5], [1, 1]],
        ]
    )
    px = true.to_px(np.column_stack([ends.reshape(-1, 2), np.zeros(12)]))
    seen = lengths(fitted, px)
    return seen / np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) - 1.0


def lengths(plane: Plane, px: np.ndarray) -> np.ndarray:
    """Lengths in mm of pairs of pixels (2 N, 2) on a plane."""
    mm = plane.to_mm(px).reshape(-1, 2, 2)
    return np.linalg.norm(mm[:, 1] - mm[:, 0], axis=1)


def numerals(step_mm: float, count: int, at_y: float, height: float = 2.0) -> Field:
    """Numbers 1, 2, 3, … centred `at_y` beside every tenth graduation from x = 0; drawn at 20 px to the millimetre."""
    per = 20
    w, h = int((count + 1) * step_mm * per), int(2 * height * per)
    sheet = np.zeros((h, w), np.uint8)
    for k in range(1, count + 1):
        (tw, th), _ = cv2.getTextSize(str(k), cv2.FONT_HERSHEY_SIMPLEX, height * per / 22, 4)
        at = (int(k * step_mm * per - tw / 2), int((h + th) / 2))
        cv2.putText(sheet, str(k), at, cv2.FONT_HERSHEY_SIMPLEX, height * per / 22, 255, 4, cv2.LINE_AA)
    soft = cv2.GaussianBlur(sheet, (0, 0), 1.5).astype(np.float32) / 255.0 - 0.5

    def field(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        u, v = x * per, (at_y - y) * per + h / 2
        f = cv2.remap(soft, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR, borderValue=-0.5)
        return f * 0.2

    return field
