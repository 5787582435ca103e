"""The ends of all frets together: each by its own light, and by the two straight lines on which all of them lie."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.photo import Photo
from inspect_app.measure.plan.covered_ends import doubted_ends
from inspect_app.measure.plan.end_light import ExpectedEnd
from inspect_app.measure.plan.fret_ends import (
    COVERED,
    END_SCATTER_MM,
    OUT_MM,
    EndCurve,
    FretEnd,
    end_curve,
    on_one_board,
    pick_end,
    why_not_measured,
)
from inspect_app.measure.plan.frets import EdgedFret, EndedFret, FittedEnd, with_ends
from shared.trade import WIDENING, WIDENING_U

__all__ = ["Sides", "find_ends", "expected_ends", "recentred", "common_end_lines"]

Floats = NDArray[np.float64]
_T = TypeVar("_T")
Sides = tuple[list[_T], list[_T]]
"""One for each fret, of the treble side and of the bass side."""
_SLOPES = np.linspace(0.0, 0.03, 13)
"""Slopes of a board's edge tried: from parallel edges to twice the usual taper, closer than `WIDENING_U`."""
_LINE_MM = np.arange(-6.0, 6.0 + 1e-9, 0.05)
"""Offsets of a line tried: as far as an end is looked for, and the overview's own error from fret to fret."""
_MOVES = 14
"""How often ends are looked for farther out, where none is among the places tried: from the narrowest board found to
the widest there is, 70 mm by 5 mm."""
_OUTLIER_SHARE, _OUTLIER_MM = 0.05, 1.0
"""Share of ends whose reading is of something else, and how far that is off: a rim, the board's edge, a shadow's."""


def find_ends(
    photo: Photo, covers: tuple[Floats, ...], frets: list[EdgedFret], softness: float, covered: str = COVERED
) -> tuple[EndedFret, ...]:
    """Both ends of every fret, where they show; where not, as the other frets' ends have them.

    Parameters
    ----------
    covers : tuple of ndarray, shape (M, 2) each
        Closed outlines of what covers the board, in photo pixels: the scale.
    softness : float
        The photo's blur over that of a sharp one.
    covered : str
        Why an end under one of the outlines can't be read, to go on "it".
    """
    if not frets:
        return ()
    u, px = np.array([f.frame.origin_mm @ f.frame.across for f in frets]), frets[0].patch.px_per_mm

    def curve(f: EdgedFret, at: ExpectedEnd) -> EndCurve:
        return end_curve(photo, covers, f.frame, f.crown, at, px)

    both, expected = (frets, frets), expected_ends(u, [f.frame.length_mm for f in frets])
    curves = _on_one_board(_by_end(curve, both, expected))
    lines = common_end_lines(*curves, u)
    for _ in range(_MOVES):
        better = recentred(curves, lines)
        if better == expected:
            break
        curves = _on_one_board(_by_end(lambda f, c, at: c if c.expected == at else curve(f, at), both, curves, better))
        lines, expected = common_end_lines(*curves, u), better
        if not any(_metal_goes_on(side) for side in curves):
            break
    fitted = _by_end(lambda c, line: _fitted(c, line, px, softness, covered), curves, lines)
    ends = [doubted_ends(photo, covers, frets, side) for side in fitted]
    return tuple(with_ends(*one) for one in zip(frets, *ends, strict=True))


def _by_end(of: Callable[..., _T], *sides: Sides[Any]) -> Sides[_T]:
    """A function of every fret's treble end and of its bass end."""
    treble, bass = ([of(*one) for one in zip(*side, strict=True)] for side in zip(*sides, strict=True))
    return treble, bass


def _on_one_board(curves: Sides[EndCurve]) -> Sides[EndCurve]:
    treble, bass = curves
    settled = on_one_board([*treble, *bass])
    return settled[: len(treble)], settled[len(treble) :]


def _fitted(curve: EndCurve, line: FretEnd, px_per_mm: float, softness: float, covered: str) -> FittedEnd:
    measured = pick_end(curve, line, px_per_mm, softness)
    return FittedEnd(measured) if measured else FittedEnd(line, why_not_measured(curve, line, covered))


