"""The light across the foot of a crown, drawn from a cross-section: what the edge finder learns from.

A fret is a prism across the neck: a mirror-like arc on a matt board, under lamps and in a room which are known by their
direction across the fret alone. The board is lit by what it sees past the arc and by what the arc mirrors onto it; the
arc mirrors room, lamps and the board beside it through facets tilted as in Trowbridge and Reitz (1975), "Average
irregularity representation of a rough surface for ray reflection". Then comes a camera: pixels, blur, sharpening and
noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Section", "DrawnEdge", "draw_section", "light_across", "photographed", "draw_edges"]

Floats = NDArray[np.float64]
Rng = np.random.Generator

_SKY = np.radians(np.linspace(-89.0, 89.0, 90))
"""Directions a board sees, from the vertical, positive away from the fret."""
_WIDE = float(_SKY[1] - _SKY[0])
_GRID_MM = 0.01
_INSIDE_MM, _OUTSIDE_MM = 1.9, 2.6
_TILTS = 37
DARK = 0.003
"""Added to linear light before its logarithm, as the edge finder does."""


@dataclass(frozen=True)
class Section:
    """A fret's cross-section, its light and its sight; lengths in mm, angles in rad, light in any unit.

    `view` is the line of sight's angle from the vertical, positive when the camera is on this edge's side. `room` and
    `lamps` are the light from each of `_SKY`'s directions. `mirror` and `rough` are the metal's; the board scatters
    `albedo` and mirrors `gloss`, as widely as `gloss_rough` says. A lamp is shown by facets that lean `lamp_tilt` +-
    `lamp_reach` along the fret. `far` is how dark the board is where other frets hide it.
    """

    width: float
    height: float
    view: float
    room: Floats
    lamps: Floats
    mirror: float
    rough: float
    albedo: float
    gloss: float
    gloss_rough: float
    lamp_tilt: float
    lamp_reach: float
    far: float

    @property
    def radius(self) -> float:
        """Of the crown's arc."""
        return (self.width**2 / 4.0 + self.height**2) / (2.0 * self.height)

    @property
    def rise(self) -> float:
        """Height of the arc's centre above the board."""
        return self.height - self.radius

    @property
    def foot(self) -> float:
        """Angle of the arc's normal at the board from the vertical."""
        return math.acos(max(-1.0, min(1.0, -self.rise / self.radius)))

    @property
    def seen(self) -> float:
        """Where the edge is seen, mm from the centre line at board level: the foot, or the arc that hides it."""
        if math.pi / 2.0 + self.view < self.foot:
            return self.radius / math.cos(self.view) - self.rise * math.tan(self.view)
        return self.width / 2.0


def draw_section(rng: Rng) -> Section:
    """A fret, lamps, room and sight as they may come (ranges: common practice, no source)."""
    room, lamps = _room(rng), _lamps(rng)
    if lamps.any():
        share = rng.uniform(0.25, 0.97)  # of the light on the board that is the lamps'
        lamps = lamps * share / (1.0 - share) * _on_board(room) / _on_board(lamps)
    return Section(
        width=rng.uniform(1.9, 3.05),
        height=rng.uniform(0.85, 1.42),
        view=math.radians(rng.uniform(-17.0, 17.0)),
        room=room,
        lamps=lamps,
        mirror=rng.uniform(0.4, 0.75),  # tarnished to polished nickel silver, steel and bronze
        rough=math.exp(rng.uniform(math.log(0.025), math.log(0.2))),
        albedo=math.exp(rng.uniform(math.log(0.02), math.log(0.7))),  # ebony to maple
        gloss=rng.choice([0.0, 0.04]) * rng.uniform(0.3, 1.5),  # 0.04: a refractive index of 1.5, seen from above
        gloss_rough=rng.uniform(0.1, 0.4),
        lamp_tilt=rng.uniform(0.0, 0.27),
        lamp_reach=rng.uniform(0.03, 0.2),
        far=rng.uniform(0.4, 1.0),
    )


def _room(rng: Rng) -> Floats:
    """Ceiling, two walls, some furniture, and the dark back of a camera overhead."""
    deg = np.degrees(_SKY)
    light = np.full(len(deg), rng.uniform(0.3, 1.2))
    light[deg < -rng.uniform(25.0, 75.0)] = rng.uniform(0.05, 1.0)
    light[deg > rng.uniform(25.0, 75.0)] = rng.uniform(0.05, 1.0)
    for _ in range(int(rng.integers(0, 5))):
        light[np.abs(deg - rng.uniform(-90.0, 90.0)) < rng.uniform(4.0, 25.0)] *= rng.uniform(0.2, 1.8)
    if rng.random() < 0.7:
        light[np.abs(deg - rng.uniform(-8.0, 8.0)) < rng.uniform(5.0, 14.0)] = 0.03
    return _smoothed(light, rng.uniform(0.25, 2.0))


