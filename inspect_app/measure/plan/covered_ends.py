"""Ends that are none: where the edge of a cloth, a rule or a hand was read in their place.

Such an edge ends the metal of every fret as sharply as an end does. Two things tell it. A board's edge is straight:
ends that stray from a line are of something else. And a fret ends once: where its own light and dark stand across its
line again farther out, something lies over it in between.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from inspect_app.measure.plan.fret_ends import END_SCATTER_MM
from inspect_app.measure.plan.fret_patch import Sampling, sample_patch
from inspect_app.measure.plan.frets import EdgedFret, FittedEnd
from inspect_app.measure.plan.hidden_parts import least_alike, likeness

__all__ = ["doubted_ends", "goes_on_mm"]

Floats = NDArray[np.float64]

_STRAY = 3.0
"""Standard deviation of ends from a straight line, in `END_SCATTER_MM`, from which they are none: of three ends filed
by hand it is one side in four hundred, of four one in ten thousand."""
_LEAST_ENDS = 3
"""Two lie on a line, wherever they are."""
_BEYOND_MM, _FARTHEST_MM = 3.0, 45.0
"""Looked at so far beyond an end: past the board's edge and its shadow, and as far as the longer part of a fret that is
covered in its middle leaves the shorter one."""
_ROW_MM, _PART_ROWS, _RUN = 0.25, 8, 3
"""Parts of so many rows, 2 mm, are held against the fret's light, and so many in a row, 6 mm, have to be its own: more
than a rule's lines, which stand across a neck like frets, are long."""
_LEAST_SEEN = 2
"""Frets that have to be seen again: one alone may be something that lies in its line, and what lies aslant over a neck
leaves only some of them to be seen beyond."""
_DARK = 0.003
"""Added to linear light before its logarithm, as for a fret's profile (`crown_profile`)."""
_STRAYS = "the ends on that side do not lie in a straight line, as on a board's edge: something may lie over them"
_GOES_ON = "frets are seen again farther out: something lies over them there"


def doubted_ends(
    photo: Photo, covers: tuple[Floats, ...], frets: list[EdgedFret], side: list[FittedEnd]
) -> list[FittedEnd]:
    """The ends of one side, all of them not measured where they are not those of frets.

    Parameters
    ----------
    covers : tuple of ndarray, shape (M, 2) each
        Closed outlines of what is known to cover the board, in photo pixels.
    """
    read = [(f, e.at.along) for f, e in zip(frets, side, strict=True) if not e.why_not]
    if not read:
        return side
    least = least_alike(frets)
    on = np.array([goes_on_mm(photo, covers, f, e.at.along, least) for f, e in zip(frets, side, strict=True)])
    if np.sum(on > 0.0) >= _LEAST_SEEN:
        return [_declined(e, _GOES_ON, float(on.max())) for e in side]
    stray = _off_a_line([f.frame.origin_mm + at * f.frame.along for f, at in read])
    return [_declined(e, _STRAYS, stray) for e in side] if stray > _STRAY * END_SCATTER_MM else side


def _off_a_line(ends_mm: Sequence[Floats]) -> float:
    """Standard deviation of places from the straight line through them, mm; 0 where they are too few to tell."""
    if len(ends_mm) < _LEAST_ENDS:
        return 0.0
    across = np.linalg.svd(np.array(ends_mm) - np.mean(ends_mm, axis=0), compute_uv=False)[-1]
    return float(across) / math.sqrt(len(ends_mm) - 2)


def _declined(end: FittedEnd, why: str, u: float) -> FittedEnd:
    return FittedEnd(replace(end.at, u=max(end.at.u, u)), end.why_not or why)


def goes_on_mm(photo: Photo, covers: tuple[Floats, ...], f: EdgedFret, end: float, least: float) -> float:
    """How far beyond one of its ends, mm along, a fret is seen again; 0 where it is not.

    `least` is how well a part has to agree with the fret to be of it.
    """
    outward = 1 if end > f.frame.length_mm / 2.0 else -1
    how = Sampling(0.0, (_FARTHEST_MM, float(np.ptp(f.patch.across_mm)) / 2.0), f.patch.px_per_mm, _ROW_MM)
    patch = sample_patch(photo, f.frame, covers, f.patch.crown_width, how=how)
    beyond = outward * (patch.along_mm - end)
    rows = np.flatnonzero((beyond > _BEYOND_MM) & (beyond < _FARTHEST_MM))[::outward]
    rows = rows[: len(rows) // _PART_ROWS * _PART_ROWS].reshape(-1, _PART_ROWS)
    if len(rows) < _RUN:
        return 0.0
    light = np.log(patch.light[rows] + _DARK).mean(axis=1)
    own = (likeness(f, patch.across_mm, light) >= least) & patch.valid[rows].all(axis=(1, 2))
    run = np.flatnonzero(np.convolve(own, np.ones(_RUN, dtype=int), "valid") == _RUN)
    return float(beyond[rows[run[-1] + _RUN - 1]].max()) if len(run) else 0.0
