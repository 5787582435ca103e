"""Worn flats on a crown, seen from above.

A string wears a flat into the crown: a facet nearly parallel to the board, seen as one even tone between two
boundaries that bulge outwards from the crown's centre line and meet again where the wear ends. Flats are searched for
as departures from the unworn look of the same crown (`unworn`), each fitted by itself (`flat_outline`), kept when the
evidence for them is beyond what noise, grain and scratches of that crown can do. Where a flat would reflect the same
tone as the crown around it, it can't be seen; that is said rather than guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from inspect_app.instrument.crown import u_arc_radius
from inspect_app.measure.manual import NOTHING_PLACED, Placed
from inspect_app.measure.plan.flat_outline import (
    BLUR_PX,
    EXPONENT_SD,
    U_BLOOM,
    U_EDGE_PX,
    CrownArc,
    FlatOutline,
    FlatSpan,
    fit_outlines,
    half_widths,
)
from inspect_app.measure.plan.flats_by_hand import hold_flats, lost_flats, mark_flat
from inspect_app.measure.plan.fret_frame import FretPatch
from inspect_app.measure.plan.reference_crown import CrownView, Unworn, crown_view, fit_unworn, refit_unworn
from inspect_app.reading.inspection import Flat, Outline
from shared.measured import COVERAGE_FACTOR, Contribution, Measured, NotMeasured
from shared.trade import CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM, FLAT_FROM_MM

__all__ = [
    "FlatFindings",
    "FlatSearch",
    "find_flats",
    "search_flats",
    "read_flats",
    "length_at",
    "length_slope",
]

_CALM = 3.0
"""Rows count in full up to about this log likelihood ratio and by its logarithm beyond, so that none outvotes many."""
_PLAIN = 20.0
"""The same, where a few telling rows are to outweigh many that are hardly so."""
_ROW_COST = 0.7
"""Taken off each row's log likelihood ratio: a flat of free tone and width gains about this much from noise alone."""
_JOIN_MM = 0.6
"""Rows are judged together over this length, half of what the shortest flats measure."""
_CANDIDATE = 10.0
"""Evidence (natural logarithm of a likelihood ratio) from which a run of rows is worth fitting."""
_ACCEPT = 40.0
"""Evidence from which a flat is kept. Some 2000 places, lengths and widths are tried on a fret and a fitted flat has
about 11 free numbers (five of outline, six of tone): by chi-square one false flat in a thousand frets lies beyond 25.
The noise level and its bunching come from the same fret and are known to about a half, hence 40."""
_ROWS = 4.0
"""Effective number of rows the evidence comes from, at least: a blemish or one stray row is no flat."""
_WIDEST = 0.9
"""A flat this share of the crown's width would be worn to under half the height: something else lies there."""
_SYMMETRY = 0.05
"""A hollow's middle need not be its widest place: standard uncertainty, share of the half-length."""
_UNTRACED = 0.1
"""Where no boundary is seen the outline is carried on by its form alone: standard uncertainty of the length, share of
what is so carried on, from an exponent known to 0.15."""
_TELLING_MM = 1.5 * FLAT_FROM_MM
"""Where flats narrower than this would not show, it is said: below it a flat's length means little anyway."""
_SHORT_MM = 2.0
"""Length of the short flat by which it is judged what would show."""
_FADES_MM = 7.5
"""Beyond the outermost flats their tone is good for about so far: what flats mirror changes over one to two centimetres
along a fret, as a lamp's band does."""
_VAGUE = 0.5
"""A flat whose length noise alone leaves in doubt by more than this share of it (U) is seen, but not measured."""
_ONE_SIDED = 0.1
"""A boundary that gives less than this share of what is known of the width was as good as not seen."""

