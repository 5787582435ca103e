"""The outer string against the backdrop: its underside, and the backdrop's foot where the string hides most of it.

A string is straight, so both its edges are straight lines on the card's plane; what lamp and surroundings draw on the
metal between them changes along it and is not used. Its lowest edge is what a feeler gauge touches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from calib.lines import MAD_TO_SD
from inspect_app.measure.backdrop.card_foot import (
    DERIVATIVE_PX,
    NEAR_PX,
    CardLight,
    StraightEdge,
    fitted_edge,
    is_soft,
    steepest,
)

__all__ = ["CLEAR_WHITE", "HIDDEN", "THICKEST_MM", "THINNEST_MM", "StringAndFoot", "find_string", "upper_edge"]

Array = NDArray[np.float64]

EDGE_SIGMAS = 8.0
"""Steepness over its own noise from which a block shows an edge of the string: 1 in 10^15 by chance, and far above the
soft shadows of the string on the card."""
LEAST_STEP = 0.08
"""Least step of light, over the card's own, that is taken for a string's edge: paper's own tone wanders by half."""
WIDER = 2.0
"""Times that a string's edge may be wider than the card's foot: out of focus by as much again as the photo is blurred
it is 1.4 times as wide, and a phone's sharpening, cut off at white, narrows the stronger of two edges by a third more.
A shadow from a millimetre away, thrown by a lamp ten degrees wide, falls off over 0.2 mm: more than twice as wide even
at 16 pixels to the millimetre."""
LEAST_SHARE = 0.35
"""Share of the blocks that must show the string's underside: where the metal mirrors the card it vanishes."""
LIKE_THE_BEST = 0.5
"""Votes over those of the line seen best, that the string's lowest line needs."""
SLOPES = np.linspace(-0.03, 0.03, 61)
"""Of the string against the print: 1.7 degrees either way; a string rises by a degree at most from fret to fret (common
practice, no source), and the card stands on the crowns under it."""
CLEAR_PX = 6.0
"""Card between string and foot from which both edges are seen apart: three standard deviations of blur on each side."""
CLEAR_WHITE = (0.8, 1.2)
"""Light of that card just under the string over the card's above it: both throw soft shadows on it and light back."""
THICKEST_MM = 1.7
"""No string is thicker: the heaviest wound bass strings (common practice, no source)."""
THINNEST_MM = 0.12
"""None is thinner: the finest plain strings are 0.18 mm (common practice, no source), and a blurred pixel less."""
RIDGE = 0.08
"""How far a sliver of card must stand out above the light to both sides, over the card's own: grain in wood, blurred by
the photo, stands out by half of that."""
OVER_GRAIN = 1.3
"""Times that a sliver must stand out more than nearly all bright lines in the wood below."""
FINE_PX = 0.5
"""Scale of the derivative that places an edge once it is found: a dark line as wide as b beside it moves the steepest
place by b exp(-b^2 / 2 s^2), s being blur and scale together: 0.4 pixels for three with a scale of 1.2, 0.03 with this.
Noise is no reason for more: a block has twenty columns, a string eighty blocks."""
HALO_PX = 3.0
"""How far beside an edge sharpening brightens: two to three times the blur. Metal is no brighter than card there: the
lowest sixth of a round string mirrors what lies behind it."""
EDGE_U_PX, THIN_U = 0.1, 8.0
"""Standard uncertainty of an edge in a photo, a tenth of a pixel; half a pixel where the string is four pixels thick,
falling with the square (a blur of a pixel against dark and bright lines a third as thick as the string; no source)."""
LINE_BELOW_PX, LINE_BELOW_MM = 4.0, 0.4
"""From where to where below the foot no straight edge may run: beyond its blur, within half of a string's thickness."""
SLIVER_WHITE = 1.05
"""Light over that of the card over the string that a sliver of it reaches at most; a lamp's line on the string reaches
more."""
RIM_PX, WOOD_PX = (1.5, 7.5, 0.5), (8.0, 12.0, 0.5)
"""Where below a sliver the string's lower rim would be, and where wood is: a string's dark rim is a quarter of it
thick, seven pixels of the thickest first one."""
LEAST_RIM = 0.04
"""Light over the card's by which such a rim is darker than the wood, in most blocks: half of what a ridge stands out
by."""
LEAST_RIDGES = 0.2
"""Share of the blocks that must show the sliver."""
THINNEST_SLIVER_PX = 0.4
"""Width under which a sliver is lost among what lies to its sides."""
SLIVER_U_PX = 0.25
"""Standard uncertainty of a sliver's width from its light: card and string beside it may be a tenth brighter or darker
than taken, and sharpening moves light about (no source)."""


