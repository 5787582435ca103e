"""Going through a job's readings: doubtful first, accept, reject, take back, history."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from threading import Lock

from cachetools import LRUCache, cached
from sqlalchemy import Select, select
from sqlalchemy.orm import Session, contains_eager, defer, selectinload

from inspect_app.jobs import loading
from inspect_app.jobs.models import InspectionRow, Job, Judgement, Photo
from inspect_app.jobs.records import JudgementView, ReadingView, Verdict
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import Key
from inspect_app.reading.values import Reading, readings_of
from inspect_app.services.rows import current_of, mark_changed, now, row
from shared.errors import OptionError
from shared.measured import Measured

__all__ = [
    "SURE_RELATIVE_U",
    "WIDE",
    "JudgementAction",
    "EarlierJudgement",
    "accept_placed",
    "accept_sure",
    "doubts_of",
    "history",
    "judge",
    "judge_all",
    "present_inspections",
    "readings",
    "take_back",
]

SURE_RELATIVE_U = 0.25
"""Largest U / value of a reading that may be accepted unseen: a measure four times finer than what it judges (common
practice, no source)."""
WIDE = "WIDE"
"""The doubt of a reading whose U is more than `SURE_RELATIVE_U` of its value; named as flags are."""
_NO_DOUBT = frozenset({"BY_HAND"})
_NOT_BY_HAND = frozenset({"SPACING_OFF", "DISAGREES", "PLANE_ASSUMED", "FOCAL_ASSUMED", "CROWN_ASSUMED"})
"""Doubts about the photo's scale, or about the photo as a whole: where a person puts an edge settles none of them."""


@dataclass(frozen=True, slots=True)
class EarlierJudgement:
    """What was said of one reading before a judgement changed it."""

    photo_id: int
    reading: Key
    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True)
class JudgementAction:
    """One action of a person: what it said, and what it took the place of."""

    verdict: Verdict
    before: tuple[EarlierJudgement, ...]

    def __len__(self) -> int:
        return len(self.before)


def readings(store: Store, job_id: int, visit: str | None = None) -> tuple[ReadingView, ...]:
    """All readings of a job's photos (or of one visit's): undecided before decided, doubtful before sure.

    Doubt is the number of flags, then U relative to the value.
    """
    with reading(store) as session:
        row(session, Job, job_id, "job")
        found = [v for at in session.scalars(present_inspections(job_id)) for v in _of_inspection(at)]
    wanted = [v for v in found if visit is None or v.visit.label == visit]
    return tuple(sorted(wanted, key=lambda v: (v.verdict != "open", -len(_doubts(v.flags)), -v.relative_u)))


def present_inspections(job_id: int) -> Select[InspectionRow]:
    """The current inspections of a job's photos, in the order of the photos, with what is needed of each."""
    return (
        select(InspectionRow)
        .join(InspectionRow.photo)
        .where(Photo.job_id == job_id, Photo.removed.is_(None), InspectionRow.superseded_by.is_(None))
        .order_by(Photo.id)
        .options(
            contains_eager(InspectionRow.photo).joinedload(Photo.visit),
            selectinload(InspectionRow.judgements),
            defer(InspectionRow.answer),
        )
    )


def _as_judged(row_: InspectionRow) -> tuple[object, ...]:
    """What tells an inspection, as it was judged, from any other."""
    said = tuple((j.id, j.at) for j in row_.judgements)
    return (*loading.key_of(row_), loading.visit_view(row_.photo.visit), said)


@cached(LRUCache(loading.KEPT_ANSWERS), _as_judged, Lock())
def _of_inspection(row_: InspectionRow) -> tuple[ReadingView, ...]:
    """The readings of one current inspection; every page of a job wants them all, and few have changed."""
    return tuple(_views(row_))


def _views(row_: InspectionRow) -> Iterator[ReadingView]:
    answer = loading.answer_of(row_)
    last = {j.reading: j for j in row_.judgements}
    visit = loading.visit_view(row_.photo.visit)
    for r in readings_of(answer):
        flags = tuple(dict.fromkeys((*r.value.flags, *answer.flags)))
        relative = _relative_u(r)
        judged = last.get(r.key)
        yield ReadingView(
            reading=r,
            photo_id=row_.photo_id,
            inspection_id=row_.id,
            visit=visit,
            view=answer.view,
            flags=flags,
            relative_u=relative,
            sure=not _doubts(flags) and relative <= SURE_RELATIVE_U,
            verdict=_verdict(judged),
            reason=judged.reason if judged else "",
        )


def doubts_of(r: ReadingView) -> tuple[str, ...]:
    """Why a reading is not sure: its flags that are doubts, and `WIDE`."""
    return (*_doubts(r.flags), *((WIDE,) if r.relative_u > SURE_RELATIVE_U else ()))


def _doubts(flags: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f for f in flags if f not in _NO_DOUBT)


def _relative_u(r: Reading) -> float:
    if r.entry.where or r.entry.signed:  # a place or a difference, not a size: U / value means nothing
        return 0.0
    return r.value.expanded / abs(r.value.value) if r.value.value else float("inf")


