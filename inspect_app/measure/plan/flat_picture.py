"""How a worn flat shows in the picture of its crown.

A crown is a circular arc of radius r; a hollow whose floor lies ``d(s)`` below the unworn top cuts it along two lines
``a(t) = sqrt(2 r d - d^2)`` to either side of the centre line. A hollow ``d = D (1 - |t|^p)^(2 q)``, t from -1 to 1
along the fret and 0 where it is deepest, gives ``a`` close to ``(f / 2) (1 - |t|^p)^q``: two boundaries that bulge
outwards and meet. A plain hollow has p = 2 and q = 1; one with a flat floor, as a wound string wears it, a larger p; a
narrow one, as a plain string cuts it, a larger q; and a lopsided one has its deepest place off its middle. Priors about
the plain hollow allow for all of these and carry them into the uncertainty.

Between the boundaries the picture shows, row by row, one even tone (a facet is a plane mirror across the fret, tilted
only along it); outside them the unworn crown. The photo blurs light, not tone, and blurs it after the flat has taken a
part of the crown's bands away: so the crown's own blur is undone first, and done again on what is left of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from inspect_app.measure.plan.crown_arc import CrownArc
from inspect_app.measure.plan.reference_crown import CrownView, ReferenceCrown

__all__ = ["FlatParam", "FlatSpan", "FlatPicture", "Windows", "draw_flats", "half_widths", "windows_of"]

_BLOOM = 0.87
"""A burnt-out tone moves its blurred boundary outwards. Overexposed X times, a blurred step is seen half-way where the
brighter side has the share 1/(2 X). With X from 1 to 8 (three stops), evenly in ln X, that point lies 0.87 blurs out on
average, with a standard deviation of 0.47 blurs."""
_SMOOTH = 0.01
"""Weight of squared second differences when the blur is undone: detail finer than about two columns is left."""
_EVEN = 0.1
"""A flat's own tone is found from the rows within this share of its half-length together, one to two rows on either
side: it changes along the hollow, faster in a short one, but not from row to row. From 0.10 to 0.16 lengths and widths
on rendered photos are off by the same; with two rows on either side of any flat, short deep ones are lost."""
_FAR_MM = 100.0
"""Rows that a flat's window has not are put so far beyond the last: farther than any flat reaches."""
_TWICE_SQRT_PI = 2.0 * math.sqrt(math.pi)
"""Of a normal density, written with the root of twice its variance; halved, for tones are square roots of light."""

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Reals = NDArray[np.floating]


class FlatParam(IntEnum):
    """What a flat's outline is given by, in the order of its arrays; mm, and logarithms of mm or of the exponents.

    Its middle lies half-way between its ends; it is widest the share `SKEW` of its half-length towards the treble end
    of there. `LN_EXPONENT` is ln q, `LN_BLUNTNESS` ln (p / 2).
    """

    MIDDLE = 0
    LN_HALF_LENGTH = 1
    LN_WIDTH = 2
    CENTRE = 3
    LN_EXPONENT = 4
    SKEW = 5
    LN_BLUNTNESS = 6


@dataclass(frozen=True)
class FlatSpan:
    """Place, half-length and half-width (mm) of a flat, roughly."""

    place: float
    half_length: float
    half_width: float


def half_widths(params: Floats, along: Floats, radius: float) -> Floats:
    """Half-width in mm of the flat at places along the fret; negative beyond its ends.

    Parameters
    ----------
    params : ndarray, shape (7,)
        By `FlatParam`.
    along : ndarray, shape (n,)
        Places along the fret, mm.
    radius : float
        Radius of the crown's arc, mm.

    Examples
    --------
    A flat 2 mm long and 1 mm wide on a crown of 2 mm radius:

    >>> params = np.array([10.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    >>> half_widths(params, np.array([9.0, 10.0, 10.5, 11.5]), 2.0).round(3).tolist()
    [0.0, 0.5, 0.376, -0.5]

    The same, widest at 9.6 mm:

    >>> params[FlatParam.SKEW] = 0.4
    >>> half_widths(params, np.array([9.0, 9.6, 10.3, 11.0]), 2.0).round(3).tolist()
    [0.0, 0.5, 0.376, 0.0]
    """
    middle, ln_half_length, ln_width, _, ln_q, skew, ln_blunt = params.tolist()
    t = _from_widest((along - middle) / math.exp(ln_half_length), skew)[0]
    g = 1.0 - np.abs(t) ** (2.0 * math.exp(ln_blunt))
    return np.asarray(_half_widths(g, math.exp(ln_width), math.exp(ln_q), radius), dtype=float)


