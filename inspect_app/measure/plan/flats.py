"""Worn flats on a crown, seen from above.

A string wears a flat into the crown: a facet nearly parallel to the board, seen as one even tone between two
boundaries that bulge outwards from the crown's centre line and meet again where the wear ends. Flats are searched for
as departures from the same crown unworn (`reference_crown`), each fitted by itself (`flat_outline`), and kept
when the evidence for them is beyond what noise, grain and scratches of that crown can do. Where a flat would reflect
the same tone as the crown around it, it can't be seen, and the answer says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from inspect_app.instrument.crown import u_arc_radius
from inspect_app.measure.manual import NOTHING_PLACED, Placed, no_longer_found
from inspect_app.measure.plan.crown_arc import CrownArc
from inspect_app.measure.plan.flat_candidates import (
    LOOSE_LIMIT,
    candidate_runs,
    coarse_outlines,
    half_width_grid,
    limited,
    log_ratios,
)
from inspect_app.measure.plan.flat_doubts import ACCEPT, why_not
from inspect_app.measure.plan.flat_outline import (
    LOST_BY_END,
    LOST_BY_SIDE,
    MOVED_HELD,
    ROUGH_STEPS,
    STEPS,
    FlatOutline,
    fit_outlines,
    moved_outlines,
    rough_fits,
    starting_outline,
)
from inspect_app.measure.plan.flat_picture import FlatParam, FlatSpan, half_widths
from inspect_app.measure.plan.flat_size import flat_size, length_at, turns_by_row
from inspect_app.measure.plan.flats_by_hand import edited_flats, flag_manual
from inspect_app.measure.plan.fret_patch import FretPatch
from inspect_app.measure.plan.reference_crown import (
    BLUR_PX,
    CrownView,
    ReferenceCrown,
    crown_view,
    fit_reference,
    refit_reference,
)
from inspect_app.measure.plan.strings import StringCrossing
from inspect_app.reading.inspection import Flat, Outline
from inspect_app.reading.key import Key, NotMeasured, on_fret
from shared.measured import COVERAGE_FACTOR, Measured
from shared.trade import CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM, FLAT_FROM_MM

__all__ = ["FlatFindings", "FlatSearch", "search_flats", "measure_flats"]

Floats = NDArray[np.float64]

_OFF_CENTRE_MM = 0.02
"""How far a crown's top lies off the middle of its feet: wire is rolled and frets are filed to about two hundredths
(common practice, no source)."""
_ROWS = 3.0
"""Effective number of rows the evidence comes from, at least: a scratch across the crown, or one stray row, is no flat,
blurred over two as it is."""
_WIDEST = 0.9
"""A flat this share of the crown's width would be worn to under half the height: something else lies there."""
_NOTED_WIDTH_MM = 1.5 * FLAT_FROM_MM
"""Where a flat wider than this would not show, a note is given: below it a flat's length means little anyway."""
_SAME_LIGHT = "it would reflect the same light as the crown beside it. Move the lamp and take the photo again"
_CENTRE_UNKNOWN_MM = FLAT_FROM_MM / 4.0
_ASIDE = "the crown's feet are too unclear to tell where its middle lies. Clean them, or move the lamp"
"""Standard uncertainty of where a crown's middle lies from which a flat may show on one side of it alone, and what is
said then: U is half of the narrowest flat's width."""
_SHORT_MM = 2.0
"""Length of the short flat by which it is judged what would show."""
_FADES_MM = 7.5
"""Beyond the outermost flats their tone is good for about so far: what flats mirror changes over one to two centimetres
along a fret, as a lamp's band does."""
_FAINT_TIPS_MM, _BESIDE_FLAT_MM = 0.3, 0.12
"""Set aside with a flat: its faint tips, two rows beyond each end, and its blurred boundary, two columns beside it."""
_FEW_ROWS = 20
"""Rows of a crown in view, 3 mm of it, with fewer of which flats are not searched for."""
_FITTED, _SAME = 2, 0.05
"""So many of a run's outlines are fitted to the end: after the first steps the evidence tells which may win. Two that
differ by less, in all millimetres and logarithms, are on their way to the same."""
_WINDOW, _WINDOW_MM = 1.3, 0.4
"""A flat is fitted to the rows of so many times its coarse length, and some more: the coarse length's own error."""
_RIVAL, _RIVAL_SHARE = 6.0, 0.1
"""An outline with so much less evidence than the best may still be the true one: as in `ACCEPT`, noise makes up some
ten, and the noise level behind the evidence is known to a tenth at best."""
_APART = 0.3
"""Two coarse outlines are both tried where places, lengths and widths differ by this share in all: about two steps of
the coarse grid's lengths. Trying all that differ at all does no better on rendered photos."""
_BESIDE_STRING_MM = 2.0
"""Beside a string its shadow, and its mirror image in the crown, look like wear: it stands one to two millimetres above
the crown, and light comes from up to 45 degrees aside (common practice, no source)."""


