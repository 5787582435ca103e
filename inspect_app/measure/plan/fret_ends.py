"""Where a fret ends: the line at which its bevel meets the board.

Seen from above, an end is three things that follow one another: the crown up to the curve where the bevel cuts it, the
bevel's face down to the straight line of its foot, and board beyond. Given the place of the foot and the angle of the
bevel, the crown's own arc says where that curve runs, to the crown's edges and the foot's two corners at once. Every
place and angle is weighed by how well the light agrees with all three (`end_light`), and no row that is hidden counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_opening

from calib.photo import Photo
from inspect_app.instrument.crown import arc_radius
from inspect_app.measure.plan.crown_edges import EDGE_U_PX, CrownFit
from inspect_app.measure.plan.end_light import (
    STEP_SD,
    EndLight,
    ExpectedEnd,
    alongside_log_density,
    bevel_log_density,
    board_log_density,
    crown_log_density,
    darker_alongside,
    dirt_log_density,
    end_light,
    like_beside,
    noise_level,
    stands_out,
)
from inspect_app.measure.plan.fret_frame import FretFrame

__all__ = ["COVERED", "FretEnd", "EndCurve", "end_curve", "on_one_board", "pick_end", "why_not_measured"]

Floats = NDArray[np.float64]

OUT_MM = np.arange(-2.5, 5.0 + 1e-9, 0.05)
"""Places tried, outwards from where the overview puts an end: it works in bands of 2 mm, and those that a shadow
or the scale falls into it leaves out."""
_BEYOND_MM = (0.7, 2.2)
"""Read so far beyond the places tried: board to tell a bevel from, and crown past its rim."""
_RIM_MOST_MM = 1.4
"""Rows from which on all is crown whatever the place: the widest bevel of the highest wire."""
BEVELS_DEG = np.arange(0.0, 51.0, 5.0)
"""Bevels tried: from square-cut ends to three standard deviations beyond the usual angle."""
_BEVEL, _BEVEL_SD = 29.0, 7.0
"""Ends are bevelled by 30 degrees as a rule, some by 35, by about 20 where they are rounded (common practice, no
source)."""
_ODD_BEVEL = 1e-4
"""Weight of any other angle, against 1 for the usual one: square-cut and rolled-over ends are seen now and then."""
_CORRELATION_AREA_MM2 = 0.25
"""Samples within an area like this depart together: reflections, grain and blur are about that large, so that only one
of them counts."""
_DIRTY = 0.05, 0.75
"""Share of ends with dirt or a narrow shadow before them, on a clean board and on one with dirt along its frets: a
finger wipes an end clean where it passes, a chip of glue stays anywhere (common practice, no source)."""
_DIRT_MM, _DIRT_MOST_MM = 0.5, 1.2
"""How far it reaches as a rule, and at most: a rag does not get nearer to a foot, and the board's edge is rarely
farther (common practice, no source)."""
_DIRTY_ALONG = 0.3, 0.6
"""The same where dirt lies along the frets' sides: share of ends with dirt of any other tone before them, and with more
of the dirt that lies along the sides."""
_ALONG_MM, _ALONG_MOST_MM = 0.15, 0.6
"""How far that reaches as a rule, and at most: what a rag leaves in a corner (common practice, no source)."""
_LIP_MM = 0.12
"""Between such dirt and the bevel a strip up to so wide is neither: a gap where dirt has come off, the shade in it."""
_SHADE, _SHADE_SD = math.log(2.0) / 2.0, math.log(2.0) / math.sqrt(12.0)
"""How much darker a clean board is along a crown's foot, a logarithm: a wall hides half of the sky at most and, being
metal, gives a part of it back (a rectangular distribution from 0 to log 2)."""
_COAT, _COAT_SD = 1.0, 0.8
"""The same with dirt there: from what shows on ebony to black on maple."""
_STRAY = 0.02
"""Density of any other darkness, so that no single fret decides."""
_FEW_DIRTY = math.log(1.0 / 3.0)
"""Logarithm of the prior odds of dirt along the frets: every fourth board or so (common practice, no source)."""
_APART = (1.0, 0.5, 0.5)
"""How much dirt and metal differ where they meet, in logarithm of brightness and of the two colours: standard
deviations over woods, polish, metals and lamps (common practice, no source)."""
_CORNER_MM = 0.06
"""A bevel darkens so near its foot: there it mirrors the corner that it shades itself."""
_BENCH = 0.5
"""Prior probability that what is seen beyond the board's edge is not what lies there beside the fret: a cloth's folds,
a mat's print, the slant of the edge."""
_BENCH_MM = 1.0
"""Stretches that look alike on the fret's line and beside it count as bench from so long on: a bevel may by chance."""
END_SCATTER_MM = 0.2
"""Standard deviation of frets' ends from one straight line: each is filed by hand (common practice, no source)."""
_MEASURABLE_U_MM = END_SCATTER_MM / math.sqrt(2.0)
"""Standard uncertainty up to which an end counts as measured: the photo then gives at least as much as the other frets'
ends do."""
_BEVEL_MM = 0.4
"""A bevel is at least about so long (20 degrees on a millimetre of crown): where all of it is hidden none is read."""
_LOG_U_PX = 0.4
"""In logarithm of light a blurred edge moves into the dark, by half the blur where the contrast is twelvefold."""
_ROUND_U_MM = 0.02
"""Half a millimetre of bevel foot is filed, not milled: its line wanders by about this much (common practice, no
source)."""
_DARK_LINE_U_MM = 0.15 / math.sqrt(12.0)
"""A dark line of up to 0.15 mm along a foot is the shade in its corner or dirt: the foot may be at either side of it
(a rectangular distribution)."""