def _from_widest(s: Reals, skew: Reals | float) -> tuple[Reals, Reals]:
    """Places s, -1 to 1 from end to end, counted from where the flat is widest, -1 to 1 too; and how fast they run."""
    rate = 1.0 / (1.0 + np.sign(s + skew) * skew)
    return (s + skew) * rate, rate


def _half_widths(g: Reals, width: Reals | float, q: Reals | float, radius: float) -> Reals:
    shape = np.maximum(np.copysign(np.maximum(np.abs(g), 1e-4) ** q, g), -1.0)
    deepest = radius - np.sqrt(np.maximum(radius**2 - width * width / 4.0, 0.01 * radius**2))
    least = width * width / (4.0 * (2.0 * radius - deepest))
    return np.asarray(shape * np.sqrt(2.0 * radius * least - deepest * least * shape * shape))


@dataclass(frozen=True)
class Windows:
    """The parts of the view that flats are fitted in: arrays of shape (flats, rows, columns), or broadcastable to it.

    All have as many rows as the longest; those that a flat's window has not weigh nothing and lie far away. `shown` is
    the light of `tone`, its square; `burnt_from` (flats, rows, 1) that from which it may be burnt out; `weight` allows
    for the correlation of the noise, `weight_of_one` does not; `even` (2, flats, 1) is by how much the tones of the
    rows beside a row count for its own, and those of the rows next but one.
    """

    y: Singles
    t: Singles
    tone: Singles
    shown: Singles
    reference: Singles
    light: Singles
    sharp: Singles
    rest: Singles
    weight: Singles
    weight_of_one: Singles
    burnt: Singles
    burnt_from: Singles
    spread: Singles
    even: Singles
    blur: float
    column: float
    parallax: float
    radius: float

    def of(self, flats: NDArray[np.bool_]) -> Windows:
        """The windows of some of the flats."""
        names = "y tone shown reference light sharp rest weight weight_of_one burnt burnt_from"
        return replace(self, even=self.even[:, flats], **{name: getattr(self, name)[flats] for name in names.split()})


def windows_of(
    view: CrownView,
    reference: ReferenceCrown,
    arc: CrownArc,
    half_lengths: Floats,
    extents: Sequence[tuple[float, float]],
    together: bool = True,
) -> Windows:
    """The windows between given places along the fret, mm, for flats of about these half-lengths (flats,), mm.

    Their own tone is found from rows `together`, or from each row alone.
    """
    two = np.clip(_EVEN * half_lengths / view.row_mm - 1.0, 0.0, 1.0)
    first, last = np.searchsorted(view.along_mm, np.array(extents)).T
    rows = first[:, None] + np.arange(int(np.max(last - first)))
    inside = rows < last[:, None]
    rows = np.minimum(rows, len(view.along_mm) - 1)
    spread, sharpen = _optics(len(view.across_mm), round(view.blur_mm / view.column_mm, 6))
    light = reference.tone**2
    sharp = light @ sharpen
    weight = single_precision(1.0 / reference.sigma**2) * single_precision(inside & view.clear[rows])[..., None]
    tone = single_precision(view.tone)[rows]
    return Windows(
        y=single_precision(np.where(inside, view.along_mm[rows], view.along_mm[-1] + _FAR_MM))[..., None],
        t=single_precision(view.across_mm),
        tone=tone,
        shown=tone**2,
        reference=single_precision(reference.tone)[rows],
        light=single_precision(light)[rows],
        sharp=single_precision(sharp)[rows],
        rest=single_precision(light - sharp @ spread)[rows],
        weight=weight / np.float32(reference.noise_correlation),
        weight_of_one=weight,
        burnt=single_precision(reference.tone > view.burnt_from[:, None])[rows],
        burnt_from=single_precision(view.burnt_from**2)[rows][..., None],
        spread=single_precision(spread),
        even=float(together) * single_precision([np.ones(len(two)), two])[..., None],
        blur=view.blur_mm,
        column=view.column_mm,
        parallax=view.parallax,
        radius=arc.radius,
    )


