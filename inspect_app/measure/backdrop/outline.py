"""An outline against the backdrop: looked for in straightened light, and followed.

Coming down the white part of the backdrop, the outline is the first sharp edge: lamp reflections on the card are soft,
and the sharp bright lines on the crown lie below it. So the path is looked for that collects the most significant edge
while leaving the least significant edge above it (dynamic programming, Bellman 1957)."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d

from calib.edge_response import coding_noise
from calib.lines import MAD_TO_SD
from calib.photo import Photo, linear_light
from inspect_app.measure.backdrop.pose import BoardPose

__all__ = [
    "ABOVE",
    "CEILING",
    "FINE_PX",
    "FLOOR",
    "OWN_ROWS",
    "edge_gain",
    "first_edge",
    "least_slope_noise",
    "trace_edge",
    "rectified_light",
    "significance",
    "card_noise",
    "certainty",
    "slope_in_noise",
    "steepness",
]

Array = NDArray[np.float64]
Light = NDArray[np.float32]

DERIVATIVE_PX = 2.0
"""Scale of the derivative that looks for the edge: wider than the pixel noise's correlation after demosaicing and
JPEG."""
FINE_PX = 1.2
"""Scale of the derivative along a known curve: the blur of a sharp photo, so that a dark rim a few pixels wide keeps
both its edges."""
SOFT_PX = 3.5
"""Scale of the slope that soft light on the card has: what it was three such scales further up is taken away."""
FLOOR, CEILING = 4.0, 14.0
"""Significance counts from FLOOR to CEILING standard deviations of the card's own gradient: 4 sigma is passed by chance
in 6 of 100 000 samples, and beyond 14 more contrast is not more certainty."""
POOLED_COLUMNS = 2.0
"""Pooling along the outline: five columns share it, over which a crown line rises less than a row."""
OPPOSITE_POLARITY = 0.5
"""What an edge counts, along a known outline, that goes the other way than it does nearby (dark to bright): a worn flat
may mirror the lamp, but the lamp's own line below the outline is the commoner reason."""
STEEPEST_STEPS = 3
"""Rows from one column to the next, four rows on, along a known curve: a slope of 0.75, which a hollow 2 mm long and
0.4 mm deep stays under."""
BEND_TOLL = 0.02
"""Cost of a step, times its square: three rows at once cost a fifth of a certain edge, one row next to nothing."""
POLARITY_COLUMNS = 21
"""Columns pooled to tell which way the light steps nearby: on scratched metal it changes every few millimetres."""
LONG_COLUMNS = 10.0
"""Pooling along a known curve for an outline that is faint in each place: scratched metal that is near the card's
tone."""
LEAST_OWN_SHARE = 0.7
"""Share of a long stretch's steepness that a place must show of its own: at a hollow's rim it fades."""
DITHER = 0.5
"""Mean difference of neighbouring rows, in codes, from which rounding is white: noise of a standard deviation of half a
code leaves no bands (Gaussian dither, from memory), and its neighbours differ by 0.56."""
OWN_ROWS = 4
"""Rows just above a path that belong to its own edge: three times the derivative's scale."""
ABOVE = 0.3
"""Cost of leaving a certain edge above the path, relative to the gain of taking it: three of them undo one gain, so an
isolated speck on the card does not pull the path up, and a line across the fret does."""


STRAY_SHARE, STRAY_SIGMAS = 0.98, 2.33
"""Quantile of a card's slopes that stands for its strays, and how many standard deviations out it lies in normal
noise."""
STRAY_ROWS = 41
"""Rows whose strays are pooled: most of a millimetre close up, over which light on paper changes little."""


