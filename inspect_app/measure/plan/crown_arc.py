"""The crown as a circular arc on the board: its radius, how deep a chord lies, where its edges are seen from aside."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspect_app.instrument.crown import arc_radius, sagitta

__all__ = ["CrownArc", "apparent_edges", "width_from_apparent"]

Floats = NDArray[np.float64]

_NEARLY_HALF = 0.999
"""Chords are taken no wider than this share of the arc's diameter: beyond, their depth means nothing."""


@dataclass(frozen=True)
class CrownArc:
    """Width and unworn height of the crown, mm, with the standard uncertainties of its radius and its centre's place.

    `height_known` tells whether somebody gave the height: only then do radius and depths mean anything.
    """

    width: float
    height: float
    u_radius: float
    u_centre: float
    height_known: bool

    @cached_property
    def radius(self) -> float:
        """Of the arc through the crown's top and both edges, mm."""
        return arc_radius(self.width, self.height)

    def depth(self, half_width: Floats | float) -> Floats:
        """How far below the arc's top a chord of this half-width lies, mm; as many as there are half-widths.

        Examples
        --------
        >>> CrownArc(2.0, 1.0, 0.0, 0.0, True).depth(np.array([0.0, 0.6, 0.8])).round(3).tolist()
        [0.0, 0.2, 0.4]
        """
        return sagitta(np.minimum(np.abs(half_width), _NEARLY_HALF * self.radius), self.radius)

    def depth_of(self, half_width: float) -> float:
        """The same of one chord."""
        return float(self.depth(half_width))


def apparent_edges(width: ArrayLike, height: float, view: float) -> tuple[Floats, Floats]:
    """Where a crown's edges are seen, at board level, from aside: (nut side, body side), mm from its centre line.

    A ray that grazes the arc of radius r passes the board at ``z_c tan(view) + r / cos(view)`` from the centre line,
    ``z_c = H - r``; where the arc's grazing point would lie below the board, the foot itself is seen.

    Parameters
    ----------
    width : array_like
        Crown width, mm, of any shape; both results have it too.
    height : float
        Crown height, mm.
    view : float
        Angle of the line of sight from the vertical, rad, positive when the camera is on the body side.

    Examples
    --------
    From straight above both feet are seen; from aside a crown as round as a half circle hides one of them:

    >>> [e.round(3).tolist() for e in apparent_edges([2.0, 2.6], 1.0, 0.0)]
    [[-1.0, -1.3], [1.0, 1.3]]
    >>> [e.round(3).tolist() for e in apparent_edges([2.0], 1.0, 0.3)]
    [[-1.047], [1.0]]
    """
    w = np.asarray(width, dtype=float)
    r = arc_radius(w, height)
    rise = height - r

    def edge(angle: float) -> Floats:
        grazes = rise > r * math.sin(angle)
        return np.asarray(np.where(grazes, r / math.cos(angle) - rise * math.tan(angle), w / 2.0))

    return -edge(-view), edge(view)


def width_from_apparent(apart: float, height: float, view: float) -> float:
    """Crown width (mm) whose edges are seen `apart` (mm, at board level): the inverse of `apparent_edges`."""
    w = apart
    for _ in range(8):  # d(apparent)/d(width) is within a few per cent of 1
        nut, body = apparent_edges(w, height, view)
        w += apart - float(body - nut)
    return w