def single_precision(a: ArrayLike) -> Singles:
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
class FlatPicture:
    """What windows should show with given flats.

    `tone` (flats, rows, columns) is expected, `jac` (flats, 7, rows, columns) its derivatives by `FlatParam`.
    `flat_light` (flats, rows, 1) is the flat's own light row by row; `saturation_step` is 1 where the flat is burnt out
    and the crown is not, -1 the other way round, 0 elsewhere.
    """

    tone: Singles
    jac: Singles
    flat_light: Singles
    saturation_step: Singles


def draw_flats(p: Floats, w: Windows, soft: float, weight: Singles, saturation_step: Singles) -> FlatPicture:
    """The picture of flats `p` (flats, 7), their boundaries softened by `soft` mm beyond the photo's blur.

    A flat's own light in each row is the one that fits best together with its neighbours', each cell with its
    `weight`. `saturation_step` is that of the round before.
    """
    middle, ln_h, ln_f, c, ln_q, skew, ln_blunt = single_precision(p).T[:, :, None, None]
    h, f, q, power = np.exp(ln_h), np.exp(ln_f), np.exp(ln_q), 2.0 * np.exp(ln_blunt)
    s = (w.y - middle) / h
    t, rate = _from_widest(s, skew)
    far = np.maximum(np.abs(t), np.float32(1e-3))
    rise_of_t = far**power
    g = 1.0 - rise_of_t
    size = np.maximum(np.abs(g), np.float32(1e-3))
    by_g = (0.5 * f * q) * size ** (q - 1.0)
    by_s = by_g * power * (rise_of_t / far) * np.sign(t) * rate
    a = _half_widths(g, f, q, w.radius)
    inside = np.minimum(np.maximum(a, 0.0), 0.95 * w.radius)
    off = w.t - (c + w.parallax * (w.radius - np.sqrt(w.radius**2 - inside**2)))
    rim = a - np.abs(off)
    slant = np.minimum((w.blur / h) * np.abs(by_s), 2.0 * w.blur)
    slant = slant * slant
    bloom = _BLOOM * np.sqrt(w.blur**2 + slant)  # square to the boundary, hence more across where that is slanted
    slant += soft**2
    reach = np.sqrt(12.0 * slant + 12.0 * (0.3 * w.column) ** 2)  # an even spread of that variance
    mask = (rim + bloom * saturation_step) / reach
    mask += 0.5
    np.minimum(np.maximum(mask, 0.0, out=mask), 1.0, out=mask)
    cover = mask @ w.spread
    left = w.light - (mask * w.sharp) @ w.spread - cover * w.rest
    part = weight * cover
    num, den = _near_sums(part, w.shown - left, w.even), _near_sums(part, cover, w.even)
    flat_light = np.minimum(np.maximum(num / (den + 1e-9), 1e-4), 1.0)
    left += cover * flat_light
    tone = np.sqrt(np.minimum(np.maximum(left, 1e-6, out=left), 1.0, out=left))
    width = np.sqrt(2.0 * slant + 2.0 * w.blur**2)
    z = rim / width
    z *= z
    rise = (flat_light - w.sharp) * np.exp(np.negative(z, out=z), out=z)
    rise /= (_TWICE_SQRT_PI * width) * np.maximum(tone, 0.05)
    by = {
        FlatParam.MIDDLE: by_s / h,
        FlatParam.LN_HALF_LENGTH: by_s * s,
        FlatParam.LN_WIDTH: a,
        FlatParam.CENTRE: np.sign(off),
        FlatParam.LN_EXPONENT: a * np.log(size) * q,
        FlatParam.SKEW: by_s * (np.abs(t) - 1.0),
        FlatParam.LN_BLUNTNESS: -by_g * power * rise_of_t * np.log(far),
    }
    jac = np.empty((len(p), len(FlatParam), *rise.shape[1:]), dtype=np.float32)
    for param, edge in by.items():
        np.multiply(edge, rise, out=jac[:, param])
    return FlatPicture(tone, jac, flat_light, (flat_light > w.burnt_from) - w.burnt)


def _near_sums(part: Singles, other: Singles, even: Singles) -> Singles:
    """Sums of a product by row, (flats, rows, 1), with the two rows beside it and the next, by the shares `even`."""
    rows = np.zeros((part.shape[0], part.shape[1] + 4), dtype=np.float32)
    np.einsum("fij,fij->fi", part, other, out=rows[:, 2:-2])
    near = rows[:, 2:-2] + even[0] * (rows[:, 1:-3] + rows[:, 3:-1])
    near += even[1] * (rows[:, :-4] + rows[:, 4:])
    return np.asarray(near[..., None], dtype=np.float32)
