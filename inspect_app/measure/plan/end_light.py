"""The light around one end of a fret, and how well each place of it agrees with being board, bevel or crown.

The end is cut into narrow strips along the fret. In logarithm of light a shadow moves brightness and leaves colour, so
brightness and two colours are kept apart. What a place is judged by lies beside it: the board in front of the end
looks like the board beside the fret, or like it in shadow; the crown looks as it does a little farther in; the bevel is
a plane, so that across it the light is even.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo, linear_light
from calib.robust_spread import spread_about_zero
from inspect_app.measure.plan.fret_frame import FretFrame
from inspect_app.measure.plan.fret_patch import LUMINANCE_BGR
from shared.trade import WIDENING

__all__ = [
    "EndLight",
    "ExpectedEnd",
    "end_light",
    "noise_level",
    "stands_out",
    "like_beside",
    "board_log_density",
    "crown_log_density",
    "bevel_log_density",
    "dirt_log_density",
    "alongside_log_density",
    "darker_alongside",
    "STEP_SD",
]

Floats = NDArray[np.float64]

_FINEST_MM = 0.06
"""Rows lie no closer along the fret: about the blur of a sharp photo at 12 px/mm; less only costs time."""
_STRIP_MM = 0.25
"""Width of the strips a crown is cut into, about: ten of them, so that the curve of the bevel's rim shows."""
_PER_STRIP = 3
"""Samples across a strip, of which it is the mean: a pixel apart at 12 px/mm."""
_BESIDE_MM, _BESIDE_STEP_MM = (0.5, 1.3), 0.1
"""The board beside the fret is sampled so far from the crown's edge: clear of the shadow at its foot, near enough for
its edge to run straight on."""
_ALONGSIDE_MM = np.arange(0.0, 0.19, 0.03)
"""Dirt along a crown's foot is looked for so far from its edge: a rag leaves more than the finest of these, and beyond
the last the board may already be clean."""
_RIM_MM = 0.03
"""Left out at the crown's edges, which are known to about so much."""
_DARK = 0.01
"""Added to linear light before its logarithm: darker than that, flare in the lens decides."""
_GRAIN = np.array([0.06, 0.05, 0.05])[:, None, None]
"""Scatter of wood and of a polished crown over a strip, in logarithm of brightness and of the two colours; what the two
sides of the fret or the photo's noise show beyond it is added."""
_FILED = np.array([0.12, 0.09, 0.09])[:, None, None]
"""The same across a bevel: file marks, and colours bleeding in from crown and board, for JPEG keeps them at half the
resolution."""
_NOISE = 1.5
"""Noise over a strip, in units of that between neighbours along it: neighbours share part of it."""
_SHADED = 0.1
"""Prior probability of board in shadow before an end: one lamp in two shades the far side, for part of the view."""
_DEEPEST = 1.5
"""Deepest shadow, as a logarithm: a fifth of the light is left by what the surroundings send in."""
_TINT = 0.1
"""How far a shadow's colour departs from the lit board's, as a logarithm: what still lights it has a colour too."""
_OUTLIER_SHARE = 0.05
"""Share of samples that are none of it: a scratch, a pore, a burr that sparkles."""
_OUTLIER_DENSITY = 1.0 / 4.0
"""Density of a stray sample: brightness spreads over a factor of e^4, either colour over e."""
_CLEAR_MM = 0.2
"""So near to the scale nothing is read: its edge is blurred, sharpened, and throws a narrow shadow."""
_AHEAD_MM = (0.35, 0.8)
"""A crown is expected to go on as it is so much farther in: past the blur and burr of its rim, short of a flat."""
_CROWN_SURE_MM = 1.5
"""Innermost part read, crown wherever the end may be: how evenly a crown goes on is learnt there."""
_LAG_MM = 0.15
STEP_SD = np.array([0.15, 0.075, 0.075])
"""How much the light of a bevel changes over `_LAG_MM` up its face, which is past the blur: it mirrors what lies before
it, the board's margin lowest, and that has no sharp edges of its own: standard deviations."""
_STEP_MOST = 8.0
"""Four standard deviations: a greater change is as likely as that one."""

