"""What differs from unworn board over a finger's width, though too faintly to tell where it ends.

Wood's figure is thin across its fibres, and a mean over a finger's width hardly knows it: in a photo that is dim or
compressed it still shows wear that the field place by place does not.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.robust_spread import spread_about_zero
from inspect_app.measure.plan.board_field import STEP_MM
from inspect_app.measure.plan.board_grown import LEAST_MM2
from inspect_app.measure.plan.board_judged import Judged, in_middle
from inspect_app.measure.plan.board_places import components, with_border

__all__ = ["finger_figure", "is_more_worn"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FINGER_CELLS = 13
"""Width of the mean, 2.6 mm: the narrowest worn place told is as wide."""
STRANGE = 16.3
"""Chi squared of three tones from which a mean is strange: one in a thousand."""
LEAST = 0.03
"""Log light or colour that a mean must differ by: reflections and the lens's fall-off bend tones by some hundredths."""
CLEAR = 0.5
"""Share of the mean's width that must be seen."""


def finger_figure(judged: Sequence[Judged], figure: Floats) -> Floats:
    """Standard deviation of unworn wood's mean over a finger, of the three tones; at least a third of its `figure`.

    A finger is wider than nine fibres of 0.3 mm. Infinite where the figure is: what tells nothing does so here too.
    """
    means = [in_middle(j, _means(j.off, j.seen)) for j in judged]
    spread = spread_about_zero(np.concatenate(means), axis=0)
    return np.asarray(np.where(np.isfinite(figure), np.maximum(spread, figure / 3.0), np.inf))


def is_more_worn(j: Judged, told: Mask, inlays: Mask, figure: Floats) -> bool:
    """Whether a field differs, away from what is told of it and from inlays, in a place as large as a worn one.

    Parameters
    ----------
    figure : ndarray, shape (3,)
        Of `finger_figure`.
    """
    free = j.seen & ~inlays
    means = _means(j.off, free)
    strange = np.sum((means / figure) ** 2, axis=2) > STRANGE
    strange &= np.abs(means[:, :, np.isfinite(figure)]).max(axis=2) > LEAST
    away = ~with_border(told, FINGER_CELLS // 2 + 2) & ~inlays
    wide = _mean(free.astype(np.float64)) > CLEAR
    places = components(strange & away & wide & j.seen)
    return any(m.sum() * STEP_MM**2 > LEAST_MM2 for m in places)


def _means(off: Floats, seen: Mask) -> Floats:
    weight = np.maximum(_mean(seen.astype(np.float64)), 1e-3)
    return np.asarray(_mean(np.where(seen[:, :, None], off, 0.0)) / weight[:, :, None])


def _mean(values: Floats) -> Floats:
    n = (FINGER_CELLS, FINGER_CELLS)
    return np.asarray(cv2.boxFilter(values, -1, n, borderType=cv2.BORDER_CONSTANT))
