"""Tops of the frets' near ends that hardly differ from the crown behind them, across the neck.

Light that is moved up, column by column, by what an end's arch has fallen there steps all at once at its top; a
string's edge or a shadow across the crown is smeared by that. One faint step may be anything on the metal: a lamp's
line on a crown is arched as well. The ends of one photo are cut along one line that runs as the card's foot does, and
nothing arched lies below it on their flat faces: their tops are a line of such steps that most of them share, none
having one below.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from calib.lines import MAD_TO_SD

__all__ = ["ArchStep", "arch_fall", "arch_steps", "shared_tops"]

Array = NDArray[np.float64]
Light = NDArray[np.float32]

REACH = 0.3
"""How far to both sides of its middle an arch is followed, over the crown's width: farther out it is steep, and a tenth
of the width off, as its middle may be, smears it by more than the blur."""
ASIDE = np.linspace(-0.16, 0.16, 9)
"""How far the end's middle may lie beside where it was found, over the crown's width: 0.4 mm, as an end 5 mm before
the card looks aside of its crown at the card, 20 mm from the camera's foot. Half a step smears the arch by a pixel."""
PARTS = (-0.1, 0.1)
"""Bounds of the arch's three parts, over the crown's width."""
ALIKE = 0.5
"""Share of the whole arch's steepness that each part must have at the same place: what is no arch steps in one."""
ARCHED = 1.3
"""Times that light must step faster along the arch than straight across: the arch falls by five to eight pixels over
what is looked at, which spreads a straight step over as many and an arched one, looked at straight, as well."""
SIGMAS, LEAST = 5.0, 0.004
"""Steepness over its own noise (one in a million by chance) and in square roots of light a pixel, which a phone's or a
JPEG's blocks reach."""
FROM_PX = 4.0
"""How far below the foot the first such step may lie: beyond the foot's own blur."""
LINE_MM, BACK = 0.15, 0.5
"""How far from a step, and how steeply over its own, light that steps back makes a line of it: a string's shadow, as
wide as the string, is seen at a tenth of that on the crown; a phone's halo falls off less than half as fast."""
BLUR_PX = 3.0
"""Beyond a step's own blur: three standard deviations."""
BURNT = 0.985
"""Square root of light from which metal is burnt out: the code 252 of 255."""
SPARE = 10
"""Rows kept beyond what is looked at: the derivative's own reach."""
SCALE_PX = 1.2
"""Scale of the derivative: the blur of a sharp photo."""
TOGETHER_MM = 0.1
"""How far tops of one photo may lie from their line: single frets stand up by 0.05 to 0.1, and ends are filed by hand
(common practice, no source)."""
LIKE_OTHERS = 1.0 / 3.0
"""Steepness over that of the ends' median that one of them needs: they are of one metal, filed at one angle within ten
degrees, and lit by the same lamps."""
STANDS_OUT = 0.06
"""Steepness of tops that stand out by themselves."""
HALF = 0.5
"""Share of the ends that must show it: chance, or a lamp's line, puts single steps anywhere."""


@dataclass(frozen=True)
class ArchStep:
    """A step of light along an arch: how far below the foot its top lies, mm, and how steep it is."""

    depth: float
    steep: float


def arch_fall(beside: Array | float, height_share: float) -> Array:
    """How far a circular arc on its chord has fallen so far beside its middle, both over its chord."""
    r = (0.25 + height_share**2) / (2.0 * height_share)
    return np.asarray(r - np.sqrt(r**2 - np.asarray(beside, dtype=float) ** 2))


def arch_steps(
    root: Light, middle: float, width: float, lowest: float, height_share: float, pitch: float
) -> tuple[ArchStep, ...]:
    """Where light steps along an arch as wide as an end (columns), above a row, the highest first.

    The steepest about each place, wherever the end's middle may lie: one of its crown's tone may have been found at the
    crown's flank. `root` are square roots of light below the foot, shape (rows, columns), `pitch` its samples'
    distance, mm.
    """
    found = [s for a in ASIDE for s in _steps_about(root, middle + a * width, width, lowest, height_share, pitch)]
    best: list[ArchStep] = []
    for step in sorted(found, key=lambda s: -s.steep):
        if all(abs(step.depth - other.depth) > TOGETHER_MM for other in best):
            best.append(step)
    return tuple(sorted(best, key=lambda s: s.depth))


