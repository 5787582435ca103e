"""The outline of a fret's end against the backdrop: the rim of its cut face, found whole and placed point by point.

A bevel is a plane, so its rim is known but for its angle and its foot. The pair is taken whose rim collects the most
edge, leaves the least outside it, and begins where the crown line ends: a rim that is faint where the metal has the
card's tone is found by the rest."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from calib.photo import Photo
from inspect_app.instrument.crown import Crown
from inspect_app.measure.backdrop.beside_edge import crowded_px, is_soft, lights_of
from inspect_app.measure.backdrop.corner import Corner
from inspect_app.measure.backdrop.crown_line import FINEST_MM, CrownLine
from inspect_app.measure.backdrop.edge_path import EdgePath, place_edge, with_grain
from inspect_app.measure.backdrop.fret import SHARPEST_PX
from inspect_app.measure.backdrop.grainy_card import is_close_up
from inspect_app.measure.backdrop.outline import (
    ABOVE,
    CEILING,
    FLOOR,
    OWN_ROWS,
    card_noise,
    certainty,
    rectified_light,
    significance,
    slope_in_noise,
)
from inspect_app.measure.backdrop.pose import BoardPose
from shared.trade import Side

__all__ = [
    "End",
    "INWARD",
    "detect_end_outlines",
    "CLOSE_PX",
    "FACE_UNSEEN",
    "EndOutline",
    "EndSearch",
    "Sampling",
    "place_rim",
    "rim_shows",
    "crown_line_end",
    "crown_line_evidence",
    "BLOOM_U_PX",
    "LEAST_REACH",
    "CORNER_MM",
    "LEAST_RISE_MM",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
End = Side
INWARD: Mapping[End, float] = {"treble": 1.0, "bass": -1.0}
"""The direction along y from an end to the middle of the board."""

OUTSIDE_MM, INSIDE_MM = 4.0, 1.2
"""Where the end is looked for, outside and inside the last unworn place of the crown line: a 45 degree bevel of a 1.5
mm crown with a hollow beside it, and the corner itself."""
FOOT_CLEAR_MM = 0.08
"""Left out over the card's foot: the blur of an everyday photo, twice (no source)."""
LEAST_ON_RIM = 0.5
"""Share of a rim that must show an edge: with less, specks and the card's own marks may have made it."""
CORNER_MM = 0.12
"""Left out under the crown's top, where a file rounds the corner."""
LEAST_RISE_MM = 0.35
"""A shorter straight part gives no angle worth stating."""
ANGLES_DEG = np.arange(0.0, 61.0)
"""Bevels tried: a square-cut end to 60 degrees; an end is never undercut, and one filed flatter leaves the outer
strings no fret (common practice, no source)."""
STRETCH = 16
"""Columns of a rim that are pooled: a quarter of an everyday crown's height, over which its light goes one way."""
POOLS = (5, 11, STRETCH + 1)
"""Points of a rim that are pooled where it is placed: what pixels share anyway, twice that, and a stretch."""
FEWER, FEWER_FROM_MM = 3, 0.03
"""So few are pooled first in a coarse photo, if along half of a rim each shows beyond doubt: from that size of a pixel
on five of them are 0.15 mm and more, half of a stretch over which the light on a crown goes one way, and its bands
would run into one."""
MOST_OUTSIDE = 0.5
"""Share of a rim that shows farther out, from which it is no outline but a line on the metal: the wood's own end, or
grime, shows outside it over the lower third at most."""
BESIDE_ROWS, OWN_GAP_ROWS = 41, 12
"""Rows of card beside a rim that its noise is taken from, and between them and the rim: most of a millimetre, and what
an edge and the slope's own look further up spoil."""
CARD_OVER_MM = (0.15, 0.55)
"""Heights over the crown's top between which all is plain card: above an outline's blur, below the print."""
CELL_MM = 0.1
"""Cells along a crown line in which what shows of it is averaged: the two points a coarse photo has there."""
HALF_SHOWN = 0.35
"""Share of the usual strength of its edge from which a crown line rather shows than not: on used metal it comes down to
a half, on plain card chance makes a fifth (see `crown_line.CLEAR`)."""
FOLLOWED_SHARE = 0.5
"""Drop, in crown heights, beyond which what was followed is no crown line any more but the card's foot or wood."""
CANDIDATES = 4
"""Rims tried, the best first: the fret's own, its cut face's other rim, the wood's end, a speck."""
APART_SHARE = 0.15
"""Least distance of two such rims at half their height, relative to it: an eighth of a millimetre."""
FACE_UNSEEN = 0.1
"""Share of ends whose cut face, turned to the camera, can't be told from the card behind it (no source)."""
CLOSE_PX = 1.5
"""How far from a fitted rim its edge is looked for again: an everyday blur's flank (no source)."""
RIM_SHARE = 0.75
"""Share of a rim that must show for it to be one: scratches and the card's marks run along half of it (no source)."""
NEAR_PX = 3.0
"""How far from the rim found the edge is placed: a degree either way over the height of a crown."""
PIXELS_PX = math.sqrt(1.0 / 6.0)
"""Blur of pixels alone, a box of one wide and as much again where light is interpolated between them: it carries no
light beyond them, and in a photo made smaller it came after metal was burnt out."""
LEAST_REACH = 0.5
"""How far light is carried at least, relative to a sharp photo: how much less than that is not told (no source)."""
BLOOM_U_PX = 0.5
"""Standard uncertainty of such an edge's form in a sharp photo: the bloom fades towards the bright part's borders, and
reaches out by as much as the photo is blurred. How far out it lies as a whole is another matter, see
`rim_line.STEP_U_PX`."""


