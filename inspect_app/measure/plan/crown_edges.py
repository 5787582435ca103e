"""The crown's two edges, where the metal meets the board, to a fraction of a pixel.

How likely an edge is at each place is judged from the light around it (`edge_classifier`). How blurred the photo is
shows in the steps and bends of the light (`mean_evidence`): on wood and on metal the logarithm of the light is smooth,
so that two curves which meet, both blurred alike, explain an edge better than one. Frets of one board are mostly one
wire, so both edges of all frets are then judged together. From aside, a round crown hides its own foot: the outline of
the arc is seen instead, and the width is worked out from it (`crown_arc`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import label
from scipy.special import ndtr

from inspect_app.measure.plan.crown_arc import apparent_edges
from inspect_app.measure.plan.crown_profile import CrownProfile
from inspect_app.measure.plan.edge_classifier import EdgeLikelihood, FootProfile, foot_likelihood
from inspect_app.measure.plan.edge_straightness import EdgeCourse, held_straight

__all__ = ["CrownFit", "crown_edge_likelihoods", "mean_evidence", "fit_crowns"]

Floats = NDArray[np.float64]
Edges = list[tuple[EdgeLikelihood, EdgeLikelihood]]
"""The nut side and the body side of every crown."""

REACHES_MM = ((0.13, 0.25), (0.20, 0.35))
"""How far the profile is used inside and outside an edge: a flank is even for about that long, and the shadow beside it
smooth. The evidence is the mean over these and over the blurs, for what is no edge shows in few of them."""
BLURS_PX = (0.7, 0.9)
"""Standard deviations of the blur of a sharp photo (common practice, no source)."""
SHARP_PX = sum(BLURS_PX) / len(BLURS_PX)
"""Their mean: what softness is over."""
SOFTNESSES = (1.0, 1.6, 2.5, 4.0)
"""Blurs tried, over that of a sharp photo; at the last a photo is hardly worth measuring."""
_TAUGHT_PX = 1.17
"""The edge finder knows photos up to this blur (`sample_images.edge_light`: 1.1 px, and some 0.4 px more); a softer one
is shown to it as one of fewer pixels."""
_CLEARLY = 0.35
"""Mean gain of evidence from which a photo is called soft: half as much again left unexplained otherwise."""
_SHARP_BY = 4
"""Frets from which a photo's blur is found, spread over it: eight edges."""
_LEAST_INNER_PX, _LEAST_OUTER_PX = 3, 6
"""Two curves of three coefficients each and a place need at least this many samples."""
_ORDER = 3
"""Coefficients of a smooth curve, a parabola's: over a few tenths of a millimetre light bends one way."""
MISFIT = 0.006
"""Departure from a smooth curve, in logarithm of light, that means nothing: grain and compression leave as much."""
_FAINTEST = 4.0
"""A bend or jump weaker than this many misfits is nothing: normal departures reach that once in 16000."""
_IN_THE_DARK = 0.01 + 0.003
"""Light below which metal, dirt and wood look alike, with what a profile's light has added to it: a lens scatters about
a hundredth of white over the picture (veiling glare: common practice, no source)."""
_LEAST_DARK = 3
"""Places, half a pixel apart, that a stretch is longer than which is dark by itself and not by blur."""
_UNSEEN = 1.0 / 3.0
"""Share of what was seen in such a stretch that may lie anywhere in it: it was the foot, the end of the metal's light,
or a mark in the dark, and nothing tells which."""
_RIVAL_MM = 0.4
"""From so far outside an edge on there is only wood, which has no edges: what shows one there is itself the edge."""
_STEPS = 4
"""Places tried to a pixel: nearer to each other than `EDGE_U_PX`."""
_NO_EVIDENCE = -10.0
"""Stands for places not judged: less than any evidence found."""
_OFF_MM = 0.9
"""How far the overview may have put a fret off its centre line: half of a hard shadow as long as the crown is high,
and its own 0.2 mm."""
_INNERMOST_MM = 0.2
"""An edge is looked for from here on: half of the narrowest wire, less what the overview is off as a rule."""
WIDTH_MM = (1.4, 3.6)
"""Crown widths considered: fret wire is sold from 1.5 to 3.2 mm (common practice, no source)."""
WIRE_SD_MM = 0.02
"""Standard deviation of the crown width from fret to fret on one board, wear at the edges included (common practice,
no source); a fret that differs by much more is taken to be other wire."""
_SAME_WIRE_MM = 0.15
"""Widths nearer than this are one wire: sizes on sale lie farther apart (common practice, no source)."""
_OTHER_WIRE = 4.0
"""Logarithm of how much likelier a width is that the others have than any one other. Nobody said whether frets were
replaced: at even odds, `WIRE_SD_MM` of the others' widths weighs as much as all 2.2 mm of other wire do."""
_MISLED = 0.2
"""Share of photos in which what misleads at one crown misleads at all alike: dirt and the metal's dark flank, both a
dark line of one or two pixels, or a phone's noise filter that smears what is dark. There all crowns together tell as
much as one. The truth of 75 rendered photos (random wood, light, metal and dirt, as taken and darkened) is likeliest
for 0.2 to 0.3, for those as taken alone 0.15 to 0.2."""
_Z_95 = 1.96
"""Standard deviations of a normal distribution to either side of its mean that hold 95 % (GUM, table G.1)."""
EDGE_U_PX = 0.3
"""Standard uncertainty of where a sharp step of light is, in pixels of the photo, whatever the evidence: metal's edge
is rounded and burred, the blur is not quite Gaussian, and the camera has sharpened it (judged on rendered photos)."""


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