def _lamps(rng: Rng) -> Floats:
    """Overhead, a window, a raking lamp, one on either side, or none; places and half widths in degrees."""
    side = rng.choice([-1.0, 1.0])
    kind = rng.choice(["overhead", "window", "rake", "two", "none"], p=[0.22, 0.22, 0.22, 0.24, 0.10])
    places = {
        "overhead": [(rng.uniform(-22.0, 22.0), rng.uniform(8.0, 24.0), 1.0)],
        "window": [(side * rng.uniform(42.0, 72.0), rng.uniform(10.0, 26.0), 1.0)],
        "rake": [(side * rng.uniform(50.0, 78.0), rng.uniform(2.5, 9.0), 1.0)],
        "two": [
            (rng.uniform(25.0, 58.0), rng.uniform(3.0, 11.0), 1.0),
            (-rng.uniform(25.0, 58.0), rng.uniform(3.0, 11.0), rng.uniform(0.5, 1.6)),
        ],
        "none": [],
    }
    light = np.zeros(len(_SKY))
    for at, half, strength in places[str(kind)]:
        edge = np.clip((half - np.abs(np.degrees(_SKY) - at)) / 2.0 + 0.5, 0.0, 1.0)
        light += strength / half / max(math.cos(math.radians(min(abs(at), 80.0))), 0.2) * edge
    return light


def _smoothed(y: Floats, sigma: float) -> Floats:
    reach = math.ceil(4.0 * sigma)
    k = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(np.convolve(np.pad(y, reach, mode="edge"), k / k.sum(), "valid"))


def _on_board(light: Floats) -> float:
    """What an open board gets, over what it would get from a sky of light 1."""
    return float(np.sum(light * np.cos(_SKY))) * _WIDE / 2.0


def light_across(s: Section) -> tuple[Floats, Floats]:
    """Places across from the seen edge (mm, outwards positive, 0.01 mm apart) and the light seen there."""
    at = np.arange(-round(_INSIDE_MM / _GRID_MM), round(_OUTSIDE_MM / _GRID_MM) + 1) * _GRID_MM
    off, seen = _board(s)
    light = np.interp(at + s.seen - s.width / 2.0, off, seen)
    inside = at <= 0.0
    places = np.concatenate([np.arange(-_INSIDE_MM, -0.4, 4.0 * _GRID_MM), at[inside & (at >= -0.4)]])
    light[inside] = np.interp(at[inside], places, _metal(s, places + s.seen, off, seen))
    return at, light


def _board(s: Section) -> tuple[Floats, Floats]:
    """Places beside the foot (mm from it), and the board's light there as the camera sees it."""
    off = np.concatenate(
        [np.linspace(0.002, 0.3, 30, endpoint=False), np.linspace(0.3, 2.6, 60), [4.0, 7.0, 12.0, 25.0]]
    )
    x, sin, cos = (s.width / 2.0 + off)[:, None], np.sin(_SKY), np.cos(_SKY)
    b = x * sin - s.rise * cos
    root = b**2 - (x**2 + s.rise**2 - s.radius**2)
    t = -b - np.sqrt(np.maximum(root, 0.0))
    # by how much the rays of a direction's whole width pass under the arc's outline
    deep = (s.radius - np.sqrt(np.maximum(s.radius**2 - root, 0.0))) / (np.maximum(-b, 1e-9) * _WIDE)
    hidden = np.where((b < 0.0) & (t * cos > 0.0), np.clip(0.5 + deep, 0.0, 1.0), 0.0)
    normal = np.arctan2(x + t * sin, t * cos - s.rise)
    on = _wrapped(2.0 * normal - (_SKY - math.pi))  # where the arc mirrors to
    open_board = s.albedo * _on_board(s.room + s.lamps)

    def coming(sky: Floats) -> Floats:
        mirrored = s.mirror * np.where(np.abs(on) < math.pi / 2.0, np.interp(on, _SKY, sky), open_board)
        return sky + hidden * (mirrored - sky)

    matt = s.albedo * np.sum(coming(s.room + s.lamps) * cos, axis=1) * _WIDE / 2.0
    steep = np.tan((_SKY + s.view) / 2.0)
    lobe = (1.0 + (steep / s.gloss_rough) ** 2) ** -1.5
    sky = coming(s.room + s.lamps * _shown(s, s.gloss_rough, steep))
    gloss = s.gloss * np.sum(sky * lobe, axis=1) / lobe.sum()
    return off, np.asarray(matt + gloss)


def _wrapped(angle: Floats) -> Floats:
    return np.asarray((angle + math.pi) % (2.0 * math.pi) - math.pi)


