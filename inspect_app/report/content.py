"""What the papers say: results turned into plain data for the templates. No pixels, no SQL, nothing measured again."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from inspect_app.decide.estimate import Estimate, format_amount, format_money, totals
from inspect_app.decide.limits import Verdict
from inspect_app.decide.options import Option, Recommendation
from inspect_app.decide.proof import ProofCheck
from inspect_app.decide.wear import WearMap
from inspect_app.reading.key import NotMeasured
from shared.measured import Measured
from shared.tables import load_table

__all__ = ["Heading", "Picture", "ReadingRow", "bench_content", "estimate_content", "handover_content", "wear_table"]

METHOD = (
    "Every value was measured on a photo with a scale in the frame. ± gives the expanded uncertainty "
    "U = k u with k = 2: the true value lies inside about 95 times in 100."
)
RULE = (
    "Decision rule of ISO 14253-1: within or beyond is only said when it is at least 95 % probable; "
    "otherwise the photos cannot tell."
)
_KEEPS = {
    Verdict.WITHIN: "keeps every limit",
    Verdict.BEYOND: "does not keep every limit",
    Verdict.CANNOT_TELL: "the photos cannot tell whether it keeps every limit",
}
Format = Callable[[Measured], str]


@dataclass(frozen=True, slots=True)
class Heading:
    """Who the paper is from and for."""

    shop_name: str
    shop_lines: tuple[str, ...]
    job: str
    customer: str
    instrument: str
    asked_for: str
    paper: str = "a4"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture's file name beside the template, its caption, and what it shows in words."""

    file: str
    caption: str
    alt: str


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading for the record: fret, what, value, photo."""

    fret: str
    what: str
    value: Measured
    photo: str


def _frame(heading: Heading, title: str, facts: Sequence[tuple[str, str]]) -> dict[str, Any]:
    known = [("Customer", heading.customer), ("Instrument", heading.instrument), ("Asked for", heading.asked_for)]
    return {
        "title": title,
        "paper": heading.paper,
        "footer": f"Job {heading.job}",
        "shop": {"name": heading.shop_name, "lines": list(heading.shop_lines)},
        "facts": [[k, v] for k, v in (*known, *facts) if v],
    }


def wear_table(wear: WearMap, limit_mm: float) -> dict[str, Any] | None:
    """Divot depth fret by string; the tone rises in quarters of `limit_mm`. ``None`` when nothing was read."""
    rows = [f for f in wear.frets if f.was_read]
    if not rows:
        return None

    def cell(depth: Measured | None, seen: bool) -> dict[str, Any]:
        if depth is None:
            return {"text": "?", "level": 0}
        if not seen:
            return {"text": "·", "level": 0}
        return {"text": f"{depth.value:.2f}", "level": min(4, int(4 * max(0.0, depth.value) / limit_mm))}

    strings = range(1, wear.instrument.strings + 1)
    seen = {(f.number, s.string) for f in rows for s in f.spots if s.depth is not None}
    return {
        "title": "Divot depth by fret and string, mm",
        "strings": [str(s) for s in strings],
        "rows": [
            {"fret": f.number, "cells": [cell(f.depth_at(s), (f.number, s) in seen) for s in strings]} for f in rows
        ],
        "legend": "String 1 is on the treble side. A dot: no divot seen; a question mark: not all of the fret shows. "
        f"Darkest from {limit_mm:g} mm.",
    }


def estimate_content(
    heading: Heading,
    estimate: Estimate,
    wear: WearMap,
    recommendation: Recommendation,
    options: Sequence[Option],
    record: tuple[Sequence[ReadingRow], Sequence[NotMeasured], Sequence[Picture]],
    materials: Iterable[str],
    show: Format,
) -> dict[str, Any]:
    """Data of ``estimate.typ``.

    `record` is (readings, what was not measured, pictures); `materials` are texts that may name a controlled material.
    """
    readings, unread, pictures = record
    money = totals(estimate)

    def cash(amount: int) -> str:
        return format_money(amount, estimate.currency, estimate.minor_digits, estimate.locale)

    out = _frame(
        heading, f"Estimate {estimate.revision}", [("Date", estimate.made_on), ("Valid until", estimate.valid_until)]
    )
    out["footer"] = f"Job {heading.job} · estimate {estimate.revision}"
    out |= {
        "found": _found(wear, show),
        "pictures": [_picture(p) for p in pictures],
        "proposal": {"title": estimate.option.capitalize(), "reason": estimate.reason, "note": estimate.note},
        "lines": [
            {
                "text": r.text,
                "quantity": r.quantity,
                "unit": r.unit,
                "price": format_amount(r.unit_price, estimate.minor_digits, estimate.locale),
                "amount": format_amount(r.amount, estimate.minor_digits, estimate.locale),
            }
            for r in estimate.lines
        ],
        "totals": _totals(estimate, money.lines, money.discount, money.tax, money.total, money.deposit, cash),
        "alternatives": [
            {"title": str(o.kind).capitalize(), "text": _leaves(o), "price": cash(o.price)}
            for o in options
            if str(o.kind) != estimate.option
        ],
        "mind": _mind(estimate.option, options, materials),
        "cautions": _cautions(estimate.option),
        "defer": load_table("cautions")["defer"],
        "terms": f"Prices hold until {estimate.valid_until}. {recommendation.settle}".strip(),
        "method": METHOD,
        "wear": wear_table(wear, 0.2),
        "readings": [{"fret": r.fret, "what": r.what, "value": show(r.value), "photo": r.photo} for r in readings],
        "not_measured": [n.to_dict() for n in unread],
    }
    return out


def _mind(kind: str, options: Sequence[Option], materials: Iterable[str]) -> list[str]:
    """What the customer should know of the work chosen: what it brings, controlled materials."""
    brings = [b for o in options if str(o.kind) == kind for b in o.brings]
    return [*brings, *_controlled(materials)]


def _cautions(kind: str) -> list[dict[str, Any]]:
    """The usual cautions of the operations that an option is made of."""
    groups = [g for g in load_table("cautions").values() if isinstance(g, dict) and kind in g.get("when", ())]
    return [{"operation": g["operation"], "lines": g["lines"]} for g in groups]


def _controlled(texts: Iterable[str]) -> list[str]:
    """A sentence for every material under trade controls that one of the texts names."""
    said = " ".join(texts).lower()
    known: Mapping[str, str] = load_table("cautions")["materials"]
    return list(dict.fromkeys(text for name, text in known.items() if re.search(rf"\b{name}\b", said)))


def _totals(
    e: Estimate, lines: int, discount: int, tax: int, total: int, deposit: int, cash: Callable[[int], str]
) -> list[dict[str, Any]]:
    rows = [("Sum", lines, False)]
    if discount:
        rows.append((f"Discount {e.discount_percent} %", -discount, False))
    if tax:
        rows.append((f"Tax {e.tax_percent} %", tax, False))
    rows.append(("Total", total, True))
    if deposit:
        rows.append((f"Deposit {e.deposit_percent} %", deposit, False))
    return [{"label": label, "amount": cash(amount), "strong": strong} for label, amount, strong in rows]


def _picture(p: Picture) -> dict[str, str]:
    return {"file": p.file, "caption": p.caption, "alt": p.alt}


def _found(wear: WearMap, show: Format) -> str:
    worn = [
        (d.value, f.number, d)
        for f in wear.frets
        if f.was_read and (d := f.deepest()) and any(s.depth for s in f.spots)
    ]
    if not wear.read:
        return "The photos taken so far do not show the wear of any fret."
    if not worn:
        return f"{len(wear.read)} frets were read and no divot was seen."
    _, number, depth = max(worn, key=lambda w: w[:2])
    height = f" Unworn crown height {show(wear.crown_height)} ({wear.height_from})." if wear.crown_height else ""
    found = f"{len(worn)} of {len(wear.read)} frets read are worn"
    return f"{found}; the deepest divot, {show(depth)}, is on fret {number}.{height}"


def _leaves(option: Option) -> str:
    said = _KEEPS[option.verdict]
    if not option.height_left:
        return said
    low = min(option.height_left, key=lambda h: h[1].value)
    return f"at least {low[1].value:.2f} mm of crown (fret {low[0]}); {said}"


def bench_content(heading: Heading, option: Option, work: Mapping[str, str], woods: Iterable[str]) -> dict[str, Any]:
    """Data of ``bench.typ``: the work, the height expected, checks to tick, cautions for the operations chosen."""
    out = _frame(heading, "Bench sheet", [])
    out |= {
        "work": [["Work", str(option.kind).capitalize()], *([k, v] for k, v in work.items() if v)],
        "heights": _height_rows(option),
        "checks": _bench_checks(option),
        "cautions": _cautions(str(option.kind)),
        "defer": load_table("cautions")["defer"],
        "materials": _controlled(woods),
    }
    return out


def _height_rows(option: Option) -> list[list[str]]:
    """Frets with the same rounded height share a row."""
    rows: dict[str, list[int]] = {}
    for number, s in option.height_left:
        rows.setdefault(f"{s.value:.2f} ± {2 * s.u:.2f} mm", []).append(number)
    return [[", ".join(map(str, numbers)), text] for text, numbers in rows.items()]


def _bench_checks(option: Option) -> list[str]:
    checks = ["Strings slackened and taken off", "Board and body masked, pickups covered"]
    if option.replaced:
        checks += ["Slots clean, their width against the tang", "New frets seated, no gap under the crown"]
    checks += [
        "Frets level along every string line",
        "Crowns round, no flat left",
        "Fret ends bevelled and eased, nothing catches",
    ]
    return [*checks, "Polished and cleaned, filings gone", "Photos after the work: plan, elevation, ends"]


def handover_content(
    heading: Heading,
    done: str,
    checks: Sequence[ProofCheck],
    pairs: Sequence[tuple[Picture, Picture]],
    unread: Sequence[NotMeasured],
    show: Format,
) -> dict[str, Any]:
    """Data of ``handover.typ``: every check with its verdict, and pictures before beside after."""
    out = _frame(heading, "Handover", [])
    out |= {
        "done": done,
        "checks": [
            {
                "what": c.what,
                "target": c.target,
                "value": show(c.measured) if c.measured is not None else c.reason,
                "verdict": str(c.verdict),
            }
            for c in checks
        ],
        "rule": f"{METHOD} {RULE}",
        "pairs": [
            {"before": b.file, "before_alt": b.alt, "after": a.file, "after_alt": a.alt, "caption": b.caption}
            for b, a in pairs
        ],
        "not_measured": [n.to_dict() for n in unread],
        "care": "",
    }
    return out
