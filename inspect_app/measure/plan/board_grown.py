"""Worn places grown from where a field is strange, to half of their own difference from unworn wood."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.board_field import STEP_MM, mixed
from inspect_app.measure.plan.board_judged import PLATEAU, SMOOTH_MM, Judged
from inspect_app.measure.plan.board_places import STREAK_MM, components, contours, filled, with_border

__all__ = ["LEAST_MM2", "SURE", "Grown", "bays", "cancels", "fade_width", "grown_from_seed", "under_inlays"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_MM2 = 5.0
"""Smallest worn place told: a finger tip's is 3 by 6 mm, and the thousand places of a board by chance are each smaller
than a tenth of that."""
LIGHT_TOO = 2.0
"""Standard deviations of the wood's figure by which light must differ for a place not to be told by colour alone."""
SURE = 5.0
"""The same as `PLATEAU` for what is told by colour alone: shine thins it and files round it off unevenly (no source).
A place's own level is known to the inverse of what it differs by, to a fifth at best: worn wood has its figure too."""
OWN_LEVEL = 0.6
"""Quantile of a place's differences that is the middle of those inside its border: the smoothing fades a rim as wide as
its deviation, a fifth of a place 6 by 7 mm (20 mm round, 33 mm2: 0.4 x 20 / 33), and half of the rest lie higher."""
FAINTEST = 0.07
"""Least difference of log light or colour told for wear: paper-thin reflections and the lens's fall-off bend tones by a
few hundredths within a field."""
IN_DOUBT = 0.15
"""Share of a place's border that may lie against what can't be seen: its extent is not known there."""
AVERTED = 0.35
"""Share of what a hollow's one flank differs by that its other flank must differ by the other way: a phone's tone
mapping and sharpening throw a brim of less than a third round what is dark or bright (no source)."""
SEAM_CELLS = round(2.0 * SMOOTH_MM / STEP_MM)
"""Between a hollow's two flanks, where the one's difference turns into the other's: two deviations of the smoothing."""
PART_MM = 1.0
"""Narrowest part of a place that colour alone adds: borders by it and by all tones differ by less, by their noise."""


@dataclass(frozen=True)
class Grown:
    """A worn place, its difference as a share of its own everywhere, and its own over the wood's figure."""

    mask: Mask
    share: Floats
    plateau: float


def grown_from_seed(j: Judged, seed: Mask, strange: Mask, figure: Floats, taken: Mask, inlays: Mask) -> Grown | None:
    """The place about a seed whose difference is at least half of its own; None where it is no more than wood's figure.

    A hollow lit from the side has two flanks, one brighter and one darker than the board: both are it, with the seam
    between them.
    """
    place = _one_way(j, seed, figure, taken)
    if place is None:
        return None
    beside = with_border(place.mask, SEAM_CELLS)
    for rest in components(strange & ~taken & ~place.mask & (place.share < 0.0)):
        other = _one_way(j, rest, figure, taken | place.mask) if (rest & beside).any() else None
        if other is not None and other.plateau > AVERTED * place.plateau:
            place = _joined(place, other)
    place = _with_colour(j, place, figure, taken)
    mask = place.mask
    if not mask.any() or _strength(j.off[mask], figure) < FAINTEST:
        return None
    whole = mask | under_inlays(mask, inlays)  # what is left beside an inlay is narrow, and no streak
    if mask.sum() * STEP_MM**2 < LEAST_MM2 or _is_streak(whole) or _against_unseen(mask, j.field.valid) > IN_DOUBT:
        return None
    return place


def _one_way(j: Judged, seed: Mask, figure: Floats, taken: Mask, faintest: float = FAINTEST) -> Grown | None:
    """What about a seed differs the way that most of it does."""
    way = _most(j.off[seed], figure)
    scaled = way / figure
    along = (j.off / figure) @ (scaled / np.linalg.norm(scaled))
    plateau = float(np.quantile(along[seed], OWN_LEVEL))
    least = PLATEAU if abs(scaled[0]) > LIGHT_TOO else SURE
    if plateau < least or float(np.abs(way[np.isfinite(figure)]).max()) < faintest:
        return None
    unworn = np.median((j.strips[0] + j.strips[1])[seed.any(axis=1)] / 2.0, axis=0)
    full = way * plateau / float(np.linalg.norm(scaled))
    share = _of_surface(along / plateau, (mixed(unworn, full) / figure) @ (scaled / np.linalg.norm(scaled)) / plateau)
    inside = (share > 0.5) & j.seen & ~taken
    _, labels = cv2.connectedComponents(inside.astype(np.uint8), connectivity=4)
    mask = np.isin(labels, labels[seed & inside])
    mask = filled(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0)
    return Grown(mask, share, plateau)


def _of_surface(share: Floats, mixtures: Floats) -> Floats:
    """Share of the surface that is worn, from that of a difference, which it is for even steps from 0 to 1."""
    rising = np.maximum.accumulate(mixtures)
    between = np.interp(share, rising, np.linspace(0.0, 1.0, len(rising)))
    return np.asarray(np.where((share > 0.0) & (share < 1.0), between, share))


