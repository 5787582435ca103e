"""A flat's place, length, width and depth, each with its uncertainty."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.crown_arc import CrownArc
from inspect_app.measure.plan.flat_outline import EXPONENT_SD, U_BLOOM, U_EDGE, FlatOutline
from inspect_app.measure.plan.flat_picture import FlatParam, half_widths
from inspect_app.measure.plan.fret_patch import FretPatch
from inspect_app.measure.plan.reference_crown import CrownView, ReferenceCrown
from inspect_app.reading.inspection import Flat
from shared.measured import Contribution, Measured
from shared.trade import FLAT_FROM_MM

__all__ = [
    "flat_size",
    "faint_length",
    "rival_length",
    "length_at",
    "length_slope",
    "level_evidence",
    "runs_out",
    "turns_by_row",
]

Floats = NDArray[np.float64]

_UNTRACED = 0.1
"""Where no boundary is seen the outline is carried on by its form alone: standard uncertainty of the length, share of
what is so carried on, from an exponent known to 0.15."""
_ENDS_WITHIN_A_ROW = math.sqrt(2.0 / 12.0)
"""Standard uncertainty of a length, rows: at either end the last row that shows the flat may hold any part of it (even
spread). A flat's own tone is found from several rows together, so that its end stands out from no row by itself."""
_ONE_SIDED = 0.1
"""A boundary that gives less than this share of what is known of the width was as good as not seen."""
_COVERED = 0.1
"""A flat with more than this share of its length hidden is flagged, and not measured where that is all at one end: by
the other half's form it is then carried on as far as its length is to be known (common practice, no source)."""
_TURNS = 0.15
"""A floor that turns by more from row to row, rad, shows each in a light of its own: it mirrors twice as far apart,
and a lamp or a window's edge is some 15 degrees wide (common practice, no source)."""
_LEAST_PX = 3.0
"""Two boundaries need three pixels between them to be told apart."""


def length_at(params: Floats, arc: CrownArc, at_mm: float = FLAT_FROM_MM) -> float:
    """Length in mm over which a flat is at least `at_mm` wide; 0 where it never is.

    From ``d = D (1 - |t|^p)^(2 q)`` and the depth of a chord of the crown's arc.

    Parameters
    ----------
    params : ndarray, shape (7,)
        By `FlatParam`.

    Examples
    --------
    A flat 4 mm long and 1 mm wide is half as wide over about ``4 sqrt(1/2)`` mm of it, and nowhere wider than it is:

    >>> arc = CrownArc(2.0, 1.0, 0.02, 0.02, True)
    >>> params = np.array([10.0, np.log(2.0), np.log(1.0), 0.0, 0.0, 0.0, 0.0])
    >>> [round(length_at(params, arc, w), 2) for w in (0.5, 1.0, 1.2)]
    [2.87, 0.0, 0.0]
    """
    _, ln_half_length, ln_width, _, ln_q, _, ln_blunt = params.tolist()
    ratio = arc.depth_of(at_mm / 2.0) / arc.depth_of(math.exp(ln_width) / 2.0)
    if ratio >= 1.0:
        return 0.0
    share = (1.0 - ratio ** (0.5 / math.exp(ln_q))) ** (0.5 / math.exp(ln_blunt))
    return float(2.0 * math.exp(ln_half_length) * share)


def length_slope(params: Floats, arc: CrownArc, at_mm: float = FLAT_FROM_MM) -> Floats:
    """Derivative of `length_at` with each parameter of the outline, shape (7,); 0 where the length is."""
    length = length_at(params, arc, at_mm)
    if length <= 0.0:
        return np.zeros(len(FlatParam))
    _, _, ln_width, _, ln_q, _, ln_blunt = params.tolist()
    half, q, power = 0.5 * math.exp(ln_width), math.exp(ln_q), 2.0 * math.exp(ln_blunt)
    deepest = arc.depth_of(half)
    ratio = arc.depth_of(at_mm / 2.0) / deepest
    left = ratio ** (0.5 / q)  # length = 2 half_length (1 - left)^(1 / power)
    by_ln_ratio = -length / (power * (1.0 - left)) * left * 0.5 / q
    ln_ratio_by_ln_half = -half * half / (math.sqrt(max(arc.radius**2 - half * half, 1e-9)) * deepest)
    by_ln_power = -length * math.log(1.0 - left) / power
    return np.array(
        [0.0, length, by_ln_ratio * ln_ratio_by_ln_half, 0.0, -by_ln_ratio * math.log(ratio), 0.0, by_ln_power]
    )


