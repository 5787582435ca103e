"""``inspect-app measure``: photos in, answers out as a table, as JSON, and drawn on the photo."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import replace
from pathlib import Path

from calib.scales.sheets import PRINTED
from inspect_app.commands.answering import KeptAnswers, answers, photos_in, runner_for
from inspect_app.commands.files import refuse_over, write_file
from inspect_app.commands.lens import lens_from
from inspect_app.commands.table import answer_table
from inspect_app.decide.flats_of_several_photos import flats_together
from inspect_app.reading.ask import Ask, OwnPrecision, ScaleAsk, parse_held, parse_scale, parse_scale_plane
from inspect_app.reading.inspection import Inspection
from shared.errors import OptionError
from shared.names import distinct

__all__ = ["run", "ask_from", "picture_ending"]

EXIT_MEASURED = 0
EXIT_REFUSED = 2
EXIT_STOPPED = 130
BY_NOMINAL_SIZE = (
    "Measured by the print's nominal size. Printers are off by up to 3 %: where its check bar is not 100 mm long, give "
    "--scale-factor or --print."
)


def run(options: argparse.Namespace) -> int:
    """Measure every photo named; 0 if all gave readings, 2 if any was refused, 130 if it was stopped."""
    ask, photos = ask_from(options), photos_in(options.photos)
    several = len(photos) > 1
    overlays = _overlay_paths(options.overlay, photos)
    for to in (options.json, options.results, *overlays):
        refuse_over(to, photos)
    ending = _overlay_format(options.overlay, several)
    kept = KeptAnswers.at(options.results) if options.results else None
    where = runner_for(options.workers, options.scheduler, len(photos))
    all_read, held, nominal = True, [], False
    try:
        for done, overlay in zip(answers(photos, ask, where, ending, kept), overlays, strict=True):
            if done.picture and overlay:
                write_file(overlay, done.picture)
            print(answer_table(done.answer, options.units), flush=True)
            all_read = all_read and bool(done.answer.frets or done.answer.values)
            nominal |= _by_nominal_size(done.answer, ask)
            held += [done.answer] if options.json or options.together else []
    except KeyboardInterrupt:
        print(f"Stopped. {_how_to_resume(options.results)}", file=sys.stderr)
        return EXIT_STOPPED
    finally:
        where.close()
    _write(held, options)
    if nominal:
        print(BY_NOMINAL_SIZE)
    return EXIT_MEASURED if all_read else EXIT_REFUSED


def _by_nominal_size(answer: Inspection, ask: Ask) -> bool:
    """Whether a photo was measured by a print of which nothing is said, and which does not tell its number."""
    scale = answer.scale
    by_print = scale is not None and scale.kind in PRINTED and scale.number is None
    return by_print and (ask.scale.factor, ask.scale.u_factor) == (1.0, None)


def _how_to_resume(results: Path | None) -> str:
    if results is None:
        return "With --results FILE a stopped run can be taken up again."
    return f"What was measured is in {results}: the same command goes on from there."


def _write(answers: list[Inspection], options: argparse.Namespace) -> None:
    """The answers as JSON, where asked put together first."""
    written = answers
    if options.together:
        written = [flats_together(answers)]
        print(answer_table(written[0], options.units), flush=True)
    if options.json:
        forms = [a.to_dict() for a in written]
        form = forms if len(forms) > 1 else forms[0]
        write_file(options.json, (json.dumps(form, indent=1, allow_nan=False) + "\n").encode())


def ask_from(options: argparse.Namespace) -> Ask:
    """The question the options put.

    Raises
    ------
    OptionError
        If an option's value makes no sense.
    """
    return Ask(
        view=options.view,
        scale=_scale(options),
        scale_plane=parse_scale_plane(options.scale_plane),
        scale_length=options.scale_length,
        first_fret=options.first_fret,
        nut=options.nut,
        treble=options.treble,
        crown_width=options.crown_width,
        crown_height=options.crown_height,
        end=options.end,
        lens=None if options.lens is None else lens_from(options.lens),
        string=options.string,
        held=parse_held(options.held or ""),
        string_inset=options.string_inset,
        precision=_precision(options),
    )


def _precision(options: argparse.Namespace) -> tuple[OwnPrecision, ...]:
    """What the shop's own repeat studies found, where its data folder is named."""
    if getattr(options, "data", None) is None:
        return ()
    from inspect_app.services import open_store
    from inspect_app.services.bench_checks import own_precision

    if not options.data.exists():  # a first result is about to be kept there
        return ()
    store = open_store(options.data, make=False)
    try:
        return own_precision(store, options.view)
    finally:
        store.close()


def _scale(options: argparse.Namespace) -> ScaleAsk:
    """The scale asked for, with the factor and uncertainty of a print of the shop."""
    scale = parse_scale(options.scale or ("strip" if options.view == "plan" else "backdrop"), options.scale_factor)
    data = getattr(options, "data", None)
    if options.print_number is None and (data is None or not data.exists()):
        return scale
    from inspect_app.services import known_prints, open_store, print_numbered  # photos outside the store need none

    store = open_store(options.data, make=False)
    try:
        prints = known_prints(store)
        if options.print_number is None:
            return replace(scale, prints=prints)
        found = print_numbered(store, options.print_number)
    finally:
        store.close()
    if options.scale and options.scale != found.kind:
        raise OptionError(f"Print {found.id} is a {found.kind}.", f"Leave --scale out, or give --scale {found.kind}.")
    if options.scale_factor != 1.0:
        raise OptionError("A print's factor is given twice.", "Give either --print or --scale-factor.")
    asked = parse_scale(found.kind, found.factor)
    return replace(asked, u_factor=found.u_factor, prints=prints, number=found.id)


def _overlay_paths(given: Path | None, photos: list[Path]) -> list[Path | None]:
    """Where each drawn photo goes: the file given or, with several photos, a file of its own in that folder."""
    if given is None or len(photos) == 1:
        return [given] * len(photos)
    return [given / f"{name}.jpg" for name in distinct(f"{photo.stem}-readings" for photo in photos)]


def _overlay_format(overlay: Path | None, several: bool) -> str:
    """The kind of picture to draw, empty for none."""
    return "" if overlay is None else ".jpg" if several else picture_ending(overlay)


def picture_ending(path: Path) -> str:
    """The ending of a picture's name, which says its kind.

    Raises
    ------
    OptionError
        If it is none.
    """
    ending = path.suffix.lower()
    if ending not in (".jpg", ".jpeg", ".png", ".webp"):
        raise OptionError(f"The overlay {path.name} has no picture's ending.", "End its name in .jpg, .png or .webp.")
    return ending
