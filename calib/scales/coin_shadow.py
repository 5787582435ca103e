"""A coin's rim told from the border of its shadow, and from the edge of its face where its side wall is seen too.

All three touch on one side of the coin and lie apart on the other: there a shadow's border lies outside the rim, soft
and faint, and the edge of a face seen at a slant within it. So a ring found is held against rings that touch it on
one side and lie outside or within it on the other. The rings of a coin's relief are not among them: they are concentric
with the rim. Where two are about as well seen, either may be the rim, and the coin's size is uncertain by their
difference.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import row_offsets
from calib.photo import Photo
from calib.scales.coin_rim import (
    RimPoints,
    azimuths,
    fitted_ring,
    is_doubtful,
    slopes_by_radius,
    steps_by_radius,
)
from calib.scales.coin_rings import SHARE_SEEN, Harmonic, Ring, harmonics_at
from calib.scales.outline import colour_rows

__all__ = ["Rim", "settled_rim"]

Vector = NDArray[np.float64]

_SHADOW = np.arange(0.03, 0.185, 0.01)
"""How far apart the middles of a rim and of a ring round its shadow are, in radii: nearer, they differ by less than the
rim's own shoulder; a coin 2 mm thick and 20 mm across throws a shadow of twice 0.17 under a lamp 30 degrees high."""
_WALL = np.arange(0.03, 0.105, 0.01)
"""The same for the edge of a face and the outline: 2 mm in 20 seen from 30 degrees off square, the most for a ring."""
_WIDER = np.array([-0.01, 0.0, 0.01])  # of the radius: the found ring is a compromise, and need not quite touch
_ELLIPTIC = np.array([0.0, 0.5, 1.0, 1.5])  # of the found ring's ellipticity: part may be the shadow's or the wall's
_DIRECTIONS = np.arange(36) * math.pi / 18.0  # every tenth degree
_TWICE = 2.0  # as well seen: the found ring is faint on one side, and is no rim
_AS_WELL = 1.1  # times as well seen, more than a quartile of 180 slopes scatters by: either may be the rim
_QUARTER = 0.25
_SHADE_REACH, _CLEAR, _OWN = 0.3, 0.07, 0.015  # of the radius: rows; beside the rim; the rim's own blur and shoulder
_SHADE = 0.05  # of the radius: less is a rim's raised border in its own shade, or the gap under it
_MIXED = 0.25  # of the way from coin to ground: colours that scatter half as far as the middle are not told apart
_DIMMED = 0.9  # of the ground's light: what is less dim is the ground itself, uneven
_WIDE, _MIDDLE = 0.6, 0.2  # of two touching rings' widest gap, and of the gap about its middle: clear of their blur
_METAL = 0.25  # of the way inwards: both rings stay inside what a rectangular doubt between them covers at k = 3
_LEAST = 1e-9  # slope: keeps a quotient finite where there is none


@dataclass(frozen=True)
class Rim:
    """A coin's rim: the ring, its points, and the standard uncertainty (px) of its radius that they do not show."""

    ring: Ring
    points: RimPoints
    u_radius: float = 0.0


def settled_rim(photo: Photo, ring: Ring, points: RimPoints) -> Rim:
    """The rim near a ring found: that ring, one that touches it, or what lies between if either may be the rim."""
    outer = _outside(photo, ring)
    if outer is not None:
        fitted = fitted_ring(photo, outer)
        return _between(photo, outer if fitted is None else fitted[0], _smaller(photo, ring)[0], points)
    inner, fitted_points = _smaller(photo, ring)
    if fitted_points is not None:
        return Rim(inner, fitted_points)
    if inner is ring:
        inner = _within_its_shade(photo, ring)
    return Rim(ring, points) if inner is ring else _between(photo, ring, inner, points)