@dataclass(frozen=True)
class Sampling:
    """How a photo shows an end.

    Attributes
    ----------
    close_up : bool
        Whether the crown is large in it, see `grainy_card.is_close_up`.
    mm_per_px : float
        At the fret; 0 where it does not matter.
    blur_px : float
        Standard deviation of the blur of the card's print: less than a sharp photo's where it was made smaller.
    """

    close_up: bool = False
    mm_per_px: float = 0.0
    blur_px: float = SHARPEST_PX

    @property
    def reach(self) -> float:
        """How far the lens carried light, relative to a sharp photo; 1 where the blur is not known."""
        if self.blur_px <= 0.0:
            return 1.0
        sharp, here = (math.sqrt(max(blur**2 - PIXELS_PX**2, 0.0)) for blur in (SHARPEST_PX, self.blur_px))
        return min(max(here / sharp, LEAST_REACH), 1.0)

    def pools(self) -> Iterator[tuple[int, float]]:
        """Points to pool, the fewest first, and the significance that an edge must show then."""
        if self.mm_per_px > FEWER_FROM_MM:
            yield FEWER, CEILING
        yield from ((pool, FLOOR) for pool in POOLS)


PLAIN = Sampling()


@dataclass(frozen=True)
class EndSearch:
    """What is known of an end before its outline is found.

    Attributes
    ----------
    hidden_mm : float
        Height above the board up to which a nearer fret may stand before this one.
    blur_px : float
        Standard deviation of the blur of the card's print: what is much softer is a shadow's edge on the card.
    corner : Corner or None
        Where the crown line ends, if that is clear: no rim begins elsewhere.
    sampling : Sampling
    """

    hidden_mm: float = 0.0
    blur_px: float = SHARPEST_PX
    corner: Corner | None = None
    sampling: Sampling = PLAIN


@dataclass(frozen=True)
class EndOutline(EdgePath):
    """An end's outline, with the probability that it is the near rim though the cut face is in sight."""

    near_rim: float = FACE_UNSEEN


