"""The light across the foot of a crown, drawn from a cross-section: what the edge finder learns from.

A fret is a prism across the neck: a mirror-like arc on a matt board, under lamps and in a room which are known by their
direction across the fret alone. The board is lit by what it sees past the arc and by what the arc mirrors onto it; the
arc mirrors room, lamps and the board beside it through facets tilted more or less (`Facets`). Beside the light goes its
grain: how much of it varies along the fret as the open board does, for wood is streaked and metal shows that only as
far as it mirrors wood. All is drawn in three colours, red, green and blue, for wood is warm, and metal shows that, too,
only as far as it mirrors wood. The camera comes after (`edge_camera`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from sample_images.facets import Facets
from sample_images.foot_dirt import CLEAN, FootDirt, draw_dirt

__all__ = ["Section", "draw_section", "light_across", "smoothed", "tint", "DARK", "GRID_MM", "LUMINANCE", "STREAK"]

Floats = NDArray[np.float64]
Rng = np.random.Generator

_SKY = np.radians(np.linspace(-89.0, 89.0, 90))
"""Directions a board sees, from the vertical, positive away from the fret."""
_WIDE = float(_SKY[1] - _SKY[0])
"""How wide one of them is."""
_FROM_METAL = np.radians(np.linspace(-80.0, 0.0, 4))
"""Directions, as `_SKY`'s, in which the metal that mirrors it lies for a place on the board."""
GRID_MM = 0.01
"""Step of the drawing: finer than the finest pixels it is photographed with, 1/38 mm."""
_INSIDE_MM, _OUTSIDE_MM = 1.9, 2.6
"""How far the drawing reaches from the foot: past the middle of the widest crown, and past all the finder is shown."""
_TILTS = 37
"""Tilts of facets that stand for all: close about none, few where hardly any facets are."""
_STREAK_MM = 3.0
"""How far from each other along the neck wood still resembles itself (streaks of some millimetres: common practice, no
source)."""
STREAK = 0.05
"""A streak of the board so much brighter is photographed beside it: so wood differs from row to row."""
DARK = 0.003
"""Added to linear light before its logarithm, as the edge finder does."""
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Of linear red, green and blue, ITU-R BT.709."""


@dataclass(frozen=True)
class Section:
    """A fret's cross-section, its light and its sight; lengths in mm, angles in rad, light in any unit.

    `view` is the line of sight's angle from the vertical, positive when the camera is on this edge's side. `room` and
    `lamps` are the light from each of `_SKY`'s directions, in the colours `room_colour` and `lamp_colour`: red, green
    and blue, as `mirror`, which is the metal's like `rough`, and `albedo`, which the board scatters. The board mirrors
    `gloss` by facets `gloss_rough`. A lamp is shown by facets that lean `lamp_tilt` +- `lamp_reach` along the fret.
    `far` is how dark the board is where other frets hide it. `lost` is the share of the light caught between facets
    that does not come out again. Tarnish, lacquer or dirt on the metal scatters `film` (3,) and hides as much of what
    is mirrored as it is thick, `thick`. `flat` is how wide a flat wear has left on the crown.
    """

    width: float
    height: float
    view: float
    room: Floats
    lamps: Floats
    room_colour: Floats
    lamp_colour: Floats
    mirror: Floats
    rough: Facets
    albedo: Floats
    gloss: float
    gloss_rough: Facets
    lamp_tilt: float
    lamp_reach: float
    far: float
    lost: float
    film: Floats
    thick: float
    flat: float = 0.0
    dirt: FootDirt = CLEAN

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
    def apparent(self) -> float:
        """Where the edge is seen, mm from the centre line at board level: the foot, or the arc that hides it."""
        if math.pi / 2.0 + self.view < self.foot:
            return self.radius / math.cos(self.view) - self.rise * math.tan(self.view)
        return self.width / 2.0

    @property
    def climbed(self) -> float:
        """How far inside the seen edge dirt on the flank is seen to begin, mm at board level; 0 where none is."""
        high = self.dirt.high
        if high <= 0.0:
            return 0.0
        on_arc = math.sqrt(max(self.radius**2 - (high - self.rise) ** 2, 0.0))
        return max(self.apparent - (on_arc - high * math.tan(self.view)), 0.0)


def draw_section(rng: Rng, bench: bool = False) -> Section:
    """A fret, lamps, room and sight as they may come (ranges: common practice, no source); dirt on a `bench`."""
    room, lamps = _room(rng), _lamps(rng)
    if lamps.any():
        share = rng.uniform(0.25, 0.97)  # of the light on the board that is the lamps'
        lamps = lamps * share / (1.0 - share) * _on_board(room) / _on_board(lamps)
    drawn = Section(
        width=rng.uniform(1.7, 3.1),
        height=rng.uniform(0.8, 1.45),
        view=math.radians(rng.uniform(-17.0, 17.0)),
        room=room,
        lamps=lamps,
        room_colour=tint(rng.normal(0.0, 0.1), 0.5),
        lamp_colour=tint(rng.normal(0.0, 0.25), 0.5),  # lamps and windows differ, a camera levels the mean
        mirror=_metal_colour(rng),
        rough=Facets(math.exp(rng.uniform(math.log(0.025), math.log(0.2))), _tail(rng)),
        albedo=_wood_colour(rng),
        gloss=rng.choice([0.0, 0.04]) * rng.uniform(0.3, 1.5),  # 0.04: a refractive index of 1.5, seen from above
        gloss_rough=Facets(rng.uniform(0.1, 0.4), _tail(rng)),
        lamp_tilt=rng.uniform(0.0, 0.27),
        lamp_reach=rng.uniform(0.03, 0.2),
        far=rng.uniform(0.4, 1.0),
        lost=rng.uniform(0.0, 1.0),
        film=_wood_colour(rng),  # of any such colour and darkness
        thick=float(rng.random() < 0.25) * rng.uniform(0.0, 0.5),
        flat=float(rng.random() < 0.3) * rng.uniform(0.2, 1.3),  # levelled, or worn all along
    )
    return replace(drawn, dirt=draw_dirt(rng, drawn.height)) if bench else drawn


def _tail(rng: Rng) -> float:
    """From more steep facets than by Trowbridge and Reitz's law to all but Beckmann's."""
    return 1.0 + math.exp(rng.uniform(math.log(0.7), math.log(20.0)))


def tint(warm: float, red: float) -> Floats:
    """Red, green and blue of luminance 1 whose red over blue has the logarithm `warm`, `red` of it in red to green."""
    colour = np.exp([red * warm, 0.0, -(1.0 - red) * warm])
    return np.asarray(colour / (LUMINANCE @ colour))


def _metal_colour(rng: Rng) -> Floats:
    """Tarnished to polished nickel silver and steel, a little yellow at most; one fret in eight is bronze or brass."""
    warm = rng.uniform(0.3, 0.7) if rng.random() < 0.125 else rng.uniform(-0.03, 0.2)
    return np.asarray(np.minimum(rng.uniform(0.4, 0.75) * tint(warm, rng.uniform(0.2, 0.5)), 0.97))


def _wood_colour(rng: Rng) -> Floats:
    """Ebony to maple, neutral to red and yellow."""
    albedo = math.exp(rng.uniform(math.log(0.02), math.log(0.7)))
    return np.asarray(np.minimum(albedo * tint(rng.uniform(-0.05, 1.3), rng.uniform(0.25, 0.65)), 0.9))


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
    return smoothed(light, rng.uniform(0.25, 2.0))


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


def smoothed(y: Floats, sigma: float) -> Floats:
    reach = math.ceil(4.0 * sigma)
    k = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(np.convolve(np.pad(y, reach, mode="edge"), k / k.sum(), "valid"))


def _on_board(light: Floats) -> float:
    """What an open board gets, over what it would get from a sky of light 1."""
    return float(light @ np.cos(_SKY)) * _WIDE / 2.0


def _open_light(s: Section) -> Floats:
    """Red, green and blue on the open board, as `_on_board` has them."""
    return s.room_colour * _on_board(s.room) + s.lamp_colour * _on_board(s.lamps)


def light_across(s: Section) -> tuple[Floats, Floats, Floats]:
    """Places across from the seen edge (mm, outwards positive, 0.01 mm apart), the light seen there and its grain.

    Light and grain have the shape (3, places): red, green, blue. The grain is the part of the light that is the board's
    own colour: it varies along the fret as the board does.
    """
    # half a step beside the edge on either side, so that the light steps at 0
    at = (np.arange(-round(_INSIDE_MM / GRID_MM), round(_OUTSIDE_MM / GRID_MM), dtype=np.float64) + 0.5) * GRID_MM
    off, board, gloss, mirrored = _board(s)
    beside = at + s.apparent - s.width / 2.0
    wood, shine = (np.stack([np.interp(beside, off, y) for y in part]) for part in (board, gloss))
    cake = s.dirt.albedo[:, None] / s.albedo[:, None] * wood
    covered, unstained = s.dirt.on_board(beside)
    clear = 1.0 - covered
    light, grain = clear * (unstained * wood + shine) + covered * cake, clear * unstained * wood
    inside = at < 0.0
    places = np.concatenate([np.arange(-_INSIDE_MM, -0.4, 4.0 * GRID_MM), at[inside & (at >= -0.4)]])
    covered, unstained = s.dirt.on_board(off)
    clear = 1.0 - covered
    matt = clear * unstained * board, covered * s.dirt.albedo[:, None] / s.albedo[:, None] * board
    for whole, metal in zip(
        (light, grain), _metal(s, places + s.apparent, off, (*matt, clear * mirrored)), strict=True
    ):
        whole[:, inside] = [np.interp(at[inside], places, y) for y in metal]
    hidden = s.dirt.on_metal(at[inside], s.climbed)
    light[:, inside] = (1.0 - hidden) * light[:, inside] + hidden * cake[:, inside]
    grain[:, inside] *= 1.0 - hidden
    return at, light, grain


def _board(s: Section) -> tuple[Floats, Floats, Floats, Floats]:
    """Places beside the foot (mm from it), the board's matt light there, and its gloss for the camera and the metal.

    The light has the shape (3, places), the gloss for the metal (3, directions, places).
    """
    off = np.concatenate(
        [np.linspace(0.002, 0.3, 30, endpoint=False), np.linspace(0.3, 2.6, 60), [4.0, 7.0, 12.0, 25.0]]
    )
    hidden, on, let_out = _arc_from(s, off)
    down = hidden * let_out * (np.abs(on) >= math.pi / 2.0)
    on_sky = hidden * let_out * (np.abs(on) < math.pi / 2.0)
    open_board = s.albedo * _open_light(s)
    room_mirrored = on_sky * np.interp(on, _SKY, s.room)

    def coming(lamps: Floats, weight: Floats) -> Floats:
        """What comes past the arc and off it, each direction with its weight; shape (3, places)."""
        open_sky, lamps_mirrored = 1.0 - hidden, on_sky * np.interp(on, _SKY, lamps)
        past = np.outer(s.room_colour, open_sky @ (s.room * weight)) + np.outer(
            s.lamp_colour, open_sky @ (lamps * weight)
        )
        off_arc = np.outer(s.room_colour, room_mirrored @ weight) + np.outer(s.lamp_colour, lamps_mirrored @ weight)
        return np.asarray(past + s.mirror[:, None] * (off_arc + np.outer(open_board, down @ weight)))

    def glossy(view: float) -> Floats:
        steep, facing = np.tan((_SKY + view) / 2.0), np.cos((_SKY - view) / 2.0)
        lobe = s.gloss_rough.across(steep)
        fresnel = 1.0 + (1.0 / 0.04 - 1.0) * (1.0 - facing) ** 5  # Schlick (1994), equation 15; 0.04 as for `gloss`
        return s.gloss * coming(s.lamps * _shown(s, s.gloss_rough, steep), lobe * fresnel / lobe.sum())

    matt = s.albedo[:, None] * coming(s.lamps, np.cos(_SKY) * _WIDE / 2.0)
    return off, matt, glossy(s.view), np.stack([glossy(float(view)) for view in _FROM_METAL], axis=1)


def _arc_from(s: Section, off: Floats) -> tuple[Floats, Floats, Floats]:
    """How far the arc hides the sky from places beside the foot, where it mirrors to, and how much of it.

    Shape (places, directions) each.
    """
    x, sin, cos = (s.width / 2.0 + off)[:, None], np.sin(_SKY), np.cos(_SKY)
    b = x * sin - s.rise * cos
    root = b**2 - (x**2 + s.rise**2 - s.radius**2)
    t = -b - np.sqrt(np.maximum(root, 0.0))
    # by how much the rays of a direction's whole width pass under the arc's outline
    deep = (s.radius - np.sqrt(np.maximum(s.radius**2 - root, 0.0))) / (np.maximum(-b, 1e-9) * _WIDE)
    hidden = np.where((b < 0.0) & (t * cos > 0.0), np.clip(0.5 + deep, 0.0, 1.0), 0.0)
    normal = np.arctan2(x + t * sin, t * cos - s.rise)
    from_normal = _wrapped(normal - (_SKY - math.pi))
    return hidden, _wrapped(normal + from_normal), _let_out(s, from_normal)


def _let_out(s: Section, from_normal: Floats) -> Floats:
    """Share of the light mirrored so far from the normal that no other facet catches for good.

    Smith's masking for facets by Trowbridge and Reitz's law (Walter and others 2007, "Microfacet models for refraction
    through rough surfaces", equation 34); what is caught may come out after all, less or more of it.
    """
    steep = np.tan(np.minimum(np.abs(from_normal), 1.5))
    out = np.where(np.abs(from_normal) < math.pi / 2.0, 2.0 / (1.0 + np.sqrt(1.0 + (s.rough.alpha * steep) ** 2)), 0.0)
    return np.asarray(1.0 - s.lost * (1.0 - out))


def _wrapped(angle: Floats) -> Floats:
    return np.asarray((angle + math.pi) % (2.0 * math.pi) - math.pi)


def _metal(s: Section, places: Floats, off: Floats, board: tuple[Floats, Floats, Floats]) -> tuple[Floats, Floats]:
    """The light of the arc where it is seen `places` mm from the centre line (at board level), and its grain.

    Both have the shape (3, places). `board` is the matt light of its wood and of dirt on it, and its gloss by the
    direction it is seen from (`_FROM_METAL`).
    """
    sine = (places + s.rise * math.tan(s.view)) * math.cos(s.view) / s.radius
    normal = np.minimum(s.view + np.arcsin(np.clip(sine, -1.0, 1.0)), s.foot)
    normal = np.where(np.abs(s.radius * np.sin(normal)) < s.flat / 2.0, 0.0, normal)[:, None]
    tilt, every, lit = _facets(s)
    on = _wrapped(2.0 * (normal + tilt) - s.view)
    down = np.abs(on) > math.pi / 2.0
    reach = s.radius * np.sin(normal) + np.abs((s.rise + s.radius * np.cos(normal)) * np.tan(on)) - s.width / 2.0
    at = np.interp(np.clip(reach, 0.0, off[-1]), off, np.arange(len(off)))
    seen_from = np.interp(np.abs(on) - math.pi, _FROM_METAL, np.arange(len(_FROM_METAL)))
    grain = np.stack([np.interp(at, np.arange(len(off)), y) for y in board[0]])
    below = grain + np.stack([np.interp(at, np.arange(len(off)), y) for y in board[1]])
    below += np.stack([map_coordinates(y, [seen_from, at], order=1) for y in board[2]])
    below *= down * np.where(reach > 5.0, s.far, 1.0)
    grain *= down * np.exp(-np.clip(reach, 0.0, None) / _STREAK_MM)
    room, lamps = (np.where(down, 0.0, np.interp(on, _SKY, sky)) for sky in (s.room, s.lamps))
    facing = np.clip(np.cos(normal + tilt - s.view), 0.0, 1.0)  # a facet counts by how large it is seen
    let_out = _let_out(s, _wrapped(on - normal))
    grazing = (1.0 - facing) ** 5  # Schlick (1994), equation 15
    total = np.maximum(np.sum(every * facing, axis=1), 1e-9)

    def mirrored(y: Floats, share: Floats) -> Floats:
        """The mean over the facets of what they show."""
        steep, flat = (y * (share * facing * let_out * part) for part in (1.0 - grazing, grazing))
        return np.asarray((s.mirror[:, None] * steep.sum(axis=-1) + flat.sum(axis=-1)) / total)

    light = s.room_colour[:, None] * mirrored(room, every) + s.lamp_colour[:, None] * mirrored(lamps, lit)
    filmed = s.thick * (s.film * _open_light(s))[:, None]
    clear = 1.0 - s.thick
    return clear * (light + mirrored(below, every)) + filmed, clear * mirrored(grain, every)


def _facets(s: Section) -> tuple[Floats, Floats, Floats]:
    """Tilts of facets across the fret, their shares, and the shares of those that show a lamp."""
    tilt = s.rough.alpha * np.sinh(np.linspace(-3.8, 3.8, _TILTS))
    tilt = tilt[np.abs(tilt) < 1.35]
    steep = np.tan(tilt)
    step = np.sqrt(s.rough.alpha**2 + tilt**2) / np.cos(tilt) ** 2  # of slope
    every = s.rough.across(steep) * step / np.cos(tilt)  # a slanting facet is larger than the ground it covers
    every /= every.sum()
    return tilt, every, every * _shown(s, s.rough, steep)


def _shown(s: Section, rough: Facets, steep: Floats) -> Floats:
    """How much brighter facets of this steepness across show a lamp than one that reached from end to end of the sky.

    As bright on the board, but so much shorter along the fret, it is so much brighter itself; and only those facets
    show it that lean along the fret as it asks.
    """
    along = s.lamp_tilt + s.lamp_reach * np.linspace(-0.9, 0.9, 7)
    return np.asarray(rough.along(along, steep[:, None]).mean(axis=1) * math.pi / 4.0)
