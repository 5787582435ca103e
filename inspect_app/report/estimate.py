"""The estimate as a customer reads it in a minute: what is wrong, what is proposed and why, what it costs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from inspect_app.decide.estimate import Estimate, Line, SumRow, sums_of, total_for_price, totals
from inspect_app.decide.limits import Verdict
from inspect_app.decide.options import Option
from inspect_app.decide.wear import FretWear, WearMap
from inspect_app.report.cautions import trade_notes
from inspect_app.report.number_format import NumberFormat, listed, ordinal
from inspect_app.report.paper_frame import Heading, Picture, frame, picture, wear_strip

__all__ = ["EstimateFindings", "estimate_content", "reason_words", "worst_spot"]

_MEANS = {
    "leave": "nothing is done",
    "dress single frets": "only the worn frets are filed and polished",
    "recrown and polish": "the tops are rounded again and polished, no levelling",
    "level, crown and polish": "all frets are filed to one level, rounded again and polished",
    "replace the worst and level": "the worst frets get new wire, the others are levelled with them",
    "full refret": "all frets get new wire",
}
"""What an option is, in a musician's words; an option without an entry is told by its name alone."""
_FAILS = {
    "divot_leave": "the grooves stay",
    "flat_share": "the tops stay flat",
    "crown_height": "too little fret would be left",
    "level_step": "the frets would not be level with each other",
}
"""What it means that a limit is not kept."""
_SHARES = ((0.06, "a twentieth"), (0.115, "a tenth"), (0.17, "a seventh"), (0.225, "a fifth"), (0.29, "a quarter"),
           (0.41, "a third"), (0.6, "half"), (9.0, "most"))  # fmt: skip
"""Upper end of each range, and the share said for it."""


@dataclass(frozen=True, slots=True)
class EstimateFindings:
    """What the estimate rests on: the wear, the options, the least crown height worked to, the close-ups, other photos.

    `fits` tells whether the option in the estimate is the one recommended now.
    """

    wear: WearMap
    options: Sequence[Option]
    least_height: float
    closeups: Sequence[Picture]
    others: Sequence[Picture] = ()
    fits: bool = True
    note: str = ""
    also: str = ""
    """What else was found, besides wear of the frets."""


def estimate_content(
    heading: Heading,
    estimate: Estimate,
    found: EstimateFindings,
    materials: Iterable[str],
    writing: NumberFormat,
    draft: bool,
) -> dict[str, Any]:
    """Data of ``estimate.typ``; `materials` are texts that may name a controlled material."""
    e = estimate
    facts = [("Date", f"{writing.day(e.made_on)}, valid until {writing.day(e.valid_until)}")]
    chosen = next((o for o in found.options if str(o.kind) == e.option), None)
    out = frame(heading, f"Estimate {e.revision}", facts, draft)
    return out | {
        "found": " ".join(p for p in (found_words(found.wear, writing), found.also) if p),
        "closeups": [picture(p) for p in found.closeups],
        "others": [picture(p) for p in found.others],
        "wear": wear_strip(found.wear, writing),
        "proposal": {
            "title": e.option.capitalize(),
            "means": _MEANS.get(e.option, ""),
            "why": e.why or _reason(e, found, writing),
            "frets": frets_words(e, found.wear),
            "note": e.note,
        },
        "lines": [_priced(line, e, writing) for line in e.lines],
        "totals": [_summed(row, e, writing) for row in sums_of(e)],
        "alternatives": _alternatives(e, found.options, writing),
        "alternatives_note": _words_on_tax(e, writing),
        "mind": [*(writing.words(b) for b in (chosen.brings if chosen else ())), *trade_notes(materials)],
        "small": small_print(found.wear),
        "valid": f"This price holds until {writing.day(e.valid_until)}.",
    }


def _priced(line: Line, e: Estimate, writing: NumberFormat) -> dict[str, Any]:
    return {
        "text": line.text,
        "quantity": f"{writing.number(line.quantity)} {line.unit}".strip(),
        "price": writing.amount(line.unit_price, e.minor_digits),
        "amount": writing.amount(line.amount, e.minor_digits),
    }


def _summed(row: SumRow, e: Estimate, writing: NumberFormat) -> dict[str, Any]:
    return {
        "label": writing.number(row.label),
        "amount": writing.money(row.amount, e.currency, e.minor_digits),
        "strong": row.strong,
    }


def found_words(wear: WearMap, writing: NumberFormat) -> str:
    """What was found, for a musician: how many frets, which is worst, how much of it is gone."""
    read = [f for f in wear.frets if f.was_read]
    worn = [f for f in read if any(s.depth for s in f.spots)]
    if not read:
        return "The photos taken so far do not show the wear of any fret."
    if not worn:
        return f"We looked at {len(read)} frets and found no grooves."
    words = f"The strings have worn grooves into {len(worn)} of the {len(read)} frets that could be judged."
    worst = worst_spot(wear)
    if worst is not None:
        fret, string, depth = worst
        under = f" under the {ordinal(string)} string" if string else ""
        height = wear.unworn_height(fret)
        share = f", {_share(depth / height.value)} of the fret's height" if height else ""
        words += f" The deepest is on fret {fret}{under}: {writing.rough(depth)}{share}."
    return words + " Grooves like these make strings buzz and blur the pitch."