_ALIKE = np.array([0.25, 0.1, 0.1])[:, None, None]
"""How alike dirt is before an end and along the fret, in logarithm of brightness and of the two colours: one coat, but
the lamps strike it from elsewhere and the fret shades part of it."""
_DIRT_LIGHTEST = 1.2
"""Dirt is lighter than the board beside it by no more than this, a logarithm of brightness: dried polish sends back
some 10 % of the light, ebony 3 % (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ExpectedEnd:
    """About where an end is, mm along, and which way is off the fret: -1 at the treble end, +1 at the bass end."""

    along: float
    outward: int


@dataclass(frozen=True)
class EndLight:
    """The light around an end.

    Attributes
    ----------
    inward_mm : ndarray, shape (n,)
        Rows: place along the fret at board level, counted inwards from the place where the end is expected.
    across_mm : ndarray, shape (k,)
        Middles of the strips, from the crown's centre line, as seen at board level.
    strips : ndarray, shape (3, n, k)
        Logarithm of brightness, of red over green, of blue over green.
    beside : ndarray, shape (2, 3, n, k)
        What the board on the nut side and on the body side lets expect there.
    visible : ndarray of bool, shape (n,)
        Rows in full view.
    beside_visible : ndarray of bool, shape (2, n)
        The same beside the fret.
    alongside : ndarray, shape (2, 3)
        The darkest line along the crown's foot on the nut side and on the body side, where all is crown.
    """

    inward_mm: Floats
    across_mm: Floats
    strips: Floats
    beside: Floats
    visible: NDArray[np.bool_]
    beside_visible: NDArray[np.bool_]
    alongside: Floats

    @property
    def sure(self) -> NDArray[np.bool_]:
        """Rows that are crown wherever the end may be."""
        return np.asarray(self.inward_mm > self.inward_mm[-1] - _CROWN_SURE_MM)

    @property
    def step_mm(self) -> float:
        """Distance of rows."""
        return float(self.inward_mm[1] - self.inward_mm[0])

    @property
    def lag(self) -> int:
        """Rows over which the change of a bevel's light is judged."""
        return max(1, round(_LAG_MM / self.step_mm))

    @property
    def sample_mm2(self) -> float:
        """Area of a sample: a row's height times a strip's width."""
        return self.step_mm * float(self.across_mm[1] - self.across_mm[0])


def end_light(
    photo: Photo,
    covers_px: tuple[Floats, ...],
    frame: FretFrame,
    edges: tuple[float, float],
    expected: ExpectedEnd,
    reach_mm: tuple[float, float],
    px_per_mm: float,
) -> EndLight:
    """Read the light around one end.

    Parameters
    ----------
    covers_px : tuple of ndarray, shape (M, 2) each
        Closed outlines of what covers the board: the scale.
    edges : (float, float)
        Where the crown's edges are seen at board level, mm across.
    reach_mm : (float, float)
        How far out and in to read.
    """
    inward = np.arange(-reach_mm[0], reach_mm[1], max(1.0 / px_per_mm, _FINEST_MM))
    low, high = edges[0] + _RIM_MM, edges[1] - _RIM_MM
    k = max(6, round((high - low) / _STRIP_MM))
    fine = low + (np.arange(k * _PER_STRIP) + 0.5) * (high - low) / (k * _PER_STRIP)
    off = np.arange(_BESIDE_MM[0], _BESIDE_MM[1], _BESIDE_STEP_MM)
    foot = edges[0] - _ALONGSIDE_MM, edges[1] + _ALONGSIDE_MM
    columns = np.concatenate([fine, edges[0] - off, edges[1] + off, *foot])
    light, visible = _sampled(photo, covers_px, frame, expected.along - expected.outward * inward, columns)
    m, last = len(fine), len(fine) + 2 * len(off)
    strips = np.mean([light[:, :, i:m:_PER_STRIP] for i in range(_PER_STRIP)], axis=0)
    across = fine.reshape(k, _PER_STRIP).mean(axis=1)
    parts = [slice(m, m + len(off)), slice(m + len(off), last)]
    beside = [_along_board_edge(inward, light[:, :, p].mean(axis=2), across - columns[p].mean()) for p in parts]
    beside_visible = np.array([visible[:, p].all(axis=1) for p in parts])
    along_foot = np.median(light[:, inward > inward[-1] - _CROWN_SURE_MM, last:], axis=1)
    alongside = np.array([one[:, one[0].argmin()] for one in np.split(along_foot, 2, axis=1)])
    in_view = np.asarray(visible[:, :m].all(axis=1), bool)
    return EndLight(inward, across, strips, np.array(beside), in_view, beside_visible, alongside)


