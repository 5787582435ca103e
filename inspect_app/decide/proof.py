"""After the work: what was agreed held against what the photos and the calliper show.

Finished work has limits of its own (``after_...`` in shared/tables/limits.toml), tighter than those of a worn fret.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from calib.budget import difference, ratio
from inspect_app.decide.influences import with_influences
from inspect_app.decide.levelling import Spread
from inspect_app.decide.limits import Limits, Verdict, conformance_probability, verdict_of
from inspect_app.decide.setup import NOTHING_READ, Setup
from inspect_app.decide.wear import FretWear, WearMap, combined, hidden_flat
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import on_fret
from shared.measured import COVERAGE_FACTOR, Measured
from shared.trade import FLAT_FROM_MM
from shared.units import show

__all__ = ["AgreedWork", "ProofCheck", "prove"]


@dataclass(frozen=True, slots=True)
class AgreedWork:
    """What was agreed before the work: bevel angle from the perpendicular in degrees, the crown height that the
    estimate expected of each fret, mm, and the frets of new wire, those the notes of the work name among them."""

    bevel_deg: float = 30.0  # common practice, no source; some prefer 35, about 20 when the ends are then rounded
    forecast: Mapping[int, Spread] = field(default_factory=dict)
    replaced: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ProofCheck:
    """One thing agreed, what was measured, and what may be said of it."""

    what: str
    target: str
    measured: Measured | None
    verdict: Verdict
    reason: str = ""


def prove(
    agreed: AgreedWork,
    after: WearMap,
    inspections: Iterable[Inspection],
    limits: Limits,
    setup: Setup = NOTHING_READ,
    before: Setup = NOTHING_READ,
    was: WearMap | None = None,
) -> tuple[ProofCheck, ...]:
    """Hold the after-work photos against what was agreed: bevels by end, flats, divots, height left (none can have
    grown since `was`); and strings and neck as they are now, and were `before`, against what a setup aims at."""
    kept = tuple(inspections)
    return (
        *_bevels(agreed, kept, limits),
        *_divots(after, limits),
        *_flats(after, kept, limits),
        *_height(after, agreed, limits, was),
        *_strings_and_neck(setup, before),
    )


def _strings_and_neck(setup: Setup, before: Setup) -> list[ProofCheck]:
    """Every reading that has an aim, with what it was before the work beside it."""
    out = []
    for held in setup.held:
        if held.target is not None:
            was = before.values.get(held.name)
            since = "" if was is None else f" (before the work {show(was)})"
            aim = f"{held.target.least:.2f} to {held.target.most:.2f} mm{since}"
            out.append(ProofCheck(held.name, aim, held.value, held.verdict))
    return out


def _bevels(agreed: AgreedWork, inspections: tuple[Inspection, ...], limits: Limits) -> list[ProofCheck]:
    """All readings of an end together; where they disagree the photos cannot tell which is right."""
    tolerance = limits["bevel_deviation"].value
    seen: dict[tuple[int, str], list[Measured]] = {}
    for inspection in map(with_influences, inspections):
        for fret in inspection.frets:
            for end, q in (("treble", fret.bevel_treble), ("bass", fret.bevel_bass)):
                if q is not None:
                    seen.setdefault((fret.number, end), []).append(q)
    target = f"{agreed.bevel_deg:g}° ± {tolerance:g}°"
    low, high = agreed.bevel_deg - tolerance, agreed.bevel_deg + tolerance
    out = []
    for (number, end), readings in sorted(seen.items()):
        q = combined(readings)
        what = f"fret {number}, bevel, {end} end"
        if "DISAGREES" in q.flags:
            values = " and ".join(f"{r.value:.1f}°" for r in readings)
            reason = f"its photos disagree: {values}; look at both and reject the wrong reading"
            out.append(ProofCheck(what, target, q, Verdict.CANNOT_TELL, reason))
            continue
        p = conformance_probability(q.value, q.u, lower=low, upper=high, dof=q.dof)
        out.append(ProofCheck(what, target, q, verdict_of(p)))
    if not out:
        out.append(ProofCheck("bevels", target, None, Verdict.CANNOT_TELL, "no after-work photo shows a fret end"))
    return out


def _divots(after: WearMap, limits: Limits) -> list[ProofCheck]:
    limit = limits["after_divot"]
    out = []
    for fret in after.frets:
        deepest = fret.deepest()
        if deepest is not None:
            verdict = verdict_of(conformance_probability(deepest.value, deepest.u, upper=limit.value))
            hidden = fret.read_in_part and verdict == Verdict.WITHIN
            out.append(
                ProofCheck(
                    f"fret {fret.number}, deepest divot",
                    f"at most {limit.value:g} mm",
                    deepest,
                    Verdict.CANNOT_TELL if hidden else verdict,
                    "; ".join(fret.reasons) if hidden else "",
                )
            )
    if not out:
        reason = "no after-work photo reads the crowns"
        out.append(ProofCheck("divots", f"at most {limit.value:g} mm", None, Verdict.CANNOT_TELL, reason))
    return out


def _flats(after: WearMap, inspections: tuple[Inspection, ...], limits: Limits) -> list[ProofCheck]:
    """The widest flat of every fret a plan photo shows; none is said only where a flat too wide would have shown."""
    share = limits["after_flat_share"].value
    unread = {n.what: n.reason for i in inspections if i.view == "plan" for n in i.not_measured}
    looked_at = {f.number for i in inspections if i.view == "plan" for f in i.frets}
    return [
        _flat(fret, fret.crown_width, share, unread.get(on_fret(fret.number, "flats")))
        for fret in after.frets
        if fret.number in looked_at and fret.crown_width is not None
    ]


def _flat(fret: FretWear, width: Measured, share: float, hidden: str | None) -> ProofCheck:
    """One fret's widest flat; `hidden` is why not all of it could be read."""
    what, target = f"fret {fret.number}, widest flat", f"at most {share * width.value:.2f} mm"
    below = hidden_flat(hidden) if hidden else None
    if below is not None and below <= share * (width.value - width.expanded):
        hidden = None  # what would not show would be narrow enough
    flat = fret.widest_flat()
    if flat is not None and width.value > 3.0 * width.u:
        of = ratio(flat, width)
        verdict = verdict_of(conformance_probability(of.value, of.u, upper=share, dof=of.dof))
        doubt = hidden if hidden and verdict == Verdict.WITHIN else None
        return ProofCheck(what, target, flat, Verdict.CANNOT_TELL if doubt else verdict, doubt or "")
    if hidden is not None or flat is not None:
        reason = hidden or "the crown's width is not known well enough"
        return ProofCheck(what, target, flat, Verdict.CANNOT_TELL, reason)
    seen = f"none of {max(below or 0.0, FLAT_FROM_MM):g} mm or wider was seen"
    return ProofCheck(what, target, None, Verdict.WITHIN, seen)


