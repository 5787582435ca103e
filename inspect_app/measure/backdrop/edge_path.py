"""An edge placed to a fraction of a pixel along a guessed path, and how light that changes along it shifts it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d

from calib.edge_response import coding_noise
from calib.edges import row_offsets, sample_across
from calib.lines import MAD_TO_SD
from calib.photo import Photo
from inspect_app.measure.backdrop.outline import FINE_PX

__all__ = ["EdgePath", "place_edge", "gradient_corrected", "with_grain"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

HALF_PX, STEP = 9.0, 0.5
"""How far to both sides of a path its light is looked at, and at what steps."""
GRAIN_SIGMAS = 4.0
"""Standard deviations at which the card's specks are cut, so that one does not stand for its grain."""
LIGHT_POINTS = 2.0
"""Smoothing of the contrast along an edge, in points a pixel apart: the photo's own blur with the derivative's, under
which no change of light is real."""
LEAST_FOR_LIGHT = 5
"""Points under which a change of contrast along an edge is not told from noise."""
LEAST_APART_PX = 0.05
"""Distance of neighbours under which points lie on each other."""
SLOPE_NOISE = 0.3
"""Noise of the contrast's slope from point to point, in units of the contrast's own: sqrt(5 / (4 sqrt(pi) sigma^3)) for
noise that five neighbours share (see `place_edge`), smoothed and differentiated over sigma = `LIGHT_POINTS`."""
GAP_PX = 3.0
"""Points farther apart say nothing of the light between them."""
MOST_SHIFT_PX = 1.5
"""Farthest that a point is moved: beyond the blur, light does not change evenly. Its doubt grows on."""
SHIFT_U = 0.3
"""Standard uncertainty of such a move relative to it: the blur is known to a tenth, so its square to a fifth, and light
bends within it (no source)."""


