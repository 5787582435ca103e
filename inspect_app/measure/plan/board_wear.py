"""Worn finish and finger hollows between the frets, from above: where, and how large.

Fingers wear the board under the strings, in the middle of a field and towards its fret, never beside the crowns' feet,
which keep them off. So the strips along both feet show the board unworn, under the same lamp: between them tone and
colour are drawn straight across, grain by grain, for fibres run along the neck. What a place differs from that by, over
what unworn wood differs by, tells wear. The wood's own figure is measured on the same strips: how much the two strips
of a field differ at the same fibre is how much the board changes on that way without any wear.

A worn place ends where half of its own difference is left, so that blur and a soft border move it neither way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, binary_opening, gaussian_filter1d, median_filter

from calib.photo import Photo
from calib.robust_spread import spread_about_zero
from inspect_app.measure.plan.board_field import LEAST_LONG_MM, STEP_MM, BoardField, lay_out
from inspect_app.measure.plan.board_inlays import inlays_of, is_inlay
from inspect_app.measure.plan.board_light import EDGE_MM, FEET_MM, LEAST_SEEN, light_bend, shadow_reach
from inspect_app.measure.plan.board_places import SEED_MM2, components, contours, filled, with_border
from inspect_app.measure.plan.frets import EndedFret
from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import Key, NotMeasured, Place, on_fret
from shared.measured import Contribution, Measured

__all__ = ["UNKNOWN_WHITE", "BoardWear", "find_board_wear"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

WEAR = "board wear"
SMOOTH_MM = 0.4
"""Standard deviation of the smoothing: grain is finer, worn places are wider than 2 mm."""
SEED = 16.3
"""Chi squared of three tones from which a place is strange: one in a thousand by the wood's figure alone."""
LEAST_MM2 = 5.0
"""Smallest worn place told: a finger tip's is 3 by 6 mm, and the thousand places of a board by chance are each smaller
than a tenth of that."""
PLATEAU, SURE = 4.0, 5.0
"""Standard deviations of the wood's figure that the middle of a worn place differs by at least: the root of `SEED`, and
more on dark boards, where shine thins colours unevenly (no source). Its own level is known to the inverse of them, and
to a fifth at best: worn wood has its figure too."""
FADES_MM = 0.85
"""Width of a border, from three quarters of a place's difference to a quarter, from which it is none: the smoothing
makes 1.35 x 0.4 mm of it, worn finish half as much again at most (no source). Figure that drifts along its fibres fades
over a field, and a hollow lit from the side over the flank that faces the lamp, as bright there as unworn wood."""
FADES = (
    "something differs here that has no clear border in this light, as where a hollow is lit from the side or the "
    "wood's figure drifts: light the board from another side"
)
OWN_LEVEL = 0.6
"""Quantile of a place's differences that is the middle of those inside its border: the smoothing fades a rim as wide as
its deviation, a fifth of a place 6 by 7 mm (20 mm round, 33 mm2: 0.4 x 20 / 33), and half of the rest lie higher."""
FAINTEST = 0.07
"""Least difference of log light or colour told for wear: paper-thin reflections and the lens's fall-off bend tones by a
few hundredths within a field."""
FIGURE_LEAST = (0.015, 0.006, 0.006)
"""Figure, in log light and in the two log colours, that is allowed for at least: one of 255 codes is 0.017 of the light
in mid tones (IEC 61966-2-1), and colours change less (no source)."""
SLOW_MM = 8.0
"""Along a fret, what the two strips differ by over more than this is the lamp's fall-off, and no figure: fingers wear
and wood changes its figure over less (common practice, no source)."""
SIDE_BY_SIDE_MM = 24.0
"""Over so much of a fret's length, worn places under one or two strings are less than half."""
FIGURE_MOST = (0.08, 0.025)
"""Figure, in log light and in log colour, from which it forbids telling wear: at `PLATEAU` times that, wood would have
to be a third lighter or darker, or an eighth greyer, and worn finish often is not (common practice, no source)."""
NOTHING_TOLD = (
    "the wood's own figure differs from place to place as much as worn finish does: wear can't be told from it"
)
COLOUR_TOLD = "the wood's own figure hides places that are only darker or lighter: those that are greyer would show"
UNTOLD = (
    "too little of the board shows between these frets, clear of their feet and shadows, to tell wear on it: high up "
    "the neck look at it yourself, else lay it bare and light it from the other side"
)
UNDER_INLAY = "a worn place runs against an inlay, and most of it may lie under that: look at it yourself"
MOSTLY = 0.5
"""Standard uncertainty of a place's area by what an inlay hides, over the area, from which it is not known."""
SHINE = 0.04
"""Share of the light that wood, oil or lacquer mirrors at its surface: ((n - 1) / (n + 1))^2 at n = 1.5 (Fresnel). Of a
board under twice as bright, half of what is seen is shine, which hollows and polish change as much as worn wood does.
Shine has the lamp's colour wherever it falls, so there only what differs in colour is told for wear."""
PAPER = 0.85
"""Share of the light that white paper sends back (ISO 2470-1 brightness of office papers is 0.8 to 1, from memory)."""
UNKNOWN_WHITE = 0.6
"""Linear light of paper where none is known to be in the photo: cameras expose it half a stop to a stop under the
brightest code (common practice, no source)."""
TOO_DARK = (
    "the board is so dark that half of its light is mirrored by its surface: worn places of the wood's own colour "
    "would not show"
)
MIDDLE = 0.87
"""Half-way between two strips, drawn straight from one to the other, wood differs by at most the root of 3/4 of what
they do from each other: for any figure whose difference grows with distance, 2 g(d/2) - g(d)/2 <= 3/2 g(d)."""
STREAK_MM = 1.6
"""What is nowhere so wide is a streak in the wood: strings press fingers wider than that."""
IN_DOUBT = 0.15
"""Share of a place's border that may lie against what can't be seen: its extent is not known there."""
EDGE_U_MM = 0.12
"""Standard uncertainty of where a worn place ends, half of its difference being a convention (no source)."""


