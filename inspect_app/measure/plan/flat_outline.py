"""The outline of one worn flat, fitted to the picture of its crown.

A crown is a circular arc of radius r; a hollow whose floor lies ``d(s)`` below the unworn top cuts it along two lines
``a(s) = sqrt(2 r d - d^2)`` to either side of the centre line. A smooth hollow ``d = D (1 - s^2)^(2 q)``, s from -1 to
1 along the fret, gives ``a`` close to ``(f / 2) (1 - s^2)^q``: two boundaries that bulge outwards and meet. ``q`` is 1
for a plain hollow; a prior about 1 allows blunter and sharper ones and carries that doubt into the uncertainty.

Between the boundaries the picture shows, row by row, one even tone (a facet is a plane mirror across the fret, tilted
only along it); outside them the unworn crown. The photo blurs light, not tone, and blurs it after the flat has taken a
part of the crown's bands away: so the crown's own blur is undone first, and done again on what is left of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspect_app.instrument.crown import arc_radius, sagitta
from inspect_app.measure.plan.reference_crown import BURNT, CrownView, Unworn

__all__ = [
    "CrownArc",
    "FlatSpan",
    "FlatOutline",
    "fit_outlines",
    "half_widths",
    "BLUR_PX",
    "U_BLOOM",
    "U_EDGE_PX",
    "EXPONENT_SD",
]

BLUR_PX = 1.0
"""Standard deviation of a sharp photo's edges, pixels (common practice, no source)."""
U_EDGE_PX = 0.3
"""Standard uncertainty of where a boundary is placed, pixels, the same on both sides: sharpening by the camera and a
burnished or rolled edge move both outwards or inwards together (common practice, no source)."""
_BLOOM = 0.87
"""A burnt-out tone moves its blurred boundary outwards. Overexposed X times, a blurred step is seen half-way where the
brighter side has the share 1/(2 X). With X from 1 to 8 (three stops), evenly in ln X, that point lies 0.87 blurs out on
average, with a standard deviation of 0.47 blurs."""
U_BLOOM = 0.47
EXPONENT_SD = 0.15
"""Spread of ln q about 0: from blunt hollows, (1 - s^2)^0.74 at -2 sd, to pointed ones, (1 - s^2)^1.35."""
_SMOOTH = 0.01
"""Weight of squared second differences when the blur is undone: detail finer than about two columns is left."""
_STEPS = 5
_SOFT = 0.05
"""Extra softness of the boundary in the first step, mm: about the coarse start's own error."""
_SETTLED = 0.01
"""Steps end when no logarithm or millimetre moves by more: a fraction of any uncertainty stated."""
_LONGEST_STEP = np.array([0.4, 0.25, 0.25, 0.05, 0.2])
_TRACED = 0.1
"""A row whose boundaries tell less than this share of what the best row's tell of the width is not traced."""
_EVEN = 0.1
"""A flat's own tone is found from the rows within this share of its half-length together, one to two rows on either
side: it changes along the hollow, faster in a short one, but not from row to row. From 0.10 to 0.16 lengths and widths
on rendered photos are off by the same; with two rows on either side of any flat, short deep ones are lost."""
_FAR_MM = 100.0
"""Rows that a flat's window has not are put so far beyond the last: farther than any flat reaches."""
_TWICE_SQRT_PI = 2.0 * math.sqrt(math.pi)

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Reals = NDArray[np.floating]


@dataclass(frozen=True)
class CrownArc:
    """Width, unworn height and radius of the crown, mm, with standard uncertainties.

    `u_centre` is that of the centre line's place across; `radius` is known only where the height was.
    """

    width: float
    height: float
    u_height: float
    u_radius: float
    u_centre: float
    height_known: bool

    @cached_property
    def radius(self) -> float:
        """Of the arc through the crown's top and both edges, mm."""
        return arc_radius(self.width, self.height)

    def depth(self, half_width: Floats | float) -> Floats:
        """How far below the arc's top a chord of this half-width lies, mm."""
        return sagitta(np.minimum(np.abs(half_width), 0.999 * self.radius), self.radius)

    def depth_of(self, half_width: float) -> float:
        """The same of one chord."""
        return float(self.depth(half_width))


