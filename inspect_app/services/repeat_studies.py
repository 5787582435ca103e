"""A repeat study from photos that are held: each measured in a worker, compared, and the result as it is kept."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace

from inspect_app.decide.repeat_study import StudyRow, repeat_study
from inspect_app.jobs.store import Store
from inspect_app.measure.one_photo import PhotoAnswer, answer_photo
from inspect_app.reading.ask import Ask, View
from inspect_app.reading.inspection import Inspection, PhotoSummary
from inspect_app.report.study_plot import STUDY_LEGEND, STUDY_PICTURE, study_plot, study_table
from inspect_app.services import workers
from inspect_app.services.known_things import held_path
from shared.errors import InspectError, OptionError
from shared.worker_processes import outcome

__all__ = [
    "STUDY_LEGEND",
    "STUDY_PICTURE",
    "StudyResult",
    "frets_read_words",
    "result_of",
    "study_plot",
    "study_table",
    "try_study",
]


@dataclass(frozen=True, slots=True)
class StudyResult:
    """A study: what every photo gave, in words; a row a quantity; the result to keep."""

    view: View
    photos: tuple[tuple[str, str, str], ...]
    rows: tuple[StudyRow, ...]
    result: dict[str, object]


def try_study(store: Store, photos: Sequence[tuple[str, PhotoSummary]], ask: Ask) -> StudyResult:
    """Measure photos that are held, each with who took it, and compare what they say; nothing is kept.

    Raises
    ------
    InspectError
        If nothing was read twice by the same person, or a photo is no longer held.
    """
    ask = replace(ask, precision=())  # what is studied is not to stand in its own U
    begun = [(who, p, workers.submit(answer_photo, _bytes(store, p), p.name, ask)) for who, p in photos]
    said: list[tuple[str, str, str]] = []
    answers: list[tuple[str, Inspection]] = []
    for who, photo, call in begun:
        try:
            done: PhotoAnswer = outcome(call, photo.name)
        except InspectError as error:
            said.append((who, photo.name, str(error)))
            continue
        said.append((who, photo.name, frets_read_words(done.answer)))
        if done.answer.frets or done.answer.values:
            answers.append((who, done.answer))
    rows = repeat_study(answers)
    return StudyResult(ask.view, tuple(said), rows, result_of([(who, p.name) for who, p in photos], rows))


def _bytes(store: Store, photo: PhotoSummary) -> bytes:
    path = held_path(store, photo.sha256)
    if path is None:
        raise OptionError(f"The photo {photo.name} is no longer held.", "Choose its file again.")
    return path.read_bytes()


def frets_read_words(answer: Inspection) -> str:
    """How many frets a photo gave, or why none."""
    n = len(answer.frets)
    found = f"{n} fret{'s' if n > 1 else ''}" if n else "no fret, but values of the whole"
    return found if n or answer.values else "; ".join(m.reason for m in answer.not_measured)


def result_of(photos: Iterable[tuple[str, str]], rows: Sequence[StudyRow]) -> dict[str, object]:
    """The study as it is written and kept: who took which photo, and what each quantity came to."""
    return {
        "kind": "repeat study",
        "photos": [{"by": who, "name": name} for who, name in photos],
        "quantities": [
            {
                "quantity": r.quantity,
                "unit": r.unit,
                **asdict(r.precision),
                "reproducibility": r.precision.reproducibility,
                "share": r.precision.share,
                "stated": r.stated,
                "laid": r.laid,
                "own_u": r.own("").u,
                "own_dof": r.own("").dof,
            }
            for r in rows
        ],
    }
