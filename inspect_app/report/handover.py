"""The handover: what was done, the same places before and after, how to look after it, when to come again."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from inspect_app.decide.agreement import Answer
from inspect_app.decide.estimate import Estimate
from inspect_app.decide.limits import Verdict
from inspect_app.decide.proof import ProofCheck
from inspect_app.decide.setup import NOTHING_READ, Setup
from inspect_app.decide.wear import Rate, WearMap, WornSpot
from inspect_app.report.estimate import frets_words, worst_first
from inspect_app.report.number_format import NumberFormat, ordinal
from inspect_app.report.paper_frame import Heading, Picture, frame, picture
from shared.measured import Measured
from shared.tables import load_table

__all__ = ["Bevels", "HandoverFacts", "bevel_figures", "handover_content", "months_to_check", "spot_figures"]

MOST_SPOTS = 6
"""Rows for worn places: the worst say it, the rest stands in the record."""
MOST_BEVELS = 4
BEVEL_U_DEG = 3.0
"""Largest U of a bevel's angle before the work that is worth comparing: about the change a bevel usually sees."""
SHOWN_FROM_MM = 0.01
"""Below this a groove nobody could see need not be told of: a fifth of what may stay (`divot_leave`)."""

Bevels = Mapping[tuple[int, str], Measured]
"""Bevel angle by fret and end, degrees."""


@dataclass(frozen=True, slots=True)
class HandoverFacts:
    """The two visits and what was agreed between them.

    `agreed` is the accepted estimate and the answer that accepted it; `said` the person's own words on what was done.
    """

    before: WearMap
    after: WearMap
    day: str
    agreed: tuple[Estimate, Answer] | None = None
    said: str = ""
    bevels_before: Bevels = field(default_factory=dict)
    bevels_after: Bevels = field(default_factory=dict)
    setup_before: Setup = NOTHING_READ
    setup_after: Setup = NOTHING_READ


def handover_content(
    heading: Heading,
    work: HandoverFacts,
    checks: Sequence[ProofCheck],
    pairs: Sequence[tuple[Picture, Picture]],
    months: int | None,
    writing: NumberFormat,
) -> dict[str, Any]:
    """Data of ``handover.typ``; `months` until the next check, ``None`` where no rate of wear is known."""
    out = frame(heading, "Handover", [("Date", writing.day(work.day)), ("Agreed", _agreed(work, writing))])
    return out | {
        "done": _done(work),
        "rows": compared(work, writing),
        "said": verdict_words(checks, work.agreed is not None),
        "beyond": [
            [c.what.capitalize(), writing.words(c.target), writing.found(c.measured, c.reason)]
            for c in checks
            if c.verdict == Verdict.BEYOND
        ],
        "pairs": [{"before": picture(b), "after": picture(a)} for b, a in pairs],
        "care": list(load_table("care")["lines"]),
        "next": _next_check(months),
    }


def _agreed(work: HandoverFacts, writing: NumberFormat) -> str:
    if work.agreed is None:
        return "no estimate stands accepted"
    estimate, answer = work.agreed
    who = f" by {answer.by}" if answer.by else ""
    how = f", {answer.how}" if answer.how else ""
    return f"estimate {estimate.revision}, accepted{who} on {writing.day(answer.on.isoformat())}{how}"


def _done(work: HandoverFacts) -> list[str]:
    """What was done: the person's words, else the option that was agreed, its frets and wire; never a claim beyond."""
    if work.said:
        return [work.said]
    if work.agreed is None:
        return ["The instrument was photographed and measured again after the work."]
    estimate, _ = work.agreed
    return [w for w in (f"{estimate.option.capitalize()}.", frets_words(estimate, work.before)) if w]


def compared(work: HandoverFacts, writing: NumberFormat) -> list[list[str]]:
    """Rows of place, before, after, change; only places that both visits read."""
    return [*_spots(work, writing), *_heights(work, writing), *_bevels(work, writing), *_strings(work, writing)]


def _spots(work: HandoverFacts, writing: NumberFormat) -> list[list[str]]:
    rows = []
    for n in worst_first(work.before):
        worst = _deepest(work.before, n)
        if worst is None or worst.depth is None or worst.string is None:
            continue
        after = _depth_after(work.after, n, worst.string)
        if after is None:
            continue
        seen, value = after
        was = worst.depth.value
        if not seen:
            fine = value < SHOWN_FROM_MM
            now, change = ("none seen" if fine else f"none deeper than {writing.rough(value)}"), "gone"
        else:
            now, change = writing.rough(value), writing.change(was, value)
        rows.append([f"Fret {n}, {ordinal(worst.string)} string: groove", writing.rough(was), now, change])
    return rows[:MOST_SPOTS]


def spot_figures(work: HandoverFacts, fret: int, spot: WornSpot, writing: NumberFormat) -> tuple[str, str]:
    """What stands under the two pictures of a worn place: its depth before, and what is left of it."""
    before = f"{writing.rough(spot.depth.value)} deep" if spot.depth else ""
    after = _depth_after(work.after, fret, spot.string) if spot.string else None
    return before, "" if after is None else f"{writing.rough(after[1])} deep" if after[0] else "no groove seen"