def mean_evidence(y: Floats, softness: float, px_per_mm: float) -> Floats:
    """Evidence along profiles read outwards, mean over `REACHES_MM` and `BLURS_PX`; see `outward_evidence`.

    Parameters
    ----------
    y : ndarray, shape (..., n)
        Logarithm of light (or of a ratio of lights), one px apart.
    softness : float
        The photo's blur over that of a sharp one.
    """
    kernels = [(reach, blur * softness) for reach in REACHES_MM for blur in BLURS_PX]
    return np.asarray(np.mean([outward_evidence(y, kernel, px_per_mm) for kernel in kernels], axis=0))


def outward_evidence(y: Floats, kernel: tuple[tuple[float, float], float], px_per_mm: float) -> Floats:
    """Evidence for an edge with something else before it and smooth ground behind, at every quarter of a sample.

    `y` has shape (..., n), the result (..., 4 n). `kernel` is how far the curves reach before and behind (mm), and the
    blur (standard deviation, px). Where the curves would reach past the profile there is no evidence.
    """
    reach, blur_px = kernel
    inner = max(_LEAST_INNER_PX, round(reach[0] * px_per_mm), math.ceil(3.0 * blur_px))
    outer = max(_LEAST_OUTER_PX, round(reach[1] * px_per_mm), math.ceil(6.0 * blur_px))
    n, out = inner + outer + 1, np.full((*y.shape, _STEPS), _NO_EVIDENCE)
    if y.shape[-1] < n:
        return out.reshape(*y.shape[:-1], -1)
    one, two = _curves(inner, outer, blur_px, _STEPS)
    window = np.lib.stride_tricks.sliding_window_view(y, n, axis=-1)
    total = np.sum(window**2, axis=-1)[..., None]
    left1 = np.maximum(total - np.sum((window @ one) ** 2, axis=-1)[..., None], 0.0)
    left2 = np.maximum(total - np.sum((window[..., None, :, :] @ two) ** 2, axis=-1).swapaxes(-1, -2), 0.0)
    explained = np.maximum(left1 - left2, 0.0) / n
    ratio = np.log((explained + 1e-8) / (left2 / n + MISFIT**2))
    rival = np.where(explained > (_FAINTEST * MISFIT) ** 2, np.maximum(ratio, 0.0), 0.0).max(axis=-1)
    beyond = round(_RIVAL_MM * px_per_mm)
    outside = np.maximum.accumulate(rival[..., ::-1], axis=-1)[..., ::-1]
    outside = np.concatenate([outside[..., beyond:], np.zeros((*y.shape[:-1], min(beyond, rival.shape[-1])))], axis=-1)
    out[..., inner : inner + window.shape[-2], :] = ratio - outside[..., None]
    return out.reshape(*y.shape[:-1], -1)


def crown_edge_likelihoods(
    profiles: list[CrownProfile], views: list[float], least_blur_px: float = 0.0
) -> tuple[list[Edges], Floats, float]:
    """What each finder says of both edges of all crowns (log densities per mm), each one's odds, and the photo's blur.

    They are twofold: as edges look on clean boards, and as they look on a bench, where dirt may hide the foot. Both are
    held to that wire is straight; the odds (they sum to 1) say how well each stands that. The blur is over that of a
    sharp photo. The profiles share one grid: the patches were resampled alike. `views` are the angles of view (rad)
    that `apparent_edges` takes; `least_blur_px` is the photo's blur by other things (standard deviation), less than
    which crowns cannot show: those without clear steps say little of it.
    """
    px_per_mm = profiles[0].px_per_mm
    some = np.unique(np.linspace(0, len(profiles) - 1, _SHARP_BY).round().astype(int))
    by_crowns = _softness(np.stack([profiles[i].log_light for i in some]), px_per_mm)
    softness = max(by_crowns, least_blur_px / SHARP_PX)
    # half a pixel: blur hides anything finer
    places = np.arange(_INNERMOST_MM, WIDTH_MM[1] / 2.0 + _OFF_MM, 0.5 / px_per_mm)
    found: list[Edges] = [[], []]
    stands = np.zeros(2)
    for profile, view in zip(profiles, views, strict=True):
        pairs = []
        for side in (-1, 1):
            foot, courses = _foot_profile(profile, side, view, softness), _outwards(profile.courses, side)
            judged = held_straight(courses, foot.at_mm, [foot_likelihood(foot, places, on) for on in (False, True)])
            pairs.append([_spread_in_the_dark(e, foot) for e, _ in judged])
            stands += [held for _, held in judged]
        for edges, nut, body in zip(found, *pairs, strict=True):
            edges.append(_both(nut, body))
    # as in `_wire`, n frets count as the root of n
    odds = np.exp((stands - stands.max()) / math.sqrt(len(profiles)))
    return found, np.asarray(odds / odds.sum()), softness


