"""``inspect-app repeat-study``: photos of the same frets, a folder a person, and what their spread says."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from inspect_app.commands.answering import answers, photos_in, runner_for
from inspect_app.commands.bench_checks import keep
from inspect_app.commands.files import write_file
from inspect_app.commands.measure import ask_from
from inspect_app.commands.table import aligned
from inspect_app.decide.precision import LIMIT_FACTOR
from inspect_app.decide.repeat_study import Row, repeat_study
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection
from inspect_app.report.study_plot import study_plot
from shared.apart import Runner

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
    print("\n".join(_table(rows)))
    if options.plot:
        write_file(options.plot, study_plot(rows).encode())
    if options.json:
        write_file(options.json, (json.dumps(_form(photos, rows), indent=1) + "\n").encode())
    if options.keep:
        keep(options.data, ask.view, _form(photos, rows))
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
        if one.answer.frets or one.answer.values:
            print(f"{path}: {len(one.answer.frets)} frets", flush=True)
            yield who, one.answer
        else:
            print(f"{path}: {'; '.join(n.reason for n in one.answer.not_measured)}", flush=True)


def _table(rows: Sequence[Row]) -> Iterator[str]:
    cells = [["", "readings", "mean", "s_r", "s_R", "r", "share", "u for a photo"]]
    for row in rows:
        p, unit = row.precision, {"deg": "°", "1": ""}.get(row.unit, f" {row.unit}")
        s_R = "" if p.reproducibility is None else f"{p.reproducibility:.3f}{unit}"
        share = "" if p.share is None else f"{100.0 * p.share:.0f} %"
        cells.append(
            [
                row.quantity,
                f"{p.readings} of {p.things}",
                f"{p.mean:.3f}{unit}",
                f"{p.repeatability:.3f}{unit}",
                s_R,
                f"{LIMIT_FACTOR * p.repeatability:.3f}{unit}",
                share,
                f"{row.stated:.3f}{unit}",
            ]
        )
    yield from aligned(cells)
    yield from _LEGEND


_LEGEND = (
    "s_r: standard deviation from one photo to the next (repeatability)",
    "s_R: the same with another person behind the camera (reproducibility)",
    "r: two photos by one person differ by more once in twenty",
    "share: how much of what frets seem to differ by is measuring",
    "u for a photo: what U allows for s_r, k = 1: without what all photos share, such as the scale",
)


def _form(photos: Sequence[tuple[str, Path]], rows: Sequence[Row]) -> dict[str, object]:
    return {
        "kind": "repeat study",
        "photos": [{"by": who, "name": path.name} for who, path in photos],
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