def _steps_about(
    root: Light, middle: float, width: float, lowest: float, height_share: float, pitch: float
) -> tuple[ArchStep, ...]:
    """The same for one place of the end's middle."""
    columns = np.arange(math.ceil(middle - REACH * width), math.floor(middle + REACH * width) + 1)
    if columns[0] < 0 or columns[-1] >= root.shape[1] or len(columns) < 6:
        return ()
    lo, hi = round(FROM_PX), min(round(lowest), len(root) - 2)
    if hi - lo < 4:
        return ()
    beside = np.asarray((columns - middle) / width, dtype=np.float64)
    straight = root[: hi + round(LINE_MM / pitch) + SPARE]
    moved = _moved_up(root, columns, arch_fall(beside, height_share) * width, len(straight))
    slope = gaussian_filter1d(moved, SCALE_PX, axis=0, order=1)
    mean = slope.mean(axis=1)
    across = np.abs(gaussian_filter1d(straight[:, columns].mean(axis=1), SCALE_PX, order=1))
    parts = [slope[:, at].mean(axis=1) for at in (beside < PARTS[0], np.abs(beside) <= PARTS[1], beside > PARTS[1])]
    # neighbours share their blur, so differences over two columns of the noise of one
    noise = MAD_TO_SD * float(np.median(np.abs(np.diff(slope[lo:hi], axis=1)))) / math.sqrt(len(columns))
    steep = np.abs(mean)
    like = np.min([maximum_filter1d(np.sign(mean) * p, 3) for p in parts], axis=0)
    good = (steep >= maximum_filter1d(steep, 3)) & (steep > max(SIGMAS * noise, LEAST))
    good &= (like > ALIKE * steep) & (steep > ARCHED * maximum_filter1d(across, 3))
    light = moved.mean(axis=1)
    found = [int(k) for k in np.flatnonzero(good) if lo < k < hi and not _is_line_or_burnt(light, mean, int(k), pitch)]
    return tuple(ArchStep(_vertex(steep, k) * pitch, float(steep[k])) for k in found)


def _moved_up(root: Light, columns: NDArray[np.intp], fall: Array, rows: int) -> Array:
    """The first rows of some columns, each moved up by what the arch has fallen there (rows); float64."""
    whole = np.floor(fall).astype(int)
    at = np.arange(rows)[:, None] + whole[None, :]
    last, part = len(root) - 1, fall - whole
    upper, lower = (root[(at + k).clip(0, last), columns[None, :]] for k in (0, 1))
    return np.asarray((1.0 - part) * upper + part * lower)


def _is_line_or_burnt(light: Array, slope: Array, k: int, pitch: float) -> bool:
    """Whether light steps back close by, as beyond a string's shadow on the crown, or is burnt out below, where the
    end's own top would not show."""
    reach, near = round(LINE_MM / pitch), round(BLUR_PX)
    back = -math.copysign(1.0, slope[k]) * slope[max(k - reach, 0) : k + reach + 1]
    return bool(back.max() > BACK * abs(slope[k]) or np.median(light[k + near : k + near + reach]) > BURNT)


def _vertex(slope: Array, k: int) -> float:
    """Sample at which a slope is greatest near its sample `k`, by the parabola through three."""
    a, b, c = (float(v) for v in slope[k - 1 : k + 2])
    return k + float(np.clip(0.5 * (c - a) / max(2.0 * b - a - c, 1e-9), -1.0, 1.0))


def shared_tops(steps: Sequence[Sequence[ArchStep]], known: Sequence[float | None]) -> tuple[float | None, ...]:
    """How far below the foot the top of each end lies, mm, by the steps along its arch; None where it does not show.

    `known` are tops that stand out by themselves; without one, the line that most ends have their lowest step on.
    """
    sure = [k for k in known if k is not None]
    line = float(np.median(sure)) if sure else _shared_line(steps)
    if line is None:
        return tuple(None for _ in steps)
    near = [[s for s in some if abs(s.depth - line) <= TOGETHER_MM] for some in steps]
    best = [max(some, key=lambda s: s.steep, default=None) for some in near]
    usual = max([STANDS_OUT] * bool(sure) + [float(np.median([s.steep for s in best if s is not None] or [0.0]))])
    return tuple(None if s is None or s.steep < LIKE_OTHERS * usual else s.depth for s in best)


def _shared_line(steps: Sequence[Sequence[ArchStep]]) -> float | None:
    """The depth of the lowest steps of half of the ends, two at least, mm; None where another has one below."""
    lowest = [max(s.depth for s in some) for some in steps if some]
    if not lowest:
        return None
    line = float(np.median(lowest))
    on_it = sum(abs(depth - line) <= TOGETHER_MM for depth in lowest)
    return line if on_it >= max(2.0, HALF * len(steps)) and max(lowest) - line <= TOGETHER_MM else None
