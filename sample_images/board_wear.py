"""Worn places of a fingerboard: where fingers and strings have taken finish and wood off between the frets.

Each is a rounded patch with a wandering border under one string; the truth states its area by fret and string.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.instrument import INSET_MM, Board, Fret

__all__ = ["BoardPatch", "FingerWear", "KINDS", "draw_wear", "hollowed", "truth_of_wear", "weights", "worn_tone"]

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

KINDS: dict[str, tuple[float, float, float]] = {
    "bared": (0.72, 0.55, 0.60),
    "pale": (1.55, 0.40, 0.55),
    "dark": (0.62, 0.20, 0.70),
    "polished": (0.80, 0.10, 0.10),
}
"""How a worn place looks: its tone over the wood's, how far it is greyed, its roughness. Bare wood with dirt in it
under worn lacquer, dry wood with its dye worn off, wood darkened by hands, wood polished by them (chosen by eye)."""
STRINGS = 6
TRUTH_MM = 0.05
"""Grid on which areas are counted."""


@dataclass(frozen=True, slots=True)
class BoardPatch:
    """A worn place before fret `fret` under `string` (1 the treble side's): middle, half axes and hollow, mm.

    `waves` (K, 2) are amplitude and phase of the border's harmonics from the second on.
    """

    fret: int
    string: int
    x: float
    y: float
    along: float
    across: float
    depth: float
    waves: tuple[tuple[float, float], ...]

    def reach(self, x: Array, y: Array) -> Array:
        """Distance from the middle, the border being 1."""
        u, v = (x - self.x) / self.along, (y - self.y) / self.across
        turn = np.arctan2(v, u)
        border = 1.0 + sum(a * np.cos((k + 2) * turn + p) for k, (a, p) in enumerate(self.waves))
        return np.asarray(np.hypot(u, v) / border)


@dataclass(frozen=True, slots=True)
class FingerWear:
    """All worn places of a board, how they look (one of `KINDS`), how much of that (0 to 1), and how soft a border."""

    patches: tuple[BoardPatch, ...]
    kind: str
    strength: float
    soft_mm: float


def weights(wear: FingerWear, x: Array, y: Array) -> Array:
    """How far each place is worn, 0 to 1; 0.5 on a border."""
    worn = np.zeros(np.broadcast(x, y).shape)
    for p in wear.patches:
        inside = (1.0 - p.reach(x, y)) * min(p.along, p.across) / wear.soft_mm
        worn = np.maximum(worn, np.clip(0.5 + inside, 0.0, 1.0))
    return np.asarray(worn * worn * (3.0 - 2.0 * worn))


def hollowed(wear: FingerWear, x: Array, y: Array) -> Array:
    """Depth of the hollows, mm."""
    depth = np.zeros(np.broadcast(x, y).shape)
    for p in wear.patches:
        depth = np.maximum(depth, p.depth * np.clip(1.0 - p.reach(x, y) ** 2, 0.0, 1.0) ** 2)
    return depth


def worn_tone(wear: FingerWear, wood: Picture, worn: Picture) -> Picture:
    """The wood's picture (rows, cols, 3) with its worn places, `worn` (rows, cols) being their weights."""
    tone, grey, _ = KINDS[wear.kind]
    mean = wood.mean(axis=2, keepdims=True)
    other = tone * (wood + grey * (mean - wood))
    share = (wear.strength * worn)[:, :, None]
    return np.asarray(np.clip(wood + share * (other - wood), 0.004, 0.9), dtype=np.float32)


def draw_wear(rng: np.random.Generator, board: Board, frets: Sequence[Fret], amount: float) -> FingerWear:
    """Worn places of a board: more where chords are held, `amount` (0 to 1) being how much of all."""
    patches = []
    for before, fret in zip([None, *frets[:-1]], frets, strict=True):
        start = 0.0 if before is None else before.x + before.width / 2.0
        room = fret.x - fret.width / 2.0 - start
        reach = float(board.half_width(fret.x)) - INSET_MM
        for i, y in enumerate(np.linspace(-reach, reach, STRINGS)):
            if rng.random() > amount * (1.1 - 0.03 * fret.n) * (1.0 - 0.09 * i):
                continue
            along, across = room * rng.uniform(0.17, 0.36), rng.uniform(1.6, 3.4)
            x = start + room * rng.uniform(0.48, 0.58)
            along = min(along, 0.9 * (x - start - 1.2) / 1.15, 0.9 * (start + room - 1.2 - x) / 1.15)
            across = min(across, float(board.half_width(x)) - abs(y) - 0.5) if i in (0, STRINGS - 1) else across
            waves = tuple((float(rng.uniform(0.0, 0.09)), float(rng.uniform(0.0, 2.0 * math.pi))) for _ in range(3))
            depth = float(rng.choice([0.0, 1.0])) * rng.uniform(0.05, 0.3)
            moved = float(y + rng.normal(0.0, 0.4))
            patches.append(BoardPatch(fret.n, i + 1, float(x), moved, float(along), float(across), depth, waves))
    kind = str(rng.choice(list(KINDS)))
    return FingerWear(tuple(patches), kind, float(rng.uniform(0.5, 1.0)), float(rng.uniform(0.3, 1.2)))


def truth_of_wear(wear: FingerWear | None, board: Board, frets: Sequence[Fret]) -> list[dict[str, Any]]:
    """Worn area by field and string: a field reaches from the crown before it to the fret's own, from edge to edge.

    A field is shared out among the strings half-way between them.
    """
    out = []
    for before, fret in pairwise(frets):
        x = np.arange(before.x + before.width / 2.0, fret.x - fret.width / 2.0, TRUTH_MM)
        half = float(board.half_width((before.x + fret.x) / 2.0))
        y = np.arange(-half, half, TRUTH_MM)
        worn = np.zeros((len(y), len(x))) if wear is None else weights(wear, x[None, :], y[:, None])
        hollow = np.zeros_like(worn) if wear is None else hollowed(wear, x[None, :], y[:, None])
        places = np.linspace(-half + INSET_MM, half - INSET_MM, STRINGS)
        lane = np.argmin(np.abs(y[:, None] - places[None, :]), axis=1)
        for i in range(STRINGS):
            mine = worn[lane == i] >= 0.5
            out.append(
                {
                    "fret": fret.n,
                    "string": i + 1,
                    "area": float(mine.sum() * TRUTH_MM**2),
                    "share": float(mine.mean()),
                    "depth": float(hollow[lane == i].max()),
                }
            )
    return out
