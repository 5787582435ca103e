"""``inspect-app repeat-study``: photos of the same frets, a folder a person, and what their spread says."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from inspect_app.commands.answering import answers, photos_in, runner_for
from inspect_app.commands.bench_checks import keep
from inspect_app.commands.files import write_file
from inspect_app.commands.measure import ask_from
from inspect_app.commands.table import aligned
from inspect_app.decide.repeat_study import repeat_study
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection
from inspect_app.services.repeat_studies import STUDY_LEGEND, frets_read_words, result_of, study_plot, study_table
from shared.worker_processes import Runner

__all__ = ["run"]

EXIT_DONE = 0


def run(options: argparse.Namespace) -> int:
    """Measure every photo, compare what they say of the same frets, and print one row a quantity."""
    photos = list(_photos(options.photos))
    where = runner_for(options.workers, options.scheduler, len(photos))
    try:
        ask = replace(ask_from(options), precision=())  # what is studied is not to stand in its own U
        rows = repeat_study(_answers(photos, ask, where))
    finally:
        where.close()
    result = result_of([(who, path.name) for who, path in photos], rows)
    print("\n".join([*aligned(study_table(rows)), *(f"{mark}: {said}" for mark, said in STUDY_LEGEND.items())]))
    if options.plot:
        write_file(options.plot, study_plot(rows).encode())
    if options.json:
        write_file(options.json, (json.dumps(result, indent=1) + "\n").encode())
    if options.keep:
        keep(options.data, ask.view, result)
        print("Kept: from now on these stand in the U of photos of this view, in place of what is assumed.")
    return EXIT_DONE


def _photos(given: Sequence[Path]) -> Iterator[tuple[str, Path]]:
    """Who took each photo, by its folder, and the photo."""
    for path in given:
        if path.is_dir():
            yield from ((path.name, p) for p in photos_in([path]))
        else:
            yield path.resolve().parent.name, path


def _answers(photos: Sequence[tuple[str, Path]], ask: Ask, where: Runner) -> Iterator[tuple[str, Inspection]]:
    done = answers([path for _, path in photos], ask, where, "", None)
    for (who, path), one in zip(photos, done, strict=True):
        print(f"{path}: {frets_read_words(one.answer)}", flush=True)
        if one.answer.frets or one.answer.values:
            yield who, one.answer
