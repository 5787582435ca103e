"""What light beside an edge says of it: a shadow's or a reflection's, a halo, or metal that is burnt out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d
from scipy.special import ndtr

from calib.edge_response import srgb_codes
from calib.edges import row_offsets, sample_across
from calib.photo import Photo, linear_light
from inspect_app.measure.backdrop.edge_path import EdgePath
from inspect_app.measure.backdrop.outline import FINE_PX

__all__ = ["BURNT", "crowded_px", "is_halo", "is_soft", "lights_of"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SHADE_PX = 9.0
"""How far to both sides of an edge light is looked at: four standard deviations and more of a photo as soft as two
pixels."""
SOFTER = float(ndtr(-1.0))
"""Share of a step that has come two standard deviations of the print's blur before its middle from which its edge is
none in focus: it is twice as soft."""
FAR_SOFTER = float(ndtr(-0.5))
"""The same of one that is four times as soft."""
STEEPER = 2.0
"""From so many times as steep an edge behind one that is four times as soft is the rim: a step of half its size is."""
BEHIND_PX = 30.0
"""How far behind such an edge a steeper one may lie: the light about a fret that its own metal throws on the card fades
over half a millimetre, 10 to 30 pixels."""
SHARP_PX = 0.8
"""Standard deviation of a sharp photo's blur: less than it, edges do not push each other."""
HALO_PX = 6.0
"""How far from an edge a halo reaches at most: two standard deviations of the widest sharpening in use (no source)."""
ECHO, HALO_TIMES = 0.08, 1.5
"""What coding makes beside a strong edge, as a share of its step (see `section.face_edges`), and how much more than
beside the print a halo may be along a metal's edge, whose light changes (no source)."""
BURNT = 0.95
"""Linear light, five 8-bit steps below white, beyond which metal may be any amount brighter: blur then carries an
edge outwards, 2 pixels at fifty times white (the light a distance x outside an edge is that of the normal
distribution's tail)."""
NEAR_METAL_PX = 30.0
"""How far onto the metal it is looked at whether a reflection is cut off flat: two thirds of an everyday crown."""
LEVEL_PX = 150.0
"""How far along the fret processing keeps burnt-out tones at one level: 3 mm, it evens out brightness over parts of the
picture many times as large (common practice, no source)."""
TOP, EVEN, EVEN_SHARE, MORE_SHARE = 0.9, 0.012, 0.5, 0.15
"""Of the metal above the first share of a level, what lies within three 8-bit code steps of it: a third where a
reflection has a round top (a parabola's: sqrt(0.012 / 0.1)), nearly all where it is cut off, less what halos beside its
borders take. So much more may be brighter: those halos."""
SOME, BRIGHTEST, ALIKE = 8, 0.99, 0.8
"""Every how many-th pixel, and which quantile of them, tells what is brightest in a photo, a hundredth of which lamps'
lines on frets take; and the share of that which burnt-out light keeps where it was turned down most (no source)."""
REACH_PX = 3.0
"""How far burnt-out metal, or the corner of a bright part, spoils its neighbourhood: three standard deviations of a
sharp photo's blur."""


def is_soft(photo: Photo, edge: EdgePath, blur_px: float) -> bool:
    """Whether light changes towards an edge, on the card's side, so gently that it is a shadow's on the card.

    Metal and card stand within 2 mm of each other, both in focus or neither; a lamp's shadow has no sharp edge. Between
    the card and metal brighter than it lies a darker band, with a steeper edge behind it: the cut face, as sharp as the
    card's print, or shade, which deepens towards the metal. Told by how much of a step has come two standard deviations
    of the print's blur before its steepest place, the median of its points. What is softer still is light or shade on
    the card with any steeper edge behind it, whichever way that steps."""
    if len(edge.px) < 3:
        return False
    tangent = edge.px[-1] - edge.px[0]
    tangent /= max(float(np.linalg.norm(tangent)), 1e-9)
    normal = np.broadcast_to([tangent[1], -tangent[0]], edge.px.shape)
    offsets, light = row_offsets(BEHIND_PX), np.nan_to_num(sample_across(photo, edge.px, normal, BEHIND_PX))
    slope = gaussian_filter1d(light, FINE_PX / (offsets[1] - offsets[0]), axis=1, order=1)
    on = slope[:, int(np.argmin(np.abs(offsets)))]
    steepest = np.abs(slope[:, offsets > 3.0 * blur_px]).max(axis=1)
    near = np.abs(offsets) <= SHADE_PX
    offsets = offsets[near]
    light, slope = (part[:, near] * np.sign(on)[:, None] for part in (light, slope))
    card = np.median(light[:, offsets < -2.0 * SHADE_PX / 3.0], axis=1)
    top = light[:, (offsets > 0.0) & (offsets < 3.0 * blur_px)].max(axis=1)
    before = light[:, int(np.argmin(np.abs(offsets + 2.0 * blur_px)))]
    share = float(np.median((before - card) / np.maximum(top - card, 1e-4)))
    behind = -float(np.mean(slope[:, offsets > 0.0], axis=0).min())
    shade = share > SOFTER and behind > float(np.mean(np.abs(on)))
    return shade or (share > FAR_SOFTER and bool(np.median(steepest - STEEPER * np.abs(on)) > 0.0))


