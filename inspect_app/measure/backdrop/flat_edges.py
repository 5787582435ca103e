"""Which edge of a hollow's flat was followed: its far one, where the card begins, or its near one.

Wear polishes, and a polished flat seen along the board mirrors the card that stands behind it: it may be as bright as
that, and then its near edge, where the unworn flank begins, is the stronger. Both lie where the crown's arc puts them,
so the light across a hollow can be worked out for either from what the unworn crown beside it shows, but for the flat's
own tone, which is free.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import expit

from calib.edge_response import edge_response
from calib.photo import Photo
from calib.scales.base import Scale
from calib.unsharpening import unsharpened
from inspect_app.instrument.crown import depth_from_drop, drop_from_depth
from inspect_app.measure.backdrop.crown_line import tangent_rise
from inspect_app.measure.backdrop.divots import Hollow
from inspect_app.measure.backdrop.fret import SHARPEST_PX, DetectedFret
from inspect_app.measure.backdrop.outline import rectified_light

__all__ = ["AcrossHollow", "near_edge_odds", "near_edge_probabilities", "with_flat_edges"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

OVER_MM, LEAST_UNDER_MM = 0.25, 0.3
"""How far above a crown line plain card is looked at, below print and above blur, and how far below it at least the
metal: a quarter of an everyday crown, where its light says how it goes on."""
BOTTOM_SHARE = 12.0
"""A hollow's length over what is looked at to both sides of its lowest place: there a smooth bump is worn to 95 % of
its depth and more."""
BESIDE_MM, CLEAR_MM = 2.5, 0.3
"""How far beyond a hollow the unworn crown is looked at, where the light is still the same, and how far from it."""
LEAST_BESIDE = 15
"""Points of unworn crown line that show its light: two columns of pixels apart, over half a millimetre."""
MARGIN_MM = 1.5
"""How far about a crown line sharpening is taken out: the crown's height and what is looked at above it."""
BURNT = 0.9
"""Light from which metal may be burnt out somewhere along the fret, and says no more how bright it is."""
TURNS = 3
"""Powers of the surface's turn by which its light is told: it changes smoothly with the turn, not with the height."""
LINEAR_PX = math.sqrt(1.0 / 6.0)
"""Blur of reading between pixels by straight lines, standard deviation on average."""
TRIED_PX = np.arange(-1.5, 1.75, 0.25)
"""How far from where an edge was followed it is tried: as far as the light beside it may draw it (see
`edge_path.MOST_SHIFT_PX`)."""
UNKNOWNS = 8
"""More than what is fitted to the rows: as many rows are needed at least."""
LEAST_SQUARE = 1e-8
"""Mean square that counts as none: a tenth of what rounding to 8 bits leaves of light, 0.001."""
LEAST_ODDS = math.log(1e4)
"""Logarithm of the odds that a flat's near edge was followed, from which it is believed: one in ten thousand, as for a
floor that is two edges (`divots.TORN`). On flats known to have been followed along their far edge the light's own ways,
which the model does not know, made up to 5 of it (own renderings)."""


@dataclass(frozen=True)
class AcrossHollow:
    """Light across a hollow's lowest place and across the unworn crown beside it, by height over the crown line.

    Attributes
    ----------
    height : ndarray, shape (rows,)
        Over where the unworn crown is seen, mm, downwards.
    here, beside : ndarray, shape (rows,)
        Linear light, medians along the fret.
    blur : float
        Standard deviation of the photo's blur, mm.
    pixel : float
        A pixel's size, mm.
    radius, elevation : float
        Of the crown's arc, mm; of the line of sight over the crown, rad.
    drop : float
        Where the outline was followed, below the unworn crown's, mm.
    """

    height: Array
    here: Array
    beside: Array
    blur: float
    pixel: float
    radius: float
    elevation: float
    drop: float


