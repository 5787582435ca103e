"""What levelling would do: how much must come off, and what height is left on every fret, with probabilities.

Monte Carlo propagation of the readings' uncertainties (JCGM 101:2008): each draw is one possible board. All frets that
are levelled together come down to one surface, so the lowest place among them decides how much every one of them
loses.

Every draw is made from the influences behind the readings (`calib.budget.Sampler`), so that heights, depths and rates
know what they share. Of the depths' own errors it is assumed that they go together. Were each drawn for itself, the
largest of many would come out too deep by the noise alone: 132 places all 0.10 mm deep with u of 0.02 would have
0.152 +- 0.008 for their deepest, when every one of them says 0.10. The deepest place is taken as read instead, and as
uncertain as one reading. That is exact for one place that stands out and on the deep side for many alike, where the
largest reading is the one whose error was largest; and a place worn deeper can never make the board look better.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtr

from calib.budget import Sampler, difference, weighted_mean
from inspect_app.decide.wear import FretWear, Rate, WearMap
from shared.influences import Scope, scope_of
from shared.measured import COVERAGE_FACTOR, Contribution, Measured

__all__ = [
    "DRAWS",
    "FRET_TO_FRET_U",
    "Boards",
    "Spread",
    "YearsLeft",
    "draw_boards",
    "draw_rates",
    "height_after",
    "common_depth",
    "removal",
    "spread",
    "years_left",
]

DRAWS = 10_000
"""Number of draws: a probability near 0.95 is then known to +- 0.004 (k = 2)."""
FRET_TO_FRET_U = 0.02
"""Standard deviation of one fret's unworn height about the shared one, mm: drawing and seating of the wire
(common practice, no source)."""

Draws = NDArray[np.float64]


@dataclass(frozen=True)
class Boards:
    """Possible boards. `frets` are the numbers of the columns; `height` (N, F) is unworn height, `depth` (N, F) the
    deepest wear on each fret, 0 for a fret nothing was read of; both mm. `above` (F,) is how far each fret's unworn top
    stands above the plane of the others, mm: 0 unless its height, or a photo across the neck, says so; `above_u` (F,)
    its standard uncertainty. `sampler` made the draws."""

    frets: tuple[int, ...]
    height: Draws | None
    depth: Draws
    above: Draws
    above_u: Draws
    sampler: Sampler = field(compare=False)

    def columns(self, numbers: Sequence[int]) -> list[int]:
        """Columns of these frets."""
        return [self.frets.index(n) for n in numbers]


@dataclass(frozen=True, slots=True)
class Spread:
    """Mean and standard uncertainty of a quantity over the draws, mm."""

    value: float
    u: float

    @property
    def measured(self) -> Measured:
        """As a measured value, for the one formatter."""
        return Measured.of(self.value, "mm", forecast=self.u)


@dataclass(frozen=True, slots=True)
class YearsLeft:
    """Years until the first crown is worn to its limit: the median, and what is exceeded with 95 % probability."""

    median: float
    at_least: float
    fret: int


def draw_boards(
    wear: WearMap, n: int = DRAWS, seed: int = 0, over_plane: Mapping[int, Measured] | None = None
) -> Boards:
    """Draw `n` possible boards from a wear map. The same seed gives the same boards.

    `over_plane` is how far crowns stand over the others' plane as photos across the neck show it, mm.
    """
    sampler = Sampler(n, seed)
    numbers = tuple(f.number for f in wear.frets)
    depth = np.column_stack([_draw_depth(f, sampler) for f in wear.frets])
    above, above_u = _above(wear, over_plane or {})
    return Boards(numbers, _draw_heights(wear, sampler), depth, above, above_u, sampler)


def _draw_depth(fret: FretWear, sampler: Sampler) -> Draws:
    deepest = np.zeros(sampler.n)
    for spot in fret.spots:
        if spot.depth is not None:
            np.maximum(deepest, sampler.draw(_fully_correlated(spot.depth)), out=deepest)
    if fret.unseen_depth is not None:
        np.maximum(deepest, _unseen(fret.unseen_depth, sampler), out=deepest)
    return deepest


def _fully_correlated(depth: Measured) -> Measured:
    """The same depth, its own errors and its photo's taken to go with those of the other depths."""
    apart = [c for c in depth.contributions if scope_of(c.source) in (Scope.OWN, Scope.PHOTO)]
    kept = tuple(c for c in depth.contributions if c not in apart)
    u = math.hypot(*(c.u for c in apart))
    return replace(depth, contributions=(*kept, Contribution("depth readings", u, "all")))


def _unseen(limit: float, sampler: Sampler) -> Draws:
    """What could have been missed, anything from none to `limit` alike; it goes with the depths' errors too."""
    return np.asarray(limit * ndtr(sampler.deviates(Contribution("depth readings", 1.0, "all"))))


def _draw_heights(wear: WearMap, sampler: Sampler) -> Draws | None:
    if any(wear.unworn_height(f.number) is None for f in wear.frets):
        return None
    columns = []
    for fret in wear.frets:
        known = wear.unworn_height(fret.number)
        assert known is not None
        if fret.crown_height is None:
            own = Contribution("fret to fret", FRET_TO_FRET_U, f"fret {fret.number}")
            known = replace(known, contributions=(*known.contributions, own))
        columns.append(sampler.draw(known))
    return np.column_stack(columns)