def _height(after: WearMap, agreed: AgreedWork, limits: Limits, was: WearMap | None) -> list[ProofCheck]:
    """Height left on every fret that was measured: against what the estimate expected, else against the limit alone."""
    limit, loss = limits["crown_height"], limits["after_height_loss"].value
    out = []
    for fret in after.frets:
        height = after.unworn_height(fret.number)
        if height is None or not (fret.was_read or fret.crown_height is not None):
            continue
        least, target = _least_height(agreed.forecast.get(fret.number), limit.value, loss)
        p = conformance_probability(height.value, height.u, lower=least, dof=height.dof)
        kept = was is not None and fret.number not in agreed.replaced
        doubt = _why_height_impossible(was.unworn_height(fret.number) if kept and was else None, height)
        verdict = Verdict.CANNOT_TELL if doubt else verdict_of(p)
        out.append(ProofCheck(f"fret {fret.number}, crown height", target, height, verdict, doubt))
    if not out:
        reason = "nothing measured it after the work: write down what the calliper reads"
        out.append(ProofCheck("crown height", f"at least {limit.value:g} mm", None, Verdict.CANNOT_TELL, reason))
    return out


def _why_height_impossible(was: Measured | None, height: Measured) -> str:
    """Why the height of a fret that was kept can't be: metal does not grow. Empty where it can."""
    if was is None or (more := difference(height, was)).value <= more.expanded:
        return ""
    return (
        f"{more.value:.2f} mm higher than before the work ({was.value:.2f} ± {was.expanded:.2f} mm), and metal does "
        "not grow: one of the two readings is wrong, or this fret is new and the work's notes do not say so"
    )


def _least_height(forecast: Spread | None, limit: float, loss: float) -> tuple[float, str]:
    """The least height agreed and how it is said: the forecast less what good work may take more, never below the
    limit. A limit that the forecast itself lies below is not what was agreed: there the forecast alone counts."""
    if forecast is None:
        return limit, f"at least {limit:g} mm"
    expanded = COVERAGE_FACTOR * forecast.u
    least = forecast.value - loss
    if forecast.value >= limit:
        least = max(limit, least)
    return least, f"at least {least:.2f} mm (expected {forecast.value:.2f} ± {expanded:.2f} mm)"
