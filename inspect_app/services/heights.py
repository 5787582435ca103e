"""Crown heights through visits and jobs: what was written down, read with a calliper, and done to the frets."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from calib.budget import evaluate
from inspect_app.decide.crown_height_history import (
    WORK,
    Heights,
    MeasuredHeight,
    WorkOnFrets,
    WrittenHeight,
    calliper_reading,
    follow,
    shared_by_reading,
)
from inspect_app.decide.influences import with_influences
from inspect_app.instrument.wire import material_named
from inspect_app.jobs import loading
from inspect_app.jobs.decision_models import FretHeight, FretWork, SameInstrument, Wire
from inspect_app.jobs.details import AFTER, FIRST_VISIT, MAX_FRETS
from inspect_app.jobs.models import Gauge, Job, Visit
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.reading.inspection import FretReading, Inspection
from inspect_app.services.gauges import gauge_in_use
from inspect_app.services.rows import mark_changed, now, row
from shared.errors import OptionError
from shared.measured import Contribution, Measured
from shared.trade import CALLIPER_U_MM

__all__ = [
    "AFTER",
    "WorkView",
    "check_fret_history",
    "earlier_job",
    "fret_heights",
    "fret_work",
    "heights_at",
    "job_before",
    "jobs_before",
    "material_of",
    "new_wire_height",
    "record_work",
    "restore_work",
    "same_instrument",
    "take_back_work",
    "worked_between",
    "write_fret_heights",
]

_WRITTEN_U = CALLIPER_U_MM
"""Standard uncertainty of a crown height that was written down, not measured here, mm."""
_STOCK_WIRE_U = 0.01
"""Standard uncertainty of a stocked wire's stated crown height, mm: a calliper on loose wire (common practice, no
source)."""
_OFF_U = 0.02
"""Standard uncertainty of what somebody said came off, mm, where they did not say how sure (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class WorkView:
    """Work on frets as it was written down: before which visit of which job, kind, frets (empty: all), what came off
    (mm), the wire's label."""

    id: int
    job_id: int
    visit: str
    kind: str
    frets: tuple[int, ...]
    off: Measured | None
    wire: str
    note: str


def new_wire_height(wire: Wire) -> Measured:
    """Crown height of a stocked wire, mm."""
    return Measured(wire.crown_height, "mm", (Contribution("stated height", _STOCK_WIRE_U, f"wire {wire.id}"),))


def earlier_job(session: Session, job_id: int) -> Job | None:
    """The job this instrument was on the bench for before, where somebody said so."""
    link = session.get(SameInstrument, job_id)
    return session.get(Job, link.earlier_job_id) if link else None


def jobs_before(session: Session, job: Job) -> list[Job]:
    """The jobs of one instrument up to this one, the earliest first."""
    chain, at = [job], earlier_job(session, job.id)
    while at is not None and at not in chain:
        chain.append(at)
        at = earlier_job(session, at.id)
    return chain[::-1]


def same_instrument(store: Store, job_id: int, earlier_job_id: int | None) -> None:
    """Say that a job is about the instrument of an earlier job, so that heights, work and limits go on from there.

    ``None`` takes it back.

    Raises
    ------
    OptionError
        If that would make a circle.
    """
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        link = session.get(SameInstrument, job_id)
        if earlier_job_id is None:
            if link is not None:
                session.delete(link)
            return
        if job in jobs_before(session, row(session, Job, earlier_job_id, "job")):
            raise OptionError("A job can't come before itself.", "Choose an earlier job of this instrument.")
        made = link or SameInstrument(job_id=job_id)
        made.earlier_job_id, made.written = earlier_job_id, now()
        session.add(made)
        mark_changed(job)


def job_before(store: Store, job_id: int) -> int | None:
    """The earlier job of the same instrument that was named last, if one was."""
    with reading(store) as session:
        before = earlier_job(session, job_id)
        return before.id if before else None


def heights_at(session: Session, job: Job, visit: str, inspections: Iterable[Inspection]) -> Heights:
    """What is known of the crowns' unworn heights at a visit: all that was written, read and done up to it.

    A section photo of the visit itself is held first.
    """
    known = Heights()
    for one in jobs_before(session, job):
        frets = one.frets or job.frets or MAX_FRETS
        known = follow(_written(one, known), frets, known)
        for at in one.visits:
            known = shared_by_reading(known)
            known = follow(_done(session, at), frets, known)
            known = follow((MeasuredHeight(n, h) for n, h in _read_at(session, at).items()), frets, known)
            if one is job and at.label == visit:
                if not any(True for _ in _done(session, at)):
                    known = shared_by_reading(known)  # right after work only what was read counts as read
                break
    for inspection in inspections:
        if inspection.view == "section" and inspection.frets and inspection.frets[0].crown_height is not None:
            return replace(known, shared=_unworn(with_influences(inspection).frets[0]), source="photo of the wire")
    return known


def _written(job: Job, known: Heights) -> Iterator[WrittenHeight]:
    """What the job's page says of the present wire, unless an earlier job's history knows better."""
    details = loading.details_of(job).instrument
    if details.crown_height is not None and known.shared is None and not known.own:
        of = Contribution("as written down", _WRITTEN_U, f"job {job.id}")
        yield WrittenHeight(Measured(details.crown_height, "mm", (of,)))


def _done(session: Session, at: Visit) -> Iterator[WorkOnFrets]:
    """Work written down for a visit; the visit after the work stands for work of which nobody said how much."""
    found = _work_in_force(session, at)
    for w in found:
        wire = session.get(Wire, w.wire_id) if w.wire_id else None
        height, material = (new_wire_height(wire), wire.material) if wire else (None, "")
        yield WorkOnFrets(w.kind, tuple(int(n) for n in w.frets), _removed_height(w), height, material)
    if not found and at.label == AFTER:
        yield WorkOnFrets("levelled")


def _work_in_force(session: Session, at: Visit) -> Sequence[FretWork]:
    """The work written down for a visit and not taken back."""
    in_force = select(FretWork).where(FretWork.visit_id == at.id, FretWork.removed.is_(None)).order_by(FretWork.id)
    return session.scalars(in_force).all()


def _removed_height(w: FretWork) -> Measured | None:
    if w.off is None:
        return None
    return Measured(w.off, "mm", (Contribution("what came off", w.off_u or _OFF_U, f"work {w.id}"),))


def _read_at(session: Session, at: Visit) -> dict[int, Measured]:
    """The last height written for each fret at a visit, those taken back left out."""
    rows = session.scalars(select(FretHeight).where(FretHeight.visit_id == at.id).order_by(FretHeight.id))
    last = {r.fret: r for r in rows}
    return {
        n: calliper_reading(r.height, f"fret {n}, reading {r.id}", _gauge(session, r.gauge_id))
        for n, r in sorted(last.items())
        if r.height is not None
    }


def _gauge(session: Session, gauge_id: int | None) -> tuple[str, float, float] | None:
    found = session.get(Gauge, gauge_id) if gauge_id else None
    return (f"gauge {found.id}", found.u, found.resolution) if found else None


def _unworn(section: FretReading) -> Measured:
    """Height now plus what the flat across the top has taken: d = r - sqrt(r^2 - f^2 / 4) for a circular crown."""
    height, radius, flat = section.crown_height, section.crown_radius, section.flat_width
    assert height is not None
    if radius is None or flat is None or flat.value >= 2.0 * radius.value:
        return height

    def unworn(height: float, radius: float, flat: float) -> float:
        return height + radius - math.sqrt(max(radius**2 - flat**2 / 4.0, 0.0))

    return evaluate(unworn, {"height": height, "radius": radius, "flat": flat}, "mm")


def material_of(job: Job, known: Heights) -> str:
    """What the wire on the board is made of: as the history says, else as written on the job's page."""
    return known.material or material_named(job.present_wire)


def worked_between(session: Session, job: Job, earlier: str, later: str) -> bool:
    """Whether frets were worked on after one visit of a job and up to another."""
    labels = [v.label for v in job.visits]
    after = job.visits[labels.index(earlier) + 1 : labels.index(later) + 1]
    return any(True for v in after for _ in _done(session, v))


def _visit(job: Job, label: str) -> Visit:
    at = next((v for v in job.visits if v.label == label), None)
    if at is None:
        raise OptionError(f"The job has no visit {label!r}.", "Add its photos first.")
    return at


def fret_heights(store: Store, job_id: int, visit: str = FIRST_VISIT) -> dict[int, Measured]:
    """Crown heights of single frets that were read with a calliper or gauge at a visit, mm."""
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        at = next((v for v in job.visits if v.label == visit), None)
        return _read_at(session, at) if at else {}


def write_fret_heights(store: Store, job_id: int, heights: Mapping[int, float | None], visit: str) -> None:
    """Write down crown heights, mm by fret, read where the fret is not worn; ``None`` takes one back.

    Raises
    ------
    OptionError
        If a height is not possible, the instrument has no such fret, or the job no such visit.
    """
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        at = _visit(job, visit)
        now_known, gauge = _read_at(session, at), gauge_in_use(session)
        for fret, height in heights.items():
            _check_height(job, fret, height)
            known = now_known.get(fret)
            if height != (known.value if known else None):
                session.add(FretHeight(visit_id=at.id, fret=fret, height=height, written=now(), gauge_id=gauge))
        mark_changed(job)


def _check_frets(job: Job, frets: Iterable[int]) -> None:
    most = job.frets or MAX_FRETS
    for fret in frets:
        if not 1 <= fret <= most:
            raise OptionError(f"The instrument has no fret {fret}.", f"It has {most}.", "frets")


def _check_height(job: Job, fret: int, height: float | None) -> None:
    _check_frets(job, (fret,))
    if height is not None and not 0.1 <= height <= 3.0:
        raise OptionError(f"A crown {height:g} mm high is not possible.", "Give 0.1 to 3 mm.", "heights")


def _check_work(job: Job, kind: str, frets: Iterable[int], off: float | None) -> None:
    if kind not in WORK:
        raise OptionError(f"There is no work called {kind!r}.", f"Use one of: {', '.join(WORK)}.")
    if off is not None and not 0.0 <= off <= 1.5:
        raise OptionError(f"{off:g} mm can't have come off a fret.", "Give 0 to 1.5 mm, or leave it out.", "off")
    _check_frets(job, frets)


def check_fret_history(session: Session, job: Job, visit: str) -> None:
    """Whether the heights and the work that stand at a visit are such as may be written down.

    Raises
    ------
    OptionError
        If one is of a fret the instrument does not have, or not possible.
    """
    at = _visit(job, visit)
    for fret, height in _read_at(session, at).items():
        _check_height(job, fret, height.value)
    for work in _work_in_force(session, at):
        _check_work(job, work.kind, work.frets, work.off)


def record_work(
    store: Store,
    job_id: int,
    visit: str,
    kind: str,
    frets: tuple[int, ...] = (),
    off: float | None = None,
    wire_id: int | None = None,
    note: str = "",
) -> WorkView:
    """Write down what was done to frets before a visit: it goes with the instrument from job to job.

    Parameters
    ----------
    kind : str
        ``levelled``, ``recrowned`` or ``replaced``.
    frets : tuple of int
        Empty for all of them.
    off : float, optional
        What came off the tops, mm.
    wire_id : int, optional
        The stocked wire that new frets are of.

    Raises
    ------
    OptionError
        If there is no such work, fret, visit or wire, or what came off is not possible.
    """
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        _check_work(job, kind, frets, off)
        at = _visit(job, visit)
        if wire_id:
            row(session, Wire, wire_id, "wire")
        made = FretWork(
            visit_id=at.id, kind=kind, frets=sorted(set(frets)), off=off, wire_id=wire_id or None, note=note.strip(),
            written=now(),
        )  # fmt: skip
        session.add(made)
        mark_changed(job)
        session.flush()
        return _work_view(session, made, at)


def take_back_work(store: Store, work_id: int) -> None:
    """Take back what was written down by mistake; the entry stays in the store."""
    with writing(store) as session:
        row(session, FretWork, work_id, "entry").removed = now()


def restore_work(store: Store, work_id: int) -> None:
    """Let an entry stand again that was taken back."""
    with writing(store) as session:
        row(session, FretWork, work_id, "entry").removed = None


def fret_work(store: Store, job_id: int) -> tuple[WorkView, ...]:
    """What was done to this instrument's frets, in this job and those before it, the earliest first."""
    with reading(store) as session:
        visits = [v for job in jobs_before(session, row(session, Job, job_id, "job")) for v in job.visits]
        return tuple(_work_view(session, w, at) for at in visits for w in _work_in_force(session, at))


def _work_view(session: Session, w: FretWork, at: Visit) -> WorkView:
    wire = session.get(Wire, w.wire_id) if w.wire_id else None
    return WorkView(
        w.id, at.job_id, at.label, w.kind, tuple(w.frets), _removed_height(w), wire.label if wire else "", w.note
    )