_GOES_ON = math.log(100.0)
"""Logarithm of the odds from which all that was searched for an end is metal: wrong once in a hundred at most, and no
end is lost by it that shows, for those are likelier by far more than chance."""

COVERED = "it is covered"
"""Why an end on which something lies can't be read."""


@dataclass(frozen=True, slots=True)
class FretEnd:
    """Place of a fret's end on the ``along`` axis and its standard uncertainty, mm.

    `outward_u` is the part of it that moves the fret's other end as far out or in: both are seen in one blur and one
    light, filed and cleaned by one hand.
    """

    along: float
    u: float
    outward_u: float = 0.0


@dataclass(frozen=True)
class EndCurve:
    """Log likelihood of an end at ``expected.along + expected.outward * OUT_MM`` (mm along).

    Attributes
    ----------
    log_likelihood : ndarray, shape (n,)
        Whatever the board; `on_one_board` makes it that on the board which all ends show.
    given_board : ndarray, shape (3, n)
        On a clean board, on one with dirt or a shadow before its frets' ends, and on one with dirt along their sides.
    in_view : ndarray of bool, shape (n,)
        Which of the places are in view.
    goes_on : bool
        Whether no end is there: the crown goes on over all the places.
    alongside : float
        Logarithm of the odds that dirt lies along the frets' sides: by this fret alone, on one board by all.
    dirt : float
        Logarithm of the odds that dirt lies before the ends.
    """

    expected: ExpectedEnd
    log_likelihood: Floats
    in_view: NDArray[np.bool_]
    given_board: Floats
    goes_on: bool = False
    alongside: float = 0.0
    dirt: float = 0.0