def _metal(s: Section, places: Floats, off: Floats, board: Floats) -> Floats:
    """The light of the arc where it is seen `places` mm from the centre line (at board level).

    A steep foot mirrors the board as seen from nearly above, so with what the camera sees of its gloss.
    """
    sine = (places + s.rise * math.tan(s.view)) * math.cos(s.view) / s.radius
    normal = np.minimum(s.view + np.arcsin(np.clip(sine, -1.0, 1.0)), s.foot)[:, None]
    tilt, every, lit = _facets(s)
    on = _wrapped(2.0 * (normal + tilt) - s.view)
    down = np.abs(on) > math.pi / 2.0
    reach = s.radius * np.sin(normal) + np.abs((s.rise + s.radius * np.cos(normal)) * np.tan(on)) - s.width / 2.0
    below = np.interp(np.clip(reach, 0.0, off[-1]), off, board) * np.where(reach > 5.0, s.far, 1.0)
    room = np.where(down, below, np.interp(on, _SKY, s.room))
    lamps = np.where(down, 0.0, np.interp(on, _SKY, s.lamps))
    facing = np.clip(np.cos(normal + tilt - s.view), 0.0, 1.0)  # a facet counts by how large it is seen
    mirror = s.mirror + (1.0 - s.mirror) * (1.0 - facing) ** 5  # Schlick (1994), equation 15
    total = np.maximum(np.sum(every * facing, axis=1), 1e-9)
    return np.asarray(np.sum((room * every + lamps * lit) * mirror * facing, axis=1) / total)


def _facets(s: Section) -> tuple[Floats, Floats, Floats]:
    """Tilts of facets across the fret, their shares, and the shares of those that show a lamp."""
    tilt = s.rough * np.sinh(np.linspace(-3.8, 3.8, _TILTS))
    tilt = tilt[np.abs(tilt) < 1.35]
    steep = np.tan(tilt)
    step = np.sqrt(s.rough**2 + tilt**2) / np.cos(tilt)
    every = (1.0 + (steep / s.rough) ** 2) ** -1.5 * step
    every /= every.sum()
    return tilt, every, every * _shown(s, s.rough, steep)


def _shown(s: Section, rough: float, steep: Floats) -> Floats:
    """How much brighter facets of this steepness across show a lamp than one that reached from end to end of the sky.

    As bright on the board, but so much shorter along the fret, it is so much brighter itself; and only those facets
    show it that lean along the fret as it asks.
    """
    along = s.lamp_tilt + s.lamp_reach * np.linspace(-0.9, 0.9, 7)
    within = (1.0 + (steep[:, None] ** 2 + along**2) / rough**2) ** -2
    share = within.mean(axis=1) * 2.0 * s.lamp_reach / (math.pi / 2.0 * rough * (1.0 + (steep / rough) ** 2) ** -1.5)
    return np.asarray(share * (math.pi / 2.0) / (4.0 * s.lamp_reach))


@dataclass(frozen=True)
class DrawnEdge:
    """A profile as a photo gives it: places (mm from the true edge, outwards), logarithm of light, resolution, view."""

    at_mm: Floats
    log_light: Floats
    px_per_mm: float
    view: float


def photographed(rng: Rng, at: Floats, light: Floats, view: float) -> DrawnEdge:
    """The mean of many rows of a photo: exposed, blurred, sampled, sharpened, with noise and the board's grain left."""
    px_per_mm = math.exp(rng.uniform(math.log(9.0), math.log(38.0)))
    px = 1.0 / px_per_mm
    exposed = light / np.median(light[at > 0.8]) * math.exp(rng.uniform(-4.2, -0.6))
    blur = math.hypot(rng.uniform(0.5, 1.1), rng.choice([0.0, 0.4]) * rng.random()) * px
    soft = _smoothed(np.minimum(exposed, 60.0), blur / _GRID_MM)
    box = max(1, round(px / _GRID_MM))
    soft = np.convolve(np.pad(soft, box, mode="edge"), np.ones(box) / box, "same")[box:-box]
    places = np.arange(at[0] + rng.uniform(0.0, px), at[-1], px)
    code = _coded(np.clip(np.interp(places, at, soft), 0.0, 1.0))
    code = np.clip(code + rng.uniform(0.0, 0.8) * (code - _smoothed(code, 1.2)), 0.0, 1.0)
    y = np.log(_decoded(code) + DARK) + rng.normal(0.0, rng.uniform(0.002, 0.012), len(code))
    grain = _smoothed(rng.standard_normal(len(y)), rng.uniform(0.1, 0.5) * px_per_mm / 2.0)
    grain *= rng.uniform(0.0, 0.03) / (grain.std() + 1e-9)
    return DrawnEdge(places, y + np.where(places > 0.0, grain, 0.3 * grain), px_per_mm, view)


def _coded(light: Floats) -> Floats:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)


def _decoded(code: Floats) -> Floats:
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def _gap(rng: Rng, at: Floats) -> Floats:
    """What a thin dark gap beside the foot leaves of the light; one fret in twenty has one."""
    gap = rng.random() < 0.05
    return np.asarray(1.0 - gap * rng.uniform(0.2, 0.7) * ((at > 0.0) & (at < rng.uniform(0.01, 0.07))))


def draw_edges(count: int, seed: int) -> list[DrawnEdge]:
    """So many edges, each fret under its own light photographed twice."""
    rng = np.random.default_rng(seed)
    out: list[DrawnEdge] = []
    while len(out) < count:
        s = draw_section(rng)
        at, light = light_across(s)
        light = light * _gap(rng, at)
        out += [photographed(rng, at, light, s.view) for _ in range(2)]
    return out[:count]