@dataclass(frozen=True)
class BoardWear:
    """What was found: readings, their outlines, what could not be read, and on how many fields wear could be told."""

    values: dict[Key, Measured]
    outlines: tuple[Outline, ...]
    not_measured: tuple[NotMeasured, ...]
    fields_read: int


@dataclass(frozen=True)
class _Judged:
    """A field with its difference from unworn board, (rows, columns, 3), and where that can be told."""

    field: BoardField
    off: Floats
    seen: Mask
    strips: tuple[Floats, Floats]
    starts: tuple[float, float]

    @property
    def key(self) -> Key:
        """What is asked of the field."""
        return on_fret(self.field.number, WEAR)


def find_board_wear(
    photo: Photo, frets: Sequence[EndedFret], covers: Sequence[Floats], strings_on: bool, white: float = UNKNOWN_WHITE
) -> BoardWear:
    """Worn places of every field between two neighbouring frets.

    Parameters
    ----------
    covers : sequence of ndarray, shape (M, 2) each
        Closed outlines, in photo pixels, of what covers the board.
    strings_on : bool
        Whether strings lie over the board: they and their shadows look like wear, and nothing is read.
    white : float
        Linear light of paper in the photo, of at most 1.
    """
    board = Key(Place("board"), WEAR)
    if strings_on:
        why = "strings lie over the board: take the photo with the strings off, or slackened aside"
        return BoardWear({}, (), (NotMeasured(board, why),), 0)
    ordered = sorted(frets, key=lambda f: f.frame.number)
    pairs = [(a, b) for a, b in pairwise(ordered) if b.frame.number == a.frame.number + 1]
    laid = [f for a, b in pairs if (f := lay_out(photo, a, b, covers)) is not None]
    judged = [j for f in laid if (j := _judge(f)) is not None]
    if not judged:
        return BoardWear({}, (), (), 0)
    figure, forbids = _told(judged, white)
    if forbids == NOTHING_TOLD:
        return BoardWear({}, (), (NotMeasured(board, forbids),), 0)
    values: dict[Key, Measured] = {}
    outlines: list[Outline] = []
    said = [NotMeasured(board, forbids)] if forbids else []
    for j in judged:
        places = _places(j, figure)
        if isinstance(places, str):
            said.append(NotMeasured(j.key, places))
            continue
        for i, place in enumerate(places, 1):
            of = on_fret(j.field.number, WEAR, i)
            values |= {of.part(name): q for name, q in place.readings.items()}
            outlines.append(Outline("board_wear", place.outline, closed=True, of=of))
    fields_read = len(judged) - len(said) + bool(forbids)
    known = {j.field.number for j in judged}
    said += [NotMeasured(on_fret(b.frame.number, WEAR), UNTOLD) for _, b in pairs if b.frame.number not in known]
    return BoardWear(values, tuple(outlines), tuple(said), fields_read)