def _verdict(judged: Judgement | None) -> Verdict:
    word = judged.verdict if judged else "open"
    return "accept" if word == "accept" else "reject" if word == "reject" else "open"


def judge(store: Store, inspection_id: int, reading_key: Key, verdict: Verdict, reason: str = "") -> None:
    """Accept a reading, reject it with a reason, or take that back (``open``).

    Raises
    ------
    OptionError
        If there is no such reading, it has been replaced since, or a rejection gives no reason.
    """
    _check(verdict, reason)
    with writing(store) as session:
        _judge(session, inspection_id, [reading_key], verdict, reason)


def judge_all(store: Store, rows: Iterable[ReadingView], verdict: Verdict, reason: str = "") -> JudgementAction:
    """Judge several readings in one action, all or none; what `take_back` needs to undo it.

    Raises
    ------
    OptionError
        As `judge`.
    """
    _check(verdict, reason)
    keys: dict[int, list[Key]] = {}
    for r in rows:
        keys.setdefault(r.inspection_id, []).append(r.reading.key)
    with writing(store) as session:
        return JudgementAction(
            verdict, tuple(s for at, of in keys.items() for s in _judge(session, at, of, verdict, reason))
        )


def take_back(store: Store, judged: JudgementAction) -> int:
    """Undo an action; returns for how many readings: one that was measured again or judged anew since stays."""
    count = 0
    with writing(store) as session:
        for was in judged.before:
            at = current_of(row(session, Photo, was.photo_id, "photo"))
            last = {j.reading: j for j in at.judgements}.get(was.reading)
            if last is not None and _verdict(last) == judged.verdict != was.verdict:
                said = Judgement(reading=was.reading, verdict=was.verdict, reason=was.reason, at=now())
                at.judgements.append(said)
                mark_changed(at.photo.job)
                count += 1
    return count


def accept_placed(store: Store, inspection_id: int) -> JudgementAction:
    """Accept what rests on an edge that a person placed: who put it there need not say so twice."""
    with writing(store) as session:
        at = row(session, InspectionRow, inspection_id, "inspection")
        keys = [
            v.reading.key
            for v in _of_inspection(at)
            if v.verdict == "open" and v.reading.value.by_hand and not _NOT_BY_HAND & set(v.flags)
        ]
        return JudgementAction("accept", tuple(_judge(session, inspection_id, keys, "accept", "")))


def _check(verdict: str, reason: str) -> None:
    if verdict not in ("accept", "reject", "open"):
        raise OptionError(f"A reading can't be judged {verdict!r}.", "Use accept, reject or open.")
    if verdict == "reject" and not reason.strip():
        raise OptionError("A rejected reading needs a reason.", "Say in a few words what is wrong with it.")


def _judge(
    session: Session, inspection_id: int, keys: list[Key], verdict: Verdict, reason: str
) -> list[EarlierJudgement]:
    """Add a judgement of each of these readings; what was said of them before."""
    at = row(session, InspectionRow, inspection_id, "inspection")
    if at.superseded_by is not None:
        raise OptionError("The photo has been measured again meanwhile.", "Look at the new reading, then judge it.")
    there, last = {r.key for r in readings_of(loading.answer_of(at))}, {j.reading: j for j in at.judgements}
    for key in keys:
        if key not in there:
            raise OptionError(f"There is no reading “{key}” on this photo.", "Choose one from the list.")
    when = now()
    for key in keys:
        at.judgements.append(Judgement(reading=key, verdict=verdict, reason=reason.strip(), at=when))
    if keys:
        mark_changed(at.photo.job)
    return [EarlierJudgement(at.photo_id, k, _verdict(last.get(k)), last[k].reason if k in last else "") for k in keys]


def accept_sure(store: Store, job_id: int, visit: str | None = None) -> int:
    """Accept every sure reading that is still open; returns how many."""
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        count = 0
        for at in session.scalars(present_inspections(job_id)).all():
            if visit is not None and at.photo.visit.label != visit:
                continue
            for v in _of_inspection(at):
                if v.sure and v.verdict == "open":
                    at.judgements.append(Judgement(reading=v.reading.key, verdict="accept", reason="", at=now()))
                    count += 1
        if count:
            mark_changed(job)
        return count


def history(store: Store, photo_id: int, reading_key: Key) -> tuple[JudgementView, ...]:
    """Everything a person said about one reading of a photo, over all its inspections, oldest first."""
    said = (
        select(Judgement, InspectionRow)
        .join(InspectionRow, Judgement.inspection_id == InspectionRow.id)
        .where(InspectionRow.photo_id == photo_id, Judgement.reading == reading_key, Judgement.carried_from.is_(None))
        .order_by(Judgement.id)
    )
    with reading(store) as session:
        row(session, Photo, photo_id, "photo")
        return tuple(
            JudgementView(_verdict(j), j.reason, j.at, _value(loading.answer_of(at), reading_key), at.id)
            for j, at in session.execute(said)
        )


def _value(answer: Inspection, reading_key: Key) -> Measured | None:
    return {r.key: r.value for r in readings_of(answer)}.get(reading_key)
