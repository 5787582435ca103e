"""What was agreed with the customer: their answers to the estimates, and what the accepted one promises."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.decide.agreement import Answer, checked, statuses
from inspect_app.decide.estimate import Estimate
from inspect_app.decide.levelling import Spread
from inspect_app.decide.option_parts import Kind
from inspect_app.decide.proof import AgreedWork
from inspect_app.jobs.decision_models import AnswerRow, EstimateRow
from inspect_app.jobs.details import MAX_FRETS
from inspect_app.jobs.models import Job
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.deciding import terms
from inspect_app.services.heights import fret_work
from inspect_app.services.rows import mark_changed, now, row
from shared.errors import OptionError

__all__ = ["Agreement", "agreed_of", "agreement_of", "answer_estimate", "answer_to", "restate", "take_back_answer"]


@dataclass(frozen=True, slots=True)
class Agreement:
    """The estimate that stands accepted, and the answer that accepted it."""

    estimate: Estimate
    answer: Answer


def agreement_of(store: Store, job_id: int) -> Agreement | None:
    """What the customer accepted last; ``None`` where nothing is agreed."""
    with reading(store) as session:
        row(session, Job, job_id, "job")
        at = session.scalar(
            select(EstimateRow).where(EstimateRow.job_id == job_id, EstimateRow.status == "accepted").limit(1)
        )
        answer = answer_to(session, at) if at else None
        return Agreement(Estimate.from_dict(at.content), answer) if at and answer else None


def agreed_of(store: Store, job_id: int) -> AgreedWork:
    """The bevel agreed; forecast and new frets of the accepted estimate, of the one waiting where none is accepted; and
    the frets that the notes of this job's work say are new."""
    known = terms(store, job_id)
    with reading(store) as session:
        rows = session.scalars(
            select(EstimateRow)
            .where(EstimateRow.job_id == job_id, EstimateRow.status.in_(("accepted", "issued")))
            .order_by(EstimateRow.status, EstimateRow.revision.desc())  # "accepted" sorts before "issued"
        )
        first = next(iter(rows), None)
        estimate = Estimate.from_dict(first.content) if first else None
    forecast = {n: Spread(value, u) for n, value, u in estimate.forecast} if estimate else {}
    noted = [w.frets for w in fret_work(store, job_id) if w.job_id == job_id and w.kind == "replaced"]
    new = [n for frets in (_promised(estimate), *(f or _EVERY for f in noted)) for n in frets]
    return AgreedWork(known.bevel_deg, forecast, tuple(sorted(set(new))))


_EVERY = tuple(range(1, MAX_FRETS + 1))


def _promised(estimate: Estimate | None) -> tuple[int, ...]:
    """The frets that get new wire; any may where an older estimate names none for work that puts some in."""
    if estimate is None or estimate.replaced or estimate.option not in (Kind.PARTIAL, Kind.REFRET):
        return estimate.replaced if estimate else ()
    return _EVERY


def answer_estimate(
    store: Store, estimate_id: int, accepted: bool, by: str = "", how: str = "signed", on: date | None = None,
    note: str = "",
) -> None:  # fmt: skip
    """Keep the customer's answer to an issued estimate: who (the job's customer where not said), how, and when.

    Raises
    ------
    OptionError
        If it is not waiting for an answer, or the answer can't be one to it (`inspect_app.decide.agreement.checked`).
    """
    with writing(store) as session:
        at = row(session, EstimateRow, estimate_id, "estimate")
        if at.status != "issued" or at.pdf is None:
            raise OptionError(f"This estimate is {at.status}, not waiting for an answer.", "Issue a new revision.")
        job = row(session, Job, at.job_id, "job")
        who, today = by.strip() or job.customer, now().date()
        paper = hashlib.sha256(at.pdf).hexdigest()
        said = Answer(accepted, who, how, on or today, note.strip(), paper)
        checked(said, Estimate.from_dict(at.content), today)
        session.add(
            AnswerRow(
                estimate_id=at.id, accepted=accepted, by=said.by, how=how, on=said.on, note=said.note,
                pdf_sha256=paper, written=now(),
            )
        )  # fmt: skip
        _settle(session, job)


def take_back_answer(store: Store, estimate_id: int) -> None:
    """Undo the answer to an estimate; what stood before it stands again. The answer stays on record as taken back.

    Raises
    ------
    OptionError
        If it was not answered.
    """
    with writing(store) as session:
        at = row(session, EstimateRow, estimate_id, "estimate")
        last = _answer_row(session, at.id)
        if last is None:
            raise OptionError("This estimate was not answered.", "There is nothing to take back.")
        last.taken_back = now()
        _settle(session, row(session, Job, at.job_id, "job"))


def _settle(session: Session, job: Job) -> None:
    session.flush()
    restate(session, job.id)
    mark_changed(job)


def restate(session: Session, job_id: int) -> None:
    """Bring the status of every issued revision of a job to what its answers say."""
    issued = session.scalars(
        select(EstimateRow)
        .where(EstimateRow.job_id == job_id, EstimateRow.status != "draft")
        .order_by(EstimateRow.revision)
    ).all()
    given = select(AnswerRow).where(AnswerRow.taken_back.is_(None), AnswerRow.estimate_id.in_([e.id for e in issued]))
    answers = [(a.estimate_id, a.accepted) for a in session.scalars(given.order_by(AnswerRow.id))]
    for e in issued:
        status, answer = statuses([e.id for e in issued], answers)[e.id], _answer_row(session, e.id)
        if status != e.status:
            e.status, e.updated = status, now()
        e.decided_on = answer.on if answer else None
    session.flush()


def answer_to(session: Session, at: EstimateRow) -> Answer | None:
    """The answer to an estimate, if there is one and it was not taken back."""
    kept = _answer_row(session, at.id)
    return Answer(kept.accepted, kept.by, kept.how, kept.on, kept.note, kept.pdf_sha256) if kept else None


def _answer_row(session: Session, estimate_id: int) -> AnswerRow | None:
    given = select(AnswerRow).where(AnswerRow.estimate_id == estimate_id, AnswerRow.taken_back.is_(None))
    return session.scalar(given.order_by(AnswerRow.id.desc()).limit(1))
