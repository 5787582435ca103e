"""Why a flat that was found is not measured: what else may have made it, or what of it can't be told."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.crown_arc import CrownArc
from inspect_app.measure.plan.flat_outline import CELL_SIGMAS, FlatOutline
from inspect_app.measure.plan.flat_size import (
    faint_length,
    length_at,
    length_slope,
    level_evidence,
    rival_length,
    runs_out,
    turns_by_row,
)
from inspect_app.measure.plan.reference_crown import CrownView, ReferenceCrown
from shared.measured import COVERAGE_FACTOR

__all__ = ["ACCEPT", "why_not"]

Floats = NDArray[np.float64]

ACCEPT = 40.0
"""Evidence from which a flat is kept. Some 2000 places, lengths and widths are tried on a fret and a fitted flat has
about 11 free numbers (five of outline, six of tone): by chi-square one false flat in a thousand frets lies beyond 25.
The noise level and its correlation come from the same fret and are known to about a half, hence 40."""
_VAGUE = 0.5
"""A flat whose length has a U of more than this share of it from noise, rivals and faint ends is not measured."""
_LEAST_ROWS = 3
"""A flat's own tone is found from three rows together: one no longer than that may be no more than the glint at the end
of another, whose floor mirrors the same as the crown."""
_COINCIDES = 2.0
"""Rows from the border of what is hidden within which a flat's end is that border: of ends that lie anywhere in twenty
rows one does so by chance."""
_TONE_CHANGE = 2.0**0.25
"""By how much a crown's tones, and their contrast, may differ from what its other rows say: half a stop of light, what
a phone's local tone mapping or a reflection that comes up makes of it within a few millimetres (common practice, no
source). A flat takes the bands' contrast away."""
_AS_MUCH = 2.0 / 3.0
"""Share of a flat's evidence from which the crown's own tones, changed, explain as much: evidence is known to about a
half (see `ACCEPT`)."""


def why_not(fit: FlatOutline, arc: CrownArc, view: CrownView, reference: ReferenceCrown) -> str:
    """Why a flat that was found is not measured; empty where it is."""
    return (
        _not_seen_whole(fit, arc, view)
        or _length_untold(fit, arc, view)
        or _glint(fit, arc, view, reference)
        or _tones_alone(fit, view, reference)
    )


def _not_seen_whole(fit: FlatOutline, arc: CrownArc, view: CrownView) -> str:
    if fit.hidden > 0.5 or not fit.visible_both_sides:
        return "is mostly covered"
    ends = fit.middle + np.array([[-fit.half_length], [fit.half_length]])
    beside_hidden = view.along_mm[:-1][view.clear[1:] != view.clear[:-1]] + view.row_mm / 2.0
    if np.any(np.abs(ends - beside_hidden) < _COINCIDES * view.row_mm):
        return "ends just where something crosses the fret or covers it"
    if runs_out(fit, arc, view):
        return "goes on past the crown in view, to the fret's bevel: a photo along the neck shows how deep it is"
    return ""


def _length_untold(fit: FlatOutline, arc: CrownArc, view: CrownView) -> str:
    length = length_at(fit.params, arc)
    if length < _LEAST_ROWS * view.row_mm:
        return "shows over too short a length to tell how long it is: go closer, or move the lamp"
    slope = length_slope(fit.params, arc)
    by_noise = math.sqrt(float(slope @ fit.cov @ slope))
    u_length = math.hypot(by_noise, rival_length(fit, arc), faint_length(fit))
    if COVERAGE_FACTOR * u_length > _VAGUE * length:
        return "can't be told from scratches: move the lamp, and focus on the frets"
    return ""


def _glint(fit: FlatOutline, arc: CrownArc, view: CrownView, reference: ReferenceCrown) -> str:
    """Why a flat of which only a slope may show is not measured; empty where it shows as a whole."""
    if turns_by_row(fit, arc, view.row_mm) and level_evidence(fit, arc, view, reference) < ACCEPT:
        return "shows only where its floor slopes and glints, so that its ends can't be told: move the lamp"
    return ""


def _tones_alone(fit: FlatOutline, view: CrownView, reference: ReferenceCrown) -> str:
    """Why a flat that the crown's own tones explain as well is not measured."""
    if tone_evidence(fit, view, reference) > _AS_MUCH * fit.log_ratio:
        return "may be no wear but the crown's own bands of light, brighter or darker there: move the lamp"
    return ""


def tone_evidence(fit: FlatOutline, view: CrownView, reference: ReferenceCrown) -> float:
    """Log likelihood ratio, against the reference crown, of one whose tones are others from row to row.

    Each row where the flat lies is the unworn crown brighter or darker, with more or less contrast: bands of light that
    come up or fade, or a phone's tone curve that differs from place to place. None has a boundary where a flat has its.
    """
    rows = view.clear & (np.abs(view.along_mm - fit.middle) < fit.half_length)
    seen, unworn = view.tone[rows], reference.tone[rows]
    weight = 1.0 / (reference.sigma**2 * reference.noise_correlation)
    share = weight / weight.sum()
    level, at = (seen @ share)[:, None], (unworn @ share)[:, None]
    off = unworn - at
    contrast = (((seen - level) * off) @ share / np.maximum((off * off) @ share, 1e-9))[:, None]
    least, most = 1.0 / _TONE_CHANGE, _TONE_CHANGE
    changed = np.clip(level, least * at, most * at) + np.clip(contrast, least, most) * off
    cell = CELL_SIGMAS**2 / reference.noise_correlation
    plain, other = (np.minimum((seen - of) ** 2 * weight, cell) for of in (unworn, changed))
    return float(0.5 * np.sum(plain - other))
