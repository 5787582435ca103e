"""Boards from straight above with known worn places: wood, lamp, crowns, patches; fast, seeded, ours."""

import math
from dataclasses import dataclass

import cv2
import numpy as np

from calib.edge_response import srgb_codes
from calib.photo import Focal, Photo
from calib.plane import Plane
from inspect_app.instrument.fretboard import fret_position
from inspect_app.measure.plan.crown_edges import CrownFit
from inspect_app.measure.plan.fret_ends import FretEnd
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.measure.plan.frets import EndedFret, FittedEnd
from sample_images.textures import wood

LENGTH = 46.0
CROWN = 2.5


@dataclass(frozen=True)
class Patch:
    """A worn place: fret of its field, middle along the field (share) and along the fret (mm), half axes, mm."""

    fret: int
    share: float
    at: float
    along: float
    across: float
    waves: tuple = ()


@dataclass(frozen=True)
class Worn:
    """A board, its light and its worn places, `tone` times the wood's light there in blue, green, red."""

    first: int = 3
    frets: int = 4
    wood: str = "maple"
    tone: tuple = (0.62, 0.62, 0.62)
    patches: tuple = ()
    soft: float = 0.4
    inlays: bool = False
    inlay_tone: float = 0.6
    shadow: float = 0.0
    glare: float = 0.0
    streaks: float = 0.0
    px_per_mm: float = 12.0
    blur: float = 0.8
    noise: float = 1.5
    seed: int = 0

    @property
    def numbers(self):
        return range(self.first, self.first + self.frets)

    @property
    def places(self):
        return fret_position(640.0, list(self.numbers)) - fret_position(640.0, self.first) + 6.0

    def field(self, fret):
        """Start and length of a field, from foot to foot, mm."""
        k = fret - self.first
        a, b = self.places[k - 1] + CROWN / 2.0, self.places[k] - CROWN / 2.0
        return a, b - a

    @property
    def size(self):
        return round((self.places[-1] + 6.0) * self.px_per_mm), round((LENGTH + 12.0) * self.px_per_mm)


def reach(p, scene, x, y):
    """Distance from a patch's middle, its border being 1."""
    start, room = scene.field(p.fret)
    u, v = (x - start - p.share * room) / p.along, (y - p.at) / p.across
    border = 1.0
    for k, (a, turn) in enumerate(p.waves):
        border = border + a * np.cos((k + 2) * np.arctan2(v, u) + turn)
    return np.hypot(u, v) / border


def _about(p, scene, x, y):
    """Rows and columns beyond which a patch leaves the wood as it is."""
    start, room = scene.field(p.fret)
    border = 1.0 + sum(abs(a) for a, _ in p.waves)
    far = border * max(p.along, p.across) * (1.0 + scene.soft / min(p.along, p.across))
    rows = np.flatnonzero(np.abs(y[:, 0] - p.at) <= far)
    columns = np.flatnonzero(np.abs(x - start - p.share * room) <= far)
    return slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)


def true_share(scene, p):
    """Share of its field that a patch covers, by counting."""
    step = 0.04
    start, room = scene.field(p.fret)
    middle, far = start + p.share * room, 1.3 * max(p.along, p.across)
    x, y = np.meshgrid(
        np.arange(middle - far, middle + far, step), np.arange(max(p.at - far, 0.0), min(p.at + far, LENGTH), step)
    )
    return float((reach(p, scene, x, y) < 1.0).sum() * step**2 / room / LENGTH)