HIDDEN = "the string hides the backdrop's foot; lower the camera, under the crowns' level if need be, until card shows"


@dataclass(frozen=True)
class StringAndFoot:
    """The string's underside and the card's foot on the card's plane, mm.

    Attributes
    ----------
    under, foot : StraightEdge
    top : StraightEdge or None
        The string's upper edge, where it is seen.
    sliver : bool
        Whether the string hides most of the foot, so that both were read off a sliver of card between them.
    u_edge : float
        Standard uncertainty of the distance of both besides scatter, mm.
    u_cut : float
        Of the foot's own place where none of it is seen and it is taken from the print, mm; else 0.
    """

    under: StraightEdge
    foot: StraightEdge
    top: StraightEdge | None
    sliver: bool
    u_edge: float
    u_cut: float = 0.0

    @property
    def covered(self) -> bool:
        """Whether nothing of the foot is seen."""
        return self.u_cut > 0.0

    @property
    def thick(self) -> float | None:
        """The string's thickness as seen, mm; None where its upper edge is not."""
        return None if self.top is None else self.top.at - float(self.under.y(self.top.middle))


def find_string(card: CardLight, foot: StraightEdge | None, thickest: float = THICKEST_MM) -> StringAndFoot | str:
    """The string before the card, at most so thick (mm), or why it can't be made out."""
    edges = _edges(card)
    if foot is not None:
        row = card.row(foot.y(card.x))
        above = edges & (np.arange(card.share.shape[1])[None, :] < (row - 2.0 * CLEAR_PX)[:, None])
        line = _lowest(card, above, LEAST_SHARE)
        while line is not None and (_is_soft_beside(card, line, row) or _is_shade(card, line, row, thickest)):
            above = above & (np.arange(card.share.shape[1])[None, :] < (line - 4.0 * NEAR_PX)[:, None])
            line = _lowest(card, above, LEAST_SHARE)
        if line is not None and _white_between(card, line, row):
            under = _refined(card, line, _has_room(line, row))
            if under is None:
                return "the string's underside does not show as a line; change the light"
            top = _top(card, edges, line)
            if top is not None:  # else the line is the upper edge itself, and what was taken for card is bright metal
                return StringAndFoot(under, foot, top, False, _u_edge(under, top, card.pitch))
    return _by_sliver(card, edges, thickest)


def _u_edge(under: StraightEdge, top: StraightEdge | None, pitch: float) -> float:
    """Standard uncertainty of an edge's place besides scatter, mm: more where dark and bright lines on a thin string
    run into each other within the blur."""
    across = THINNEST_MM / pitch if top is None else max((top.at - under.at) / pitch, 1.0)
    return pitch * float(np.hypot(EDGE_U_PX, THIN_U / across**2))


def _edges(card: CardLight) -> NDArray[np.bool_]:
    """Where each block's light changes sharply, at the steepest sample."""
    scale = DERIVATIVE_PX * 2.0
    slope = np.abs(gaussian_filter1d(card.share, scale, axis=1, order=1))
    plain = slope[:, : card.plain]
    noise = max(MAD_TO_SD * float(np.median(plain)), float(np.quantile(plain, 0.99)) / 2.58)
    least = max(EDGE_SIGMAS * noise, LEAST_STEP / (np.sqrt(2.0 * np.pi) * np.hypot(scale, 2.0)))
    return np.asarray((slope > least) & (slope >= maximum_filter1d(slope, 3, axis=1)))