def end_curve(
    photo: Photo,
    covers_px: tuple[Floats, ...],
    frame: FretFrame,
    crown: CrownFit,
    expected: ExpectedEnd,
    px_per_mm: float,
) -> EndCurve:
    """Weigh the places of one end.

    Parameters
    ----------
    covers_px : tuple of ndarray, shape (M, 2) each
        Closed outlines of what covers the board: the scale.
    px_per_mm : float
        Of the photo, on the board.
    """
    edges = crown.apparent[0] - crown.centre, crown.apparent[1] - crown.centre
    reach = OUT_MM[-1] + _BEYOND_MM[0], -OUT_MM[0] + _BEYOND_MM[1]
    light = end_light(photo, covers_px, frame, edges, expected, reach, px_per_mm)
    rise = _rise(frame, crown, light.across_mm)
    drift = expected.outward * (frame.camera_mm[0] - expected.along) / frame.camera_mm[2]
    inset = np.maximum(rise * (np.tan(np.radians(BEVELS_DEG))[:, None] + drift), 0.0)
    out = light.step_mm / 2.0 - light.inward_mm  # the edge of a row on which the foot may be
    there = np.flatnonzero((out > OUT_MM[0] - light.step_mm) & (out < OUT_MM[-1] + light.step_mm))
    feet = range(int(there[0]), int(there[-1]) + 1)
    each, metal = _weighed(light, feet, inset)
    before = _before_likelihood(light, noise_level(light))[:, feet.start : feet.stop]
    weighed = np.logaddexp.reduce(each + _bevel_prior()[:, None], axis=0) + before
    an_end = float(np.logaddexp.reduce(weighed, axis=None)) - math.log(weighed.size)
    goes_on = metal > an_end + _GOES_ON and stands_out(light)
    at = out[there][::-1]
    in_view = np.interp(OUT_MM, at, light.visible[there][::-1].astype(float)) > 0.5
    given = np.array([np.interp(OUT_MM, at, one[::-1] - weighed.max()) for one in weighed])
    alongside = _by_the_sides(darker_alongside(light))
    either = _on_either_board(given, 0.0, alongside + _FEW_DIRTY)
    return EndCurve(expected, either, in_view, given, goes_on, alongside)


def _by_the_sides(darker: float | None) -> float:
    """Logarithm of the odds of dirt along a fret whose feet are so much darker than the board."""
    if darker is None:
        return 0.0
    coat, shade = (
        math.exp(-0.5 * ((darker - usual) / sd) ** 2) / sd for usual, sd in ((_COAT, _COAT_SD), (_SHADE, _SHADE_SD))
    )
    return math.log((coat + _STRAY) / (shade + _STRAY))


def _on_either_board(given_board: Floats, dirt: float, alongside: float) -> Floats:
    """Log likelihood where dirt before the ends, and along the sides, is so likely (logarithms of their odds)."""
    clean, dirty, along = given_board - np.logaddexp(0.0, [[dirt], [-dirt], [-alongside]])
    each = np.logaddexp(np.logaddexp(clean, dirty) - np.logaddexp(0.0, alongside), along)
    return np.asarray(each - each.max())


def on_one_board(curves: list[EndCurve]) -> list[EndCurve]:
    """The same curves, where all ends together tell whether dirt lies along the frets.

    Dirt comes with boards: a rag has gone along all feet or none. What misleads at one end is apt to mislead at others,
    so that n ends count as the root of n.
    """
    seen = [c for c in curves if c.in_view.any()]
    n = math.sqrt(max(1, len(seen)))
    apart = [np.subtract(*np.logaddexp.reduce(c.given_board[1::-1], axis=1)) for c in seen]
    dirt = float(np.sum(apart)) / n
    along = float(np.sum([c.alongside for c in seen])) / n + _FEW_DIRTY
    most = max(dirt, along)
    return [
        replace(c, log_likelihood=_on_either_board(c.given_board, dirt, along), alongside=along, dirt=most)
        for c in curves
    ]


def _bevel_prior() -> Floats:
    p = np.exp(-0.5 * ((BEVELS_DEG - _BEVEL) / _BEVEL_SD) ** 2) + _ODD_BEVEL
    return np.asarray(np.log(p / p.sum()))


def _rise(frame: FretFrame, crown: CrownFit, across: Floats) -> Floats:
    """Height above the board at which lines of sight that would reach it at `across` meet the crown's arc, mm."""
    r = arc_radius(crown.width, crown.height)
    middle = crown.height - r
    towards = (frame.camera_mm[1] - across) / frame.camera_mm[2]
    # nearer crossing of (across + towards z)^2 + (z - middle)^2 = r^2
    a, b, c = 1.0 + towards**2, across * towards - middle, across**2 + middle**2 - r**2
    return np.asarray(np.maximum((-b + np.sqrt(np.maximum(b**2 - a * c, 0.0))) / a, 0.0))