def _outwards(courses: Sequence[EdgeCourse], side: int) -> list[EdgeCourse]:
    """The course of the steps as it is met going outwards on one side."""
    return [EdgeCourse(c.wander[::side], c.noise[::side], c.step[::side]) for c in courses]


def _spread_in_the_dark(edge: EdgeLikelihood, foot: FootProfile) -> EdgeLikelihood:
    """The likelihood, part of it even about where it lies in every stretch too dark to show an edge.

    It then reaches as far as the stretch does, half a pixel to either side included, and the edge stays where it was
    seen. On a board that is itself so dark no stretch ends, and where the metal's light ends is all there is to go by.
    """
    dark = np.interp(edge.across_mm, foot.at_mm, foot.log_light) < math.log(_IN_THE_DARK)
    stretches, count = label(dark)
    seen = np.exp(edge.log_likelihood)
    density = seen.copy()
    for k in range(1, count + 1):
        first, last = np.flatnonzero(stretches == k)[[0, -1]]
        if last - first >= _LEAST_DARK and last < len(dark) - 1:
            stretch = np.arange(max(first - 1, 0), last + 2)
            middle = np.average(stretch, weights=seen[stretch])
            reach = max(middle - stretch[0], stretch[-1] - middle)
            about = slice(max(0, round(middle - reach)), round(middle + reach) + 1)
            density[stretch] -= _UNSEEN * seen[stretch]
            density[about] += _UNSEEN * seen[stretch].sum() / len(seen[about])
    return EdgeLikelihood(edge.across_mm, np.log(density))


def _both(nut: EdgeLikelihood, body: EdgeLikelihood) -> tuple[EdgeLikelihood, EdgeLikelihood]:
    """Both edges from the nut side to the body side; the nut side's was read outwards."""
    return EdgeLikelihood(-nut.across_mm[::-1], nut.log_likelihood[::-1]), body


def _foot_profile(profile: CrownProfile, side: int, view: float, softness: float) -> FootProfile:
    """The profile as it is seen going outwards on one side."""
    parts = (side * profile.across_mm, profile.log_light, profile.grain[side > 0], profile.warmth)
    at, light, grain, warmth = (y[::side] for y in parts)
    coarser = max(1.0, softness * SHARP_PX / _TAUGHT_PX)
    return FootProfile(at, light, grain, profile.grain_u[side > 0], warmth, profile.px_per_mm / coarser, side * view)


def _softness(light: Floats, px_per_mm: float) -> float:
    """The blur with which steps and bends stand out best; that of a sharp photo unless another does clearly better."""
    best, chosen = -math.inf, SOFTNESSES[0]
    outwards = np.concatenate([light, light[:, ::-1]])
    for softness in SOFTNESSES:
        top = float(np.mean(mean_evidence(outwards, softness, px_per_mm).max(axis=-1)))
        if top < best + (_CLEARLY if chosen == SOFTNESSES[0] else 0.0):
            break
        best, chosen = top, softness
    return chosen


@dataclass(frozen=True, slots=True)
class CrownFit:
    """One crown: width, place of its centre line across the patch, and how sure the edges are (mm).

    `apparent` is where its edges are seen, nut side and body side; `height` the crown height it was worked out with;
    `same_wire` whether it is of the same wire as the others.
    """

    width: float
    centre: float
    u_width: float
    u_centre: float
    apparent: tuple[float, float]
    height: float
    same_wire: bool

    def times(self, k: float) -> CrownFit:
        """The same crown where a millimetre of before is `k` mm: on a board at another height."""
        nut, body = self.apparent
        return replace(self, width=k * self.width, centre=k * self.centre, apparent=(k * nut, k * body))