def worst_spot(wear: WearMap) -> tuple[int, int | None, float] | None:
    """Fret, string and depth (mm) of the deepest place read; ``None`` where there is none."""
    spots = [
        (s.depth.value, f.number, s.string) for f in wear.frets for s in f.spots if s.depth is not None
    ]  # fmt: skip
    if not spots:
        return None
    depth, fret, string = max(spots, key=lambda x: (x[0], -x[1]))
    return fret, string, depth


def _share(x: float) -> str:
    said = next(name for most, name in _SHARES if x <= most)
    return said if said in ("half", "most") else f"about {said}"


def _reason(e: Estimate, found: EstimateFindings, writing: NumberFormat) -> str:
    """The person's reason where they chose another option than the recommended one, else what the readings say."""
    if not found.fits:
        return writing.words(e.reason)
    words = reason_words(e.option, found.options, found.least_height, writing)
    return words or writing.words(e.reason)


def reason_words(kind: str, options: Sequence[Option], least_height: float, writing: NumberFormat) -> str:
    """Why this option, for a musician; empty where there are no words for it."""
    by_kind = {str(o.kind): o for o in options}
    option, level = by_kind.get(kind), by_kind.get("level, crown and polish")
    if option is None:
        return ""
    left = _least(option)
    least = f"we leave at least {writing.rough(least_height)}"
    leaves = f" About {writing.rough(left)} of height is left on the lowest fret; {least}." if left is not None else ""
    low = _least(level) if level else None
    if kind == "leave":
        return "The wear is slight and may stay: nothing needs doing now."
    if kind == "dress single frets":
        return f"Only {listed(option.dressed)} need work; the others are good as they are.{leaves}"
    if kind == "level, crown and polish":
        return f"It takes the grooves out without new wire.{leaves}"
    if kind in ("replace the worst and level", "full refret") and low is not None and low < least_height:
        alone = f"Levelling alone would leave about {writing.rough(low)} on the lowest fret; {least}."
        if kind == "full refret" or left is None:
            return alone
        return f"{alone} With new wire where it is worst, about {writing.rough(left)} is left."
    if kind in ("replace the worst and level", "full refret"):
        return f"Levelling alone is not sure to leave enough on every fret; {least}."
    return ""


def _least(option: Option) -> float | None:
    return min((s.value for _, s in option.height_left), default=None)


def frets_words(e: Estimate, wear: WearMap) -> str:
    """Which frets get new wire, and of what; which are worked on."""
    words = []
    whole = len(wear.frets)
    if e.replaced:
        which = f"all {whole} frets" if len(e.replaced) == whole else listed(e.replaced)
        words.append(f"New wire on {which}" + (f" ({e.wire})" if e.wire else "") + ".")
    if e.dressed:
        which = f"all {whole} frets" if len(e.dressed) == whole else listed(e.dressed)
        words.append(f"Worked on and kept: {which}.")
    return " ".join(words)


def small_print(wear: WearMap) -> str:
    """What nobody could judge, in one line."""
    parts = []
    if wear.unread and wear.read:
        parts.append(f"Not judged: {listed(wear.unread)}; taken to be no worse than the others.")
    if wear.read_in_part:
        parts.append(f"Judged in part: {listed(wear.read_in_part)}.")
    return " ".join(parts)


def _words_on_tax(e: Estimate, writing: NumberFormat) -> str:
    t = totals(e)
    parts = [f"tax of {writing.number(e.tax_percent)} %"] if t.tax else []
    parts += [f"the discount of {writing.number(e.discount_percent)} %"] if t.discount else []
    return f"Prices include {' and '.join(parts)}, as the total above." if parts else ""


def _alternatives(e: Estimate, options: Sequence[Option], writing: NumberFormat) -> list[dict[str, str]]:
    """The other ways at their prices when the estimate was made, with its tax and discount."""
    by_kind = {str(o.kind): o for o in options}
    return [
        {
            "title": kind.capitalize(),
            "text": _leaves(by_kind[kind], writing) if kind in by_kind else "",
            "price": writing.money(total_for_price(e, price), e.currency, e.minor_digits),
        }
        for kind, price in e.alternatives
    ]


def _leaves(option: Option, writing: NumberFormat) -> str:
    if option.verdict == Verdict.WITHIN:
        low = _least(option)
        return "would do as well" + (f"; leaves about {writing.rough(low)} of height" if low is not None else "")
    wanted = option.verdict
    fails = [_FAILS[c.limit.key] for c in option.checks if c.verdict == wanted and c.limit.key in _FAILS]
    if wanted == Verdict.BEYOND:
        return "would not do" + (f": {fails[0]}" if fails else "")
    return "can't be promised from the photos" + (f": it may be that {fails[0]}" if fails else "")


def worst_first(wear: WearMap) -> tuple[int, ...]:
    """Frets that were read, the deepest worn first."""

    def depth(fret: FretWear) -> float:
        deepest = fret.deepest()
        return deepest.value if deepest else 0.0

    return tuple(f.number for f in sorted(wear.frets, key=depth, reverse=True) if f.was_read)