def _weighed(light: EndLight, feet: range, inset: Floats) -> tuple[Floats, float]:
    """Log likelihood for each bevel (rows) and foot (columns, rows of the light), and that of crown all through.

    `inset` (bevels, strips) in mm.
    """
    noise, (n, k), lag = noise_level(light), light.strips.shape[1:], light.lag
    each, step = _counted(light)
    metal = crown_log_density(light, noise)
    # a bench of the metal's own tone goes on beside the fret too: that is no evidence of metal
    bench = binary_opening(like_beside(light, noise), np.ones(max(1, round(_BENCH_MM / light.step_mm))))
    if bench.any():
        metal[bench] = np.minimum(metal, board_log_density(light, noise))[bench]
    inside = _summed(each * metal)
    last = min(n, feet.stop + round(_RIM_MOST_MM / light.step_mm))
    rim = np.minimum(np.rint(inset / light.step_mm).astype(int), last - feet.stop)
    crown = inside[last] - inside[np.array(feet)[:, None] + rim[:, None], np.arange(k)]
    out = crown.sum(axis=2)
    corner = lag + round(_CORNER_MM / light.step_mm)
    face: dict[tuple[int, int], tuple[Floats, Floats]] = {}
    for total, rows in zip(out, rim.tolist(), strict=True):
        for (first, end), strips in _face_rows(rows):
            if strips not in face:
                fit, change = bevel_log_density(light, noise, slice(*strips))
                face[strips] = _summed(each * fit), _summed(step * change)
            for sums, begin in zip(face[strips], (first, min(max(first, corner), end)), strict=True):
                total += sums[feet.start + end : feet.stop + end] - sums[feet.start + begin : feet.stop + begin]
    return np.asarray(out), float(inside[last].sum())


def _counted(light: EndLight) -> tuple[float, float]:
    """How many independent samples each one is, and how many independent changes one across the whole fret is.

    Changes next to each other share their samples, and blur and mirrored things run on past a lag: a sixth as many are
    independent as samples in one (judged on drawn ends).
    """
    each = light.sample_mm2 / _CORRELATION_AREA_MM2
    return each, each * light.lag * light.strips.shape[2] / 6.0


def _before_likelihood(light: EndLight, noise: Floats) -> Floats:
    """Log likelihood of what lies before each row on each kind of board (`EndCurve.given_board`); shape (3, n + 1).

    It is board, or board and then a stretch of dirt. Dirt of any tone begins and ends with any change of light; so that
    a bevel's own change is not read as one, the change where dirt ends is charged what knowing it so little costs
    against a bevel's (Occam's factor). Dirt that goes on from the fret's sides is known, and charged nothing.
    """
    (each, step), board = _counted(light), _board_before(light, noise)
    fit, change = dirt_log_density(light, noise)
    evenly, along = _summed(each * fit), _summed(each * alongside_log_density(light, noise))
    prior = _reach_prior(_DIRT_MM, _DIRT_MOST_MM, light.step_mm) - step * float(np.sum(np.log(_APART / STEP_SD)))
    dirty = _onward_likelihood(board, evenly, prior, _summed(step * change), light.lag)
    more = _onward_likelihood(board, along, _reach_prior(_ALONG_MM, _ALONG_MOST_MM, light.step_mm))
    out = [np.logaddexp(math.log(1.0 - share) + board, math.log(share) + dirty) for share in _DIRTY]
    shares = np.log([1.0 - sum(_DIRTY_ALONG), *_DIRTY_ALONG])[:, None]
    coated = np.logaddexp.reduce(np.array([board, dirty, more]) + shares, axis=0)
    lip = round(_LIP_MM / light.step_mm)
    return np.array(
        [*out, np.logaddexp(coated, _onward_likelihood(coated, evenly, np.zeros(lip))) - math.log(1.0 + lip)]
    )


def _reach_prior(usual_mm: float, most_mm: float, step_mm: float) -> Floats:
    """Log probability of dirt over 1, 2 ... rows."""
    log_p = -np.arange(1, round(most_mm / step_mm) + 1) * step_mm / usual_mm
    return np.asarray(log_p - np.logaddexp.reduce(log_p))