_FEW_ROWS = 20
"""Rows of a crown in view, 3 mm of it, with fewer of which no flat is looked for."""
_APART = 0.3
"""Two coarse outlines are both tried where places, lengths and widths differ by this share in all: about two steps of
the coarse grid's lengths. Trying all that differ at all does no better on rendered photos."""
_LENGTHS = np.geomspace(0.3, 0.8, 7)
"""Half-lengths tried for a flat at first, in lengths of the run of rows that looks like one."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FlatFindings:
    """Flats of one fret in order from the treble end, their outlines in photo pixels, and what could not be told."""

    flats: tuple[Flat, ...] = ()
    outlines: tuple[Outline, ...] = ()
    not_measured: tuple[NotMeasured, ...] = ()


@dataclass(frozen=True)
class FlatSearch:
    """What a search of one fret gave: the fitted flats, and what could not be told."""

    patch: FretPatch
    arc: CrownArc
    view: CrownView
    fits: tuple[FlatOutline, ...]
    not_measured: tuple[NotMeasured, ...]


def find_flats(patch: FretPatch, placed: Placed = NOTHING_PLACED) -> FlatFindings:
    """Find and measure the worn flats of one fret.

    Parameters
    ----------
    patch : FretPatch
        The fret resampled, with its crown width; best laid out at about the height of the crown's top.
    placed : Placed
        Edges of flats that a person placed.

    Returns
    -------
    FlatFindings
        An unworn fret in a telling light gives no flats and nothing not measured.
    """
    return read_flats(search_flats(patch), placed)


def search_flats(patch: FretPatch) -> FlatSearch | NotMeasured:
    """Find the flats of one fret as `find_flats` does, before any edge is placed by hand."""
    what = f"fret {patch.frame.number}, flats"
    if not isinstance(patch.crown_width, Measured):
        return NotMeasured(what, "The crown's edges could not be found.")
    arc = _arc(patch, patch.crown_width)
    view = crown_view(patch, arc.width, arc.height)
    if view is None or view.clear.sum() < _FEW_ROWS:
        return NotMeasured(what, "Too little of the crown can be seen.")
    view, unworn, fits = _search(view, arc)
    why_not = [_why_not(f, arc) for f in fits]
    kept = [f for f, why in zip(fits, why_not, strict=True) if not why]
    lost = [
        NotMeasured(what, f"The flat about {f.place:.0f} mm from the treble end {why}.")
        for f, why in zip(fits, why_not, strict=True)
        if why
    ]
    blind = _blind(view, unworn, arc, kept)
    not_measured = (*lost, *((NotMeasured(what, blind),) if blind else ()))
    return FlatSearch(patch, arc, view, tuple(kept), not_measured)


def _why_not(fit: FlatOutline, arc: CrownArc) -> str:
    """Why a flat that was found is not measured; empty where it is."""
    if fit.hidden > 0.5 or not fit.both_ways:
        return "is mostly covered"
    slope = length_slope(fit.params, arc)
    if COVERAGE_FACTOR * math.sqrt(float(slope @ fit.cov @ slope)) > _VAGUE * length_at(fit.params, arc):
        return "can't be told from scratches"
    return ""


def read_flats(found: FlatSearch | NotMeasured, placed: Placed = NOTHING_PLACED) -> FlatFindings:
    """Measure the flats that were found, with the edges a person placed where they were put."""
    if isinstance(found, NotMeasured):
        return FlatFindings(not_measured=(found,))
    what = f"fret {found.patch.frame.number}, flats"
    held = hold_flats(found.fits, found.patch, found.arc, placed, FLAT_FROM_MM)
    return FlatFindings(
        tuple(mark_flat(_reading(h.fit, found.patch, found.arc, found.view), h) for h in held),
        _outlines([h.fit for h in held], found.patch, found.arc, what),
        (*found.not_measured, *lost_flats(what, placed, len(held))),
    )


def _arc(patch: FretPatch, width: Measured) -> CrownArc:
    given = patch.crown_height
    height, u_height = (given.value, given.u) if given else (CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM)
    known = u_height < CROWN_HEIGHT_U_MM  # a height no surer than the assumption tells no depth
    u_radius = u_arc_radius(width.value, height, width.u, u_height)
    camera = patch.frame.camera_mm
    lean = camera[1] / (camera[2] - height)
    # each edge carries its own error, and the foot need not lie evenly to both sides of the arc's middle
    u_centre = math.hypot(width.u / 2.0, lean * u_height, 0.02)
    return CrownArc(width.value, height, u_height, u_radius, u_centre, known)


def _search(view: CrownView, arc: CrownArc) -> tuple[CrownView, Unworn, list[FlatOutline]]:
    """The unworn look and the flats: found roughly, set aside while the unworn look is learnt anew, then fitted."""
    view, unworn = fit_unworn(view)
    if not view.clear.any():
        return view, unworn, []  # strings all over it
    half, gain = _evidence(view, unworn, arc)
    rough = _runs(view, half, _calm(gain))
    if not rough:
        return view, unworn, []
    seen = np.repeat(view.clear[:, None], len(view.across_mm), axis=1)
    margin = round(0.3 / view.row_mm)  # the faint tips of a flat
    for i, j, wide in rough:
        middle = view.lean * float(arc.depth(wide))
        seen[max(0, i - margin) : j + margin, np.abs(view.across_mm - middle) < wide + 0.12] = False
    unworn = refit_unworn(view, seen, unworn.sigma**2 * unworn.bunching)
    gain = _evidence(view, unworn, arc)[1]
    calm, plain = _calm(gain), _calm(gain, _PLAIN)
    runs = _runs(view, half, calm)
    if not runs:
        return view, unworn, []
    y = view.along_mm
    between = [(y[a[1] - 1] + y[b[0]]) / 2.0 for a, b in pairwise(runs)]
    limits = list(pairwise([y[0] - 1.0, *between, y[-1] + 1.0]))
    starts = [_coarse(view, half, (calm, plain), i, j) for i, j, _ in runs]
    fits = _best_fits(view, unworn, arc, starts, limits)
    return view, unworn, [f for f, edge in zip(fits, limits, strict=True) if _believable(f, arc, edge)]


def _best_fits(
    view: CrownView, unworn: Unworn, arc: CrownArc, starts: list[list[FlatSpan]], limits: list[tuple[float, float]]
) -> list[FlatOutline]:
    """Fit from the coarse outlines; where scratches make calmed and plain evidence point elsewhere, from both."""
    tried = [(i, s) for i, both in enumerate(starts) for s in (both if _differ(*both) else both[:1])]
    fits = fit_outlines(view, unworn, arc, [s for _, s in tried], [limits[i] for i, _ in tried])
    of: list[list[FlatOutline]] = [[] for _ in starts]
    for (i, _), fit in zip(tried, fits, strict=True):
        of[i].append(fit)
    return [max(each, key=lambda f: f.gain) for each in of]


def _differ(a: FlatSpan, b: FlatSpan) -> bool:
    """Whether two coarse outlines may lead to different ones."""
    apart = abs(a.place - b.place) / a.half_length
    apart += abs(math.log(a.half_length / b.half_length)) + abs(math.log(a.half_width / b.half_width))
    return apart >= _APART


def _believable(fit: FlatOutline, arc: CrownArc, limits: tuple[float, float]) -> bool:
    """Beyond chance, wide enough to have a length, narrower than the crown, and still where it was looked for."""
    if fit.gain < _ACCEPT or fit.rows < _ROWS or not FLAT_FROM_MM < fit.width < _WIDEST * arc.width:
        return False
    return limits[0] <= fit.place <= limits[1]


def _half_width_grid(view: CrownView, arc: CrownArc) -> tuple[Floats, Floats]:
    """Half-widths tried (k,), mm, and which of the columns lie between each one's boundaries, 0 or 1, (columns, k)."""
    t = view.across_mm
    half = np.arange(2.0 * view.column_mm, min(0.45 * arc.width, max(-t[0], t[-1])), view.column_mm)
    middle = view.lean * arc.depth(half)
    within = (t[:, None] >= middle - half) & (t[:, None] < middle + half)
    return half, within.astype(float)


