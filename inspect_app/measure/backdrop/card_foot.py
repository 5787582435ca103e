"""The backdrop's foot, seen across the neck: where white card ends and what lies under it begins.

Light is straightened to the card's own plane, so that its foot, cut straight, and a string before it are straight
lines there. Columns are pooled in blocks along the card; an edge is where a block's light changes fastest.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.lines import theil_sen
from calib.photo import Photo, linear_light
from calib.plane import Plane
from calib.robust_spread import spread_about_zero
from calib.scales.printed import Sheet

__all__ = [
    "BELOW_PRINT_MM",
    "PLAIN_MM",
    "CardLight",
    "StraightEdge",
    "card_light",
    "find_feet",
    "fitted_edge",
    "is_soft",
    "light_at",
    "pixels_at",
    "steepest",
    "straightened",
]

Array = NDArray[np.float64]
Light = NDArray[np.float32]

BLOCK_MM = 1.0
"""Columns pooled: a string that rises by a hundredth over the card is smeared by a third of a pixel, and noise of one
column in forty is left over."""
SIDE_MM = 0.6
"""Card left out at each of its upright edges: their blur."""
BELOW_PRINT_MM = 0.6
"""Card left out under the last printed row: its blur."""
PLAIN_MM = 2.0
"""Of card below that which no string comes before: none stands 6 mm over the crowns."""
BELOW_FOOT_MM = 4.0
"""From the foot as printed to the lowest place looked at: it may be cut shorter, and the neck's side is under it."""
EVERY = 12
"""Places from one whose pixel is worked out to the next."""
MOSTLY_INSIDE = 0.5
"""Share of what is looked at that must be in the photo."""
DERIVATIVE_PX = 1.2
"""Scale of the derivative: the blur of a sharp photo."""
WHITE, NOT_WHITE = 0.7, 0.85
"""Light over the card's own that is still white one blur above an edge, and that is white no more below it: paper falls
off by a tenth towards a fret's shadow, and light wood sends back two thirds."""
ABOVE_PX, BELOW_PX = 2.0, 3.0
"""How far above and below an edge that is looked at: beyond its blur."""
LEAST_SHARE = 0.3
"""Share of the blocks that must show the foot: a string may hide the rest, a straight foot goes on."""
SLOPES = np.linspace(-0.02, 0.02, 41)
"""Of the foot against the print: scissors and knives along a rule stay within a degree."""
FULL_DROP = 0.3
"""Drop of light from which an edge counts in full: grain in light wood drops by a tenth."""
RUN_PX, LIKE_CARD = 5.0, (0.9, 1.1)
"""Card goes on below a line where so many pixels are as bright as the card over it, but for its soft shadows."""
CARD_SHARE = 0.6
"""Quantile of the light above a line that is the card's, string or not."""
STRING_MM = 1.7
"""The thickest string (common practice, no source): card hidden by it begins again no lower."""
SOFT_PX, SOFT_TAIL = 8.0, 0.25
"""Where card ends, its light up to there is even beyond the photo's blur; where it goes over into a shadow, thrown from
millimetres away by a lamp some degrees wide, it has begun to fall before. Of what changes within `BELOW_PX` an edge
blurred by 3 px (standard deviation) has lost 0.23 between there and so many pixels on its light side, an even fall over
all of them 0.8."""
FAR_STRAIGHTER = 3.0
"""Times the scatter of the straightest edge beyond which one is hardly a cut: a soft shadow's wanders."""
NEAR_PX = 1.5
"""How near to a line an edge is on it, when it is voted for."""
ROBUST = 3.0
"""Times the spread beyond which a block is left out of a line: a fret's reflection, a speck."""


@dataclass(frozen=True)
class CardLight:
    """Linear light on the card's plane below its print, over the card's own white.

    Attributes
    ----------
    x : ndarray, shape (B,)
        Middles of the blocks along the card, mm.
    y : ndarray, shape (M,)
        Heights, mm, falling; the card's top edge is 0.
    share : ndarray of float32, shape (B, M)
        Light of each block over the white of the card there.
    pitch : float
        A pixel's size, mm; `y` has two samples to a pixel.
    plain : int
        Heights at the start that are plain card.
    """

    x: Array
    y: Array
    share: Light
    pitch: float
    plain: int

    @property
    def step(self) -> float:
        """Distance of two heights, mm."""
        return float(self.y[0] - self.y[1])

    def row(self, y: Array) -> Array:
        """Heights as (fractional) columns of `share`."""
        return np.asarray((self.y[0] - y) / self.step)


