"""How well each edge finder places an edge, beside what noise and blur allow.

    python -m tests.benchmarks.edge_bounds

Straight edges at random angles and places are drawn in linear light, blurred, given white noise and coded to 8 bits. A
finder's scatter is that of an edge's place over a stretch of it; the bound is Cramer and Rao's for the same stretch.
With length L of the edge, contrast a over noise s_n, blur s (the pixel's own width in it), levels and blur known, as
they are over a long stretch:

    u >= (s_n / a) sqrt(2 sqrt(pi) s / L)

and in one row, where levels and blur have to be found with it, the inverse of the four parameters' information.

That bound knows both levels, as if the edge were looked at far to either side. Beside metal there is no level to look
at: a bright rim, a lamp's line or a scratch lies a few pixels off. What a finder can do that looks no further than its
reach, with both levels to be found there, is the bound in reach: the ratio to it says what the finder itself loses.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calib.edge_response import coding_noise, srgb_codes
from calib.edges import edge_line, locate_steps, row_offsets, sample_across
from calib.photo import Focal, Photo
from inspect_app.measure.backdrop.card_foot import DERIVATIVE_PX, steepest
from inspect_app.measure.backdrop.edge_path import HALF_PX, place_edge
from inspect_app.measure.backdrop.outline import FINE_PX
from inspect_app.measure.section.face_edges import MARGIN_MM, OutlineRows, RowEdges, Texture, place_edges

BLURS = (0.6, 0.8, 1.0, 1.5, 2.0, 2.5)
CONTRASTS = (10.0, 20.0, 50.0, 100.0)
LOW, HIGH = 0.2, 0.7
SIZE = 84
LENGTH = 40.0
TRIALS = 150
TARGET = 1.3
SUB = 4  # samples to a pixel each way, so that it averages over its own square


@dataclass(frozen=True, slots=True)
class Bound:
    """Scatter of one finder at one blur and noise, px, beside the bound."""

    finder: str
    blur: float
    contrast: float
    scatter: float
    bound: float
    bias: float
    in_reach: float

    @property
    def ratio(self) -> float:
        """Scatter over bound."""
        return self.scatter / self.bound

    @property
    def own_ratio(self) -> float:
        """Scatter over the bound in reach."""
        return self.scatter / self.in_reach


def bounds(blurs: Sequence[float] = BLURS, contrasts: Sequence[float] = CONTRASTS, trials: int = TRIALS) -> list[Bound]:
    """All finders at all blurs and noises."""
    rng = np.random.default_rng(16)
    out = []
    for blur in blurs:
        for contrast in contrasts:
            out.append(_in_rows(rng, blur, contrast, 20 * trials))
            shots = [_drawn(rng, blur, contrast) for _ in range(trials)]
            for name, finder in FINDERS.items():
                off = np.array([finder(*shot, blur) for shot in shots])
                noise = math.hypot((HIGH - LOW) / contrast, float(coding_noise((LOW + HIGH) / 2.0)))
                s = math.hypot(blur, math.sqrt(1.0 / 12.0))
                least = least_scatter(s, (HIGH - LOW) / noise, LENGTH)
                near = least * _beyond_reach(s, REACHES[name]) if name in REACHES else least
                out.append(Bound(name, blur, contrast, float(np.std(off)), least, float(np.mean(off)), near))
    return sorted(out, key=lambda b: (b.finder, b.blur, b.contrast))


def least_scatter(blur: float, contrast: float, length: float) -> float:
    """Cramer and Rao's bound of an edge's place over a length of it, px; `contrast` is that to noise."""
    return math.sqrt(2.0 * math.sqrt(math.pi) * blur / length) / contrast


def steepest_ratio(blur: float, derivative: float = FINE_PX) -> float:
    """Scatter over bound of the steepest place at the scale of a derivative, in a photo of a blur, both px.

    In a row it scatters by 1.153 (s_n / a) (s^2 + d^2)^1.5 / d^2.5, s the blur with the pixel's own width.

    >>> [round(steepest_ratio(b), 1) for b in (0.6, 1.0, 1.5, 2.5)]
    [1.2, 1.5, 2.3, 5.3]
    """
    s = math.hypot(blur, math.sqrt(1.0 / 12.0))
    return 1.153 * (s**2 + derivative**2) ** 1.5 / derivative**2.5 / math.sqrt(2.0 * math.sqrt(math.pi) * s)


def u_gained(share: float, blur: float) -> float:
    """Part of a figure's U that a finder at 1.3 times the bound would take away from one that looks for the steepest
    place, where noise makes a share of u squared.

    >>> u_gained(0.0, 2.5), round(u_gained(1.0, 2.5), 2)
    (0.0, 0.75)
    """
    less = min(1.0, TARGET / steepest_ratio(blur))
    return 1.0 - math.sqrt(1.0 - share * (1.0 - less**2))


def least_with_card(blur: float, reach: float, level_known: bool = True) -> float:
    """Least scatter over the bound of any finder that looks `reach` px into metal of one level, to be found there, and
    far out over a card whose level is known, or as far as 9 px to either side (`HALF_PX`).

    >>> [round(least_with_card(2.5, r), 1) for r in (3.0, 5.0, 7.0)]
    [2.1, 1.5, 1.3]
    """
    s = math.hypot(blur, math.sqrt(1.0 / 12.0))
    x = np.arange(-HALF_PX, reach + 1e-9, 0.25)
    j = [np.exp(-0.5 * (x / s) ** 2) / (s * math.sqrt(2.0 * math.pi)), ndtr(x / s)]
    j += [] if level_known else [1.0 - ndtr(x / s)]
    return math.sqrt(np.linalg.inv(0.25 * np.stack(j) @ np.stack(j).T)[0, 0] / (2.0 * math.sqrt(math.pi) * s))


def _in_rows(rng, blur: float, contrast: float, count: int) -> Bound:
    x = row_offsets(10.0)
    at = rng.uniform(-0.5, 0.5, count)
    noise = (HIGH - LOW) / contrast
    rows = LOW + (HIGH - LOW) * ndtr((x - at[:, None]) / blur) + rng.normal(0.0, noise, (count, len(x)))
    off = locate_steps(rows, x, polarity=1).at - at
    off = off[np.isfinite(off)]
    least = np.mean([_row_bound(x - a, blur, contrast) for a in np.linspace(-0.5, 0.5, 11)])
    scatter, bias, least = float(np.std(off)), float(np.mean(off)), float(least)
    return Bound("one row (coin, card, face)", blur, contrast, scatter, least, bias, least)


def _beyond_reach(s: float, reach: float) -> float:
    """How much larger the bound is within `reach` px of the edge, both levels to be found there and the blur known."""
    x = np.arange(-reach, reach + 1e-9, 0.25)
    j = np.stack([np.exp(-0.5 * (x / s) ** 2) / (s * math.sqrt(2.0 * math.pi)), 1.0 - ndtr(x / s), ndtr(x / s)])
    return math.sqrt(np.linalg.inv(0.25 * j @ j.T)[0, 0] / (2.0 * math.sqrt(math.pi) * s))


def _row_bound(z, blur, contrast) -> float:
    """Cramer-Rao bound of the place in one row, levels and blur unknown, px."""
    bell = np.exp(-0.5 * (z / blur) ** 2) / (blur * math.sqrt(2.0 * math.pi))
    j = np.stack([bell, bell * z / blur, 1.0 - ndtr(z / blur), ndtr(z / blur)])
    return math.sqrt(np.linalg.inv(j @ j.T)[0, 0]) / contrast


def _drawn(rng, blur: float, contrast: float):
    """A photo of an edge through about its middle, a point on it and the unit vector across it, dark to bright."""
    angle = rng.uniform(0.0, 2.0 * math.pi)
    normal = np.array([math.cos(angle), math.sin(angle)])
    point = SIZE / 2.0 + rng.uniform(-1.0, 1.0, 2)
    fine = (np.arange(SIZE * SUB) + 0.5) / SUB - 0.5
    across = (fine[None, :] - point[0]) * normal[0] + (fine[:, None] - point[1]) * normal[1]
    light = ndtr(across / blur).reshape(SIZE, SUB, SIZE, SUB).mean(axis=(1, 3))
    light = LOW + (HIGH - LOW) * light + rng.normal(0.0, (HIGH - LOW) / contrast, light.shape)
    bgr = np.repeat(np.round(srgb_codes(light) * 255.0).astype(np.uint8)[..., None], 3, axis=2)
    bgr.flags.writeable = False
    return Photo(bgr, "0" * 64, "drawn", Focal(100.0, 0.4, "assumed")), point, normal


def _ends(point, normal, off: float):
    along = np.array([normal[1], -normal[0]])  # the bright side lies a quarter turn from x towards y
    start = point + off * normal
    return start - LENGTH / 2.0 * along, start + LENGTH / 2.0 * along


def _line(photo, point, normal, blur) -> float:
    """Printed scales, the lens board, a leaf's edges: rows fitted, a straight line through them."""
    found = edge_line(photo, *_ends(point, normal, 0.4), max(8.0, 6.0 * blur))  # as `calib.scales.printed` does
    return math.nan if found is None else float((found.point - point) @ normal)


