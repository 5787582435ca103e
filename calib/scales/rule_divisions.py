"""What one step of a rule is, told by its pattern of long and short graduations."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.errors import ScaleError

__all__ = ["Division", "DIVISIONS", "tell_division"]

INCH_MM = 25.4
"""International inch, exact (1959 agreement; ISO 31-1)."""


@dataclass(frozen=True, slots=True)
class Division:
    """A way of dividing: its name, unit, one step in mm, and every how many steps a longer graduation stands."""

    name: str
    unit: str
    step_mm: float
    levels: tuple[int, ...]


DIVISIONS = (
    Division("1 mm", "mm", 1.0, (10, 5)),
    Division("1 mm, fives alone longer", "mm", 1.0, (5,)),
    Division("1 mm, tens alone longer", "mm", 1.0, (10,)),
    Division("0.5 mm", "mm", 0.5, (20, 10, 2)),
    Division("1/16 inch", "inch", INCH_MM / 16, (16, 8, 4, 2)),
    Division("1/32 inch", "inch", INCH_MM / 32, (32, 16, 8, 4, 2)),
    Division("1/64 inch", "inch", INCH_MM / 64, (64, 32, 16, 8, 4, 2)),
)
_EXPLAINED = 0.6  # share of the lengths' variance a pattern must explain; chance explains under 0.2 of 20 graduations
_DECISIVE = 10.0  # difference of the information criteria, which is -2 ln odds: more than 100 to 1
_LONGER = 1.04  # each level over the next: rules make it 1.2 and more, and lengths are read to 0.02


def tell_division(
    number: NDArray[np.int64],
    length: NDArray[np.float64],
    unit: str,
    step_mm: tuple[float, float] = (0.0, math.inf),
) -> Division:
    """The division whose pattern fits the graduations' lengths.

    Parameters
    ----------
    number : ndarray of int, shape (N,)
        Running numbers, origin unknown.
    length : ndarray of float, shape (N,)
        Lengths, in any unit.
    unit : {'mm', 'inch'}
    step_mm : (least, most)
        What a step can be at the distances photos are taken from.

    Raises
    ------
    ScaleError
        If no division of `unit` fits, or one of the other unit clearly fits better.
    """
    scores = {d: _fit(number, length, d) if step_mm[0] < d.step_mm < step_mm[1] else -math.inf for d in DIVISIONS}
    best = max(scores, key=lambda d: scores[d])
    own = max((d for d in DIVISIONS if d.unit == unit), key=lambda d: scores[d])
    if scores[own] == -math.inf and scores[best] == -math.inf:
        raise ScaleError(
            "The rule's long and short graduations do not show how it is divided.",
            "Show at least 25 mm (1 inch) of the rule, its graduations whole and without glare.",
        )
    if best.unit != unit and scores[best] - scores[own] > _DECISIVE:
        raise ScaleError(
            f"The graduations look like {best.name}, not {'millimetres' if unit == 'mm' else 'fractions of an inch'}.",
            f"Choose rule:{best.unit}, or turn the rule over.",
        )
    rival = max((scores[d] for d in DIVISIONS if d.unit == unit and d.step_mm != own.step_mm), default=-math.inf)
    finer = any(d.unit == unit and d.levels[0] == 2 * own.levels[0] for d in DIVISIONS)
    if scores[own] - rival < _DECISIVE or (finer and _alternates(number, length, own)):
        raise ScaleError(
            f"The rule's graduations could be {own.name} or another division.",
            "Show more of the rule, its longest graduations whole and clear of the numbers.",
        )
    return own


def _alternates(number: NDArray[np.int64], length: NDArray[np.float64], d: Division) -> bool:
    """Whether every second one of the longest graduations of a pattern differs from those between.

    Then they are of two levels, of which a numeral has cut off the longer or run into it, and the rule is divided twice
    as finely: 64ths whose inch lines end at their numerals have the lengths of 32nds but for that.
    """
    period = d.levels[0]
    typical = [_middle(length[number % period == phase]) for phase in range(period)]
    top = number % period == int(np.argmax(typical))
    turn = number[top] // period % 2
    even, odd = length[top][turn == 0], length[top][turn == 1]
    return bool(even.size and odd.size and abs(_middle(even) - _middle(odd)) > (_LONGER - 1.0) * _middle(length[top]))


def _middle(length: NDArray[np.float64]) -> float:
    return float(np.median(length)) if length.size else -math.inf


def _fit(number: NDArray[np.int64], length: NDArray[np.float64], d: Division) -> float:
    """Minus the Bayesian information criterion of a pattern at its best phase; -inf where it does not fit.

    Each level has its own length; a level no longer than the one below it refutes the pattern: otherwise a rule divided
    in 16ths would also be one in 32nds. Only the longest lines in millimetres may be shorter, where an arrow or a
    numeral cuts them off: no other pattern there differs from theirs by its longest lines alone.
    """
    period = d.levels[0]
    if np.ptp(number) < period:
        return -math.inf
    order = np.argsort(length, kind="stable")
    number, length = number[order], length[order]
    cap = 0.5 * _median(length)  # a scratch or a numeral run into a line counts no more than this
    total = _spread(length, np.full(len(length), _median(length)), cap)
    best = -math.inf
    residues = [(k, every, number % every) for k, every in reversed(list(enumerate(d.levels)))]
    for phase in range(period):
        level = np.full(len(number), len(d.levels))
        for k, every, residue in residues:
            level[residue == phase % every] = k
        if not np.all(np.bincount(level, minlength=len(d.levels) + 1)):
            continue
        middle = np.array([_median(length[level == k]) for k in range(len(d.levels) + 1)])
        longer = middle[:-1] > _LONGER * middle[1:]
        longer[0] |= d.unit == "mm" and len(d.levels) > 1 and bool(_LONGER * middle[0] < middle[1])
        if not np.all(longer):
            continue
        rest = _spread(length, middle[level], cap)
        if rest < (1.0 - _EXPLAINED) * total:
            floor = 1e-4 * len(number) * float(length.mean()) ** 2  # lengths are not read to better than 1 %
            score = -len(number) * math.log((rest + floor) / len(number)) - (len(d.levels) + 2) * math.log(len(number))
            best = max(best, score)
    return best


def _median(ordered: NDArray[np.float64]) -> float:
    """Of numbers in order."""
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2.0


def _spread(length: NDArray[np.float64], about: NDArray[np.float64], cap: float) -> float:
    return float(np.sum(np.minimum(np.abs(length - about), cap) ** 2))