def _lowest(card: CardLight, edges: NDArray[np.bool_], least_share: float) -> Array | None:
    """The lowest straight line that enough blocks have an edge on, as its row in each block."""
    votes, middle = _votes(card, edges)
    least = max(least_share * len(card.x), LIKE_THE_BEST * float(votes.max()))
    best: Array | None = None
    reach = round(2.0 * NEAR_PX)
    while votes.max() >= least:
        i, k = np.unravel_index(int(np.argmax(votes)), votes.shape)
        best = np.asarray(k - SLOPES[i] / card.step * (card.x - middle))
        for j, s in enumerate(SLOPES):
            reached = float((best + s / card.step * (card.x - middle)).max())
            votes[j, : max(0, round(reached + 2 * reach))] = 0.0
    return best


def _highest(card: CardLight, edges: NDArray[np.bool_]) -> Array | None:
    """The highest straight line that most blocks have an edge on, as its row in each block."""
    turned = CardLight(card.x, card.y, card.share[:, ::-1], card.pitch, card.plain)
    line = _lowest(turned, edges[:, ::-1], 2.0 * LEAST_SHARE)
    return None if line is None else np.asarray(card.share.shape[1] - 1 - line)


def upper_edge(card: CardLight) -> StraightEdge | None:
    """The upper edge of a string before the card: the highest straight edge under the print."""
    line = _highest(card, _edges(card))
    return None if line is None else _refined(card, line)


def _votes(card: CardLight, edges: NDArray[np.bool_]) -> tuple[Array, float]:
    """Blocks with an edge near each line: (slopes, row at the middle), and the middle, mm."""
    middle, rows = float(card.x.mean()), card.share.shape[1]
    block, row = np.nonzero(edges)
    near = np.ones(2 * round(2.0 * NEAR_PX) - 1)
    votes = np.zeros((len(SLOPES), rows))
    for i, s in enumerate(SLOPES):
        at = np.round(row + s / card.step * (card.x[block] - middle)).astype(int)
        count = np.bincount(at[(at >= 0) & (at < rows)], minlength=rows)
        votes[i] = np.convolve(count, near, mode="same")
    return votes, middle


def _is_soft_beside(card: CardLight, line: Array, foot: Array) -> bool:
    """Whether a line is the edge of a shadow on the card: soft in itself, or beside the card's own foot.

    A picture made small makes a shadow's edge sharp in pixels. It stays wider than what is cut or drawn sharp."""
    return is_soft(card, line) or _half_width(card, line) > WIDER * _half_width(card, foot)


def _half_width(card: CardLight, line: Array) -> float:
    """Samples that an edge takes from its middle to the brightest light of its brighter side, at its steepest: of the
    blocks' median along it, so that noise is no steepness. Beyond that light something dark may lie, as the string does
    over its shadow."""
    away, near = round(2.0 * CLEAR_PX), round(2.0 * NEAR_PX)
    at = np.round(line).astype(int)[:, None] + np.arange(-away - near, away + near + 1)
    across = np.median(card.share[np.arange(len(line))[:, None], at.clip(0, card.share.shape[1] - 1)], axis=0)
    slope = gaussian_filter1d(across.astype(np.float64), 2.0 * FINE_PX, order=1)
    k = away + int(np.argmax(np.abs(slope[away : away + 2 * near + 1])))
    light_side = across[k : k + away + 1] if slope[k] > 0.0 else across[k - away : k + 1]
    return float((light_side.max() - across[k]) / max(abs(slope[k]), 1e-9))


def _is_shade(card: CardLight, line: Array, foot: Array, thickest: float) -> bool:
    """Whether a line is a shadow's edge on the card: it is no card's white from there to the foot, farther than a
    string is thick."""
    wide = float(np.median(foot - line)) * card.step > thickest
    return wide and not _white_between(card, line, foot)


def _has_room(line: Array, foot: Array) -> NDArray[np.bool_]:
    """Blocks in which card may show between a line and the foot: a string may hide the foot in the others."""
    return np.asarray(foot - line >= 2.0 * CLEAR_PX)


