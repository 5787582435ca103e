"""What levelling would do: how much must come off, and what height is left on every fret, with probabilities.

Monte Carlo propagation of the readings' uncertainties (JCGM 101:2008): each draw is one possible board. All frets that
are levelled together come down to one surface, so the deepest divot among them decides how much every one of them
loses. The unworn height shared by all frets is drawn once a board, each fret's own departure from it separately.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inspect_app.decide.wear import Rate, WearMap
from shared.measured import Measured

__all__ = [
    "DRAWS",
    "Boards",
    "Spread",
    "YearsLeft",
    "draw_boards",
    "draw_rates",
    "height_after",
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
    deepest wear on each fret, 0 for a fret nothing was read of; both mm."""

    frets: tuple[int, ...]
    height: Draws | None
    depth: Draws


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


def draw_boards(wear: WearMap, n: int = DRAWS, seed: int = 0) -> Boards:
    """Draw `n` possible boards from a wear map. The same seed gives the same boards."""
    rng = np.random.default_rng(seed)
    numbers = tuple(f.number for f in wear.frets)
    depth = np.zeros((n, len(numbers)))
    for j, fret in enumerate(wear.frets):
        for spot in fret.spots:
            if spot.depth is not None:
                np.maximum(depth[:, j], rng.normal(spot.depth.value, spot.depth.u, n), out=depth[:, j])
        if fret.unseen_depth is not None:
            np.maximum(depth[:, j], rng.uniform(0.0, fret.unseen_depth, n), out=depth[:, j])
    return Boards(numbers, _draw_heights(wear, n, rng), depth)


def _draw_heights(wear: WearMap, n: int, rng: np.random.Generator) -> Draws | None:
    if any(wear.unworn_height(f.number) is None for f in wear.frets):
        return None
    shared = rng.standard_normal(n)
    columns = []
    for fret in wear.frets:
        own, common = fret.crown_height, wear.crown_height
        if own is not None:
            columns.append(rng.normal(own.value, own.u, n))
        elif common is not None:
            columns.append(common.value + common.u * shared + rng.normal(0.0, FRET_TO_FRET_U, n))
    return np.column_stack(columns)


def removal(boards: Boards, together: Sequence[int], margin: float) -> Draws:
    """How much comes off the unworn height when the frets `together` are levelled to clean up every divot, (N,) mm."""
    columns = [boards.frets.index(f) for f in together]
    if not columns:
        return np.zeros(len(boards.depth))
    return np.asarray(boards.depth[:, columns].max(axis=1) + margin)


def height_after(boards: Boards, together: Sequence[int], off: Draws) -> Draws | None:
    """Height left on each of the frets `together` when `off` (N,) comes off them all, (N, len(together)) mm."""
    if boards.height is None:
        return None
    columns = [boards.frets.index(f) for f in together]
    return np.asarray(boards.height[:, columns] - off[:, None])


def spread(draws: Draws) -> Spread:
    """Mean and standard deviation of draws (N,)."""
    return Spread(float(np.mean(draws)), float(np.std(draws, ddof=1)))


def draw_rates(rates: Sequence[Rate], n: int = DRAWS, seed: int = 0) -> dict[int, Draws]:
    """Draws (n,) of the wear a year, mm, by fret: under the string that wears it fastest.

    Only rates larger than their expanded uncertainty count: the others tell no wear.
    """
    fastest: dict[int, Rate] = {}
    for r in rates:
        if r.years_left is not None and (r.fret not in fastest or r.per_year.value > fastest[r.fret].per_year.value):
            fastest[r.fret] = r
    rng = np.random.default_rng([seed, 1])  # a stream of its own: the boards stay the same with and without rates
    return {f: rng.normal(r.per_year.value, r.per_year.u, n) for f, r in sorted(fastest.items())}


def years_left(
    heights: Mapping[int, Spread], yearly: Mapping[int, Draws], least: float, seed: int = 0
) -> YearsLeft | None:
    """Years until the first of the frets is worn down to `least` mm; ``None`` where no rate or no height is known.

    Parameters
    ----------
    heights : mapping of int to Spread
        Crown height by fret once the option is done.
    yearly : mapping of int to ndarray, (N,)
        Draws of the wear a year, mm, of the frets whose wear between two visits could be told.
    """
    both = [f for f in yearly if f in heights]
    if not both:
        return None
    rng = np.random.default_rng([seed, 2])
    left = np.column_stack([rng.normal(heights[f].value, heights[f].u, len(yearly[f])) - least for f in both])
    rate = np.column_stack([yearly[f] for f in both])
    years = np.full(left.shape, np.inf)  # a draw that does not wear never gets there
    np.divide(np.maximum(left, 0.0), rate, out=years, where=rate > 0.0)
    first = years.min(axis=1)
    at_least, median = (float(q) for q in np.quantile(first, [0.05, 0.5], method="lower"))
    return YearsLeft(median, at_least, both[int(np.argmin(np.median(years, axis=0)))])
