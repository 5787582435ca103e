"""Estimates: draft from a decision, change while a draft, issue, accepted or declined. Issued ones never change."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.decide.agreement import Answer
from inspect_app.decide.estimate import (
    Estimate,
    content_hash,
    draft_estimate,
    option_lines,
)
from inspect_app.decide.options import Kind
from inspect_app.jobs.decision_models import EstimateRow
from inspect_app.jobs.details import FIRST_VISIT
from inspect_app.jobs.models import Job
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.agreements import answer_estimate, answer_to, restate, take_back_answer
from inspect_app.services.deciding import Decision, decide, keep_terms
from inspect_app.services.papers import estimate_paper
from inspect_app.services.rows import mark_changed, now, row
from shared.errors import OptionError

__all__ = [
    "EstimateView",
    "accept_estimate",
    "change_estimate",
    "decline_estimate",
    "drop_draft",
    "draft",
    "estimate_pdf",
    "estimate_view",
    "estimates",
    "issue_estimate",
    "put_draft",
    "take_back",
]


@dataclass(frozen=True, slots=True)
class EstimateView:
    """One revision of a job's estimate; `status` is draft, issued, accepted, declined or superseded, `since` a date.

    `answer` is what the customer said to it, `pdf_sha256` the hash of its paper, empty while it is a draft.
    """

    id: int
    job_id: int
    estimate: Estimate
    status: str
    content_hash: str
    decided_on: date | None
    since: date
    answer: Answer | None = None
    pdf_sha256: str = ""


def estimates(store: Store, job_id: int) -> tuple[EstimateView, ...]:
    """All revisions of a job's estimate, the newest first."""
    with reading(store) as session:
        row(session, Job, job_id, "job")
        found = session.scalars(
            select(EstimateRow).where(EstimateRow.job_id == job_id).order_by(EstimateRow.revision.desc())
        )
        return tuple(_view(session, at) for at in found)


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
            return _view(session, _write(session, last, made))
        added = EstimateRow(job_id=job_id, status="draft", created=now())
        session.add(added)
        mark_changed(job)
        return _view(session, _write(session, added, made))


def _from_decision(job: str, decision: Decision, kind: Kind) -> Estimate:
    option = decision.option(kind)
    stock = decision.terms.wire.stock if decision.terms.wire else None
    lines = option_lines(
        kind, len(option.dressed), len(option.replaced), decision.terms.prices, stock, decision.besides
    )
    said = decision.recommendation
    reason = said.reason if kind == said.kind else decision.terms.note or f"Chosen instead of “{said.kind}”."
    made = draft_estimate(job, kind, lines, decision.terms.prices, now().date(), reason)
    others = tuple((str(o.kind), o.price) for o in decision.options if o.kind != kind)
    forecast = tuple((n, round(h.value, 4), round(h.u, 4)) for n, h in option.height_left)
    return replace(
        made,
        alternatives=others,
        forecast=forecast,
        note=decision.terms.note if kind == said.kind else "",
        replaced=option.replaced,
        dressed=option.dressed,
        wire=f"{stock.label}, {stock.material}" if stock and option.replaced else "",
    )


def change_estimate(store: Store, estimate_id: int, **changes: Any) -> EstimateView:
    """Change a draft; what is not named, or is ``None``, stays.

    Parameters
    ----------
    changes
        Any of `lines`, `discount_percent`, `tax_percent`, `deposit_percent`, `note`, `why`, `valid_until`.

    Raises
    ------
    OptionError
        If it has been issued, or a value makes no sense.
    """
    unknown = set(changes) - _CHANGEABLE
    if unknown:
        raise TypeError(f"an estimate's {', '.join(sorted(unknown))} can't be changed")
    asked = {k: v for k, v in changes.items() if v is not None}
    with writing(store) as session:
        at = _draft_row(session, estimate_id)
        made = Estimate.from_dict(at.content)
        changed = replace(made, **asked)
        if changed == made:
            return _view(session, at)
        return _view(session, _write(session, at, changed))


