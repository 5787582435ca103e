"""A steel rule: its graduations found anywhere in the photo, each placed to a fraction of a pixel.

The way: `rule_combs` finds short dark or bright strokes on a reduced picture, and among them rows with a common start
and even spacing, each a `Comb` (smooth curves over the graduation's number) -> `rule_graduations` cuts the row out of
the full picture, graduations upright, and measures each one's centre line -> `rule_divisions` tells what one step is by
the pattern of long and short graduations -> `rule_body` looks for the rule's other edge.

Graduations are numbered by the comb, so missing or scratched ones do no harm. Even spacing in pixels is nowhere
assumed: perspective and the lens bend the comb smoothly, and the plane is fitted to the numbered lines afterwards.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.scales.base import HANDHELD_TILT_RAD, WORKING_DISTANCES_MM, Scale
from calib.scales.rule_body import rule_body
from calib.scales.rule_combs import MIN_GRADUATIONS, Comb, rows_of_graduations
from calib.scales.rule_divisions import Division, tell_division
from calib.scales.rule_graduations import Graduations, measure_graduations, refit
from shared.errors import ScaleError

__all__ = ["find_rule", "RULE_LIMIT_MM", "U_EDGE_MM"]

Vector = NDArray[np.float64]

RULE_LIMIT_MM = 0.15
"""Limit of error of a rule up to 500 mm, class 1 of JIS B 7516:2005: between any two of its graduations."""
U_EDGE_MM = 0.13
"""Straightness of a rule's edge: 0.23 mm on 150 mm is allowed by JIS B 7516:2005, taken as rectangular."""
U_GRADUATION_PX = 0.05
"""Error of a graduation that its own rows do not show: engraving ragged by a hundredth of a millimetre, JPEG blocks."""
_LONGEST = 25.0  # steps: inch lines of a rule divided in 64ths are 8 to 10 mm long
_SEARCH_WIDTHS = (2000, 1000)  # px: strokes 1 to 4 px wide are found; the second for rules photographed close up
_LONGEST_SHORT_MM = 3.0
"""Length of the shortest graduations of an inch rule at most (common practice, no source; 1.5 to 2.5 mm are usual).
Where numerals end the inch lines, 32nds have the pattern of 16ths, and would have shortest lines twice as long."""
_SHORT = 0.25  # of the graduations are shorter: half of those of an inch rule are of its shortest kind
_UNEVEN = 0.05  # of a step: RMS of the graduations about a smooth comb; a ruled half-millimetre is good to 0.02 mm


def find_rule(photo: Photo, unit: str = "mm", factor: float = 1.0) -> Scale:
    """Find a rule's graduations.

    Parameters
    ----------
    unit : {'mm', 'inch'}
        What the row of graduations is divided in; which division of it is told by the pattern of long and short ones.
    factor : float
        True length over nominal length of this rule, if it was checked.

    Returns
    -------
    Scale
        Two points on each graduation's centre line, sharp across it and saying nothing along it, and the edge as y = 0.

    Raises
    ------
    ScaleError
        If no row of graduations is found, or none divided in `unit`.
    """
    refused: ScaleError | None = None
    most = 0  # graduations of a row whose division can't be told: one with fewer is a part of it, and tells it wrongly
    for width in _SEARCH_WIDTHS:
        for row in rows_of_graduations(photo, width):
            try:
                comb, found = _measured(photo, row)
                if len(found.number) >= most:
                    most = len(found.number)
                    return _with_body(photo, comb, found, _division(photo, comb, found, unit), factor)
            except ScaleError as e:
                refused = refused or e
    raise refused or ScaleError(
        "No graduations of a rule were found in the photo.",
        "Lay a steel rule beside the frets with its graduations in the picture, in focus and without glare.",
    )


def _measured(photo: Photo, comb: Comb) -> tuple[Comb, Graduations]:
    """A row on the full picture.

    Raises
    ------
    ScaleError
        If too few of its graduations are there, or they are not evenly spaced.
    """
    # the first round centres the rows, finds graduations missed so far, and tells how long the longest are
    comb, found = _finest(photo, comb)
    comb = refit(comb, found)
    if len(found.number) >= MIN_GRADUATIONS:
        longest = float(np.max(found.length / comb.step_px(found.number.astype(float))))
        found = measure_graduations(photo, comb, min(longest + 1.0, _LONGEST), 0.1)
        comb = refit(comb, found)
    if len(found.number) < MIN_GRADUATIONS:
        raise ScaleError("Too few graduations of a rule are in focus.", "Take the photo closer, with the rule sharp.")
    if _unevenness(comb, found) > _UNEVEN:
        raise ScaleError(
            "The rule's graduations are not evenly spaced.", "Clean the rule and take the photo again, in focus."
        )
    return comb, found