def _white_between(card: CardLight, line: Array, foot: Array) -> bool:
    """Whether plain card shows under a line, above the foot, in most blocks that have room for it."""
    room = _has_room(line, foot)
    if room.mean() < LEAST_SHARE:
        return False
    block, last = np.flatnonzero(room), card.share.shape[1] - 1
    line, foot = line[room], foot[room]
    under = np.round(line + np.minimum((foot - line) / 2.0, 2.0 * CLEAR_PX)).astype(int).clip(0, last)
    over = np.round(line - THICKEST_MM / card.step)[:, None] - np.arange(2.0 * CLEAR_PX)
    usual = np.median(card.share[block[:, None], over.astype(int).clip(0, last)], axis=1)
    light = card.share[block, under] / np.maximum(usual, 1e-6)
    return bool(np.mean((light > CLEAR_WHITE[0]) & (light < CLEAR_WHITE[1])) > 0.8)


def _refined(card: CardLight, line: Array, use: NDArray[np.bool_] | None = None) -> StraightEdge | None:
    """The straight edge near a line of rows, by the blocks to `use`."""
    use = np.ones(len(line), dtype=bool) if use is None else use
    line = _off_halo(card, line, use)
    edge: StraightEdge | None = None
    _, change = steepest(card.share, line, NEAR_PX)
    sense = float(np.sign(np.median(change[use]))) if use.any() else 0.0  # not a line on the metal, of opposite sense
    for within, scale in ((3.0 * NEAR_PX, DERIVATIVE_PX), (2.0 * NEAR_PX, DERIVATIVE_PX), (2.0 * NEAR_PX, FINE_PX)):
        place, change = steepest(card.share, line, within, sense, scale)
        strong = np.abs(change) > 0.3 * float(np.median(np.abs(change[use])))
        edge = fitted_edge(card, card.y[0] - place * card.step, strong & use)
        if edge is None:
            return None
        line = card.row(edge.y(card.x))
    return edge


def _off_halo(card: CardLight, line: Array, use: NDArray[np.bool_]) -> Array:
    """A line of rows, or where it is the outer side of a halo along a string's edge that edge: there light rises more
    steeply than it falls again on the line."""
    if not use.any():
        return line
    _, falls = steepest(card.share, line, 2.0 * NEAR_PX, -1.0, FINE_PX)
    place, rises = steepest(card.share, line - HALO_PX, HALO_PX, 1.0, FINE_PX)
    _, change = steepest(card.share, line, NEAR_PX)
    if np.median(change[use]) < 0.0 and np.median(rises[use]) > -np.median(falls[use]):
        return np.asarray(line + np.median((place - line)[use]))
    return line


def _top(card: CardLight, edges: NDArray[np.bool_], under: Array) -> StraightEdge | None:
    """The string's upper edge: the highest line as near above the underside as a string is thick."""
    columns = np.arange(card.share.shape[1])[None, :]
    near = edges & (columns < (under - THINNEST_MM / card.step)[:, None])
    near = near & (columns > (under - THICKEST_MM / card.step)[:, None])
    turned = CardLight(card.x, card.y, card.share[:, ::-1], card.pitch, card.plain)
    line = _lowest(turned, near[:, ::-1], 2.0 * LEAST_SHARE)
    return None if line is None else _refined(card, card.share.shape[1] - 1 - line)


def _by_sliver(card: CardLight, edges: NDArray[np.bool_], thickest: float) -> StringAndFoot | str:
    """String and foot where the string hangs before the foot: from the sliver of card that is left between them.

    What a sliver narrower than the blur is wide stands in its light: width = light above what lies to its sides, over
    the card's light above that (blur and sharpening move light about, and lose none).
    """
    top = _highest(card, edges)
    if top is None:
        return "no string stands out against the backdrop; change the light"
    below = np.arange(card.share.shape[1])[None, :] - top[:, None]
    stands_out = _ridges(card, SLIVER_WHITE * _over(card, top))
    grain = stands_out[(below > THICKEST_MM / card.step)]
    least = max(RIDGE, OVER_GRAIN * float(np.quantile(grain, 0.98))) if grain.size else RIDGE
    ridge = (stands_out > least) & (below > THINNEST_MM / card.step) & (below < thickest / card.step)
    if ridge.any(axis=1).mean() < LEAST_RIDGES:
        return HIDDEN
    line = _lowest(card, ridge, LEAST_RIDGES)
    if line is None:
        return HIDDEN
    middle, width = _slivers(card, line)
    seen = width > THINNEST_SLIVER_PX * card.pitch
    if seen.mean() < LEAST_RIDGES:
        return HIDDEN
    foot = fitted_edge(card, middle - width / 2.0, seen)
    under = fitted_edge(card, middle + width / 2.0, seen)
    if foot is None or under is None or _line_below(card, edges, foot) or _may_be_metal(card, foot):
        return HIDDEN
    return StringAndFoot(under, foot, None, True, SLIVER_U_PX * card.pitch)


