"""The technical record of one visit: every value with U and doubts, what was not measured, every check."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from inspect_app.decide.limits import Verdict
from inspect_app.decide.neck_strip import NeckRow
from inspect_app.decide.options import Option
from inspect_app.decide.proof import ProofCheck
from inspect_app.decide.wear import WearMap
from inspect_app.reading.key import NotMeasured
from inspect_app.report.number_format import NumberFormat
from inspect_app.report.paper_frame import METHOD, Heading, Picture, frame, neck_table, picture, wear_table
from shared.flags import FLAGS
from shared.measured import Measured
from shared.units import show_probability

__all__ = ["PhotoRow", "ReadingRow", "record_content"]

RULE = (
    "Decision rule of ISO 14253-1: within or beyond is only said when it is at least 95 % probable "
    "(JCGM 106); otherwise the photos cannot tell."
)


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading for the record: place, what, value, number of its photo, 0 where a gauge read it."""

    place: str
    what: str
    value: Measured
    photo: int

    @property
    def read_on(self) -> str:
        """Its photo's number, or that a gauge read it."""
        return str(self.photo) if self.photo else "gauge"


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """One photo: its number on this record, name, view, hash, scale, doubts of the whole photo."""

    number: int
    name: str
    view: str
    sha256: str
    scale: str
    flags: tuple[str, ...]


def record_content(
    heading: Heading,
    visit: tuple[str, str],
    wear: WearMap | None,
    record: tuple[Sequence[ReadingRow], Sequence[PhotoRow], Sequence[NotMeasured], Sequence[Picture]],
    options: Sequence[Option],
    checks: Sequence[ProofCheck],
    writing: NumberFormat,
    neck: Sequence[NeckRow] = (),
) -> dict[str, Any]:
    """Data of ``record.typ``; `visit` is its label and day (ISO 8601)."""
    readings, photos, unread, pictures = record
    label, day = visit
    out = frame(heading, "Measurement record", [("Visit", f"{label}, {writing.day(day)}")])
    height = wear.crown_height if wear else None
    return out | {
        "method": METHOD,
        "rule": RULE,
        "height": f"Unworn crown height {writing.value(height)} ({wear.height_from})." if wear and height else "",
        "wear": wear_table(wear, writing) if wear else None,
        "neck": neck_table(neck, writing),
        "photos": [[str(p.number), p.name, p.view, p.scale, ", ".join(p.flags), p.sha256[:16]] for p in photos],
        "readings": [
            [r.place, r.what, writing.value(r.value), r.read_on, ", ".join(_marks(r.value))] for r in readings
        ],
        "flags": [[f, FLAGS[f].text if hasattr(FLAGS[f], "text") else str(FLAGS[f])] for f in _used(readings, photos)],
        "options": [row for o in options for row in _option_rows(o, writing)],
        "checks": [
            [c.what, writing.words(c.target), writing.found(c.measured, c.reason), str(c.verdict)] for c in checks
        ],
        "not_measured": [{"what": str(n.what), "reason": writing.words(n.reason)} for n in unread],
        "pictures": [picture(p) for p in pictures],
        "bench_checks": [],
    }


def _marks(q: Measured) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*q.flags, *(("BY_HAND",) if q.by_hand else ()))))


def _used(readings: Iterable[ReadingRow], photos: Iterable[PhotoRow]) -> list[str]:
    said = {f for r in readings for f in _marks(r.value)} | {f for p in photos for f in p.flags}
    return sorted(f for f in said if f in FLAGS)


def _option_rows(option: Option, writing: NumberFormat) -> list[list[str]]:
    """One row a limit: the option, the limit, the probability that it is kept, the verdict."""
    rows = []
    for c in option.checks:
        side = "at most" if c.limit.side == "upper" else "at least"
        worst = f", fret {c.worst_fret}" if c.worst_fret else ""
        p = "" if c.probability is None else show_probability(c.probability)
        limit = f"{c.limit.text}, {side} {writing.plain(c.limit.value, c.limit.unit)}{worst}"
        rows.append([str(option.kind), limit, p, str(c.verdict)])
    return rows or [[str(option.kind), "", "", str(Verdict.CANNOT_TELL)]]