def _path(photo, point, normal, blur) -> float:
    """Crown lines and fret ends: the steepest place of rows pooled along the path, averaged over it.

    Steepest at the scale d in a blur s scatters by 1.153 (s_n / a) (s^2 + d^2)^1.5 / d^2.5 in a row, 1.2 times the
    bound at its least, d = 2.24 s. With d held to 1.2 px it is 1.3 up to a blur of 0.8 px, 2 at 1.5, 5 at 2.5: the
    bound of anything that looks no further than 3 px (2.5 d) to either side. d matched to the photo's own blur (1.6 of
    it, 1.27 times the bound) was tried on rendered photos and left: what stands within 2.5 d of a crown's outline then
    moves it (`gradient_corrected`: by (s^2 + d^2) dC/dn / C), and that is more than the noise it takes away. With the
    card's level known from far off, nothing that looks at the metal for 3 px does better than 2.1 times the bound at
    2.5 px of blur (`least_with_card`). What such a finder would be worth in a figure says `u_gained`.
    """
    a, b = _ends(point, normal, 0.4)
    t = np.linspace(0.0, 1.0, round(LENGTH) + 1)[:, None]
    return float(np.mean((place_edge(photo, a + t * (b - a)).px - point) @ normal))


def _rows_across(photo, point, normal, half: float, step: float, pooled: int):
    """Light of rows across the edge, its guess 0.4 px off, each the mean of so many a pixel apart; and the offsets."""
    a, b = _ends(point, normal, 0.4)
    t = np.linspace(0.0, 1.0, round(LENGTH) + 1)[:, None]
    rows = sample_across(photo, a + t * (b - a), np.broadcast_to(normal, (len(t), 2)), half, step)
    whole = len(rows) // pooled * pooled
    return rows[:whole].reshape(-1, pooled, rows.shape[1]).mean(axis=1), row_offsets(half, step)


