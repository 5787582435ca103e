"""Finding jobs by customer, instrument, number or date, and counting what each one holds."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session

from inspect_app.jobs.models import InspectionRow, Job, Judgement, Photo
from inspect_app.jobs.records import JobRow, Stage

__all__ = ["Counts", "count", "find", "folded", "search_text", "stage_of"]


def folded(text: str) -> str:
    """Text as searched: without case and accents (Unicode NFKD, then case folding)."""
    decomposed = unicodedata.normalize("NFKD", text)
    return "".join(c for c in decomposed if not unicodedata.combining(c)).casefold()


def search_text(job: Job) -> str:
    """All of a job that a search looks through; dates as YYYY-MM-DD."""
    texts = (job.customer, job.contact, job.instrument_name, job.instrument_kind, job.board_wood, job.asked_for)
    dates = (job.created.date().isoformat(), job.promised.isoformat() if job.promised else "")
    return folded("\n".join((f"#{job.number}", *texts, *dates)))


@dataclass(frozen=True, slots=True)
class Counts:
    """What a job holds: photos with a view, how many have been measured, readings, and those decided."""

    photos: int = 0
    to_measure: int = 0
    measured: int = 0
    readings: int = 0
    decided: int = 0


def stage_of(c: Counts) -> Stage:
    """Where a job with these counts stands."""
    if c.to_measure == 0:
        return Stage.EMPTY
    if c.measured < c.to_measure:
        return Stage.UNMEASURED
    if c.readings == 0:
        return Stage.RETAKE
    return Stage.REVIEW if c.decided < c.readings else Stage.MEASURED


def find(session: Session, query: str, limit: int, offset: int) -> tuple[tuple[JobRow, ...], int]:
    """Jobs whose texts contain every word of `query`, last changed first, and how many there are in all."""
    wanted: list[ColumnElement[bool]] = [func.instr(Job.search_text, word) > 0 for word in folded(query).split()]
    total = session.scalar(select(func.count()).select_from(Job).where(*wanted)) or 0
    ordered = select(Job).where(*wanted).order_by(Job.updated.desc(), Job.id.desc())
    jobs = session.scalars(ordered.limit(limit).offset(offset)).all()
    counts = count(session, [j.id for j in jobs])
    return tuple(_row(j, counts[j.id]) for j in jobs), total


def _row(job: Job, c: Counts) -> JobRow:
    return JobRow(
        id=job.id,
        number=job.number,
        customer=job.customer,
        instrument=job.instrument_name or job.instrument_kind,
        promised=job.promised,
        created=job.created,
        updated=job.updated,
        photos=c.photos,
        stage=stage_of(c),
    )


def count(session: Session, job_ids: Sequence[int]) -> dict[int, Counts]:
    """Counts for these jobs, photos taken out not counted."""
    here = (Photo.job_id.in_(job_ids), Photo.removed.is_(None))
    photos = (
        select(Photo.job_id, func.count(), func.count().filter(Photo.view != "finding"))
        .where(*here)
        .group_by(Photo.job_id)
    )
    current = (InspectionRow.photo_id == Photo.id, InspectionRow.superseded_by.is_(None), *here)
    measured = (
        select(Photo.job_id, func.count(), func.sum(InspectionRow.reading_count)).where(*current).group_by(Photo.job_id)
    )
    last = (
        select(func.max(Judgement.id))
        .join(InspectionRow, InspectionRow.id == Judgement.inspection_id)
        .join(Photo, Photo.id == InspectionRow.photo_id)
        .where(*here)
        .group_by(Judgement.inspection_id, Judgement.reading)
    )
    decided = (
        select(Photo.job_id, func.count())
        .join(InspectionRow, InspectionRow.photo_id == Photo.id)
        .join(Judgement, Judgement.inspection_id == InspectionRow.id)
        .where(*current, Judgement.verdict != "open", Judgement.id.in_(last))
        .group_by(Photo.job_id)
    )
    by_photos = {j: (n, views) for j, n, views in session.execute(photos)}
    by_measured = {j: (n, r) for j, n, r in session.execute(measured)}
    by_decided = {j: n for j, n in session.execute(decided)}
    return {j: Counts(*by_photos.get(j, (0, 0)), *by_measured.get(j, (0, 0)), by_decided.get(j, 0)) for j in job_ids}