def bevel_figures(work: HandoverFacts, fret: int, end: str) -> tuple[str, str]:
    """What stands under the two pictures of an end: its bevel before and after, from upright."""
    known = (work.bevels_before.get((fret, end)), work.bevels_after.get((fret, end)))
    before, after = (f"bevel {round(q.value)}°" if q else "" for q in known)
    return before, after


def _deepest(wear: WearMap, fret: int) -> WornSpot | None:
    spots = [s for s in wear.fret(fret).spots if s.depth is not None and s.string is not None]
    return max(spots, key=lambda s: s.depth.value if s.depth else 0.0, default=None)


def _depth_after(after: WearMap, fret: int, string: int) -> tuple[bool, float] | None:
    """Whether a groove is still seen there and how deep it is; else from what depth one would show."""
    try:
        at = after.fret(fret)
    except KeyError:
        return None
    here = [s for s in at.spots if s.string == string]
    depths = [s.depth.value for s in here if s.depth is not None]
    if depths:
        return True, max(depths)
    return None if here or at.unseen_depth is None else (False, at.unseen_depth)


def _heights(work: HandoverFacts, writing: NumberFormat) -> list[list[str]]:
    """The lowest fret that was measured after the work, beside what was left under its strings before."""
    known = [
        (h.value, f.number) for f in work.after.frets if (h := f.crown_height) is not None
    ]  # fmt: skip
    if not known:
        return []
    now, n = min(known)
    left = [
        h.value
        for s in range(1, work.before.instrument.strings + 1)
        if (h := work.before.height_left(n, s)) is not None
    ]
    if not left:
        return [[f"Fret {n}, height", "not known", writing.rough(now), ""]]
    was = min(left)
    return [[f"Fret {n}, height at its lowest place", writing.rough(was), writing.rough(now), writing.change(was, now)]]


def _bevels(work: HandoverFacts, writing: NumberFormat) -> list[list[str]]:
    told = {k for k, q in work.bevels_before.items() if q.expanded <= BEVEL_U_DEG}
    both = sorted(told & set(work.bevels_after), key=lambda k: work.bevels_after[k].u)
    rows = []
    for n, end in both[:MOST_BEVELS]:
        was, now = work.bevels_before[n, end].value, work.bevels_after[n, end].value
        degrees = [f"{round(x)}°" for x in (was, now)]
        change = f"{round(now) - round(was):+d}°".replace("-", "−")  # of the angles as written
        rows.append([f"Fret {n}, {end} end: bevel", *degrees, change])
    return rows


def _strings(work: HandoverFacts, writing: NumberFormat) -> list[list[str]]:
    """Strings and neck, in millimetres with their U: a setup moves them by little more."""
    rows = []
    for name, was in sorted(work.setup_before.values.items(), key=lambda of: of[0].split(" ", 1)[::-1]):
        now = work.setup_after.values.get(name)
        if now is None:
            continue
        side, what = name.split(" ", 1)
        apart = math.hypot(was.expanded, now.expanded)
        told = abs(now.value - was.value) > apart
        change = writing.change(was.value, now.value) if told else f"less than {writing.rough(apart)}"
        at = f"{what} at the 12th fret" if what == "string height" else what
        rows.append([f"{at.capitalize()}, {side} side", writing.value(was), writing.value(now), change])
    return rows


def verdict_words(checks: Sequence[ProofCheck], agreed: bool = True) -> str:
    """How many of the points agreed are kept; what could not be told is left to the record."""
    count = {v: sum(1 for c in checks if c.verdict == v) for v in Verdict}
    told = count[Verdict.WITHIN] + count[Verdict.BEYOND]
    if not told:
        return "The photos taken after the work do not yet tell whether it is as it should be."
    kept = "as agreed" if agreed else "within the limits"
    words = f"{count[Verdict.WITHIN]} of {told} points checked after the work are {kept}."
    if count[Verdict.CANNOT_TELL]:
        words += " What could not be told stands in the measurement record."
    return words


def months_to_check(rates: Sequence[Rate], depth_left_mm: float) -> int | None:
    """Months until the fastest wearing place may have worn by a depth; 6 to 60, ``None`` where no wear was measured.

    Each rate is taken at its upper end, value and U, so that the check comes early rather than late.
    """
    fastest = max((r.per_year.value + r.per_year.expanded for r in rates if r.per_year.value > 0.0), default=0.0)
    if fastest <= 0.0:
        return None
    return int(min(60.0, max(6.0, 12.0 * depth_left_mm / fastest)))


def _next_check(months: int | None) -> str:
    if months is None:
        at = int(load_table("care")["next"]["months_unknown"])
        return f"In about {at} months: measured again then, the two visits tell how fast these frets wear."
    years = f"{months / 12:.0f} years" if months >= 24 else f"{months} months"
    return f"In about {years}: by then, at the wear measured between the visits, the first groove may need work."
