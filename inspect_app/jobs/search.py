"""Finding jobs by customer, instrument, number or date, counting what each one holds, and telling where it stands."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, String, UnaryExpression, case, cast, func, select
from sqlalchemy.orm import Session

from inspect_app.jobs.decision_models import EstimateRow
from inspect_app.jobs.details import AFTER
from inspect_app.jobs.models import InspectionRow, Job, Judgement, Photo, Setting, Visit
from inspect_app.jobs.records import ChosenStage, JobRow, Stage

__all__ = [
    "ORDERS",
    "Counts",
    "count",
    "find",
    "folded",
    "search_text",
    "stage_of",
    "chosen_stage_key",
    "chosen_stages",
]

_CHOSEN_STAGE = "standing of job "
_FEW = 500
"""So many are asked for one by one; SQLite takes no more than some thousands of parameters (sqlite.org/limits.html)."""
ORDERS = ("changed", "promised", "number")
"""Ways to sort the list: last changed first, promised soonest first (no date last), newest number first."""


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
    """What a job holds: photos with a view, how many have been measured, readings, and those decided.

    `estimate` is the furthest that any revision came: empty, ``issued`` or ``accepted``; `after` counts the photos of
    the visit after the work.
    """

    photos: int = 0
    to_measure: int = 0
    measured: int = 0
    readings: int = 0
    decided: int = 0
    estimate: str = ""
    after: int = 0


def chosen_stage_key(job_id: int) -> str:
    """The setting that keeps what a person said of where a job stands."""
    return f"{_CHOSEN_STAGE}{job_id}"


def chosen_stages(session: Session, job_ids: Sequence[int]) -> dict[int, ChosenStage]:
    """What a person said of where these jobs stand."""
    keys = {chosen_stage_key(j): j for j in job_ids}
    few = Setting.key.in_(keys) if len(keys) <= _FEW else Setting.key.startswith(_CHOSEN_STAGE)
    found = {s.key: s.value for s in session.scalars(select(Setting).where(few))}
    return {j: _chosen_stage(found.get(key, {})) for key, j in keys.items()}


def _chosen_stage(kept: dict[str, object]) -> ChosenStage:
    stage = kept.get("stage")
    return ChosenStage(Stage[str(stage)] if stage in Stage.__members__ else None, bool(kept.get("archived")))


def stage_of(c: Counts, said: ChosenStage = ChosenStage()) -> Stage:  # noqa: B008  (frozen)
    """Where a job with these counts stands, a person's word first."""
    if said.stage is not None:
        return said.stage
    if c.estimate:
        done = Stage.IN_WORK if c.after else Stage.ACCEPTED
        return done if c.estimate == "accepted" else Stage.SENT
    if c.to_measure == 0:
        return Stage.EMPTY
    if c.measured < c.to_measure:
        return Stage.UNMEASURED
    if c.readings == 0:
        return Stage.RETAKE
    return Stage.REVIEW if c.decided < c.readings else Stage.MEASURED


def find(
    session: Session, query: str, limit: int, offset: int, archived: bool | None = None, waits_for: str = "",
    order: str = "changed",
) -> tuple[tuple[JobRow, ...], int]:  # fmt: skip
    """Jobs whose texts contain every word of `query`, and how many there are in all.

    Parameters
    ----------
    archived : bool, optional
        Only those put away, or only those not; both where not said.
    waits_for : str
        Only those that wait for ``bench``, ``customer`` or ``nobody``; all where empty.
    order : str
        One of `ORDERS`.
    """
    wanted: list[ColumnElement[bool]] = [func.instr(Job.search_text, word) > 0 for word in folded(query).split()]
    if archived is not None:
        away = func.coalesce(_chosen_by_person("$.archived").scalar_subquery(), 0) == 1
        wanted.append(away if archived else ~away)
    if waits_for:
        wanted.append(_waits_for() == waits_for)
    chosen = select(Job.id).where(*wanted)
    total = session.scalar(select(func.count()).select_from(chosen.subquery())) or 0
    ids = list(session.scalars(chosen.order_by(*_ordered(order)).limit(limit).offset(offset)))
    jobs = {j.id: j for j in session.scalars(select(Job).where(Job.id.in_(ids)))}
    said, counts = chosen_stages(session, ids), count(session, ids)
    return tuple(_row(jobs[j], counts[j].photos, stage_of(counts[j], said[j]), said[j].archived) for j in ids), total


