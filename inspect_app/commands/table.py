"""An answer as a table of text."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from inspect_app.reading.inspection import Inspection
from inspect_app.reading.values import Reading, readings_of
from shared.flags import describe
from shared.measured import Measured
from shared.units import LengthUnit, show

__all__ = ["answer_table", "aligned"]


def answer_table(answer: Inspection, lengths: LengthUnit = "mm") -> str:
    """One photo's readings with U (k = 2), what was not measured and why, then each doubt with its advice.

    A value with a doubt of its own is marked ``*``.
    """
    readings = readings_of(answer)
    single = [r for r in readings if r.key.fret is not None and r.key.index is None]
    spots = [r for r in readings if r not in single]
    lines = [_heading(answer), *_frets(single, lengths), *_spots(spots, lengths)]
    lines += [f"  not measured: {n.what}: {n.reason}" for n in answer.not_measured]
    lines += [f"  {code}: {describe(code).text} {describe(code).advice}" for code in _codes(answer, readings)]
    return "\n".join(lines)


def _heading(answer: Inspection) -> str:
    parts = [f"{answer.photo.name or 'photo'}: {answer.view}"]
    if answer.scale:
        parts.append(f"{answer.scale.kind} ({answer.scale.plane})")
    if answer.camera:
        parts.append(f"{answer.camera.px_per_mm:.1f} px/mm, camera {answer.camera.distance_mm:.0f} mm away")
    return ", ".join(parts)


def _frets(readings: Sequence[Reading], lengths: LengthUnit) -> list[str]:
    """One row a fret, one column a quantity."""
    if not readings:
        return []
    columns = list(dict.fromkeys(r.quantity for r in readings))
    rows = [["fret", *columns]]
    for place, group in groupby(readings, key=lambda r: r.place_label):
        values = {r.quantity: _shown(r.value, lengths) for r in group}
        rows.append([place, *(values.get(c, "") for c in columns)])
    return aligned(rows)


def _spots(readings: Sequence[Reading], lengths: LengthUnit) -> list[str]:
    """One row a flat or divot, and one each of what is read elsewhere than on a fret."""
    rows = []
    for of, group in groupby(readings, key=lambda r: r.of):
        rows.append([str(of), *(f"{r.key.quantity} {_shown(r.value, lengths)}".lstrip() for r in group)])
    return aligned(rows)


def aligned(rows: list[list[str]]) -> list[str]:
    """Rows of cells as lines of columns."""
    count = max((len(r) for r in rows), default=0)
    full = [r + [""] * (count - len(r)) for r in rows]
    widths = [max(len(r[i]) for r in full) for i in range(count)]
    return ["  " + "   ".join(c.ljust(w) for c, w in zip(r, widths, strict=True)).rstrip() for r in full]


def _codes(answer: Inspection, readings: Sequence[Reading]) -> list[str]:
    return list(dict.fromkeys((*answer.flags, *(code for r in readings for code in r.value.flags))))


def _shown(q: Measured, lengths: LengthUnit) -> str:
    return str(show(q, lengths)) + ("*" if q.flags else "")