def rectified_light(photo: Photo, pose: BoardPose, y: Array, z: Array, offsets: Array, x: float = 0.0) -> Light:
    """Linear light on the upright plane at `x`, along a curve and above and below it.

    Parameters
    ----------
    y, z : ndarray, shape (N,)
        The curve, mm; one column for each point.
    offsets : ndarray, shape (M,)
        Heights above the curve, mm; one row for each.

    Returns
    -------
    ndarray of float32, shape (M, N)
        Pixels outside the photo repeat its border. Rows are spaced evenly in the photo between the first and the
        last: perspective over a few millimetres of height is below the width of an edge.
    """
    ends = [pose.to_px(np.column_stack([np.full_like(y, x), y, z + offsets[i]])) for i in (0, -1)]
    share = ((offsets - offsets[0]) / (offsets[-1] - offsets[0]))[:, None, None]
    at = (ends[0] + share * (ends[1] - ends[0])).astype(np.float32)
    light = cv2.remap(photo.gray, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return linear_light(np.asarray(light, dtype=np.uint8))


def least_slope_noise(light: Light, quiet_rows: int, scale_px: float, pooled: float = 0.0) -> Array:
    """What rounding leaves in a derivative of Gaussian down the columns, `pooled` so many columns wide; (columns,).

    Among noise it is white: such a derivative passes the variance 1 / (4 sqrt(pi) sigma^3), pooling 1 / (2 sqrt(pi)
    sigma). Where noise was taken out, light that changes evenly is rounded to bands, alike in neighbouring columns, so
    that pooling leaves a band's end as it is: a step of one code, steepest by 1 / (sqrt(2 pi) sigma), is just no edge.
    """
    quiet = light[: max(8, quiet_rows)]
    noise = coding_noise(np.median(quiet, axis=0))
    code = math.sqrt(12.0) * noise  # GUM 4.3.7
    if np.mean(np.abs(np.diff(quiet, axis=0))) < DITHER * float(np.mean(code)):
        return np.asarray(code / (math.sqrt(2.0 * math.pi) * scale_px * FLOOR))
    share = 1.0 / (4.0 * math.sqrt(math.pi) * scale_px**3)
    return np.asarray(noise * math.sqrt(share / max(1.0, 2.0 * math.sqrt(math.pi) * pooled)))


def card_noise(light: Light) -> Array:
    """Noise of `significance`'s slope down the columns, row by row, where all of it is plain card; shape (rows,).

    A denoiser leaves most of a card flat and its speckles as they were, and paper mirrors speckles in some places only:
    so it counts the strays of a neighbourhood, not its usual noise."""
    stray = np.quantile(np.abs(_sharp_slope(light, DERIVATIVE_PX)), STRAY_SHARE, axis=1) / STRAY_SIGMAS
    return np.asarray(uniform_filter1d(stray, min(STRAY_ROWS, len(stray))), dtype=np.float64)


def slope_in_noise(light: Light, card: Light) -> Array:
    """Derivative down the columns in units of the usual noise in each row of `card`, compressed beyond `FLOOR`.

    Shape of `light`. For pooling along an outline: a speck on the card, or a glint on the metal, must not stand for a
    whole stretch."""
    usual = np.median(np.abs(_sharp_slope(card, DERIVATIVE_PX)), axis=1) * MAD_TO_SD
    usual = uniform_filter1d(usual, min(STRAY_ROWS, len(usual)))
    least = np.maximum(usual[:, None], least_slope_noise(light, len(light), DERIVATIVE_PX)[None, :])
    return np.asarray(FLOOR * np.arcsinh(_sharp_slope(light, DERIVATIVE_PX) / least / FLOOR), dtype=np.float64)


def certainty(sigmas: ArrayLike) -> Array:
    """0 to 1: how surely something so many standard deviations from none is there."""
    return np.asarray(np.clip((np.asarray(sigmas) - FLOOR) / (CEILING - FLOOR), 0.0, 1.0), np.float64)


def significance(light: Light, quiet_rows: int, least_noise: Array | None = None) -> Array:
    """How surely each sample is the steepest point of an edge across the rows, 0 to 1; shape of `light`.

    The surer of two looks: each column alone, for the steep walls of a divot, and columns pooled with their neighbours,
    for faint edges. `quiet_rows` rows at the start are known to be plain card: their gradient says what is noise,
    column by column (neighbouring columns pooled), because noise grows with light. `least_noise` is what noise of the
    slope is known to reach in each row, shape (rows,), from `card_noise`."""
    alone = _sharp_slope(light, DERIVATIVE_PX)
    pooled = gaussian_filter1d(alone, POOLED_COLUMNS, axis=1)
    looks = ((alone, 0.0), (pooled, POOLED_COLUMNS))
    floors = (least_slope_noise(light, quiet_rows, DERIVATIVE_PX, p) for _, p in looks)
    sigmas = (_against_noise(s, quiet_rows, least, least_noise) for (s, _), least in zip(looks, floors, strict=True))
    return np.maximum(*(_certain(np.abs(s)) for s in sigmas))


def _sharp_slope(light: Light, scale_px: float) -> Light:
    """Derivative down the columns, less what it was a little further up: soft light on the card has none left."""
    slope = gaussian_filter1d(light, scale_px, axis=0, order=1)
    soft = gaussian_filter1d(slope, SOFT_PX, axis=0)
    lag = round(3.0 * SOFT_PX)
    further_up = np.concatenate([np.repeat(soft[:1], lag, axis=0), soft])[: len(soft)]
    return np.asarray(slope - further_up, dtype=np.float32)


def trace_edge(light: Light, quiet_rows: int, on_curve: int) -> tuple[NDArray[np.intp], Array, Array]:
    """The outline in light straightened to a curve most of it lies on.

    Parameters
    ----------
    light : ndarray of float32, shape (rows, columns)
        Rows from the side of the card.
    quiet_rows : int
        Rows at the start that are plain card.
    on_curve : int
        Row of the curve.

    Returns
    -------
    path : ndarray of int, shape (columns,)
    gain : ndarray of float, shape (columns,)
        Certainty on it, 0 to 1.
    polarity : ndarray of float, shape (columns,)
        1 where light rises coming down, -1 where it falls.
    """
    fine = _sharp_slope(light, FINE_PX)
    near = gaussian_filter1d(fine, POOLED_COLUMNS, axis=1)
    floors = (least_slope_noise(light, quiet_rows, FINE_PX, p) for p in (0.0, POOLED_COLUMNS))
    slope, pooled = (_against_noise(s, quiet_rows, least) for s, least in zip((fine, near), floors, strict=True))
    slope = np.where(np.abs(slope) > np.abs(pooled), slope, pooled)
    polarity = _usual_polarity(slope, on_curve)
    certain = _certain(np.abs(slope)) * np.where(slope * polarity > 0.0, 1.0, OPPOSITE_POLARITY)
    certain = np.maximum(certain, _along_a_stretch(light, fine, near, pooled, quiet_rows, on_curve))
    path, gain = first_edge(certain, STEEPEST_STEPS, BEND_TOLL)
    columns = np.arange(len(path))
    near = np.stack([slope[np.clip(path + k, 0, len(slope) - 1), columns] for k in (-1, 0, 1)])
    strongest = near[np.argmax(np.abs(near), axis=0), columns]
    return path, gain, np.where(strongest == 0.0, polarity, np.sign(strongest))


def _along_a_stretch(light: Light, fine: Light, near: Light, pooled: Light, quiet_rows: int, on_curve: int) -> Array:
    """Certainty that the outline lies on the curve, from a long stretch of it; 0 off it, and where nothing shows.

    From the slope in each column, pooled over a few of them, and that against its noise."""
    about = slice(max(on_curve - 2, 0), on_curve + 3)
    quiet = min(max(8, quiet_rows), len(fine))
    long = gaussian_filter1d(np.concatenate([fine[:quiet], fine[about]]), LONG_COLUMNS, axis=1)
    least = least_slope_noise(light, quiet, FINE_PX, LONG_COLUMNS)
    certain = _certain(np.abs(_against_noise(long, quiet, least)[quiet:]))
    polarity, long = np.sign(long[quiet:]), np.abs(long[quiet:])
    own = (near[about] * polarity > LEAST_OWN_SHARE * long) & (np.abs(pooled[about]) > LEAST_OWN_SHARE * FLOOR)
    out = np.zeros(fine.shape)
    out[about][1:-1] = np.where(own, certain, 0.0)[1:-1]
    return out


def _usual_polarity(slope: Light, on_curve: int) -> Array:
    """Which way the light steps along a curve, as most of it does nearby; shape (columns,)."""
    near = np.asarray(slope[max(0, on_curve - 2) : on_curve + 3], dtype=np.float64)
    overall = np.median(near, axis=1)
    # compressed, so that no speck stands for its neighbours, and yet a halo of sharpening is weaker than its edge
    local = uniform_filter1d(FLOOR * np.arcsinh(near / FLOOR), POLARITY_COLUMNS, axis=1)
    strongest = local[np.argmax(np.abs(local), axis=0), np.arange(local.shape[1])]
    polarity = float(np.sign(overall[np.argmax(np.abs(overall))])) or 1.0
    return np.where(np.abs(strongest) > 0.5 * FLOOR, np.sign(strongest), polarity)


def steepness(light: Light, quiet_rows: int) -> Light:
    """Derivative down the columns in units of its noise on plain card; positive where light rises."""
    least = least_slope_noise(light, quiet_rows, FINE_PX)
    return _against_noise(_sharp_slope(light, FINE_PX), quiet_rows, least)


def _against_noise(slope: Light, quiet_rows: int, least: Array, of_rows: Array | None = None) -> Light:
    """A slope in units of its noise in quiet rows, never less than `least` (columns,) and what `of_rows` reach."""
    quiet = np.median(np.abs(slope[: max(8, quiet_rows)]), axis=0) * MAD_TO_SD
    noise = np.maximum(uniform_filter1d(quiet, min(101, len(quiet))), least)
    noise = noise if of_rows is None else np.maximum(noise[None, :], of_rows[:, None])
    return np.asarray(slope / noise, dtype=np.float32)


def _certain(sigmas: Light) -> Array:
    """0 to 1 at peaks down the columns, else 0."""
    peak = sigmas >= maximum_filter1d(sigmas, 3, axis=0)
    return np.asarray(np.where(peak, certainty(sigmas), 0.0), np.float64)


def edge_gain(certain: Array, own_rows: int = OWN_ROWS) -> Array:
    """Certainty on each sample (the best within one row), less what is left above it; shape of `certain`."""
    above = np.cumsum(certain, axis=0)
    above = np.vstack([np.zeros((own_rows, certain.shape[1])), above[:-own_rows]])
    return np.asarray(maximum_filter1d(certain, 3, axis=0) - ABOVE * above)


def first_edge(
    certain: Array, max_step: int = 4, bend_toll: float = 0.0, own_rows: int = OWN_ROWS
) -> tuple[NDArray[np.intp], Array]:
    """The path, one row a column, that takes the most certainty and leaves the least above it.

    Parameters
    ----------
    certain : ndarray, shape (rows, columns)
        From `significance`; rows counted from the side of the card.
    max_step : int
        Greatest change of row from one column to the next.
    bend_toll : float
        Cost of a step, times its square.
    own_rows : int
        Rows just above the path that belong to the edge itself.

    Returns
    -------
    ndarray of int, shape (columns,)
        Row of the path.
    ndarray of float, shape (columns,)
        Certainty found on it (the best within one row).
    """
    gain = edge_gain(certain, own_rows)
    here = maximum_filter1d(certain, 3, axis=0)
    rows, columns = gain.shape
    total = gain[:, 0].copy()
    back = np.empty((columns, rows), np.int16)
    steps = np.arange(-max_step, max_step + 1)
    toll = 0.02 * np.abs(steps) + bend_toll * steps**2
    padded = np.full(rows + 2 * max_step, -np.inf)
    window_of = np.lib.stride_tricks.sliding_window_view(padded, 2 * max_step + 1)
    for c in range(1, columns):
        padded[max_step:-max_step] = total
        window = window_of - toll
        best = np.argmax(window, axis=1)
        back[c] = best - max_step
        total = window[np.arange(rows), best] + gain[:, c]
    path = np.empty(columns, np.intp)
    path[-1] = int(np.argmax(total))
    for c in range(columns - 1, 0, -1):
        path[c - 1] = path[c] + back[c, path[c]]
    return path, here[path, np.arange(columns)]