def _steepest(photo, point, normal, blur) -> float:
    """The card's foot and a string's underside: the steepest place of blocks of rows."""
    light, offsets = _rows_across(photo, point, normal, 15.0, 0.5, 5)
    place, _ = steepest(light.astype(np.float32), np.full(len(light), len(offsets) // 2), 6.0)
    return float(np.mean(0.4 + offsets[0] + 0.5 * place))


def _face(photo, point, normal, blur) -> float:
    """A wire's section: a step fitted to rows pooled by three, each colour weighed by how it shows."""
    light, offsets = _rows_across(photo, point, normal, 14.0, 1.0, 3)
    n, zero = len(light), np.zeros(len(light))
    none = np.zeros(n, np.intp)
    rows = OutlineRows(
        none, none, np.zeros((n, 2)), np.zeros((n, 2)), offsets, np.repeat(light[..., None], 3, axis=2), PX_PER_MM
    )
    change = np.full((n, 3), HIGH - LOW)
    near = RowEdges(np.ones(n, bool), zero, zero, change, zero, zero)
    return float(np.mean(0.4 + place_edges(rows, Texture(1e-6 * np.eye(3)), near).at))


FINDERS: dict[str, Callable[..., float]] = {
    "line of rows (printed scales, leaf)": _line,
    "path (crown line, fret ends)": _path,
    "steepest of blocks (string gap)": _steepest,
    "rows of three (section)": _face,
}
PX_PER_MM = 200.0
REACHES = {
    "path (crown line, fret ends)": 2.5 * FINE_PX,
    "steepest of blocks (string gap)": 2.5 * DERIVATIVE_PX,
    "rows of three (section)": MARGIN_MM * PX_PER_MM,
}
"""How far to either side a finder looks, px: the derivative of a Gaussian 2.5 of its standard deviations, which hold
96 % of it; on a wire's face as far as the nearest other edge may lie, at the pixels to the millimetre of a close-up."""


def main() -> None:
    """Print a row for each, and the worst ratio of each finder."""
    found = bounds()
    for b in found:
        print(
            f"{b.finder:38}{b.blur:5.1f}{b.contrast:7.0f}{b.scatter:10.4f}{b.bound:10.4f}{b.ratio:7.2f}{b.own_ratio:7.2f}{b.bias:+9.4f}"
        )
    for name in dict.fromkeys(b.finder for b in found):
        ratios = [b.ratio for b in found if b.finder == name]
        own = max(b.own_ratio for b in found if b.finder == name)
        said = f"median {np.median(ratios):.2f}, worst {max(ratios):.2f}, in reach {own:.2f}"
        print(f"{name}: {said}, target {TARGET}")


if __name__ == "__main__":
    main()
