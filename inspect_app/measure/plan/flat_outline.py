"""The outline of one worn flat, fitted to the picture of its crown (`flat_picture`)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.crown_arc import CrownArc
from inspect_app.measure.plan.flat_picture import (
    FlatParam,
    FlatPicture,
    FlatSpan,
    Singles,
    Windows,
    draw_flats,
    half_widths,
    single_precision,
    windows_of,
)
from inspect_app.measure.plan.reference_crown import CrownView, ReferenceCrown
from shared.trade import FLAT_FROM_MM

__all__ = [
    "BLUNTNESS_SD",
    "CELL_SIGMAS",
    "EXPONENT_SD",
    "FlatOutline",
    "LOST_BY_END",
    "LOST_BY_SIDE",
    "MOST_SKEW",
    "MOVED_HELD",
    "ROUGH_STEPS",
    "SKEW_SD",
    "STEPS",
    "U_BLOOM",
    "U_EDGE",
    "fit_outlines",
    "moved_outlines",
    "rough_fits",
    "starting_outline",
]

U_EDGE = 0.3
"""Standard uncertainty of where a boundary is placed, in blurs, the same on both sides: sharpening by the camera and a
burnished or rolled edge move both outwards or inwards together (common practice, no source)."""
U_BLOOM = 0.47
"""Standard uncertainty of how far blooming moves a boundary, in blurs (derived beside `flat_picture._BLOOM`)."""
EXPONENT_SD = 0.15
"""Spread of ln q about 0: from 0.74 to 1.35 at 2 sd, hollows that a broad and a plain string cut (common practice, no
source)."""
SKEW_SD = 0.25
"""Spread of the skew about 0: at 2 sd the widest place lies a quarter of the length from one end. A string that is bent
to one side wears that side longer (common practice, no source)."""
BLUNTNESS_SD = 0.3
"""Spread of ln (p / 2) about 0: from |t|^1.1 to a flat-bottomed |t|^3.6 at 2 sd (common practice, no source)."""
STEPS = 12
"""Steps of the fit at most: blunt and lopsided flats found from a plain start need two or three more than plain ones,
of which the fifth moves half-lengths and widths by 1 to 3 %, places by 0.004 mm."""
ROUGH_STEPS = 3
"""After so many steps the evidence tells which of a run's outlines may win."""
_DAMPED = 1.01
"""By how much the diagonal of the normal equations is enlarged (Levenberg's damping): little, for the start is near."""
_SOFT = 0.05
"""Extra softness of the boundary in the first step, mm: about the coarse start's own error."""
_CAUCHY_SIGMAS, _MOST_SIGMAS, CELL_SIGMAS = 3.0, 5.0, 4.0
"""Standard deviations from which a cell loses weight (Cauchy's scale), adds no more to the scatter, and adds no more to
the log likelihood ratio: of a flat's thousand cells noise takes three beyond the first and none beyond the others."""
_HELD = 1e12
"""Put on the diagonal of what is held: far more than any picture says of it."""
_END_MOVED, _SIDE_MOVED = 0.5, 0.25
"""Each flat is tried with an end moved by half its length and held there, for a fit's own steps see only what is next
to it; and so much narrower and wider, for a side on the edge of a lamp's band is held there by the band alone."""
LOST_BY_SIDE, LOST_BY_END = 1.0, 0.5
"""Evidence that a standard uncertainty loses, a half by a normal distribution: both sides are moved at once and
evidence is known to a half (`flat_doubts.ACCEPT`); of an end the worse of in and out is taken: that allows for it."""
MOVED_HELD: list[tuple[FlatParam, ...]] = [(), (), *[(FlatParam.MIDDLE, FlatParam.LN_HALF_LENGTH)] * 4]
"""What each of `moved_outlines` keeps while the rest is fitted: the two narrower and wider nothing."""
_SETTLED = 0.01
"""A flat's steps end when no logarithm or millimetre moves by more: a fraction of any uncertainty stated."""
_LONGEST_STEP = np.array([0.4, 0.25, 0.25, 0.05, 0.2, 0.2, 0.2])
"""Longest step of each parameter, by `FlatParam`: about the coarse start's own error in it."""
MOST_SKEW = 0.8
_BEYOND_MM, _OFF_CENTRE_MM, _LN_EXPONENT, _LN_BLUNTNESS = 1.0, 0.2, 0.7, 1.1
"""A fit keeps its middle so near to the crown in view, its centre to the crown's, and ln q, skew and ln (p / 2) to 0:
beyond, a tip has no length or a boundary no bulge."""
_HALF_LENGTHS_MM, _LEAST_WIDTH_MM = (0.3, 60.0), 0.1
"""Lengths up to twice the longest fret's are tried, and widths from a third of that at which a flat has a length."""
_FAINT = 0.25
"""Where a flat's tone lies nearer to the crown's than this share of what it usually does, nothing says by itself
whether the flat goes on there, its tone changing along the hollow, or a streak of the metal or a fading reflection
does: against three quarters of the usual departure such a stretch is as good as crown."""
_TRACED = 0.1
"""A row that gives less than this share of the best row's information on the width is not traced."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FlatOutline:
    """A fitted flat.

    Attributes
    ----------
    params : ndarray, shape (7,)
        By `FlatParam`.
    cov : ndarray, shape (7, 7)
        Of `params`, from the noise about the fit.
    log_ratio : float
        Log likelihood ratio against the unworn crown.
    side_shares : tuple of float
        Share of the knowledge of the width that either boundary gives (towards the nut, towards the body).
    shift_effect, bloom_effect : ndarray, shape (7,)
        Change of `params` for each mm by which the boundaries lie further out, square to them, than they should: all of
        them, and those where one of the two tones is burnt out.
    hidden : float
        Share of the length that no clear row shows.
    visible_both_sides : bool
        Whether some of it, a tenth of the length at least, shows on both sides of its middle.
    rows : float
        Effective number of rows the likelihood ratio comes from.
    traced_length, traced_half_width : float
        Length in mm along the fret over which a boundary was seen, and its widest half-width there.
    tone : float
        The flat's tone, mean over its area.
    faint_ends : (float, float)
        Length in mm at the treble and the bass end over which its tone comes near the crown's.
    rivals : tuple of ndarray, shape (7,) each
        Other outlines that explain the picture nearly as well.
    u_sides, u_ends : float
        Standard uncertainties, mm, of the width from what narrower and wider outlines explain, and of the length from
        what outlines with another end do.
    row_by_row : ndarray, shape (7,), or None
        The outline where the flat may show each row in another tone, of one so short and deep that it does.
    """

    params: Floats
    cov: Floats
    log_ratio: float
    side_shares: tuple[float, float]
    shift_effect: Floats
    bloom_effect: Floats
    hidden: float
    visible_both_sides: bool
    rows: float
    traced_length: float
    traced_half_width: float
    tone: float
    faint_ends: tuple[float, float] = (0.0, 0.0)
    rivals: tuple[Floats, ...] = ()
    u_sides: float = 0.0
    u_ends: float = 0.0
    row_by_row: Floats | None = None

    @property
    def middle(self) -> float:
        """Half-way between the flat's ends, from the treble end, mm."""
        return float(self.params[FlatParam.MIDDLE])

    @property
    def place(self) -> float:
        """Where the flat is widest, from the treble end, mm."""
        return self.middle - self.half_length * float(self.params[FlatParam.SKEW])

    @property
    def half_length(self) -> float:
        """Half of the length over which there is any flat, mm."""
        return math.exp(float(self.params[FlatParam.LN_HALF_LENGTH]))

    @property
    def width(self) -> float:
        """Greatest width, mm."""
        return math.exp(float(self.params[FlatParam.LN_WIDTH]))

    def u_by_moved(self, moved: Sequence[tuple[float, float]], per_u: float) -> float:
        """Standard uncertainty, mm, from how far moved outlines are off and the evidence each has left; at most half.

        A standard uncertainty loses `per_u` of it: a half says a normal distribution. Where less than four times as
        much is lost, as for U, both outlines are as likely.
        """
        return max(abs(by) / math.sqrt(max(4.0, (self.log_ratio - left) / per_u)) for by, left in moved)


