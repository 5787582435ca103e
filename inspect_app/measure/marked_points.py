"""What a person marks on a calibrated photo: a distance, an angle, a circle, each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.plane import Plane
from calib.unflat import U_SHEET_MM, heights_covariance
from inspect_app.measure.manual import PLACED_U_PX
from shared.errors import OptionError
from shared.measured import Contribution, Measured

__all__ = ["HandKind", "measure_by_hand"]

HandKind = Literal["distance", "angle", "circle"]
_POINTS = {"distance": (2, 2), "angle": (3, 3), "circle": (3, 100)}
"""Fewest and most points of each: a circle has three unknowns; nobody places a hundred by hand."""

Points = NDArray[np.float64]
Quantity = Callable[[Points], float]


def measure_by_hand(
    plane: Plane, kind: HandKind, points_px: tuple[tuple[float, float], ...], height_mm: float = 0.0
) -> Measured:
    """The distance between two points, the angle at the second of three, or the radius of the circle through several.

    Parameters
    ----------
    plane : Plane
        Of the scale.
    points_px : tuple of (x, y)
        Upright photo pixels.
    height_mm : float
        How far above the scale's plane, towards the camera, the marked thing lies; it is taken to lie parallel to it.

    Returns
    -------
    Measured
        Millimetres or degrees, with the contributions ``placement``, ``pose and lens``, ``level with the scale`` and,
        for lengths, ``scale``.

    Raises
    ------
    OptionError
        If the number of points is wrong or they fix nothing.
    """
    if kind not in get_args(HandKind):
        raise OptionError(f"There is no hand measurement {kind!r}.", f"Use one of: {', '.join(get_args(HandKind))}.")
    least, most = _POINTS[kind]
    if not least <= len(points_px) <= most:
        raise OptionError(f"{len(points_px)} points do not make a {kind}.", f"Mark {least} points.")
    points = np.asarray(points_px, dtype=np.float64)
    gaps = np.linalg.norm(points[:, None] - points[None], axis=-1)[~np.eye(len(points), dtype=bool)]
    if not np.isfinite(points).all() or gaps.min() < PLACED_U_PX:
        raise OptionError("Two of the points lie on each other.", "Move them apart.")
    quantity = _QUANTITIES[kind]
    level = plane.to_mm(points, height_mm)
    value = quantity(level)
    parts = {
        "placement": _u_placement(lambda p: quantity(plane.to_mm(p, height_mm)), points),
        "pose and lens": float(plane.u_of(lambda q: quantity(q.to_mm(points, height_mm)))),
        "level with the scale": _u_level(lambda rise: quantity(plane.to_mm(points, height_mm + rise)), level),
    }
    if kind != "angle":
        parts["scale"] = abs(value) * plane.u_rel
    contributions = tuple(Contribution(source, u) for source, u in parts.items())
    return Measured(value, "deg" if kind == "angle" else "mm", contributions, by_hand=True)


def _u_placement(quantity: Quantity, points: Points) -> float:
    """First-order propagation of independent placement errors (GUM equation 10), by central differences."""
    total = 0.0
    for i in range(points.size):
        step = np.zeros(points.size)
        step[i] = PLACED_U_PX
        d = step.reshape(points.shape)
        total += ((quantity(points + d) - quantity(points - d)) / 2.0) ** 2
    return math.sqrt(total)


def _u_level(quantity: Quantity, at_mm: Points) -> float:
    """What heights out of the plane give, as a sheet's: places near each other rise together."""
    by_height = np.array([(quantity(e) - quantity(-e)) / 2.0 for e in np.eye(len(at_mm)) * U_SHEET_MM]) / U_SHEET_MM
    return math.sqrt(float(by_height @ heights_covariance(at_mm) @ by_height))


def _distance(mm: Points) -> float:
    return float(np.linalg.norm(mm[1] - mm[0]))


def _angle(mm: Points) -> float:
    """Degrees between the arms from the second point, 0 to 180."""
    a, b = mm[0] - mm[1], mm[2] - mm[1]
    return math.degrees(math.atan2(abs(a[0] * b[1] - a[1] * b[0]), float(a @ b)))


def _radius(mm: Points) -> float:
    """Radius of the circle with the least squared distances to the points (geometric fit), mm."""
    centred = mm - mm.mean(axis=0)
    a = np.column_stack([2.0 * centred, np.ones(len(mm))])
    if np.linalg.svd(a, compute_uv=False)[-1] < 1e-6 * np.abs(a).max():
        raise OptionError("The points lie on a straight line.", "Mark points further round the circle.")
    x, y, c = np.linalg.lstsq(a, np.sum(centred**2, axis=1), rcond=None)[0]  # algebraic fit, to start from

    def off(p: Points) -> Points:
        return np.asarray(np.hypot(centred[:, 0] - p[0], centred[:, 1] - p[1]) - p[2])

    start = [x, y, math.sqrt(c + x * x + y * y)]
    return float(start[2] if len(mm) == 3 else least_squares(off, start, method="lm").x[2])


_QUANTITIES: dict[str, Quantity] = {"distance": _distance, "angle": _angle, "circle": _radius}
