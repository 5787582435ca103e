"""Whether what was followed can be a crown's outline: there metal mirrors the card behind it, and is no brighter.

Along its outline a crown is seen at grazing incidence: a ray is hardly turned there and goes on to the card, whose
light the metal sends back less what it keeps. Light that burns out comes from lower down, where the crown has turned
towards a lamp. In a coarse photo the darker band between the two, some 0.1 mm wide, is lost, and the lamp's line is all
that shows: a curve of its own, not the crown's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.edges import row_offsets, sample_across
from calib.photo import Photo
from inspect_app.measure.backdrop.beside_edge import BURNT
from inspect_app.measure.backdrop.crown_line import CrownLine
from inspect_app.measure.backdrop.outline import FINE_PX

__all__ = ["steps_to_burnt_out"]

REACH_PX = 9.0
"""How far to both sides light is looked at, see `beside_edge.SHADE_PX`."""
METAL_PX = 4.0
"""Within it is metal beside the edge: three standard deviations of an everyday blur."""


def steps_to_burnt_out(photo: Photo, line: CrownLine, up: NDArray[np.float64]) -> bool:
    """Whether light rises where a line was followed, up to burnt-out metal beside it: the median along its unworn
    parts.

    Parameters
    ----------
    up : ndarray, shape (N, 2)
        Photo pixels that lead up from each place of the line.
    """
    some = np.flatnonzero(line.used)
    down = -up[some] / np.linalg.norm(up[some], axis=1, keepdims=True)
    rows, offsets = sample_across(photo, line.edge.px[some], down, REACH_PX), row_offsets(REACH_PX)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) == 0:
        return False
    light = np.median(rows, axis=0)
    slope = gaussian_filter1d(light, FINE_PX, order=1)[np.abs(offsets) <= 1.0]
    beside = light[(offsets > 0.0) & (offsets <= METAL_PX)]
    return bool(slope[np.argmax(np.abs(slope))] > 0.0 and beside.max() > BURNT)