def _division(photo: Photo, comb: Comb, found: Graduations, unit: str) -> Division:
    """What a row is divided in, of the divisions possible at the distances photos are taken from."""
    steps_px = comb.step_px(found.number.astype(float))
    slack = 1.0 + 2.0 * photo.focal.u_rel
    per = float(np.median(steps_px)) / photo.focal.px  # a step's angle of view
    possible = (WORKING_DISTANCES_MM[0] * per / slack, WORKING_DISTANCES_MM[1] * per * slack)
    told = tell_division(found.number, found.length / steps_px, unit, possible)
    shortest = float(np.quantile(found.length / steps_px, _SHORT)) * told.step_mm
    if told.unit == "inch" and shortest > _LONGEST_SHORT_MM:
        raise ScaleError(
            f"Divided in {told.name}, the rule's shortest graduations would be {shortest:.1f} mm long.",
            "Show the longest graduations clear of the numbers, or turn the rule over to its millimetres.",
        )
    return told


def _finest(photo: Photo, comb: Comb) -> tuple[Comb, Graduations]:
    """The comb, or one with as many graduations again between its own where they are there: short ones may be missed.

    Otherwise a row in which only every second graduation was found could pass for one divided half as finely.
    """
    found = measure_graduations(photo, comb, _LONGEST, 0.25)
    halved = comb.halved()
    between = measure_graduations(photo, halved, _LONGEST, 0.25)
    odd = int(np.sum(between.number % 2 != 0))
    return (halved, between) if 2 * odd > len(between.number) - odd >= MIN_GRADUATIONS // 2 else (comb, found)


def _unevenness(comb: Comb, found: Graduations) -> float:
    """RMS distance of the graduations from the smooth comb along the edge, in steps."""
    n = found.number.astype(float)
    middle = found.points.mean(axis=1) - comb.start_px(n)
    along = comb.along(n)
    across = middle[:, 0] * along[:, 1] - middle[:, 1] * along[:, 0]
    return float(np.sqrt(np.mean((across / comb.step_px(n)) ** 2)))


def _with_body(photo: Photo, comb: Comb, found: Graduations, division: Division, factor: float) -> Scale:
    step = division.step_mm * factor
    printed = float(np.max(found.length / comb.step_px(found.number.astype(float)))) * step
    body = rule_body(photo, comb, step, printed)
    return replace(_points(comb, found, division, factor), body_px=body.outline_px, body_seen=body.seen)


def _points(comb: Comb, found: Graduations, division: Division, factor: float) -> Scale:
    """The scale: x along the rule, y from its ticked edge towards the body of the rule, or its mirror image, y up."""
    n = found.number.astype(float)
    step = division.step_mm * factor
    # seen from above, y is up when a quarter turn anticlockwise leads from +x to it; else number the other way
    along, across = comb.along(n[:1])[0], comb.start_px(n[-1:])[0] - comb.start_px(n[:1])[0]
    sign = 1.0 if across[0] * along[1] - across[1] * along[0] < 0 else -1.0
    per_px = step / comb.step_px(n)
    x = sign * (n - n[0]) * step
    height = np.einsum("nki,ni->nk", found.points - comb.start_px(n)[:, None], comb.along(n)) * per_px[:, None]
    plane = np.stack([np.repeat(x[:, None], 2, axis=1), height], axis=-1).reshape(-1, 2)
    image = found.points.reshape(-1, 2)
    turn = np.repeat(np.arctan2(*comb.along(n).T[::-1]) - math.pi / 2.0, 2)
    u = np.column_stack([np.hypot(found.u, U_GRADUATION_PX).ravel(), np.full(image.shape[0], np.inf)])
    # the edge: three places, for their errors are one curve and not as many as there are graduations
    at = np.array([n[0], n[len(n) // 2], n[-1]])
    edge, edge_x = comb.start_px(at), sign * (at - n[0]) * step
    edge_turn = np.arctan2(*comb.along(at).T[::-1]) - math.pi / 2.0
    u_edge = np.column_stack([np.full(3, np.inf), U_EDGE_MM * comb.step_px(at) / step])
    span = abs(float(x[-1] - x[0]))
    return Scale(
        "rule",
        np.concatenate([image, edge]),
        np.concatenate([plane, np.column_stack([edge_x, np.zeros(3)])]),
        np.concatenate([u, u_edge]),
        RULE_LIMIT_MM / math.sqrt(3.0) / span,
        _outline(comb, found),
        turn_rad=np.concatenate([turn, edge_turn]),
        tilt_prior_rad=HANDHELD_TILT_RAD,
        u_flat_mm=0.0,  # of steel, and stiff
    )


def _outline(comb: Comb, found: Graduations) -> Vector:
    """Round the graduations: along the edge and back along the ends of the longest."""
    n = np.linspace(float(found.number[0]), float(found.number[-1]), 9)
    far = comb.start_px(n) + comb.along(n) * float(found.length.max())
    return np.concatenate([comb.start_px(n), far[::-1]])
