"""Rows by their number, or a sentence saying there is none; and the present time."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TypeVar

from sqlalchemy.orm import Session

from inspect_app.jobs.loading import current_inspection
from inspect_app.jobs.models import Base, InspectionRow, Job, Photo
from shared.errors import OptionError

__all__ = ["current_of", "now", "row", "mark_changed"]


R = TypeVar("R", bound=Base)


def now() -> datetime:
    """The present time, UTC."""
    return datetime.now(UTC)


def row(session: Session, kind: type[R], row_id: int, name: str) -> R:
    """The row of this kind and number.

    Raises
    ------
    OptionError
        If there is none.
    """
    found = session.get(kind, row_id)
    if found is None:
        raise OptionError(f"There is no {name} {row_id} in this data folder.", "Go back to the list of jobs.")
    return found


def current_of(photo: Photo) -> InspectionRow:
    """The current inspection of a photo.

    Raises
    ------
    OptionError
        If it has not been measured.
    """
    found = current_inspection(photo)
    if found is None:
        raise OptionError(f"The photo {photo.name} has not been measured.", "Measure it first.")
    return found


def mark_changed(job: Job) -> None:
    """Note that something about the job changed now."""
    job.updated = now()