def starting_outline(span: FlatSpan) -> Floats:
    """A plain hollow's outline, shape (7,), of a rough place, length and width."""
    return np.array([span.place, math.log(span.half_length), math.log(2.0 * span.half_width), *[0.0] * 4])


def fit_outlines(
    view: CrownView,
    reference: ReferenceCrown,
    arc: CrownArc,
    starts: Sequence[Floats],
    extents: Sequence[tuple[float, float]],
    steps: tuple[int, int] = (0, STEPS),
) -> list[FlatOutline]:
    """Fit a flat from each start (7,): damped Gauss-Newton, Cauchy weights, soft boundaries first.

    `extents` are the first and the last place along the fret, mm, whose rows are fitted to; `steps` those taken of all,
    first and last. Where the residuals at the boundaries are larger than the noise, the weights fall by their ratio
    (Birge), so that the priors keep theirs. No flat affects another; fitted together they take less time.
    """
    if not starts:
        return []
    p, w, weights = _stepped(view, reference, arc, starts, extents, steps)
    return _with_statistics(p, w, reference, _prior(arc), weights, view)


def rough_fits(
    view: CrownView,
    reference: ReferenceCrown,
    arc: CrownArc,
    starts: Sequence[Floats],
    extents: Sequence[tuple[float, float]],
    together: bool = True,
    held: Sequence[Sequence[FlatParam]] | None = None,
) -> list[tuple[Floats, float]]:
    """The first `ROUGH_STEPS` of the same fit: the outline (7,) each start comes to, and its log likelihood ratio.

    Unless rows are taken `together`, each shows the flat in a tone of its own. Parameters named in `held`, start by
    start, stay as they are.
    """
    if not starts:
        return []
    p, w, weights = _stepped(view, reference, arc, starts, extents, (0, ROUGH_STEPS), together, held)
    picture = draw_flats(p, w, 0.0, *weights)
    log_ratio = _log_ratio_by_row(w, picture, reference, view).sum(axis=1)
    return list(zip(p, log_ratio.tolist(), strict=True))


