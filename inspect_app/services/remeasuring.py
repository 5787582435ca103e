"""Stored photos read again by this version: what moved, and by how much. Earlier readings and issued papers stay."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

from sqlalchemy import select

from inspect_app import __version__
from inspect_app.jobs.decision_models import EstimateRow
from inspect_app.jobs.models import InspectionRow, Job, Photo
from inspect_app.jobs.store import Store, reading
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import Key
from inspect_app.reading.values import readings_of
from inspect_app.services.measuring import answers_now, inspection_view, keep_answer
from shared.errors import InspectError
from shared.measured import COVERAGE_FACTOR, Measured

__all__ = [
    "PhotoToRemeasure",
    "ReadingChange",
    "Remeasured",
    "changes_between",
    "issued_papers",
    "remeasure",
    "to_remeasure",
]


@dataclass(frozen=True, slots=True)
class ReadingChange:
    """One reading of a photo that is not as it was: `before` or `now` is ``None`` where it was or is not read."""

    key: Key
    before: Measured | None
    now: Measured | None

    @property
    def moved(self) -> float | None:
        """How far the value moved, in its own unit; ``None`` where there are not two values."""
        return None if self.before is None or self.now is None else self.now.value - self.before.value

    @property
    def moved_over_u(self) -> float:
        """The move over the larger of both expanded uncertainties: beyond 1 a person should look.

        The same photo was read twice, so scale and photo are shared: a sound change stays well within.
        """
        if self.before is None or self.now is None:
            return 0.0
        wide = COVERAGE_FACTOR * max(self.before.u, self.now.u)
        move = abs(self.now.value - self.before.value)
        return move / wide if wide > 0.0 else float("inf") if move > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class PhotoToRemeasure:
    """A photo to read again: its question, and the inspection that the new one takes the place of."""

    job_number: int
    photo_id: int
    photo: str
    inspection_id: int
    ask: Ask


@dataclass(frozen=True)
class Remeasured:
    """What one photo said before and says now; `failed` says why it could not be read at all."""

    of: PhotoToRemeasure
    before: Inspection
    now: Inspection | None
    kept: bool
    failed: str = ""

    @cached_property
    def changes(self) -> tuple[ReadingChange, ...]:
        """Readings that are not as they were."""
        return () if self.now is None else changes_between(self.before, self.now)

    @property
    def same(self) -> int:
        """How many readings came out as they were."""
        held = {} if self.now is None else {r.key: r.value for r in readings_of(self.now)}
        return sum(held.get(r.key) == r.value for r in readings_of(self.before))


def changes_between(before: Inspection, now: Inspection) -> tuple[ReadingChange, ...]:
    """Readings whose value or uncertainty differs, and those that only one of two inspections has."""
    was, held = ({r.key: r.value for r in readings_of(a)} for a in (before, now))
    keys = dict.fromkeys((*was, *held))
    return tuple(ReadingChange(k, was.get(k), held.get(k)) for k in keys if not _equal(was.get(k), held.get(k)))


def _equal(a: Measured | None, b: Measured | None) -> bool:
    return a is not None and b is not None and (a.value, a.u) == (b.value, b.u)


def to_remeasure(store: Store, numbers: Iterable[int] = (), every: bool = False) -> tuple[PhotoToRemeasure, ...]:
    """Photos that another version read last, of these jobs or of all; with `every`, those this version read as well."""
    wanted = tuple(numbers)
    present = (
        select(Job.number, Photo.id, Photo.name, InspectionRow.id, InspectionRow.ask)
        .join(Photo, Photo.job_id == Job.id)
        .join(InspectionRow, InspectionRow.photo_id == Photo.id)
        .where(InspectionRow.superseded_by.is_(None), Photo.removed.is_(None))
        .order_by(Job.number, Photo.id)
    )
    if wanted:
        present = present.where(Job.number.in_(wanted))
    if not every:
        present = present.where(InspectionRow.version != __version__)
    with reading(store) as session:
        return tuple(
            PhotoToRemeasure(n, p, name, at, Ask.from_dict(ask)) for n, p, name, at, ask in session.execute(present)
        )


def remeasure(store: Store, asked: Iterable[PhotoToRemeasure], keep: bool = True) -> Iterator[Remeasured]:
    """Put each photo's last question to this version and keep the answer beside the earlier one; what came of each.

    Without `keep` nothing is stored. Edges placed by hand are part of the question; judgements of readings that come
    out the same go with them. A photo that was measured again meanwhile keeps that answer. Every photo is kept by
    itself: what was done before a stop is not asked again.
    """
    every = tuple(asked)
    for n, answer in answers_now(store, [(at.photo_id, at.ask) for at in every]):
        at = every[n]
        before = inspection_view(store, at.inspection_id).answer
        if isinstance(answer, InspectError):  # the file is gone or changed: the earlier answer stays
            yield Remeasured(at, before, None, False, str(answer))
            continue
        kept = keep and keep_answer(store, at.photo_id, at.ask, answer, over=at.inspection_id) is not None
        yield Remeasured(at, before, answer, kept)


def issued_papers(store: Store, number: int) -> tuple[str, ...]:
    """The estimates of a job that left the house, each in words: they stay as they were issued."""
    with reading(store) as session:
        rows = session.execute(
            select(EstimateRow.revision, EstimateRow.status)
            .join(Job, Job.id == EstimateRow.job_id)
            .where(Job.number == number, EstimateRow.status != "draft")
            .order_by(EstimateRow.revision)
        )
        return tuple(f"estimate {revision} ({status})" for revision, status in rows)
