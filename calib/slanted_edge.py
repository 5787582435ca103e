"""Sharpness of a photo by slanted edges (e-SFR, ISO 12233:2014, 6.2 and annex D), from a printed scale's own.

Pixels beside the edges between black and white, each at its distance across its edge, give one edge spread function in
bins of a quarter pixel; its derivative's spectrum is the spatial frequency response, and the frequency at which that
falls to a half is MTF50. It tells what the photo shows, sharpening included; what the lens showed before sharpening is
`calib.edge_response`. Windows here are flat over their middle half (Tukey), as in the edition of 2023 (from memory):
the older Hamming window takes a tenth off a wide blur.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.edge_response import LEVEL_SHARE, EdgeResponse, edge_response, level_of, room_across
from calib.edges import locate_steps, row_offsets, sample_across
from calib.photo import Photo, linear_light
from calib.scales.base import Scale

__all__ = ["GAUSS_MTF50", "Sharpness", "mtf50", "sharpness", "taper"]

Vector = NDArray[np.float64]

GAUSS_MTF50 = math.sqrt(math.log(2.0) / 2.0) / math.pi
"""MTF50 in cycles per pixel times the standard deviation in pixels, of a blur that is a normal distribution: 0.187."""
BINS_PER_PX = 4
"""As ISO 12233 has them."""
LONGEST_PX, SHORTEST_PX = 24.0, 4.0
"""Half a row: six standard deviations of a blur of 4 px, past which no marker is read; and of a sharp one."""
MOST_ROWS = 240
"""So many rows fill every bin a dozen times; more only take time."""
LEAST_STEP = 0.05
"""Step in linear light under which an edge is none of black print on lit paper."""
LEAST_IN_BIN = 2
"""Pixels of which a bin's mean is taken; of one alone it would be that one's noise."""
TAPERED = 0.25
"""Share of a window at either end over which it rises from nothing."""
LEAST_FILLED = 0.9
"""Share of the bins that must be filled: the rest is drawn straight from one neighbour to the other (no source)."""


@dataclass(frozen=True, slots=True)
class Sharpness:
    """How sharp a photo is at its scale.

    Attributes
    ----------
    mtf50 : float
        Cycles per pixel at which the photo shows half the contrast, sharpening included.
    spread_px, u_spread_px : float
        Standard deviation of the blur before sharpening, pixels, and its standard uncertainty.
    """

    mtf50: float
    spread_px: float
    u_spread_px: float

    def resolved_mm(self, px_per_mm: float) -> float:
        """Width on the object of a bar between like gaps that is shown with half its contrast, mm.

        >>> f"{Sharpness(0.25, 0.7, 0.02).resolved_mm(20.0):.3f}"
        '0.100'
        """
        return 0.5 / (self.mtf50 * px_per_mm)


def sharpness(photo: Photo, scale: Scale, response: EdgeResponse | None = None) -> Sharpness | None:
    """The sharpness at a printed scale; None where it has no black edges on white or too few of them show.

    `response` is that of the scale's edges, worked out here where it is not known yet.
    """
    response = response or edge_response(photo, scale)
    if response is None or scale.turn_rad is None:
        return None
    room = room_across(scale)
    half = min(max(SHORTEST_PX, min(LONGEST_PX, 6.0 * response.spread_px)), float(room.max(initial=0.0)))
    if half < SHORTEST_PX:
        return None
    across, light = _across_edges(photo, scale, room >= half, half, response)
    found = mtf50(across, light, half)
    return None if found is None else Sharpness(found, response.spread_px, response.u_spread_px)


def taper(n: int) -> Vector:
    """Tukey's window (Harris 1978) of `n` values, which rises over `TAPERED` of it at either end."""
    from_end = np.minimum(np.arange(n), np.arange(n)[::-1]) / (n - 1)
    return np.asarray(np.sin(0.5 * math.pi * np.minimum(from_end / TAPERED, 1.0)) ** 2)