def _prior(arc: CrownArc) -> Floats:
    """Weights that draw the parameters to 0, shape (7,)."""
    spread = np.array([np.inf, np.inf, np.inf, arc.u_centre, EXPONENT_SD, SKEW_SD, BLUNTNESS_SD])
    return np.asarray(spread**-2.0)


def _stepped(
    view: CrownView,
    reference: ReferenceCrown,
    arc: CrownArc,
    starts: Sequence[Floats],
    extents: Sequence[tuple[float, float]],
    steps: tuple[int, int],
    together: bool = True,
    held: Sequence[Sequence[FlatParam]] | None = None,
) -> tuple[Floats, Windows, tuple[Singles, Singles]]:
    """Outlines after these steps, their windows, and the last weights and steps into saturation."""
    p = np.array(starts)
    w = windows_of(view, reference, arc, np.exp(p[:, FlatParam.LN_HALF_LENGTH]), extents, together)
    prior, (lower, upper) = _prior(arc), _bounds(view, arc)
    longest = np.tile(_LONGEST_STEP, (len(p), 1))
    for i, params in enumerate(held or ()):
        longest[i, list(params)] = 0.0
    weight, saturation_step = np.array(w.weight), np.zeros_like(w.tone)
    on, left = np.arange(len(p)), w
    for step in range(*steps):
        picture = draw_flats(p[on], left, _SOFT if step == 0 else 0.0, weight[on], saturation_step[on])
        residual = left.tone - picture.tone
        robust = _robust(residual, picture.jac, left)
        weight[on], saturation_step[on] = robust, picture.saturation_step
        normal, slope = _normal(picture.jac, robust, residual)
        diagonal = np.einsum("fii->fi", normal)  # a view: what is added to it is added to `normal`
        diagonal += prior
        diagonal *= _DAMPED
        diagonal += 1e-6
        diagonal += _HELD * (longest[on] == 0.0)
        move = np.linalg.solve(normal, (slope - prior * p[on])[..., None])[..., 0]
        move = np.minimum(np.maximum(move, -longest[on]), longest[on])
        p[on] = np.minimum(np.maximum(p[on] + move, lower), upper)
        moving = np.abs(move).max(axis=1) >= _SETTLED
        if step > 1 and not moving.all():
            on, left = on[moving], left.of(moving)
        if not len(on):
            break
    return p, w, (weight, saturation_step)


