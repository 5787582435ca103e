"""The number of each fret found: by the first one's as asked, put right where the spacing allows one other only."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import median

import numpy as np
from numpy.typing import NDArray

from inspect_app.instrument.fretboard import fit_spacing
from inspect_app.measure.plan.board_overview import Board
from inspect_app.measure.plan.board_tilt import TOLD_BY_SCALE_RAD, tilt_u
from inspect_app.measure.plan.frets import EdgedFret, LocatedFret
from inspect_app.reading.ask import Ask
from inspect_app.reading.key import Key, NotMeasured
from shared.errors import InspectError
from shared.measured import COVERAGE_FACTOR
from shared.trade import HIGHEST_FRET

__all__ = ["first_by_spacing", "numbered"]

Floats = NDArray[np.float64]

_PLACE_U_MM = 0.1
"""Standard uncertainty of a fret's place, the same for all: it only weighs them against each other."""
_UNLIKE_MM = 1.0
"""Wires on one board differ by less, new ones beside old ones included: what differs by more at either end is a part of
the nut, the board's end or what lies there (common practice, no source)."""
_LEAST_FRETS = 3
"""Of two frets the one gap fits every number somewhere between the numbers that others have."""
_UNEVEN_MM = 0.5
"""Root mean square departure from equal temperament up to which spacing tells a number: two gaps behind the
twentieth fret of a 610 mm scale differ by this much."""
_NUT_WIDER_MM, _NUT_LOOKS_WIDER_MM = 0.7, 1.2
"""So much wider than the frets is a nut, by its edges and in the overview, which adds shadows: nuts are 3 to 6 mm wide
(common practice, no source), and a single fret of other wire is hardly so much wider than its neighbours."""
_WITH_SHADOWS_MM = 2.6
"""So much wider in the overview is none that only has its shadows: soft ones to both sides, each 1.3 mm, half as far
again as a crown is high."""


def numbered(frets: list[LocatedFret], board: Board, ask: Ask) -> tuple[list[LocatedFret], tuple[NotMeasured, ...]]:
    """The frets numbered from the first whole one, and a word where that is not the number asked.

    The nut is left out: its width tells it, and with a scale length the spacing.

    Parameters
    ----------
    frets : list of LocatedFret
        In order, numbered as the overview's steps are.

    Raises
    ------
    InspectError
        If the last is as wide as a nut, and nothing else tells on which side the nut lies.
    """
    frets = _without_odd_outermost(_without_nut_last(frets, board))
    if not frets:
        return frets, ()
    first = _first_number(frets, board, ask)
    given = np.array([f.frame.number for f in frets])
    numbers = given - given[0] + first
    kept = [_with_number(f, int(n)) for f, n in zip(frets, numbers, strict=True) if 1 <= n <= HIGHEST_FRET]
    if first == 0 or not kept or kept[0].frame.number == ask.first_fret:
        return kept, ()
    why = (
        f"The frets are spaced as frets {kept[0].frame.number} to {kept[-1].frame.number} of a "
        f"{ask.scale_length:g} mm scale are, and are numbered so, not from {ask.first_fret}. "
        "If they are not these, check the scale length and where the scale lies."
    )
    return kept, (NotMeasured(Key(feature="first fret as asked"), why),)


def _without_odd_outermost(frets: list[LocatedFret]) -> list[LocatedFret]:
    """The frets without an outermost one whose crown differs from the others' as no wire of one board does."""
    widths = [f.crown.width for f in frets if isinstance(f, EdgedFret)]
    if len(widths) < _LEAST_FRETS + 1:
        return frets
    usual, ends = median(widths), (frets[0], frets[-1])
    odd = [f for f in ends if isinstance(f, EdgedFret) and abs(f.crown.width - usual) > _UNLIKE_MM]
    return [f for f in frets if not any(f is o for o in odd)]


def _without_nut_last(frets: list[LocatedFret], board: Board) -> list[LocatedFret]:
    """The frets without a last one as wide as a nut: where the scale tells the tilt, their spacing told the nut's side.

    Seen at a slant that nothing tells, gaps that shrink towards the nut may seem to shrink away from it.
    """
    if len(frets) < _LEAST_FRETS or not _nut_wide(frets[::-1], board, _WITH_SHADOWS_MM):
        return frets
    if tilt_u(frets[0].frame.plane) >= TOLD_BY_SCALE_RAD:
        raise InspectError(
            "The line farthest from the side that was said to be the nut's is as wide as a nut.",
            "Say on which side the nut lies, or leave out of the photo what lies beyond the last fret.",
        )
    return frets[:-1]