@dataclass(frozen=True)
class StraightEdge:
    """An edge along the card: height = at + slope (x - middle), in the card's plane, mm.

    Attributes
    ----------
    at, slope, middle : float
    u_at, u_slope : float
        Standard uncertainties from the scatter of the blocks; independent, since `middle` is their mean.
    share : float
        Of the blocks that show it.
    first, last : float
        Over which x it was seen.
    scatter : float
        Of the blocks about it, RMS.
    """

    at: float
    slope: float
    middle: float
    u_at: float
    u_slope: float
    share: float
    first: float
    last: float
    scatter: float

    def y(self, x: Array | float) -> Array:
        """Height at `x`, mm."""
        return np.asarray(self.at + self.slope * (np.asarray(x, dtype=float) - self.middle))

    def u(self, x: float) -> float:
        """Standard uncertainty of the height at `x` from scatter, mm."""
        return float(np.hypot(self.u_at, self.u_slope * (x - self.middle)))


def card_light(photo: Photo, plane: Plane, sheet: Sheet, channel: int | None = None) -> CardLight | None:
    """Light of the card from under its print to below its foot, of one colour (blue, green, red) or grey; None where
    hardly any of that is in the photo."""
    first, (width, foot) = -(sheet.print_foot + BELOW_PRINT_MM), sheet.size
    pitch = 1.0 / max(plane.px_per_mm((width / 2.0, -foot)), 1e-6)
    x = _columns(photo, plane, sheet, pitch)
    rows = round((foot + BELOW_FOOT_MM + first) / pitch * 2.0)
    y = np.asarray(first - np.arange(rows) * pitch / 2.0, dtype=np.float64)
    if len(x) < 2 or np.ptp(x) < 10.0 * BLOCK_MM:
        return None
    light = straightened(photo, plane, x, y, channel)
    if light is None:
        return None
    per = max(1, round(BLOCK_MM / (x[1] - x[0])))
    blocks = len(x) // per
    pooled = light[:, : blocks * per].reshape(len(y), blocks, per).mean(axis=2).T
    plain = round(PLAIN_MM / pitch * 2.0)
    white = np.median(pooled[:, :plain], axis=1, keepdims=True)
    share = np.asarray(pooled / np.maximum(white, 1e-6), dtype=np.float32)
    middles = np.asarray(x[: blocks * per].reshape(blocks, per).mean(axis=1), dtype=np.float64)
    return CardLight(middles, y, share, pitch, plain)


def straightened(photo: Photo, plane: Plane, x: Array, y: Array, channel: int | None = None) -> Light | None:
    """Linear light on the card's plane, shape (len(y), len(x)), of one colour (blue, green, red) or grey; None where it
    lies outside the photo."""
    pixels = pixels_at(photo, plane, x, y)
    return None if pixels is None else light_at(photo, pixels, channel)


