"""Photos of a job: take in, describe, hide, find on the disk."""

from __future__ import annotations

from pathlib import Path, PurePath

from sqlalchemy import select

from inspect_app.jobs import loading
from inspect_app.jobs.details import FIRST_VISIT, VIEW_OR_FINDING
from inspect_app.jobs.models import Job, Photo, Visit
from inspect_app.jobs.photo_files import keep, place, suffix_of
from inspect_app.jobs.records import AddedPhoto, PhotoView
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.rows import mark_changed, now, row
from shared.errors import OptionError, PhotoError
from shared.worker_processes import outcome

__all__ = ["add_photo", "categories", "photo_path", "photo_view", "remove_photo", "restore_photo", "update_photo"]


def add_photo(
    store: Store,
    job_id: int,
    data: bytes,
    name: str,
    view: str = "plan",
    visit: str = FIRST_VISIT,
    note: str = "",
    category: str = "",
) -> AddedPhoto:
    """Take a photo into a job: checked in a worker, its file synced to the disk, then its row.

    The same bytes are kept once a job: a second time gives the photo that is there, brought back if it was hidden.

    Raises
    ------
    PhotoError
        If the bytes are not a photo that can be measured.
    StoreError
        If they cannot be stored.
    """
    from inspect_app.measure.one_photo import look_over  # measuring takes half a second to import
    from inspect_app.services import workers

    _check_view(view)
    name = PurePath(name.replace("\\", "/")).name.strip(".") or "photo"
    sha256, width, height = outcome(workers.submit(look_over, data, name), name)
    suffix = suffix_of(data)
    keep(store.photos_dir, data, sha256, suffix)
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        there = session.scalar(select(Photo).where(Photo.job_id == job_id, Photo.sha256 == sha256))
        if there is not None:
            there.removed = None
            return AddedPhoto(loading.photo_view(there), already_there=True)
        added = Photo(
            job=job,
            visit=_visit(job, visit),
            sha256=sha256,
            suffix=suffix,
            size_bytes=len(data),
            width_px=width,
            height_px=height,
            name=name,
            view=view,
            note=note.strip(),
            category=category.strip(),
            added=now(),
        )
        session.add(added)
        mark_changed(job)
        session.flush()
        return AddedPhoto(loading.photo_view(added), already_there=False)


def _check_view(view: str) -> None:
    if view not in VIEW_OR_FINDING:
        raise OptionError(f"A photo can't show {view!r}.", f"Use one of: {', '.join(VIEW_OR_FINDING)}.")


def _visit(job: Job, label: str) -> Visit:
    """The visit of this label, made if need be."""
    label = label.strip().lower() or FIRST_VISIT
    found = next((v for v in job.visits if v.label == label), None)
    if found is None:
        found = Visit(label=label, date=now().date())
        job.visits.append(found)
    return found


def update_photo(
    store: Store,
    photo_id: int,
    view: str | None = None,
    visit: str | None = None,
    note: str | None = None,
    category: str | None = None,
) -> PhotoView:
    """Change what is said about a photo; what is ``None`` stays."""
    with writing(store) as session:
        photo = row(session, Photo, photo_id, "photo")
        if view is not None:
            _check_view(view)
            photo.view = view
        if visit is not None:
            photo.visit = _visit(photo.job, visit)
        photo.note = photo.note if note is None else note.strip()
        photo.category = photo.category if category is None else category.strip()
        mark_changed(photo.job)
        session.flush()
        return loading.photo_view(photo)


def remove_photo(store: Store, photo_id: int) -> None:
    """Hide a photo and its readings; nothing is deleted."""
    with writing(store) as session:
        photo = row(session, Photo, photo_id, "photo")
        photo.removed = now()
        mark_changed(photo.job)


def restore_photo(store: Store, photo_id: int) -> None:
    """Show a hidden photo again."""
    with writing(store) as session:
        photo = row(session, Photo, photo_id, "photo")
        photo.removed = None
        mark_changed(photo.job)


def photo_view(store: Store, photo_id: int) -> PhotoView:
    """One photo with its current inspection."""
    with reading(store) as session:
        return loading.photo_view(row(session, Photo, photo_id, "photo"))


def photo_path(store: Store, sha256: str) -> Path:
    """The file of a stored photo.

    Raises
    ------
    PhotoError
        If no stored photo has that hash.
    """
    with reading(store) as session:
        suffix = session.scalar(select(Photo.suffix).where(Photo.sha256 == sha256).limit(1))
    if suffix is None:
        raise PhotoError("There is no such photo in this data folder.", "Go back to the job and open it from there.")
    return place(store.photos_dir, sha256, suffix)


def categories(store: Store) -> tuple[str, ...]:
    """The shop's own categories of findings, as used so far."""
    with reading(store) as session:
        used = select(Photo.category).where(Photo.category != "").distinct().order_by(Photo.category)
        return tuple(session.scalars(used))
