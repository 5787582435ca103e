"""How straight the steps of light beside a crown run along the fret: wire does, the border of dirt beside it wanders.

Wire is rolled and pressed in straight. Dirt is wiped as far as the rag came: its border lies here a tenth of a
millimetre farther out, there farther in. So each stretch of a fret is laid on the median of all. It may be brighter,
show more contrast, or show the same step farther out; how much that last scatters tells wire from dirt. The same goes
for steps of colour: brown dirt on ebony is hardly brighter or darker than the wood. On the outside of a wandering
border there is only wood.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation
from scipy.special import logsumexp

from calib.robust_spread import spread_about_zero
from inspect_app.measure.plan.edge_classifier import LEAST, EdgeLikelihood

__all__ = ["EdgeCourse", "edge_course", "held_straight"]

Floats = NDArray[np.float64]

_REACH_MM = 0.12
"""A step is looked at so far to either side: as far as dirt's border wanders as a rule (common practice, no source)."""
_LEAST_REACH_PX = 2
"""Five samples are the fewest for brightness, contrast and place of a step and a misfit."""
WIRE_MM = 0.018
"""Standard deviation of an edge's place along pressed-in wire, mm: a hundredth is usual (common practice, no source),
and a pixel's twentieth twice over is lost in laying rows on each other."""
_WANDERS_MM = (0.025, 0.13)
"""Places that scatter by this much wander: more than wire by half, and no more than `_REACH_MM` lets be told."""
_SEEN = 0.6
"""A border is seen to wander where noise alone makes less than this share of it: most of the scatter is its own."""
_LEAST_STEP = 0.01
"""Change of tone, the square root of light, below which nothing is a step: 2.5 code steps of an 8-bit photo."""
_STRETCHES = 10
"""Stretches of a fret in which an edge's place is independent: over half a centimetre a rag, or a bend of the wire,
keeps its course (common practice, no source), and a fret is some 5 cm long."""
_MOST_AGAINST = math.log(100.0)
"""No scatter speaks more clearly against wire: one foot in a hundred is worn, dented or crossed by so many shadows
that it wanders (common practice, no source)."""
_COLOUR_MM = 0.06
"""Colour tells nothing so near to a step of light that runs straight: there it is the same step, its colour blurred by
a photo that keeps colour in every other pixel (4:2:0, ITU-T T.81)."""
_POSSIBLE, _LIKELY = -3.0, 0.0
"""Logarithm of the density (per mm) from which a finder takes a place for possible, and for likely: as likely as that
the edge were known to a millimetre. On the metal, where reflections wander, finders see neither as a rule."""


@dataclass(frozen=True)
class EdgeCourse:
    """How the steps of light across a fret run along it; arrays of shape (n,), one value at each place across.

    All are 0 so near the profile's ends that no step can be looked at.

    Attributes
    ----------
    wander : ndarray
        Standard deviation along the fret of where the step lies, mm, noise included and a steady drift left out.
    noise : ndarray
        What noise alone makes of that, mm; large where there is no step.
    step : ndarray
        Change over the step: of tone (square root of linear light), or of the logarithm of red over blue.
    """

    wander: Floats
    noise: Floats
    step: Floats


def edge_course(tone: Floats, px_per_mm: float) -> EdgeCourse:
    """The course of steps in profiles of successive stretches of a fret, shape (stretches, n), laid on one another.

    Each stretch is the median profile with a brightness, a contrast and a place of its own, by least squares. Its
    `tone` is the square root of linear light, or the logarithm of red over blue.
    """
    usual = np.median(tone, axis=0)
    reach = max(_LEAST_REACH_PX, round(_REACH_MM * px_per_mm))

    def near(y: Floats) -> Floats:
        return np.lib.stride_tricks.sliding_window_view(y, 2 * reach + 1, axis=-1)

    slope, level = near(np.gradient(usual) * px_per_mm), near(usual)
    shape = np.stack([slope, level, np.ones_like(level)], axis=-1)
    inverse = np.linalg.pinv(shape)
    left_over = np.eye(2 * reach + 1) - shape @ inverse
    differs = np.ascontiguousarray(near(tone - usual).swapaxes(0, 1), dtype=np.float32)
    places = np.einsum("nsw,nw->sn", differs, inverse[:, 0].astype(np.float32))
    left = np.square(differs @ left_over.astype(np.float32)).sum(axis=2)
    misfit = np.sqrt(np.median(left, axis=1) / (2 * reach - 2))
    noise = misfit * np.linalg.norm(inverse[:, 0], axis=-1)
    wander = spread_about_zero(_without_drift(places), axis=0)
    step = np.abs(level[:, -1] - level[:, 0])
    return EdgeCourse(*(np.pad(y, reach) for y in (wander, noise, step)))