def pixels_at(photo: Photo, plane: Plane, x: Array, y: Array) -> tuple[Light, Light] | None:
    """Column and row in the photo of each place on the card's plane, each of shape (len(y), len(x)); None outside it.

    They are worked out at every twelfth place and drawn straight between: a lens bends by a thousandth of a pixel over
    so many. What a float of 32 bits leaves out, a quarter of a thousandth, is less than the photo is sampled by.
    """
    some = [_every(len(v), EVERY) for v in (y, x)]
    rough = np.stack(np.meshgrid(x[some[1]], y[some[0]]), axis=-1)
    px = plane.to_px(np.concatenate([rough.reshape(-1, 2), np.zeros((rough.size // 2, 1))], axis=1))
    px = px.reshape(*rough.shape[:2], 2)
    inside = np.all((px >= 0.0) & (px <= [photo.width - 1.0, photo.height - 1.0]), axis=2)
    if inside.mean() < MOSTLY_INSIDE:
        return None
    u, v = (_between(_between(px[..., k].astype(np.float32), some[0], 0), some[1], 1) for k in (0, 1))
    return u, v


def light_at(photo: Photo, pixels: tuple[Light, Light], channel: int | None = None) -> Light:
    """Linear light at columns and rows of a photo, of one colour (blue, green, red) or grey."""
    seen = photo.gray if channel is None else np.ascontiguousarray(photo.bgr[..., channel])
    light = cv2.remap(seen, *pixels, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return linear_light(np.asarray(light, dtype=np.uint8))


def _every(count: int, step: int) -> NDArray[np.intp]:
    """Every so many of `count` places, the last included."""
    return np.unique(np.append(np.arange(0, count, step), count - 1))


def _between(values: Light, at: NDArray[np.intp], axis: int) -> Light:
    """Values known at some places along an axis of two, at all of them."""
    places = np.arange(at[-1] + 1)
    k = np.clip(np.searchsorted(at, places, side="right") - 1, 0, max(len(at) - 2, 0))
    if len(at) < 2:
        return np.asarray(np.take(values, k, axis=axis))
    share = ((places - at[k]) / (at[k + 1] - at[k])).astype(np.float32)
    out = np.take(np.diff(values, axis=axis), k, axis=axis)
    out *= share[:, None] if axis == 0 else share
    out += np.take(values, k, axis=axis)
    return np.asarray(out)


def _columns(photo: Photo, plane: Plane, sheet: Sheet, pitch: float) -> Array:
    """Places along the card that are in the photo, two pixels apart, mm."""
    width, foot = sheet.size
    x = np.arange(SIDE_MM, width - SIDE_MM, 2.0 * pitch)
    px = plane.to_px(np.column_stack([x, np.full_like(x, -foot), np.zeros_like(x)]))
    return np.asarray(x[np.all((px >= 2.0) & (px <= [photo.width - 3.0, photo.height - 3.0]), axis=1)])


def steepest(
    light: Light, row: Array, within: float, sense: float = 0.0, scale_px: float = DERIVATIVE_PX
) -> tuple[Array, Array]:
    """Where each block's light changes fastest within so many samples of a row: place (samples), and the change there.

    With a `sense` of 1 or -1 only changes to brighter or darker down the heights count.

    Parabola through three samples; the change is the derivative of Gaussian down the heights, of the pooled light.
    """
    slope = gaussian_filter1d(light, scale_px * 2.0, axis=1, order=1)
    columns = np.arange(light.shape[1])
    near = np.abs(columns[None, :] - row[:, None]) <= within
    steep = np.abs(slope) if sense == 0.0 else sense * slope
    k = np.clip(np.argmax(np.where(near, steep, -np.inf), axis=1), 1, light.shape[1] - 2)
    i = np.arange(len(light))
    a, b, c = np.abs(slope[i, k - 1]), np.abs(slope[i, k]), np.abs(slope[i, k + 1])
    bend = np.maximum(2.0 * b - a - c, 1e-9)
    return np.asarray(k + np.clip(0.5 * (c - a) / bend, -1.0, 1.0)), np.asarray(slope[i, k])


def fitted_edge(card: CardLight, y: Array, keep: NDArray[np.bool_]) -> StraightEdge | None:
    """The straight line through heights `y` (B,) of the blocks kept, less those that lie off; None where few agree."""
    x, use = card.x, keep & np.isfinite(y)
    if use.sum() < 4:
        return None
    fit = np.array(theil_sen(y[use], x[use]))
    for _ in range(4):
        off = y - np.polyval(fit, x)
        spread = max(float(spread_about_zero(off[use])), 0.05 * card.pitch)
        now = keep & (np.abs(off) < ROBUST * spread)
        if now.sum() < 4 or (now == use).all():
            break
        use = now
        fit = np.polyfit(x[use], y[use], 1)
    off = y - np.polyval(fit, x)
    middle, rms = float(x[use].mean()), float(np.sqrt(np.mean(off[use] ** 2)))
    u = max(rms, 0.02 * card.pitch) / np.sqrt(use.sum())
    u_slope = u / max(float(x[use].std()), 1e-6)
    at = float(np.polyval(fit, middle))
    return StraightEdge(
        at, float(fit[0]), middle, float(u), float(u_slope), float(use.mean()), x[use].min(), x[use].max(), rms
    )


def find_feet(card: CardLight) -> list[StraightEdge]:
    """The straight lines along which the card ends and does not go on below, the highest first, then those that wander.

    One is the foot; none where too little shows of it, more where a shadow on the card ends as sharply over it."""
    slope = gaussian_filter1d(card.share, DERIVATIVE_PX * 2.0, axis=1, order=1)
    up, down = round(ABOVE_PX * 2.0), round(BELOW_PX * 2.0)
    above = np.maximum.reduce([np.roll(card.share, k, axis=1) for k in range(2, up + 1)])
    below = np.roll(card.share, -down, axis=1)
    falls = (slope < 0.0) & (above > WHITE) & (below < NOT_WHITE)
    peak = (slope <= np.roll(slope, 1, axis=1)) & (slope < np.roll(slope, -1, axis=1))
    falls = falls & peak
    falls[:, : up + 1] = falls[:, -(down + 1) :] = False
    block, row = np.nonzero(falls)
    drop = np.minimum((above - below)[block, row], FULL_DROP) / FULL_DROP
    lines = _lines(card, block, row, drop)
    found: list[StraightEdge] = []
    for line in (at for at in lines if not _card_below(card, at) and not is_soft(card, at)):
        place, change = steepest(card.share, line, 2.0 * NEAR_PX)
        y = card.y[0] - place * card.step
        on = np.zeros(len(card.x), dtype=bool)
        on[block[np.abs(row - line[block]) <= 2.0 * NEAR_PX]] = True
        if (edge := fitted_edge(card, y, on & (change < 0.0))) is not None:
            found.append(edge)
    straightest = min((e.scatter for e in found), default=0.0)
    return sorted(found, key=lambda e: e.scatter > FAR_STRAIGHTER * straightest)


def _lines(card: CardLight, block: NDArray[np.intp], row: NDArray[np.intp], weight: Array) -> list[Array]:
    """The lines that enough blocks have an edge on, the highest first, as their rows in each block."""
    middle, rows = float(card.x.mean()), card.share.shape[1]
    reach = round(2.0 * NEAR_PX)
    rise = np.outer(SLOPES / card.step, card.x[block] - middle)
    found = []
    while len(block):
        votes = np.zeros((len(SLOPES), rows))
        for i, up in enumerate(rise):
            at = np.round(row + up).astype(int)
            inside = (at >= 0) & (at < rows)
            count = np.bincount(at[inside], weights=weight[inside], minlength=rows)
            votes[i] = np.convolve(count, np.ones(2 * reach + 1), mode="same")
        if votes.max() < LEAST_SHARE * len(card.x):
            break
        best, k = np.unravel_index(int(np.argmax(votes)), votes.shape)
        found.append((int(k), np.asarray(k - SLOPES[best] / card.step * (card.x - middle))))
        # the rest may run to another line, which may cross this one, as a string does the foot
        left = np.abs(row + rise[best] - k) > 2 * reach
        block, row, weight, rise = block[left], row[left], weight[left], rise[:, left]
    return [line for _, line in sorted(found, key=lambda f: f[0])]


def is_soft(card: CardLight, line: Array) -> bool:
    """Whether light has begun to fall well before a line, as at the edge of a shadow on the card."""
    away = np.round(2.0 * np.array([-SOFT_PX, -BELOW_PX, BELOW_PX, SOFT_PX])).astype(int)
    at = (np.round(line).astype(int)[:, None] + away).clip(0, card.share.shape[1] - 1)
    over, across, under = np.diff(np.median(card.share[np.arange(len(line))[:, None], at], axis=0))
    light_side = over if across < 0.0 else under
    return bool(across and light_side / across > SOFT_TAIL)


def _card_below(card: CardLight, line: Array) -> bool:
    """Whether plain card goes on under a line, as under a string: a run of rows as bright as the card above it."""
    rows = np.round(line).astype(int)[:, None]
    run = round(2.0 * RUN_PX)
    far = round(STRING_MM / card.step) + 2 * run
    offsets = np.arange(-2 * far, far)
    at = rows + offsets[None, :]
    block = np.arange(len(card.x))[:, None]
    light = card.share[block, at.clip(0, card.share.shape[1] - 1)]
    # of a string above the line at most half of that is hidden
    above = np.quantile(light[:, offsets < -run], CARD_SHARE, axis=1, keepdims=True)
    like = np.median(light / np.maximum(above, 1e-6), axis=0)
    same = (offsets > 0) & (like > LIKE_CARD[0]) & (like < LIKE_CARD[1])
    ends = np.flatnonzero(np.diff(np.concatenate([[0], same.astype(np.int8), [0]])))
    return bool((ends[1::2] - ends[::2]).max(initial=0) >= run)