def draw_worn(scene):
    """The photo: treble edge at the bottom, nut at the left."""
    rng = np.random.default_rng(scene.seed)
    w, h = scene.size
    picture = wood(scene.wood, (w / scene.px_per_mm, h / scene.px_per_mm), rng, scene.px_per_mm)[:h, :w, ::-1].copy()
    picture = cv2.resize(picture, (w, h))
    x, y = (np.arange(w) + 0.5) / scene.px_per_mm, (LENGTH + 6.0 - (np.arange(h) + 0.5) / scene.px_per_mm)[:, None]
    if scene.streaks:
        bands = cv2.GaussianBlur(rng.standard_normal((h, w)).astype(np.float32), (0, 0), 60, sigmaY=14)
        picture *= np.exp(scene.streaks * bands / bands.std())[..., None]
    for p in scene.patches:
        near = _about(p, scene, x, y)
        inside = np.clip(
            0.5 + (1.0 - reach(p, scene, x[near[1]], y[near[0]])) * min(p.along, p.across) / scene.soft, 0, 1
        )
        weight = (inside**2 * (3.0 - 2.0 * inside))[..., None]
        picture[near] *= 1.0 - weight * (1.0 - np.array(scene.tone))
    if scene.inlays:
        for n in scene.numbers:
            if n in (3, 5, 7, 9, 12, 15) and n > scene.first:
                start, room = scene.field(n)
                for at in (LENGTH * 0.27, LENGTH * 0.73) if n == 12 else (LENGTH / 2.0,):
                    dot = np.clip((3.0 - np.hypot(x - start - room / 2.0, y - at)) * scene.px_per_mm, 0.0, 1.0)
                    picture += dot[..., None] * (scene.inlay_tone - picture)
    picture *= (1.0 + 0.12 * np.sin(x / 40.0 + scene.seed) - 0.004 * (y - LENGTH / 2.0))[..., None]
    picture += scene.glare * np.exp(-0.5 * ((y - 30.0) / 9.0) ** 2)[..., None]
    for at in scene.places:
        past = x - at - CROWN / 2.0
        if scene.shadow:
            picture *= np.where((past > 0.0) & (past < scene.shadow), 0.45, 1.0)[:, None]
        near = np.maximum(np.abs(x - at) - CROWN / 2.0, 0.0)
        picture *= (1.0 - 0.45 / (1.0 + (near / 0.4) ** 2) ** 1.5)[:, None]
        picture[:, np.abs(x - at) < CROWN / 2.0] = 0.35
    picture[(y[:, 0] < -0.2) | (y[:, 0] > LENGTH + 0.2)] = 0.08
    picture = cv2.GaussianBlur(picture, (0, 0), scene.blur)
    code = srgb_codes(picture)
    bgr = np.clip(np.round(255.0 * code + rng.normal(0.0, scene.noise, code.shape)), 0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return Photo(bgr, f"{scene.seed:064x}", "drawn.png", Focal(4000.0, 0.01, "drawn"))


def frets_of(scene):
    """The frets as the recipe hands them over, with nothing but what the board's wear asks for."""
    w, h = scene.size
    distance = 300.0
    rotation = np.diag([1.0, -1.0, -1.0])
    middle = np.array([w / scene.px_per_mm / 2.0, (h / scene.px_per_mm) / 2.0 - 6.0, distance])
    params = [*cv2.Rodrigues(rotation)[0].ravel(), *(-rotation @ middle), math.log(scene.px_per_mm * distance), 0.0]
    plane = Plane(np.array([*params, (w - 1) / 2.0, (h - 1) / 2.0]), np.eye(10) * 1e-10, 1e-4, 0.02, 40)
    out = []
    for n, at in zip(scene.numbers, scene.places, strict=True):
        frame = FretFrame(
            n,
            plane,
            np.array([at, 0.0]),
            np.array([0.0, 1.0]),
            np.array([1.0, 0.0]),
            0.0,
            LENGTH / 2.0,
            math.inf,
            LENGTH,
        )
        crown = CrownFit(CROWN, 0.0, 0.02, 0.02, (-CROWN / 2.0, CROWN / 2.0), 1.1, True)
        ends = (FittedEnd(FretEnd(a, 0.05)) for a in (0.0, LENGTH))
        out.append(EndedFret(frame, None, None, crown, *ends))
    return tuple(out)


__all__ = ["LENGTH", "Patch", "Worn", "draw_worn", "frets_of", "true_share"]