def _bounds(view: CrownView, arc: CrownArc) -> tuple[Floats, Floats]:
    """Least and greatest values of an outline's parameters, shape (7,) each."""
    ends = view.along_mm[[0, -1]]
    (short, long), narrow = _HALF_LENGTHS_MM, _LEAST_WIDTH_MM
    form = np.array([_OFF_CENTRE_MM, _LN_EXPONENT, MOST_SKEW, _LN_BLUNTNESS])
    lower = np.array([ends[0] - _BEYOND_MM, math.log(short), math.log(narrow), *-form])
    upper = np.array([ends[1] + _BEYOND_MM, math.log(long), math.log(arc.width), *form])
    return lower, upper


def _normal(jac: Singles, weight: Singles, *residuals: Singles) -> tuple[Floats, ...]:
    """J^T W J (flats, 7, 7), and J^T W r (flats, 7) of each of the residuals."""
    n = len(jac)
    flat = jac.reshape(n, len(FlatParam), -1)
    weighted = flat * weight.reshape(n, 1, -1)
    by = (weighted @ flat.swapaxes(1, 2)).astype(float)
    return by, *((weighted @ r.reshape(n, -1, 1))[..., 0].astype(float) for r in residuals)


def _robust(residual: Singles, jac: Singles, w: Windows) -> Singles:
    """Weights times Cauchy's of scale 3 sigma, over the Birge ratio of the cells that place the boundaries."""
    z2 = residual * residual
    z2 *= w.weight_of_one
    information = jac[:, FlatParam.LN_WIDTH] * jac[:, FlatParam.LN_WIDTH]
    information *= w.weight
    excess = np.einsum("fij,fij->f", information, np.minimum(z2, np.float32(_MOST_SIGMAS**2)))
    birge = np.maximum(1.0, excess / (information.sum(axis=(1, 2)) + 1e-9))[:, None, None]
    z2 *= birge / _CAUCHY_SIGMAS**2
    z2 += birge
    return np.asarray(np.divide(w.weight, z2, out=z2))


def _with_statistics(
    p: Floats, w: Windows, reference: ReferenceCrown, prior: Floats, last: tuple[Singles, Singles], view: CrownView
) -> list[FlatOutline]:
    """Covariance, log likelihood ratio against the unworn crown, and where the knowledge of the width comes from."""
    picture = draw_flats(p, w, 0.0, *last)
    information = picture.jac[:, FlatParam.LN_WIDTH] ** 2 * last[0]
    correlation = _residual_correlation((w.tone - picture.tone) * np.sqrt(information), reference.noise_correlation)
    side = np.sign(w.t - single_precision(p)[:, FlatParam.CENTRE, None, None])
    across, along = picture.jac[:, FlatParam.CENTRE], picture.jac[:, FlatParam.MIDDLE]
    outward = np.copysign(np.hypot(across, along), across * side)  # square to the boundary
    normal, shift_effect, bloom_effect = _normal(
        picture.jac, last[0] / correlation[:, None, None], outward, outward * np.abs(picture.saturation_step)
    )
    cov = np.asarray(np.linalg.inv(normal + np.diag(prior) + 1e-9 * np.eye(len(FlatParam))), dtype=float)
    log_ratio = _log_ratio_by_row(w, picture, reference, view)
    by_row = information.sum(axis=2)
    nutward = np.sum(information * (side < 0), axis=(1, 2)) / (by_row.sum(axis=1) + 1e-12)
    out = []
    for i, q in enumerate(p):
        h = math.exp(q[FlatParam.LN_HALF_LENGTH])
        ahead = (view.along_mm[view.clear] - q[FlatParam.MIDDLE]) / h
        before, after = (float(np.sum((x > 0.0) & (x < 1.0))) * view.row_mm / (2.0 * h) for x in (-ahead, ahead))
        area = half_widths(q, w.y[i, :, 0].astype(float), w.radius).clip(0.0)
        traced_rows = np.flatnonzero(by_row[i] > _TRACED * by_row[i].max())
        up = log_ratio[i].clip(0.0)
        out.append(
            FlatOutline(
                q,
                cov[i],
                float(log_ratio[i].sum()),
                side_shares=(float(nutward[i]), 1.0 - float(nutward[i])),
                shift_effect=cov[i] @ shift_effect[i],
                bloom_effect=cov[i] @ bloom_effect[i],
                hidden=1.0 - min(1.0, before + after),
                visible_both_sides=min(before, after) > 0.1,
                rows=float(up.sum() ** 2 / (np.sum(up**2) + 1e-9)),
                traced_length=float(len(traced_rows)) * view.row_mm,
                traced_half_width=float(area[traced_rows].max()),
                tone=math.sqrt(float(np.sum(picture.flat_light[i, :, 0] * area)) / (float(area.sum()) + 1e-9)),
                faint_ends=_faint_ends(picture.flat_light[i, :, 0], area, w, i, view.row_mm),
            )
        )
    return out


