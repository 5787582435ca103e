"""Where the frets lie along the neck, and whether they are spaced as equal temperament says."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calib.plane import Plane
from inspect_app.instrument.fretboard import fit_spacing
from inspect_app.measure.plan.board_height import BoardLevel
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.reading.key import Key, NotMeasured
from shared.measured import COVERAGE_FACTOR, Contribution, Measured
from shared.trade import HIGHEST_FRET, SLOT_U_MM

__all__ = ["fret_positions", "check_spacing"]

Floats = NDArray[np.float64]

_EDGES, _POSE = "crown edges", "camera pose and lens"
_HEIGHT, _RADIUS = "height of the board below the scale", "board radius"
"""Contributions to a place's uncertainty: the first is each fret's own, the others are common to all of a photo."""
_UNEVEN_SIGMAS = 3.0
"""So many of their standard uncertainties frets may be off, root mean square, before they count as unevenly spaced: one
photo in hundreds of well-sawn boards."""
_UNEVEN_REASON = (
    "The frets are not spaced as equal temperament has them: they are off by {:.1f} mm. "
    "Check on which side the nut lies, and whether every line marked is a fret."
)


def fret_positions(frames: list[FretFrame], u_centre: list[float], level: BoardLevel) -> list[Measured]:
    """Place of each crown's centre line along the neck, at mid-board, from the scale's own origin.

    Pose, height of the board and scale factor move all frets together; what they add is stated as it acts on the
    distance from the middle of the frets found, for only distances between frets mean anything.

    Parameters
    ----------
    u_centre : list of float
        Standard uncertainty of each centre line from its crown edges, mm.
    """
    across = np.mean([f.across for f in frames], axis=0)
    across = across / np.linalg.norm(across)
    plane = frames[0].plane
    middle = np.array([f.origin_mm + f.centre_mm * f.along for f in frames])
    heights = np.array([f.base_mm for f in frames])
    px = plane.to_px(np.column_stack([middle, heights]))
    at = middle @ across

    def spread(p: Plane, rise: float = 0.0) -> Floats:
        u = p.to_mm(px, heights + rise) @ across
        return np.asarray(u - u.mean())

    pose = plane.u_of(spread)
    height = np.abs(spread(plane, level.u_mm) - spread(plane))
    half = float(np.mean([f.length_mm for f in frames])) / 2.0
    curvature = np.abs(spread(plane, level.curvature.u * half**2 / 2.0) - spread(plane))
    return [
        Measured(
            float(x),
            "mm",
            (
                Contribution(_EDGES, u),
                Contribution(_POSE, float(p)),
                Contribution(_HEIGHT, float(h)),
                Contribution(_RADIUS, float(c)),
                Contribution("scale", float(abs(x - at.mean()) * plane.u_rel)),
            ),
        )
        for u, x, p, h, c in zip(u_centre, at, pose, height, curvature, strict=True)
    ]


def check_spacing(
    positions: Sequence[Measured], fret_numbers: list[int], plane: Plane, scale_length: float | None
) -> tuple[dict[str, float], tuple[NotMeasured, ...]]:
    """Compare the measured spacing with equal temperament; give the reason where they disagree by more than U."""
    if scale_length is None or len(positions) < 2:
        return {}, ()
    at = np.array([p.value for p in positions])
    numbers = np.array(fret_numbers)
    own = np.array([_u_from(p, _EDGES) for p in positions])
    fit = fit_spacing(at, numbers, scale_length, own)
    reach = float(at.max() - at.min())
    common = [max(_u_from(p, source) for p in positions) * 2.0 / reach for source in (_POSE, _HEIGHT, _RADIUS)]
    u = math.hypot(fit.u_fit, plane.u_rel, *common)
    checks = {"spacing_ratio": fit.ratio, "spacing_ratio_u": u, "spacing_residual_mm": fit.residual_mm}
    if fit.residual_mm > _UNEVEN_SIGMAS * math.hypot(SLOT_U_MM, float(np.sqrt(np.mean(own**2)))):
        return checks, (NotMeasured(Key(feature="spacing check"), _UNEVEN_REASON.format(fit.residual_mm)),)
    if abs(fit.ratio - 1.0) <= COVERAGE_FACTOR * u:
        return checks, ()
    return checks, (
        NotMeasured(Key(feature="spacing check"), _spacing_reason(fit.ratio, u, at, numbers, own, scale_length)),
    )


def _u_from(q: Measured, source: str) -> float:
    """What one source contributes to a measured value's uncertainty."""
    return next(c.u for c in q.contributions if c.source == source)


def _spacing_reason(
    ratio: float, u: float, at: Floats, numbers: NDArray[np.int64], own: Floats, scale_length: float
) -> str:
    off = 100.0 * (ratio - 1.0)
    text = f"The frets are spaced {abs(off):.1f} % too {'far apart' if off > 0 else 'close'} for {scale_length:g} mm."
    fitting = []
    for first in range(1, HIGHEST_FRET - len(at)):
        other = fit_spacing(at, numbers - numbers[0] + first, scale_length, own)
        if first != numbers[0] and abs(other.ratio - 1.0) <= COVERAGE_FACTOR * u:
            fitting.append(str(first))
    if not fitting:
        return text
    return f"{text} It would fit if the first whole fret were number {', or '.join(fitting)}."
