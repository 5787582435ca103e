"""Measuring a stored photo, fixing an edge by hand, and taking that back. Nothing stored is ever overwritten."""

from __future__ import annotations

import json
import statistics
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any, NamedTuple, cast

from sqlalchemy import inspect
from sqlalchemy.orm import Session

from calib.scales.sheets import PRINTED
from inspect_app import __version__
from inspect_app.jobs import loading
from inspect_app.jobs.details import InstrumentDetails
from inspect_app.jobs.models import InspectionRow, Judgement
from inspect_app.jobs.models import Photo as PhotoRow
from inspect_app.jobs.photo_files import place
from inspect_app.jobs.records import InspectionView
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.measure import refused
from inspect_app.measure.one_photo import PhotoAnswer, answer_photo
from inspect_app.reading.ask import Ask, HandEdge, ScaleAsk, View
from inspect_app.reading.inspection import Inspection, PhotoSummary
from inspect_app.reading.values import readings_of
from inspect_app.services import workers
from inspect_app.services.bench_checks import own_precision
from inspect_app.services.deciding import wear_of
from inspect_app.services.lenses import lenses_in_use
from inspect_app.services.photo_cache import detected_photo, look_ahead, stored_bytes
from inspect_app.services.prints import known_prints
from inspect_app.services.rows import current_of, mark_changed, now, row
from shared.data_folder import REPORTS
from shared.errors import InspectError, OptionError, StoppedError
from shared.reports import keep_report
from shared.worker_processes import outcome, run_calls

__all__ = [
    "answer_now",
    "answers_now",
    "earlier_inspections",
    "inspection_view",
    "keep_answer",
    "make_ready",
    "measure_photo",
    "place_edge",
    "restore_inspection",
    "suggested_ask",
    "undo",
]


def suggested_ask(store: Store, photo_id: int) -> Ask:
    """What to ask of a photo: its last question, else what the job says or has measured of the instrument."""
    with reading(store) as session:
        photo = row(session, PhotoRow, photo_id, "photo")
        last = loading.current_inspection(photo)
        if last is not None and last.ask["view"] == photo.view:
            return _as_known(store, Ask.from_dict(last.ask))
        if photo.view == "finding":
            raise OptionError("A finding is not measured by itself.", "Mark a distance, an angle or a circle on it.")
        view, job_id, visit = cast(View, photo.view), photo.job_id, photo.visit.label
        instrument = loading.details_of(photo.job).instrument
    width, height = _crown(store, job_id, visit, instrument)
    scale = ScaleAsk("strip" if view == "plan" else "backdrop")
    ask = Ask(view, scale, scale_length=instrument.scale_length, crown_width=width, crown_height=height)
    return _as_known(store, ask)


def _as_known(store: Store, ask: Ask) -> Ask:
    """The same question, with what is known by now of the shop's measuring and of prints that tell their number."""
    ask = replace(ask, precision=own_precision(store, ask.view), lenses=lenses_in_use(store))
    if ask.scale.kind not in (*PRINTED, "auto"):
        return ask
    return replace(ask, scale=replace(ask.scale, prints=known_prints(store)))


def _crown(store: Store, job_id: int, visit: str, written: InstrumentDetails) -> tuple[float | None, float | None]:
    """Width and height of the unworn crown, mm: as written down, else as this visit's photos measured them."""
    width, height = written.crown_width, written.crown_height
    if written.scale_length is None or (width and height):
        return width, height
    wear = wear_of(store, job_id, visit)
    widths = [f.crown_width.value for f in wear.frets if f.crown_width is not None]
    width = width or (statistics.median(widths) if widths else None)
    return width, height or (wear.crown_height.value if wear.crown_height is not None else None)


def measure_photo(store: Store, photo_id: int, ask: Ask, again: bool = False) -> InspectionView:
    """Measure a photo and keep the answer, refusals too.

    The same question put to the same version gives the inspection that is there, unless `again`.
    """
    with reading(store) as session:
        last = loading.current_inspection(row(session, PhotoRow, photo_id, "photo"))
        asked_before = last is not None and (last.ask, last.version) == (_stored(ask), __version__)
        if last is not None and asked_before and not again:
            return loading.inspection_view(last)
    answer = answer_now(store, photo_id, ask)
    with writing(store) as session:
        photo = row(session, PhotoRow, photo_id, "photo")
        return loading.inspection_view(_keep(session, photo, ask, answer))