@dataclass(frozen=True)
class FlatFindings:
    """Flats of one fret in order from the treble end, their outlines in photo pixels, and what was not measured."""

    flats: tuple[Flat, ...] = ()
    outlines: tuple[Outline, ...] = ()
    not_measured: tuple[NotMeasured, ...] = ()


@dataclass(frozen=True)
class FlatSearch:
    """What a search of one fret gave: the fitted flats, and what could not be measured."""

    patch: FretPatch
    arc: CrownArc
    view: CrownView
    fits: tuple[FlatOutline, ...]
    not_measured: tuple[NotMeasured, ...]


def search_flats(
    patch: FretPatch, strings: Sequence[StringCrossing] = (), blur_px: float = BLUR_PX
) -> FlatSearch | NotMeasured:
    """Find the worn flats of one fret, before any edge is placed by hand.

    Parameters
    ----------
    patch : FretPatch
        The fret resampled, with its crown width; best laid out at about the height of the crown's top.
    strings : sequence of StringCrossing
        Where strings lie over it: there, and as far as their shadows and mirror images reach, no flats are looked for.
    blur_px : float
        Standard deviation of the photo's blur.
    """
    what = on_fret(patch.frame.number, "flats")
    if not isinstance(patch.crown_width, Measured):
        return NotMeasured(what, "The crown's edges could not be found.")
    arc = _arc(patch, patch.crown_width)
    view = crown_view(patch, arc.width, arc.height, blur_px)
    under = tuple(NotMeasured(what, why) for why in _under_strings(strings))
    if view is not None:
        view = replace(view, clear=view.clear & ~_near_strings(view.along_mm, strings))
    if view is None or view.clear.sum() < _FEW_ROWS:
        return under[0] if under else NotMeasured(what, "Too little of the crown can be seen.")
    view, reference, fits = _search(view, arc)
    fits = [f for f in fits if not _near_strings(_ends(f), strings).any()]
    reasons = [why_not(f, arc, view, reference) for f in fits]
    kept = [f for f, why in zip(fits, reasons, strict=True) if not why]
    lost = [
        NotMeasured(what, f"The flat about {f.place:.0f} mm from the treble end {why}.")
        for f, why in zip(fits, reasons, strict=True)
        if why
    ]
    blind = _undetectable(view, reference, arc, kept)
    not_measured = (*under, *lost, *((NotMeasured(what, blind),) if blind else ()))
    return FlatSearch(patch, arc, view, tuple(kept), not_measured)


def _near_strings(along: Floats, strings: Sequence[StringCrossing]) -> NDArray[np.bool_]:
    """Which places along the fret strings, their shadows or their mirror images may hide."""
    near = np.zeros(len(along), dtype=bool)
    for s in strings:
        near |= np.abs(along - s.along) < s.half_width + _BESIDE_STRING_MM
    return near


def _ends(fit: FlatOutline) -> Floats:
    """Places of a flat's ends, its middle and its widest place."""
    return np.array([fit.middle - fit.half_length, fit.place, fit.middle, fit.middle + fit.half_length])


def _under_strings(strings: Sequence[StringCrossing]) -> list[str]:
    """What strings leave unread, in one sentence; none where there are none."""
    if not strings:
        return []
    seen, unseen = [s for s in strings if s.seen], [s for s in strings if not s.seen]
    where = [f"{_places(seen)} mm from the treble end"] if seen else []
    where += [f"by their spacing also {_places(unseen)} mm from it"] if unseen else []
    return [
        f"Strings cross the fret {', '.join(where)} and hide what they wear, with their shadows "
        f"{_BESIDE_STRING_MM:.0f} mm to either side: take the strings off or slacken them and move them aside."
    ]


