"""Whether a crown line ends where it was lost: where the fret itself goes on, its outline shows again beyond."""

from __future__ import annotations

import numpy as np

from calib.photo import Photo
from inspect_app.measure.backdrop.crown_line import cross_profile
from inspect_app.measure.backdrop.end_outline import INWARD, End
from inspect_app.measure.backdrop.fret import EDGE_ABOVE_SIGMA, DetectedFret

__all__ = ["goes_on_unfollowed"]

BEYOND_MM = (0.5, 2.5)
"""Where it is looked for beyond the last place seen: past an end's rounded corner, as far as a hollow."""
ON_ARC_MM = 0.1
"""How far from its arc the outline may lie there: a divot's depth, beyond which a hollow hides it."""
HALF_SHOWN = 0.5
"""Share of the line's own steepness from which it is there: halfway between it and plain card."""


def goes_on_unfollowed(photo: Photo, fret: DetectedFret, end: End) -> bool:
    """Whether the crown's outline shows on its arc beyond the last place to which it was followed towards an end."""
    last, outward = fret.line.span[0 if end == "treble" else 1], -INWARD[end]
    lo, hi = sorted(last + outward * np.array(BEYOND_MM))
    beyond = cross_profile(photo, fret.pose, fret.line, fret.mm_per_px, (lo, hi))
    along = cross_profile(photo, fret.pose, fret.line, fret.mm_per_px)
    near = max(2, round(ON_ARC_MM / beyond.pitch))
    steep = float(np.abs(beyond.steepness[beyond.on - near : beyond.on + near + 1]).max())
    own = float(np.abs(along.steepness[along.on - near : along.on + near + 1]).max())
    return steep > EDGE_ABOVE_SIGMA * beyond.noise and steep > HALF_SHOWN * own
