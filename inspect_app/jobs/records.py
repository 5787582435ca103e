"""What the services hand to pages and commands: plain frozen values, safe to keep after the store is closed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum
from pathlib import Path
from typing import Any, Literal

from calib.lens_profile import LensProfile
from inspect_app.jobs.details import JobDetails
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.values import Reading
from shared.measured import Measured

__all__ = [
    "BY_HAND",
    "AddedPhoto",
    "JobListPage",
    "HandView",
    "InspectionView",
    "JobRow",
    "JobView",
    "JudgementView",
    "PhotoView",
    "BenchCheckView",
    "LensView",
    "PrintView",
    "ReadingView",
    "Stage",
    "ChosenStage",
    "StoreCheck",
    "Verdict",
    "VisitView",
]

Verdict = Literal["accept", "reject", "open"]


class Stage(Enum):
    """Where a job stands, worked out from what it holds unless a person said otherwise.

    The value says it, `next_step` what comes next, `waits_for` whose turn it is.
    """

    EMPTY = "no photos to measure yet"
    UNMEASURED = "photos to measure"
    RETAKE = "photos to take again"
    REVIEW = "readings to review"
    MEASURED = "measured"
    SENT = "estimate sent"
    ACCEPTED = "estimate accepted"
    IN_WORK = "in work"
    HANDED_OVER = "handed over"
    CLOSED = "closed"

    @property
    def next_step(self) -> str:
        """The one next thing to do."""
        return {
            Stage.EMPTY: "Add the first photos.",
            Stage.UNMEASURED: "Measure the photos that have no readings.",
            Stage.RETAKE: "Take the photos again: each says what it lacks.",
            Stage.REVIEW: "Review the readings, doubtful ones first.",
            Stage.MEASURED: "Look at the wear map and decide.",
            Stage.SENT: "When the answer comes, write it down.",
            Stage.ACCEPTED: "Do the work, then photograph the same views again.",
            Stage.IN_WORK: "Hold the photos after the work against what was agreed, and hand it over.",
            Stage.HANDED_OVER: "When it is paid and collected, close the job.",
            Stage.CLOSED: "Nothing more to do.",
        }[self]

    @property
    def waits_for(self) -> str:
        """Whose turn it is: ``bench``, ``customer`` or ``nobody``."""
        return {Stage.SENT: "customer", Stage.HANDED_OVER: "customer", Stage.CLOSED: "nobody"}.get(self, "bench")


BY_HAND = (Stage.IN_WORK, Stage.HANDED_OVER, Stage.CLOSED)
"""Where a person may say that a job stands; the rest is worked out."""


@dataclass(frozen=True, slots=True)
class ChosenStage:
    """What a person said of where a job stands: nothing, or one of `BY_HAND`; and whether it is put away."""

    stage: Stage | None = None
    archived: bool = False


@dataclass(frozen=True, slots=True)
class VisitView:
    """One visit of a job."""

    id: int
    label: str
    date: date


@dataclass(frozen=True, slots=True)
class InspectionView:
    """A stored inspection: question, answer, and how many came before it on the same photo."""

    id: int
    photo_id: int
    ask: Ask
    answer: Inspection
    version: str
    created: datetime
    earlier: int
    current: bool


@dataclass(frozen=True, slots=True)
class PhotoView:
    """A photo of a job with its current inspection, if it has one."""

    id: int
    job_id: int
    visit: VisitView
    sha256: str
    name: str
    view: str
    note: str
    category: str
    width_px: int
    height_px: int
    added: datetime
    removed: bool
    inspection: InspectionView | None


@dataclass(frozen=True, slots=True)
class AddedPhoto:
    """A photo as it was taken in; `already_there` when the job had the same file before."""

    photo: PhotoView
    already_there: bool


@dataclass(frozen=True, slots=True)
class JobRow:
    """One line of the list of jobs."""

    id: int
    number: int
    customer: str
    instrument: str
    promised: date | None
    created: datetime
    updated: datetime
    photos: int
    stage: Stage
    archived: bool = False


@dataclass(frozen=True, slots=True)
class JobListPage:
    """A page of the list of jobs, and how many jobs matched in all."""

    rows: tuple[JobRow, ...]
    total: int


@dataclass(frozen=True, slots=True)
class JobView:
    """Everything a page about one job needs."""

    id: int
    number: int
    revision: int
    details: JobDetails
    visits: tuple[VisitView, ...]
    photos: tuple[PhotoView, ...]
    removed: tuple[PhotoView, ...]
    stage: Stage
    created: datetime
    updated: datetime
    chosen_stage: ChosenStage = ChosenStage()


@dataclass(frozen=True, slots=True)
class ReadingView:
    """One reading of a job, with what a person said about it.

    `flags` are those of the reading and of its photo. `relative_u` is U / value, 0 for a place along the fret.
    `sure` readings may be accepted together.
    """

    reading: Reading
    photo_id: int
    inspection_id: int
    visit: VisitView
    view: str
    flags: tuple[str, ...]
    relative_u: float
    sure: bool
    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True)
class JudgementView:
    """One entry in the history of a reading."""

    verdict: Verdict
    reason: str
    at: datetime
    value: Measured | None
    inspection_id: int


@dataclass(frozen=True, slots=True)
class HandView:
    """A hand measurement on a photo."""

    id: int
    photo_id: int
    kind: str
    points: tuple[tuple[float, float], ...]
    result: Measured
    note: str
    created: datetime


@dataclass(frozen=True, slots=True)
class PrintView:
    """A printed scale: true length over nominal length, as last measured on its check bar (mm), with its standard
    uncertainty; not `verified` while nobody has measured it. `id` is the number written on it."""

    id: int
    kind: str
    bar_nominal: float
    bar_measured: float
    factor: float
    note: str
    created: datetime
    u_factor: float
    verified: bool = True
    measured: datetime | None = None
    gauge: str = ""
    humidity: float | None = None
    retired: bool = False


@dataclass(frozen=True, slots=True)
class BenchCheckView:
    """A known thing read (`kind` ``known thing``), or a ``repeat study``: which view, its figures, version and date."""

    id: int
    kind: str
    view: str
    result: Mapping[str, Any]
    version: str
    created: datetime
    retired: bool = False


@dataclass(frozen=True, slots=True)
class LensView:
    """A lens profile of the shop."""

    id: int
    name: str
    profile: LensProfile
    created: datetime
    retired: bool = False


@dataclass(frozen=True, slots=True)
class StoreCheck:
    """What checking the store found.

    `missing` and `damaged` are photo files, `problems` what is wrong in the database. `unclaimed` files belong to no
    photo; `lost` are those among them that are whole.
    """

    data_dir: Path
    jobs: int
    photos: int
    missing: tuple[str, ...]
    damaged: tuple[str, ...]
    unclaimed: tuple[str, ...]
    problems: tuple[str, ...]
    lost: tuple[str, ...] = ()

    @property
    def sound(self) -> bool:
        """True when nothing stored is missing or damaged."""
        return not (self.missing or self.damaged or self.problems)