def with_flat_edges(photo: Photo, scale: Scale, fret: DetectedFret, hollows: Sequence[Hollow]) -> list[Hollow]:
    """Hollows of a fret with the probability that the outline followed there is their flat's near edge.

    It counts as far as the light says so both as taken and with the camera's sharpening taken out again: halos beside
    an edge look like another, and so does noise that is left of them."""
    odds = _odds_in(photo, fret, hollows)
    if max(odds, default=-math.inf) > 0.0:
        odds = [min(pair) for pair in zip(odds, _odds_in(_unsharpened(photo, scale, fret), fret, hollows), strict=True)]
    return [replace(h, near=p) for h, p in zip(hollows, near_edge_probabilities(odds), strict=True)]


def _odds_in(photo: Photo, fret: DetectedFret, hollows: Sequence[Hollow]) -> list[float]:
    across = [across_hollow(photo, fret, h) for h in hollows]
    return [-math.inf if a is None else near_edge_odds(a) for a in across]


def _unsharpened(photo: Photo, scale: Scale, fret: DetectedFret) -> Photo:
    """The photo with the sharpening taken out about a fret's crown line."""
    plain, reach = unsharpened(photo, edge_response(photo, scale)), math.ceil(MARGIN_MM / fret.mm_per_px)
    if plain is photo:
        return photo
    size, px = (photo.width, photo.height), fret.line.edge.px
    first, last = (np.clip(at, 0, size).astype(int) for at in (px.min(axis=0) - reach, px.max(axis=0) + reach))
    bgr = photo.bgr.copy()
    bgr[first[1] : last[1], first[0] : last[0]] = plain.part(first.tolist(), last.tolist())
    bgr.flags.writeable = False
    return replace(photo, bgr=bgr)


def across_hollow(photo: Photo, fret: DetectedFret, h: Hollow) -> AcrossHollow | None:
    """Light across a hollow of a fret; None where no unworn crown shows beside it."""
    line, pixel = fret.line, fret.mm_per_px
    near = float(drop_from_depth(depth_from_drop(h.drop, line.radius, h.elevation), line.radius, -h.elevation))
    blur = math.hypot(max(fret.lens_px, SHARPEST_PX), LINEAR_PX) * pixel
    height = np.arange(OVER_MM, -max(LEAST_UNDER_MM, near + 3.0 * blur), -pixel / 2.0)
    half = (h.stop - h.start) / BOTTOM_SHARE
    here = _light(photo, fret, np.arange(h.at - half, h.at + half, pixel), height)
    sides = ((h.start - BESIDE_MM, h.start - CLEAR_MM), (h.stop + CLEAR_MM, h.stop + BESIDE_MM))
    places = [line.y[line.used & (line.y > lo) & (line.y < hi)] for lo, hi in sides]
    beside = [_light(photo, fret, y, height) for y in places if len(y) >= LEAST_BESIDE]
    if not beside:
        return None
    return AcrossHollow(height, here, np.mean(beside, axis=0), blur, pixel, line.radius, h.elevation, h.drop)


def _light(photo: Photo, fret: DetectedFret, y: Array, height: Array) -> Array:
    """Light at heights over where the unworn crown is seen at places along the fret, its median along it; (rows,)."""
    line, order = fret.line, np.argsort(fret.line.y)
    lift = np.interp(y, line.y[order], tangent_rise(line.radius, line.elevation)[order])
    light = rectified_light(photo, fret.pose, y, line.circle.z(y) + lift, height)
    return np.asarray(np.median(light, axis=1), dtype=np.float64)


def near_edge_odds(a: AcrossHollow) -> float:
    """Logarithm of how much likelier the light across a hollow is if its outline was followed along its flat's near
    edge than along the far one.

    By the mean squares that either leaves of the light (profile likelihood, noise unknown): rows a blur's width apart
    count as one."""
    rows = np.logical_and.accumulate((a.here < BURNT) & (a.beside < BURNT))
    if rows.sum() <= UNKNOWNS or a.drop < drop_from_depth(0.0, a.radius, -a.elevation):
        return -math.inf  # the narrowest flat's near edge lies lower
    metal, top = _metal(a, rows)
    far, near = (min(_misfit(a, rows, metal, top, float(d)) for d in _depths(a, sign)) for sign in (1.0, -1.0))
    independent = rows.sum() * _step(a) / (2.0 * math.sqrt(math.pi) * a.blur)
    return float(0.5 * independent * math.log(max(far, LEAST_SQUARE) / max(near, LEAST_SQUARE)))