def rival_length(fit: FlatOutline, arc: CrownArc) -> float:
    """Half of the farthest that another outline's length is off, mm: a standard uncertainty whose U reaches it.

    It is no less than what outlines with other ends leave open beyond the noise, which is in both.
    """
    length, slope = length_at(fit.params, arc), length_slope(fit.params, arc)
    beyond_noise = math.sqrt(max(0.0, fit.u_ends**2 - float(slope @ fit.cov @ slope)))
    rivals = (*fit.rivals, *([] if fit.row_by_row is None else [fit.row_by_row]))
    return max(beyond_noise, *(0.5 * abs(length_at(r, arc) - length) for r in rivals), 0.0)


def faint_length(fit: FlatOutline) -> float:
    """Standard uncertainty, mm, of a length whose ends may lie anywhere along where the flat is faint (even spread)."""
    return math.hypot(*fit.faint_ends) / math.sqrt(3.0)


def rival_width(fit: FlatOutline) -> float:
    """The same of the widths, the outlines with other sides among them."""
    rivals = (*fit.rivals, *([] if fit.row_by_row is None else [fit.row_by_row]))
    half = [0.5 * abs(math.exp(float(r[FlatParam.LN_WIDTH])) - fit.width) for r in rivals]
    return max(fit.u_sides, *half, 0.0)


def runs_out(fit: FlatOutline, arc: CrownArc, view: CrownView) -> bool:
    """Whether more than a tenth of a flat's length lies beyond the crown in view, under the bevel of the fret's end.

    There no boundaries meet, and the crown's tone beside the flat is known from the other side alone: light that
    changes towards the end, as a phone's tones do beside a dark bench, is then taken for wear.
    """
    first, last = view.along_mm[[0, -1]]
    length = length_at(fit.params, arc)
    beyond = max(first - fit.middle, fit.middle - last) + length / 2.0
    return bool(beyond > _COVERED * length)


def turns_by_row(fit: FlatOutline, arc: CrownArc, row_mm: float) -> bool:
    """Whether a flat is so short and deep that each row of its floor may mirror something else.

    Of ``d = D (1 - t^2)^2`` the second derivative is 4 D where it is deepest.
    """
    return 4.0 * float(arc.depth(fit.width / 2.0)) * row_mm > _TURNS * fit.half_length**2


def level_evidence(fit: FlatOutline, arc: CrownArc, view: CrownView, reference: ReferenceCrown) -> float:
    """Evidence there would be for a flat of this outline whose floor mirrors what the crown's top does, being level.

    The deepest place and both ends of a hollow are level. Where these would not show, what shows of a short deep one is
    a slope of its floor that happens to mirror a lamp: the other may mirror the same as the crown.
    """
    half = half_widths(fit.params, view.along_mm, arc.radius)[:, None]
    inside = (np.abs(view.across_mm - fit.params[FlatParam.CENTRE]) < half) & view.clear[:, None]
    top = reference.tone[:, np.abs(view.across_mm).argmin()][:, None]
    departs = (reference.tone - top) ** 2 / (reference.sigma**2 * reference.noise_correlation)
    return float(0.5 * np.sum(departs * inside))


def _within_a_row(fit: FlatOutline, arc: CrownArc, row_mm: float) -> float:
    """Standard uncertainty, mm, of a width whose widest place may lie anywhere in a row (even spread).

    It is by how much the flat is narrower half a row from there, on its steeper side.
    """
    toward = math.copysign(row_mm / 2.0, float(fit.params[FlatParam.SKEW]))
    beside = float(half_widths(fit.params, np.array([fit.place - toward]), arc.radius)[0])
    return (fit.width - 2.0 * max(0.0, beside)) / math.sqrt(3.0)