def answer_now(store: Store, photo_id: int, ask: Ask) -> Inspection:
    """What a stored photo says to this version, a refusal too; nothing is kept.

    Raises
    ------
    InspectError
        If its file is gone or changed.
    """
    (said,) = (found for _, found in answers_now(store, [(photo_id, ask)]))
    if isinstance(said, InspectError):
        raise said
    return said


def answers_now(store: Store, asked: Iterable[tuple[int, Ask]]) -> Iterator[tuple[int, Inspection | InspectError]]:
    """What stored photos say to this version, refusals too, each with its place among the questions as it is done.

    They are measured apart, as many at a time as there are workers: no photo can take the program down or hold it up.
    An error is of a file that is gone, changed or no photo any more.
    """
    failed: list[tuple[int, InspectError]] = []
    for of, call in run_calls(workers.pool(), _calls(store, asked, failed)):
        yield from failed
        failed.clear()
        try:
            yield of.place, _answered(store, outcome(call, of.photo.name))
        except StoppedError as error:
            yield of.place, refused(of.photo, of.ask, error)
        except InspectError as error:
            yield of.place, error
    yield from failed


class _Asked(NamedTuple):
    place: int
    photo: PhotoSummary
    ask: Ask


_Call = tuple[_Asked, Callable[..., PhotoAnswer], tuple[Any, ...]]


def _calls(store: Store, asked: Iterable[tuple[int, Ask]], failed: list[tuple[int, InspectError]]) -> Iterator[_Call]:
    for n, (photo_id, ask) in enumerate(asked):
        try:
            with reading(store) as session:
                photo = row(session, PhotoRow, photo_id, "photo")
                known = PhotoSummary(photo.name, photo.sha256, photo.width_px, photo.height_px)
                path = place(store.photos_dir, photo.sha256, photo.suffix)
            data = stored_bytes(path, known.sha256)
        except InspectError as error:
            failed.append((n, error))
            continue
        yield _Asked(n, known, ask), answer_photo, (data, known.name, ask)


def _answered(store: Store, done: PhotoAnswer) -> Inspection:
    if done.report:
        keep_report(store.data_dir / REPORTS, done.report)
    return done.answer


def keep_answer(store: Store, photo_id: int, ask: Ask, answer: Inspection, over: int) -> InspectionView | None:
    """Keep an answer in place of the inspection `over`; ``None``, and nothing kept, where another took its place."""
    with writing(store) as session:
        photo = row(session, PhotoRow, photo_id, "photo")
        if current_of(photo).id != over:
            return None
        return loading.inspection_view(_keep(session, photo, ask, answer))


def place_edge(store: Store, inspection_id: int, *edges: HandEdge) -> InspectionView:
    """Measure again with an edge, or all edges of a feature, fixed by hand; that takes the present inspection's place.

    Edges another window has placed on the same photo meanwhile stay placed; an edge that lies there already is kept
    once.

    Raises
    ------
    InspectError
        If nothing can be measured with the edge there; the present inspection stays.
    """
    with reading(store) as session:
        photo = row(session, InspectionRow, inspection_id, "inspection").photo
        present = current_of(photo)
        ask = Ask.from_dict(present.ask)
        if set(edges) <= set(ask.hand_edges):  # sent again by a window that lost its connection: nothing new to measure
            return loading.inspection_view(present)
        for edge in edges:
            ask = ask.with_hand_edge(edge)
        photo_id, sha256, suffix, name = photo.id, photo.sha256, photo.suffix, photo.name
        measured = _was_measured(loading.answer_of(present))
    path = place(store.photos_dir, sha256, suffix)
    answer = _named(detected_photo(path, sha256, ask)(ask), name) if measured else _measured_now(store, photo_id, ask)
    with writing(store) as session:
        return loading.inspection_view(_keep(session, row(session, PhotoRow, photo_id, "photo"), ask, answer))


def _was_measured(answer: Inspection) -> bool:
    """Whether a photo was measured to its end: one that was stopped is not looked at in the program's own process."""
    return bool(answer.frets or answer.values)