def rim_shows(photo: Photo, px: Array, within: float = CLOSE_PX) -> bool:
    """Whether an edge runs along a rim's picture, points (N, 2), `within` so many px of it: certain over `RIM_SHARE` of
    it, much of it pooled."""
    edge = place_edge(photo, px, within=within, pool=max(5, len(px) // 2), only_peaks=True)
    return bool(np.quantile(edge.strength, 1.0 - RIM_SHARE) > CEILING)


def detect_end_outlines(
    photo: Photo,
    pose: BoardPose,
    line: CrownLine,
    crown: Crown,
    end: End,
    mm_per_px: float,
    search: EndSearch | None = None,
) -> tuple[EdgePath, ...]:
    """Outlines against the backdrop that a fret's end may have, the likeliest first; none where nothing stands out.

    Parameters
    ----------
    line : CrownLine
        In `pose`. Where it ends, the end begins.
    search : EndSearch, optional
        What else is known about where and how sharp it is.

    Returns
    -------
    tuple of EdgePath
        From the board up at the treble end, down at the bass end: the card lies to the right.
    """
    known = search or EndSearch(sampling=Sampling(is_close_up(crown, mm_per_px), mm_per_px))
    last = line.span[0 if end == "treble" else 1]
    pitch = max(mm_per_px, FINEST_MM)
    y = last - INWARD[end] * np.arange(OUTSIDE_MM, -INSIDE_MM, -pitch)
    elevation = pose.elevation(float(line.circle.z(last)), last)
    card_foot = (pose.gap_mm + pose.u_gap_mm) * math.tan(max(elevation, 0.0))
    depth = np.arange(-CORNER_MM, max(card_foot, known.hidden_mm) + FOOT_CLEAR_MM - crown.height, -pitch)
    if len(depth) * pitch < LEAST_RISE_MM:
        return ()
    seen = _seen_about(photo, pose, line, crown.height, y, depth)
    rims = _rims(pose, crown, crown.height + depth, end, last) / pitch
    to_corner = np.tile(np.tan(np.radians(ANGLES_DEG)), 2) * crown.height / pitch
    begins = np.full(len(y), True) if known.corner is None else known.corner.may_begin(y)
    for _ in range(CANDIDATES):
        rows = _best_rims(seen, rims, to_corner, begins)
        at = [np.interp(r, np.arange(len(y)), y) for r in rows]
        found = [_placed(photo, pose, line, a, depth, end, known.sampling) for a in at]
        soft = [is_soft(photo, edge, known.blur_px) for edge in found]
        if not any(soft):
            break
        seen = _without(seen, [r for r, s in zip(rows, soft, strict=True) if s])
    return tuple(edge for edge, s in zip(found, soft, strict=True) if len(edge.px) >= 3 and not s)


def _placed(
    photo: Photo, pose: BoardPose, line: CrownLine, y: Array, depth: Array, end: End, sampling: Sampling
) -> EdgePath:
    """The edge along a rim's picture, at places y (N,) and heights over the crown line (N,), mm."""
    points = pose.to_px(np.column_stack([np.zeros_like(y), y, line.circle.z(y) + depth]))
    return place_rim(photo, points[::-1] if end == "treble" else points, NEAR_PX, sampling)


def place_rim(photo: Photo, px: Array, within: float, sampling: Sampling = PLAIN) -> EdgePath:
    """The edge along a rim's picture, points (N, 2) with the card to the right, `within` so many px of it.

    As few neighbours are pooled as show it along `LEAST_ON_RIM` of the rim: a faint one, which was found by what its
    stretches show together, would be lost where each point must show it alone. In a close-up the cut face is many
    pixels wide, and what steps the other way behind its outline is no edge of the face that crowds it."""
    for pool, least in sampling.pools():
        edge = place_edge(photo, px, within=within, pool=pool, only_peaks=True)
        if len(edge.px) < 3:
            return edge
        if np.mean(edge.strength > least) >= LEAST_ON_RIM:
            break
    burnt, brighter, turning = lights_of(photo, edge, sampling.reach, min(pool, POOLS[0]))
    edge = with_grain(photo, px, edge)
    u_shared = np.where(burnt, BLOOM_U_PX * sampling.reach, 0.0)
    if not sampling.close_up:
        u_shared = np.hypot(u_shared, crowded_px(photo, edge))
    edge = replace(edge, u_shared_px=u_shared, part=brighter.astype(np.intp))
    return edge.only((edge.strength > FLOOR) & ~turning)


def crown_line_evidence(line: CrownLine, y: Array, height: float) -> Array:
    """How much a crown line that ends at each place explains of what was followed of it, mm, up to a constant.

    Each millimetre up to there counts for as much as it shows of an edge, and against as much as it lacks of half of
    one: followed a little way onto the card by chance, or lost shortly before its end, the line still says where that
    is. `y` runs inwards; `height` is the crown's."""
    clear = np.clip(line.edge.strength / float(np.median(line.edge.strength[line.used])), 0.0, 1.0)
    clear = np.where(line.drop < FOLLOWED_SHARE * height, clear, 0.0)
    edges = np.arange(y.min(), y.max() + CELL_MM, CELL_MM)
    total, count = (np.histogram(line.y, edges, weights=w)[0] for w in (clear, None))
    middle = (edges[:-1] + edges[1:]) / 2.0
    shown = np.interp(y, middle, total / np.maximum(count, 1))
    step = np.abs(np.gradient(y))
    return np.asarray(np.cumsum(((shown - HALF_SHOWN) * step)[::-1])[::-1])


def crown_line_end(line: CrownLine, end: End, height: float) -> float:
    """Where a crown line ends, y in mm: the place that explains most of what was followed of it."""
    last = line.span[0 if end == "treble" else 1]
    y = last - INWARD[end] * np.arange(OUTSIDE_MM, -INSIDE_MM, -CELL_MM / 2.0)
    return float(y[int(np.argmax(crown_line_evidence(line, y, height)))])


def _rims(pose: BoardPose, crown: Crown, height: Array, end: End, last: float) -> Array:
    """How far inward from its foot each rim tried is seen at heights in the upright plane; shape (rims, heights).

    The far rim at every angle, then the near one: seen aslant, either may be the outline, 0.3 mm from the other.
    """
    d = pose.rays(pose.to_px([[0.0, last, 0.0]]))[0]
    h = np.linspace(0.0, crown.height, 200)
    half = crown.half_width(h)
    run = np.tan(np.radians(ANGLES_DEG))[:, None]
    rims = []
    for side in (1.0, -1.0):
        seen = h - side * half * d[2]
        rising = np.concatenate([[True], np.diff(seen) > 0.0]) & (np.cumsum(np.diff(seen, prepend=seen[0]) < 0.0) == 0)
        at = np.interp(height, seen[rising], h[rising])
        rims.append(run * at - side * np.interp(at, h, half) * d[1] * INWARD[end])
    return np.concatenate(rims)


@dataclass(frozen=True)
class _Seen:
    """What is seen about an end, by row from outside inwards and by column down from the crown's top.

    Attributes
    ----------
    certain : ndarray, shape (rows, columns)
        From `significance`.
    slope : ndarray, shape (rows, columns)
        From `slope_in_noise`.
    ends : ndarray, shape (rows,)
        What a crown line that ends in a row explains, in columns of a rim.
    """

    certain: Array
    slope: Array
    ends: Array


def _seen_about(photo: Photo, pose: BoardPose, line: CrownLine, crown_height: float, y: Array, depth: Array) -> _Seen:
    """What is seen at places y (rows) and heights over the crown line (columns), mm, both evenly spaced alike."""
    pitch, z = float(depth[0] - depth[1]), line.circle.z(y)
    over = np.arange(CARD_OVER_MM[1], CARD_OVER_MM[0], -pitch)
    light, card = (rectified_light(photo, pose, y, z, at) for at in (depth, over))
    light, card = (np.ascontiguousarray(part.T) for part in (light, card))
    ends = crown_line_evidence(line, y, crown_height) / pitch
    return _Seen(significance(light, int(0.5 / pitch), card_noise(card)), slope_in_noise(light, card), ends)


def _without(seen: _Seen, rims: list[Array]) -> _Seen:
    """What is seen but for the edges on some rims' rows."""
    rows = np.arange(len(seen.certain))[:, None]
    off = np.any([np.abs(rows - np.round(rim)) <= OWN_ROWS / 2.0 for rim in rims], axis=0)
    return replace(seen, certain=np.where(off, 0.0, seen.certain), slope=np.where(off, 0.0, seen.slope))


def _certain_together(slope: Array) -> Array:
    """How surely a rim's stretches show an edge, each by its mean slope; shape of `slope`, (feet, columns).

    Against what such means come to along the same rim farther out, on the card beside it: there its specks are counted
    as they lie."""
    feet, columns = slope.shape
    starts = np.arange(0, max(columns - STRETCH // 2, 1), STRETCH)
    lengths = np.diff(np.append(starts, columns))
    steep = np.abs(np.add.reduceat(slope, starts, axis=1) / lengths)
    peak = np.where(steep >= maximum_filter1d(steep, 3, axis=0), steep, 0.0)
    usual = np.sqrt(np.maximum(uniform_filter1d(steep**2, BESIDE_ROWS, axis=0), 0.0))
    beside = np.clip(np.arange(feet) - OWN_GAP_ROWS - BESIDE_ROWS // 2, BESIDE_ROWS // 2, feet - 1)
    sure = certainty(peak / np.maximum(usual[beside], 1.0 / np.sqrt(lengths)))
    return np.asarray(np.repeat(sure, lengths, axis=1))


def _best_rims(seen: _Seen, inward: Array, corner: Array, begins: Mask) -> list[Array]:
    """Rows of the best rims in each column, the best first.

    A rim counts by the edge that lies on it, in each column or in a stretch of it together, less what is left outside
    it, and by how well the crown line ends where it begins.

    Parameters
    ----------
    inward : ndarray, shape (rims, columns)
        Rows from the foot inwards, of each rim tried.
    corner : ndarray, shape (rims,)
        The same, of where it meets the crown line.
    begins : ndarray of bool, shape (rows,)
        Where it may do so.
    """
    here = maximum_filter1d(seen.certain, 3, axis=0)
    rows, columns = here.shape
    outside = np.zeros_like(here)
    np.minimum(np.cumsum(seen.certain, axis=0)[:-OWN_ROWS], 1.0, out=outside[OWN_ROWS:])
    score, shown, whole = (np.full((len(inward), rows), v) for v in (-math.inf, 0.0, 0.0))
    may = np.zeros(score.shape, bool)
    for k, rim in enumerate(np.round(inward).astype(int)):
        foot = np.arange(max(0, -int(rim.min())), min(rows, max(0, rows - int(rim.max()))))
        at = foot[:, None] * columns + (rim * columns + np.arange(columns))
        on_rim = np.maximum(here.take(at), _certain_together(seen.slope.take(at)))
        top = np.clip(np.round(foot + corner[k]).astype(int), 0, rows - 1)
        may[k, foot] = begins[top]
        total = on_rim.sum(axis=1)
        whole[k, foot], shown[k, foot] = total / columns, np.count_nonzero(on_rim, axis=1) / columns
        score[k, foot] = total - ABOVE * columns * outside.take(at).mean(axis=1) + seen.ends[top]
    whole_rim = (shown >= LEAST_ON_RIM) & (_farther_out(np.where(may, whole, 0.0), inward) <= MOST_OUTSIDE)
    return _best_apart(np.where(may, score, -math.inf), whole_rim, inward)


def _farther_out(whole: Array, inward: Array) -> Array:
    """How much the clearest rim of those farther out at both its ends shows, for each rim and foot; like `whole`.

    Specks on the card, however many, make no rim."""
    rows = whole.shape[1]
    foot, top = (np.clip(np.round(np.arange(rows) + inward[:, [end]]).astype(int), 0, rows - 1) for end in (-1, 0))
    clearest = np.zeros((rows + OWN_ROWS, rows + OWN_ROWS))
    np.maximum.at(clearest, (foot + OWN_ROWS, top + OWN_ROWS), whole)
    clearest = np.maximum.accumulate(np.maximum.accumulate(clearest, axis=0), axis=1)
    return np.asarray(clearest[foot, top])


def _best_apart(score: Array, eligible: Mask, inward: Array) -> list[Array]:
    """Rows of the eligible rims that score best, by angle and foot, each some way from those before."""
    found: list[Array] = []
    columns = inward.shape[1]
    middle = columns // 2
    for _ in range(CANDIDATES):
        k, foot = np.unravel_index(int(np.argmax(score)), score.shape)
        if not math.isfinite(score[k, foot]):
            break
        row = foot + inward[k]
        if eligible[k, foot]:
            found.append(row)
        near = np.abs(np.arange(score.shape[1])[None, :] + inward[:, [middle]] - row[middle]) < APART_SHARE * columns
        score[near] = -math.inf
    return found
