"""The crown's two edges, where the metal meets the board, to a fraction of a pixel.

Where an edge may be is asked of what the foot of a crown looks like (`edge_look`). How soft the photo is is told by
steps and bends of the light (`mean_evidence`): on wood and on metal the logarithm of the light is smooth, so that two
curves which meet, both blurred alike, explain an edge better than one. Frets of one board are mostly one wire, so both
edges of all frets are then judged together. From aside, a round crown hides its own foot: the outline of the arc is
seen instead, and reckoned back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import spline_filter1d
from scipy.special import ndtr

from inspect_app.features.crown import FretPatch
from inspect_app.features.edge_look import Evidence, Look, foot_evidence

__all__ = [
    "CrownProfile",
    "CrownFit",
    "Evidence",
    "crown_profile",
    "crown_evidence",
    "mean_evidence",
    "seen_edges",
    "width_of_seen",
    "fit_crowns",
]

Floats = NDArray[np.float64]

REACHES_MM = ((0.13, 0.25), (0.13, 0.35), (0.20, 0.25), (0.20, 0.35))
"""How far the profile is used inside and outside an edge: a flank is even for about that long, and the shadow beside it
smooth. The evidence is the mean over these and over the blurs, for what is no edge shows in few of them."""
BLURS_PX = (0.7, 0.9)
"""Standard deviations of the blur of a sharp photo (common practice, no source)."""
SOFTNESSES = (1.0, 1.6, 2.5, 4.0)
"""Blurs tried, over that of a sharp photo; at the last a photo is hardly worth measuring."""
_TAUGHT_PX = 1.17
"""The edge finder knows photos up to this blur (`sample_images.edge_light`: 1.1 px, and some 0.4 px more); a softer one
is shown to it as one of fewer pixels."""
_CLEARLY = 0.35
"""Mean gain of evidence from which a photo is called soft: half as much again left unexplained otherwise."""
_LEAST_INNER_PX, _LEAST_OUTER_PX = 3, 6
"""Two curves of three coefficients each and a place need at least this many samples."""
_ORDER = 3
_DARK = 0.003
"""Added to linear light before its logarithm: an 8-bit photo tells nothing finer of the darkest tones."""
MISFIT = 0.006
"""Departure from a smooth curve, in logarithm of light, that means nothing: grain and compression leave as much."""
_FAINT = 4.0
"""A bend or jump weaker than this many misfits is nothing: normal departures reach that once in 16000."""
_RIVAL_MM = 0.4
"""From so far outside an edge on there is only wood, which has no edges: what shows one there is itself the edge."""
_STEPS = 4
_NONE = -10.0
_SEGMENTS = 12
_ROWS = 8
_LOOK_MM = 1.6
"""Half of the width across a fret that has to be in view: half of the widest wire (common practice, no source)."""
_OFF_MM = 0.9
"""How far the overview may have put a fret off its centre line: half of a hard shadow as long as the crown is high,
and its own 0.2 mm."""
_INNERMOST_MM = 0.2
"""An edge is looked for from here on: half of the narrowest wire, less what the overview is off as a rule."""
_OPEN_MM = (2.1, 2.9)
"""Where beside a crown the open board is looked at: beyond the widest wire, the overview's error included."""
_LEAST_BLOCKS, _NO_GRAIN_U = 4, 1.0
"""Fewer blocks of rows to a segment are used up by their mean and slope: then nothing is known of grain."""
_STREAKS = 4.5
"""Rows that differ by more than so many medians, three standard deviations, are no grain of wood."""
_END_MM = 1.5
"""Not used at either end: the bevel is cut there."""
WIDTH_MM = (1.4, 3.6)
"""Crown widths considered: fret wire is sold from 1.5 to 3.2 mm (common practice, no source)."""
WIRE_SD_MM = 0.02
"""Standard deviation of the crown width from fret to fret on one board, wear at the edges included (common practice,
no source); a fret that differs by much more is taken to be other wire."""
_ALIKE_MM = 0.15
"""Widths nearer than this are one wire: sizes on sale lie farther apart (common practice, no source)."""
_OTHER_WIRE = 4.0
"""Logarithm of how much likelier a width is that the others have than any one other. Nobody said whether frets were
replaced: at even odds, `WIRE_SD_MM` of the others' widths weighs as much as all 2.2 mm of other wire do."""
EDGE_U_PX = 0.3
"""Standard uncertainty of where a sharp step of light is, in pixels of the photo, whatever the evidence: metal's edge
is rounded and burred, the blur is not quite Gaussian, and the camera has sharpened it (judged on rendered photos)."""