@dataclass(frozen=True)
class FlatSpan:
    """Rows ``[first, last)`` that look like a flat; place, half-length and half-width (mm) that suit them best.

    `evidence` is a log likelihood ratio.
    """

    first: int
    last: int
    place: float
    half_length: float
    half_width: float
    evidence: float


@dataclass(frozen=True)
class FlatOutline:
    """A fitted flat.

    Attributes
    ----------
    params : ndarray, shape (5,)
        Place along (mm), ln half-length, ln greatest width (mm), centre across (mm), ln q.
    cov : ndarray, shape (5, 5)
        Of `params`, from the noise about the fit.
    gain : float
        Log likelihood ratio against the unworn crown.
    sides : tuple of float
        Share of the knowledge of the width that either boundary gives (towards the nut, towards the body).
    moved, bloomed : ndarray, shape (5,)
        Change of `params` for each mm by which the boundaries lie further out than they should: all of them, and those
        where one of the two tones is burnt out.
    hidden : float
        Share of the length that no clear row shows.
    both_ways : bool
        Whether some of it, a tenth of the length at least, shows on both sides of its middle.
    rows : float
        Effective number of rows the gain comes from.
    traced : (float, float)
        Length in mm along the fret over which a boundary was seen, and its widest half-width there.
    tone : float
        The flat's tone, mean over its area.
    """

    params: Floats
    cov: Floats
    gain: float
    sides: tuple[float, float]
    moved: Floats
    bloomed: Floats
    hidden: float
    both_ways: bool
    rows: float
    traced: tuple[float, float]
    tone: float

    @property
    def place(self) -> float:
        """Middle of the flat from the treble end, mm."""
        return float(self.params[0])

    @property
    def half_length(self) -> float:
        """Half of the length over which there is any flat, mm."""
        return math.exp(float(self.params[1]))

    @property
    def width(self) -> float:
        """Greatest width, mm."""
        return math.exp(float(self.params[2]))


def half_widths(params: Floats, along: Floats, radius: float) -> Floats:
    """Half-width in mm of the flat at places along the fret; negative beyond its ends."""
    s = (along - params[0]) / math.exp(params[1])
    return np.asarray(_half_widths(1.0 - s * s, math.exp(params[2]), math.exp(params[4]), radius), dtype=float)


def _half_widths(g: Reals, width: Reals | float, q: Reals | float, radius: float) -> Reals:
    shape = np.maximum(np.copysign(np.maximum(np.abs(g), 1e-4) ** q, g), -1.0)
    deepest = radius - np.sqrt(np.maximum(radius**2 - width * width / 4.0, 0.01 * radius**2))
    least = width * width / (4.0 * (2.0 * radius - deepest))
    return np.asarray(shape * np.sqrt(2.0 * radius * least - deepest * least * shape * shape))


@dataclass(frozen=True)
class _Windows:
    """The parts of the view that flats are fitted in: arrays of shape (flats, rows, columns), or broadcastable to it.

    All have as many rows as the longest; those that a flat's window has not weigh nothing and lie far away. `shown` is
    the light of `tone`, its square; `weight` allows for the bunching of the noise, `weight_of_one` does not; `even`
    (flats, 1) is by how much the tones of the rows next but one count for a row's.
    """

    y: Singles
    t: Singles
    tone: Singles
    shown: Singles
    unworn: Singles
    light: Singles
    sharp: Singles
    rest: Singles
    weight: Singles
    weight_of_one: Singles
    burnt: Singles
    spread: Singles
    even: Singles
    blur: float
    column: float
    lean: float
    radius: float


