"""How a photo shows a sharp edge: blur, and the sharpening that the camera or phone put on top of it.

The printed scales hold straight edges between black and white, so the picture of one is known but for what lens, focus
and the camera's processing did to it. Rows across many of them, each laid on its own step, give one finely sampled
edge spread function (the slanted-edge method of ISO 12233); a forward model is fitted to it: a step blurred in light by
a normal distribution, coded (IEC 61966-2-1), and sharpened in codes, as cameras do, by an unsharp mask.

An edge in a sharpened photo looks sharper than the lens drew it, so what is told from an edge's blur (how surely it is
placed beside uneven metal, how near two edges may be) has to ask here what the blur was before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares
from scipy.special import ndtr

from calib.edges import locate_steps, row_offsets, sample_across
from calib.found_once import found_once
from calib.photo import Photo, linear_light
from calib.scales.base import Scale
from calib.scales.printed import SHEETS

__all__ = [
    "LEAST_CONTRAST",
    "LEVEL_SHARE",
    "LONGEST_PX",
    "EdgeResponse",
    "srgb_codes",
    "coding_noise",
    "edge_response",
    "fit_spread_function",
    "level_of",
    "linear_light_of",
    "response_across",
    "room_across",
]

Vector = NDArray[np.float64]

LONGEST_PX = 8.0
"""Half a row at most: the halo of the widest sharpening in use (a radius of 3 px) ends there (no source)."""
CELL_SHARE = 0.8
"""Half a row at most, in cells of the marker beside it: the next edge is a cell away."""
LEAST_REACH_PX = 3.0
"""Half a row under which no level part is left beside a blurred step."""
LEVEL_SHARE = 0.7
"""From this share of a row outwards it is level: for the levels of black and white."""
BIN_PX = 0.25
"""Bins of the spread function: four to a pixel, as ISO 12233 has them."""
ALONGSIDE_PX = (-2.0, 0.0, 2.0)
"""Rows beside each point of the scale, px along its edge: their noise is their own (see `calib.edges`)."""
LEAST_ROWS = 24
"""Fewer rows do not fill the bins."""
LEAST_CONTRAST = 0.15
"""Step in codes over 255 under which an edge is none of black print on lit paper, or too dim to say anything."""
RADIUS_PX, U_LOG_RADIUS = 1.2, 0.4
"""Usual radius of a camera's sharpening and how widely it varies, as a factor's logarithm (common practice, no source:
0.7 to 2 px): where nothing is sharpened it is unknown and must be held somewhere."""
U_AMOUNT = 1.0
"""Strengths of sharpening in use, about none (common practice, no source: 0.3 to 1.5): a wide blur sharpened much looks
like a narrower one sharpened little, and the weaker claim is made."""
U_LEVEL = 0.03
"""Share of the step by which black and white may lie beyond where the rows end: a blur's tail, steep in dark codes."""
U_BIN = 0.01
"""Share of the step by which a bin may be off besides noise: JPEG, and paper that is not one white."""
INTERPOLATION_PX2 = 1.0 / 6.0
"""Variance that bilinear sampling adds to the blur, px^2: t (1 - t) over all phases t."""
DARKEST = 0.005
"""Linear light under which decoding is a straight line, and a code's step no longer shrinks (IEC 61966-2-1: 0.0031)."""
_FINE_PX = 0.125  # of the model's own samples: half a bin
_MARGIN_PX = 12.0  # of the model beyond the rows: the mask's own tails


@dataclass(frozen=True)
class EdgeResponse:
    """What a photo makes of a sharp edge between black and white.

    Attributes
    ----------
    spread_px : float
        Standard deviation of the blur in linear light, before sharpening, pixels.
    u_spread_px : float
        Its standard uncertainty.
    overshoot : float
        How far the codes beside an edge go beyond their level, as a share of the step in codes: the larger of both
        sides, as it would be without clipping at white or black. 0 where nothing was sharpened.
    amount : float
        Strength of the unsharp mask that explains it: the share of what the mask took out that was put on top.
    radius_px : float
        Standard deviation of that mask, pixels; of no meaning where `overshoot` is near 0.
    black, white : float
        Codes of print and paper over 255, medians.
    white_bgr : tuple of float
        The bright side's linear light in each channel over that of the brightest: of paper, the light's colour.
    rows : int
        Rows that were put together.
    """

    spread_px: float
    u_spread_px: float
    overshoot: float
    amount: float
    radius_px: float
    black: float
    white: float
    white_bgr: tuple[float, float, float]
    rows: int


def edge_response(photo: Photo, scale: Scale) -> EdgeResponse | None:
    """The response of a photo with a printed scale; None where the scale has no black edges on white, or too few show.

    Points of the scale must lie on edges with `Scale.turn_rad` along them, as `calib.scales.printed` gives them. It is
    worked out once for a photo and its scale.
    """
    of, found = found_once(photo, ("edge response", id(scale)), lambda: (scale, _response(photo, scale)))
    return found if of is scale else _response(photo, scale)  # another's number, in a photo that came from elsewhere


