"""Pictures across the neck, drawn from solids in the backdrop's frame: seeded, fast, ours.

x runs along the card, y up, z from the card to the camera. Crowns fall towards the camera as a round board makes them.
Nothing is taken from the code under test but the markers' layout and the plane's own projection.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from calib.photo import Focal, Photo
from calib.plane import Plane
from calib.scales.printed import BACKDROP_SIZE, DICTIONARY, SHEETS
from inspect_app.reading.ask import Ask, ScaleAsk

FOOT = -BACKDROP_SIZE[1]


@dataclass(frozen=True)
class SideScene:
    """A neck, a card and a camera. Lengths in mm, angles in degrees.

    `behind` is the card behind the string's middle, `inset` the string from the board's edge, `fall` the crowns' slope
    at the card in the card's frame, `under` the string's underside over the card's foot at the first and the last fret,
    `drop` how far each crown lies below the foot, `shade` from where to where over the foot the card's tone falls off
    into a string's soft shadow, and to what share of itself.
    """

    scale_length: float = 640.0
    first: int = 7
    frets: int = 4
    start: float = 8.0
    nut: str = "left"
    behind: float = 1.6
    inset: float = 3.5
    short: float = 0.25
    fall: float = 4.0
    radius: float = 300.0
    width: float = 2.5
    height: float = 1.15
    bevel: float = 30.0
    under: tuple = (1.1, 1.4)
    drop: tuple = ()
    string: float = 0.3
    string_tones: tuple = (70, 250, 40)
    elevation: float = 3.0
    distance: float = 200.0
    focal_px: float = 6600.0
    size: tuple = (3200, 1300)
    card: int = 225
    wood: int = 90
    face: int = 245
    metal: int = 140
    blur: float = 0.9
    noise: float = 1.5
    seed: int = 0
    card_kind: str = "backdrop"
    shade: tuple = ()

    @property
    def sheet(self):
        return SHEETS[self.card_kind]

    @property
    def foot(self):
        return -self.sheet.size[1]

    @property
    def middle(self):
        return self.sheet.size[0] / 2.0

    @property
    def numbers(self):
        return tuple(range(self.first, self.first + self.frets))

    @property
    def places(self):
        """Middles of the frets along the card."""
        x = self.scale_length * (1.0 - 2.0 ** (-np.array(self.numbers) / 12.0))
        away = x - x[0]
        return self.start + away if self.nut == "left" else self.sheet.size[0] - self.start - away

    def crown(self, z, drop=0.0):
        """Height of a crown's top at `z` before the card."""
        return self.foot - drop - np.tan(math.radians(self.fall)) * z - z**2 / (2.0 * self.radius)

    def underside(self, x):
        at = self.places[[0, -1]]
        return self.foot + np.interp(x, np.sort(at), np.array(self.under)[np.argsort(at)]) + _beyond(x, at, self.under)

    def gaps(self):
        drops = self.drop or (0.0,) * self.frets
        return {
            n: float(self.underside(x) - self.crown(self.behind, d))
            for n, x, d in zip(self.numbers, self.places, drops, strict=True)
        }

    def plane(self, over=1):
        e = math.radians(self.elevation)
        camera = np.array([self.middle, self.foot + self.distance * math.tan(e), self.distance])
        forward = np.array([self.middle, self.foot + 8.0, 0.0]) - camera
        forward /= np.linalg.norm(forward)
        right = np.array([1.0, 0.0, 0.0])
        rotation = np.stack([right, np.cross(forward, right), forward])
        centre = [(self.size[0] * over - 1) / 2.0, (self.size[1] * over - 1) / 2.0]
        params = [*cv2.Rodrigues(rotation)[0].ravel(), *(-rotation @ camera), math.log(self.focal_px * over), 0.0]
        u = np.array([3e-4, 3e-4, 1e-4, 0.01, 0.01, 0.5, 2e-3, 1e-3, 1.0, 1.0])
        return Plane(
            np.array([*params, *centre]), np.diag(u**2), 5e-4, 0.05, 80, anchor_mm=(self.middle, self.foot + 12.0)
        )


def _beyond(x, at, under):
    """What a straight string rises beyond the outer frets."""
    lo, hi = np.sort(at)
    slope = (under[1] - under[0]) / (at[1] - at[0])
    return slope * (np.minimum(x - lo, 0.0) + np.maximum(x - hi, 0.0))


