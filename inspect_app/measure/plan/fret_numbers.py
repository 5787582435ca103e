"""Which candidates of the overview are frets, and the number of each."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from inspect_app.instrument.fretboard import fit_spacing, number_frets
from inspect_app.measure.plan.frets import EdgedFret, LocatedFret
from inspect_app.reading.ask import Ask
from shared.trade import HIGHEST_FRET

__all__ = ["in_sequence", "numbered", "without_nut"]

Floats = NDArray[np.float64]

_MOST_LEFT_OUT = 3
"""Candidates given up at most: the scale's edge, a capo and a shadow between them make no more (common practice, no
source)."""
_PLACE_U_MM = 0.1
"""Standard uncertainty of a fret's place, the same for all: it only weighs them against each other."""


def in_sequence(at_mm: Floats, width_mm: Floats) -> tuple[list[int], NDArray[np.int64] | None]:
    """Candidates that follow one another as frets do, and their numbers counted from the first of them.

    Up to three candidates are left out, fewest first and narrowest first. Without such a sequence all are kept,
    unnumbered.
    """
    n = len(at_mm)
    for left_out in range(min(_MOST_LEFT_OUT, n - 2) + 1):
        tries = sorted(combinations(range(n), left_out), key=lambda c: float(width_mm[list(c)].sum()))
        for out in tries:
            kept = [i for i in range(n) if i not in out]
            steps = number_frets(at_mm[kept])
            if steps is not None:
                return kept, steps
    return list(range(n)), None


def numbered(frets: list[LocatedFret], along_neck: Floats, first_fret: int) -> list[LocatedFret]:
    """Numbered from the first whole one; where one between was not found, its number is left out.

    `along_neck`, shape (2,), is the unit vector on the plane from the nut to the body.
    """
    kept, steps = in_sequence(_places(frets, along_neck), np.ones(len(frets)))
    numbers = np.arange(len(kept)) if steps is None else steps
    numbers = numbers - numbers[0] + first_fret
    return [_with_number(frets[i], int(n)) for i, n in zip(kept, numbers, strict=True) if n <= HIGHEST_FRET]


def without_nut(frets: list[LocatedFret], along_neck: Floats, ask: Ask) -> list[LocatedFret]:
    """Leave out what stands where the nut does and is not as wide as the frets: the nut is no fret."""
    first = frets[0]
    if ask.first_fret != 1 or ask.scale_length is None or len(frets) < 3:
        return frets
    if not isinstance(first, EdgedFret) or first.crown.same_wire:
        return frets
    at, number = _places(frets, along_neck), np.array([f.frame.number for f in frets])
    as_fret, as_nut = (fit_spacing(at, number - k, ask.scale_length, _PLACE_U_MM).ratio for k in (0, 1))
    if abs(as_fret - 1.0) <= abs(as_nut - 1.0):
        return frets
    return [_with_number(f, f.frame.number - 1) for f in frets[1:]]


def _places(frets: list[LocatedFret], along_neck: Floats) -> Floats:
    return np.array([f.frame.origin_mm @ along_neck for f in frets])


def _with_number(f: LocatedFret, number: int) -> LocatedFret:
    return replace(f, frame=replace(f.frame, number=number))