def _response(photo: Photo, scale: Scale) -> EdgeResponse | None:
    if scale.turn_rad is None or len(scale.ids) != len(scale.image_px):
        return None
    reach = np.minimum(LONGEST_PX, room_across(scale))
    use = reach >= LEAST_REACH_PX
    if use.sum() * len(ALONGSIDE_PX) < LEAST_ROWS:
        return None
    half = float(np.median(reach[use]))
    points, normals = _across_edges(scale, use & (reach >= half))
    return response_across(photo, points, normals, half)


def response_across(
    photo: Photo, points: Vector, normals: Vector, half: float, most_uneven: float = math.inf, room: float = 0.0
) -> EdgeResponse | None:
    """The response told from rows across edges; None where too few of them show one step between two levels.

    Parameters
    ----------
    points, normals : ndarray, shape (N, 2)
        Where each row is centred, and its unit direction.
    half : float
        Half a row, px; from `LEVEL_SHARE` of it outwards both sides are level.
    most_uneven : float
        Scatter about its level, as a share of the step, with which a side still counts as level.
    room : float
        Codes over 255 that a level must keep from black and from white, so that a halo beside it is not cut off.
    """
    offsets = row_offsets(half, BIN_PX * 2.0)
    rows = sample_across(photo, points, normals, half, BIN_PX * 2.0)
    steps = locate_steps(rows, offsets)
    keep = np.isfinite(steps.at) & (np.abs(steps.at) < half / 3.0)
    if keep.sum() < LEAST_ROWS:
        return None
    sign = np.sign(steps.contrast[keep])
    at = (offsets[None, :] - steps.at[keep, None]) * sign[:, None]  # dark to bright
    codes = srgb_codes(rows[keep])
    level = LEVEL_SHARE * half
    sides = at < -level, at > level
    dark, bright = (level_of(codes, mask) for mask in sides)
    uneven = np.sqrt(
        np.fmax(*(level_of((codes - of[:, None]) ** 2, m) for of, m in zip((dark, bright), sides, strict=True)))
    )
    found = np.isfinite(dark) & np.isfinite(bright) & (bright - dark > LEAST_CONTRAST)
    found &= (uneven <= most_uneven * (bright - dark)) & (dark >= room) & (bright <= 1.0 - room)
    if found.sum() < LEAST_ROWS:
        return None
    share = (codes[found] - dark[found, None]) / (bright - dark)[found, None]
    x, y, u = _binned(at[found], share, half)
    black, white = float(np.median(dark[found])), float(np.median(bright[found]))
    spread, u_spread, amount, radius, overshoot = fit_spread_function(x, y, u, black, white)
    spread = math.sqrt(max(spread**2 - INTERPOLATION_PX2, 0.0))
    colour = _paper(photo, points[keep][found], (normals[keep] * sign[:, None])[found], half)
    return EdgeResponse(spread, u_spread, overshoot, amount, radius, black, white, colour, int(found.sum()))


def srgb_codes(light: Vector) -> Vector:
    """Linear light 0..1 to sRGB codes over 255 (IEC 61966-2-1): the inverse of `calib.photo.linear_light`.

    >>> [f"{255.0 * c:.0f}" for c in srgb_codes(linear_light(np.array([7, 128, 255], dtype=np.uint8)).astype(float))]
    ['7', '128', '255']
    """
    v = np.clip(light, 0.0, 1.0)
    return np.asarray(np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1.0 / 2.4) - 0.055))


def coding_noise(light: ArrayLike) -> Vector:
    """Standard deviation that rounding to 8-bit codes leaves in linear light: a code's step over sqrt(12).

    The least noise of any photo, however smooth a denoiser left it. The step is the slope of IEC 61966-2-1's decoding,
    2.4 / 1.055 L^(1.4 / 2.4).

    >>> f"{float(coding_noise(0.5)):.4f}"
    '0.0017'
    """
    level = np.maximum(np.asarray(light, dtype=np.float64), DARKEST)
    return np.asarray(2.4 / 1.055 * level ** (1.4 / 2.4) / 255.0 / math.sqrt(12.0))


def room_across(scale: Scale) -> Vector:
    """How far a row may run either way at each of the scale's N points before it meets another edge, px, shape (N,)."""
    cell = {m.id: m.side / 6.0 for s in SHEETS.values() for m in s.markers}
    centred = [p - p.mean(axis=0) for p in (scale.image_px, scale.plane_mm)]
    px_per_mm = float(np.linalg.norm(centred[0]) / max(float(np.linalg.norm(centred[1])), 1e-9))
    return np.array([CELL_SHARE * cell.get(i, 0.0) * px_per_mm for i in scale.ids])