def _with_colour(j: Judged, place: Grown, figure: Floats, taken: Mask) -> Grown:
    """A place with the parts of it that differ in colour alone: a hollow's flank may be as bright as unworn wood or
    brighter, but it is worn wood all over. Only parts wider than its border is sure are new."""
    if not place.mask.any():
        return place
    by_colour = _one_way(j, place.mask, np.array([np.inf, *figure[1:]]), taken, 0.0)
    if by_colour is None:
        return place
    n = round(PART_MM / STEP_MM)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (n, n))
    more = cv2.morphologyEx((by_colour.mask & ~place.mask).astype(np.uint8), cv2.MORPH_OPEN, disc) > 0
    share = np.where(with_border(more, 2), np.maximum(place.share, by_colour.share), place.share)
    return Grown(filled(place.mask | more), share, place.plateau)


def _most(off: Floats, figure: Floats) -> Floats:
    """By how much most of the places, (N, 3), differ: of a hollow's two flanks, the larger."""
    scaled = off / figure
    leading = scaled[:, int(np.argmax(np.median(np.abs(scaled), axis=0)))]
    return np.asarray(np.median(off[(leading > 0.0) == (np.median(leading) > 0.0)], axis=0))


def _strength(off: Floats, figure: Floats) -> float:
    """By how much a place's tones, (N, 3), differ: the one that does most, of those that tell wear here."""
    return float(np.abs(_most(off, figure)[np.isfinite(figure)]).max())


def _joined(one: Grown, other: Grown) -> Grown:
    """Two flanks as one place, where they meet; else the one alone."""
    n = SEAM_CELLS
    seam = with_border(one.mask, n) & with_border(other.mask, n)
    if not seam.any() or not other.mask.any():
        return one
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * n + 1, 2 * n + 1))
    both = one.mask | other.mask
    closed = cv2.morphologyEx(both.astype(np.uint8), cv2.MORPH_CLOSE, disc) > 0
    share = np.where(seam & closed, 1.0, np.maximum(one.share, other.share))
    return Grown(filled(both | (seam & closed)), share, min(one.plateau, other.plateau))


def cancels(j: Judged, seed: Mask, figure: Floats) -> bool:
    """Whether a seed differs as much as worn places do, but not alike, as a hollow's two flanks: it has no difference
    of its own by which it could be told where it ends."""
    off = j.off[seed][:, np.isfinite(figure)]
    each, alike = float(np.quantile(np.abs(off).max(axis=1), OWN_LEVEL)), float(np.abs(np.median(off, axis=0)).max())
    wide = seed.sum() * STEP_MM**2 >= LEAST_MM2 and not _is_streak(seed)
    return bool(wide and each >= FAINTEST > alike and _against_unseen(seed, j.field.valid) <= IN_DOUBT)


def _is_streak(mask: Mask) -> bool:
    """Whether a place is hardly anywhere so wide as a finger presses."""
    n = round(STREAK_MM / STEP_MM)
    wide = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (n, n)))
    return bool(wide.sum() < 0.5 * mask.sum())


def _against_unseen(mask: Mask, valid: Mask) -> float:
    """Share of a place's border that lies against what can't be seen."""
    ring = with_border(mask, 2) & ~mask
    return float((ring & ~valid).sum() / max(int(ring.sum()), 1))


def under_inlays(mask: Mask, inlays: Mask) -> Mask:
    """What of inlays lies between parts of a worn place: fingers wear places without bays, so that it would be worn,
    were it wood."""
    whole = np.zeros(mask.shape, np.uint8)
    if (inlays & with_border(mask, 2)).any() and (outlines := contours(mask)):
        cv2.fillConvexPoly(whole, cv2.convexHull(np.concatenate(outlines)), 1)
    return np.asarray((whole > 0) & inlays & ~mask)


def bays(mask: Mask, seen: Mask) -> Mask:
    """Parts seen between parts of a place, less than two fingers' pressings wide: the one flank of a hollow may be as
    bright as unworn wood, and where two places meet there is some of that."""
    n = round(2.0 * STREAK_MM / STEP_MM)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (n + 1, n + 1))
    wide = np.pad(mask.astype(np.uint8), n)
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc)[n:-n, n:-n] > 0
    return np.asarray(closed & seen & ~mask)


def fade_width(share: Floats, mask: Mask, seen: Mask) -> float:
    """Width over which a place's difference goes from three quarters to a quarter, mm: areas between over the way
    round, as far as that is seen."""
    near = with_border(mask, 7)  # over three deviations of the smoothing
    band = float(((share > 0.25) & (share < 0.75) & near & seen).sum()) * STEP_MM**2
    around = sum(float(cv2.arcLength(c, True)) for c in contours(mask)) * STEP_MM
    inner = mask & ~(cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0)
    border = inner & with_border(~mask & seen, 1)
    return band / max(around * float(border.sum() / max(int(inner.sum()), 1)), 1e-6)