@dataclass(frozen=True)
class EdgePath:
    """Points on an edge, in order along it.

    Attributes
    ----------
    px : ndarray, shape (N, 2)
        Upright photo pixels.
    u_px : ndarray, shape (N,)
        Standard uncertainty across the edge from noise, pixels.
    strength : ndarray, shape (N,)
        Step's steepness in units of the noise of the same derivative on the card.
    noise_correlation : float
        Number of neighbouring points that share their noise.
    u_shared_px : ndarray, shape (N,)
        Standard uncertainty that neighbours share: what the edge is, not where noise puts it.
    part : ndarray of int, shape (N,)
        Parts that may be lines of their own, because the light steps another way in each.
    """

    px: Array
    u_px: Array
    strength: Array
    noise_correlation: float
    u_shared_px: Array
    part: NDArray[np.intp]

    @classmethod
    def plain(cls, px: Array, u_px: Array, strength: Array, noise_correlation: float) -> EdgePath:
        """An edge of one part, whose points are uncertain by noise alone."""
        return cls(px, u_px, strength, noise_correlation, np.zeros(len(px)), np.zeros(len(px), np.intp))

    def only(self, keep: Mask) -> EdgePath:
        """The points that `keep` marks."""
        return replace(
            self,
            px=self.px[keep],
            u_px=self.u_px[keep],
            strength=self.strength[keep],
            u_shared_px=self.u_shared_px[keep],
            part=self.part[keep],
        )

    def drawn(self, most: int = 40) -> tuple[tuple[float, float], ...]:
        """Some points of it to draw, px: at least `most`, if there are so many."""
        return tuple((float(x), float(y)) for x, y in self.px[:: max(1, len(self.px) // most)])


def place_edge(
    photo: Photo,
    px: Array,
    polarity: Array | None = None,
    within: float = 4.0,
    pool: int = 5,
    only_peaks: bool = False,
) -> EdgePath:
    """Place an edge to sub-pixel along the normals of a guessed path.

    The rows are straightened along the path, pooled over `pool` neighbours and differentiated; the edge is where the
    slope is steepest `within` so many px of the guess (parabola through three samples), going the `polarity` given (1
    brighter, -1 darker away from the card), one a point, or either. Steepest, not half-way: metal below an outline is
    not an even level. With `only_peaks` a slope that still rises where the look ends is no edge there: its own lies
    farther off, and a fainter one within the look is taken, such as a cut face's outline before burnt-out metal. One
    that only rises has no strength. Walking along `px`, the card lies to the right: a crown line runs from treble to
    bass.
    """
    rows, normal = _rows_across(photo, px, pool)
    offsets, step = row_offsets(HALF_PX, STEP), STEP
    slope = gaussian_filter1d(rows, FINE_PX / step, axis=1, order=1)
    slope = np.abs(slope) if polarity is None else slope * polarity[:, None]
    near = np.broadcast_to(np.abs(offsets) <= within, slope.shape)
    if only_peaks:
        near = near & (slope >= maximum_filter1d(slope, 3, axis=1))
    k = np.argmax(np.where(near, slope, -1.0), axis=1)
    k = np.clip(k, 1, len(offsets) - 2)
    i = np.arange(len(px))
    a, b, c = slope[i, k - 1], slope[i, k], slope[i, k + 1]
    bend = np.maximum(2.0 * b - a - c, 1e-12)
    at = offsets[k] + step * np.clip(0.5 * (c - a) / bend, -1.0, 1.0)
    noise = _slope_noise(rows[:, : len(offsets) // 4], FINE_PX / step, pool)
    u = step * noise / bend
    peak = near.any(axis=1) & (b >= a) & (b >= c) if only_peaks else True
    strength = np.where(peak, b / noise, 0.0)
    return EdgePath.plain(px + normal * at[:, None], np.clip(u, 0.02, HALF_PX), strength, float(pool))


def gradient_corrected(edge: EdgePath, across: Array, blur_px: float) -> EdgePath:
    """An edge where it is, not where it is steepest, beside metal whose light changes across the direction of its wire.

    Where such lines of light meet the edge aslant, the contrast C changes along the normal n as well. A step of height
    C + n dC/dn, blurred by a normal distribution of sigma (with the derivative's own scale), is steepest at
    ``sigma^2 (dC/dn) / C``, towards the greater contrast. C is read along the edge.

    Parameters
    ----------
    edge : EdgePath
        With the side it is brighter on as its `part`s: 1 where the metal is brighter.
    across : ndarray, shape (2,)
        Unit vector in the photo across the lines of light.
    blur_px : float
        Standard deviation of the photo's blur.
    """
    if len(edge.px) < LEAST_FOR_LIGHT:
        return edge
    along = edge.px[-1] - edge.px[0]
    along /= max(float(np.linalg.norm(along)), 1e-9)
    normal = np.array([-along[1], along[0]])
    at = edge.px @ along
    grows, noise = np.zeros(len(at)), np.zeros(len(at))
    breaks = np.flatnonzero((np.diff(edge.part) != 0) | (np.diff(at) > GAP_PX)) + 1
    for run in np.split(np.arange(len(at)), breaks):
        if len(run) >= LEAST_FOR_LIGHT:
            contrast = np.maximum(gaussian_filter1d(edge.strength[run], LIGHT_POINTS, mode="nearest"), 1.0)
            step = np.maximum(np.gradient(at[run]), LEAST_APART_PX)
            grows[run], noise[run] = np.gradient(contrast) / step / contrast, SLOPE_NOISE / step / contrast
    lever = (blur_px**2 + FINE_PX**2) * float(normal @ across) / float(along @ across)
    shift = np.clip(lever * grows, -MOST_SHIFT_PX, MOST_SHIFT_PX)
    u_shared = np.sqrt(edge.u_shared_px**2 + (SHIFT_U * lever * grows) ** 2 + (lever * noise) ** 2)
    return replace(edge, px=edge.px - shift[:, None] * normal, u_shared_px=u_shared)


def with_grain(photo: Photo, px: Array, edge: EdgePath) -> EdgePath:
    """An edge placed along `px`, less sure by the grain of what lies on its card side.

    A denoiser, and paper under a lamp, leave blotches of several pixels, which move neighbouring points together: how
    many, the card shows along the edge."""
    rows, _ = _rows_across(photo, px, round(edge.noise_correlation))
    quiet = len(rows[0]) // 4
    slope = gaussian_filter1d(rows, FINE_PX / STEP, axis=1, order=1)[:, :quiet]
    slope = slope - np.median(slope, axis=0)
    spread = np.clip(slope, *(MAD_TO_SD * GRAIN_SIGMAS * float(np.median(np.abs(slope))) * np.array([-1.0, 1.0])))
    power = float(np.mean(spread**2)) + 1e-18
    together = 1.0
    for lag in range(1, len(spread) // 2):
        shared = float(np.mean(spread[lag:] * spread[:-lag])) / power
        if shared <= 0.0:
            break
        together += 2.0 * shared
    return replace(edge, noise_correlation=max(edge.noise_correlation, together))


def _rows_across(photo: Photo, px: Array, pool: int) -> tuple[Array, Array]:
    """Light across a path, `pool` neighbours averaged, and the path's normals, away from the card; (N, M), (N, 2)."""
    tangent = np.gradient(np.column_stack([gaussian_filter1d(px[:, k], 5.0, mode="nearest") for k in (0, 1)]), axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    rows = sample_across(photo, px, normal, HALF_PX, STEP)
    return uniform_filter1d(np.nan_to_num(rows), pool, axis=0), normal


def _slope_noise(quiet: Array, sigma: float, pool: int) -> float:
    """Standard deviation of the derivative's noise, from the light's noise in rows of plain card, `pool` of them
    averaged."""
    rough = np.diff(quiet, axis=1)
    sigma_n = MAD_TO_SD * float(np.median(np.abs(rough - np.median(rough)))) / math.sqrt(2.0)
    sigma_n = max(sigma_n, float(coding_noise(np.median(quiet))) / math.sqrt(2.0 * pool))  # two samples a pixel
    # bilinear half-pixel samples share noise; the derivative of Gaussian passes sum(g'^2) = 1 / (4 sqrt(pi) sigma^3)
    return 2.0 * sigma_n * math.sqrt(1.0 / (4.0 * math.sqrt(math.pi) * sigma**3))
