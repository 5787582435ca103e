"""A repeat study as a table, and as a picture: how far each reading lies from the mean of all of the same thing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np

from inspect_app.decide.precision import LIMIT_FACTOR
from inspect_app.decide.repeat_study import StudyRow
from shared.units import LengthUnit, unit_shown

__all__ = ["STUDY_LEGEND", "STUDY_PICTURE", "study_plot", "study_table"]

_WIDE, _HIGH, _LEFT, _HEAD = 720, 170, 64, 26
_LETTER = 7.0
"""Of the picture's 12 px letters, the width that most stay below."""
_MARKS = (
    ("#0072b2", "M-3 0a3 3 0 1 0 6 0a3 3 0 1 0-6 0"),
    ("#d55e00", "M-3-3H3V3H-3Z"),
    ("#009e73", "M0-3.6L3.6 2.8H-3.6Z"),
    ("#cc79a7", "M0-4L4 0L0 4L-4 0Z"),
    ("#56b4e9", "M-3.4-2.4L-2.4-3.4L0-1L2.4-3.4L3.4-2.4L1 0L3.4 2.4L2.4 3.4L0 1L-2.4 3.4L-3.4 2.4L-1 0Z"),
    ("#e69f00", "M-1-4H1V-1H4V1H1V4H-1V1H-4V-1H-1Z"),
)
"""A colour and a mark each person: disc, square, triangle, diamond, saltire, cross. The colours are told apart by
colour-blind eyes too (Okabe and Ito 2008), the marks in grey print."""

STUDY_LEGEND = {
    "s_r": "standard deviation from one photo to the next (repeatability)",
    "s_R": "the same with another person behind the camera (reproducibility)",
    "r": "two photos by one person differ by more once in twenty",
    "share": "how much of what frets seem to differ by is measuring",
    "u for a photo": "what U allows for s_r, k = 1: without what all photos share, such as the scale",
}
"""What the columns of `study_table` mean."""
STUDY_PICTURE = "Each mark is a reading less the mean of all of its thing; the band is two u of a photo."
"""What `study_plot` shows."""


def study_table(rows: Sequence[StudyRow], lengths: LengthUnit = "mm") -> list[list[str]]:
    """The head, and a line a quantity."""
    cells = [["", "readings of things", "mean", *STUDY_LEGEND]]
    for row in rows:
        p = row.precision

        def value(v: float, unit: str = row.unit) -> str:
            factor, name = unit_shown(v, unit, lengths)
            return f"{v * factor:.{3 if factor == 1.0 else 2}f}{'' if name in ('°', '') else ' '}{name}"

        s_R = "" if p.reproducibility is None else value(p.reproducibility)
        share = "" if p.share is None else f"{100.0 * p.share:.0f} %"
        every = (value(p.repeatability), s_R, value(LIMIT_FACTOR * p.repeatability), share, value(row.stated))
        cells.append([row.quantity, f"{p.readings} of {p.things}", value(p.mean), *every])
    return cells


def study_plot(rows: Sequence[StudyRow]) -> str:
    """An SVG with a panel a quantity: a dot a reading, by thing and person; the band holds what U allows for."""
    people = list(dict.fromkeys(who for r in rows for by in r.values.values() for who in by))
    apart = min(150.0, (_WIDE - _LEFT) / max(len(people), 1))
    names = "".join(
        _mark(i, _LEFT + apart * i, 14) + _text(_LEFT + apart * i + 8, 18, who) for i, who in enumerate(people)
    )
    panels = [_panel(r, people, _HEAD + _HIGH * i) for i, r in enumerate(rows)]
    high = _HEAD + _HIGH * len(rows)
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {high}" width="{_WIDE}" height="{high}"'
    text = f'role="img" font-family="sans-serif" font-size="12"><title>{STUDY_PICTURE}</title>'
    return f"{head} {text}{names}{''.join(panels)}</svg>"


def _panel(row: StudyRow, people: Sequence[str], top: float) -> str:
    means = {t: float(np.mean([v for vs in by.values() for v in vs])) for t, by in row.values.items()}
    off = [abs(v - means[t]) for t, by in row.values.items() for vs in by.values() for v in vs]
    most = 1.1 * max(*off, 2.0 * row.stated, 1e-9)
    middle, half = top + 22.0 + (_HIGH - 50.0) / 2.0, (_HIGH - 50.0) / 2.0
    band = 2.0 * row.stated / most * half
    place = (_WIDE - _LEFT - 10.0) / max(len(means), 1)
    out = [
        _text(_LEFT, top + 14, f"{row.quantity}: s_r {row.precision.repeatability:.3g} {_unit(row)}"),
        f'<path d="M{_LEFT} {middle:.1f}H{_WIDE - 10}" stroke="#e4eef0" stroke-width="{2 * band:.1f}"/>',
        f'<path d="M{_LEFT} {middle:.1f}H{_WIDE - 10}" stroke="#888"/>',
        *(_text(_LEFT - 6, middle - s * half / 1.1 + 4, f"{s * most / 1.1:+.2g}", "end") for s in (-1.0, 1.0)),
    ]
    every = math.ceil(_LETTER * max(map(len, means), default=0) / place)  # as many names as fit side by side
    for i, (thing, by) in enumerate(row.values.items()):
        x = _LEFT + place * (i + 0.5)
        out += [_text(x, middle + half + 16, thing, "middle")] if i % every == 0 else []
        for who, values in by.items():
            k = people.index(who)
            at = x + min(8.0, 0.6 * place / len(people)) * (k - (len(people) - 1) / 2.0)
            heights = [middle - (v - means[thing]) / most * half for v in values]
            out += [_mark(k, at, y) for y in heights]
    return "".join(out)


def _unit(row: StudyRow) -> str:
    return {"deg": "°", "1": ""}.get(row.unit, row.unit)


def _mark(k: int, x: float, y: float) -> str:
    colour, shape = _MARKS[k % len(_MARKS)]
    return f'<path class="mark" d="{shape}" transform="translate({x:.1f} {y:.1f})" fill="{colour}"/>'


def _text(x: float, y: float, text: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="#333">{escape(text)}</text>'
