"""String and foot where the string hangs before the card's foot and nothing of the foot is seen.

Then the foot is known from the print, by which the card was cut. The string's upper edge stands before plain card, but
its underside before wood, which the metal mirrors: no edge shows between them. It shows over the crowns. Each is
mirrored in the string's lower half as a bright line; between that and the crown itself string and crown shade each
other, and the underside is the dark line there. Its distance from the upper edge is the string's thickness, the same
over every crown: lines that are something else are of different ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.printed import Sheet
from inspect_app.measure.backdrop.card_foot import CardLight, StraightEdge, straightened
from inspect_app.measure.backdrop.string_edge import CLEAR_WHITE, THINNEST_MM, StringAndFoot, upper_edge
from shared.measured import COVERAGE_FACTOR

__all__ = [
    "CONTACT_MM",
    "CUT_FAR_MM",
    "CUT_U_MM",
    "ends_there",
    "is_as_printed",
    "printed_foot",
    "string_goes_on",
    "under_by_crowns",
]

Array = NDArray[np.float64]

CUT_U_MM = 0.12
"""Standard uncertainty of the foot's place against the print: cut by knife and rule from mark to mark, within 0.2 mm,
rectangular (GUM 4.3.7; common practice, no source)."""
CUT_FAR_MM = 4.0 * CUT_U_MM
"""Farther from its place by the print no foot is cut, at neither end: to twice what marks and rule allow, and as much
again for scissors and a print that is not quite of true size. Grain, a board's edge or a shadow may be as sharp and as
straight there."""
PARTS_MM = ((-0.8, -0.3), (-0.3, 0.3), (0.3, 0.8))
"""Parts of the crown's top looked at, from its middle. The string is straight; a crown's shade or its own image is
arched, a tenth of a millimetre lower at the outer two."""
STRAIGHT_PX = 2.5
"""How far the dark line in an outer part may be from the middle one's: it is two or three pixels wide."""
BEYOND_PX = 8.0
"""How far below the thickest string is looked at: its blur, and the crown's own light."""
SMOOTH_PX = 0.5
"""Scale of the smoothing of a profile: less than a photo's own blur."""
LEAST_FALL, LEAST_RISE = 0.03, 0.015
"""Light over the card's that the dark line is darker by than what is above and below it: several times the noise that
is left of twenty columns."""
ALIKE_PX = 1.5
"""How far thicknesses over the crowns may be from their median: half of the dark line's width."""
DARK_U_PX = 1.0
"""Standard uncertainty of where in the dark line the underside lies: half of its width; in rendered photos it was
within a pixel."""
CONTACT_PX = 3.0
"""How far below the card's foot the dark line under it may lie: a slit of 0.035 mm and the blur."""
CONTACT_MM = 0.035
"""Slit under which a crown is met: frets that a straight foot stands on are level within 0.03 mm (common practice, no
source)."""
CLEAR_OF_PX = 3.0
"""How far from another a dark line is another one: its width."""
SINKS_PX = 4.0
"""How far above the foot an underside that hides it may seem to lie: with more, card would show between."""


def printed_foot(sheet: Sheet) -> StraightEdge:
    """The card's foot as its print says."""
    width, height = sheet.size
    return StraightEdge(-height, 0.0, width / 2.0, CUT_U_MM, 0.0, 0.0, 0.0, width, 0.0)


def is_as_printed(foot: StraightEdge, sheet: Sheet) -> bool:
    """Whether an edge lies where the print says that the card was cut."""
    width, height = sheet.size
    return bool(max(abs(float(foot.y(x)) + height) for x in (0.0, width)) < CUT_FAR_MM)


def under_by_crowns(
    photo: Photo, plane: Plane, card: CardLight, foot: StraightEdge, at: Sequence[float], thickest: float
) -> StringAndFoot | None:
    """The string's underside by the crowns at some places along the card (mm), where it hides the foot.

    None where fewer than two agree, or the string does not hide the foot. Heights in the card's plane, mm.
    """
    lines = _by_crowns(photo, plane, card, at, thickest)
    if lines is None:
        return None
    top, under = lines
    u_edge = DARK_U_PX * card.pitch
    if other := _over_card(photo, plane, card, foot, lines, at, thickest):
        u_edge = math.hypot(u_edge, (other.at - under.at) / math.sqrt(12.0))
        under = other
    over = np.array([float(under.y(x) - foot.y(x)) for x in at])
    spare = SINKS_PX * card.pitch + 2.0 * CUT_U_MM
    if over.max() > spare or over.min() + top.at - under.at < -2.0 * CUT_U_MM:
        return None
    return StringAndFoot(under, foot, top, False, u_edge, CUT_U_MM)