def _places(strings: Sequence[StringCrossing]) -> str:
    """Where strings lie, as a list in words: "4, 11 and 19"; each millimetre once."""
    at = list(dict.fromkeys(f"{s.along:.0f}" for s in strings))
    return " and ".join([", ".join(at[:-1]), at[-1]] if len(at) > 1 else at)


def measure_flats(found: FlatSearch | NotMeasured, placed: Placed = NOTHING_PLACED) -> FlatFindings:
    """Measure the flats that were found, with the edges a person placed where they were put.

    An unworn fret in good light gives no flats and nothing not measured.
    """
    if isinstance(found, NotMeasured):
        return FlatFindings(not_measured=(found,))
    what = on_fret(found.patch.frame.number, "flats")
    edited = edited_flats(found.fits, found.patch, found.arc, placed, FLAT_FROM_MM)
    return FlatFindings(
        tuple(flag_manual(flat_size(h.fit, found.patch, found.arc, found.view), h) for h in edited),
        _outlines([h.fit for h in edited], found.patch, found.arc, what),
        (*found.not_measured, *no_longer_found(what, placed, len(edited))),
    )


def _arc(patch: FretPatch, width: Measured) -> CrownArc:
    given = patch.crown_height
    height, u_height = (given.value, given.u) if given else (CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM)
    known = u_height < CROWN_HEIGHT_U_MM  # a height no surer than the assumption gives no depth
    u_radius = u_arc_radius(width.value, height, width.u, u_height)
    camera = patch.frame.camera_mm
    parallax = camera[1] / (camera[2] - height)
    # each edge carries its own error
    u_centre = math.hypot(width.u / 2.0, parallax * u_height, _OFF_CENTRE_MM)
    return CrownArc(width.value, height, u_radius, u_centre, known)


def _search(view: CrownView, arc: CrownArc) -> tuple[CrownView, ReferenceCrown, list[FlatOutline]]:
    """Reference crown and flats: found roughly, set aside while the reference is fitted anew, then fitted."""
    view, reference = fit_reference(view)
    if not view.clear.any():
        return view, reference, []  # strings all over it
    half, log_ratio = log_ratios(view, reference, arc)
    rough = candidate_runs(view, half, limited(log_ratio))
    if not rough:
        return view, reference, []
    unworn = np.repeat(view.clear[:, None], len(view.across_mm), axis=1)
    margin = round(_FAINT_TIPS_MM / view.row_mm)
    for i, j, wide in rough:
        middle = view.parallax * float(arc.depth(wide))
        unworn[max(0, i - margin) : j + margin, np.abs(view.across_mm - middle) < wide + _BESIDE_FLAT_MM] = False
    reference = refit_reference(view, unworn, reference.sigma**2 * reference.noise_correlation)
    log_ratio = log_ratios(view, reference, arc)[1]
    tight, loose = limited(log_ratio), limited(log_ratio, LOOSE_LIMIT)
    runs = candidate_runs(view, half, tight)
    if not runs:
        return view, reference, []
    y = view.along_mm
    between = [(y[a[1] - 1] + y[b[0]]) / 2.0 for a, b in pairwise(runs)]
    limits = list(pairwise([y[0] - 1.0, *between, y[-1] + 1.0]))
    starts = [coarse_outlines(view, half, (tight, loose), i, j) for i, j, _ in runs]
    # a run in which every outline gathers evidence against itself is no flat
    outlined = [(several, edge) for several, edge in zip(starts, limits, strict=True) if several]
    fits = _best_fits(view, reference, arc, [s for s, _ in outlined], [edge for _, edge in outlined])
    return view, reference, [f for f, (_, edge) in zip(fits, outlined, strict=True) if _accepted(f, arc, edge)]