def _smaller(photo: Photo, ring: Ring) -> tuple[Ring, RimPoints | None]:
    """The ring within a ring that may be the rim, or else that ring; with its points where it is so beyond doubt."""
    inner, better = _within(photo, ring)
    fitted = fitted_ring(photo, inner) if better >= _AS_WELL else None
    if fitted is not None:
        inner, better = fitted[0], _visibility(photo, fitted[0]) / _visibility(photo, ring)
        # the border of a face touches a shadow's ring as the rim does, but has the rim round it
        if better >= _TWICE and not is_doubtful(photo, inner.about_its_middle()):
            return fitted
    return (inner if better >= _AS_WELL and inner.radius < ring.radius else ring), None


def _between(photo: Photo, outer: Ring, inner: Ring, points: RimPoints) -> Rim:
    """The ring between two, either of which may be the rim, that colour makes likeliest.

    Its doubt is rectangular over their difference, in shape as in size: what is wrong with one point is wrong with
    all, so each of N has the root of N/2 times its share of it, which leaves a second harmonic through all of them as
    uncertain as the rings' difference.
    """
    share = _as_ground(photo, outer, inner)
    x, y = outer.x + share * (inner.x - outer.x), outer.y + share * (inner.y - outer.y)
    ring = Ring(x, y, outer.harmonics + share * (inner.harmonics - outer.harmonics), 1.0)
    px, normal = ring.points(azimuths())
    u = abs(outer.radius - inner.radius) / math.sqrt(12.0)
    each = math.hypot(float(np.median(points.u)), u * math.sqrt(len(px) / 2.0))
    return Rim(ring, RimPoints(azimuths(), px, normal, np.full(len(px), each)), u)


def _as_ground(photo: Photo, outer: Ring, inner: Ring) -> float:
    """How far what lies between two rings is ground rather than metal, to 1: then the inner is the rim.

    By its colour: light that a coin throws on the ground beside it colours a shadow too, so colour says how likely.
    Where colour tells nothing, one half; but a shadow dims all of it, and what is in part as bright as the ground is
    metal. Metal may be the coin's face or its side wall, so it never speaks for the outer ring alone.
    """
    seen = _across(photo, outer)
    at_inner = inner.points(azimuths())[0] - [outer.x, outer.y]
    turn = np.arctan2(at_inner[:, 1], at_inner[:, 0])
    reach = np.interp(azimuths(), turn, np.hypot(at_inner[:, 0], at_inner[:, 1]), period=2.0 * math.pi)
    gap = np.maximum(harmonics_at(azimuths()) @ outer.harmonics - reach, 0.0) / outer.radius
    wide = gap > _WIDE * gap.max()
    between = np.abs(seen.at[None] / np.maximum(gap[wide], _LEAST)[:, None] + 0.5) < _MIDDLE
    if not between.any():
        return 0.5
    if seen.told:
        return float(np.clip(np.median(seen.towards[wide][between]), _METAL, 1.0))
    return 0.5 if np.mean(seen.dimmed[wide][between]) > 1.0 - _QUARTER else _METAL


@dataclass(frozen=True)
class _Across:
    """Rows of light across a ring, shapes (N, M), at offsets (M,) in radii.

    `towards`: how far each colour is from the coin's, 0, to the ground's, 1; `told`: whether the two are told apart.
    `dimmed`: whether it is darker than the ground.
    """

    at: Vector
    towards: Vector
    dimmed: NDArray[np.bool_]
    told: bool


def _across(photo: Photo, ring: Ring) -> _Across:
    points, normal = ring.points(azimuths())
    rows = np.nan_to_num(colour_rows(photo, points, normal, _SHADE_REACH * ring.radius)).astype(np.float32)
    at = row_offsets(_SHADE_REACH * ring.radius) / ring.radius
    light = np.stack([np.asarray(cv2.blur(rows[..., k], (3, 5))) for k in range(3)], axis=2)
    total = light.sum(axis=2)
    colour = light / np.maximum(total, _LEAST)[..., None]
    outside, inside = at > _CLEAR, at < -2.0 * _CLEAR
    ground, coin = (np.median(colour[:, k].reshape(-1, 3), axis=0) for k in (outside, inside))
    apart = ground - coin
    towards = (colour - coin) @ apart / max(float(apart @ apart), _LEAST)
    scatter = max(np.median(np.abs(towards[:, outside] - 1.0)), np.median(np.abs(towards[:, inside])))
    return _Across(at, towards, total < _DIMMED * np.median(total[:, outside]), bool(scatter <= _MIXED))