def _first_number(frets: list[LocatedFret], board: Board, ask: Ask) -> int:
    """The first one's number: as asked, unless only another fits the scale length; 0 where that is the nut."""
    asked = ask.first_fret
    if len(frets) < _LEAST_FRETS:
        return asked
    if asked == 1 and _wide_as_a_nut(frets, board):
        return 0
    if ask.scale_length is None:
        return asked
    near = _spaced_as(frets, board, ask.scale_length)
    return near[0] if asked not in near and len(near) == 1 else asked


def _spaced_as(frets: list[LocatedFret], board: Board, scale_length: float) -> list[int]:
    """The numbers that the first fret can have by the spacing, 0 the nut; none where the frets are unevenly spaced.

    Lines too far apart for frets from 1 on are the nut and those behind it, where that is nearer: nowhere on the neck
    are they farther apart.
    """
    at, given = _places(frets, board.along_neck), np.array([f.frame.number for f in frets])
    fits = {
        n: fit_spacing(at, given - given[0] + n, scale_length, _PLACE_U_MM)
        for n in range(HIGHEST_FRET - int(given[-1] - given[0]) + 1)
    }
    if min(f.residual_mm for f in fits.values()) > _UNEVEN_MM:
        return []
    pose = _spacing_u(frets)
    off = {n: (f.ratio - 1.0, COVERAGE_FACTOR * math.hypot(f.u_fit, pose)) for n, f in fits.items()}
    near = [n for n, (ratio, u) in off.items() if abs(ratio) <= u]
    beyond = 1 in off and off[1][0] > off[1][1] and abs(off[0][0]) < off[1][0]
    return [0] if beyond and not near else near


def first_by_spacing(
    frets: list[LocatedFret], board: Board, scale_length: float
) -> tuple[list[LocatedFret], tuple[int, ...]]:
    """The whole frets without a nut before them, and the numbers that the first of them can have by their spacing.

    No numbers where there are too few frets to tell, or they are unevenly spaced.
    """
    frets = _without_odd_outermost(frets)
    if len(frets) < _LEAST_FRETS:
        return frets, ()
    if _wide_as_a_nut(frets, board):
        return frets[1:], (1,)
    near = _spaced_as(frets, board, scale_length)
    return (frets[1:], (1,)) if near == [0] else (frets, tuple(n for n in near if n > 0))


def _wide_as_a_nut(frets: list[LocatedFret], board: Board) -> bool:
    """Whether the first is so much wider than the others as a nut is, by its edges or as the overview saw it."""
    return _nut_wide(frets, board, _NUT_LOOKS_WIDER_MM)


def _nut_wide(frets: list[LocatedFret], board: Board, looks_wider_mm: float) -> bool:
    """The same, from so much wider in the overview."""
    seen = [float(board.width_mm[board.steps == f.frame.number][0]) for f in frets]
    if seen[0] > median(seen[1:]) + looks_wider_mm:
        return True
    first, others = frets[0], [f.crown.width for f in frets[1:] if isinstance(f, EdgedFret)]
    return isinstance(first, EdgedFret) and bool(others) and first.crown.width > median(others) + _NUT_WIDER_MM


def _spacing_u(frets: list[LocatedFret]) -> float:
    """Relative standard uncertainty of distances along the neck, from the scale and the pose."""
    ends = frets[0].frame, frets[-1].frame
    plane = ends[0].plane
    px = np.vstack([f.to_px(f.length_mm / 2.0, 0.0) for f in ends])
    heights = [f.base_mm for f in ends]
    apart = plane.u_of(lambda p: math.log(float(np.linalg.norm(np.diff(p.to_mm(px, heights), axis=0)))))
    return math.hypot(plane.u_rel, float(apart))


def _places(frets: list[LocatedFret], along_neck: Floats) -> Floats:
    return np.array([(f.frame.origin_mm + f.frame.length_mm / 2.0 * f.frame.along) @ along_neck for f in frets])


def _with_number(f: LocatedFret, number: int) -> LocatedFret:
    return replace(f, frame=replace(f.frame, number=number))
