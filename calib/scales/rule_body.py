"""The body of a steel rule: from its graduated edge to its other edge, where the photo shows that."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.scales.rule_combs import Comb

__all__ = ["RuleBody", "rule_body"]

Vector = NDArray[np.float64]

_WIDTHS_MM = (12.0, 40.0)
"""Rules are from 13 mm (pocket rules) to 38 mm wide (common practice, no source), with what a tilt of the camera that
is not yet known makes of it."""
_PAST_END_MM = 10.0
"""A rule reaches so far past its last graduation at most (common practice, no source)."""
_STEP_MM = 0.1
"""Of the profiles across the rule: its edge is eased by some tenths of a millimetre, finer tells no more."""
_SIDE_MM = 0.8
"""An edge is a change between means over so much on either side: wider than a camera's halo, narrower than the gap
between numerals and edge."""
_PROFILES = 160
"""More than graduations are in view as a rule, so that they do not all fall on lines."""
_SLANT_MM = np.linspace(-1.5, 1.5, 13)
"""How much farther off the edge may seem at either end than in the middle: 4 degrees of tilt at 40 mm, and the lens."""
_ALIKE = 0.8
"""Share of profiles that change alike at an edge: frets and inlays beside it are a tenth of a board (common practice,
no source), and lines or numerals on the rule change fewer than half."""
_LEAST_CODES = 5.0
"""A fainter change, in codes of 255, is met in the sheen of brushed steel and in JPEG blocks."""


@dataclass(frozen=True)
class RuleBody:
    """A rule's closed outline (M, 2) in photo pixels; `seen` tells whether its far edge was, or is the widest usual."""

    outline_px: Vector
    seen: bool


def rule_body(photo: Photo, comb: Comb, step_mm: float, printed_mm: float) -> RuleBody:
    """A rule's body, from the edge where its graduations start to the nearest change of brightness parallel to it.

    Parameters
    ----------
    step_mm : float
        From one graduation to the next.
    printed_mm : float
        Length of the longest graduations: the far edge lies beyond.
    """
    n = np.linspace(float(comb.number.min()), float(comb.number.max()), _PROFILES)
    low = max(_WIDTHS_MM[0], printed_mm + _SIDE_MM)
    far = _far_edge(_changes(photo, comb, n, step_mm), low)
    width = np.full(_PROFILES, _WIDTHS_MM[1]) if far is None else far
    start, away = comb.start_px(n), comb.along(n) * (width * comb.step_px(n) / step_mm)[:, None]
    # past the graduations straight on: a polynomial runs away there
    past = _PAST_END_MM / step_mm
    before, after = (past * (comb.start_px(m + 0.5) - comb.start_px(m - 0.5)) for m in (n[:1], n[-1:]))
    start = np.concatenate([start[:1] - before, start, start[-1:] + after])
    away = np.concatenate([away[:1], away, away[-1:]])
    return RuleBody(np.concatenate([start, (start + away)[::-1]]), far is not None)


def _changes(photo: Photo, comb: Comb, n: Vector, step_mm: float) -> Vector:
    """Change of brightness in codes at every `_STEP_MM` from the graduated edge, (profiles, M); nan off the photo."""
    k = round(_SIDE_MM / _STEP_MM)
    d = np.arange(0.0, _WIDTHS_MM[1] + _SIDE_MM + _SLANT_MM.max() + _STEP_MM, _STEP_MM)
    per_mm = comb.step_px(n) / step_mm
    px = comb.start_px(n)[:, None] + comb.along(n)[:, None] * (d * per_mm[:, None])[..., None]
    x, y = np.moveaxis(px.astype(np.float32), 2, 0)
    shown = np.asarray(cv2.remap(photo.gray, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    inside = np.all((px >= 0.0) & (px <= [photo.width - 1, photo.height - 1]), axis=2)
    codes = np.where(inside, shown.astype(np.float64), np.nan)
    run = np.cumulative_sum(codes, axis=1, include_initial=True) / k
    change = np.full(codes.shape, np.nan)
    change[:, k : len(d) - k] = run[:, 2 * k : -1] - 2.0 * run[:, k : -k - 1] + run[:, : -2 * k - 1]
    return change


def _far_edge(change: Vector, low_mm: float) -> Vector | None:
    """Distance of the far edge from the graduated one at every profile, mm; None where nothing shows it."""
    t = np.linspace(-1.0, 1.0, len(change))
    rows = np.arange(len(change))
    at = np.arange(low_mm, _WIDTHS_MM[1], _STEP_MM)
    clear = np.zeros((len(_SLANT_MM), len(at)))
    for i, slant in enumerate(_SLANT_MM):
        column = np.rint((at + slant * t[:, None]) / _STEP_MM).astype(int)
        there = change[rows[:, None], column]
        up, down = (np.mean(sign * there > _LEAST_CODES, axis=0) for sign in (1.0, -1.0))
        typical = np.abs(np.nanmedian(np.where(np.isfinite(there), there, 0.0), axis=0))
        clear[i] = np.where(np.maximum(up, down) >= _ALIKE, typical, 0.0)
    if not clear.any():
        return None
    first = int(np.flatnonzero(clear.any(axis=0))[0])
    near = clear[:, first : first + round(2.0 * _SIDE_MM / _STEP_MM)]  # the nearest edge, blurred over both its sides
    i, j = divmod(int(near.argmax()), near.shape[1])
    return np.asarray(at[first + j] + _SLANT_MM[i] * t)