def _within_its_shade(photo: Photo, ring: Ring) -> Ring:
    """The ring within a hard shadow that a ring holds too, told by its colour; the ring itself where there is none.

    A shadow dims what the coin lies on and leaves its colour: inwards from the ring, as far as the colour is nearer to
    that of the ground than to the coin's, and darker than the ground. A coin of the ground's colour tells nothing.
    """
    seen = _across(photo, ring)
    if not seen.told:
        return ring
    shade = (seen.towards > 0.5) & seen.dimmed
    inwards = np.flatnonzero(seen.at < -_OWN)[::-1]
    depth = np.cumprod(shade[:, inwards], axis=1).sum(axis=1) / ring.radius
    deepest = float(np.quantile(depth, 0.95))
    if deepest < _SHADE:
        return ring
    x, y = depth @ np.cos(azimuths()), depth @ np.sin(azimuths())
    away = math.atan2(-y, -x)
    return _touching(ring, np.array([(deepest + _OWN) / 2.0, away, 0.0, 1.0]))


def _outside(photo: Photo, ring: Ring) -> Ring | None:
    """The best of the rings that touch this one from outside, if most of the half that lies apart from it is a step."""
    at, step = steps_by_radius(photo, ring)
    grid = _grid(-_WALL, np.zeros(1))
    apart = np.cos(azimuths() - grid[:, 1:2]) < 0.0
    share = (_along(ring, grid, at, step) & apart).sum(axis=1) / apart.sum(axis=1)
    best = int(np.argmax(share))
    return _touching(ring, grid[best]) if share[best] >= SHARE_SEEN else None


def _within(photo: Photo, ring: Ring) -> tuple[Ring, float]:
    """The best seen of the rings that touch this one from within, and how many times as well it is seen."""
    at, slope = slopes_by_radius(photo, ring)
    grid = _grid(_SHADOW, _WIDER)
    seen = np.quantile(_along(ring, grid, at, slope), _QUARTER, axis=1)
    best = int(np.argmax(seen))
    return _touching(ring, grid[best]), float(seen[best]) / _visibility(photo, ring)


def _grid(apart: Vector, wider: Vector) -> Vector:
    """Touching rings (K, 4) by how far the middles are apart, which way, how much wider, and share of the ellipse."""
    return np.array(list(itertools.product(apart, _DIRECTIONS, wider, _ELLIPTIC)))


def _along(ring: Ring, grid: Vector, at: Vector, table: NDArray[Any]) -> NDArray[Any]:
    """What a table of rows about a ring, at offsets (M,), holds along each of the rings that touch it (K, N)."""
    a = azimuths()
    apart, towards, wider, share = (c[:, None] for c in grid.T)
    ellipse = ring.harmonics[Harmonic.COS_2] * np.cos(2.0 * a) + ring.harmonics[Harmonic.SIN_2] * np.sin(2.0 * a)
    offset = ring.radius * (wider - apart * (1.0 - np.cos(a - towards))) - (1.0 - share) * ellipse
    column = np.rint(offset).astype(np.intp) + int(np.argmin(np.abs(at)))
    return np.asarray(table[np.arange(len(a)), np.clip(column, 0, len(at) - 1)])


def _touching(ring: Ring, of_grid: Vector) -> Ring:
    apart, towards, wider, share = of_grid
    x, y = ring.radius * apart * math.cos(towards), ring.radius * apart * math.sin(towards)
    harmonics = ring.harmonics * np.array([1.0 + wider - apart, 0.0, 0.0, share, share])
    return Ring(ring.x + x, ring.y + y, harmonics, ring.share)


def _visibility(photo: Photo, ring: Ring) -> float:
    """How well a ring is seen: the lower quartile of the slope along it.

    A shadow takes up to half of the way round, and its faint part is in the quartile; an inscription crossed is not.
    """
    at, slope = slopes_by_radius(photo, ring)
    return max(float(np.quantile(slope[:, int(np.argmin(np.abs(at)))], _QUARTER)), _LEAST)