def _over_card(
    photo: Photo,
    plane: Plane,
    card: CardLight,
    foot: StraightEdge,
    lines: tuple[StraightEdge, StraightEdge],
    at: Sequence[float],
    thickest: float,
) -> StraightEdge | None:
    """The next dark line above the string's underside by the crowns, where that may be their shade under the card's
    foot: it lies as close under it as that does, and white runs over it as card would. None where it does not."""
    top, under = lines
    below = _above(foot, under, at)
    if not 0.0 <= below < CONTACT_MM + CONTACT_PX * card.pitch:
        return None
    higher = _by_crowns(photo, plane, card, at, top.at - under.at - CLEAR_OF_PX * card.pitch)
    if higher is None:
        return None
    rows = card.row(np.stack([line.y(card.x) for line in (higher[1], under)]))
    within = np.arange(card.share.shape[1])[None, :]
    between = (within > rows[0][:, None]) & (within < rows[1][:, None])
    light = np.where(between, card.share, 0.0).max(axis=1)
    return higher[1] if np.median(light) > CLEAR_WHITE[0] else None


def string_goes_on(
    photo: Photo, plane: Plane, card: CardLight, foot: StraightEdge, at: Sequence[float], thickest: float
) -> bool:
    """Whether by the crowns the string's underside lies lower than what was taken for the card's foot.

    Then a bright line on the metal was taken for card. Under the card's own foot a crown is dark as well, but close to
    it.
    """
    lines = _by_crowns(photo, plane, card, at, thickest)
    return lines is not None and _above(foot, lines[1], at) > CONTACT_PX * card.pitch


def ends_there(
    photo: Photo, plane: Plane, card: CardLight, under: StraightEdge, at: Sequence[float], thickest: float
) -> bool:
    """Whether the string's underside lies by the crowns where a sliver of card was found to begin."""
    lines = _by_crowns(photo, plane, card, at, thickest)
    return lines is not None and abs(_above(under, lines[1], at)) < COVERAGE_FACTOR * DARK_U_PX * card.pitch


def _above(line: StraightEdge, other: StraightEdge, at: Sequence[float]) -> float:
    """How far a line runs above another at some places, mm."""
    return float(np.median([float(line.y(x) - other.y(x)) for x in at]))


def _by_crowns(
    photo: Photo, plane: Plane, card: CardLight, at: Sequence[float], thickest: float
) -> tuple[StraightEdge, StraightEdge] | None:
    """The string's upper edge, and its lower one by the crowns; None where fewer than two agree, or half of them."""
    top = upper_edge(card)
    if top is None:
        return None
    found = np.array([t for x in at if (t := _thickness(photo, plane, top, x, card.pitch, thickest)) is not None])
    if len(found) < 2:
        return None
    near = np.abs(found - np.median(found)) < ALIKE_PX * card.pitch
    if near.sum() < 2 or near.mean() <= 0.5:
        return None
    return top, replace(top, at=top.at - float(found[near].mean()))


def _thickness(photo: Photo, plane: Plane, top: StraightEdge, x: float, pitch: float, thickest: float) -> float | None:
    """From the string's upper edge down to the lowest straight dark line over a crown at `x`, mm; None where none
    shows."""
    parts = [_dark_lines(photo, plane, top, x, part, pitch, thickest) for part in PARTS_MM]
    for depth in sorted(parts[1], reverse=True):
        beside = [min(p, key=lambda d: abs(d - depth), default=math.inf) for p in (parts[0], parts[2])]
        if all(abs(d - depth) < STRAIGHT_PX * pitch for d in beside):
            return float(np.mean([depth, *beside]))
    return None


def _dark_lines(
    photo: Photo,
    plane: Plane,
    top: StraightEdge,
    x: float,
    part: tuple[float, float],
    pitch: float,
    thickest: float,
) -> list[float]:
    """How far below the string's upper edge each dark line lies, mm."""
    across = x + np.arange(part[0], part[1], pitch / 2.0)
    below = np.arange(-BEYOND_PX * pitch, thickest + BEYOND_PX * pitch, pitch / 2.0)
    light = straightened(photo, plane, across, float(top.y(x)) - below)
    if light is None:
        return []
    shear = np.round(top.slope * (across - x) / (pitch / 2.0)).astype(int)
    rows = (np.arange(len(below))[:, None] - shear[None, :]).clip(0, len(below) - 1)
    line = np.asarray(light[rows, np.arange(len(across))[None, :]].mean(axis=1), dtype=np.float64)
    line = gaussian_filter1d(line / max(float(np.median(line[below < -BEYOND_PX / 2.0 * pitch])), 1e-6), 2 * SMOOTH_PX)
    return [float(below[k]) for k in _lows(line, below) if THINNEST_MM < below[k] < thickest]


def _lows(line: Array, below: Array) -> list[int]:
    """Samples that are darker than the brightest to either side, as far as the next such."""
    lows = 1 + np.flatnonzero((line[1:-1] <= line[:-2]) & (line[1:-1] < line[2:]))
    bounds = [int(np.searchsorted(below, 0.0)), *(int(k) for k in lows), len(line) - 1]
    found = []
    for before, k, after in zip(bounds, bounds[1:], bounds[2:], strict=False):
        fall, rise = (float(line[a : b + 1].max(initial=0.0)) - line[k] for a, b in ((before, k), (k, after)))
        if fall > LEAST_FALL and rise > LEAST_RISE:
            found.append(k)
    return found