def draw_side(scene, over=2):
    """A photo of the scene."""
    plane = scene.plane(over)
    canvas = np.full((scene.size[1] * over, scene.size[0] * over), 60, np.uint8)
    ends = scene.behind + scene.inset - scene.short
    drops = scene.drop or (0.0,) * scene.frets
    _paint(canvas, plane, _strip(scene, np.linspace(-14.0, 0.0, 12)), scene.wood * 3 // 4)
    for x, drop in zip(scene.places, drops, strict=True):
        _paint(canvas, plane, _fret(scene, x, drop, np.linspace(-14.0, 0.0, 12), None), scene.metal // 4)
    _card(canvas, plane, scene)
    edge = scene.behind + scene.inset
    _paint(canvas, plane, _strip(scene, np.linspace(0.0, edge, 12)), scene.wood)
    side = scene.crown(np.array(edge)) - scene.height
    _paint(canvas, plane, np.array([[[-40.0, y, edge], [140.0, y, edge]] for y in (side, side - 6.0)]), 50)
    for x, drop in zip(scene.places, drops, strict=True):
        _paint(canvas, plane, _fret(scene, x, drop, np.linspace(0.0, ends, 24), ends), scene.metal)
        _paint(canvas, plane, _face(scene, x, drop, ends), scene.face)
    _string(canvas, plane, scene)
    return _developed(canvas, scene)


def _strip(scene, z):
    y = scene.crown(z) - scene.height
    return np.stack([np.stack([np.full_like(z, x), y, z], axis=-1) for x in (-40.0, 140.0)], axis=1)


def _arc(scene):
    r = (scene.width**2 / 4.0 + scene.height**2) / (2.0 * scene.height)
    half = math.asin(min(1.0, scene.width / 2.0 / r))
    a = np.linspace(-half, half, 41)
    return r * np.sin(a), scene.height - r + r * np.cos(a)


def _fret(scene, x, drop, z, ends):
    across, up = _arc(scene)
    rows = []
    for at in z:
        back = np.full_like(up, at) if ends is None else np.minimum(at, ends - up * math.tan(math.radians(scene.bevel)))
        rows.append(np.stack([x + across, scene.crown(back, drop) - scene.height + up, back], axis=-1))
    return np.array(rows)


def _face(scene, x, drop, ends):
    across, up = _arc(scene)
    rows = []
    for share in np.linspace(0.0, 1.0, 24):
        high = up * share
        back = ends - high * math.tan(math.radians(scene.bevel))
        rows.append(np.stack([x + across, scene.crown(back, drop) - scene.height + high, back], axis=-1))
    return np.array(rows)


def _paint(canvas, plane, points, tone):
    px = plane.to_px(points.reshape(-1, 3)).reshape(*points.shape[:2], 2)
    for a, b in pairwise(px):
        hull = cv2.convexHull(np.concatenate([a, b]).astype(np.float32))[:, 0]
        cv2.fillConvexPoly(canvas, np.round(hull * 16).astype(np.int32), int(tone), cv2.LINE_8, 4)


def _string(canvas, plane, scene):
    x = np.array([-40.0, 140.0])
    low = scene.underside(x)
    shares = np.linspace(0.0, 1.0, len(scene.string_tones) + 1)
    for tone, a, b in zip(scene.string_tones[::-1], shares[:-1], shares[1:], strict=True):
        rows = [np.stack([x, low + s * scene.string, np.full(2, scene.behind)], axis=-1) for s in (a, b)]
        _paint(canvas, plane, np.array(rows), tone)


def _card(canvas, plane, scene, dots=24):
    w, h = scene.sheet.size
    sheet = np.full((int(h * dots), int(w * dots)), scene.card, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    for m in scene.sheet.markers:
        tile = cv2.aruco.generateImageMarker(dictionary, m.id, int(m.side * dots))
        x, y = round(m.left * dots), round(m.top * dots)
        sheet[y : y + tile.shape[0], x : x + tile.shape[1]] = np.where(tile > 127, scene.card, 12)
    if scene.shade:
        over = h - (np.arange(len(sheet)) + 0.5) / dots
        share = np.interp(over, scene.shade[1::-1], [scene.shade[2], 1.0])
        sheet = np.round(sheet * share[:, None]).astype(np.uint8)
    corners = np.array([[0, 0], [w, 0], [w, -h], [0, -h]], float)
    to = plane.to_px(np.column_stack([corners, np.zeros(4)]))
    at = np.column_stack([corners[:, 0] * dots - 0.5, -corners[:, 1] * dots - 0.5])
    warp = cv2.getPerspectiveTransform(at.astype(np.float32), to.astype(np.float32))
    size = (canvas.shape[1], canvas.shape[0])
    inside = np.zeros_like(canvas)
    cv2.fillConvexPoly(inside, np.round(to * 16).astype(np.int32), 255, cv2.LINE_8, 4)
    warped = cv2.warpPerspective(sheet, warp, size, flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE)
    np.copyto(canvas, warped, where=inside > 127)


def _developed(canvas, scene):
    light = cv2.LUT(canvas, ((np.arange(256) / 255.0) ** 2.2).astype(np.float32))
    light = cv2.resize(light, scene.size, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), scene.blur)
    codes = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055) * 255.0
    noise = np.random.default_rng(scene.seed).normal(0.0, scene.noise, codes.shape)
    gray = np.clip(np.round(codes + noise), 0, 255).astype(np.uint8)
    bgr = np.repeat(gray[:, :, None], 3, axis=2)
    bgr.flags.writeable = False
    return Photo(bgr, f"{scene.seed:064x}", "drawn.png", Focal(scene.focal_px, 0.005, "EXIF"))


def side_ask(scene, **more):
    string = "first" if scene.nut == "left" else "last"
    asked = {"first_fret": scene.first, "string": string, "scale_length": scene.scale_length} | more
    return Ask("side", ScaleAsk(scene.card_kind), **asked)


__all__ = ["FOOT", "SideScene", "draw_side", "side_ask"]