def _onward_likelihood(
    before: Floats, fit: Floats, prior: Floats, changes: Floats | None = None, lag: int = 0
) -> Floats:
    """Log likelihood of `before` and then 1, 2 ... rows (`prior`) that fit so well, and change so much over `lag`."""
    out = np.full_like(before, -np.inf)
    for g, p in enumerate(prior.tolist(), 1):
        stretch = before[:-g] + fit[g:] - fit[:-g]
        if changes is not None and g > lag:
            stretch = stretch + changes[g:] - changes[lag : lag + len(changes) - g]
        out[g:] = np.logaddexp(out[g:], stretch + p)
    return out


def _board_before(light: EndLight, noise: Floats) -> Floats:
    """Log likelihood of what lies before each row being board, with or without an even stretch of bench beyond it.

    Were the bench worse explained than anything even, it would itself be taken for dirt before an end.
    """
    each, step = _counted(light)
    board = _summed(each * board_log_density(light, noise).sum(axis=1))
    fit, change = bevel_log_density(light, noise, slice(None))
    bench, any_row = _summed(each * fit + step * change), math.log(len(board))
    begun = bench + np.logaddexp.accumulate(board - bench) - any_row
    ended = board + np.logaddexp.accumulate(begun - board) - any_row
    return np.logaddexp(math.log(1.0 - _BENCH) + board, math.log(_BENCH) + ended)


def _face_rows(rim: list[int]) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Rows ``[first, end)`` from the foot over which a bevel spans the same strips ``[i, j)``; `rim` rows at each."""
    out = []
    for first, end in pairwise(sorted({0, *rim})):
        on = [i for i, rows in enumerate(rim) if rows > first]
        out.append(((first, end), (on[0], on[-1] + 1)))
    return out


def _summed(fit: Floats) -> Floats:
    """Sums from the first row up to each, shape (n + 1, ...)."""
    return np.cumulative_sum(fit, axis=0, include_initial=True)


def pick_end(curve: EndCurve, line: FretEnd, px_per_mm: float, softness: float = 1.0) -> FretEnd | None:
    """The end, given where those of all frets together put it.

    ``None`` where it is covered, or where the photo gives less of it than they do.

    Parameters
    ----------
    line : FretEnd
        Where the other frets' ends put it.
    softness : float
        The photo's blur over that of a sharp one.
    """
    outward = curve.expected.outward
    at = outward * (line.along - curve.expected.along)
    weight = curve.log_likelihood - 0.5 * ((OUT_MM - at) / line.u) ** 2
    p = np.exp(weight - weight.max())
    p /= p.sum()
    middle = float(p @ OUT_MM)
    spread = math.sqrt(float(p @ (OUT_MM - middle) ** 2))
    in_view = curve.in_view[int(np.abs(OUT_MM - middle + _BEVEL_MM).argmin())]
    if curve.goes_on or spread > _MEASURABLE_U_MM or not in_view:
        return None
    floor = softness * math.hypot(EDGE_U_PX, _LOG_U_PX) / px_per_mm
    alike = spread if curve.alongside > 0.0 else 0.0  # one coat of dirt is taken for bevel at both ends or at none
    both = math.hypot(floor, _DARK_LINE_U_MM, alike)
    return FretEnd(
        curve.expected.along + outward * middle, math.hypot(spread, _ROUND_U_MM, floor, _DARK_LINE_U_MM), both
    )


def why_not_measured(curve: EndCurve, line: FretEnd, covered: str = COVERED) -> str:
    """Why the end that other frets put there can't be read, to go on "it"; `covered` where something lies there."""
    at = curve.expected.outward * (line.along - curve.expected.along)
    if not curve.in_view[int(np.abs(OUT_MM - at).argmin())]:
        return covered
    if curve.goes_on:
        return "the metal goes on where the other frets' ends have it"
    return "dirt along its foot hides it" if curve.dirt > 0.0 else "it does not stand out from the board"