def flat_size(fit: FlatOutline, patch: FretPatch, arc: CrownArc, view: CrownView) -> Flat:
    plane, p = patch.frame.plane, fit.params
    length = length_at(p, arc)
    by_length = length_slope(p, arc)
    by_width = fit.width * np.eye(len(FlatParam))[FlatParam.LN_WIDTH]
    untraced = max(0.0, length - fit.traced_length), abs(math.log(max(0.1, 2.0 * fit.traced_half_width / fit.width)))
    flags = _flags(fit, patch)
    mirrored = _mirrored(fit, arc)
    width = Measured.of(
        fit.width,
        "mm",
        flags,
        mirrored_side=mirrored,
        outline=EXPONENT_SD * untraced[1] * fit.width,
        rows=_within_a_row(fit, arc, view.row_mm),
        rival_outline=rival_width(fit),
        scale=fit.width * plane.u_rel,
        **_boundary(by_width, fit, view),
    )
    return Flat(
        Measured.of(
            fit.place,
            "mm",
            flags,
            treble_end=patch.frame.origin_u_mm,
            faint_ends=faint_length(fit) / 2.0,
            scale=fit.place * plane.u_rel,
            **_boundary(_place_slope(fit), fit, view),
        ),
        Measured.of(
            length,
            "mm",
            flags,
            mirrored_side=mirrored * abs(by_length[FlatParam.LN_WIDTH]) / fit.width,
            rows=_ENDS_WITHIN_A_ROW * view.row_mm,
            outline=_UNTRACED * untraced[0],
            rival_outline=rival_length(fit, arc),
            faint_ends=faint_length(fit),
            scale=length * plane.u_rel,
            **_boundary(by_length, fit, view),
        ),
        width,
        _depth(width, arc) if arc.height_known else None,
    )


def _mirrored(fit: FlatOutline, arc: CrownArc) -> float:
    """What is not known of a width, mm, one of whose boundaries is but the other's mirror image about the crown's top.

    Twice what is not known of that, less what the fit has of it: faint as the boundary is, the fit makes something of
    it, but a tone off by a code step moves it by more.
    """
    if min(fit.side_shares) >= _ONE_SIDED:
        return 0.0
    by_noise = fit.width**2 * float(fit.cov[FlatParam.LN_WIDTH, FlatParam.LN_WIDTH])
    return math.sqrt(max(0.0, (2.0 * arc.u_centre) ** 2 - by_noise))


def _place_slope(fit: FlatOutline) -> Floats:
    """Derivative of where a flat is widest with each parameter of its outline, shape (7,)."""
    slope = np.eye(len(FlatParam))[FlatParam.MIDDLE]
    slope[FlatParam.SKEW] = -fit.half_length
    slope[FlatParam.LN_HALF_LENGTH] = -fit.half_length * fit.params[FlatParam.SKEW]
    return np.asarray(slope)


def _boundary(slope: Floats, fit: FlatOutline, view: CrownView) -> dict[str, float]:
    """What noise, the placing of boundaries and burnt-out tones do to a quantity of this slope in the parameters."""
    return {
        "boundary_noise": math.sqrt(float(slope @ fit.cov @ slope)),
        "boundary_definition": abs(float(slope @ fit.shift_effect)) * U_EDGE * view.blur_mm,
        "burnt_out_tones": abs(float(slope @ fit.bloom_effect)) * U_BLOOM * view.blur_mm,
    }


def _flags(fit: FlatOutline, patch: FretPatch) -> tuple[str, ...]:
    found = {
        "ONE_SIDED": min(fit.side_shares) < _ONE_SIDED,
        "COVERED": fit.hidden > _COVERED,
        "LOW_RESOLUTION": patch.px_per_mm * FLAT_FROM_MM < _LEAST_PX,
    }
    return tuple(code for code, so in found.items() if so)


def _depth(width: Measured, arc: CrownArc) -> Measured:
    """Depth below the unworn top from the width, ``d = r - sqrt(r^2 - f^2 / 4)``."""
    depth = float(arc.depth(width.value / 2.0))
    chord = math.sqrt(max(arc.radius**2 - width.value**2 / 4.0, 1e-4))
    by_width = width.value / (4.0 * chord)
    by_radius = 1.0 - arc.radius / chord
    parts = (
        Contribution("width", by_width * width.u),
        Contribution("crown radius", abs(by_radius) * arc.u_radius),
    )
    return Measured(depth, "mm", parts, (*width.flags, "INDIRECT"))