def _sampled(
    photo: Photo, covers_px: tuple[Floats, ...], frame: FretFrame, along: Floats, across: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Logarithms of light (3, n, m) on a grid at board level, and what of it is in view."""
    px, (low, high) = _map(frame, along, across)
    size = np.array([photo.width, photo.height])
    inside = np.ones(px.shape[:2], dtype=bool)
    if np.any(low < 0.0) or np.any(high > size - 1.0):
        inside = np.all((px >= 0.0) & (px <= size - 1.0), axis=2)
    first, last = np.maximum(np.floor(low).astype(int) - 2, 0), np.minimum(np.ceil(high).astype(int) + 3, size)
    if (last - first).min() < 4:
        return np.zeros((3, *inside.shape)), np.zeros_like(inside)
    at = (px - first).astype(np.float32)
    codes = photo.part(first, last)
    shown = cv2.remap(codes, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    clear = _CLEAR_MM * float(np.linalg.norm(px[-1, 0] - px[0, 0])) / abs(along[-1] - along[0])
    for outline in covers_px:
        if np.all(outline.max(axis=0) > first - clear) and np.all(outline.min(axis=0) < last + clear):
            inside &= ~_covered(outline - first, clear, at, codes.shape[:2])
    return _logarithms(np.asarray(shown, np.uint8)), inside


def _logarithms(codes: NDArray[np.uint8]) -> Floats:
    """Logarithm of brightness, of red over green and of blue over green, (3, n, m), of sRGB codes (n, m, 3)."""
    out = np.empty((3, *codes.shape[:2]))
    np.log(cv2.transform(linear_light(codes), LUMINANCE_BGR) + np.float32(_DARK), out=out[0])
    by_channel = _CODE_BRIGHT[codes]
    np.subtract(by_channel[..., 2], by_channel[..., 1], out=out[1])
    np.subtract(by_channel[..., 0], by_channel[..., 1], out=out[2])
    return out


def _covered(outline: Floats, clear_px: float, at: NDArray[np.float32], size: tuple[int, ...]) -> NDArray[np.bool_]:
    """Which of the pixels `at` (n, m, 2), in a picture of that size, lie within an outline or that near to it."""
    covered = np.zeros(size, np.uint8)
    cv2.fillPoly(covered, [np.round(outline).astype(np.int32)], 1)
    reach = 2 * math.ceil(clear_px) + 1
    near = cv2.dilate(covered, np.ones((reach, reach), np.uint8))
    hidden = cv2.remap(near, at[..., 0], at[..., 1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(hidden > 0)


def _map(frame: FretFrame, along: Floats, across: Floats) -> tuple[Floats, tuple[Floats, Floats]]:
    """Photo pixels of a grid at board level, shape (n, m, 2), and their least and greatest (x, y).

    Worked out on a coarse grid, as it hardly bends.
    """
    some = np.unique(np.append(np.arange(0, len(along), 8), len(along) - 1))
    few = np.linspace(across.min(), across.max(), 5)
    coarse = frame.to_px(along[some][:, None], few[None, :]).reshape(len(some), len(few), 2)
    px = np.tensordot(_between(some, np.arange(len(along))), _between(few, across) @ coarse, 1)
    return px, (coarse.min(axis=(0, 1)), coarse.max(axis=(0, 1)))


def _between(nodes: NDArray[Any], places: NDArray[Any]) -> Floats:
    """Weights (places, nodes) of values at rising nodes for straight lines between them."""
    return np.array([np.interp(places, nodes, one) for one in np.eye(len(nodes))]).T


def _along_board_edge(inward: Floats, beside: Floats, away: Floats) -> Floats:
    """What is seen beside, (3, n), as it runs on `away` (k,) mm towards the body along the board's edge; (3, n, k)."""
    at = inward[:, None] + WIDENING * away
    return np.array([np.interp(at, inward, b) for b in beside])


def _worth_of_codes() -> tuple[Floats, Floats]:
    """Brightness of the 256 codes of sRGB, and what one code is worth there in logarithm of light."""
    light = linear_light(np.arange(256, dtype=np.uint8)).astype(float) + _DARK
    return np.log(light), np.gradient(np.log(light))


_CODE_BRIGHT, _CODE_WORTH = _worth_of_codes()
"""Worked out once: a step of one code is worth more in the dark."""


def noise_level(e: EndLight) -> Floats:
    """Noise between neighbours along the strips, in codes, for brightness and colours; shape (3, 1, 1)."""
    bend = (e.strips[:, 2:] - 2.0 * e.strips[:, 1:-1] + e.strips[:, :-2]) / math.sqrt(6.0)
    clear = e.visible[2:] & e.visible[1:-1] & e.visible[:-2]
    if not clear.any():
        return np.ones((3, 1, 1))
    size = np.abs(bend[:, clear]) / np.interp(e.strips[0, 1:-1][clear], _CODE_BRIGHT, _CODE_WORTH)
    return spread_about_zero(size, axis=(1, 2))[:, None, None]


def _scatter(noise: Floats, own: Floats, bright: Floats) -> Floats:
    """Standard deviations (3, n, k) where the light is so bright, from its `own` and the photo's noise."""
    return np.sqrt(own**2 + (_NOISE * noise * np.interp(bright, _CODE_BRIGHT, _CODE_WORTH)) ** 2)


def _normal(off: Floats, sd: Floats) -> Floats:
    """Density of independent normal departures in the three (first axis)."""
    a, b, c = (off / sd) ** 2
    s, t, u = sd
    return np.asarray(np.exp(-0.5 * (a + b + c)) / (s * t * u * (2.0 * math.pi) ** 1.5))


def _middle(ordered: Floats) -> Floats:
    """Median along the last axis, which is kept; sorted along it."""
    k = ordered.shape[-1]
    return np.asarray((ordered[..., (k - 1) // 2] + ordered[..., k // 2])[..., None] / 2.0)


def _with_outliers(density: Floats) -> Floats:
    """Logarithm of a density, of which a share is that of anything."""
    return np.asarray(np.log((1.0 - _OUTLIER_SHARE) * density + _OUTLIER_SHARE * _OUTLIER_DENSITY))


def stands_out(e: EndLight) -> bool:
    """Whether what is seen differs from the board on both sides by more than grain and polish scatter (3 sigma)."""
    rows = e.visible & e.beside_visible.all(axis=0)
    off = np.abs((e.strips - e.beside.mean(axis=0))[:, rows])
    return bool(rows.any() and np.any(np.median(off, axis=(1, 2)) > 3.0 * _GRAIN.ravel()))


def board_log_density(e: EndLight, noise: Floats) -> Floats:
    """Log density of each sample as board before the end, shape (n, k): as on either side or their mean, or in shadow.

    Rows where neither side is in view count as stray.
    """
    (nut, body), visible = e.beside, e.beside_visible
    both, sd = visible[0] & visible[1], _board_scatter(e, noise)
    total = np.zeros(e.strips.shape[1:])
    for expected, where, weight in (((nut + body) / 2.0, both, 0.5), (nut, visible[0], 0.25), (body, visible[1], 0.25)):
        off = e.strips - expected
        shade = _middle(np.sort(off, axis=2))
        deep = (shade[0] > -_DEEPEST) & (shade[0] < 0.0)
        tint = np.where(deep, np.exp(-0.5 * np.sum((shade[1:] / _TINT) ** 2, axis=0)), 0.0)
        mixed = (1.0 - _SHADED) * _normal(off, sd) + _SHADED * tint * _normal(off - shade, sd)
        total += weight * where[:, None] * mixed
    return np.asarray(np.where(e.visible[:, None], _with_outliers(total), 0.0))


def _board_scatter(e: EndLight, noise: Floats) -> Floats:
    """Standard deviations (3, n, k) of board about the mean of what lies on the fret's two sides."""
    (nut, body), both = e.beside, e.beside_visible.all(axis=0)
    apart = np.median(np.abs(nut - body)[:, both], axis=(1, 2)) if both.any() else np.zeros(3)
    return _scatter(noise, np.hypot(_GRAIN, apart[:, None, None] / 2.0), np.maximum(nut[0], body[0]))


def like_beside(e: EndLight, noise: Floats) -> NDArray[np.bool_]:
    """Rows, shape (n,), that on the fret's line do not stand out from what is seen beside it (3 sigma)."""
    seen = e.beside_visible[:, None, :, None]
    beside = np.sum(np.where(seen, e.beside, 0.0), axis=0) / np.maximum(seen.sum(axis=0), 1)
    off = np.median(np.abs(e.strips - beside) / _board_scatter(e, noise), axis=2)
    return np.asarray((off < 3.0).all(axis=0) & e.visible & e.beside_visible.any(axis=0))


def crown_log_density(e: EndLight, noise: Floats) -> Floats:
    """Log density of each sample as crown, shape (n, k): as it looks a little farther in, strip by strip."""
    n, first, last = len(e.inward_mm), round(_AHEAD_MM[0] / e.step_mm), round(_AHEAD_MM[1] / e.step_mm)
    sums = np.cumulative_sum(e.strips * e.visible[:, None], axis=1, include_initial=True)
    count: NDArray[np.intp] = np.cumulative_sum(e.visible, include_initial=True)
    a, b = np.minimum(np.arange(n) + first, n), np.minimum(np.arange(n) + last, n)
    many = count[b] - count[a]
    expected = (sums[:, b] - sums[:, a]) / np.maximum(many, 1)[:, None]
    off, known = e.strips - expected, e.visible & (2 * many > last - first)
    inner = known & e.sure
    own = spread_about_zero(off[:, inner], axis=1) if inner.sum() > 4 else np.full((3, off.shape[2]), 0.15)
    fit = _with_outliers(_normal(off, _scatter(noise, np.hypot(own[:, None], _GRAIN / math.sqrt(2.0)), expected[0])))
    return np.asarray(np.where(known[:, None], fit, math.log(_OUTLIER_DENSITY)) * e.visible[:, None])


def bevel_log_density(e: EndLight, noise: Floats, strips: slice) -> tuple[Floats, Floats]:
    """Log density of each row as bevel between two strips, and of its change over the rows before; both shape (n,)."""
    part = np.sort(e.strips[:, :, strips], axis=2)
    tone = _middle(part)
    fit = _with_outliers(_normal(part - tone, _scatter(noise, _FILED, tone[0]))).sum(axis=1) * e.visible
    lag = e.lag
    change, both = np.zeros(len(fit)), e.visible.copy()
    a, b, c = ((tone[:, lag:, 0] - tone[:, :-lag, 0]) / STEP_SD[:, None]) ** 2
    change[lag:] = -0.5 / lag * (a + b + c)
    both[lag:] &= e.visible[:-lag]
    return fit, np.maximum(change, -_STEP_MOST) * both


def dirt_log_density(e: EndLight, noise: Floats) -> tuple[Floats, Floats]:
    """Log density of each row as dirt or shadow before the foot, and of its change over the rows before; shape (n,).

    As even across as a bevel, of whatever tone, but darker than the board beside it.
    """
    fit, change = bevel_log_density(e, noise, slice(None))
    tone = np.median(e.strips[0], axis=1)
    beside = np.where(e.beside_visible, e.beside[:, 0].mean(axis=2), -np.inf).max(axis=0)
    lighter = e.visible & (tone > beside + _DIRT_LIGHTEST)
    return np.where(lighter, e.strips.shape[2] * math.log(_OUTLIER_SHARE * _OUTLIER_DENSITY), fit), change


def darker_alongside(e: EndLight) -> float | None:
    """How much darker the board is along the crown's feet than farther off, on the side where less; ``None`` if hidden.

    A logarithm of brightness. A lamp's shadow lies on one side of a fret, dirt on both.
    """
    if not e.beside_visible[:, e.sure].all():
        return None
    board = np.median(e.beside[:, 0, e.sure], axis=(1, 2))
    return float(np.min(board - e.alongside[:, 0]))


def alongside_log_density(e: EndLight, noise: Floats) -> Floats:
    """Log density of each row as more of what lies along the crown's feet, on either side; shape (n,)."""
    both = [np.broadcast_to(tone[:, None, None], e.strips.shape) for tone in e.alongside]
    mixed = sum(0.5 * _normal(e.strips - tone, _scatter(noise, _ALIKE, tone[0])) for tone in both)
    return np.asarray(_with_outliers(np.asarray(mixed)).sum(axis=1) * e.visible)
