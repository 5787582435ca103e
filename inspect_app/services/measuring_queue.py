"""Photos measured in turn beside the pages: that goes on when the page is left, and can be stopped.

The queue is this process's: what is measured is stored at once, what still waits when the program ends is asked again.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum
from pathlib import Path
from threading import Condition, Thread

from inspect_app.jobs.store import Store
from inspect_app.reading.ask import Ask
from inspect_app.services import workers
from inspect_app.services.measuring import measure_photo
from shared.errors import InspectError

__all__ = ["QueuedPhoto", "QueueState", "forget", "go_on", "put_in_queue", "queue_of", "stop_queue", "wait_for_queue"]

_LOG = logging.getLogger(__name__)


class QueueState(Enum):
    """Where a photo in the queue stands."""

    WAITING = "waiting"
    MEASURING = "measuring"
    DONE = "measured"
    STOPPED = "stopped"
    FAILED = "not measured"


_AHEAD = (QueueState.WAITING, QueueState.MEASURING)


@dataclass(frozen=True, slots=True)
class QueuedPhoto:
    """A photo in the queue of its job; `wrong` is why it could not be measured, `advice` what to do."""

    job_id: int
    photo_id: int
    name: str
    ask: Ask
    turn: QueueState = QueueState.WAITING
    wrong: str = ""
    advice: str = ""

    @property
    def ahead(self) -> bool:
        """Whether it is still to be measured, or being measured."""
        return self.turn in _AHEAD


@dataclass(slots=True)
class _Line:
    """One store's queue by photo, how many threads work through it, and on which photos."""

    photos: dict[int, QueuedPhoto] = field(default_factory=dict)
    at_work: int = 0
    busy: set[int] = field(default_factory=set)


_LINES: dict[Path, _Line] = {}
_CHANGE = Condition()
"""Held while a line is looked at or changed, and told of every change; not held while a photo is measured."""


def put_in_queue(store: Store, job_id: int, asked: Iterable[tuple[int, str, Ask]]) -> None:
    """Measure these photos (id, name, question) in turn; one that is there already keeps its place."""
    with _CHANGE:
        line = _LINES.setdefault(store.data_dir, _Line())
        for photo_id, name, ask in asked:
            line.photos[photo_id] = QueuedPhoto(job_id, photo_id, name, ask)
        _set_to_work(store, line)


def queue_of(store: Store, job_id: int) -> tuple[QueuedPhoto, ...]:
    """A job's photos in the queue, in turn."""
    with _CHANGE:
        line = _LINES.get(store.data_dir, _Line())
        return tuple(q for q in line.photos.values() if q.job_id == job_id)


def stop_queue(store: Store, job_id: int) -> None:
    """Leave what waits; the photo being measured is finished, and what was measured stays."""
    _set_state(store, job_id, (QueueState.WAITING,), QueueState.STOPPED)


def go_on(store: Store, job_id: int) -> None:
    """Measure what was stopped, and try again what could not be measured."""
    _set_state(store, job_id, (QueueState.STOPPED, QueueState.FAILED), QueueState.WAITING)
    with _CHANGE:
        _set_to_work(store, _LINES.setdefault(store.data_dir, _Line()))


def forget(store: Store, job_id: int) -> None:
    """Take out of the queue all that is not ahead; its photos stay as they are."""
    with _CHANGE:
        line = _LINES.get(store.data_dir, _Line())
        for q in [q for q in line.photos.values() if q.job_id == job_id and not q.ahead]:
            del line.photos[q.photo_id]


def wait_for_queue(store: Store, timeout_s: float = 60.0) -> bool:
    """Wait until nothing is ahead in a store; whether that came about in time."""
    with _CHANGE:
        return _CHANGE.wait_for(lambda: _LINES.get(store.data_dir, _Line()).at_work == 0, timeout_s)


def _set_state(store: Store, job_id: int, of: tuple[QueueState, ...], to: QueueState) -> None:
    with _CHANGE:
        photos = _LINES.get(store.data_dir, _Line()).photos
        for q in list(photos.values()):
            if q.job_id == job_id and q.turn in of:
                photos[q.photo_id] = replace(q, turn=to, wrong="", advice="")
        _CHANGE.notify_all()


def _set_to_work(store: Store, line: _Line) -> None:
    """Start as many threads for the line as there are workers, but no more than photos wait."""
    waiting = sum(q.turn is QueueState.WAITING for q in line.photos.values())
    for _ in range(min(waiting, workers.pool().width - line.at_work)):
        line.at_work += 1
        Thread(target=_work, args=(store, line), name="measuring", daemon=True).start()


def _work(store: Store, line: _Line) -> None:
    while True:
        with _CHANGE:
            first = next((q for q in line.photos.values() if _next(q, line)), None)
            if first is None:
                line.at_work -= 1
                _CHANGE.notify_all()
                return
            line.photos[first.photo_id] = replace(first, turn=QueueState.MEASURING)
            line.busy.add(first.photo_id)
        after = _measured(store, first)
        with _CHANGE:
            line.busy.discard(first.photo_id)
            now = line.photos.get(first.photo_id)
            if now is not None and now.turn is QueueState.MEASURING:  # else it was asked anew, or taken out, meanwhile
                line.photos[first.photo_id] = after
            _CHANGE.notify_all()


def _next(q: QueuedPhoto, line: _Line) -> bool:
    """Whether it can be measured now: of two questions on one photo, the later answer must be the later question's."""
    return q.turn is QueueState.WAITING and q.photo_id not in line.busy


def _measured(store: Store, q: QueuedPhoto) -> QueuedPhoto:
    """The photo after its turn: nothing that goes wrong with one keeps the next from being measured."""
    try:
        measure_photo(store, q.photo_id, q.ask)
    except InspectError as error:
        return replace(q, turn=QueueState.FAILED, wrong=error.wrong, advice=error.advice)
    except Exception:
        _LOG.exception("a photo could not be measured")
        return replace(q, turn=QueueState.FAILED, wrong="Something nobody foresaw went wrong.", advice="Try it again.")
    return replace(q, turn=QueueState.DONE)
