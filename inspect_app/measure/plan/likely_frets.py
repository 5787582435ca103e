"""Whether lines that look like frets may be anything else: where nothing tells, the photo is refused.

Where there are many, their spacing tells. Few lines, or ones that lie otherwise than was said, may be strings, the nut
or a drainpipe.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.plane import Plane
from inspect_app.measure.plan.board_height import BoardLevel
from inspect_app.measure.plan.board_overview import Board
from inspect_app.measure.plan.frets import EndedFret
from inspect_app.measure.plan.spacing import check_spacing, fret_positions
from inspect_app.reading.ask import Ask
from shared.errors import InspectError

__all__ = ["must_be_frets", "spaced_as_asked", "told_as_frets"]

_LEAST_UPRIGHT = 3
"""Crowns that must be read of a neck that its spacing alone says runs up the photo: only two gaps can shrink."""
_TELL_BY_SPACING = 3
"""Lines whose spacing tells whether they are frets, where the tilt is known: one gap must follow from the other. A tilt
that nothing tells makes up one more."""
_MOST_STRINGS, _STRINGS_APART_MM = 9, 18.0
"""So many lines up a photo may all be strings, and so far apart: a bass's where its neck ends; a guitar's are 7 to 10
mm apart (common practice, no source). Seen from aside, or fanning out from the nut, they are spaced as frets are."""


def must_be_frets(board: Board, crowns: int) -> None:
    """InspectError where lines along what was said to be the neck are frets by their spacing alone.

    Strings seen at a tilt are spaced much like frets. Where most of them have no crown, neither have the others; and no
    more and no farther apart than strings are, they are taken for frets only across the photo, as was asked.
    """
    if board.upright and crowns < _LEAST_UPRIGHT:
        raise InspectError(
            "Lines up the photo are spaced like frets, but hardly one has a crown: it may be the strings.",
            "Take the photo from above, with the neck lying across it.",
        )
    widest = float(np.max(np.diff(board.fret_mm) / np.diff(board.steps), initial=0.0))
    if board.upright and len(board.fret_mm) <= _MOST_STRINGS and widest < _STRINGS_APART_MM:
        raise InspectError(
            f"Lines up the photo, at most {widest:.0f} mm apart, may be the strings as well as frets of a neck that "
            "runs up it.",
            "Turn the photo, or take it so that the neck lies across it.",
        )


def told_as_frets(board: Board, frets: Sequence[EndedFret], tilt_told: bool, strung: bool) -> None:
    """InspectError where nothing tells that so few lines are frets: neither spacing, an end of one nor strings."""
    lines, ends = len(board.fret_mm), [e for f in frets for e in (f.treble, f.bass)]
    if not strung and lines < _TELL_BY_SPACING + (not tilt_told) and all(e.why_not for e in ends):
        raise InspectError(
            f"{'One line' if lines == 1 else f'{lines} lines'} across the photo may be anything: so few are not told "
            "for frets by their spacing, and no end of one shows.",
            "Take in more of the neck, and its edges.",
        )


def spaced_as_asked(frets: Sequence[EndedFret], level: BoardLevel, plane: Plane, ask: Ask) -> None:
    """InspectError where two frets have a gap that those asked for have not: nothing else tells what they are."""
    if len(frets) == 2:
        frames = [f.frame for f in frets]
        at = fret_positions(frames, [f.crown.u_centre for f in frets], level)
        _, off = check_spacing(at, [f.number for f in frames], plane, ask.scale_length)
        if off:
            raise InspectError(
                f"Only two lines across the neck were found. {off[0].reason}",
                "Check the first fret's number and the scale length, or take in more of the neck.",
            )
