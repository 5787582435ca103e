"""A span: two points the person marks on the photo and the length between them."""

from __future__ import annotations

import math

import numpy as np

from calib.photo import Photo
from calib.scales.base import HANDHELD_TILT_RAD, Scale
from shared.errors import OptionError, ScaleError

__all__ = ["must_be_inside", "span_scale", "U_MARK_PX", "U_SPAN_MM"]

U_MARK_PX = 2.0
"""Standard uncertainty of a point marked by hand on an enlarged photo, pixels (common practice, no source)."""
U_SPAN_MM = 0.15
"""Standard uncertainty of a length read from a rule by eye: a quarter of a millimetre either way, rectangular."""
U_FORESHORTENED = HANDHELD_TILT_RAD**2 / math.sqrt(2.0)
"""What an unknown tilt does to lengths across the span relative to those along it: the standard deviation of
1 - cos(tilt). It is of second order, so that the plane's covariance about square on does not contain it."""
MIN_PX = 100.0
"""A shorter span has no better than 3 % when marked by hand."""


def must_be_inside(photo: Photo, *points: tuple[float, float]) -> None:
    """OptionError if a marked point (x, y) lies outside the photo."""
    if not all(0.0 <= x <= photo.width - 1 and 0.0 <= y <= photo.height - 1 for x, y in points):
        raise OptionError(
            "A marked point lies outside the photo.", f"The photo is {photo.width} x {photo.height} pixels."
        )


def span_scale(photo: Photo, span_px: tuple[float, float, float, float], span_mm: float, factor: float = 1.0) -> Scale:
    """Two marked points as a scale, x along the span.

    Parameters
    ----------
    span_px : (x1, y1, x2, y2)
        Upright photo pixels.
    span_mm : float
        Distance between them.

    Notes
    -----
    Two points say nothing of the tilt: a person who looks squarely at the work is a few degrees off, and that is
    carried.
    Two more points square to the span only give the fit a plane to start from; they have no weight.

    Raises
    ------
    OptionError
        If a point is outside the photo.
    ScaleError
        If the points are too close to each other.
    """
    a, b = np.array(span_px[:2], dtype=float), np.array(span_px[2:], dtype=float)
    must_be_inside(photo, span_px[:2], span_px[2:])
    length = float(np.linalg.norm(b - a))
    if length < MIN_PX:
        raise ScaleError(
            f"The marked points are only {length:.0f} pixels apart.",
            "Mark two points farther apart, on a closer photo.",
        )
    d = (b - a) / 2.0
    across = np.array([d[1], -d[0]])  # up as seen when the span runs to the right
    middle, half = (a + b) / 2.0, span_mm * factor / 2.0
    return Scale(
        "span",
        np.stack([a, b, middle + across, middle - across]),
        np.array([[-half, 0.0], [half, 0.0], [0.0, half], [0.0, -half]]),
        np.array([[U_MARK_PX] * 2] * 2 + [[math.inf] * 2] * 2),
        math.hypot(U_SPAN_MM / (2.0 * half), U_FORESHORTENED),
        np.stack([a, b]),
        tilt_prior_rad=HANDHELD_TILT_RAD,
        u_flat_mm=0.0,  # two points, which show no plane
    )
