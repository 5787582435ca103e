"""A known thing before the camera: its photo read in a worker, compared, and the result as it is kept."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from inspect_app.decide.known_thing import Comparison, compare
from inspect_app.jobs.photo_files import keep, suffix_of
from inspect_app.jobs.store import Store
from inspect_app.measure.known_thing import MarkedPoints, Marking, ThingReading, read_thing
from inspect_app.measure.one_photo import look_over
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Outline, PhotoSummary
from inspect_app.services import workers
from shared.data_folder import PREVIEWS
from shared.errors import OptionError
from shared.measured import Measured
from shared.worker_processes import outcome

__all__ = [
    "MarkedPoints",
    "Marking",
    "ThingTrial",
    "check_known",
    "compared",
    "hold_photo",
    "held_path",
    "result_of",
    "try_thing",
]

_HELD = "held"
_HELD_SECONDS = 86400.0
"""A photo that was looked at and not kept goes after a day."""


@dataclass(frozen=True, slots=True)
class ThingTrial:
    """A known thing read: the comparison, the lines it was read by, the result to keep."""

    said: Comparison
    drawn: tuple[Outline, ...]
    result: dict[str, object]


def hold_photo(store: Store, data: bytes, name: str) -> PhotoSummary:
    """Hold a photo that belongs to no job, so that points can be marked on it: beside the previews, for a day.

    Raises
    ------
    InspectError
        If it is no photo, or can't be stored.
    """
    sha256, width, height = outcome(workers.submit(look_over, data, name), name)
    folder = store.data_dir / PREVIEWS / _HELD
    for old in folder.glob("*/*"):
        if time.time() - old.stat().st_mtime > _HELD_SECONDS:
            old.unlink(missing_ok=True)
    keep(folder, data, sha256, suffix_of(data))
    return PhotoSummary(name, sha256, width, height)


def held_path(store: Store, sha256: str) -> Path | None:
    """The file of a photo held so; ``None`` if there is none."""
    return next((store.data_dir / PREVIEWS / _HELD / sha256[:2]).glob(f"{sha256}.*"), None)


def try_thing(
    store: Store, photo: PhotoSummary, ask: Ask, what: MarkedPoints | str, expected: float, within: float
) -> ThingTrial:
    """Read the thing on a photo that is held, and compare it; nothing is kept.

    Raises
    ------
    InspectError
        If the photo does not show it, or what is known of it makes no sense.
    """
    check_known(expected, within)
    path = held_path(store, photo.sha256)
    if path is None:
        raise OptionError("The photo is no longer held.", "Choose its file again.")
    seen = outcome(workers.submit(read_thing, path.read_bytes(), photo.name, ask, what), photo.name)
    said = compared(seen, expected, within)
    return ThingTrial(said, seen.drawn, result_of(seen, ask, what, said))


def check_known(expected: float, within: float) -> None:
    """Refuse what can't be known of a thing: `expected` in the reading's unit, off by `within` at most.

    Raises
    ------
    OptionError
        If these are not possible.
    """
    if not (0.0 < within < math.inf and math.isfinite(expected)):
        raise OptionError(
            "What is known of the thing is not understood.",
            "Say how large it should be and, above 0, how far off that may be at most.",
        )


def compared(seen: ThingReading, expected: float, within: float) -> Comparison:
    """What was read beside what is known."""
    return compare(seen.read, Measured.of(expected, seen.read.unit, limits=within / math.sqrt(3.0)), seen.doubts)


def result_of(seen: ThingReading, ask: Ask, what: MarkedPoints | str, said: Comparison) -> dict[str, object]:
    """The result with its date, as it is written and kept."""
    return {
        "kind": "known thing",
        "date": datetime.now(UTC).date().isoformat(),
        "photo": {"name": seen.photo.name, "sha256": seen.photo.sha256},
        "options": ask.to_dict(),
        "what": what if isinstance(what, str) else what.name,
        "expected": said.expected.to_dict(),
        "read": said.read.to_dict(),
        "e_n": said.number,
        "agrees": said.agrees,
        "advice": list(said.advice),
    }
