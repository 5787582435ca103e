"""Which of the lines found across a neck are frets: those spaced as equal temperament spaces them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["FretSequence", "fret_sequence"]

Floats = NDArray[np.float64]

_GAP = 1.0 - 2.0 ** (-1.0 / 12.0)
"""The gap behind a fret, as a share of the string from that fret on."""
_FRETS_APART = (1, 2, 3, 4)
"""How many gaps may lie between the two candidates that a sequence is started from: hands hide three frets."""
_MOST_HIDDEN = 3
"""Frets that may be missing in a row; beyond them whatever follows is counted as something else."""
_MOST_FRETS = (4, 3)
"""At most so many frets to so many gaps seen: with more missing than a photo hides, a sequence fits anything."""
_PLACE_U = 0.04
"""Standard deviation of a fret's place, in gaps: the overview's 0.2 to 0.5 mm, shadows included, of 10 to 36 mm."""
_HIT = -math.log(_PLACE_U * math.sqrt(2.0 * math.pi))
"""What a candidate exactly on a fret tells, as a logarithm of odds: anything else may lie anywhere in a gap."""
_HOLE, _BETWEEN = 1.6, 0.5
"""Logarithms of how much less likely a sequence is for a fret that is missing (one in five is hidden) and for a line
between frets (inlays and shadows make such lines, though seldom as long as a fret)."""
_REFINED = 40
"""Of the starts that differ in what lies on frets, the best so many are worked out."""
_ALONE = 1.0 / 3.0
"""An outermost fret beyond a hidden one has nobody beside it: it has to lie this much nearer, of the tolerance."""
_BENT = 2.0
"""What the largest bend takes from a sequence, two standard deviations of how tilted photos are: of two that fit alike,
the one seen more squarely is likelier."""
_MOST_CANDIDATES = 40
"""No more than the strongest so many: 36 frets are the most there are."""


@dataclass(frozen=True, slots=True)
class FretSequence:
    """Candidates that follow one another as frets do.

    Attributes
    ----------
    kept : tuple of int
        Which candidates, in order.
    numbers : ndarray of int, shape (len(kept),)
        Their numbers, counted from 0 at the first.
    score : float
        Logarithm of the odds that these are frets and not lines anywhere; above 0 it is likelier.
    """

    kept: tuple[int, ...]
    numbers: NDArray[np.int64]
    score: float


def fret_sequence(
    position: ArrayLike,
    strength: ArrayLike,
    gap: tuple[float, float] = (0.0, math.inf),
    bends: tuple[float, ...] = (0.0,),
    tolerance: float = 0.1,
) -> FretSequence | None:
    """The best sequence of frets among candidates, or ``None`` where no three follow one another as frets do.

    The sequence may still be chance: see its score.

    Equal temperament leaves two unknowns, where the bridge is and how far: any two candidates so many frets apart give
    both, and every other is then on a fret or is not.

    Parameters
    ----------
    position : array_like, shape (N,)
        Increasing towards the body.
    strength : array_like, shape (N,)
        How clearly each was seen, 0 to 1.
    gap : (float, float)
        Smallest and largest first gap that a neck can have, in the unit of `position`.
    bends : tuple of float
        How the scale of the positions may change along the neck, per unit: that of a neck tilted away.
    tolerance : float
        Largest departure of a fret, in gaps.
    """
    y, s = np.asarray(position, dtype=float), np.asarray(strength, dtype=float)
    chosen = np.sort(np.argsort(-s, kind="stable")[:_MOST_CANDIDATES])
    best: FretSequence | None = None
    worst_bend = max(1e-12, *(abs(b) for b in bends)) if bends else 1.0
    for bend in bends:
        x = y[chosen] / (1.0 + bend * (y[chosen] - y.mean()))
        for sequence in _sequences(x, s[chosen], gap, tolerance):
            score = sequence.score - _BENT * (bend / worst_bend) ** 2
            if best is None or score > best.score:
                kept = tuple(int(chosen[k]) for k in sequence.kept)
                best = FretSequence(kept, sequence.numbers, score)
    return best


def _sequences(x: Floats, s: Floats, gap: tuple[float, float], tolerance: float) -> list[FretSequence]:
    """The sequences that the best starts lead to."""
    if len(x) < 3:
        return []
    i, j = np.triu_indices(len(x), 1)
    first, apart = (np.repeat(k, len(_FRETS_APART)) for k in (i, x[j] - x[i]))
    length = apart / (1.0 - 2.0 ** (-np.tile(_FRETS_APART, len(i)) / 12.0))
    possible = (length * _GAP >= gap[0]) & (length * _GAP <= gap[1])
    first, length = first[possible], length[possible]
    on = np.abs(_off_whole_numbers(_numbers(x, x[first, None], length[:, None]))) <= tolerance
    order = np.argsort(-(on @ s), kind="stable")
    _, distinct = np.unique(np.packbits(on[order], axis=1), axis=0, return_index=True)
    found = (
        _refined(x, s, float(x[first[k]]), float(length[k]), tolerance) for k in order[np.sort(distinct)[:_REFINED]]
    )
    return [f for f in found if f is not None]


def _numbers(x: NDArray[Any], origin: NDArray[Any] | float, length: NDArray[Any] | float) -> Floats:
    """Fret numbers of places, counted from `origin`, with so much string behind it; NaN beyond the bridge."""
    left = 1.0 - (x - origin) / length
    return np.asarray(-12.0 * np.log2(np.where(left > 0.0, left, np.nan)))


def _off_whole_numbers(n: Floats) -> Floats:
    """How far numbers are from whole ones; infinite where there is none."""
    return np.nan_to_num(n - np.round(n), nan=np.inf)


def _refined(x: Floats, s: Floats, origin: float, length: float, tolerance: float) -> FretSequence | None:
    kept, numbers = np.empty(0, dtype=np.intp), np.empty(0, dtype=np.int64)
    for _ in range(3):
        kept, numbers = _run(_numbers(x, origin, length), s, tolerance)
        if len(kept) < 3:
            return None
        a = np.column_stack([-(2.0 ** (-numbers / 12.0)), np.ones(len(numbers))])
        length, bridge = (float(q) for q in np.linalg.lstsq(a, x[kept], rcond=None)[0])
        if length <= 0.0:
            return None
        origin = bridge - length
        if np.abs(_off_whole_numbers(_numbers(x[kept], origin, length))).max() <= tolerance:
            break
    off = _off_whole_numbers(_numbers(x[kept], origin, length))
    alone = slice(int(abs(off[0]) > _ALONE * tolerance and numbers[1] > 1), len(numbers))
    if abs(off[-1]) > _ALONE * tolerance and numbers[-1] > numbers[-2] + 1:
        alone = slice(alone.start, len(numbers) - 1)
    kept, off, numbers = kept[alone], off[alone], numbers[alone] - numbers[alone.start]
    if len(kept) < 3:
        return None
    if np.abs(off).max() > tolerance or numbers[-1] * _MOST_FRETS[1] > _MOST_FRETS[0] * (len(numbers) - 1):
        return None
    holes = int(numbers[-1]) + 1 - len(numbers)
    between = int(kept[-1] - kept[0]) + 1 - len(kept)
    if between >= len(kept):
        return None
    told = _HIT - off**2 / (2.0 * _PLACE_U**2)
    starts = math.log(len(_FRETS_APART) * len(x) * (len(x) - 1) / 2.0)
    free = 2.0 * _HIT + starts  # two places fit anything, and so do the best of many tries
    score = float(s[kept] @ told) - free - _HOLE * holes - _BETWEEN * between
    return FretSequence(tuple(int(k) for k in kept), numbers, score)


def _run(n: Floats, s: Floats, tolerance: float) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """The strongest run of candidates on frets, none hidden too long, and their numbers from 0 on."""
    on = np.flatnonzero(np.abs(_off_whole_numbers(n)) <= tolerance)
    whole = np.round(n[on]).astype(np.int64)
    parts = np.split(np.arange(len(on)), np.flatnonzero(np.diff(whole) > _MOST_HIDDEN + 1) + 1)
    part = max(parts, key=lambda p: float(s[on[p]].sum()))
    kept: list[int] = []
    for k in part:  # of two on the same fret, the stronger
        if kept and whole[kept[-1]] == whole[k]:
            kept[-1] = int(max(kept[-1], k, key=lambda q: float(s[on[q]])))
        else:
            kept.append(int(k))
    return on[kept], whole[kept] - whole[kept[0]] if kept else whole[:0]
