"""Which option to choose, and why in two sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from inspect_app.decide.limits import Verdict
from inspect_app.decide.option_parts import Kind, Option
from inspect_app.decide.wear import WearMap
from shared.units import LengthUnit, show

__all__ = ["Recommendation", "frets_in_words", "recommend"]


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The option to offer (``None`` if none can be), two sentences why, and what photo would settle doubts."""

    kind: Kind | None
    reason: str
    settle: str = ""


def recommend(wear: WearMap, options: Sequence[Option], lengths: LengthUnit = "mm") -> Recommendation:
    """The cheapest option whose limits are all kept; ties go to the least work. Says why in two sentences."""
    if not wear.read:
        return Recommendation(
            None,
            "No photo shows the wear of any fret yet. Nothing can be recommended without readings.",
            "Photograph the whole board from above, then the frets that look worst along the neck.",
        )
    order = list(Kind)
    ranked = sorted(options, key=lambda o: (o.price, order.index(o.kind)))
    good = [o for o in ranked if o.verdict == Verdict.WITHIN]
    if good and any(map(_unknown, ranked[: ranked.index(good[0])])):
        good = []  # new frets are no answer to a height that nobody has measured
    settle = _what_would_settle(wear, ranked, good[0] if good else None)
    if not good:
        return Recommendation(
            None, "No option keeps every limit with the certainty asked for. More photos are needed to decide.", settle
        )
    return Recommendation(good[0].kind, _reason(wear, options, good[0], lengths), settle)


def _unknown(option: Option) -> bool:
    """Whether an option can't be told because something was not measured at all."""
    return option.verdict == Verdict.CANNOT_TELL and any(c.probability is None for c in option.checks)


def _what_would_settle(wear: WearMap, ranked: Sequence[Option], chosen: Option | None) -> str:
    """What photo would settle a cheaper option that can't be told, or frets nobody has looked at."""
    parts = []
    for o in ranked:
        if o is chosen:
            break
        doubtful = next((c for c in o.checks if c.verdict == Verdict.CANNOT_TELL), None)
        if o.verdict != Verdict.CANNOT_TELL or doubtful is None:
            continue
        if doubtful.probability is None and any(wear.unworn_height(f.number) is None for f in wear.frets):
            parts.append(
                "Heights read with a calliper, or a photo of a pulled fret or the wire, end-on, would give the crown "
                "height."
            )
        else:
            where = f"fret {doubtful.worst_fret}" if doubtful.worst_fret else "the worst frets"
            parts.append(f"A photo of {where} along the neck, from lower down, may show that “{o.kind}” is enough.")
        break
    if wear.unread:
        parts.append(f"Not read: {frets_in_words(wear.unread)}; taken to be no worse than the others.")
    if wear.read_in_part:
        parts.append(f"Read in part: {frets_in_words(wear.read_in_part)}; what no photo shows is taken to be no worse.")
    return " ".join(parts)


def _reason(wear: WearMap, options: Sequence[Option], chosen: Option, lengths: LengthUnit) -> str:
    worst = max((f for f in wear.frets if f.was_read), key=lambda f: d.value if (d := f.deepest()) else 0.0)
    depth = worst.deepest()
    assert depth is not None
    found = f"The deepest wear, {show(depth, lengths)}, is on fret {worst.number}."
    return f"{found} {_why_this_option(options, chosen, lengths)}"


def _why_this_option(options: Sequence[Option], chosen: Option, lengths: LengthUnit) -> str:
    least = _least_left(chosen, lengths)
    if chosen.kind == Kind.LEAVE:
        return "It may stay: the frets need no work now."
    if chosen.kind == Kind.DRESS:
        return f"Dressing {frets_in_words(chosen.dressed)} alone leaves the board level."
    if chosen.kind == Kind.RECROWN:
        return "The frets are flat on top but level: their sides are filed round again, and none of them loses height."
    if chosen.kind == Kind.LEVEL and least:
        return f"Levelling all frets cleans it up and still leaves {least} of crown on the lowest."
    low = _least_left(next(o for o in options if o.kind == Kind.LEVEL), lengths)
    why = f"Levelling alone would leave as little as {low}" if low else "Levelling alone is not sure"
    if chosen.kind == Kind.PARTIAL:
        return f"{why}, so {frets_in_words(chosen.replaced)} are replaced and the rest levelled to {least}."
    return f"{why}, too little to crown and play on, so all frets are replaced."


def _least_left(option: Option, lengths: LengthUnit) -> str:
    """The least crown height an option leaves; empty where none is known."""
    left = min((s for _, s in option.height_left), key=lambda s: s.value, default=None)
    return str(show(left.measured, lengths)) if left else ""


def frets_in_words(numbers: Sequence[int]) -> str:
    """``frets 1 to 4, 7 and 9``; ``no fret`` of none."""
    if not numbers:
        return "no fret"
    runs: list[list[int]] = []
    for n in numbers:
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    words = [str(r[0]) if len(r) == 1 else f"{r[0]} to {r[-1]}" for r in runs]
    text = ", ".join(words[:-1]) + (" and " if len(words) > 1 else "") + words[-1]
    return ("fret " if len(numbers) == 1 else "frets ") + text
