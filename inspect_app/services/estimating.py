"""Estimates: draft from a decision, change while a draft, issue, accepted or declined. Issued ones never change."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.decide.estimate import (
    Estimate,
    Line,
    content_hash,
    draft_estimate,
    option_lines,
)
from inspect_app.decide.options import Kind
from inspect_app.jobs.decision_models import EstimateRow
from inspect_app.jobs.details import FIRST_VISIT
from inspect_app.jobs.models import Job
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.deciding import Decision, decide, keep_terms
from inspect_app.services.finding import now, row, touch
from inspect_app.services.papers import estimate_paper
from shared.errors import OptionError

__all__ = [
    "EstimateView",
    "accept_estimate",
    "change_estimate",
    "decline_estimate",
    "draft",
    "estimate_pdf",
    "estimates",
    "issue_estimate",
]


@dataclass(frozen=True, slots=True)
class EstimateView:
    """One revision of a job's estimate; `status` is draft, issued, accepted, declined or superseded, `since` a date."""

    id: int
    job_id: int
    estimate: Estimate
    status: str
    content_hash: str
    decided_on: date | None
    since: date


def estimates(store: Store, job_id: int) -> tuple[EstimateView, ...]:
    """All revisions of a job's estimate, the newest first."""
    with reading(store) as session:
        row(session, Job, job_id, "job")
        found = session.scalars(
            select(EstimateRow).where(EstimateRow.job_id == job_id).order_by(EstimateRow.revision.desc())
        )
        return tuple(map(_view, found))


def draft(store: Store, job_id: int, visit: str = FIRST_VISIT, kind: Kind | None = None) -> EstimateView:
    """A draft for the option that stands (or `kind`), as the next revision; an earlier draft is replaced by it.

    Raises
    ------
    OptionError
        If there is no option to estimate yet.
    """
    keep_terms(store, job_id)
    decision = decide(store, job_id, visit)
    chosen = kind or decision.kind
    if chosen is None:
        raise OptionError("There is nothing to estimate yet.", decision.recommendation.settle or "Choose an option.")
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        last = _last(session, job_id)
        made = _from_decision(str(job.number), decision, chosen)
        if last is not None:
            earlier = Estimate.from_dict(last.content)
            made = replace(made, revision=last.revision if last.status == "draft" else earlier.revision + 1)
        if last is not None and last.status == "draft":
            return _view(_write(session, last, made))
        added = EstimateRow(job_id=job_id, status="draft", created=now())
        session.add(added)
        touch(job)
        return _view(_write(session, added, made))


def _from_decision(job: str, decision: Decision, kind: Kind) -> Estimate:
    option = decision.option(kind)
    stock = decision.terms.wire.stock if decision.terms.wire else None
    lines = option_lines(kind, len(option.dressed), len(option.replaced), decision.terms.prices, stock)
    said = decision.recommendation
    reason = said.reason if kind == said.kind else decision.terms.note or f"Chosen instead of “{said.kind}”."
    made = draft_estimate(job, kind, lines, decision.terms.prices, now().date(), reason)
    others = tuple((str(o.kind), o.price) for o in decision.options if o.kind != kind)
    forecast = tuple((n, round(h.value, 4), round(h.u, 4)) for n, h in option.height_left)
    return replace(made, alternatives=others, forecast=forecast, note=decision.terms.note if kind == said.kind else "")


def change_estimate(
    store: Store,
    estimate_id: int,
    lines: tuple[Line, ...] | None = None,
    discount_percent: str | None = None,
    tax_percent: str | None = None,
    deposit_percent: str | None = None,
    note: str | None = None,
    valid_until: str | None = None,
) -> EstimateView:
    """Change a draft; what is ``None`` stays.

    Raises
    ------
    OptionError
        If it has been issued.
    """
    asked = {
        "lines": lines,
        "discount_percent": discount_percent,
        "tax_percent": tax_percent,
        "deposit_percent": deposit_percent,
        "note": note,
        "valid_until": valid_until,
    }
    with writing(store) as session:
        at = _draft_row(session, estimate_id)
        changed = {k: v for k, v in asked.items() if v is not None}
        return _view(_write(session, at, replace(Estimate.from_dict(at.content), **changed)))  # type: ignore[arg-type]


def issue_estimate(
    store: Store, estimate_id: int, visit: str = FIRST_VISIT, paper: str = "a4", pictures: int = 6
) -> EstimateView:
    """Issue a draft: its content and its paper are frozen, and revisions issued before are superseded."""
    with reading(store) as session:
        at = _draft_row(session, estimate_id)
        job_id, content = at.job_id, Estimate.from_dict(at.content)
    pdf = estimate_paper(store, job_id, content, visit, paper, pictures)
    with writing(store) as session:
        at = _draft_row(session, estimate_id)
        if content_hash(Estimate.from_dict(at.content)) != content_hash(content):
            raise OptionError("The draft was changed in another window meanwhile.", "Look at it again, then issue it.")
        earlier = session.scalars(
            select(EstimateRow).where(EstimateRow.job_id == job_id, EstimateRow.status.in_(("issued", "accepted")))
        )
        for old in earlier:
            old.status, old.updated = "superseded", now()
        at.status, at.pdf, at.updated = "issued", pdf.data, now()
        touch(row(session, Job, job_id, "job"))
        session.flush()
        return _view(at)


def accept_estimate(store: Store, estimate_id: int, on: date | None = None) -> EstimateView:
    """The customer accepted an issued estimate."""
    return _decided(store, estimate_id, "accepted", on)


def decline_estimate(store: Store, estimate_id: int, on: date | None = None) -> EstimateView:
    """The customer declined an issued estimate."""
    return _decided(store, estimate_id, "declined", on)


def _decided(store: Store, estimate_id: int, status: str, on: date | None) -> EstimateView:
    with writing(store) as session:
        at = row(session, EstimateRow, estimate_id, "estimate")
        if at.status != "issued":
            raise OptionError(f"This estimate is {at.status}, not waiting for an answer.", "Issue a new revision.")
        at.status, at.decided_on, at.updated = status, on or now().date(), now()
        touch(row(session, Job, at.job_id, "job"))
        session.flush()
        return _view(at)


def estimate_pdf(store: Store, estimate_id: int, visit: str = FIRST_VISIT, paper: str = "a4") -> bytes:
    """The paper: as it was issued, or of a draft as it stands."""
    with reading(store) as session:
        at = row(session, EstimateRow, estimate_id, "estimate")
        if at.pdf is not None:
            return at.pdf
        job_id, content = at.job_id, Estimate.from_dict(at.content)
    return estimate_paper(store, job_id, content, visit, paper).data


def _draft_row(session: Session, estimate_id: int) -> EstimateRow:
    at = row(session, EstimateRow, estimate_id, "estimate")
    if at.status != "draft":
        raise OptionError("This estimate was issued and does not change.", "Draft the next revision instead.")
    return at


def _last(session: Session, job_id: int) -> EstimateRow | None:
    return session.scalar(
        select(EstimateRow).where(EstimateRow.job_id == job_id).order_by(EstimateRow.revision.desc()).limit(1)
    )


def _write(session: Session, at: EstimateRow, content: Estimate) -> EstimateRow:
    at.revision, at.content, at.content_hash = content.revision, content.to_dict(), content_hash(content)
    at.updated = now()
    session.flush()
    return at


def _view(at: EstimateRow) -> EstimateView:
    return EstimateView(
        at.id, at.job_id, Estimate.from_dict(at.content), at.status, at.content_hash, at.decided_on, at.updated.date()
    )
