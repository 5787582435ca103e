"""What every kind of scale gives: points in the photo whose places on the scale are known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.unflat import U_SHEET_MM

__all__ = ["Scale", "HANDHELD_TILT_RAD", "WORKING_DISTANCES_MM", "U_SHARPENING_PX"]

HANDHELD_TILT_RAD = math.radians(6.0)
"""Prior standard deviation of the camera's tilt about either axis, for scales that tell little of it.

A person who holds the camera "square" over the work by eye is a few degrees off (common practice, no source).
"""

WORKING_DISTANCES_MM = (90.0, 1200.0)
"""Distances from which a scale beside a board is photographed: nearer no phone focuses, farther the scale is too small
to measure by (common practice, no source)."""

U_SHARPENING_PX = 0.3
"""Shift of an edge, in or out, by sharpening of the coded photo: up to a third of a blur of one pixel. All edges of a
scale move together, so it is one unknown of the fit and not scatter."""


@dataclass(frozen=True)
class Scale:
    """A scale found in a photo.

    Attributes
    ----------
    kind : str
        ``strip``, ``backdrop``, ``rule``, ``coin``, ``id1`` or ``span``.
    image_px : ndarray of float, shape (N, 2)
        Points ``(x, y)`` in upright photo pixels.
    plane_mm : ndarray of float, shape (N, 2)
        The same points on the scale's own plane, millimetres, x to the right and y UP as the scale is read.
    u_px : ndarray of float, shape (N, 2)
        Standard uncertainty of each image coordinate; ``inf`` for a coordinate that says nothing
        (along a graduation line, say).
    turn_rad : ndarray of float, shape (N,), optional
        Angle by which the axes of `u_px` are turned at each point: ``u_px[:, 0]`` is then along (cos, sin) and
        ``u_px[:, 1]`` along (-sin, cos). None: along the picture's own x and y.
    tilt_prior_rad : float
        Prior standard deviation of the tilt about either axis of the plane; ``inf`` where the scale itself tells it.
    outward_mm : ndarray of float, shape (N, 2), optional
        How each point moves on the plane when every edge of the black print lies 1 mm further out: ink spreads on
        paper, and sharpening in the camera moves edges between black and white. The fit finds that shift.
    u_outward_mm : float
        Prior standard deviation of that shift.
    u_flat_mm : float
        How far a place of the scale lies out of its plane, standard deviation, where the scale itself does not show
        it: a sheet's, unless it is known to be stiff, or what is measured lies beside it at heights of its own.
    u_rel : float
        Relative standard uncertainty of the scale's own length (print factor, coin tolerance, rule class).
    ids : tuple of int
        Marker number of each point's marker, where the scale has markers.
    outline_px : ndarray of float, shape (M, 2)
        Closed outline to draw on the photo.
    flags : tuple of str
        Codes registered in `shared.flags`.
    body_px : ndarray of float, shape (K, 2), optional
        Closed outline of all that the scale covers, where that is more than `outline_px`: a rule's body.
    body_seen : bool
        Whether the photo shows how far the body reaches; otherwise `body_px` is the most that is usual.
    number : int, optional
        The print's own number, where it is printed with one and the photo shows it.
    """

    kind: str
    image_px: NDArray[np.float64]
    plane_mm: NDArray[np.float64]
    u_px: NDArray[np.float64]
    u_rel: float
    outline_px: NDArray[np.float64]
    ids: tuple[int, ...] = ()
    flags: tuple[str, ...] = ()
    turn_rad: NDArray[np.float64] | None = None
    tilt_prior_rad: float = math.inf
    outward_mm: NDArray[np.float64] | None = None
    u_outward_mm: float = 0.05
    number: int | None = None
    body_px: NDArray[np.float64] | None = None
    body_seen: bool = True
    u_flat_mm: float = U_SHEET_MM

    @property
    def covers_px(self) -> NDArray[np.float64]:
        """Closed outline of what the scale is seen to cover, shape (K, 2)."""
        return self.outline_px if self.body_px is None or not self.body_seen else self.body_px

    @property
    def may_cover_px(self) -> NDArray[np.float64]:
        """Closed outline of all that the scale may cover, shape (K, 2): its widest usual body where no edge shows."""
        return self.outline_px if self.body_px is None else self.body_px