def _windows(
    view: CrownView, unworn: Unworn, arc: CrownArc, spans: Sequence[FlatSpan], limits: Sequence[tuple[float, float]]
) -> _Windows:
    ends = []
    for span, (low, high) in zip(spans, limits, strict=True):
        far = 1.3 * span.half_length + 0.4
        ends.append(np.searchsorted(view.along_mm, [max(low, span.place - far), min(high, span.place + far)]))
    first, last = np.array(ends).T
    rows = first[:, None] + np.arange(int(np.max(last - first)))
    inside = rows < last[:, None]
    rows = np.minimum(rows, len(view.along_mm) - 1)
    blur = BLUR_PX * view.pixel_mm
    spread, sharpen = _optics(len(view.across_mm), round(blur / view.column_mm, 6))
    light = unworn.tone**2
    sharp = light @ sharpen
    weight = _single(1.0 / unworn.sigma**2) * _single(inside & view.clear[rows])[..., None]
    tone = _single(view.tone)[rows]
    return _Windows(
        y=_single(np.where(inside, view.along_mm[rows], view.along_mm[-1] + _FAR_MM))[..., None],
        t=_single(view.across_mm),
        tone=tone,
        shown=tone**2,
        unworn=_single(unworn.tone)[rows],
        light=_single(light)[rows],
        sharp=_single(sharp)[rows],
        rest=_single(light - sharp @ spread)[rows],
        weight=weight / np.float32(unworn.bunching),
        weight_of_one=weight,
        burnt=_single(unworn.tone > BURNT)[rows],
        spread=_single(spread),
        even=_single([[min(max(_EVEN * s.half_length / view.row_mm - 1.0, 0.0), 1.0)] for s in spans]),
        blur=blur,
        column=view.column_mm,
        lean=view.lean,
        radius=arc.radius,
    )


def _single(a: ArrayLike) -> Singles:
    return np.asarray(a, dtype=np.float32)


@lru_cache(maxsize=128)  # a window is some 20 to 100 columns wide
def _optics(columns: int, sigma: float) -> tuple[Floats, Floats]:
    """Matrices that blur rows of so many columns, and that undo it; rows of light are multiplied by them.

    The blur is a Gaussian of `sigma` columns that keeps each row's light; it is undone by least squares with a weight
    on second differences (Tikhonov regularisation).
    """
    x = np.arange(columns)
    k = np.exp(-0.5 * ((x[:, None] - x) / max(sigma, 0.1)) ** 2)
    spread = k / k.sum(axis=0)
    bend = np.diff(np.eye(columns), 2, axis=0)
    sharpen = np.linalg.solve(spread @ spread.T + _SMOOTH * bend.T @ bend, spread).T
    for a in (spread, sharpen):
        a.flags.writeable = False
    return spread, sharpen


@dataclass(frozen=True)
class _Picture:
    """What windows should show with given flats.

    `tone` (flats, rows, columns) is expected, `jac` (flats, 5, rows, columns) its derivatives, `own` (flats, rows, 1)
    the flat's light row by row, `clash` 1 where the flat is burnt out and the crown is not, -1 the other way round.
    """

    tone: Singles
    jac: Singles
    own: Singles
    clash: Singles


def _model(p: Floats, w: _Windows, soft: float, weight: Singles, clash: Singles) -> _Picture:
    """The picture of flats `p` (flats, 5), their boundaries softened by `soft` mm beyond the photo's blur.

    A flat's own light in each row is the one that fits best together with its neighbours', each cell with its
    `weight`. `clash` is that of the round before.
    """
    y0, ln_h, ln_f, c, ln_q = _single(p).T[:, :, None, None]
    h, f, q = np.exp(ln_h), np.exp(ln_f), np.exp(ln_q)
    s = (w.y - y0) / h
    g = 1.0 - s * s
    size = np.maximum(np.abs(g), np.float32(1e-3))
    by_s = (f * q) * size ** (q - 1.0) * s
    a = _half_widths(g, f, q, w.radius)
    inside = np.minimum(np.maximum(a, 0.0), 0.95 * w.radius)
    off = w.t - (c + w.lean * (w.radius - np.sqrt(w.radius**2 - inside**2)))
    rim = a - np.abs(off)
    slant = np.minimum((w.blur / h) * np.abs(by_s), 2.0 * w.blur)
    slant = slant * slant + soft**2
    reach = np.sqrt(12.0 * slant + 12.0 * (0.3 * w.column) ** 2)  # an even spread of that variance
    mask = (rim + (_BLOOM * w.blur) * clash) / reach
    mask += 0.5
    np.minimum(np.maximum(mask, 0.0, out=mask), 1.0, out=mask)
    cover = mask @ w.spread
    left = w.light - (mask * w.sharp) @ w.spread - cover * w.rest
    part = weight * cover
    num, den = _near_sums(part, w.shown - left, w.even), _near_sums(part, cover, w.even)
    own = np.minimum(np.maximum(num / (den + 1e-9), 1e-4), 1.0)
    left += cover * own
    tone = np.sqrt(np.minimum(np.maximum(left, 1e-6, out=left), 1.0, out=left))
    width = np.sqrt(2.0 * slant + 2.0 * w.blur**2)
    z = rim / width
    z *= z
    rise = (own - w.sharp) * np.exp(np.negative(z, out=z), out=z)
    rise /= (_TWICE_SQRT_PI * width) * np.maximum(tone, 0.05)
    edge = (by_s / h, by_s * s, a, np.sign(off), a * np.log(size) * q)
    jac = np.empty((len(p), 5, *rise.shape[1:]), dtype=np.float32)
    for k, e in enumerate(edge):
        np.multiply(e, rise, out=jac[:, k])
    return _Picture(tone, jac, own, (own > BURNT**2) - w.burnt)


