"""Readings by feeler, rule and straightedge: written down for a visit, the last one of each counts."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.decide.gauged import Gauged, gauged, key_of
from inspect_app.jobs.decision_models import GaugeReading
from inspect_app.jobs.details import FIRST_VISIT, MAX_FRETS
from inspect_app.jobs.models import Job, Visit
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.reading.key import parse_key
from inspect_app.services.finding import now, row, touch
from shared.errors import OptionError

__all__ = ["gauge_readings", "gauged_at", "write_gauge_reading"]


def gauged_at(session: Session, job: Job, visit: str) -> Gauged:
    """All that stand at a visit, mm, those taken back left out."""
    at = next((v for v in job.visits if v.label == visit), None)
    if at is None:
        return {}
    rows = session.scalars(select(GaugeReading).where(GaugeReading.visit_id == at.id).order_by(GaugeReading.id))
    last = {r.reading: r.value for r in rows}
    keys = {parse_key(name): mm for name, mm in last.items() if mm is not None}
    return {key: gauged(key, mm) for key, mm in keys.items()}


def gauge_readings(store: Store, job_id: int, visit: str = FIRST_VISIT) -> Gauged:
    """Those of one visit of a job."""
    with reading(store) as session:
        return gauged_at(session, row(session, Job, job_id, "job"), visit)


def write_gauge_reading(
    store: Store, job_id: int, visit: str, name: str, mm: float | None, fret: int | None = None
) -> None:
    """Write down what a gauge read, mm; ``None`` takes an earlier one back.

    Parameters
    ----------
    name : str
        One of `inspect_app.decide.gauged.BY_GAUGE`.
    fret : int, optional
        Where each fret has its own.

    Raises
    ------
    OptionError
        If nothing is read by that name, the value is none that occurs, or there is no such fret or visit.
    """
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        frets = job.frets if mm is not None else None  # there may have been more when it was written
        key = key_of(name, fret, frets or MAX_FRETS)
        if mm is not None:
            gauged(key, mm)
        at: Visit | None = next((v for v in job.visits if v.label == visit), None)
        if at is None:
            raise OptionError(f"The job has no visit {visit!r}.", "Add its photos first.")
        session.add(GaugeReading(visit_id=at.id, reading=str(key), value=mm, written=now()))
        touch(job)
