"""Jobs: make, change, find, look at."""

from __future__ import annotations

from datetime import date

from sqlalchemy import func, select

from inspect_app.jobs import loading, search
from inspect_app.jobs.details import FIRST_VISIT, JobDetails
from inspect_app.jobs.models import Job, Setting, Visit
from inspect_app.jobs.records import BY_HAND, ChosenStage, JobListPage, JobView, VisitView
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.rows import mark_changed, now, row
from shared.errors import OptionError, StoreError

__all__ = ["add_visit", "create_job", "find_jobs", "job_numbered", "job_view", "choose_stage", "update_job"]


def create_job(store: Store, details: JobDetails, form_token: str | None = None) -> int:
    """Make a job with its first visit; returns its id.

    Parameters
    ----------
    form_token : str, optional
        Chosen once for each form shown: the same form sent twice makes one job.
    """
    with writing(store) as session:
        if form_token:
            made = session.scalar(select(Job.id).where(Job.form_token == form_token))
            if made is not None:
                return made
        number = (session.scalar(select(func.max(Job.number))) or 0) + 1
        job = Job(number=number, form_token=form_token, created=now(), updated=now())
        loading.put_details(job, details)
        job.search_text = search.search_text(job)
        job.visits = [Visit(label=FIRST_VISIT, date=now().date())]
        session.add(job)
        session.flush()
        return job.id


def update_job(store: Store, job_id: int, details: JobDetails, revision: int | None = None) -> int:
    """Write new details; returns the job's new revision.

    Raises
    ------
    StoreError
        If `revision` is given and the details were changed since by another window.
    """
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        if revision is not None and revision != job.revision:
            raise StoreError("The job was changed in another window meanwhile.", "Look at it again, then change it.")
        loading.put_details(job, details)
        job.search_text = search.search_text(job)
        job.revision += 1
        mark_changed(job)
        return job.revision


def find_jobs(
    store: Store, query: str = "", limit: int = 50, offset: int = 0, archived: bool | None = None, waits_for: str = "",
    order: str = "changed",
) -> JobListPage:  # fmt: skip
    """Jobs that hold every word of `query`: customer, instrument, #number, wish, YYYY-MM-DD.

    `archived`, `waits_for` and `order` narrow and sort them as `inspect_app.jobs.search.find` says.
    """
    with reading(store) as session:
        return JobListPage(*search.find(session, query, limit, offset, archived, waits_for, order))


def job_numbered(store: Store, number: int) -> int:
    """The id of the job that has this number.

    Raises
    ------
    OptionError
        If there is none.
    """
    with reading(store) as session:
        found = session.scalar(select(Job.id).where(Job.number == number))
    if found is None:
        raise OptionError(f"There is no job #{number} in this data folder.", "List them with `inspect-app jobs`.")
    return found


def job_view(store: Store, job_id: int) -> JobView:
    """Everything about one job."""
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        said = search.chosen_stages(session, [job_id])[job_id]
        return loading.job_view(job, search.stage_of(search.count(session, [job_id])[job_id], said), said)


def choose_stage(store: Store, job_id: int, chosen: ChosenStage) -> None:
    """Keep where a person says that a job stands; ``Standing()`` goes back to what is worked out.

    Raises
    ------
    OptionError
        If the stage is one that is only ever worked out.
    """
    if chosen.stage is not None and chosen.stage not in BY_HAND:
        raise OptionError(f"“{chosen.stage.value}” is worked out, not set.", "Undo what made it so instead.")
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        value = {"stage": chosen.stage.name if chosen.stage else "", "archived": chosen.archived}
        session.merge(Setting(key=search.chosen_stage_key(job_id), value=value, updated=now()))
        mark_changed(job)


def add_visit(store: Store, job_id: int, label: str, on: date | None = None) -> VisitView:
    """The visit of this label, made if the job has none such."""
    label = label.strip().lower()
    if not label:
        raise OptionError("The visit has no name.", "Call it after what it shows, such as intake or after.")
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        visit = next((v for v in job.visits if v.label == label), None)
        if visit is None:
            visit = Visit(label=label, date=on or now().date())
            job.visits.append(visit)
            mark_changed(job)
            session.flush()
        return loading.visit_view(visit)