def _above(wear: WearMap, over_plane: Mapping[int, Measured]) -> tuple[Draws, Draws]:
    """How far each fret's top stands above the others', mm, and its standard uncertainty, where heights were read and
    differ by more than their U, or a photo across the neck shows the top itself.

    The common level is the shared height, else the median of those read. A photo sees the top where it is: on a fret
    that is not seated it stands higher than its height says. A top that is low there may be worn: the depths tell that.
    """
    read = [f.crown_height for f in wear.frets if f.crown_height is not None]
    level = wear.crown_height
    if level is None and read:
        level = sorted(read, key=lambda q: q.value)[len(read) // 2]
    by_height = np.array([_sure_step(f.crown_height, level) for f in wear.frets])
    u = np.array([f.crown_height.u if f.crown_height is not None else 0.0 for f in wear.frets])
    for k, fret in enumerate(wear.frets):
        seen = over_plane.get(fret.number)
        if seen is not None and seen.value > seen.expanded and seen.value > by_height[k]:
            by_height[k], u[k] = seen.value, seen.u
    return by_height, u


def _sure_step(height: Measured | None, level: Measured | None) -> float:
    if height is None or level is None:
        return 0.0
    step = difference(height, level)
    return step.value if abs(step.value) > COVERAGE_FACTOR * math.hypot(step.u, FRET_TO_FRET_U) else 0.0


def removal(boards: Boards, together: Sequence[int], margin: float) -> Draws:
    """How much comes off tops that lie in the frets' plane when the frets `together` are levelled, (N,) mm.

    Every divot among them is cleaned up and the file has touched everywhere by `margin`.
    """
    columns = boards.columns(together)
    if not columns:
        return np.zeros(len(boards.depth))
    return np.asarray((boards.depth[:, columns] - boards.above[columns]).max(axis=1) + margin)


LEAST_ALIKE = 10
"""Depths that are needed to say that a board is worn alike: fewer agree by chance."""


def common_depth(wear: WearMap) -> Measured | None:
    """The one depth that all depths of a board agree with, where they scatter no more than their uncertainty makes them
    (chi squared below its upper 5 % point); ``None`` else."""
    depths = [s.depth for f in wear.frets for s in f.spots if s.depth is not None]
    if len(depths) < LEAST_ALIKE or any(d.u <= 0.0 for d in depths):
        return None
    mean = weighted_mean(depths)
    scatter = sum(((d.value - mean.value) / d.u) ** 2 for d in depths)
    return mean if scatter <= float(chdtri(len(depths) - 1, 0.05)) else None


def height_after(boards: Boards, together: Sequence[int], off: Draws) -> Draws | None:
    """Height left on each of the frets `together`, (N, len(together)) mm, when tops in their plane lose `off` (N,).

    All come down to one surface: a fret that stands above the plane loses more, one below it less.
    """
    if boards.height is None:
        return None
    columns = boards.columns(together)
    return np.asarray(boards.height[:, columns] - boards.above[columns] - off[:, None])


def spread(draws: Draws) -> Spread:
    """Mean and standard deviation of draws (N,)."""
    return Spread(float(np.mean(draws)), float(np.std(draws, ddof=1)))


def draw_rates(rates: Sequence[Rate], sampler: Sampler | int = DRAWS, seed: int = 0) -> dict[int, Draws]:
    """Draws (n,) of the wear a year, mm, by fret: under the string that wears it fastest.

    Only rates larger than their expanded uncertainty count: the others tell no wear. The sampler of the boards goes
    on, so that a depth read too deep makes the rate too fast as well.
    """
    draws = sampler if isinstance(sampler, Sampler) else Sampler(sampler, seed)
    fastest: dict[int, Rate] = {}
    for r in rates:
        if r.years_left is not None and (r.fret not in fastest or r.per_year.value > fastest[r.fret].per_year.value):
            fastest[r.fret] = r
    return {f: draws.draw(r.per_year) for f, r in sorted(fastest.items())}


def years_left(heights: Mapping[int, Draws], yearly: Mapping[int, Draws], least: float) -> YearsLeft | None:
    """Years until the first of the frets is worn down to `least` mm; ``None`` where no rate or no height is known.

    Parameters
    ----------
    heights : mapping of int to ndarray, (N,)
        Draws of the crown height by fret once the option is done: what frets share is in all of them.
    yearly : mapping of int to ndarray, (N,)
        Draws of the wear a year, mm, of the frets whose wear between two visits could be told.
    """
    both = [f for f in yearly if f in heights]
    if not both:
        return None
    left = np.column_stack([heights[f] - least for f in both])
    rate = np.column_stack([yearly[f] for f in both])
    years = np.full(left.shape, np.inf)  # a draw that does not wear never gets there
    np.divide(np.maximum(left, 0.0), rate, out=years, where=rate > 0.0)
    first = years.min(axis=1)
    at_least, median = (float(q) for q in np.quantile(first, [0.05, 0.5], method="lower"))
    return YearsLeft(median, at_least, both[int(np.argmin(np.median(years, axis=0)))])