def _line_below(card: CardLight, edges: NDArray[np.bool_], foot: StraightEdge) -> bool:
    """Whether another straight edge runs close below: then what lies above is a bright line on the string."""
    below = np.arange(card.share.shape[1])[None, :] - card.row(foot.y(card.x))[:, None]
    near = edges & (below > 2.0 * LINE_BELOW_PX) & (below < LINE_BELOW_MM / card.step)
    return _lowest(card, near, LEAST_SHARE) is not None


def _may_be_metal(card: CardLight, foot: StraightEdge) -> bool:
    """Whether a bright line may be one on the string: a dark line runs along below it, the metal's lower rim before
    brighter wood, or the wood is as dark as such a rim is and would not show it."""
    row = card.row(foot.y(card.x))
    near, beyond = (row[:, None] + 2.0 * np.arange(*span) for span in (RIM_PX, WOOD_PX))
    last, block = card.share.shape[1] - 1, np.arange(len(row))[:, None]
    rim, wood = (card.share[block, np.round(at).astype(int).clip(0, last)] for at in (near, beyond))
    level = np.median(wood, axis=1)
    return bool(np.median(level) < RIDGE or np.median(level - rim.min(axis=1)) > LEAST_RIM)


def _over(card: CardLight, line: Array) -> Array:
    """Light of each block's card over a line, beyond the line's blur and a halo, shape (B, 1)."""
    rows = np.round(line - 2.0 * CLEAR_PX)[:, None] - np.arange(2.0 * CLEAR_PX)
    block = np.arange(len(card.x))[:, None]
    return np.asarray(np.median(card.share[block, rows.astype(int).clip(0)], axis=1, keepdims=True), dtype=np.float64)


def _ridges(card: CardLight, most: Array) -> Array:
    """How far each narrow bright line of a block, no brighter than card there may be, stands out to both sides; else
    0."""
    light = card.share
    reach = round(2.0 * CLEAR_PX)
    above = np.minimum.reduce([np.roll(light, k, axis=1) for k in range(2, reach)])
    below = np.minimum.reduce([np.roll(light, -k, axis=1) for k in range(2, reach)])
    peak = (light >= maximum_filter1d(light, 5, axis=1)) & (light < most)
    out = np.where(peak, light - np.maximum(above, below), 0.0)
    out[:, :reach] = out[:, -reach:] = 0.0
    return np.asarray(out, dtype=np.float64)


def _slivers(card: CardLight, line: Array) -> tuple[Array, Array]:
    """Middle and width of the sliver in each block near a line of rows, mm; width 0 where there is none."""
    reach = round(2.0 * CLEAR_PX)
    middle, width = np.full(len(card.x), np.nan), np.zeros(len(card.x))
    for b, start in enumerate(np.round(line).astype(int)):
        window = np.arange(start - 3, start + 4).clip(0, card.share.shape[1] - 1)
        k = int(window[np.argmax(card.share[b, window])])
        if not reach <= k < card.share.shape[1] - reach:
            continue
        light = np.asarray(card.share[b, k - reach : k + reach + 1], dtype=np.float64)
        i = int(np.argmin(light[: reach + 1]))
        j = reach + int(np.argmin(light[reach:]))
        base = np.interp(np.arange(i, j + 1), [i, j], [light[i], light[j]])
        excess = np.maximum(light[i : j + 1] - base, 0.0)
        full = 1.0 - float(base.mean())
        if excess.sum() <= 0.0 or full < 0.2:
            continue
        rows = np.arange(i, j + 1) + k - reach
        middle[b] = card.y[0] - card.step * float(rows @ excess / excess.sum())
        width[b] = card.step * float(excess.sum()) / full
    return middle, width