def put_draft(store: Store, estimate_id: int, content: Estimate) -> EstimateView:
    """Give a draft all that it held before: what takes back another draft in its place.

    Raises
    ------
    OptionError
        If it has been issued.
    """
    with writing(store) as session:
        return _view(session, _write(session, _draft_row(session, estimate_id), content))


def drop_draft(store: Store, estimate_id: int) -> None:
    """Take a draft away: what takes back its making, before anything was typed in it.

    Raises
    ------
    OptionError
        If it has been issued.
    """
    with writing(store) as session:
        at = _draft_row(session, estimate_id)
        mark_changed(row(session, Job, at.job_id, "job"))
        session.delete(at)


_CHANGEABLE = {"lines", "discount_percent", "tax_percent", "deposit_percent", "note", "why", "valid_until"}


def issue_estimate(
    store: Store, estimate_id: int, visit: str = FIRST_VISIT, paper: str = "a4", shown: str = ""
) -> EstimateView:
    """Issue a draft: its content and its paper are frozen.

    An earlier one that waits for an answer is superseded; one that was accepted stands until another is accepted.

    Parameters
    ----------
    shown : str
        Content hash of the draft as the person saw it; empty where nobody looked.

    Raises
    ------
    OptionError
        If it was issued before, or is no longer what was shown.
    """
    with reading(store) as session:
        at = _draft_row(session, estimate_id)
        job_id, content = at.job_id, Estimate.from_dict(at.content)
    if shown and content_hash(content) != shown:
        raise OptionError("The draft was changed in another window meanwhile.", "Look at it again, then issue it.")
    pdf = estimate_paper(store, job_id, content, visit, paper)
    with writing(store) as session:
        at = _draft_row(session, estimate_id)
        if content_hash(Estimate.from_dict(at.content)) != content_hash(content):
            raise OptionError("The draft was changed in another window meanwhile.", "Look at it again, then issue it.")
        at.status, at.pdf, at.updated = "issued", pdf.data, now()
        session.flush()
        restate(session, job_id)
        mark_changed(row(session, Job, job_id, "job"))
        return _view(session, at)


def accept_estimate(
    store: Store, estimate_id: int, on: date | None = None, by: str = "", how: str = "signed", note: str = ""
) -> EstimateView:
    """The customer accepted an issued estimate: see `inspect_app.services.agreements.answer_estimate`."""
    answer_estimate(store, estimate_id, True, by, how, on, note)
    return estimate_view(store, estimate_id)


def decline_estimate(
    store: Store, estimate_id: int, on: date | None = None, by: str = "", how: str = "by word", note: str = ""
) -> EstimateView:
    """The customer declined an issued estimate; one accepted before still stands."""
    answer_estimate(store, estimate_id, False, by, how, on, note)
    return estimate_view(store, estimate_id)


def take_back(store: Store, estimate_id: int) -> EstimateView:
    """Undo the customer's answer to an estimate."""
    take_back_answer(store, estimate_id)
    return estimate_view(store, estimate_id)


def estimate_view(store: Store, estimate_id: int) -> EstimateView:
    """One revision of an estimate."""
    with reading(store) as session:
        return _view(session, row(session, EstimateRow, estimate_id, "estimate"))


def estimate_pdf(store: Store, estimate_id: int, visit: str = FIRST_VISIT, paper: str = "a4") -> bytes:
    """The paper: as it was issued, or of a draft as it stands."""
    with reading(store) as session:
        at = row(session, EstimateRow, estimate_id, "estimate")
        if at.pdf is not None:
            return at.pdf
        job_id, content = at.job_id, Estimate.from_dict(at.content)
    return estimate_paper(store, job_id, content, visit, paper, draft=True).data


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


def _view(session: Session, at: EstimateRow) -> EstimateView:
    return EstimateView(
        at.id,
        at.job_id,
        Estimate.from_dict(at.content),
        at.status,
        at.content_hash,
        at.decided_on,
        at.updated.date(),
        answer_to(session, at),
        hashlib.sha256(at.pdf).hexdigest() if at.pdf else "",
    )