def _near_sums(part: Singles, other: Singles, even: Singles) -> Singles:
    """Sums of a product by row, (flats, rows, 1), with the rows beside it and, by the share `even`, the next."""
    rows = np.zeros((part.shape[0], part.shape[1] + 4), dtype=np.float32)
    np.einsum("fij,fij->fi", part, other, out=rows[:, 2:-2])
    near = rows[:, 1:-3] + rows[:, 2:-2] + rows[:, 3:-1]
    near += even * (rows[:, :-4] + rows[:, 4:])
    return near[..., None]


def fit_outlines(
    view: CrownView, unworn: Unworn, arc: CrownArc, spans: Sequence[FlatSpan], limits: Sequence[tuple[float, float]]
) -> list[FlatOutline]:
    """Fit a flat to the rows around each span: damped Gauss-Newton, Cauchy weights, soft boundaries first.

    `limits` are the places along the fret beyond which other flats lie. Where the residuals at the boundaries are
    larger than the noise, the weights fall by their ratio (Birge), so that the priors keep their say. The flats do not
    know of each other; fitted together they take less time.
    """
    if not spans:
        return []
    w = _windows(view, unworn, arc, spans, limits)
    p = np.array([[s.place, math.log(s.half_length), math.log(2.0 * s.half_width), 0.0, 0.0] for s in spans])
    prior = np.array([0.0, 0.0, 0.0, 1.0 / arc.u_centre**2, 1.0 / EXPONENT_SD**2])
    ends = view.along_mm[[0, -1]]
    lower = np.array([ends[0] - 1.0, math.log(0.3), math.log(0.1), -0.2, -0.7])
    upper = np.array([ends[1] + 1.0, math.log(60.0), math.log(arc.width), 0.2, 0.7])
    weight, clash = w.weight, np.zeros_like(w.tone)
    for step in range(_STEPS):
        seen = _model(p, w, _SOFT if step == 0 else 0.0, weight, clash)
        clash = seen.clash
        residual = w.tone - seen.tone
        weight = _robust(residual, seen.jac, w)
        normal, slope = _normal(seen.jac, weight, residual)
        own = np.einsum("fii->fi", normal)
        own += prior
        own *= 1.01
        own += 1e-6
        move = np.linalg.solve(normal, (slope - prior * p)[..., None])[..., 0]
        move = np.minimum(np.maximum(move, -_LONGEST_STEP), _LONGEST_STEP)
        p = np.minimum(np.maximum(p + move, lower), upper)
        if step > 1 and np.abs(move).max() < _SETTLED:
            break
    return _judged(p, w, unworn, prior, (weight, clash), view)


def _normal(jac: Singles, weight: Singles, *residuals: Singles) -> tuple[Floats, ...]:
    """J^T W J (flats, 5, 5), and J^T W r (flats, 5) of each of the residuals."""
    n = len(jac)
    flat = jac.reshape(n, 5, -1)
    weighted = flat * weight.reshape(n, 1, -1)
    by = (weighted @ flat.swapaxes(1, 2)).astype(float)
    return by, *((weighted @ r.reshape(n, -1, 1))[..., 0].astype(float) for r in residuals)