@dataclass(frozen=True)
class CrownProfile:
    """The light across one fret, the middle of its rows after they were aligned.

    Attributes
    ----------
    log_light : ndarray of float, shape (n,)
        Natural logarithm of linear light, at `across_mm`.
    slope : float
        How the fret turns against the patch's rows: mm across per mm along.
    bow, bow_u : float
        How it bends, mm across per square mm along, and its standard uncertainty: a fret on a board that is rounder or
        flatter than was assumed is seen bowed from aside.
    grain, grain_u : ((ndarray, ndarray), (float, float))
        How much the light varies along the fret as the open board does on the nut side (1: just as much), and as it
        does on the body side; the standard uncertainty of each on that board.
    rows : int
        Photo rows used.
    """

    across_mm: Floats
    log_light: Floats
    middle_mm: float
    slope: float
    bow: float
    bow_u: float
    grain: tuple[Floats, Floats]
    grain_u: tuple[float, float]
    rows: int
    px_per_mm: float


def crown_profile(patch: FretPatch) -> CrownProfile | None:
    """Median profile across the fret, its rows aligned; ``None`` where less than half of its length is in view."""
    start, stop = np.searchsorted(patch.along_mm, [_END_MM, patch.frame.length_mm - _END_MM])
    n = int(stop - start) // _SEGMENTS // _ROWS
    if n <= 0:
        return None
    rows = slice(start, start + _SEGMENTS * n * _ROWS)
    width = len(patch.across_mm)
    log_light = cv2.log(patch.light[rows] + np.float32(_DARK))
    # resizing by area to a whole part is the mean of whole rows, four times as fast
    blocks = cv2.resize(log_light, (width, _SEGMENTS * n), interpolation=cv2.INTER_AREA).reshape(_SEGMENTS, n, width)
    valid = patch.valid[rows][:, np.abs(patch.across_mm) < _LOOK_MM]
    ok = np.asarray(valid.reshape(_SEGMENTS, n, -1).all(axis=2), dtype=bool)
    whole = np.flatnonzero(2 * ok.sum(axis=1) >= n)
    if len(whole) < _SEGMENTS // 2:
        return None
    blocks, ok = np.asarray(blocks[whole]), ok[whole]
    if ok.all():
        segments = np.median(blocks, axis=1).astype(np.float64)
    else:
        segments = np.array([np.median(b[k], axis=0) for b, k in zip(blocks, ok, strict=True)], dtype=np.float64)
    places = patch.along_mm[rows].reshape(_SEGMENTS, -1).mean(axis=1)[whole]
    middle, px = float(places.mean()), patch.px_per_mm
    shift, (slope, bow, bow_u) = _align(segments, places - middle, px)
    profile = np.median(_moved(segments, shift), axis=0)
    grain, grain_u = zip(*_grain(blocks - segments[:, None], ok, shift, patch.across_mm), strict=True)
    return CrownProfile(
        patch.across_mm, profile, middle, slope / px, bow / px, bow_u / px, grain, grain_u, n * _ROWS * len(whole), px
    )


