"""What measuring again is worth: repeatability and reproducibility from readings of the same things.

One-way analysis of variance, a level a thing that was read (one fret's crown width), a group a person or a setting-up
(ISO 5725-2, 7.4: s_r, s_L and s_R; clause from memory). Levels of one quantity are pooled by their degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from shared.errors import OptionError

__all__ = ["Precision", "LIMIT_FACTOR", "precision", "pooled_precision"]

LIMIT_FACTOR = 1.96 * math.sqrt(2.0)
"""Two readings differ by more than this many standard deviations once in twenty (ISO 5725-6, 4.1.4, there rounded to
2.8; clause from memory)."""


@dataclass(frozen=True, slots=True)
class Precision:
    """Spread of readings of the same things, all in the readings' unit.

    Attributes
    ----------
    mean : float
        Of all readings.
    repeatability : float
        s_r: standard deviation of one reading when nothing changes but the photo.
    between : float or None
        s_L: standard deviation between groups; None where there was only one.
    of_things : float or None
        Standard deviation of the things themselves, what measuring adds taken off; None where only one was read.
    dof : int
        Degrees of freedom of `repeatability`.
    readings, groups, things : int
        How many readings, groups and things it rests on.
    """

    mean: float
    repeatability: float
    between: float | None
    of_things: float | None
    dof: int
    readings: int
    groups: int
    things: int

    @property
    def reproducibility(self) -> float | None:
        """s_R: standard deviation of one reading by any of the groups."""
        return None if self.between is None else math.hypot(self.repeatability, self.between)

    @property
    def measuring(self) -> float:
        """Standard deviation that measuring adds, as far as the study can tell."""
        return self.repeatability if self.reproducibility is None else self.reproducibility

    @property
    def share(self) -> float | None:
        """Share of the standard deviation seen among different things that is measuring, 0 to 1."""
        if self.of_things is None:
            return None
        seen = math.hypot(self.measuring, self.of_things)
        return self.measuring / seen if seen > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class _Level:
    """Sums of squares of one thing's readings."""

    mean: float
    within: float
    between: float
    readings: int
    groups: int
    effective: float  # readings a group, as ISO 5725-2 counts them where groups differ in size


def precision(groups: Sequence[Sequence[float]]) -> Precision:
    """Precision of one thing read by several groups.

    Parameters
    ----------
    groups : sequence of sequences of float
        The readings of each person or setting-up, at least two in one of them.

    Raises
    ------
    OptionError
        If nothing was read twice.

    Examples
    --------
    >>> p = precision([[2.70, 2.72], [2.75, 2.77]])
    >>> f"{p.mean:.3f} {p.repeatability:.4f} {p.between:.4f} {p.reproducibility:.4f}"
    '2.735 0.0141 0.0339 0.0367'
    """
    return pooled_precision({"": {str(i): g for i, g in enumerate(groups)}})


def pooled_precision(readings: Mapping[str, Mapping[str, Sequence[float]]]) -> Precision:
    """Precision of one quantity over several things: the thing's name, then the group's, then its readings.

    Raises
    ------
    OptionError
        If nothing was read twice by the same group.
    """
    levels = [_level([g for g in by.values() if len(g)]) for by in readings.values() if any(map(len, by.values()))]
    dof = sum(v.readings - v.groups for v in levels)
    if dof < 1:
        raise OptionError("Nothing was read twice by the same person.", "Take at least two photos of the same frets.")
    s_r2 = sum(v.within for v in levels) / dof
    s_l2 = _between(levels, s_r2)
    n = sum(v.readings for v in levels)
    return Precision(
        sum(v.mean * v.readings for v in levels) / n,
        math.sqrt(s_r2),
        None if s_l2 is None else math.sqrt(s_l2),
        _by_thing(levels, s_r2, s_l2 or 0.0),
        dof,
        n,
        len({g for by in readings.values() for g, values in by.items() if len(values)}),
        len(levels),
    )


def _level(groups: Sequence[Sequence[float]]) -> _Level:
    every = [np.asarray(g, dtype=np.float64) for g in groups]
    n = np.array([len(g) for g in every], dtype=np.float64)
    origin = float(every[0][0])  # differences from a reading: sums of squares of large values lose their digits
    means = np.array([(g - origin).mean() for g in every])
    middle = float(n @ means / n.sum())
    within = sum(float(np.sum((g - origin - m) ** 2)) for g, m in zip(every, means, strict=True))
    p = len(every)
    effective = float((n.sum() - (n @ n) / n.sum()) / (p - 1)) if p > 1 else float(n.sum())
    return _Level(origin + middle, within, float(n @ (means - middle) ** 2), int(n.sum()), p, effective)


def _between(levels: Sequence[_Level], s_r2: float) -> float | None:
    """s_L squared, never negative (ISO 5725-2, 7.4.5.4, clause from memory)."""
    several = [v for v in levels if v.groups > 1]
    if not several:
        return None
    dof = sum(v.groups - 1 for v in several)
    counted = sum((v.groups - 1) * v.effective for v in several)
    return max(0.0, (sum(v.between for v in several) - dof * s_r2) / counted)


def _by_thing(levels: Sequence[_Level], s_r2: float, s_l2: float) -> float | None:
    if len(levels) < 2:
        return None
    of_means = float(np.mean([s_r2 / v.readings + s_l2 / v.groups for v in levels]))
    return math.sqrt(max(0.0, float(np.var([v.mean for v in levels], ddof=1)) - of_means))