def _across_edges(scale: Scale, use: NDArray[np.bool_]) -> tuple[Vector, Vector]:
    """Points beside the scale's own along its edges, and unit normals, both (N, 2)."""
    turn = np.zeros(0) if scale.turn_rad is None else scale.turn_rad[use]
    along = np.column_stack([np.cos(turn), np.sin(turn)])
    points = scale.image_px[use][:, None] + along[:, None] * np.array(ALONGSIDE_PX)[None, :, None]
    normal = np.repeat(np.column_stack([-along[:, 1], along[:, 0]]), len(ALONGSIDE_PX), axis=0)
    return points.reshape(-1, 2), normal


def level_of(codes: Vector, mask: NDArray[np.bool_]) -> Vector:
    """Mean of each row's samples where `mask` is true, both (rows, samples); nan where it nowhere is."""
    count = mask.sum(axis=1)
    return np.asarray(np.where(count > 0, (codes * mask).sum(axis=1) / np.maximum(count, 1), np.nan))


def _binned(at: Vector, share: Vector, half: float) -> tuple[Vector, Vector, Vector]:
    """Spread function in bins: place (px), median share of the step, and its standard uncertainty."""
    k = np.round(at.ravel() / BIN_PX).astype(int)
    flat = share.ravel()
    last = math.floor(half * 2.0 / 3.0 / BIN_PX)
    groups = [(i, flat[k == i]) for i in range(-last, last + 1)]
    filled = [(i, g) for i, g in groups if len(g) >= 3]
    x = np.array([i * BIN_PX for i, _ in filled])
    y = np.array([np.median(g) for _, g in filled])
    u = np.array([np.std(g) * math.sqrt(math.pi / 2.0 / len(g)) for _, g in filled])  # of a median
    return x, y, np.hypot(u, U_BIN)


def fit_spread_function(
    x: Vector, y: Vector, u: Vector, black: float, white: float
) -> tuple[float, float, float, float, float]:
    """Fit a blurred, coded and sharpened step to a spread function.

    Parameters
    ----------
    x, y, u : ndarray, shape (N,)
        Place across the edge, px, from dark to bright; share of the step in codes there; its standard uncertainty.
    black, white : float
        Codes of both levels, over 255.

    Returns
    -------
    spread_px, u_spread_px, amount, radius_px, overshoot : float
        As in `EdgeResponse`.
    """
    fine = np.arange(x[0] - _MARGIN_PX, x[-1] + _MARGIN_PX, _FINE_PX)
    log_radius = math.log(RADIUS_PX)

    step = white - black

    def model(p: Vector) -> Vector:
        dark, bright = (linear_light_of(c) for c in (black - p[4] * step, white + p[5] * step))
        codes = srgb_codes(dark + (bright - dark) * ndtr((fine - p[0]) / math.exp(p[1])))
        return np.asarray(codes + p[2] * (codes - gaussian_filter1d(codes, math.exp(p[3]) / _FINE_PX, mode="nearest")))

    def misfit(p: Vector) -> Vector:
        share = (np.interp(x, fine, np.clip(model(p), 0.0, 1.0)) - black) / step
        expected = [p[2] / U_AMOUNT, (p[3] - log_radius) / U_LOG_RADIUS, p[4] / U_LEVEL, p[5] / U_LEVEL]
        return np.append((share - y) / u, expected)

    bounds = ([-2.0, math.log(0.2), 0.0, math.log(0.5), -0.1, -0.1], [2.0, math.log(8.0), 5.0, math.log(4.0), 0.1, 0.1])
    start = [0.0, 0.0, 0.2, log_radius, 0.0, 0.0]
    fit = least_squares(misfit, start, bounds=bounds, x_scale=[0.1, 0.1, 0.1, 0.2, 0.02, 0.02])
    spread = math.exp(fit.x[1])
    scatter = max(1.0, 2.0 * float(fit.cost) / max(1, len(x) - 3))
    cov = np.linalg.pinv(fit.jac.T @ fit.jac) * scatter
    sharp = model(fit.x)
    overshoot = max(float(sharp.max() - sharp[-1]), float(sharp[0] - sharp.min()), 0.0) / float(sharp[-1] - sharp[0])
    return spread, spread * math.sqrt(float(cov[1, 1])), float(fit.x[2]), math.exp(fit.x[3]), overshoot


def linear_light_of(code: float) -> float:
    """One code over 255, not a whole one, to linear light."""
    code = min(max(code, 0.0), 1.0)
    return code / 12.92 if code <= 0.04045 else float(((code + 0.055) / 1.055) ** 2.4)


def _paper(photo: Photo, points: Vector, towards_white: Vector, half: float) -> tuple[float, float, float]:
    """Linear light of the paper beside the edges in blue, green and red, over the brightest's."""
    at = np.round(points + LEVEL_SHARE * half * towards_white).astype(np.intp)
    at = np.clip(at, 0, [photo.width - 1, photo.height - 1])
    light = np.median(linear_light(np.ascontiguousarray(photo.bgr[at[:, 1], at[:, 0]])), axis=0)
    light = light / max(float(light.max()), 1e-6)
    return float(light[0]), float(light[1]), float(light[2])
