"""A repeat study: the same frets photographed several times, by one person or several, and what that says of measuring.

Readings are compared under their key, so the frets must be numbered alike in all photos. Of flats and divots, which may
be found in another number each time, the longest and the deepest of a fret stand for all.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from inspect_app.decide.precision import Precision, pooled_precision
from inspect_app.reading.ask import OwnPrecision
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.own_precision import studied_as, u_laid_anew
from inspect_app.reading.values import Reading, readings_of
from shared.errors import OptionError
from shared.influences import Scope, scope_of
from shared.measured import Measured, effective_dof

__all__ = ["StudyRow", "repeat_study"]

_VARIES = (Scope.OWN, Scope.PHOTO)
"""Sources of uncertainty that another photo draws anew; a scale, a wire's size, a calliper stay the same."""


@dataclass(frozen=True, slots=True)
class StudyRow:
    """One quantity of a study.

    Attributes
    ----------
    quantity, unit : str
    precision : Precision
    stated : float
        What the readings' own u says of a repeated photo: root mean square of the contributions that vary from photo to
        photo.
    laid : float
        The same of those alone that laying and photographing anew brings (`inspect_app.reading.own_precision`).
    values : dict
        The readings themselves, by thing and by person.
    """

    quantity: str
    unit: str
    precision: Precision
    stated: float
    laid: float = 0.0
    values: Mapping[str, Mapping[str, Sequence[float]]] = field(default_factory=dict)

    def own(self, study: str) -> OwnPrecision:
        """What stands in U from now on; `study` says which study it was.

        Between people, every fret counts as seen with other eyes: with two or three people nothing else can be told.
        """
        p = self.precision
        parts = ((p.repeatability, p.dof), (p.between or 0.0, p.things * max(p.groups - 1, 1)))
        dof = effective_dof(parts) if p.measuring > 0.0 else float(p.dof)
        return OwnPrecision(self.quantity, self.unit, p.measuring, dof, self.laid, study)


def repeat_study(answers: Iterable[tuple[str, Inspection]]) -> tuple[StudyRow, ...]:
    """Precision of every quantity that was read repeatedly, from pairs of who took a photo and what it gave.

    Raises
    ------
    OptionError
        If nothing was read twice by the same person.
    """
    found: dict[tuple[str, str], dict[str, dict[str, list[Measured]]]] = {}
    for who, answer in answers:
        for quantity, thing, value in _values_by_thing(readings_of(answer)):
            found.setdefault((quantity, value.unit), {}).setdefault(thing, {}).setdefault(who, []).append(value)
    rows = []
    for (quantity, unit), things in found.items():
        several = {t: by for t, by in things.items() if max(map(len, by.values())) > 1}
        if not several:
            continue
        values = {t: {who: [q.value for q in qs] for who, qs in by.items()} for t, by in several.items()}
        every = [q for by in several.values() for qs in by.values() for q in qs]
        stated, laid = (math.sqrt(sum(u(q) ** 2 for q in every) / len(every)) for u in (_u_of_a_photo, u_laid_anew))
        rows.append(StudyRow(quantity, unit, pooled_precision(values), stated, laid, values))
    if not rows:
        raise OptionError(
            "Nothing was read twice by the same person.",
            "Take at least two photos of the same frets, numbered alike, in one folder a person.",
        )
    return tuple(rows)


def _values_by_thing(readings: Sequence[Reading]) -> Iterable[tuple[str, str, Measured]]:
    """Quantity, what it was read on, and the value; places are left out, they only say where the scale lay."""
    most: dict[tuple[str, str], Measured] = {}
    for r in readings:
        label = studied_as(r.key)
        if label is None:
            continue
        if r.key.index is None:
            yield label, str(r.place), r.value
        else:
            at = (label, str(r.place))
            most[at] = max(most.get(at, r.value), r.value, key=lambda q: q.value)
    for (label, place), value in most.items():
        yield label, place, value


def _u_of_a_photo(q: Measured) -> float:
    return math.hypot(*(c.u for c in q.contributions if scope_of(c.source) in _VARIES))