def near_edge_probabilities(odds: Sequence[float]) -> tuple[float, ...]:
    """Probability of each hollow of a fret that its outline is its flat's near edge, by the logarithms of all their
    odds.

    That a flat is of the card's own tone takes `LEAST_ODDS` to be believed; but what one flat of a fret shows makes
    the others likely, up to even: they are of one metal, and each is worn by its own string."""
    others = [sum(o for j, o in enumerate(odds) if j != i and math.isfinite(o)) for i in range(len(odds))]
    return tuple(float(expit(own + min(other - LEAST_ODDS, 0.0))) for own, other in zip(odds, others, strict=True))


def _depths(a: AcrossHollow, sign: float) -> Array:
    """Depths tried: those of a flat whose far (1) or near (-1) edge lies about where the outline was followed."""
    least = float(drop_from_depth(0.0, a.radius, sign * a.elevation))
    drops = np.maximum(a.drop + TRIED_PX * a.pixel, least)
    return np.asarray(depth_from_drop(drops, a.radius, sign * a.elevation))


def _metal(a: AcrossHollow, rows: Mask) -> tuple[Array, float]:
    """By how much the unworn metal is darker than the card, at each height below the crown line (rows,), and the height
    of that; as its blurred light is best told."""
    best, found = math.inf, (np.zeros_like(a.height), 0.0)
    for top in TRIED_PX * a.pixel:
        turn = np.sqrt(2.0 * np.maximum(top - a.height, 0.0) / a.radius)
        powers = _blurred(a, np.stack([_covered(a, top) * turn**k for k in range(TURNS + 1)]))
        got, misfit = _least_squares(np.column_stack([np.ones_like(turn), *powers]), a.beside, rows)
        if misfit < best:
            darker = -np.sum([c * turn**k for k, c in enumerate(got[1:])], axis=0)
            best, found = misfit, (darker, float(top))
    return found


def _misfit(a: AcrossHollow, rows: Mask, metal: Array, top: float, depth: float) -> float:
    """Mean square of what a hollow of a depth leaves of the light across it.

    Free are the flat's tone and how it changes across it, and the card's and how that changes towards the metal."""
    far, near = (top - float(drop_from_depth(depth, a.radius, s * a.elevation)) for s in (1.0, -1.0))
    below = _covered(a, near)
    worn, flat = metal * (_covered(a, top) - below), _covered(a, far) - below
    gone, even, slanting = _blurred(a, np.stack([worn, flat, flat * (a.height - (far + near) / 2.0)]))
    design = [np.ones_like(gone), np.maximum(a.height - far, 0.0), even, slanting]
    return _least_squares(np.column_stack(design), a.here - a.beside - gone, rows)[1]


def _step(a: AcrossHollow) -> float:
    """Distance of the rows, mm."""
    return float(a.height[0] - a.height[1])


def _covered(a: AcrossHollow, edge: float) -> Array:
    """Share of each row that lies below a height."""
    return np.asarray(np.clip((edge - a.height) / _step(a) + 0.5, 0.0, 1.0))


def _blurred(a: AcrossHollow, light: Array) -> Array:
    """Light as the photo shows it; shape (..., rows)."""
    return np.asarray(gaussian_filter1d(light, a.blur / _step(a), mode="nearest"))


def _least_squares(design: Array, light: Array, rows: Mask) -> tuple[Array, float]:
    """Coefficients, and the mean square they leave over some rows."""
    size = np.maximum(np.linalg.norm(design[rows], axis=0), 1e-12)
    got = np.linalg.lstsq(design[rows] / size, light[rows], rcond=1e-6)[0] / size
    return got, float(np.mean((light[rows] - design[rows] @ got) ** 2))
