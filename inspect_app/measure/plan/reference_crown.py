"""The reference crown: how a fret's crown would look unworn, fitted to the parts of it that are.

A crown is a mirror-like circular arc whose reflections run along the fret and change slowly there: the picture of an
unworn crown is smooth along the fret, whatever it is across it. Rows that break that smoothness are worn, covered or
blemished. The smooth picture is fitted by least trimmed squares (Rousseeuw 1984, "Least median of squares regression",
section 4), which stays true while fewer than about half the rows are worn.

Tones are square roots of linear light: photon noise is then the same at every brightness, and a code step of an 8-bit
photo is about the same size everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.ndimage import binary_dilation, percentile_filter, uniform_filter1d

from calib.robust_spread import spread_about_median, spread_about_zero
from inspect_app.measure.plan.fret_patch import FretPatch

__all__ = ["BLUR_PX", "CrownView", "ReferenceCrown", "crown_view", "fit_reference", "refit_reference", "ROW_MM"]

BLUR_PX = 1.0
"""Standard deviation of a sharp photo's edges, pixels (common practice, no source)."""
ROW_MM = 0.15
"""Rows are averaged to about this length: under a tenth of the shortest flats (1 to 2 mm), so none loses its shape."""
_COLUMN_MM = 0.05
"""Columns are averaged to about this width where the photo is finer: flats are at least ten such columns wide."""
_STEEPEST_BEVEL = math.tan(math.radians(40.0))
"""Bevels are cut at 20 to 35 degrees (common practice, no source); 40 keeps the cut face out of sight for all."""
_FOOT_MM = 0.1
"""Left out at the crown's foot: the shadow against the board and the width's own uncertainty lie there."""
_COVER_MM = 0.5
"""Left out beside whatever covers the fret: its blurred edge, its shadow, its reflection."""
_OUTER = 0.12
"""Share of the crown at either edge that wear leaves alone: a flat so wide would be worn to about half the height."""
_CROSSING = 0.1
"""Change of tone at the crown's edges by which a string is told from grain: a tenth of full tone."""
_SIGMAS = 5.0
"""Standard deviations from which a row is out of the ordinary: none of some hundred rows is by chance."""
_SHADOW_MM = 0.3
"""Left out beside a string that lies across: its blurred edge and half shadow."""
_KNOT_MM = 5.0
"""Spacing of the spline's knots: longer than most flats, shorter than the fading of a lamp's band along a fret."""
_BEND = 2e-2
"""Weight of the spline's second differences against one knot's rows of data: it steers only where nothing is seen (a
worn or covered end)."""
_FADE = 0.1
"""How much a reflection's tone changes from knot to knot (standard deviation): a band of lamplight comes up or fades
over one to two centimetres. Against it stands the noise, so that scratches are not carried on into what is not seen."""
_TRIM = 0.4
"""Rows kept by the trimmed fit: worn frets carry flats over up to half their length (common practice, no source)."""
_SHARES = tuple(np.linspace(0.9, _TRIM, 6).tolist())
_MORE_STEPS = 3
"""Rows kept step by step from all of them; from a start of as many as are kept, steps until few rows still change."""
_CLEARLY_LESS = 0.8
"""Share of the misfit from which another start's is less beyond chance: rows kept hold some 7000 cells, whose noise
hangs together by eight, so a mean square is known to a twentieth, and a fifth is three times what two differ by."""
_STRETCH_MM = 10.0
"""Rows are called bright or dark against this stretch of the fret, twice a knot: a long flat and what is beside it."""
_BURNT = 0.975
"""Tones above this share of the brightest possible, five 8-bit code steps below white, may have been any amount
brighter."""
_LEVEL_MM = 3.0
"""Length along the fret over which a photo's processing keeps burnt-out tones at one level: it evens out brightness
over parts of the picture many times as large (common practice, no source)."""
_SAME_LEVEL = 0.95
"""Brightest tone of a row over that of its neighbours from which it shows the same burnt-out light: the level so turned
down changes by a twentieth over `_LEVEL_MM`, if that; what is less bright shows another light."""
_TOP, _FLAT_TOP, _FLAT_SHARE = 0.9, 0.012, 0.65
"""Of the cells above the first share of the brightest, those within three code steps of it: a third where a reflection
has a round top (a parabola's: sqrt(0.012 / 0.1)), nearly all where it is cut off. Half-way between is the limit."""
_TONE_FLOOR = 0.008
"""Least scatter assumed about the reference crown, in the square root of light: one code step of an 8-bit sRGB photo
(0.004) of noise and as much of misfit."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class CrownView:
    """One crown seen from above, on a grid level with its unworn top, ends and foot left out.

    Attributes
    ----------
    along_mm : ndarray, shape (n,)
        Places along the fret, from the treble end.
    across_mm : ndarray, shape (m,)
        Places across, 0 on the crown's centre line, true at the height of the crown's top.
    tone : ndarray, shape (n, m)
        Square root of linear light.
    clear : ndarray of bool, shape (n,)
        False where something covers the fret or the photo ends.
    parallax : float
        How far the picture of a point moves across, in mm, for each mm it lies below the crown's top.
    blur_mm : float
        Standard deviation of the photo's blur here.
    burnt_from : ndarray, shape (n,)
        Tone from which a cell of each row may have been any amount brighter.
    """

    along_mm: Floats
    across_mm: Floats
    tone: Floats
    clear: NDArray[np.bool_]
    parallax: float
    blur_mm: float
    burnt_from: Floats

    @property
    def row_mm(self) -> float:
        """Distance between rows."""
        return float(self.along_mm[1] - self.along_mm[0])

    @property
    def column_mm(self) -> float:
        """Distance between columns."""
        return float(self.across_mm[1] - self.across_mm[0])


@dataclass(frozen=True)
class ReferenceCrown:
    """The crown as it would look unworn.

    Attributes
    ----------
    tone : ndarray, shape (n, m)
        On the grid of its `CrownView`.
    sigma : ndarray, shape (m,)
        Standard deviation of a grid cell about it, by column, from the unworn parts.
    noise_correlation : float
        How much the variance of the mean over a patch as large as a flat exceeds that of independent cells: grain,
        scratches and misfit of the smooth picture hang together over several cells.
    """

    tone: Floats
    sigma: Floats
    noise_correlation: float


def crown_view(patch: FretPatch, width_mm: float, height_mm: float, blur_px: float = BLUR_PX) -> CrownView | None:
    """Cut the crown out of a patch and average it to rows and columns of a suitable size.

    Parameters
    ----------
    width_mm, height_mm : float
        Of the unworn crown.
    blur_px : float
        Standard deviation of the photo's blur.

    Returns
    -------
    CrownView or None
        ``None`` where too little of the crown is in the photo to measure it.
    """
    camera = patch.frame.camera_mm
    parallax = float(camera[1] / (camera[2] - height_mm))
    across = patch.across_mm - parallax * (patch.height_mm - height_mm)
    foot = parallax * height_mm  # the foot lies lower than the top and is seen this much to one side
    half = width_mm / 2.0 - _FOOT_MM
    j = np.flatnonzero(np.abs(across - foot) <= half)
    bevel = height_mm * _STEEPEST_BEVEL
    i = np.flatnonzero((patch.along_mm >= bevel) & (patch.along_mm <= patch.frame.length_mm - bevel))
    rows = max(1, round(ROW_MM * patch.px_per_mm))
    columns = max(1, round(_COLUMN_MM * patch.px_per_mm))
    if len(i) < 20 * rows or len(j) < 8 * columns:
        return None
    i, j = i[: len(i) // rows * rows], j[: len(j) // columns * columns]
    block = np.s_[i[0] : i[-1] + 1, j[0] : j[-1] + 1]
    tone = np.sqrt(np.maximum(_bin(patch.light[block], rows, columns), 0.0))
    covered = ~patch.valid[block].reshape(len(i) // rows, -1).all(axis=1)
    clear = ~binary_dilation(covered, iterations=math.ceil(_COVER_MM / ROW_MM))
    along = patch.along_mm[i].reshape(-1, rows).mean(axis=1)
    across = across[j].reshape(-1, columns).mean(axis=1)
    burnt_from = _burnt_from(tone, max(3, round(_LEVEL_MM / float(along[1] - along[0]))))
    return CrownView(along, across, tone, clear, parallax, blur_px / patch.px_per_mm, burnt_from)


def _burnt_from(tone: Floats, rows: int) -> Floats:
    """Tone from which cells may be burnt out, row by row, shape (n,), each told from so many rows about it.

    What the sensor burnt out is white only until the photo's processing turns bright parts down. It is even then still,
    and nothing near is brighter: a reflection cut off flat. A lamp's even reflection that just fell short of white
    looks the same, and is within what is allowed for blooming.
    """
    own = np.quantile(tone, _TOP, axis=1)
    near = percentile_filter(own, 75, rows, mode="nearest")
    level = np.where(own > _SAME_LEVEL * near, own, near)[:, None]
    top, even, more = (
        uniform_filter1d(np.mean(cells, axis=1), rows)
        for cells in (tone > _TOP * level, np.abs(tone - level) < _FLAT_TOP, tone > level + 2.0 * _FLAT_TOP)
    )
    cut_off = (even > _FLAT_SHARE * top) & (more < (1.0 - _TOP) * top)
    return np.where(cut_off & (near < _BURNT), _BURNT * level[:, 0], _BURNT)


def _bin(light: NDArray[np.float32], rows: int, columns: int) -> Floats:
    return np.asarray(_patches(light, rows, columns, np.add) / np.float32(rows * columns), dtype=np.float64)


def fit_reference(view: CrownView) -> tuple[CrownView, ReferenceCrown]:
    """Fit the reference crown by least trimmed squares over whole rows; rows crossed by a string are no longer clear.

    The rows kept grow again to all that fit as well as those. In each quarter of the fret at least a fifth of the rows
    is kept, so that the spline is tied down everywhere.
    """
    basis = _basis(view)
    stiff = _stiffness(basis)
    smooth = max(3, round(0.5 / view.row_mm))
    keep = _least_trimmed(view, basis, stiff, smooth)
    tone = basis @ _solve_rows(basis, stiff, view.tone, keep)
    kept = np.broadcast_to(keep[:, None] > 0, tone.shape)
    sigma = _column_noise(view.tone - tone, kept, tone, view)
    misfit = uniform_filter1d(np.mean(((view.tone - tone) / sigma) ** 2, axis=1), smooth)
    usual, spread = np.median(misfit[keep > 0]), spread_about_median(misfit[keep > 0])
    view = replace(view, clear=view.clear & ~_crossed(view.tone - tone, keep > 0, view.row_mm))
    good = view.clear & (misfit < usual + _SIGMAS * spread)
    noise_correlation = _noise_correlation((view.tone - tone) / sigma, kept, view)
    return view, refit_reference(view, np.broadcast_to(good[:, None], tone.shape), sigma**2 * noise_correlation)


def _least_trimmed(view: CrownView, basis: Floats, stiff: Floats, smooth: int) -> Floats:
    """Which rows fit one smooth picture best, 0 or 1, shape (n,): of three starts, what ends with the least misfit.

    From all rows those kept shrink step by step to the best. Where flats lie so close that most of a stretch is worn,
    that ends on the flats, smooth among themselves too, and takes the crown between for one long flat: so the brightest
    and the darkest rows about are tried as well, and kept if they end with clearly less (many starts, each with steps
    that only improve: Rousseeuw and Van Driessen 2006, "Computing LTS regression for large data sets").
    """
    few = np.ascontiguousarray(view.tone[:, ::2])  # neighbours add little
    quarters = np.array_split(np.arange(len(few)), 4)
    light = few.mean(axis=1)
    light = light - percentile_filter(light, 50, max(3, round(_STRETCH_MM / view.row_mm)), mode="nearest")
    by_light = [_best(np.where(view.clear, rank, np.inf), quarters, _TRIM, view.clear) for rank in (-light, light)]
    starts = [(view.clear.astype(float), _SHARES), *((rows, _SHARES[-1:] * _MORE_STEPS) for rows in by_light)]
    first, *others = (_concentrated(view, few, (basis, stiff), quarters, smooth, *start) for start in starts)
    best = min(others, key=lambda end: end[1])
    return best[0] if best[1] < _CLEARLY_LESS * first[1] else first[0]


def _concentrated(
    view: CrownView,
    few: Floats,
    spline: tuple[Floats, Floats],
    quarters: list[NDArray[np.intp]],
    smooth: int,
    keep: Floats,
    shares: Sequence[float],
) -> tuple[Floats, float]:
    """From the rows kept, those that fit their smooth picture best, share by share, and their mean square misfit."""
    misfit = _row_misfit(few, spline, keep)
    for share in shares:
        near = np.where(view.clear, uniform_filter1d(misfit, smooth), np.inf)
        keep = _best(near, quarters, share, view.clear)
        misfit = _row_misfit(few, spline, keep)
    return keep, float(misfit @ keep) / max(1.0, float(keep.sum()))


def _row_misfit(few: Floats, spline: tuple[Floats, Floats], keep: Floats) -> Floats:
    off = few - spline[0] @ _solve_rows(*spline, few, keep)
    return np.asarray(np.einsum("ij,ij->i", off, off) / few.shape[1])


def _crossed(departure: Floats, usual: NDArray[np.bool_], row_mm: float) -> NDArray[np.bool_]:
    """Rows whose tone is strange at both outer edges of the crown: a string lies across; wear never does that."""
    outer = max(2, round(_OUTER * departure.shape[1]))
    strange = np.ones(len(departure), dtype=bool)
    for side in (departure[:, :outer], departure[:, -outer:]):
        step = np.abs(uniform_filter1d(side.mean(axis=1), max(2, round(_SHADOW_MM / row_mm))))
        strange &= step > max(_CROSSING, _SIGMAS * float(spread_about_zero(step[usual])))
    return np.asarray(binary_dilation(strange, iterations=math.ceil(_SHADOW_MM / row_mm)))


def _best(misfit: Floats, quarters: list[NDArray[np.intp]], share: float, clear: NDArray[np.bool_]) -> Floats:
    keep = np.zeros(len(misfit))
    for q in quarters:
        keep[q[np.argsort(misfit[q])[: int(0.2 * clear[q].sum())]]] = 1.0
    keep[np.argsort(misfit)[: int(share * clear.sum())]] = 1.0
    return keep


def refit_reference(view: CrownView, unworn: NDArray[np.bool_], noise: Floats) -> ReferenceCrown:
    """The reference crown from given cells, shape (n, m): beside a flat the flanks of the same row are still unworn.

    `noise` is the variance of a cell by column, shape (m,), correlation included.
    """
    basis = _basis(view)
    tone = basis @ _solve_columns(basis, view.tone, unworn.astype(float), noise).T
    residual = view.tone - tone
    sigma = _column_noise(residual, unworn, tone, view)
    return ReferenceCrown(tone, sigma, _noise_correlation(residual / sigma, unworn, view))


def _basis(view: CrownView) -> Floats:
    """Cubic B-splines on even knots, shape (n, knots)."""
    n = len(view.along_mm)
    return _splines(n, max(6, round((n - 1) * view.row_mm / _KNOT_MM) + 3))


@lru_cache(maxsize=16)  # the frets of a photo differ by some rows
def _splines(rows: int, knots: int) -> Floats:
    at, grid = np.linspace(0.0, 1.0, rows), np.linspace(0.0, 1.0, knots - 2)
    t = np.concatenate([[0.0] * 3, grid, [1.0] * 3])
    splines = np.asarray(BSpline.design_matrix(at, t, 3).toarray())
    splines.flags.writeable = False
    return splines


@cache
def _differences(knots: int, order: int) -> Floats:
    d = np.diff(np.eye(knots), order, axis=0)
    squares = np.asarray(d.T @ d)
    squares.flags.writeable = False
    return squares


def _stiffness(basis: Floats) -> Floats:
    n, k = basis.shape
    return np.asarray(n / k * (_BEND * _differences(k, 2) + 0.1 * _BEND * _differences(k, 1)) + 1e-9 * np.eye(k))


def _solve_rows(basis: Floats, stiff: Floats, tone: Floats, weight: Floats) -> Floats:
    weighted = basis * weight[:, None]
    return np.asarray(np.linalg.solve(weighted.T @ basis + stiff, weighted.T @ tone))


def _solve_columns(basis: Floats, tone: Floats, weight: Floats, noise: Floats) -> Floats:
    """Coefficients column by column, shape (m, knots), each cell with its own weight."""
    n, k = basis.shape
    pairs, i, j = _overlaps(n, k)
    normal = (noise / _FADE**2)[:, None, None] * _differences(k, 1)
    normal += n / k * _BEND * _differences(k, 2) + 1e-9 * np.eye(k)
    squares = weight.T @ pairs
    normal[:, i, j] += squares
    beside = i != j
    normal[:, j[beside], i[beside]] += squares[:, beside]
    return np.asarray(np.linalg.solve(normal, ((weight * tone).T @ basis)[..., None])[..., 0])


@lru_cache(maxsize=16)
def _overlaps(rows: int, knots: int) -> tuple[Floats, NDArray[np.intp], NDArray[np.intp]]:
    """Products of two splines that overlap, shape (rows, pairs), and which two: a cubic one meets the next three."""
    basis = _splines(rows, knots)
    i, j = np.nonzero(np.triu(np.tri(knots, k=3)))
    pairs = basis[:, i] * basis[:, j]
    pairs.flags.writeable = False
    return pairs, i, j


def _column_noise(residual: Floats, unworn: NDArray[np.bool_], tone: Floats, view: CrownView) -> Floats:
    """Root mean square by column over the cells seen.

    Columns hardly seen take the worst of the others. Burnt-out columns are free of noise only because they are burnt
    out; what replaces their tone where a flat is worn is not, so they take at least the median of the others.
    """
    count = unworn.sum(axis=0)
    rms = np.sqrt(np.sum(residual**2 * unworn, axis=0) / np.maximum(count, 1))
    enough = count >= 20
    rms = np.where(enough, rms, rms[enough].max() if enough.any() else 1.0)
    open_ = tone.mean(axis=0) < view.burnt_from.mean()
    if open_.any():
        rms = np.where(open_, rms, np.maximum(rms, np.median(rms[open_])))
    return np.asarray(np.maximum(uniform_filter1d(rms, 3), _TONE_FLOOR))


def _noise_correlation(z: Floats, unworn: NDArray[np.bool_], view: CrownView) -> float:
    """Variance of means over patches, times their number of cells, over the variance of single cells.

    Two sizes are tried, a strip across and a patch as long as a short flat; the larger ratio is taken.
    """
    of = z * unworn
    one = float(np.vdot(of, of)) / int(unworn.sum()) if unworn.any() else 1.0
    worst = 1.0
    for along_mm, across_mm in ((0.4, 0.5), (1.5, 0.4)):
        rows, columns = max(2, round(along_mm / view.row_mm)), max(2, round(across_mm / view.column_mm))
        whole = _patches(unworn, rows, columns, np.logical_and)
        if whole.sum() >= 4:  # fewer give no variance
            means = _patches(z, rows, columns, np.add)[whole] / (rows * columns)
            usual = float(spread_about_zero(means)) ** 2
            power = float(np.mean(np.minimum(means**2, 9.0 * usual)))  # a stray patch is not the rule
            worst = max(worst, power * rows * columns / one)
    return worst


def _patches(a: NDArray[Any], rows: int, columns: int, ufunc: np.ufunc) -> NDArray[Any]:
    """An array reduced over patches of so many rows and columns, those at the end that fill none left out.

    Rows first: they are the most, and whole rows are quickly put together.
    """
    n, m = a.shape[0] // rows, a.shape[1] // columns
    by_row = ufunc.reduce(a[: n * rows, : m * columns].reshape(n, rows, m * columns), axis=1)
    return np.asarray(ufunc.reduce(by_row.reshape(n, m, columns), axis=2))