def _waits_for() -> ColumnElement[str]:
    """Whose turn a job is, as `Stage.waits_for` has it for `stage_of`: a person's word, or an estimate that waits for
    its answer, alone take it from the bench, so that nothing need be counted."""
    said = _chosen_by_person("$.stage").scalar_subquery()
    sent = (EstimateRow.job_id == Job.id, EstimateRow.status.in_(("accepted", "issued")))
    furthest = select(func.min(EstimateRow.status)).where(*sent).scalar_subquery()  # "accepted" sorts before "issued"
    return func.coalesce(
        case({s.name: s.waits_for for s in Stage}, value=said),
        case({"issued": Stage.SENT.waits_for}, value=furthest),
        Stage.EMPTY.waits_for,
    )


def _chosen_by_person(path: str) -> Select[Any]:
    """What a person said of a job of the outer query."""
    return select(func.json_extract(Setting.value, path)).where(Setting.key == _CHOSEN_STAGE + cast(Job.id, String))


def _ordered(order: str) -> tuple[UnaryExpression[Any], ...]:
    if order == "promised":
        return Job.promised.asc().nulls_last(), Job.id.desc()
    return (Job.number.desc(),) if order == "number" else (Job.updated.desc(), Job.id.desc())


def _row(job: Job, photos: int, stage: Stage, archived: bool) -> JobRow:
    return JobRow(
        id=job.id,
        number=job.number,
        customer=job.customer,
        instrument=job.instrument_name or job.instrument_kind,
        promised=job.promised,
        created=job.created,
        updated=job.updated,
        photos=photos,
        stage=stage,
        archived=archived,
    )


def count(session: Session, job_ids: Sequence[int]) -> dict[int, Counts]:
    """Counts for these jobs, photos taken out not counted."""
    photos = {j: (n, views) for j, n, views in session.execute(_photos_of(job_ids))}
    measured = {j: (n, readings) for j, n, readings in session.execute(_measured_of(job_ids))}
    decided: dict[int, int] = {j: n for j, n in session.execute(_decided_of(job_ids))}
    estimates: dict[int, str] = {j: s for j, s in session.execute(_estimates_of(job_ids))}
    after: dict[int, int] = {j: n for j, n in session.execute(_after_of(job_ids))}
    return {
        j: Counts(
            *photos.get(j, (0, 0)),
            *measured.get(j, (0, 0)),
            decided.get(j, 0),
            estimates.get(j, ""),
            after.get(j, 0),
        )
        for j in job_ids
    }


def _here(job_ids: Sequence[int]) -> tuple[ColumnElement[bool], ...]:
    """The photos of these jobs that were not taken out."""
    return Photo.job_id.in_(job_ids), Photo.removed.is_(None)


def _current(job_ids: Sequence[int]) -> tuple[ColumnElement[bool], ...]:
    """The same with the measurements that none has replaced."""
    return InspectionRow.photo_id == Photo.id, InspectionRow.superseded_by.is_(None), *_here(job_ids)


def _photos_of(job_ids: Sequence[int]) -> Select[int, int, int]:
    """By job: photos, and those of them with a view."""
    with_view = func.count().filter(Photo.view != "finding")
    return select(Photo.job_id, func.count(), with_view).where(*_here(job_ids)).group_by(Photo.job_id)


def _measured_of(job_ids: Sequence[int]) -> Select[int, int, int]:
    """By job: photos measured, and their readings."""
    readings = func.sum(InspectionRow.reading_count)
    return select(Photo.job_id, func.count(), readings).where(*_current(job_ids)).group_by(Photo.job_id)


def _decided_of(job_ids: Sequence[int]) -> Select[int, int]:
    """By job: readings whose last judgement is no longer open."""
    last = (
        select(func.max(Judgement.id))
        .join(InspectionRow, InspectionRow.id == Judgement.inspection_id)
        .join(Photo, Photo.id == InspectionRow.photo_id)
        .where(*_here(job_ids))
        .group_by(Judgement.inspection_id, Judgement.reading)
    )
    return (
        select(Photo.job_id, func.count())
        .join(InspectionRow, InspectionRow.photo_id == Photo.id)
        .join(Judgement, Judgement.inspection_id == InspectionRow.id)
        .where(*_current(job_ids), Judgement.verdict != "open", Judgement.id.in_(last))
        .group_by(Photo.job_id)
    )


def _estimates_of(job_ids: Sequence[int]) -> Select[int, str]:
    """By job: how far the furthest revision of its estimate came."""
    return (
        select(EstimateRow.job_id, func.min(EstimateRow.status))  # "accepted" sorts before "issued"
        .where(EstimateRow.job_id.in_(job_ids), EstimateRow.status.in_(("accepted", "issued")))
        .group_by(EstimateRow.job_id)
    )


def _after_of(job_ids: Sequence[int]) -> Select[int, int]:
    """By job: photos of the visit after the work."""
    after = (*_here(job_ids), Visit.label == AFTER)
    return select(Photo.job_id, func.count()).join(Photo.visit).where(*after).group_by(Photo.job_id)
