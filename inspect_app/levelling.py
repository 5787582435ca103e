"""What levelling would do: how much must come off, and what height is left on every fret, with probabilities.

Monte Carlo propagation of the readings' uncertainties (JCGM 101:2008): each draw is one possible board. All frets that
are levelled together come down to one surface, so the deepest divot among them decides how much every one of them
loses. The unworn height shared by all frets is drawn once a board, each fret's own departure from it separately.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inspect_app.wear import WearMap

__all__ = ["DRAWS", "Boards", "Spread", "draw_boards", "height_after", "removal", "spread"]

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
