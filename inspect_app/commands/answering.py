"""Many photo files measured in workers or on a cluster: answers in the photos' order, kept in a file as they come."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from tqdm import tqdm

from inspect_app import __version__
from inspect_app.commands.files import read_file, report_folder
from inspect_app.measure import refused
from inspect_app.measure.one_photo import LIMITS, NEEDED, PhotoAnswer, answer_photo
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection, PhotoSummary
from shared.errors import InspectError, OptionError, StoreError
from shared.reports import keep_report
from shared.worker_processes import InProcess, Runner, cores, outcome, run_calls, runner

__all__ = ["KeptAnswers", "answers", "photos_in", "runner_for"]

_PICTURES = (".jpg", ".jpeg", ".png", ".webp", ".heic")
"""Endings of the photos in a folder; a file that is named by itself may have any."""
_BEGINS = b'{"format":'
"""How every line of a file of answers begins: of one that was cut short, this or as much of it as there is."""
_MOST_A_CORE = 4
"""Workers a core: more only wait for each other and fill the memory (common practice, no source)."""
Call = tuple[int, Callable[..., PhotoAnswer], tuple[object, ...]]


def photos_in(given: Sequence[Path]) -> list[Path]:
    """The files named, and the photos of every folder named, in the order of their names.

    Raises
    ------
    OptionError
        If a folder holds none.
    """
    out: list[Path] = []
    for path in given:
        if path.is_dir():
            found = sorted(p for p in path.iterdir() if p.suffix.lower() in _PICTURES and p.is_file())
            if not found:
                raise OptionError(f"The folder {path} holds no photos.", f"They end in {', '.join(_PICTURES)}.")
            out += found
        else:
            out.append(path)
    return out


def runner_for(workers: int | None, scheduler: str | None, photos: int) -> Runner:
    """Where photos are measured: on a cluster, or in as many workers as said, else one a core; 0 is this process.

    Raises
    ------
    OptionError
        If their number makes no sense, or the cluster can't be used.
    """
    if scheduler is not None:
        from inspect_app.commands.cluster import Cluster

        return Cluster(scheduler)
    most = _MOST_A_CORE * cores()
    if workers is not None and not 0 <= workers <= most:
        raise OptionError(f"{workers} workers are not possible.", f"Give 0 to {most}; 0 measures without any.")
    if workers == 0:
        return InProcess()
    return runner(workers or max(1, min(cores(), photos)), LIMITS, NEEDED)


@dataclass(frozen=True, slots=True)
class KeptAnswers:
    """A file of answers, one a line as JSON, that a stopped run goes on with; what it held when it was opened."""

    path: Path
    held: dict[str, Inspection]

    @classmethod
    def at(cls, path: Path) -> KeptAnswers:
        """Open or make the file; a last line that was cut short is taken off.

        Raises
        ------
        OptionError
            If it holds something else.
        StoreError
            If it can't be read or written.
        """
        held: dict[str, Inspection] = {}
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            whole = 0
            with path.open("a+b") as f:
                f.seek(0)
                for line in f:
                    if not line.endswith(b"\n"):
                        if line[: len(_BEGINS)] != _BEGINS[: len(line)]:
                            raise ValueError("no answer begins so")
                        break
                    answer = Inspection.from_dict(json.loads(line))
                    held[_mark(answer.photo.name, answer.photo.sha256, answer.options, answer.version)] = answer
                    whole += len(line)
                f.truncate(whole)
        except OSError as error:
            raise StoreError(f"{path} can't be used: {error.strerror}.", "Choose another place for it.") from None
        except (ValueError, KeyError, TypeError, AttributeError):
            raise OptionError(f"{path} holds something else than answers.", "Choose another name.") from None
        return cls(path, held)

    def find(self, name: str, sha256: str, ask: Ask) -> Inspection | None:
        """The answer that is there to this question, by this version."""
        return self.held.get(_mark(name, sha256, ask.to_dict(), __version__))

    def add(self, answer: Inspection) -> None:
        """Write an answer, on the disk when this returns.

        Raises
        ------
        StoreError
            If it can't be written.
        """
        line = json.dumps(answer.to_dict(), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        try:
            with self.path.open("ab") as f:
                f.write(f"{line}\n".encode())
                f.flush()
                os.fsync(f.fileno())
        except OSError as error:
            raise StoreError(
                f"{self.path} can't be written: {error.strerror}.",
                "Free some space, then give the same command again: it goes on from there.",
            ) from None


def _mark(name: str, sha256: str, asked: object, version: str) -> str:
    return json.dumps([name, sha256, asked, version], sort_keys=True, default=str)


def answers(
    photos: Sequence[Path], ask: Ask, where: Runner, picture: str, kept: KeptAnswers | None
) -> Iterator[PhotoAnswer]:
    """Every photo's answer, a refusal too, in the photos' order; those that are `kept` are not asked for again.

    `picture` is the ending of the picture to draw of each, empty for none.
    """
    with tqdm(total=len(photos), unit="photo", disable=None if len(photos) > 1 else True) as bar:
        for done in _in_order(_answers_as_ready(photos, ask, where, picture, kept)):
            with bar.external_write_mode():
                yield done
            bar.update()


def _in_order(numbered: Iterable[tuple[int, PhotoAnswer]]) -> Iterator[PhotoAnswer]:
    early: dict[int, PhotoAnswer] = {}
    turn = 0
    for n, done in numbered:
        early[n] = done
        while turn in early:
            yield early.pop(turn)
            turn += 1


def _answers_as_ready(
    photos: Sequence[Path], ask: Ask, where: Runner, picture: str, kept: KeptAnswers | None
) -> Iterator[tuple[int, PhotoAnswer]]:
    """Each photo's place and answer, as soon as it is there."""
    ready: list[tuple[int, PhotoAnswer]] = []
    for n, call in run_calls(where, _calls(photos, ask, picture, kept, ready)):
        yield from ready
        ready.clear()
        done = _answered(call, photos[n], ask)
        if kept is not None:
            kept.add(done.answer)
        yield n, done
    yield from ready


def _calls(
    photos: Sequence[Path],
    ask: Ask,
    picture: str,
    kept: KeptAnswers | None,
    ready: list[tuple[int, PhotoAnswer]],
) -> Iterator[Call]:
    """What is still to be measured; the others are put among the ready ones."""
    for n, path in enumerate(photos):
        try:
            data = read_file(path)
        except InspectError as error:
            ready.append((n, PhotoAnswer(refused(PhotoSummary(path.name, "", 0, 0), ask, error))))
            continue
        there = kept.find(path.name, hashlib.sha256(data).hexdigest(), ask) if kept else None
        if there is not None:
            ready.append((n, PhotoAnswer(there)))
        else:
            yield n, answer_photo, (data, path.name, ask, picture)


def _answered(call: Future[PhotoAnswer], path: Path, ask: Ask) -> PhotoAnswer:
    try:
        done = outcome(call, path.name)
    except InspectError as error:
        digest = ""
        with suppress(InspectError):
            digest = hashlib.sha256(read_file(path)).hexdigest()
        return PhotoAnswer(refused(PhotoSummary(path.name, digest, 0, 0), ask, error))
    if done.report and (at := keep_report(report_folder(), done.report)):
        print(f"{path.name}: how that came about is written in {at}")
    return done