def _faint_ends(light: Singles, half: Floats, w: Windows, i: int, row_mm: float) -> tuple[float, float]:
    """How far from either end of one flat, mm, its tone comes near the crown's; `light` and `half` width are by row.

    The outermost row that shows it may hold any part of it, and counts elsewhere.
    """
    rows = np.flatnonzero(half >= FLAT_FROM_MM / 2.0)
    if not len(rows):
        return 0.0, 0.0
    inside = np.abs(w.t) < half[rows, None]
    crown = np.sum(w.reference[i, rows] * inside, axis=1) / np.maximum(inside.sum(axis=1), 1)
    departs = np.abs(np.sqrt(light[rows]) - crown)
    shown = np.flatnonzero(departs > _FAINT * np.mean(departs[departs >= np.median(departs)]))
    first, last = max(0, int(shown[0]) - 1), max(0, len(rows) - int(shown[-1]) - 2)
    return first * row_mm, last * row_mm


def _log_ratio_by_row(w: Windows, picture: FlatPicture, reference: ReferenceCrown, view: CrownView) -> Floats:
    """Row by row, by how much the flat explains the tones better than the unworn crown does (log likelihood ratio).

    What a boundary misplaced by its own uncertainty would do to a tone is allowed for. No single cell counts beyond
    `CELL_SIGMAS`, so that none outweighs many.
    """
    slack = picture.jac[:, FlatParam.CENTRE] * (U_EDGE * view.blur_mm)
    most = CELL_SIGMAS**2 / reference.noise_correlation
    plain = (w.tone - w.reference) ** 2 * w.weight
    worn = (w.tone - picture.tone) ** 2 * (w.weight / (1.0 + w.weight * slack**2))
    return np.asarray(0.5 * np.sum(np.minimum(plain, most) - np.minimum(worn, most), axis=2), dtype=float)


def _residual_correlation(z: Singles, noise_correlation: float) -> Singles:
    """How much more than `noise_correlation` the residuals `z` at each flat's boundaries hang together, at least 1.

    By the lag-one correlations along and across, each as for a first-order autoregression: (1 + r) / (1 - r).
    """
    power = np.einsum("fij,fij->f", z, z) + 1e-12
    along = np.einsum("fij,fij->f", z[:, 1:], z[:, :-1]) / power
    across = np.einsum("fij,fij->f", z[..., 1:], z[..., :-1]) / power
    r = np.clip([along, across], 0.0, 0.9)
    return single_precision(np.maximum(1.0, np.prod((1.0 + r) / (1.0 - r), axis=0) / noise_correlation))


def moved_outlines(params: Floats) -> list[Floats]:
    """The outline narrower, wider, and with either end moved in or out, the other held."""
    one = np.eye(len(FlatParam))
    moved = [params + math.log(1.0 + by) * one[FlatParam.LN_WIDTH] for by in (-_SIDE_MOVED, _SIDE_MOVED)]
    for end in (-1.0, 1.0):
        for by in (-_END_MOVED, _END_MOVED):
            other = params + math.log(1.0 + by) * one[FlatParam.LN_HALF_LENGTH]
            other[FlatParam.MIDDLE] += end * by * math.exp(params[FlatParam.LN_HALF_LENGTH])
            moved.append(other)
    return moved
