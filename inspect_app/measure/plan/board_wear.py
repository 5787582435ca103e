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

from calib.photo import Photo
from inspect_app.measure.plan.board_faint import finger_figure, is_more_worn
from inspect_app.measure.plan.board_field import STEP_MM, lay_out
from inspect_app.measure.plan.board_grown import SURE, bays, cancels, fade_width, grown_from_seed, under_inlays
from inspect_app.measure.plan.board_inlays import inlays_of, is_inlay
from inspect_app.measure.plan.board_judged import Judged, figure_of, judge
from inspect_app.measure.plan.board_light import EDGE_MM
from inspect_app.measure.plan.board_places import SEED_MM2, components, contours, with_border
from inspect_app.measure.plan.frets import EndedFret
from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import Key, NotMeasured, Place, on_fret
from shared.measured import Contribution, Measured

__all__ = ["UNKNOWN_WHITE", "BoardWear", "find_board_wear"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

WEAR = "board wear"
SEED = 16.3
"""Chi squared of three tones from which a place is strange: one in a thousand by the wood's figure alone."""
FADES_MM = 0.85
"""Width of a border, from three quarters of a place's difference to a quarter, from which it is none: the smoothing
makes 1.35 x 0.4 mm of it, worn finish half as much again at most (no source). Figure that drifts along its fibres fades
over a field, and a hollow lit from the side over the flank that faces the lamp, as bright there as unworn wood."""
FADES = (
    "something differs here that has no clear border in this light, as where a hollow is lit from the side or the "
    "wood's figure drifts: light the board from another side"
)
FIGURE_MOST = (0.08, 0.025)
"""Figure, in log light and in log colour, from which it forbids telling wear: at `PLATEAU` times that, wood would have
to be a third lighter or darker, or an eighth greyer, and worn finish often is not (common practice, no source)."""
NOTHING_TOLD = (
    "the wood's own figure differs from place to place as much as worn finish does: wear can't be told from it"
)
COLOUR_TOLD = "the wood's own figure hides places that are only darker or lighter: those that are greyer would show"
MORE = (
    "more of this field differs from unworn wood than can be told apart, too faintly to tell where it ends: look at it "
    "yourself, or take a sharp photo in brighter light"
)
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
EDGE_U_MM = 0.12
"""Standard uncertainty of where a worn place ends, half of its difference being a convention (no source)."""


@dataclass(frozen=True)
class BoardWear:
    """What was found: readings, their outlines, what could not be read, and on how many fields wear could be told."""

    values: dict[Key, Measured]
    outlines: tuple[Outline, ...]
    not_measured: tuple[NotMeasured, ...]
    fields_read: int


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
    judged = [j for f in laid if (j := judge(f)) is not None]
    if not judged:
        return BoardWear({}, (), (), 0)
    figure, forbids = _told(judged, white, photo.colour_step)
    if forbids == NOTHING_TOLD:
        return BoardWear({}, (), (NotMeasured(board, forbids),), 0)
    values: dict[Key, Measured] = {}
    outlines: list[Outline] = []
    said = [NotMeasured(board, forbids)] if forbids else []
    by_finger = _by_finger(judged, figure, forbids)
    for j in judged:
        places = _places(j, figure, by_finger)
        if isinstance(places, str):
            said.append(NotMeasured(on_fret(j.field.number, WEAR), places))
            continue
        for i, place in enumerate(places, 1):
            of = on_fret(j.field.number, WEAR, i)
            values |= {of.part(name): q for name, q in place.readings.items()}
            outlines.append(Outline("board_wear", place.outline, closed=True, of=of))
    fields_read = len(judged) - len(said) + bool(forbids)
    known = {j.field.number for j in judged}
    said += [NotMeasured(on_fret(b.frame.number, WEAR), UNTOLD) for _, b in pairs if b.frame.number not in known]
    return BoardWear(values, tuple(outlines), tuple(said), fields_read)


def _by_finger(judged: Sequence[Judged], figure: Floats, forbids: str) -> Floats:
    """The wood's figure over a finger's width; light says nothing where colour alone tells."""
    by_finger = finger_figure(judged, figure)
    if forbids == COLOUR_TOLD:
        by_finger[0] = np.inf
    return by_finger


def _is_dark(judged: Sequence[Judged], white: float) -> bool:
    """Whether the unworn board is under twice as bright as what a surface mirrors, in a light that paper is seen in."""
    unworn = np.concatenate([strip[:, 0] for j in judged for strip in j.strips])
    return math.exp(float(np.median(unworn))) < 2.0 * SHINE * white / PAPER


def _forbidden(figure: Floats) -> str:
    """What the wood's own figure forbids telling; nothing where it is quiet."""
    light, colour = figure[0] > FIGURE_MOST[0], float(figure[1:].min()) > FIGURE_MOST[1]
    return NOTHING_TOLD if light and colour else COLOUR_TOLD if light else ""


@dataclass(frozen=True)
class _Found:
    """One worn place: its readings by name, its outline in photo pixels, and where it lies in its field."""

    readings: dict[str, Measured]
    outline: tuple[tuple[float, float], ...]
    along_fret: float
    mask: Mask
    strength: float
    is_mostly_hidden: bool = False


def _places(j: Judged, figure: Floats, by_finger: Floats) -> list[_Found] | str:
    """Worn places of one field, from the treble end on, inlays left out; or why they can't all be told."""
    inlays = inlays_of(j.field.number, j.off, j.seen)
    strange = (((j.off / figure) ** 2).sum(axis=2) > SEED) & j.seen & ~inlays  # an inlay joins no two places
    seeds = components(strange)
    taken = inlays.copy()
    found: list[_Found] = []
    why = ""
    for seed in sorted(seeds, key=lambda m: -int(m.sum())):
        seed = seed & ~taken
        if seed.sum() * STEP_MM**2 < SEED_MM2:
            continue
        place = grown_from_seed(j, seed, strange, figure, taken, inlays)
        if place is None:
            why = FADES if cancels(j, seed, figure) else why
            continue
        mask = place.mask
        taken |= mask
        fade = fade_width(place.share, mask, j.seen)
        one = _described(j, mask, fade, min(place.plateau, SURE), inlays)
        if not is_inlay(j.field.number, mask, one.strength, [f.mask for f in found]):
            why = FADES if fade > FADES_MM else UNDER_INLAY if one.is_mostly_hidden else why
        found.append(one)
    worn = [f for f in found if not is_inlay(j.field.number, f.mask, f.strength, [g.mask for g in found])]
    if worn and not why and is_more_worn(j, taken & ~inlays, inlays, by_finger):
        why = MORE
    return why or sorted(worn, key=lambda f: f.along_fret)


def _told(judged: Sequence[Judged], white: float, colour_step: float) -> tuple[Floats, str]:
    """The wood's own figure by what is looked at, and what it, or a board too dark, keeps from being told."""
    figure = figure_of(judged, colour_step)
    forbids = _forbidden(figure)
    if forbids != NOTHING_TOLD and _is_dark(judged, white):
        forbids = TOO_DARK
        figure[0] = np.inf  # light weighs nothing
    return figure, forbids


def _described(j: Judged, mask: Mask, fade: float, sure: float, inlays: Mask) -> _Found:
    field = j.field
    contour = max(contours(mask), key=len)[:, 0, :].astype(np.float64) * STEP_MM
    area, around = float(mask.sum() * STEP_MM**2), float(cv2.arcLength(contour.astype(np.float32), True))
    at_edges, under = _hidden_at_edges(j, mask), float(under_inlays(mask, inlays).sum()) * STEP_MM**2
    in_bays = float(bays(mask, j.seen & ~inlays).sum()) * STEP_MM**2
    hidden = at_edges + under + in_bays
    area += (at_edges + in_bays) / 2.0 + under
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


def _hidden_at_edges(j: Judged, mask: Mask) -> float:
    """Area beside a place that lies in the margin left out along the board's edges, or in a fret's shadow, mm2: worn in
    part, anything from none of it to all (rectangular, GUM 4.3.7)."""
    rows, columns = (np.flatnonzero(j.seen.any(axis=axis)) for axis in (1, 0))
    reached = int(mask[rows[0]].sum()) + int(mask[rows[-1]].sum())
    shaded = sum(w * int(mask[:, c].sum()) for w, c in zip(j.starts, (columns[0], columns[-1]), strict=True))
    return (reached * EDGE_MM + shaded) * STEP_MM


def _beyond_inlay(mask: Mask, inlays: Mask) -> float:
    """Cells that a worn place may have under an inlay beyond its bays: anything from none to so many, which is as far
    from none as their number over the root of 3 (RMS). Fewer where less than half of its border runs against one."""
    ring = with_border(mask, 2) & ~mask
    share = float((ring & with_border(inlays, 3)).sum() / max(int(ring.sum()), 1))
    near = with_border(mask, 6)
    rest = sum(int((c & ~under_inlays(mask, inlays)).sum()) for c in components(inlays) if (c & near).any())
    return min(1.0, 2.0 * share) * rest


def _length(mm: float, u: float) -> Measured:
    return Measured(mm, "mm", (Contribution("border of the worn place", u),))