def _measured_now(store: Store, photo_id: int, ask: Ask) -> Inspection:
    answer = answer_now(store, photo_id, ask)
    if not _was_measured(answer):
        raise OptionError(
            f"Nothing could be measured with the edge there: {'; '.join(n.reason for n in answer.not_measured)}",
            "Ask something else of the photo first.",
        )
    return answer


def undo(store: Store, photo_id: int) -> InspectionView:
    """Bring back the inspection that the present one took the place of; again, the one before that.

    Raises
    ------
    OptionError
        If nothing is left to take back.
    """
    with reading(store) as session:
        photo = row(session, PhotoRow, photo_id, "photo")
        present = current_of(photo)
        shown = present.restored_from or present.id
        before = next((i.id for i in photo.inspections if i.superseded_by == shown), None)
    if before is None:
        raise OptionError("There is nothing left to take back.", "This is the photo's first inspection.")
    return restore_inspection(store, before)


def restore_inspection(store: Store, inspection_id: int) -> InspectionView:
    """Make an earlier inspection the present one, as a new entry: the history stays whole."""
    with writing(store) as session:
        old = row(session, InspectionRow, inspection_id, "inspection")
        kept = _keep(session, old.photo, Ask.from_dict(old.ask), loading.answer_of(old))
        kept.version = old.version
        kept.restored_from = old.restored_from or old.id
        session.flush()
        return loading.inspection_view(kept)


def earlier_inspections(store: Store, photo_id: int) -> tuple[InspectionView, ...]:
    """All inspections of a photo, the present one first."""
    with reading(store) as session:
        return tuple(map(loading.inspection_view, reversed(row(session, PhotoRow, photo_id, "photo").inspections)))


def inspection_view(store: Store, inspection_id: int) -> InspectionView:
    """One inspection by its id, present or superseded."""
    with reading(store) as session:
        return loading.inspection_view(row(session, InspectionRow, inspection_id, "inspection"))


def make_ready(store: Store, photo_id: int) -> None:
    """Begin to look at a photo whose readings are on the page, so that its first moved edge is answered at once.

    What can't be read of it is said when an edge is placed, not here.
    """
    with reading(store) as session:
        photo = row(session, PhotoRow, photo_id, "photo")
        last = loading.current_inspection(photo)
        if last is None or not _was_measured(loading.answer_of(last)):
            return
        path, sha256, ask = place(store.photos_dir, photo.sha256, photo.suffix), photo.sha256, Ask.from_dict(last.ask)
    look_ahead(path, sha256, ask)


def _named(answer: Inspection, name: str) -> Inspection:
    """The answer under the name that the photo came with: in the store it is named by its hash."""
    return replace(answer, photo=replace(answer.photo, name=name))


def _stored(ask: Ask) -> dict[str, object]:
    """A question as it comes back from the store: JSON knows lists, not tuples."""
    return dict(json.loads(json.dumps(ask.to_dict())))


_ALL_OF_IT = [column.key for column in inspect(InspectionRow).column_attrs]
"""Every column in one query: left to themselves, question and answer are read one by one when they are asked for."""


def _keep(session: Session, photo: PhotoRow, ask: Ask, answer: Inspection) -> InspectionRow:
    """Add an inspection in place of the present one; judgements of readings that came out the same go with it."""
    before = loading.current_inspection(photo)
    kept = InspectionRow(
        photo=photo,
        ask=ask.to_dict(),
        answer=answer.to_dict(),
        version=answer.version,
        reading_count=len(readings_of(answer)),
        created=now(),
    )
    session.add(kept)
    session.flush()
    if before is not None:
        before.superseded_by = kept.id
        _carry_judgements(before, kept, answer)
    mark_changed(photo.job)
    session.flush()
    session.refresh(kept, _ALL_OF_IT)
    return kept


def _carry_judgements(before: InspectionRow, kept: InspectionRow, answer: Inspection) -> None:
    was = {r.key: r.value for r in readings_of(loading.answer_of(before))}
    now_read = {r.key: r.value for r in readings_of(answer)}
    last = {j.reading: j for j in before.judgements}
    kept.judgements = [
        Judgement(reading=key, verdict=j.verdict, reason=j.reason, at=j.at, carried_from=j.id)
        for key, j in last.items()
        if key in was and was[key] == now_read.get(key)
    ]
