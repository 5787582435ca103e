"""Readings by feeler, rule and straightedge: written down for a visit, the last one of each counts."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.decide.gauge_quantities import Gauged, check, gauged, key_of
from inspect_app.jobs.decision_models import GaugeReading
from inspect_app.jobs.details import FIRST_VISIT, MAX_FRETS
from inspect_app.jobs.models import Job, Visit
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.reading.key import Key, parse_key
from inspect_app.services.rows import mark_changed, now, row
from shared.errors import OptionError

__all__ = ["check_gauge_readings", "gauge_readings", "gauged_at", "take_back_gauge_reading", "write_gauge_reading"]


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


def check_gauge_readings(session: Session, job: Job, visit: str) -> None:
    """Whether all that stand at a visit are such as may be written down.

    Raises
    ------
    OptionError
        If one is of a fret the instrument does not have, or none that occurs.
    """
    for key, q in gauged_at(session, job, visit).items():
        key_of(key.feature, key.fret, job.frets or MAX_FRETS)
        check(key, q.value)


def write_gauge_reading(store: Store, job_id: int, visit: str, name: str, mm: float, fret: int | None = None) -> None:
    """Write down what a gauge read, mm.

    Parameters
    ----------
    name : str
        One of `inspect_app.decide.gauge_quantities.BY_GAUGE`.
    fret : int, optional
        Where each fret has its own.

    Raises
    ------
    OptionError
        If nothing is read by that name, the value is none that occurs, or there is no such fret or visit.
    """
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        key = key_of(name, fret, job.frets or MAX_FRETS)
        check(key, mm)
        _write(session, job, visit, key, mm)


def take_back_gauge_reading(store: Store, job_id: int, visit: str, key: Key, seen: float) -> None:
    """Take a reading back that was seen to be `seen`, mm; also of a fret the instrument no longer has.

    Raises
    ------
    OptionError
        If another one stands there by now, or there is no such visit.
    """
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        stands = gauged_at(session, job, visit).get(key)
        if stands is not None and stands.value != seen:
            raise OptionError(
                f"Another reading was written down meanwhile: {stands.value:g} mm, not {seen:g} mm.",
                "It was kept. Look at it, and take it back if it is wrong.",
            )
        _write(session, job, visit, key, None)


def _write(session: Session, job: Job, visit: str, key: Key, mm: float | None) -> None:
    at: Visit | None = next((v for v in job.visits if v.label == visit), None)
    if at is None:
        raise OptionError(f"The job has no visit {visit!r}.", "Add its photos first.")
    session.add(GaugeReading(visit_id=at.id, reading=str(key), value=mm, written=now()))
    mark_changed(job)