def _align(segments: Floats, along: Floats, px_per_mm: float) -> tuple[Floats, tuple[float, float, float]]:
    """Shift of each segment (px) on one parabola; its slope (px/mm) and bow (px/mm^2), with the bow's uncertainty.

    The uncertainty is that of a least squares fit, times what medians are less sharp (the root of pi / 2).
    """
    reach = max(3, round(0.5 * px_per_mm))
    total = own = np.zeros(len(segments))
    slope = bow = 0.0
    for _ in range(3):
        moved = _moved(segments, total)
        own = total + _shifts(moved, np.median(moved, axis=0), reach)
        bow = _bow(along, own)
        slope = _theil_sen(along, own - bow * along**2)
        total = slope * along + bow * along**2
        reach = max(3, reach // 2)
    off = own - total
    scatter = 1.4826 * float(np.median(np.abs(off - np.median(off))))
    bend = along**2 - np.polyval(np.polyfit(along, along**2, 1), along)
    return total, (slope, bow, math.sqrt(math.pi / 2.0) * scatter / math.sqrt(float(bend @ bend)))


def _grain(differs: Floats, ok: Floats, shift: Floats, across: Floats) -> list[tuple[Floats, float]]:
    """How much the light varies along the fret as the open board on the nut side, then on the body side, does.

    `differs` is how each block of rows differs from its segment's profile, shape (segments, blocks, n): wood is
    streaked along the neck, and metal shows its streaks only as far as it mirrors wood. By least squares against the
    open board, rows that differ too much (a string, an inlay) left out; the uncertainty is that on the board itself.
    """
    if differs.shape[1] < _LEAST_BLOCKS:
        return [(np.zeros(len(across)), _NO_GRAIN_U)] * 2
    rows = np.linspace(-1.0, 1.0, differs.shape[1])[:, None]
    differs = differs - differs.mean(axis=1, keepdims=True)
    differs -= rows * (rows * differs).sum(axis=1, keepdims=True) / (rows**2).sum()
    out = []
    for side in (-1, 1):
        open_board = (side * across > _OPEN_MM[0]) & (side * across < _OPEN_MM[1])
        streaks = differs[:, :, open_board].mean(axis=2)
        used = ok & (np.abs(streaks) <= _STREAKS * np.median(np.abs(streaks[ok])))
        streaks = np.where(used, streaks, 0.0)
        strength = max(float((streaks**2).sum()), 1e-12)
        grain = _moved(np.einsum("sb,sbn->sn", streaks, differs), shift).sum(axis=0) / strength
        left = (differs[:, :, open_board] - grain[open_board] * streaks[:, :, None])[used]
        out.append((grain, min(_NO_GRAIN_U, math.sqrt(float(np.mean(left**2)) / strength))))
    return out


def _moved(segments: Floats, shift: Floats) -> Floats:
    """Each segment read `shift` px farther on, by cubic splines: straight lines would blur the edges."""
    n, whole = segments.shape[1], np.floor(shift)
    t = shift - whole
    # the four pieces of the cubic B-spline
    weights = ((1.0 - t) ** 3, 4.0 - 3.0 * t**2 * (2.0 - t), 4.0 - 3.0 * (1.0 - t) ** 2 * (1.0 + t), t**3)
    coefficients = spline_filter1d(segments, order=3, axis=1, mode="mirror")
    first = np.arange(n) + whole.astype(int)[:, None] - 1
    out = np.zeros(segments.shape)
    for j, w in enumerate(weights):
        out += w[:, None] / 6.0 * np.take_along_axis(coefficients, np.clip(first + j, 0, n - 1), axis=1)
    return out


def _shifts(segments: Floats, reference: Floats, reach: int) -> Floats:
    """Where each segment's steps agree best with the reference's, px, by correlation and a parabola through its top."""
    d, r = np.gradient(segments, axis=1), np.gradient(reference)[reach:-reach]
    steps = np.arange(-reach, reach + 1)
    windows = np.lib.stride_tricks.sliding_window_view(d, len(r), axis=1)
    score = windows @ r
    i = np.clip(np.argmax(score, axis=1), 1, len(steps) - 2)
    k = np.arange(len(segments))
    a, b, c = score[k, i - 1], score[k, i], score[k, i + 1]
    bend = np.minimum(a - 2.0 * b + c, -1e-12)
    return np.asarray(steps[i] + np.clip(0.5 * (a - c) / bend, -0.5, 0.5))


def _theil_sen(x: Floats, y: Floats) -> float:
    i, j = np.triu_indices(len(x), 1)
    return float(np.median((y[j] - y[i]) / (x[j] - x[i])))


def _bow(x: Floats, y: Floats) -> float:
    """Second-order term of a parabola through most of the points: median over threes of points well apart."""
    i, j, k = _threes(len(x))
    return float(np.median(((y[k] - y[j]) / (x[k] - x[j]) - (y[j] - y[i]) / (x[j] - x[i])) / (x[k] - x[i])))


@cache
def _threes(n: int) -> NDArray[np.intp]:
    """Indices of all threes of `n` points a quarter of them apart, shape (3, m)."""
    return np.array([t for t in combinations(range(n), 3) if min(t[1] - t[0], t[2] - t[1]) >= n // 4]).T


@lru_cache(maxsize=32)
def _curves(inner: int, outer: int, blur_px: float, steps: int) -> tuple[Floats, Floats]:
    """Orthonormal bases: of one smooth curve, shape (n, k), and of two that meet at 0, 1/steps, ..., (steps, n, 2k)."""
    x = np.arange(-inner, outer + 1.0)
    one, _ = np.linalg.qr(np.vander(x / outer, _ORDER))
    d = x[None, :] - np.arange(steps)[:, None] / steps
    above, below = _blurred(d, blur_px, outer), _blurred(-d, blur_px, outer)
    two, _ = np.linalg.qr(np.concatenate([above, below], axis=2))
    return one, two


def _blurred(d: Floats, s: float, unit: float) -> Floats:
    """1, d, d^2 for d > 0 and 0 below, blurred by a Gaussian of standard deviation `s`; appended as a last axis."""
    p, f = ndtr(d / s), np.exp(-0.5 * (d / s) ** 2) / math.sqrt(2.0 * math.pi)
    return np.stack([p, (d * p + s * f) / unit, ((d**2 + s**2) * p + d * s * f) / unit**2], axis=-1)


def mean_evidence(
    at_mm: Floats, log_light: Floats, side: int, softness: float, px_per_mm: float, misfit: float = MISFIT
) -> Evidence:
    """Evidence along profiles, mean over `REACHES_MM` and `BLURS_PX`; see `outward_evidence`.

    Parameters
    ----------
    at_mm : ndarray, shape (n,)
        Evenly spaced places, one px apart.
    log_light : ndarray, shape (..., n)
        Logarithm of light (or of a ratio of lights).
    side : {-1, +1}
        Which way is outside.
    softness : float
        The photo's blur over that of a sharp one.
    misfit : float
        Departure from a smooth curve, in logarithm of light, that means nothing.
    """
    y = log_light[..., ::side]
    some = [
        outward_evidence(y, (reach, blur * softness), px_per_mm, misfit) for reach in REACHES_MM for blur in BLURS_PX
    ]
    x = (side * at_mm)[::side]
    at = side * (x[:, None] + np.arange(_STEPS) / _STEPS / px_per_mm).ravel()
    return Evidence(at[::side], np.mean(some, axis=0)[..., ::side])


def outward_evidence(y: Floats, look: tuple[tuple[float, float], float], px_per_mm: float, misfit: float) -> Floats:
    """Evidence for an edge with something else before it and smooth ground behind, at every quarter of a sample.

    `y` has shape (..., n), the result (..., 4 n). `look` is how far the curves reach before and behind (mm), and the
    blur (standard deviation, px). Where the curves would reach past the profile there is no evidence.
    """
    reach, blur_px = look
    inner = max(_LEAST_INNER_PX, round(reach[0] * px_per_mm), math.ceil(3.0 * blur_px))
    outer = max(_LEAST_OUTER_PX, round(reach[1] * px_per_mm), math.ceil(6.0 * blur_px))
    n, out = inner + outer + 1, np.full((*y.shape, _STEPS), _NONE)
    if y.shape[-1] < n:
        return out.reshape(*y.shape[:-1], -1)
    one, two = _curves(inner, outer, blur_px, _STEPS)
    window = np.lib.stride_tricks.sliding_window_view(y, n, axis=-1)
    total = np.sum(window**2, axis=-1)[..., None]
    left1 = np.maximum(total - np.sum((window @ one) ** 2, axis=-1)[..., None], 0.0)
    left2 = np.maximum(total - np.sum((window[..., None, :, :] @ two) ** 2, axis=-1).swapaxes(-1, -2), 0.0)
    explained = np.maximum(left1 - left2, 0.0) / n
    ratio = np.log((explained + 1e-8) / (left2 / n + misfit**2))
    rival = np.where(explained > (_FAINT * misfit) ** 2, np.maximum(ratio, 0.0), 0.0).max(axis=-1)
    beyond = round(_RIVAL_MM * px_per_mm)
    outside = np.maximum.accumulate(rival[..., ::-1], axis=-1)[..., ::-1]
    outside = np.concatenate([outside[..., beyond:], np.zeros((*y.shape[:-1], min(beyond, rival.shape[-1])))], axis=-1)
    out[..., inner : inner + window.shape[-2], :] = ratio - outside[..., None]
    return out.reshape(*y.shape[:-1], -1)


def seen_edges(width: ArrayLike, height: float, view: float) -> tuple[Floats, Floats]:
    """Where a crown's edges are seen, at board level, from aside: (nut side, body side), mm from its centre line.

    The crown is a circular arc of radius ``r = (W^2/4 + H^2) / (2 H)`` standing on the board. A ray that grazes it
    passes the board at ``z_c tan(view) + r / cos(view)`` from the centre line, ``z_c = H - r``; where the arc's grazing
    point would lie below the board, the foot itself is seen.

    Parameters
    ----------
    width, height : float
        Crown width (may be an array) and height, mm.
    view : float
        Angle of the line of sight from the vertical, rad, positive when the camera is on the body side.
    """
    w = np.asarray(width, dtype=float)
    r = (w**2 / 4.0 + height**2) / (2.0 * height)
    rise = height - r

    def edge(angle: float) -> Floats:
        grazes = rise > r * math.sin(angle)
        return np.asarray(np.where(grazes, r / math.cos(angle) - rise * math.tan(angle), w / 2.0))

    return -edge(-view), edge(view)


def width_of_seen(apart: float, height: float, view: float) -> float:
    """Crown width (mm) whose edges are seen `apart` (mm, at board level): the inverse of `seen_edges`."""
    w = apart
    for _ in range(8):  # d(seen)/d(width) is within a few per cent of 1
        nut, body = seen_edges(w, height, view)
        w += apart - float(body - nut)
    return w


def crown_evidence(profiles: list[CrownProfile], views: list[float]) -> tuple[list[tuple[Evidence, Evidence]], float]:
    """Evidence for both edges of all crowns, as logarithms of probability densities per mm; and the photo's softness.

    The profiles share one grid: the patches were resampled alike. `views` are their angles of view, as in `seen_edges`.
    """
    px_per_mm = profiles[0].px_per_mm
    softness = _softness(profiles[0].across_mm, np.stack([p.log_light for p in profiles]), px_per_mm)
    places = np.arange(_INNERMOST_MM, WIDTH_MM[1] / 2.0 + _OFF_MM, 0.25 / px_per_mm)
    sides = []
    for profile, view in zip(profiles, views, strict=True):
        nut, body = (foot_evidence(_look(profile, side, view, softness), places) for side in (-1, 1))
        sides.append((Evidence(-nut.across_mm[::-1], nut.log_ratio[::-1]), body))
    return sides, softness


def _look(profile: CrownProfile, side: int, view: float, softness: float) -> Look:
    """The profile as it is seen going outwards on one side."""
    at, light, grain = (y[::side] for y in (side * profile.across_mm, profile.log_light, profile.grain[side > 0]))
    coarser = max(1.0, softness * float(np.mean(BLURS_PX)) / _TAUGHT_PX)
    return Look(at, light, grain, profile.grain_u[side > 0], profile.px_per_mm / coarser, side * view)


def _softness(at: Floats, light: Floats, px_per_mm: float) -> float:
    """The blur with which steps and bends stand out best; that of a sharp photo unless another does clearly better."""
    best, chosen = -math.inf, SOFTNESSES[0]
    for softness in SOFTNESSES:
        steps = [mean_evidence(at, light, side, softness, px_per_mm) for side in (-1, 1)]
        top = float(np.mean([e.log_ratio.max(axis=-1) for e in steps]))
        if top < best + (_CLEARLY if chosen == SOFTNESSES[0] else 0.0):
            break
        best, chosen = top, softness
    return chosen


@dataclass(frozen=True, slots=True)
class CrownFit:
    """One crown: width, place of its centre line across the patch, and how sure the edges are (mm).

    `seen` is where its edges are seen, nut side and body side; `height` the crown height reckoned with; `alike` whether
    it is of the same wire as the others.
    """

    width: float
    centre: float
    u_width: float
    u_centre: float
    seen: tuple[float, float]
    height: float
    alike: bool

    def times(self, k: float) -> CrownFit:
        """The same crown where a millimetre of before is `k` mm: on a board at another height."""
        nut, body = self.seen
        return replace(self, width=k * self.width, centre=k * self.centre, seen=(k * nut, k * body))


def fit_crowns(
    evidence: list[tuple[Evidence, Evidence]], view: list[float], height: float, px_per_mm: float
) -> list[CrownFit]:
    """Width and centre line of all crowns of one photo together.

    Frets of one board are mostly one wire, so each width is judged by its own two edges and by what all frets say; a
    fret whose own edges say otherwise clearly enough keeps its own.

    Parameters
    ----------
    evidence : list of (Evidence, Evidence)
        Nut side and body side of each fret.
    view : list of float
        Angle of view of each fret, as in `seen_edges`.
    height : float
        Crown height, mm.
    px_per_mm : float
        Of the photo, on the board.
    """
    step = 0.25 / px_per_mm
    widths = np.arange(WIDTH_MM[0], WIDTH_MM[1], step)
    surfaces = [_surface(e, v, height, widths, step) for e, v in zip(evidence, view, strict=True)]
    wire = _wire([s.max(axis=0) for s, _ in surfaces])
    near = np.exp(-0.5 * ((widths[:, None] - widths) / WIRE_SD_MM) ** 2)
    prior = np.log(near @ wire + math.exp(-_OTHER_WIRE))
    middle = float(wire @ widths)
    return [
        _read(s - s.max() + prior, widths, shifts, v, height, middle)
        for (s, shifts), v in zip(surfaces, view, strict=True)
    ]


def _wire(best: list[Floats]) -> Floats:
    """Probability of each width being the wire's, from each fret's best evidence for it.

    What misleads at one fret (a lamp's edge on the flank, say) is apt to mislead at others, so that n frets count as
    the root of n.
    """
    common = np.mean(best, axis=0) * math.sqrt(len(best))
    p = np.exp(common - common.max())
    return np.asarray(p / p.sum())


def _surface(
    evidence: tuple[Evidence, Evidence], view: float, height: float, widths: Floats, step: float
) -> tuple[Floats, Floats]:
    """Summed evidence of both edges for shifts (rows) and widths (columns) of the crown."""
    nut, body = seen_edges(widths, height, view)
    shifts = np.arange(-_OFF_MM, _OFF_MM + step, step)
    total = np.zeros((len(shifts), len(widths)))
    for edge, e in ((nut, evidence[0]), (body, evidence[1])):
        total += np.interp(shifts[:, None] + edge[None, :], e.across_mm, e.log_ratio)
    return total, shifts


def _read(likely: Floats, widths: Floats, shifts: Floats, view: float, height: float, wire: float) -> CrownFit:
    p = np.exp(np.maximum(likely - likely.max(), -50.0))
    p /= p.sum()
    width, centre = float(p.sum(axis=0) @ widths), float(p.sum(axis=1) @ shifts)
    # however well a foot is seen, it is known to a hundredth of a millimetre: the finder was taught no narrower answer
    u_w, u_c = _half_of_95(widths, p.sum(axis=0), width), _half_of_95(shifts, p.sum(axis=1), centre)
    nut, body = seen_edges(width, height, view)
    return CrownFit(
        width,
        centre,
        u_w,
        u_c,
        (float(centre + nut), float(centre + body)),
        height,
        abs(width - wire) < _ALIKE_MM,
    )


def _half_of_95(x: Floats, p: Floats, mean: float) -> float:
    """Standard uncertainty that makes ``mean +- U`` reach as far as 95 % of the probability on its wider side.

    Stated so (JCGM 101:2008, 5.3.4), for in a standard deviation one rival in a hundred, far away, speaks for all.
    """
    low, high = np.interp([0.025, 0.975], np.cumsum(p), x)
    return float(max(mean - low, high - mean)) / 1.96
