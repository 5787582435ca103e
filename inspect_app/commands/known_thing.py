"""``inspect-app known-thing``: a photo of something known, read like a fret, against what is known of it."""

from __future__ import annotations

import argparse
import json

from calib.scales.ask import numbers_from
from inspect_app.commands.answering import runner_for
from inspect_app.commands.bench_checks import keep
from inspect_app.commands.files import read_file, write_file
from inspect_app.commands.measure import ask_from, picture_ending
from inspect_app.decide.known_thing import Comparison
from inspect_app.measure.known_thing import MarkedPoints, Marking, read_thing
from inspect_app.services.known_things import check_known, compared, result_of
from shared.errors import OptionError
from shared.units import show
from shared.worker_processes import outcome

__all__ = ["run"]

EXIT_AGREES = 0
EXIT_DIFFERS = 1


def run(options: argparse.Namespace) -> int:
    """Read the thing, say E_n and what it means; 0 where it agrees, 1 where it does not."""
    what = _thing_asked(options)
    check_known(options.expected, options.within)
    ask, data = ask_from(options), read_file(options.photo)
    picture = picture_ending(options.overlay) if options.overlay else ""
    where = runner_for(None, None, 1)
    try:
        seen = outcome(where.submit(read_thing, data, options.photo.name, ask, what, picture), options.photo.name)
    finally:
        where.close()
    said = compared(seen, options.expected, options.within)
    if options.overlay:
        write_file(options.overlay, seen.picture)
    print("\n".join(_lines(seen.photo.name, what if isinstance(what, str) else what.name, said)))
    result = result_of(seen, ask, what, said)
    if options.json:
        write_file(options.json, (json.dumps(result, indent=1) + "\n").encode())
    if options.keep:
        keep(options.data, ask.view, result)
        print("  kept; it stands on the measurement records from now on")
    return EXIT_AGREES if said.agrees else EXIT_DIFFERS


def _thing_asked(options: argparse.Namespace) -> MarkedPoints | str:
    marks: dict[Marking, str | None] = {"across": options.across, "step": options.step, "angle": options.angle}
    given = [(kind, text) for kind, text in marks.items() if text is not None]
    if len(given) + (options.reading is not None) != 1:
        raise OptionError(
            "Nothing says what on the photo is known.", "Give one of --across, --step, --angle and --reading."
        )
    if options.reading is not None:
        return str(options.reading)
    ((kind, text),) = given
    count = 4 if kind == "across" else 8
    try:
        return MarkedPoints(kind, tuple(numbers_from(text, count)), options.above)
    except ValueError:
        raise OptionError(
            f"The points {text!r} are not understood.",
            f"Give {count} numbers, X and Y of {count // 2} points in photo pixels.",
        ) from None


def _lines(photo: str, name: str, said: Comparison) -> list[str]:
    verdict = "agrees" if said.agrees else "does not agree"
    return [
        f"{photo}: {name}",
        f"  expected   {show(said.expected)}",
        f"  read       {show(said.read)}",
        f"  E_n        {said.number:+.2f}, {verdict}",
        *(f"  {sentence}" for sentence in said.advice),
    ]