def _evidence(view: CrownView, unworn: Unworn, arc: CrownArc) -> tuple[Floats, Floats]:
    """For each row, how much better a flat of each half-width explains it than the unworn crown.

    Returns half-widths (k,) in mm and log likelihood ratios (n, k); each row's flat has the one tone that fits it and
    its neighbours best.
    """
    half, within = _half_width_grid(view, arc)
    weight = 1.0 / unworn.sigma**2
    n, tones = weight @ within, (view.tone * weight) @ within
    own = uniform_filter1d(tones / n, 3, axis=0)
    # squares of tone less unworn, less those of tone less own: the squares of tone leave
    gain = (unworn.tone * (unworn.tone - 2.0 * view.tone) * weight) @ within + own * (2.0 * tones - own * n)
    return half, np.where(view.clear[:, None], 0.5 * gain / unworn.bunching, 0.0)


def _calm(gain: Floats, full: float = _CALM) -> Floats:
    """Evidence that counts in full up to about `full` and by its logarithm beyond, less what noise gains a row."""
    return np.asarray(full * np.arcsinh(gain / full) - _ROW_COST)


def _runs(view: CrownView, half: Floats, calm: Floats) -> list[tuple[int, int, float]]:
    """Runs of rows ``[i, j)`` where some half-width explains the rows better than the unworn crown, and the widest."""
    near = uniform_filter1d(calm, max(3, round(_JOIN_MM / view.row_mm)), axis=0)
    best = near.max(axis=1)
    row = np.arange(len(best))
    widest = np.interp(row, row[view.clear], half[near.argmax(axis=1)][view.clear])
    edges = _bridged(best > 0, view.clear)
    runs = [r for i, j in edges for r in _parts(widest, i, j, view)]
    return [(i, j, float(widest[i:j].max())) for i, j in runs if best[i:j].clip(0.0).sum() > _CANDIDATE]