def expected_ends(u_mm: Floats, length_mm: list[float]) -> Sides[ExpectedEnd]:
    """About where the treble and bass ends are, if the overview has their middle and boards widen as is usual.

    Parameters
    ----------
    u_mm : ndarray, shape (N,)
        Places of the frets along the neck.
    length_mm : list of float, length N
        As the overview has them.
    """
    wider = WIDENING * (u_mm - u_mm.mean())
    treble = [ExpectedEnd(-float(w), -1) for w in wider]
    return treble, [ExpectedEnd(length + float(w), 1) for length, w in zip(length_mm, wider, strict=True)]


def recentred(curves: Sides[EndCurve], lines: Sides[FretEnd]) -> Sides[ExpectedEnd]:
    """About where the ends are: as expected before, or where all ends together put one off the places tried.

    What the scale covers, with a margin and the rest of a band of the overview, can hide more than those places span.
    Where the metal of most frets goes on over all of them, the board is wider than it was found, and they lie beyond.
    """
    near = _by_end(
        lambda c, at: c.expected if _spans_likely_places(c, at) else replace(c.expected, along=at.along), curves, lines
    )
    beyond = _by_end(lambda c: replace(c.expected, along=c.expected.along + c.expected.outward * OUT_MM[-1]), curves)
    treble, bass = (b if _metal_goes_on(c) else n for c, n, b in zip(curves, near, beyond, strict=True))
    return treble, bass


def _metal_goes_on(side: list[EndCurve]) -> bool:
    """Whether the metal of most frets goes on over all places tried for their ends."""
    return 2 * sum(c.goes_on for c in side) > len(side)


def _spans_likely_places(curve: EndCurve, line: FretEnd) -> bool:
    """Whether the places tried span all that the other ends leave likely for this one."""
    at, most = curve.expected.outward * (line.along - curve.expected.along), 3.0 * line.u
    return bool(OUT_MM[0] + most < at < OUT_MM[-1] - most)


def common_end_lines(treble: list[EndCurve], bass: list[EndCurve], u_mm: Floats) -> Sides[FretEnd]:
    """Where each end is by the two straight lines of all ends, which part alike towards the body.

    The neck's direction is square to the frets, so a board is symmetric about it and both edges share one slope. Each
    end scatters about its line by `END_SCATTER_MM`, and a few are misread and count for nothing.

    Parameters
    ----------
    treble, bass : list of EndCurve, length N
        Likelihood of each end along its fret.
    u_mm : ndarray, shape (N,)
        Places of the frets along the neck.
    """
    u = u_mm - u_mm.mean()
    usual = -0.5 * ((_SLOPES - WIDENING) / WIDENING_U) ** 2
    by_side = []
    for side in (treble, bass):
        middle = np.mean([c.expected.along for c in side])
        total = np.zeros((len(_SLOPES), len(_LINE_MM)))
        for c, x in zip(side, u, strict=True):
            at = middle + c.expected.outward * (_SLOPES[:, None] * x + _LINE_MM)
            total += np.interp(c.expected.outward * (at - c.expected.along), OUT_MM, _line_log_likelihood(c))
        by_side.append(total)
    by_slope = [np.logaddexp.reduce(v, axis=1)[:, None] for v in by_side]
    return (
        _line(treble, by_side[0] + by_slope[1] + usual[:, None], u),
        _line(bass, by_side[1] + by_slope[0] + usual[:, None], u),
    )


def _line_log_likelihood(curve: EndCurve) -> Floats:
    """Log likelihood of the common line's place (at `OUT_MM`) given one end."""
    p = np.exp(curve.log_likelihood - curve.log_likelihood.max())
    step = OUT_MM[1] - OUT_MM[0]
    well, ill = (gaussian_filter1d(p / p.sum(), sd / step, mode="nearest") for sd in (END_SCATTER_MM, _OUTLIER_MM))
    return np.asarray(np.log((1.0 - _OUTLIER_SHARE) * well + _OUTLIER_SHARE * ill + 1e-30))


def _line(side: list[EndCurve], log_likelihood: Floats, u: Floats) -> list[FretEnd]:
    """Mean over all lines of one side at every fret; its uncertainty with the scatter of ends about it."""
    p = np.exp(log_likelihood - log_likelihood.max())
    p /= p.sum()
    middle, outward = np.mean([c.expected.along for c in side]), side[0].expected.outward
    ends = []
    for x in u:
        at = middle + outward * (_SLOPES[:, None] * x + _LINE_MM)
        mean = float(np.sum(p * at))
        ends.append(FretEnd(mean, math.sqrt(float(np.sum(p * (at - mean) ** 2)) + END_SCATTER_MM**2)))
    return ends
