"""Dirt along the foot of a drawn crown: skin grease, polish and dust that a rag does not reach.

Cake fills the corner between metal and board: it hides the foot, reaches out on the board and climbs the flank about as
far; it is matt and has no grain of its own. A stain darkens the wood softly towards the fret and leaves its grain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

__all__ = ["FootDirt", "CLEAN", "draw_dirt"]

Floats = NDArray[np.float64]
Rng = np.random.Generator


@dataclass(frozen=True)
class FootDirt:
    """Cake of the colour `albedo` (red, green, blue), so wide on the board and so high on the flank; stain beside it.

    Lengths in mm. `ragged` is how much (standard deviation) the cake's edges, median of many rows, are smeared. A stain
    takes the share `stain` of the light at the foot, and e times less `fades` farther out.
    """

    wide: float
    high: float
    ragged: float
    albedo: Floats
    stain: float
    fades: float

    def on_board(self, beside: Floats) -> tuple[Floats, Floats]:
        """At places beside the foot (mm): the share that cake covers, and what a stain leaves of the wood's light."""
        covered = ndtr((self.wide - beside) / self.ragged) if self.wide > 0.0 else np.zeros(len(beside))
        return covered, 1.0 - self.stain * np.exp(-np.maximum(beside, 0.0) / self.fades)

    def on_metal(self, inside: Floats, reach: float) -> Floats:
        """Share that cake covers at places inside the seen edge (mm, negative) where it is seen to reach so far in."""
        return np.asarray(ndtr((inside + reach) / self.ragged)) if reach > 0.0 else np.zeros(len(inside))


CLEAN = FootDirt(0.0, 0.0, 0.01, np.zeros(3), 0.0, 1.0)


def draw_dirt(rng: Rng, height: float) -> FootDirt:
    """Every other fret is clean, the rest stained or caked or both (common practice, no source).

    Cake rests at up to about 45 degrees: it climbs as far as it reaches out, or less.
    """
    if rng.random() < 0.5:
        return CLEAN
    caked, stained = rng.choice([0.0, 1.0], 2, p=[0.5, 0.5])
    wide = caked * math.exp(rng.uniform(math.log(0.03), math.log(0.6)))
    dark = math.exp(rng.uniform(math.log(0.006), math.log(0.12)))
    if rng.random() < 0.15:
        dark = rng.uniform(0.15, 0.7)  # dried polish and dust
    warm = rng.uniform(0.0, 0.6)
    return FootDirt(
        wide,
        min(wide * rng.uniform(0.1, 1.0), 0.6 * height),
        math.hypot(0.006, rng.uniform(0.0, 0.12) * wide),
        dark * np.exp([0.5 * warm, 0.0, -0.5 * warm]),
        stained * rng.uniform(0.1, 0.75),
        math.exp(rng.uniform(math.log(0.08), math.log(1.0))),
    )