def _is_dark(judged: Sequence[_Judged], white: float) -> bool:
    """Whether the unworn board is under twice as bright as what a surface mirrors, in a light that paper is seen in."""
    unworn = np.concatenate([strip[:, 0] for j in judged for strip in j.strips])
    return math.exp(float(np.median(unworn))) < 2.0 * SHINE * white / PAPER


def _forbidden(figure: Floats) -> str:
    """What the wood's own figure forbids telling; nothing where it is quiet."""
    light, colour = figure[0] > FIGURE_MOST[0], float(figure[1:].min()) > FIGURE_MOST[1]
    return NOTHING_TOLD if light and colour else COLOUR_TOLD if light else ""


def _smoothed(tone: Floats, valid: Mask) -> Floats:
    """Tones smoothed over the valid places alone."""
    sigma = SMOOTH_MM / STEP_MM
    weight = cv2.GaussianBlur(valid.astype(np.float32), (0, 0), sigma)
    kept = np.where(valid[:, :, None], tone, 0.0).astype(np.float32)
    blurred = cv2.GaussianBlur(kept, (0, 0), sigma)
    return np.asarray(blurred / np.maximum(weight, 1e-3)[:, :, None], dtype=np.float64)


def _judge(field: BoardField) -> _Judged | None:
    """The field's difference from what the strips along its feet show; None where too little of it can be told."""
    tone = _smoothed(np.asarray(field.tone, dtype=np.float64), field.valid)
    rows = _off_edges(field)
    starts = shadow_reach(field, tone, rows)
    if starts is None:
        return None
    between = (field.x > starts[0] + FEET_MM[0]) & (field.x < field.x[-1] - starts[1] - FEET_MM[0])
    if between.sum() * STEP_MM < LEAST_LONG_MM:
        return None
    strips = []
    for columns in _strip_columns(field, starts):
        inside = field.valid[:, columns]
        share = inside.mean(axis=1)
        if np.mean(share[rows] > 0.5) < LEAST_SEEN:
            return None
        strip = (tone[:, columns] * inside[:, :, None]).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)[:, None]
        strips.append(np.asarray(strip))
    strips = _unworn(strips, starts)
    centres = [starts[0] + sum(FEET_MM) / 2.0, field.x[-1] - starts[1] - sum(FEET_MM) / 2.0]
    share = ((field.x - centres[0]) / (centres[1] - centres[0]))[None, :, None]
    off = tone - (1.0 - share) * strips[0][:, None, :] - share * strips[1][:, None, :]
    seen = field.valid & rows[:, None] & between[None, :]
    if seen[rows].mean() < LEAST_SEEN:
        return None
    return _Judged(field, off - light_bend(off, seen, share[0, :, 0]), seen, (strips[0], strips[1]), starts)


def _unworn(strips: list[Floats], starts: tuple[float, float]) -> list[Floats]:
    """Both strips; fibres that are worn in one of them replaced from the other.

    Only along a foot is a strip sure to be unworn. Beyond a fret's shadow fingers may have reached it: what it differs
    by from the strip along the other foot, over what wood does, is wear.
    """
    k = int(np.argmax(starts))
    if not starts[k]:
        return strips
    d = strips[k] - strips[1 - k]
    usual = median_filter(d, size=(round(SIDE_BY_SIDE_MM / STEP_MM), 1), mode="nearest")
    figure = np.maximum(spread_about_zero(d - usual, axis=0), FIGURE_LEAST)
    strange = np.sum(((d - usual) / figure) ** 2, axis=1) > PLATEAU**2
    wide = binary_opening(strange, np.ones(round(STREAK_MM / STEP_MM), bool))
    worn = binary_dilation(wide, iterations=round(2.0 * SMOOTH_MM / STEP_MM))
    out = list(strips)
    out[k] = np.where(worn[:, None], strips[1 - k] + usual, strips[k])
    return out


def _off_edges(field: BoardField) -> Mask:
    """The field's rows without those along the board's edges."""
    return np.asarray((field.y > EDGE_MM) & (field.y < field.y[-1] - EDGE_MM))


def _strip_columns(field: BoardField, starts: tuple[float, float]) -> tuple[slice, slice]:
    a, b = (round(v / STEP_MM) for v in FEET_MM)
    first, last = (round(v / STEP_MM) for v in starts)
    n = len(field.x)
    return slice(first + a, first + b), slice(n - last - b, n - last - a)