def _robust(residual: Singles, jac: Singles, w: _Windows) -> Singles:
    """Weights times Cauchy's of scale 3 sigma, over the Birge ratio of the cells that place the boundaries."""
    z2 = residual * residual
    z2 *= w.weight_of_one
    told = jac[:, 2] * jac[:, 2]
    told *= w.weight
    excess = np.einsum("fij,fij->f", told, np.minimum(z2, np.float32(25.0)))
    birge = np.maximum(1.0, excess / (told.sum(axis=(1, 2)) + 1e-9))[:, None, None]
    z2 *= birge / 9.0
    z2 += birge
    return np.asarray(np.divide(w.weight, z2, out=z2))


def _judged(
    p: Floats, w: _Windows, unworn: Unworn, prior: Floats, last: tuple[Singles, Singles], view: CrownView
) -> list[FlatOutline]:
    """Covariance, gain over the unworn crown, and where the knowledge of the width comes from."""
    seen = _model(p, w, 0.0, *last)
    told = seen.jac[:, 2] ** 2 * last[0]
    grain = _grain((w.tone - seen.tone) * np.sqrt(told), unworn.bunching)
    side = np.sign(w.t - _single(p)[:, 3, None, None])
    outward = seen.jac[:, 3] * side
    normal, moved, bloomed = _normal(seen.jac, last[0] / grain[:, None, None], outward, outward * np.abs(seen.clash))
    cov = np.asarray(np.linalg.inv(normal + np.diag(prior) + 1e-9 * np.eye(5)), dtype=float)
    gain = _gain(w, seen.tone, seen.jac[:, 3] * (U_EDGE_PX * view.pixel_mm), 16.0 / unworn.bunching)
    by_row = told.sum(axis=2)
    nutward = np.sum(told * (side < 0), axis=(1, 2)) / (by_row.sum(axis=1) + 1e-12)
    out = []
    for i, q in enumerate(p):
        h = math.exp(q[1])
        ahead = (view.along_mm[view.clear] - q[0]) / h
        before, after = (float(np.sum((x > 0.0) & (x < 1.0))) * view.row_mm / (2.0 * h) for x in (-ahead, ahead))
        area = half_widths(q, w.y[i, :, 0].astype(float), w.radius).clip(0.0)
        seen_rows = np.flatnonzero(by_row[i] > _TRACED * by_row[i].max())
        up = gain[i].clip(0.0)
        out.append(
            FlatOutline(
                q,
                cov[i],
                float(gain[i].sum()),
                sides=(float(nutward[i]), 1.0 - float(nutward[i])),
                moved=cov[i] @ moved[i],
                bloomed=cov[i] @ bloomed[i],
                hidden=1.0 - min(1.0, before + after),
                both_ways=min(before, after) > 0.1,
                rows=float(up.sum() ** 2 / (np.sum(up**2) + 1e-9)),
                traced=(float(len(seen_rows)) * view.row_mm, float(area[seen_rows].max())),
                tone=math.sqrt(float(np.sum(seen.own[i, :, 0] * area)) / (float(area.sum()) + 1e-9)),
            )
        )
    return out


def _gain(w: _Windows, tone: Singles, slack: Singles, most: float) -> Floats:
    """Row by row, by how much the flat explains the tones better than the unworn crown does (log likelihood ratio).

    `slack` is what a boundary misplaced by its own uncertainty would do to the tone. No single cell counts beyond
    `most`, four standard deviations squared, so that none speaks for many.
    """
    plain = (w.tone - w.unworn) ** 2 * w.weight
    worn = np.where(w.weight > 0, (w.tone - tone) ** 2 / (1.0 / np.maximum(w.weight, 1e-9) + slack**2), 0.0)
    return np.asarray(0.5 * np.sum(np.minimum(plain, most) - np.minimum(worn, most), axis=2), dtype=float)


def _grain(z: Singles, bunching: float) -> Singles:
    """How much more than `bunching` the residuals `z` at each flat's boundaries hang together, at least 1.

    By the lag-one correlations along and across, each as for a first-order autoregression: (1 + r) / (1 - r).
    """
    power = np.einsum("fij,fij->f", z, z) + 1e-12
    along = np.einsum("fij,fij->f", z[:, 1:], z[:, :-1]) / power
    across = np.einsum("fij,fij->f", z[..., 1:], z[..., :-1]) / power
    r = np.clip([along, across], 0.0, 0.9)
    return _single(np.maximum(1.0, np.prod((1.0 + r) / (1.0 - r), axis=0) / bunching))