def _best_fits(
    view: CrownView,
    reference: ReferenceCrown,
    arc: CrownArc,
    starts: list[list[FlatSpan]],
    limits: list[tuple[float, float]],
) -> list[FlatOutline]:
    """Fit from all coarse outlines that differ; the best fit is kept, with the rivals that explain nearly as much."""
    tried = [[starting_outline(s) for s in _different(several)] for several in starts]
    rough = iter(rough_fits(view, reference, arc, *_windowed(tried, limits)))
    ranked = [sorted([next(rough) for _ in several], key=lambda fit: -fit[1]) for several in tried]
    likely = [_likeliest(several) for several in ranked]
    fine = iter(fit_outlines(view, reference, arc, *_windowed(likely, limits), (ROUGH_STEPS, STEPS)))
    best = [
        _with_rivals([next(fine) for _ in several], _left_rough(rough_ones))
        for several, rough_ones in zip(likely, ranked, strict=True)
    ]
    others = [moved_outlines(f.params) for f in best]
    rough = iter(rough_fits(view, reference, arc, *_windowed(others, limits), held=MOVED_HELD * len(best)))
    best = [_with_more(f, [next(rough) for _ in several], arc) for f, several in zip(best, others, strict=True)]
    turning = [k for k, f in enumerate(best) if turns_by_row(f, arc, view.row_mm)]
    windowed = _windowed([[best[k].params] for k in turning], [limits[k] for k in turning])
    for k, (p, _) in zip(turning, rough_fits(view, reference, arc, *windowed, together=False), strict=True):
        best[k] = replace(best[k], row_by_row=p)
    return best


def _with_more(best: FlatOutline, rough: list[tuple[Floats, float]], arc: CrownArc) -> FlatOutline:
    """The fit with what `moved_outlines` came to: how sure its sides and its ends are."""
    length, sides = length_at(best.params, arc), rough[:2]
    moved = [(math.exp(p[FlatParam.LN_WIDTH]) - best.width, found) for p, found in sides]
    ends = [[(length_at(p, arc) - length, found) for p, found in rough[i : i + 2]] for i in (2, 4)]
    u_ends = math.hypot(*(best.u_by_moved(end, LOST_BY_END) for end in ends))
    return replace(best, u_sides=best.u_by_moved(moved, LOST_BY_SIDE), u_ends=u_ends)


def _likeliest(ranked: list[tuple[Floats, float]]) -> list[Floats]:
    """The outline with most evidence so far, and the next that has not come to the same."""
    best, *others = (p for p, _ in ranked)
    return [best, *[p for p in others if np.abs(p - best).max() >= _SAME][: _FITTED - 1]]


def _left_rough(ranked: list[tuple[Floats, float]]) -> list[Floats]:
    """Outlines that are not fitted to the end, and had nearly as much evidence as the best when they were left."""
    enough = _rival_evidence(ranked[0][1])
    fitted = _likeliest(ranked)
    return [p for p, found in ranked if found >= enough and all(np.abs(p - q).max() >= _SAME for q in fitted)]


def _rival_evidence(most: float) -> float:
    """Evidence that an outline needs to be a rival of one with the most."""
    return most - max(_RIVAL, _RIVAL_SHARE * most)


def _windowed(
    runs: Sequence[Sequence[Floats]], limits: Sequence[tuple[float, float]]
) -> tuple[list[Floats], list[tuple[float, float]]]:
    """The outlines of all runs, and the rows each is fitted to: the same for a run's, so that evidence compares."""
    outlines: list[Floats] = []
    extents: list[tuple[float, float]] = []
    for several, (low, high) in zip(runs, limits, strict=True):
        middle, reach = np.array(several)[:, FlatParam.MIDDLE], np.exp(np.array(several)[:, FlatParam.LN_HALF_LENGTH])
        reach = _WINDOW * reach + _WINDOW_MM
        outlines += several
        extents += [(max(low, float(np.min(middle - reach))), min(high, float(np.max(middle + reach))))] * len(several)
    return outlines, extents


def _different(spans: Sequence[FlatSpan]) -> list[FlatSpan]:
    """Coarse outlines that may lead to different fits, the first of each kind."""
    kept: list[FlatSpan] = []
    for span in spans:
        if all(_differ(span, other) for other in kept):
            kept.append(span)
    return kept


def _with_rivals(fits: list[FlatOutline], rough: list[Floats]) -> FlatOutline:
    """The fit with most evidence, which of the others have nearly as much noted with it."""
    best = max(fits, key=lambda f: f.log_ratio)
    enough = _rival_evidence(best.log_ratio)
    rivals = [f.params for f in fits if f is not best and f.log_ratio >= enough]
    return replace(best, rivals=(*rivals, *rough))


def _differ(a: FlatSpan, b: FlatSpan) -> bool:
    """Whether two coarse outlines may lead to different ones."""
    apart = abs(a.place - b.place) / a.half_length
    apart += abs(math.log(a.half_length / b.half_length)) + abs(math.log(a.half_width / b.half_width))
    return apart >= _APART