def _figure(judged: Sequence[_Judged]) -> Floats:
    """Standard deviation of what unworn wood differs by in a field's middle, for each of the three tones."""
    apart = []
    for j in judged:
        d = (j.strips[1] - j.strips[0])[_off_edges(j.field)]
        apart.append(d - gaussian_filter1d(d, SLOW_MM / STEP_MM, axis=0, mode="nearest"))
    d = np.concatenate(apart)
    return np.asarray(np.maximum(MIDDLE * spread_about_zero(d - np.median(d, axis=0), axis=0), FIGURE_LEAST))


@dataclass(frozen=True)
class _Found:
    """One worn place: its readings by name, its outline in photo pixels, and where it lies in its field."""

    readings: dict[str, Measured]
    outline: tuple[tuple[float, float], ...]
    along_fret: float
    mask: Mask
    strength: float
    is_mostly_hidden: bool = False


def _places(j: _Judged, figure: Floats) -> list[_Found] | str:
    """Worn places of one field, from the treble end on, inlays left out; or why they can't all be told."""
    strange = ((j.off / figure) ** 2).sum(axis=2)
    inlays = inlays_of(j.field.number, j.off, j.seen)
    seeds = components((strange > SEED) & j.seen & ~inlays)  # an inlay joins no places to its two sides
    taken = inlays.copy()
    found: list[_Found] = []
    why = ""
    for seed in sorted(seeds, key=lambda m: -int(m.sum())):
        seed = seed & ~taken
        if seed.sum() * STEP_MM**2 < SEED_MM2:
            continue
        place = _grown_from_seed(j, seed, figure, taken, inlays)
        if place is None:
            why = FADES if _cancels(j, seed, figure) else why
            continue
        mask, share, plateau = place
        taken |= mask
        fade = _fade_width(share, mask)
        one = _described(j, mask, fade, min(plateau, SURE), inlays)
        if not is_inlay(j.field.number, mask, one.strength, [f.mask for f in found]):
            why = FADES if fade > FADES_MM else UNDER_INLAY if one.is_mostly_hidden else why
        found.append(one)
    worn = [f for f in found if not is_inlay(j.field.number, f.mask, f.strength, [g.mask for g in found])]
    return why or sorted(worn, key=lambda f: f.along_fret)


def _grown_from_seed(
    j: _Judged, seed: Mask, figure: Floats, taken: Mask, inlays: Mask
) -> tuple[Mask, Floats, float] | None:
    """The place about a seed whose difference is at least half of its own, that share everywhere, and its own over the
    wood's figure; None where it is no more than that."""
    way = np.median(j.off[seed], axis=0)
    scaled = way / figure
    along = (j.off / figure) @ (scaled / np.linalg.norm(scaled))
    plateau = float(np.quantile(along[seed], OWN_LEVEL))
    least = PLATEAU if np.isfinite(figure).all() else SURE
    if plateau < least or float(np.abs(way[np.isfinite(figure)]).max()) < FAINTEST:
        return None
    share = along / plateau
    inside = (share > 0.5) & j.seen & ~taken
    _, labels = cv2.connectedComponents(inside.astype(np.uint8), connectivity=4)
    mask = np.isin(labels, labels[seed & inside])
    mask = filled(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0)
    whole = mask | _under_inlays(mask, inlays)  # what is left beside an inlay is narrow, and no streak
    if mask.sum() * STEP_MM**2 < LEAST_MM2 or _is_streak(whole) or _against_unseen(mask, j.field.valid) > IN_DOUBT:
        return None
    return mask, share, plateau


def _told(judged: Sequence[_Judged], white: float) -> tuple[Floats, str]:
    """The wood's own figure by what is looked at, and what it, or a board too dark, keeps from being told."""
    figure = _figure(judged)
    forbids = _forbidden(figure)
    if forbids != NOTHING_TOLD and _is_dark(judged, white):
        forbids = TOO_DARK
        figure[0] = np.inf  # light weighs nothing
    return figure, forbids


def _cancels(j: _Judged, seed: Mask, figure: Floats) -> bool:
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