def is_halo(photo: Photo, px: Array, apart: float, overshoot: float) -> bool:
    """Whether light beside an edge, points (N, 2) with the card to the right, that goes the other way than the edge
    does up to `apart` px and a blur farther out, is no more than the halo that sharpening leaves beside all edges.

    `overshoot` is what the print's edges have of it, as a share of their step in codes."""
    if apart > HALO_PX:
        return False
    tangent = (px[-1] - px[0]) / max(float(np.linalg.norm(px[-1] - px[0])), 1e-9)
    normal = np.broadcast_to([tangent[1], -tangent[0]], px.shape)
    reach = SHADE_PX + REACH_PX
    codes, offsets = srgb_codes(np.nanmean(sample_across(photo, px, normal, reach), axis=0)), row_offsets(reach)
    card = float(np.median(codes[offsets < -SHADE_PX + REACH_PX]))
    metal = codes[(offsets > 0.0) & (offsets < REACH_PX)]
    step = float(metal[np.argmax(np.abs(metal - card))]) - card
    beside = codes[(offsets > -apart - REACH_PX) & (offsets < 0.0)]
    other_way = float(np.max(np.sign(-step) * (beside - card)))
    return other_way < max(ECHO, HALO_TIMES * overshoot) * abs(step)


def burnt_from(photo: Photo, px: Array, normal: Array) -> float:
    """Light from which metal beside an edge may be burnt out; `normal` (N, 2) leads onto the metal.

    What the sensor burnt out is white only until the photo's processing turns bright parts down. It is even then still,
    and hardly anything is brighter: a reflection cut off flat, brighter than the card, and not much darker than what is
    brightest in the photo."""
    light, offsets = np.nan_to_num(sample_across(photo, px, normal, LEVEL_PX)), row_offsets(LEVEL_PX)
    near = np.abs(offsets) < NEAR_METAL_PX
    card = float(np.median(light[:, (offsets < -REACH_PX) & near]))
    metal, farther = (light[:, (offsets > REACH_PX) & some].ravel() for some in (near, ~near))
    count, edges = np.histogram(metal, np.arange(0.0, 1.0 + EVEN, EVEN))
    bright = edges[:-1] > TOP * float(np.quantile(metal, TOP))
    level = float(edges[int(np.argmax(np.where(bright, count, 0)))]) + EVEN / 2.0
    top, even = (float(np.mean(some)) for some in (metal > TOP * level, np.abs(metal - level) < EVEN))
    brighter = max(float(np.mean(some > level + 2.0 * EVEN)) for some in (metal, farther))
    brightest = float(np.quantile(linear_light(photo.gray[::SOME, ::SOME]), BRIGHTEST))
    cut_off = even > EVEN_SHARE * top and brighter < MORE_SHARE * top and level > max(card, ALIKE * brightest)
    return min(BURNT, BURNT * level) if cut_off else BURNT


def crowded_px(photo: Photo, edge: EdgePath) -> Array:
    """How far an edge that steps the other way, just behind an end's points (N,), may have pushed them outwards, px.

    The slopes of two steps of heights 1 and -r, w apart, blurred by a normal distribution of sigma, are steepest where
    those of one are but for ``r w exp(-w^2 / 2 sigma^2)``: a cut face two pixels wide beside burnt-out metal."""
    tangent = edge.px[-1] - edge.px[0]
    tangent /= max(float(np.linalg.norm(tangent)), 1e-9)
    normal = np.broadcast_to([tangent[1], -tangent[0]], edge.px.shape)
    sigma = math.hypot(SHARP_PX, FINE_PX)
    rows, offsets = np.nan_to_num(sample_across(photo, edge.px, normal, SHADE_PX)), row_offsets(SHADE_PX)
    slope = gaussian_filter1d(uniform_filter1d(rows, 5, axis=0), FINE_PX / (offsets[1] - offsets[0]), axis=1, order=1)
    own = slope[:, int(np.argmin(np.abs(offsets)))]
    behind = (offsets > 0.0) & (offsets < 3.0 * sigma)
    other_way = np.clip(-slope[:, behind] * np.sign(own)[:, None], 0.0, None) / np.maximum(np.abs(own), 1e-9)[:, None]
    peak = np.argmax(other_way, axis=1)
    w, ratio = offsets[behind][peak], other_way[np.arange(len(own)), peak]
    return np.asarray(ratio * w * np.exp(-(w**2) / (2.0 * sigma**2)))


def lights_of(photo: Photo, edge: EdgePath, blur: float = 1.0, pool: int = 5) -> tuple[Mask, Mask, Mask]:
    """Of an end's points: beside burnt-out metal; beside metal brighter than the card; where one turns to the other.

    There blur rounds the corner of the bright part, and no edge is where the metal ends. `blur` is the photo's relative
    to a sharp one's, `pool` the neighbours that are averaged."""
    tangent = edge.px[-1] - edge.px[0]
    tangent /= max(float(np.linalg.norm(tangent)), 1e-9)
    normal = np.broadcast_to([tangent[1], -tangent[0]], edge.px.shape)
    rows = np.nan_to_num(sample_across(photo, edge.px, normal, REACH_PX))
    offsets = row_offsets(REACH_PX)
    inside = offsets > 0.0
    own = offsets * np.exp(
        -((offsets / FINE_PX) ** 2) / 2.0
    )  # the derivative that placed it: what is beside tells less
    apart = float(np.median(np.linalg.norm(np.diff(edge.px, axis=0), axis=1)))
    reach = 2 * math.ceil(REACH_PX * blur / max(apart, 0.1)) + 1
    burnt = maximum_filter1d(rows[:, inside].max(axis=1) > burnt_from(photo, edge.px, normal), reach)
    brighter = uniform_filter1d(rows @ own, pool) > 0.0
    return burnt, brighter, maximum_filter1d(np.diff(brighter, prepend=brighter[0]), reach)
