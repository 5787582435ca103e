"""An answer as lines of text."""

from __future__ import annotations

from collections.abc import Iterable

from inspect_app.inspection import Inspection
from inspect_app.readings import Reading, readings_of
from shared.flags import describe
from shared.measured import Measured

__all__ = ["answer_table"]


def answer_table(answer: Inspection) -> str:
    """One photo's readings by fret, then what was not measured and why, then the doubts with their advice."""
    lines = [_heading(answer)]
    lines += _rows(readings_of(answer))
    lines += [f"  not measured: {n.what}: {n.reason}" for n in answer.not_measured]
    lines += [f"  {code}: {describe(code).text} {describe(code).advice}" for code in _codes(answer)]
    return "\n".join(lines)


def _heading(answer: Inspection) -> str:
    parts = [f"{answer.photo.name or 'photo'}: {answer.view}"]
    if answer.scale:
        parts.append(f"{answer.scale.kind} ({answer.scale.plane})")
    if answer.camera:
        parts.append(f"{answer.camera.px_per_mm:.1f} px/mm, camera {answer.camera.distance_mm:.0f} mm away")
    return ", ".join(parts)


def _rows(readings: Iterable[Reading]) -> list[str]:
    """One line a fret: its single quantities; one line a flat or divot below it."""
    by_feature: dict[tuple[int, str], list[str]] = {}
    for r in readings:
        head = f"  fret {r.fret:>2}" if r.of == r.key else f"    {r.of.split(', ')[1]}"
        name = r.quantity if r.of == r.key else r.key.rsplit(", ", 1)[1]
        by_feature.setdefault((r.fret, head), []).append(f"{name} {_shown(r.value)}")
    return [f"{head}  " + "   ".join(cells) for (_, head), cells in by_feature.items()]


def _codes(answer: Inspection) -> list[str]:
    of_readings = (code for r in readings_of(answer) for code in r.value.flags)
    return list(dict.fromkeys((*answer.flags, *of_readings)))


def _shown(q: Measured) -> str:
    places = 1 if q.unit == "deg" else 3
    sign = "*" if q.flags else ""
    unit = "" if q.unit == "1" else f" {q.unit}"
    return f"{q.value:.{places}f} ± {q.expanded:.{places}f}{unit}{sign}"
