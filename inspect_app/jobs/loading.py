"""Rows of the store made into the plain records that services hand out, and back."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import fields
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import defer, object_session, undefer

from inspect_app.jobs.details import InstrumentDetails, JobDetails
from inspect_app.jobs.models import HandMeasure, InspectionRow, Job, Photo, Visit
from inspect_app.jobs.records import ChosenStage, HandView, InspectionView, JobView, PhotoView, Stage, VisitView
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection
from shared.measured import Measured

__all__ = [
    "KEPT_ANSWERS",
    "answer_of",
    "current_inspection",
    "details_of",
    "hand_view",
    "inspection_view",
    "job_view",
    "key_of",
    "photo_view",
    "put_details",
    "visit_view",
]

_OF_INSTRUMENT = {
    f.name: {"name": "instrument_name", "kind": "instrument_kind"}.get(f.name, f.name)
    for f in fields(InstrumentDetails)
}


def details_of(job: Job) -> JobDetails:
    """What was written down about a job."""
    instrument = InstrumentDetails(**{name: getattr(job, column) for name, column in _OF_INSTRUMENT.items()})
    return JobDetails(job.customer, job.contact, instrument, job.asked_for, job.promised)


def put_details(job: Job, details: JobDetails) -> None:
    """Write details onto a job's row."""
    job.customer, job.contact = details.customer.strip(), details.contact.strip()
    job.asked_for, job.promised = details.asked_for.strip(), details.promised
    for name, column in _OF_INSTRUMENT.items():
        value = getattr(details.instrument, name)
        setattr(job, column, value.strip() if isinstance(value, str) else value)


def visit_view(visit: Visit) -> VisitView:
    """A visit as handed out."""
    return VisitView(visit.id, visit.label, visit.date)


def current_inspection(photo: Photo) -> InspectionRow | None:
    """The inspection of a photo that nothing has superseded."""
    session = object_session(photo)
    if session is None:
        return None
    present = select(InspectionRow).where(InspectionRow.photo_id == photo.id, InspectionRow.superseded_by.is_(None))
    return session.scalar(
        present.order_by(InspectionRow.id.desc())
        .limit(1)
        .options(undefer(InspectionRow.ask), defer(InspectionRow.answer))
    )


_read: OrderedDict[tuple[str, int, datetime], Inspection] = OrderedDict()
KEPT_ANSWERS = 320
"""A large job's photos (tests/benchmarks has one of 300) and some: fewer would all be read anew on every page. Some
hold a megabyte."""


def key_of(row: InspectionRow) -> tuple[str, int, datetime]:
    """What tells an inspection from those of all stores."""
    session = object_session(row)
    return str(session.get_bind().engine.url) if session else "", row.id, row.created


def answer_of(row: InspectionRow) -> Inspection:
    """A stored answer, read from its JSON once: a row is never changed, and a page needs every answer of its job."""
    key = key_of(row)
    found = _read.get(key)
    if found is None:
        found = _read[key] = Inspection.from_dict(row.answer)
        while len(_read) > KEPT_ANSWERS:
            _read.popitem(last=False)
    return found


def inspection_view(row: InspectionRow) -> InspectionView:
    """A stored inspection as handed out."""
    return _inspection_view(row, _count_before(row))


def _inspection_view(row: InspectionRow, earlier: int) -> InspectionView:
    return InspectionView(
        id=row.id,
        photo_id=row.photo_id,
        ask=Ask.from_dict(row.ask),
        answer=answer_of(row),
        version=row.version,
        created=row.created,
        earlier=earlier,
        current=row.superseded_by is None,
    )


def _count_before(row: InspectionRow) -> int:
    session = object_session(row)
    before = select(func.count()).where(InspectionRow.photo_id == row.photo_id, InspectionRow.id < row.id)
    return int(session.scalar(before) or 0) if session else 0


def photo_view(photo: Photo) -> PhotoView:
    """A photo as handed out, with its current inspection."""
    row = current_inspection(photo)
    return _photo_view(photo, inspection_view(row) if row else None)


def _photo_view(photo: Photo, inspection: InspectionView | None) -> PhotoView:
    return PhotoView(
        id=photo.id,
        job_id=photo.job_id,
        visit=visit_view(photo.visit),
        sha256=photo.sha256,
        name=photo.name,
        view=photo.view,
        note=photo.note,
        category=photo.category,
        width_px=photo.width_px,
        height_px=photo.height_px,
        added=photo.added,
        removed=photo.removed is not None,
        inspection=inspection,
    )


def job_view(job: Job, stage: Stage, chosen_stage: ChosenStage) -> JobView:
    """A job as handed out, with everything it holds."""
    present = _present_views(job)
    return JobView(
        id=job.id,
        number=job.number,
        revision=job.revision,
        details=details_of(job),
        visits=tuple(visit_view(v) for v in job.visits),
        photos=tuple(_photo_view(p, present.get(p.id)) for p in job.photos if p.removed is None),
        removed=tuple(_photo_view(p, present.get(p.id)) for p in job.photos if p.removed is not None),
        stage=stage,
        created=job.created,
        updated=job.updated,
        chosen_stage=chosen_stage,
    )


def _present_views(job: Job) -> dict[int, InspectionView]:
    """The current inspections of a job's photos by the photos' ids, in as many queries however many there are."""
    session = object_session(job)
    if session is None:
        return {}
    of_job = InspectionRow.photo_id.in_(select(Photo.id).where(Photo.job_id == job.id))
    now = select(InspectionRow).where(of_job, InspectionRow.superseded_by.is_(None)).order_by(InspectionRow.id)
    rows = {r.photo_id: r for r in session.scalars(now.options(undefer(InspectionRow.ask)))}  # the last one counts
    before = select(InspectionRow.photo_id, func.count()).where(of_job).group_by(InspectionRow.photo_id)
    every: dict[int, int] = {photo: n for photo, n in session.execute(before)}
    return {photo: _inspection_view(r, every[photo] - 1) for photo, r in rows.items()}


def hand_view(row: HandMeasure) -> HandView:
    """A hand measurement as handed out."""
    return HandView(
        id=row.id,
        photo_id=row.photo_id,
        kind=row.kind,
        points=tuple((float(x), float(y)) for x, y in row.points),
        result=Measured.from_dict(row.result),
        note=row.note,
        created=row.created,
    )