def _without_drift(places: Floats) -> Floats:
    """Places along the fret (rows) less a straight line through the medians of their outer thirds (Tukey 1977).

    What a flank mirrors moves steadily along the fret, as the lamp is seen from one end and the other.
    """
    n = len(places)
    third, along = n // 3, np.arange(n) - (n - 1) / 2.0
    rise = np.median(places[n - third :], axis=0) - np.median(places[:third], axis=0)
    level = places - along[:, None] * rise / (n - third)
    return np.asarray(level - np.median(level, axis=0))


def held_straight(
    courses: Sequence[EdgeCourse], at_mm: Floats, finders: Sequence[EdgeLikelihood]
) -> list[tuple[EdgeLikelihood, float]]:
    """What finders say of one edge, held to that it is straight; each with the logarithm of how well it stands that.

    Outside a border that wanders, only what was seen to run straight and what all finders take for likely is left.

    Parameters
    ----------
    courses : sequence of EdgeCourse
        That of the light, and that of its colour where it was looked at.
    at_mm : ndarray, shape (n,)
        Their places, increasing outwards, as the finders' are.
    finders : sequence of EdgeLikelihood
        Logarithms of probability densities per mm at the same places across.
    """
    across = finders[0].across_mm
    said = np.array([np.interp(at_mm, across, f.log_likelihood, left=LEAST, right=LEAST) for f in finders])
    light, least = courses[0], _WANDERS_MM[0]
    straight = (light.step > _LEAST_STEP) & (light.wander < least) & (light.noise < least)
    beside = binary_dilation(straight, iterations=max(1, round(_COLOUR_MM / float(at_mm[1] - at_mm[0]))))
    against = np.array([_unlike_wire(course) for course in courses])
    against[1:, beside] = 0.0
    cost = np.where(said.max(axis=0) > _POSSIBLE, against.max(axis=0), 0.0)
    wanders = np.flatnonzero(cost)
    if len(wanders):
        outside = np.arange(len(at_mm)) > wanders[-1]
        cost[outside & ~straight & (said.min(axis=0) <= _LIKELY)] = -2.0 * LEAST  # no finder is surer than that
    lost = np.interp(across, at_mm, cost)
    held = [np.maximum(f.log_likelihood - lost, LEAST) for f in finders]
    return [
        (EdgeLikelihood(across, y), float(logsumexp(y) - logsumexp(f.log_likelihood)))
        for f, y in zip(finders, held, strict=True)
    ]


def _unlike_wire(course: EdgeCourse) -> Floats:
    """By how much likelier wandering dirt explains each place's scatter than wire; 0 where it is not seen to wander.

    Logarithm of the greatest likelihood of any variance over that of wire's and the noise's, of so many normal
    departures as there are `_STRETCHES`.
    """
    least, most = _WANDERS_MM
    wanders = (course.wander > least) & (course.wander < most) & (course.noise < _SEEN * course.wander)
    ratio = np.maximum(course.wander**2 / (course.noise**2 + WIRE_MM**2), 1.0)
    against = np.minimum(0.5 * _STRETCHES * (ratio - 1.0 - np.log(ratio)), _MOST_AGAINST)
    return np.where(wanders & (course.step > _LEAST_STEP), against, 0.0)