def _bridged(on: NDArray[np.bool_], clear: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true rows ``[i, j)``; two with little but hidden rows between them, under a string, count as one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    runs: list[tuple[int, int]] = []
    for i, j in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if runs and 2 * np.sum(~clear[runs[-1][1] : i]) > i - runs[-1][1]:
            runs[-1] = (runs[-1][0], j)
        else:
            runs.append((i, j))
    return runs


def _parts(widest: Floats, i: int, j: int, view: CrownView) -> list[tuple[int, int]]:
    """Split a run of rows where the width falls to under half of what it is on both sides: two flats that touch."""
    smooth = uniform_filter1d(widest[i:j], max(3, round(_JOIN_MM / view.row_mm)))
    before, after = np.maximum.accumulate(smooth), np.maximum.accumulate(smooth[::-1])[::-1]
    dip = smooth / np.minimum(before, after)
    k = int(np.argmin(dip))
    if dip[k] >= 0.5 or min(k, j - i - k) * view.row_mm < _JOIN_MM:
        return [(i, j)]
    return _parts(widest, i, i + k, view) + _parts(widest, i + k, j, view)


def _coarse(view: CrownView, half: Floats, evidence: tuple[Floats, ...], first: int, last: int) -> list[FlatSpan]:
    """The outline, on a coarse grid of places, lengths and widths, that gathers most of each evidence around a run."""
    long = last - first
    margin = long // 4 + 3
    rows = np.arange(max(0, first - margin), min(len(evidence[0]), last + margin))
    place = np.linspace(first + 0.15 * long, last - 0.15 * long, 9)
    length = _LENGTHS * max(long, 6)
    step = max(1, len(half) // 10)
    widest = half[step - 1 :: step]
    shape = (1.0 - ((rows - place[:, None, None]) / length[:, None]) ** 2).astype(np.float32)
    k = np.rint(shape[:, :, None] * (widest / view.column_mm)[:, None].astype(np.float32)).astype(np.intp)
    k = np.maximum(k - 1, 0, out=k)  # the column put before the first, of two columns half-width: no flat in this row
    k += np.arange(len(rows)) * (len(half) + 1)
    spans = []
    for calm in evidence:
        padded = np.zeros((len(rows), len(half) + 1), dtype=np.float32)
        padded[:, 1:] = calm[rows]
        total = padded.ravel().take(k).sum(axis=-1)
        a, b, c = np.unravel_index(int(total.argmax()), total.shape)
        at = float(np.interp(place[a], np.arange(len(view.along_mm)), view.along_mm))
        most = float(total[a, b, c])
        spans.append(FlatSpan(first, last, at, float(length[b]) * view.row_mm, float(widest[c]), most))
    return spans


def _blind(view: CrownView, unworn: Unworn, arc: CrownArc, flats: list[FlatOutline]) -> str:
    """Where and below what width a flat would not show; empty where every telling flat would.

    A flat reflects what the crown's centre line reflects, both facing straight up; near other flats seen on the same
    fret their tone is known as well, and farther from them it may be either. It shows by its contrast with the crown to
    either side of the centre line.
    """
    limit = _narrowest(view, unworn, arc, unworn.tone[:, np.abs(view.across_mm).argmin()])
    if flats:
        places = [f.place for f in flats]
        other = _narrowest(view, unworn, arc, np.interp(view.along_mm, places, [f.tone for f in flats]))
        known = (view.along_mm > places[0] - _FADES_MM) & (view.along_mm < places[-1] + _FADES_MM)
        limit = np.where(known, np.minimum(limit, other), np.maximum(limit, other))
    for f in flats:
        limit[np.abs(view.along_mm - f.place) < f.half_length] = 0.0
    dark = view.clear & (limit > _TELLING_MM)
    if dark.sum() * view.row_mm < _SHORT_MM:
        return ""
    y, width = view.along_mm[dark], min(float(limit[dark].max()), _WIDEST * arc.width)
    return (
        f"Between {y[0]:.0f} and {y[-1]:.0f} mm from the treble end a flat narrower than {width:.2f} mm would not "
        "show: it would reflect the same light as the crown beside it. Move the lamp and take the photo again."
    )


def _narrowest(view: CrownView, unworn: Unworn, arc: CrownArc, tone: Floats) -> Floats:
    """Width, mm, of the narrowest short flat of given tones (n,) that would be kept, place by place; inf if none."""
    half, within = _half_width_grid(view, arc)
    contrast = 0.5 * (unworn.tone - tone[:, None]) ** 2 / (unworn.sigma**2 * unworn.bunching)
    s = (np.arange(8) + 0.5) / 8.0
    k = np.rint((1.0 - s**2) * half[:, None] / view.column_mm).astype(np.intp) - 2
    share = np.sum(k == np.arange(len(half))[:, None, None], axis=2) / 8.0  # of a flat's length that is so wide
    total = contrast @ (within @ share) * _SHORT_MM / view.row_mm
    enough = total >= _ACCEPT
    return np.where(enough.any(axis=1), 2.0 * half[enough.argmax(axis=1)], np.inf)


def length_at(params: Floats, arc: CrownArc, at_mm: float = FLAT_FROM_MM) -> float:
    """Length in mm over which a flat is at least `at_mm` wide; 0 where it never is.

    From ``d = D (1 - s^2)^(2 q)`` and the depth of a chord of the crown's arc.
    """
    _, ln_half_length, ln_width, _, ln_q = params.tolist()
    ratio = arc.depth_of(at_mm / 2.0) / arc.depth_of(math.exp(ln_width) / 2.0)
    if ratio >= 1.0:
        return 0.0
    return 2.0 * math.exp(ln_half_length) * math.sqrt(1.0 - ratio ** (0.5 / math.exp(ln_q)))


def length_slope(params: Floats, arc: CrownArc, at_mm: float = FLAT_FROM_MM) -> Floats:
    """Derivative of `length_at` with each parameter of the outline, shape (5,); 0 where the length is."""
    length = length_at(params, arc, at_mm)
    if length <= 0.0:
        return np.zeros(5)
    half_length, half, q = (float(x) for x in np.exp(params[[1, 2, 4]]) * [1.0, 0.5, 1.0])
    deepest = arc.depth_of(half)
    ratio = arc.depth_of(at_mm / 2.0) / deepest
    left = ratio ** (0.5 / q)  # length = 2 half_length sqrt(1 - left)
    by_ln_ratio = -2.0 * half_length**2 / length * left * 0.5 / q
    ln_ratio_by_ln_half = -half * half / (math.sqrt(max(arc.radius**2 - half * half, 1e-9)) * deepest)
    return np.array([0.0, length, by_ln_ratio * ln_ratio_by_ln_half, 0.0, -by_ln_ratio * math.log(ratio)])


def _reading(fit: FlatOutline, patch: FretPatch, arc: CrownArc, view: CrownView) -> Flat:
    plane, p = patch.frame.plane, fit.params
    length = length_at(p, arc)
    by_length = length_slope(p, arc)
    by_width = np.array([0.0, 0.0, fit.width, 0.0, 0.0])
    untraced = max(0.0, length - fit.traced[0]), abs(math.log(max(0.1, 2.0 * fit.traced[1] / fit.width)))
    flags = _flags(fit, patch)
    width = Measured.of(
        fit.width,
        "mm",
        flags,
        outline=EXPONENT_SD * untraced[1] * fit.width,
        scale=fit.width * plane.u_rel,
        **_boundary(by_width, fit, view),
    )
    return Flat(
        Measured.of(
            fit.place,
            "mm",
            flags,
            treble_end=patch.frame.origin_u_mm,
            outline=_SYMMETRY * fit.half_length,
            scale=fit.place * plane.u_rel,
            **_boundary(np.eye(5)[0], fit, view),
        ),
        Measured.of(
            length,
            "mm",
            flags,
            outline=_UNTRACED * untraced[0],
            scale=length * plane.u_rel,
            **_boundary(by_length, fit, view),
        ),
        width,
        _depth(width, arc) if arc.height_known else None,
    )


def _boundary(slope: Floats, fit: FlatOutline, view: CrownView) -> dict[str, float]:
    """What noise, the placing of boundaries and burnt-out tones do to a quantity of this slope in the parameters."""
    return {
        "boundary_noise": math.sqrt(float(slope @ fit.cov @ slope)),
        "boundary_definition": abs(float(slope @ fit.moved)) * U_EDGE_PX * view.pixel_mm,
        "burnt_out_tones": abs(float(slope @ fit.bloomed)) * U_BLOOM * BLUR_PX * view.pixel_mm,
    }


def _flags(fit: FlatOutline, patch: FretPatch) -> tuple[str, ...]:
    found = {
        "ONE_SIDED": min(fit.sides) < _ONE_SIDED,
        "COVERED": fit.hidden > 0.1,
        "LOW_RESOLUTION": patch.px_per_mm * FLAT_FROM_MM < 3.0,  # two boundaries need three pixels between them
    }
    return tuple(code for code, so in found.items() if so)


def _depth(width: Measured, arc: CrownArc) -> Measured:
    """Depth below the unworn top from the width, ``d = r - sqrt(r^2 - f^2 / 4)``."""
    depth = float(arc.depth(width.value / 2.0))
    chord = math.sqrt(max(arc.radius**2 - width.value**2 / 4.0, 1e-4))
    by_width = width.value / (4.0 * chord)
    by_radius = 1.0 - arc.radius / chord
    parts = (
        Contribution("width", by_width * width.u),
        Contribution("crown radius", abs(by_radius) * arc.u_radius),
    )
    return Measured(depth, "mm", parts, (*width.flags, "INDIRECT"))


def _outlines(fits: list[FlatOutline], patch: FretPatch, arc: CrownArc, what: str) -> tuple[Outline, ...]:
    """The flats' rims in photo pixels: each point at its own height, where the facet cuts the crown."""
    if not fits:
        return ()
    rims = np.array([_rim(fit, arc) for fit in fits])
    px = patch.frame.to_px(*np.moveaxis(rims, 1, 0)).reshape(len(fits), -1, 2)
    return tuple(
        Outline("flat", tuple((x, y) for x, y in points.tolist()), closed=True, of=f"{what} {k}")
        for k, points in enumerate(px, 1)
    )


def _rim(fit: FlatOutline, arc: CrownArc) -> Floats:
    """Places along, across and height above the board, mm, of points on a flat's rim; shape (3, n)."""
    along = fit.place + fit.half_length * np.sin(np.linspace(-0.5, 0.5, 25) * math.pi)
    half = np.maximum(half_widths(fit.params, along, arc.radius), 0.0)
    there = np.concatenate([along, along[-2:0:-1]])
    across = float(fit.params[3]) + np.concatenate([half, -half[-2:0:-1]])
    height = arc.height - arc.depth(np.concatenate([half, half[-2:0:-1]]))
    return np.array([there, across, height])