def fit_crowns(
    finders: Sequence[Edges], odds: ArrayLike, view: list[float], height: float, px_per_mm: float
) -> list[CrownFit]:
    """Width and centre line of all crowns of one photo together.

    Frets of one board are mostly one wire, so each width is judged by its own two edges and by the widths of all; a
    fret whose own edges differ clearly enough keeps its own. Finders that were taught on clean and on dirty boards are
    right all frets through, for dirt comes with boards: where they differ, the uncertainty holds both. So it does where
    one crown alone could be of several widths, however many agree on one (`_MISLED`).

    Parameters
    ----------
    finders : sequence of list of (EdgeLikelihood, EdgeLikelihood)
        By each finder: nut side and body side of each fret.
    odds : array_like, shape (finders,)
        Probability that a finder is right.
    view : list of float
        Angle of view of each fret, as in `apparent_edges`.
    height : float
        Crown height, mm.
    px_per_mm : float
        Of the photo, on the board.
    """
    step = 0.25 / px_per_mm
    widths = np.arange(WIDTH_MM[0], WIDTH_MM[1], step)
    shifts = np.arange(-_OFF_MM, _OFF_MM + step, step)
    near = np.exp(-0.5 * ((widths[:, None] - widths) / WIRE_SD_MM) ** 2)
    total, middle = [np.zeros((len(shifts), len(widths))) for _ in view], 0.0
    for edges, right in zip(finders, np.asarray(odds, dtype=float), strict=True):
        surfaces = [_surface(e, v, height, widths, shifts) for e, v in zip(edges, view, strict=True)]
        best = [s.max(axis=0) for s in surfaces]
        # what misleads at one fret is apt to mislead at others: n count as the root of n, or all as one
        wire, alike = (_wire(best, counts) for counts in (math.sqrt(len(best)), 1.0))
        total = [t + right * _one_crown(s, near @ wire, near @ alike) for t, s in zip(total, surfaces, strict=True)]
        middle += right * float(wire @ widths)
    return [_crown_from(p, widths, shifts, v, height, middle) for p, v in zip(total, view, strict=True)]


def _probability(log_likelihood: Floats) -> Floats:
    p = np.exp(np.maximum(log_likelihood - log_likelihood.max(), -50.0))
    return np.asarray(p / p.sum())


def _one_crown(surface: Floats, wire: Floats, alike: Floats) -> Floats:
    """Probability of shifts (rows) and widths (columns) of a crown, from its own evidence and the others' wire.

    `alike` is what all frets say of a width if their evidence counts as one's; nothing, of a fret of other wire.
    """
    other = math.exp(-_OTHER_WIRE)
    p = _probability(surface + np.log(wire + other))
    of_wire = float(p.sum(axis=0) @ (wire / (wire + other)))
    at_width = np.exp(np.maximum(surface - surface.max(axis=0), -50.0))
    misled = at_width / at_width.sum(axis=0) * (alike / alike.sum())
    share = _MISLED * of_wire
    return np.asarray((1.0 - share) * p + share * misled)


def _wire(best: list[Floats], counts: float) -> Floats:
    """Probability of each width being the wire's, from each fret's best evidence for it; all count as so many."""
    common = np.mean(best, axis=0) * counts
    p = np.exp(common - common.max())
    return np.asarray(p / p.sum())


def _surface(
    edges: tuple[EdgeLikelihood, EdgeLikelihood], view: float, height: float, widths: Floats, shifts: Floats
) -> Floats:
    """Summed evidence of both edges for shifts (rows) and widths (columns) of the crown."""
    nut, body = apparent_edges(widths, height, view)
    total = np.zeros((len(shifts), len(widths)))
    for edge, e in ((nut, edges[0]), (body, edges[1])):
        total += np.interp(shifts[:, None] + edge[None, :], e.across_mm, e.log_likelihood)
    return total


def _crown_from(p: Floats, widths: Floats, shifts: Floats, view: float, height: float, wire: float) -> CrownFit:
    width, centre = float(p.sum(axis=0) @ widths), float(p.sum(axis=1) @ shifts)
    # however well a foot is seen, it is known to a hundredth of a millimetre: the finder was taught no narrower answer
    u_w, u_c = _half_of_95(widths, p.sum(axis=0), width), _half_of_95(shifts, p.sum(axis=1), centre)
    nut, body = apparent_edges(width, height, view)
    return CrownFit(
        width,
        centre,
        u_w,
        u_c,
        (float(centre + nut), float(centre + body)),
        height,
        abs(width - wire) < _SAME_WIRE_MM,
    )


def _half_of_95(x: Floats, p: Floats, mean: float) -> float:
    """Standard uncertainty that makes ``mean +- U`` reach as far as 95 % of the probability on its wider side.

    Stated so (JCGM 101:2008, 5.3.4), for one rival in a hundred, far away, would decide a standard deviation.
    """
    low, high = np.interp([0.025, 0.975], np.cumsum(p), x)
    return float(max(mean - low, high - mean)) / _Z_95