def _accepted(fit: FlatOutline, arc: CrownArc, limits: tuple[float, float]) -> bool:
    """Beyond chance, wide enough to have a length, narrower than the crown, and still where it was looked for."""
    if fit.log_ratio < ACCEPT or fit.rows < _ROWS or not FLAT_FROM_MM < fit.width < _WIDEST * arc.width:
        return False
    return limits[0] <= fit.place <= limits[1]


def _undetectable(view: CrownView, reference: ReferenceCrown, arc: CrownArc, flats: list[FlatOutline]) -> str:
    """Where and below what width a flat would not show; empty where every flat that matters would.

    A flat reflects what the crown's centre line reflects, both facing straight up; near other flats seen on the same
    fret their tone is known as well, and farther from them it may be either. It shows by its contrast with the crown to
    either side of the centre line.
    """
    limit = _narrowest_detectable(view, reference, arc, reference.tone[:, np.abs(view.across_mm).argmin()])
    if flats:
        places = [f.place for f in flats]
        other = _narrowest_detectable(view, reference, arc, np.interp(view.along_mm, places, [f.tone for f in flats]))
        known = (view.along_mm > places[0] - _FADES_MM) & (view.along_mm < places[-1] + _FADES_MM)
        limit = np.where(known, np.minimum(limit, other), np.maximum(limit, other))
    aside = COVERAGE_FACTOR * arc.u_centre if arc.u_centre > _CENTRE_UNKNOWN_MM else 0.0
    limit = limit + 2.0 * aside  # what is left of it about the middle of the crown's feet is so much narrower
    for f in flats:
        limit[np.abs(view.along_mm - f.middle) < f.half_length] = 0.0
    dark = view.clear & (limit > _NOTED_WIDTH_MM)
    if dark.sum() * view.row_mm < _SHORT_MM:
        return ""
    y, width = view.along_mm[dark], min(float(limit[dark].max()), _WIDEST * arc.width)
    return (
        f"Between {y[0]:.0f} and {y[-1]:.0f} mm from the treble end a flat narrower than {width:.2f} mm would not "
        f"show: {_ASIDE if aside else _SAME_LIGHT}."
    )


def _narrowest_detectable(view: CrownView, reference: ReferenceCrown, arc: CrownArc, tone: Floats) -> Floats:
    """Width, mm, of the narrowest short flat of given tones (n,) that would be kept, place by place; inf if none."""
    half, within = half_width_grid(view, arc)
    contrast = 0.5 * (reference.tone - tone[:, None]) ** 2 / (reference.sigma**2 * reference.noise_correlation)
    s = (np.arange(8) + 0.5) / 8.0
    k = np.rint((1.0 - s**2) * half[:, None] / view.column_mm).astype(np.intp) - 2
    share = np.sum(k == np.arange(len(half))[:, None, None], axis=2) / 8.0  # of a flat's length that is so wide
    total = contrast @ (within @ share) * _SHORT_MM / view.row_mm
    enough = total >= ACCEPT
    return np.where(enough.any(axis=1), 2.0 * half[enough.argmax(axis=1)], np.inf)


def _outlines(fits: list[FlatOutline], patch: FretPatch, arc: CrownArc, what: Key) -> tuple[Outline, ...]:
    """The flats' rims in photo pixels: each point at its own height, where the facet cuts the crown."""
    if not fits:
        return ()
    rims = np.array([_rim(fit, arc) for fit in fits])
    px = patch.frame.to_px(*np.moveaxis(rims, 1, 0)).reshape(len(fits), -1, 2)
    return tuple(
        Outline("flat", tuple((x, y) for x, y in points.tolist()), closed=True, of=what.nth(k))
        for k, points in enumerate(px, 1)
    )


def _rim(fit: FlatOutline, arc: CrownArc) -> Floats:
    """Places along, across and height above the board, mm, of points on a flat's rim; shape (3, n).

    A quarter and three quarters of the way round it is widest.
    """
    t = np.sin(np.linspace(-0.5, 0.5, 25) * math.pi)
    along = fit.place + fit.half_length * t * (1.0 + np.sign(t) * fit.params[FlatParam.SKEW])
    half = np.maximum(half_widths(fit.params, along, arc.radius), 0.0)
    there = np.concatenate([along, along[-2:0:-1]])
    across = float(fit.params[FlatParam.CENTRE]) + np.concatenate([half, -half[-2:0:-1]])
    height = arc.height - arc.depth(np.concatenate([half, half[-2:0:-1]]))
    return np.array([there, across, height])
