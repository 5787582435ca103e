"""How far each part of a job is: what is done, what is open and how much of it, in the words of its page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from inspect_app.jobs.decision_models import EstimateRow
from inspect_app.jobs.details import AFTER
from inspect_app.jobs.models import HandMeasure, Photo
from inspect_app.jobs.records import JobView, PhotoView, Stage
from inspect_app.jobs.store import Store, reading
from inspect_app.services.by_feature import Undecided, left_to_decide

__all__ = ["Progress", "progress"]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far one part is, in `words`; neither `done` nor `open` where there is nothing to do yet, or need not be.

    `left` counts what is open where it can be counted.
    """

    words: str
    done: bool = False
    open: bool = False
    left: int = 0


def progress(store: Store, job: JobView) -> Mapping[str, Progress]:
    """How far each part of a job is, by the name of its page."""
    left = left_to_decide(store, job.id)
    with reading(store) as session:
        revisions = session.execute(
            select(EstimateRow.revision, EstimateRow.status)
            .where(EstimateRow.job_id == job.id)
            .order_by(EstimateRow.revision.desc())
        )
        estimate = {r: s for r, s in revisions}
        by_hand = _hand_measures(session, job.id)
    return {
        "job": _details_written(job),
        "photos": _photos([p for p in job.photos if p.view != "finding"]),
        "by_hand": Progress(_count(by_hand, "thing", "measured by hand"), done=True)
        if by_hand
        else Progress("nothing measured by hand"),
        "findings": _findings(job),
        "readings": _readings(left),
        "wear_map": _map(left),
        "options": _options(left, bool(estimate)),
        "estimate": _estimate(estimate),
        "after_work": _after(job, "accepted" in estimate.values()),
    }


def _hand_measures(session: Session, job_id: int) -> int:
    kept = (
        select(func.count())
        .select_from(HandMeasure)
        .join(Photo, Photo.id == HandMeasure.photo_id)
        .where(Photo.job_id == job_id, Photo.removed.is_(None), HandMeasure.removed.is_(None))
    )
    return session.scalar(kept) or 0


def _count(n: int, what: str, more: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'} {more}"


def _details_written(job: JobView) -> Progress:
    """Without scale length nothing is checked or decided; frets and strings shape the wear map."""
    of = job.details.instrument
    known = {"scale length": of.scale_length, "number of frets": of.frets, "number of strings": of.strings}
    missing = [name for name, value in known.items() if not value]
    if missing:
        return Progress(f"not written down: {', '.join(missing)}", open=True, left=len(missing))
    return Progress("written down", done=True)


def _photos(photos: list[PhotoView]) -> Progress:
    waiting = sum(1 for p in photos if p.inspection is None)
    if waiting:
        return Progress(_count(waiting, "photo", "to measure"), open=True, left=waiting)
    again = sum(1 for p in photos if p.inspection and not p.inspection.answer.frets)
    if photos and again == len(photos):
        return Progress("no photo could be read: take them again", open=True, left=again)
    return Progress(_count(len(photos), "photo", "measured"), done=True) if photos else Progress("no photos", open=True)


def _findings(job: JobView) -> Progress:
    n = sum(1 for p in job.photos if p.view == "finding")
    return Progress(_count(n, "finding", "noted"), done=True) if n else Progress("nothing noted")


def _readings(left: Undecided) -> Progress:
    if left.features:
        return Progress(f"{left.features} of {left.of_features} to decide", open=True, left=left.features)
    return Progress("all decided", done=True) if left.of_features else Progress("no readings yet")


def _map(left: Undecided) -> Progress:
    return Progress("drawn", done=True) if left.of_features else Progress("nothing to draw yet")


def _options(left: Undecided, drafted: bool) -> Progress:
    if drafted:
        return Progress("one is chosen", done=True)
    return Progress("none is chosen", open=True) if left.of_features else Progress("nothing to decide by yet")


def _estimate(by_revision: Mapping[int, str]) -> Progress:
    newest = next(iter(by_revision.values()), "")
    if newest == "draft":
        return Progress("a draft, not issued", open=True)
    if "accepted" in by_revision.values():
        return Progress("accepted", done=True)
    return (
        Progress({"issued": "waits for an answer"}.get(newest, newest), open=True) if newest else Progress("none yet")
    )


def _after(job: JobView, agreed: bool) -> Progress:
    if job.stage in (Stage.HANDED_OVER, Stage.CLOSED):
        return Progress(job.stage.value, done=True)
    if any(p.visit.label == AFTER for p in job.photos):
        return Progress("to be handed over", open=True)
    return Progress("the work is to be done", open=True) if agreed else Progress("not yet agreed")
