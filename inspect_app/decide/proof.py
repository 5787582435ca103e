"""After the work: what was agreed held against what the photos and the calliper show."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from inspect_app.decide.levelling import Spread
from inspect_app.decide.limits import Limits, Verdict, conformance_probability, verdict_of
from inspect_app.decide.wear import WearMap
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import on_fret
from shared.measured import COVERAGE_FACTOR, Measured
from shared.trade import FLAT_FROM_MM

__all__ = ["Agreed", "ProofCheck", "prove"]


@dataclass(frozen=True, slots=True)
class Agreed:
    """What was agreed before the work: bevel angle from the perpendicular in degrees, and the crown height that the
    estimate expected of each fret, mm."""

    bevel_deg: float = 30.0  # common practice, no source; some prefer 35, about 20 when the ends are then rounded
    forecast: Mapping[int, Spread] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ProofCheck:
    """One thing agreed, what was measured, and what may be said of it."""

    what: str
    target: str
    measured: Measured | None
    verdict: Verdict
    reason: str = ""


def prove(agreed: Agreed, after: WearMap, inspections: Iterable[Inspection], limits: Limits) -> tuple[ProofCheck, ...]:
    """Hold the after-work photos against what was agreed: bevels by end, flats, divots, height left."""
    kept = tuple(inspections)
    return (
        *_bevels(agreed, kept, limits),
        *_divots(after, limits),
        *_flats(after, kept, limits),
        *_height(after, agreed, limits),
    )


def _bevels(agreed: Agreed, inspections: tuple[Inspection, ...], limits: Limits) -> list[ProofCheck]:
    """The end view is read where there is one: its angle is better known than the elevation's."""
    tolerance = limits["bevel_deviation"].value
    best: dict[tuple[int, str], Measured] = {}
    for inspection in inspections:
        for fret in inspection.frets:
            for end, q in (("treble", fret.bevel_treble), ("bass", fret.bevel_bass)):
                if q is not None and ((fret.number, end) not in best or q.u < best[fret.number, end].u):
                    best[fret.number, end] = q
    target = f"{agreed.bevel_deg:g}° ± {tolerance:g}°"
    out = []
    for (number, end), q in sorted(best.items()):
        p = conformance_probability(
            q.value, q.u, lower=agreed.bevel_deg - tolerance, upper=agreed.bevel_deg + tolerance
        )
        out.append(ProofCheck(f"fret {number}, bevel, {end} end", target, q, verdict_of(p)))
    if not out:
        out.append(ProofCheck("bevels", target, None, Verdict.CANNOT_TELL, "no after-work photo shows a fret end"))
    return out


def _divots(after: WearMap, limits: Limits) -> list[ProofCheck]:
    limit = limits["divot_leave"]
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
    """The widest flat of every fret a plan photo shows; none seen is said only where the whole crown could be read."""
    share = limits["flat_share"].value
    unread = {n.what: n.reason for i in inspections if i.view == "plan" for n in i.not_measured}
    looked_at = {f.number for i in inspections if i.view == "plan" for f in i.frets}
    out = []
    for fret in after.frets:
        flat, width, hidden = fret.widest_flat(), fret.crown_width, unread.get(on_fret(fret.number, "flats"))
        if fret.number not in looked_at or width is None:
            continue
        what, target = f"fret {fret.number}, widest flat", f"at most {share * width.value:.2f} mm"
        if flat is not None:
            verdict = verdict_of(conformance_probability(flat.value, flat.u, upper=share * width.value))
            doubt = hidden if hidden and verdict == Verdict.WITHIN else None
            out.append(ProofCheck(what, target, flat, Verdict.CANNOT_TELL if doubt else verdict, doubt or ""))
        elif hidden is not None:
            out.append(ProofCheck(what, target, None, Verdict.CANNOT_TELL, hidden))
        else:
            reason = f"none of {FLAT_FROM_MM:g} mm or wider was seen"
            out.append(ProofCheck(what, target, None, Verdict.WITHIN, reason))
    return out


def _height(after: WearMap, agreed: Agreed, limits: Limits) -> list[ProofCheck]:
    """Height left on every fret that was measured: against what the estimate expected, else against the limit alone."""
    limit = limits["crown_height"]
    out = []
    for fret in after.frets:
        height = after.unworn_height(fret.number)
        if height is None or not (fret.was_read or fret.crown_height is not None):
            continue
        least, target = _least_height(agreed.forecast.get(fret.number), limit.value)
        p = conformance_probability(height.value, height.u, lower=least)
        out.append(ProofCheck(f"fret {fret.number}, crown height", target, height, verdict_of(p)))
    if not out:
        reason = "nothing measured it after the work: write down what the calliper reads"
        out.append(ProofCheck("crown height", f"at least {limit.value:g} mm", None, Verdict.CANNOT_TELL, reason))
    return out


def _least_height(forecast: Spread | None, limit: float) -> tuple[float, str]:
    """The least height agreed and how it is said: the forecast less its U, never below the limit."""
    if forecast is None:
        return limit, f"at least {limit:g} mm"
    expanded = COVERAGE_FACTOR * forecast.u
    least = max(limit, forecast.value - expanded)
    return least, f"at least {least:.2f} mm (expected {forecast.value:.2f} ± {expanded:.2f})"