def mtf50(across_px: Vector, light: Vector, half_px: float) -> float | None:
    """MTF50 of an edge from pixels beside it, cycles per pixel.

    Parameters
    ----------
    across_px, light : ndarray of float, shape (N,)
        Distance of each pixel's centre from the edge, positive on the bright side; its linear light, the step 0 to 1.
    half_px : float
        How far to either side they are used.

    Returns
    -------
    float or None
        None where too many bins are empty, or the response never falls to a half below one cycle per pixel.

    Examples
    --------
    >>> from scipy.special import ndtr
    >>> x = np.linspace(-12.0, 12.0, 6001)
    >>> f"{mtf50(x, ndtr(x / 1.5), 12.0) * 1.5:.3f} {GAUSS_MTF50:.3f}"
    '0.187 0.187'
    """
    k = np.round(across_px * BINS_PER_PX).astype(int)
    last = math.floor(half_px * BINS_PER_PX)
    inside = np.abs(k) <= last
    count = np.bincount(k[inside] + last, minlength=2 * last + 1)
    filled = count >= LEAST_IN_BIN
    if filled.mean() < LEAST_FILLED:
        return None
    place = np.arange(2 * last + 1)
    mean = np.bincount(k[inside] + last, light[inside], minlength=2 * last + 1)[filled] / count[filled]
    spread = np.interp(place, place[filled], mean)
    line = np.convolve(spread, [0.5, 0.0, -0.5], "valid")
    line = line * taper(len(line))
    padded = 8 * len(line)  # only reads the same spectrum between its points
    f = np.arange(padded // BINS_PER_PX) * BINS_PER_PX / padded
    response = np.abs(np.fft.rfft(line, padded))[: len(f)]
    response = response / (np.sinc(2.0 * f / BINS_PER_PX) * np.sinc(f / BINS_PER_PX))  # the difference's and the bin's
    response = response / response[0]
    below = int(np.argmax(response < 0.5))
    if below == 0:
        return None
    high, low = response[below - 1], response[below]
    return float(f[below - 1] + (high - 0.5) / (high - low) * (f[below] - f[below - 1]))


def _across_edges(
    photo: Photo, scale: Scale, use: NDArray[np.bool_], half: float, response: EdgeResponse
) -> tuple[Vector, Vector]:
    """Distance across its edge (dark to bright) and share of the step, of the pixels beside a printed scale's edges.

    Pixels are taken as they are: between them there is nothing but interpolation, which blurs.
    """
    points, normals = _rows(scale, np.flatnonzero(use))
    offsets = row_offsets(half)
    steps = locate_steps(sample_across(photo, points, normals, half), offsets)
    keep = np.isfinite(steps.at) & (np.abs(steps.at) < half / 3.0) & (np.abs(steps.contrast) > LEAST_STEP)
    keep &= steps.sigma < 2.0 * max(response.spread_px, 0.5) + 1.0  # a covered or crossed edge
    points, normals, at = points[keep], normals[keep], steps.at[keep]
    sign = np.sign(steps.contrast[keep])
    pixel = np.round(points[:, None] + normals[:, None] * offsets[None, :, None]).astype(np.intp)
    across = (np.einsum("nmi,ni->nm", pixel - points[:, None], normals) - at[:, None]) * sign[:, None]
    light = linear_light(photo.gray[pixel[..., 1], pixel[..., 0]]).astype(np.float64)
    dark, bright = (level_of(light, where) for where in (across < -LEVEL_SHARE * half, across > LEVEL_SHARE * half))
    step = bright - dark
    sound = np.isfinite(step) & (step > LEAST_STEP)
    share = (light[sound] - dark[sound, None]) / step[sound, None]
    return across[sound].ravel(), share.ravel()


def _rows(scale: Scale, use: NDArray[np.intp]) -> tuple[Vector, Vector]:
    """Points on the scale's edges and unit normals of rows across them, both (N, 2)."""
    some = use[:: max(1, len(use) // MOST_ROWS)]
    turn = np.zeros(0) if scale.turn_rad is None else scale.turn_rad[some]
    return scale.image_px[some], np.column_stack([-np.sin(turn), np.cos(turn)])
