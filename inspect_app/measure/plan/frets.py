"""A fret on its way to its readings: located, then with its crown's edges fitted, then with its ends fitted."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from inspect_app.measure.plan.crown_edges import CrownFit
from inspect_app.measure.plan.crown_profile import CrownProfile
from inspect_app.measure.plan.fret_ends import FretEnd
from inspect_app.measure.plan.fret_frame import FretFrame, aligned
from inspect_app.measure.plan.fret_patch import FretPatch

__all__ = ["LocatedFret", "EdgedFret", "FittedEnd", "EndedFret", "with_edges", "with_ends"]


@dataclass(frozen=True)
class LocatedFret:
    """Where the overview puts a fret, and the photo around it; one that stays so shows too little of its crown."""

    frame: FretFrame
    patch: FretPatch


@dataclass(frozen=True)
class EdgedFret(LocatedFret):
    """A fret with its crown's edges: its frame lies on the crown's centre line."""

    profile: CrownProfile
    crown: CrownFit


@dataclass(frozen=True, slots=True)
class FittedEnd:
    """One end of a fret: as measured, or where the other frets' ends put it with the reason, `why_not`."""

    at: FretEnd
    why_not: str = ""


@dataclass(frozen=True)
class EndedFret(EdgedFret):
    """A fret with its ends: its frame is counted from the treble end. `by_hand` names the readings of manual edges."""

    treble: FittedEnd
    bass: FittedEnd
    by_hand: frozenset[str] = frozenset()

    @property
    def ends_u(self) -> float:
        """Standard uncertainty of the length between the two ends by their places, mm."""
        a, b = self.treble.at, self.bass.at
        return math.sqrt(a.u**2 + b.u**2 + 2.0 * a.outward_u * b.outward_u)


def with_edges(f: LocatedFret, profile: CrownProfile, crown: CrownFit) -> EdgedFret:
    """The fret with its frame and patch laid on the crown's centre line."""
    frame = aligned(f.frame, crown.centre, profile.slope, profile.middle_mm)
    patch = replace(f.patch, frame=frame, across_mm=f.patch.across_mm - crown.centre)
    return EdgedFret(frame, patch, profile, crown)


def with_ends(f: EdgedFret, treble: FittedEnd, bass: FittedEnd) -> EndedFret:
    """The fret with its frame and patch counted from the treble end; the ends' places are along the frame before."""
    start, length = treble.at, bass.at.along - treble.at.along
    frame = replace(
        f.frame,
        origin_mm=f.frame.origin_mm + start.along * f.frame.along,
        centre_mm=length / 2.0,
        length_mm=length,
        origin_u_mm=start.u,
    )
    patch = replace(f.patch, frame=frame, along_mm=f.patch.along_mm - start.along)
    by_hand = f.by_hand if isinstance(f, EndedFret) else frozenset()
    first, last = (FittedEnd(replace(e.at, along=y), e.why_not) for y, e in ((0.0, treble), (length, bass)))
    return EndedFret(frame, patch, f.profile, f.crown, first, last, by_hand)
