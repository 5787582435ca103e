"""Cautions for the operations and the materials of a job, from ``shared/tables/cautions.toml``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from shared.tables import load_table

__all__ = ["bench_cautions", "deferral", "materials_in", "trade_notes"]

_IMITATES_BEFORE = r"(?<!imitation )(?<!imitation-)(?<!faux )(?<!mock )(?<!synthetic )(?<!plastic )(?<!simulated )"
_IMITATES_AFTER = (
    r"(?![ -](?:colou?r(?:ed)?|tinted|toned?|like|look|style|pattern(?:ed)?"
    r"|plastic|celluloid|acrylic|white|cream|pink))"
)
"""What stands beside a material's name when something only looks like it: “ivory-coloured binding” is no ivory."""


def materials_in(texts: Iterable[str]) -> tuple[Mapping[str, Any], ...]:
    """The entries of the table whose material a text names; the first that fits takes the words."""
    said = " ; ".join(texts).lower()
    found = []
    for entry in load_table("cautions")["materials"]:
        names = "|".join(re.escape(n) for n in sorted(entry["names"], key=len, reverse=True))
        named = re.compile(rf"{_IMITATES_BEFORE}\b(?:{names})s?\b{_IMITATES_AFTER}")
        if named.search(said):
            found.append(entry)
            said = named.sub(" ", said)
    return tuple(found)


def trade_notes(texts: Iterable[str]) -> list[str]:
    """What the customer should know of materials under trade controls, closed by whose word comes first."""
    notes = [str(m["trade"]) for m in materials_in(texts) if "trade" in m]
    return [*notes, str(load_table("cautions")["law"])] if notes else []


def bench_cautions(kind: str, texts: Iterable[str]) -> dict[str, Any]:
    """Cautions of the operations an option is made of, then of the materials named; none where nothing is worked on.

    Two columns of about one length, each line with the number of its source; the sources by their numbers.
    """
    groups = _groups(kind, texts)
    sources = list(dict.fromkeys(line["source"] for g in groups for line in g["lines"]))
    shown = [
        {
            "operation": g["operation"],
            "lines": [{"text": x["text"], "source": str(sources.index(x["source"]) + 1)} for x in g["lines"]],
        }
        for g in groups
    ]
    whole, left = sum(map(_length, groups)), 0
    for k, g in enumerate(groups):
        if 2 * left >= whole:
            return {"columns": [shown[:k], shown[k:]], "sources": sources}
        left += _length(g)
    return {"columns": [shown, []] if shown else [], "sources": sources}


def _length(group: Mapping[str, Any]) -> int:
    """About how much room a group takes: its letters, and a heading's height."""
    return 60 + sum(len(line["text"]) for line in group["lines"])


def _groups(kind: str, texts: Iterable[str]) -> list[dict[str, Any]]:
    table = load_table("cautions")
    out = [
        {"operation": g["operation"], "lines": [{"text": x["text"], "source": x["source"]} for x in g["lines"]]}
        for g in table["operations"]
        if kind in g["when"]
    ]
    if not out:
        return []
    for m in materials_in(texts):
        lines = [{"text": m[k], "source": m[f"{k}_source"]} for k in ("bench", "trade") if k in m]
        out.append({"operation": m["label"], "lines": lines})
    return out


def deferral() -> str:
    """Whose word comes first."""
    return str(load_table("cautions")["defer"])
