"""Where a fret's treble end meets the board: what places along the fret are told from.

Its bevel tells, where it was read. Where not, the crown line mostly ends there all the same; but light, a finger or a
card may have lost it before. The board's arc is the same on both sides of its top, so the bass end's mirror image about
that says how far it should have come, as well as the backdrop stands level."""

from __future__ import annotations

import math

from inspect_app.measure.backdrop.bevel import EndReading
from inspect_app.measure.backdrop.circle import STRAIGHT_U
from inspect_app.measure.backdrop.end_outline import End
from inspect_app.measure.backdrop.end_seen import COVERED
from inspect_app.measure.backdrop.fret import DetectedFret
from inspect_app.measure.backdrop.pose import ROLL_U
from inspect_app.reading.key import NotMeasured
from shared.trade import ASSUMED_END_U_MM, BEVEL_DEG

__all__ = ["treble_foot"]

UNLIKE_MM = 1.0
"""How much farther in than the bass end's mirror image a treble end may lie: frets are cut to the board's two edges,
which lie alike to some tenths of a millimetre (common practice, no source)."""
LONGEST_MM = 80.0
"""The longest fret there is (common practice, no source)."""


def treble_foot(
    fret: DetectedFret,
    treble: EndReading | NotMeasured | None,
    bass: EndReading | NotMeasured | None,
    lost_at: frozenset[End] = frozenset(),
) -> tuple[float, float]:
    """Place of the treble end at board level and its standard uncertainty, y in mm.

    `lost_at` are the ends that the crown line was not followed to."""
    if isinstance(treble, EndReading):
        return treble.bevel.foot, fret.crown.u_height * math.tan(treble.bevel.angle) + fret.mm_per_px
    run = fret.crown.height * math.tan(math.radians(BEVEL_DEG))
    last = fret.line.span[0] - run  # under the last place seen of the crown line, a usual bevel
    other = bass.bevel.foot if isinstance(bass, EndReading) else fret.line.span[1] + run
    mirrored = None if "bass" in lost_at else _mirrored(fret, other)
    if "treble" in lost_at or (isinstance(treble, NotMeasured) and treble.reason == COVERED):
        return mirrored or _any(fret, other)
    return mirrored if mirrored is not None and last - mirrored[0] > UNLIKE_MM else (last, ASSUMED_END_U_MM)


def _mirrored(fret: DetectedFret, other: float) -> tuple[float, float] | None:
    """The mirror image of a place about the board's top, and its standard uncertainty, mm; None on a flat board.

    A backdrop that stands out of level by an angle moves the top by that times the board's radius."""
    circle, (lo, hi) = fret.line.circle, fret.line.span
    if circle.curvature < STRAIGHT_U * circle.u_curvature:
        return None
    slope, u_slope = float(circle.slope(other)), math.hypot(*(float(v) for v in circle.u_z([lo, hi]))) / (hi - lo)
    image = other + 2.0 * circle.radius * slope / math.hypot(1.0, slope)
    u = math.hypot(2.0 * circle.radius * math.hypot(ROLL_U, u_slope), ASSUMED_END_U_MM)
    return (image, u) if u < _any(fret, other)[1] else None


def _any(fret: DetectedFret, other: float) -> tuple[float, float]:
    """What is known of every fret: it is no shorter than was seen of it, no longer than the longest (rectangular)."""
    shortest = fret.line.span[1] - fret.line.span[0]
    longest = max(LONGEST_MM, shortest)
    return other - (shortest + longest) / 2.0, (longest - shortest) / math.sqrt(12.0)