def _described(j: _Judged, mask: Mask, fade: float, sure: float, inlays: Mask) -> _Found:
    field = j.field
    contour = max(contours(mask), key=len)[:, 0, :].astype(np.float64) * STEP_MM
    area, around = float(mask.sum() * STEP_MM**2), float(cv2.arcLength(contour.astype(np.float32), True))
    at_edges, under = _hidden_at_edges(j, mask), float(_under_inlays(mask, inlays).sum()) * STEP_MM**2
    hidden = at_edges + under
    area += at_edges / 2.0 + under
    rows, columns = np.nonzero(mask)
    y0, y1 = field.y[rows.min()], field.y[rows.max()]
    x0, x1 = field.x[columns.min()], field.x[columns.max()]
    whole = float(field.x[-1] * field.y[-1])
    # Half of the difference is a convention: worn wood may end anywhere in the border, mostly near its middle
    # (triangular, GUM 4.3.9), at each of the place's four sides in its own way. Its own level, known to 1 / sure,
    # moves the half by half of that all round, and the border, which falls by a half over `fade`, by fade / sure.
    u_edge = math.hypot(EDGE_U_MM, fade / 2.0 / math.sqrt(6.0), fade / sure)
    u_side = math.hypot(EDGE_U_MM, fade / 2.0 / math.sqrt(6.0)) / math.sqrt(4.0)
    beyond = _beyond_inlay(mask, inlays) * STEP_MM**2 / math.sqrt(3.0)
    u_area = math.hypot(around * math.hypot(u_side, fade / sure), hidden / math.sqrt(12.0), beyond)
    middle = float(rows.mean() * STEP_MM)
    px = field.to_px(contour[:, 0], contour[:, 1])
    step = max(1, len(px) // 60)  # so many points draw it well
    readings = {
        "from treble end": _length(middle, u_edge),
        "width": _length(float(y1 - y0), u_edge * math.sqrt(2.0)),
        "length": _length(float(x1 - x0), u_edge * math.sqrt(2.0)),
        "share": Measured(area / whole, "1", (Contribution("border of the worn place", u_area / whole),)),
    }
    outline = tuple((float(a), float(b)) for a, b in px[::step])
    strength = float(np.abs(np.median(j.off[mask], axis=0)).max())
    return _Found(readings, outline, middle, mask, strength, beyond > MOSTLY * area)


def _hidden_at_edges(j: _Judged, mask: Mask) -> float:
    """Area beside a place that lies in the margin left out along the board's edges, or in a fret's shadow, mm2: worn in
    part, anything from none of it to all (rectangular, GUM 4.3.7)."""
    rows, columns = (np.flatnonzero(j.seen.any(axis=axis)) for axis in (1, 0))
    reached = int(mask[rows[0]].sum()) + int(mask[rows[-1]].sum())
    shaded = sum(w * int(mask[:, c].sum()) for w, c in zip(j.starts, (columns[0], columns[-1]), strict=True))
    return (reached * EDGE_MM + shaded) * STEP_MM


def _under_inlays(mask: Mask, inlays: Mask) -> Mask:
    """What of inlays lies between parts of a worn place: fingers wear places without bays, so that it would be worn,
    were it wood."""
    whole = np.zeros(mask.shape, np.uint8)
    if (inlays & with_border(mask, 2)).any() and (outlines := contours(mask)):
        cv2.fillConvexPoly(whole, cv2.convexHull(np.concatenate(outlines)), 1)
    return np.asarray((whole > 0) & inlays & ~mask)


def _beyond_inlay(mask: Mask, inlays: Mask) -> float:
    """Cells that a worn place may have under an inlay beyond its bays: anything from none to so many, which is as far
    from none as their number over the root of 3 (RMS). Fewer where less than half of its border runs against one."""
    ring = with_border(mask, 2) & ~mask
    share = float((ring & with_border(inlays, 3)).sum() / max(int(ring.sum()), 1))
    near = with_border(mask, 6)
    rest = sum(int((c & ~_under_inlays(mask, inlays)).sum()) for c in components(inlays) if (c & near).any())
    return min(1.0, 2.0 * share) * rest


def _length(mm: float, u: float) -> Measured:
    return Measured(mm, "mm", (Contribution("border of the worn place", u),))


def _fade_width(share: Floats, mask: Mask) -> float:
    """Width over which a place's difference goes from three quarters to a quarter, mm: areas between over the way
    round."""
    near = with_border(mask, 7)  # over three deviations of the smoothing
    band = float(((share > 0.25) & (share < 0.75) & near).sum()) * STEP_MM**2
    around = sum(float(cv2.arcLength(c, True)) for c in contours(mask)) * STEP_MM
    return band / max(around, 1e-6)
