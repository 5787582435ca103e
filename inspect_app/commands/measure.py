"""``inspect-app measure``: photos in, answers out as a table, as JSON, and drawn on the photo."""

from __future__ import annotations

import argparse
import hashlib
import json
from dataclasses import replace
from pathlib import Path

from calib.photo import Photo, open_photo
from inspect_app.commands.files import read_file, refuse_over, report_folder, write_file
from inspect_app.commands.lens import lens_from
from inspect_app.commands.table import answer_table
from inspect_app.decide.together import flats_together
from inspect_app.measure import measure, refused
from inspect_app.reading.ask import Ask, ScaleAsk, parse_held, parse_scale, parse_scale_plane
from inspect_app.reading.inspection import Inspection, PhotoSummary
from shared.errors import InspectError, OptionError, UnforeseenError
from shared.reports import keep_report

__all__ = ["run", "ask_from", "draw_answer"]

EXIT_MEASURED = 0
EXIT_REFUSED = 2


def run(options: argparse.Namespace) -> int:
    """Measure every photo named; 0 if all gave readings, 2 if any was refused."""
    ask = ask_from(options)
    several = len(options.photos) > 1
    answers = []
    for path in options.photos:
        refuse_over(options.json, options.photos)
        refuse_over(_overlay_path(options.overlay, path, several), options.photos)
    for path in options.photos:
        answers.append(_measure_file(path, ask, _overlay_path(options.overlay, path, several)))
        print(answer_table(answers[-1], options.units), flush=True)
    written = answers
    if options.together:
        written = [flats_together(answers)]
        print(answer_table(written[0], options.units), flush=True)
    if options.json:
        forms = [a.to_dict() for a in written]
        form = forms if len(forms) > 1 else forms[0]
        write_file(options.json, (json.dumps(form, indent=1, allow_nan=False) + "\n").encode())
    return EXIT_MEASURED if all(a.frets or a.values for a in answers) else EXIT_REFUSED


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
    )


def _scale(options: argparse.Namespace) -> ScaleAsk:
    """The scale asked for, with the factor and uncertainty of a print of the shop."""
    scale = options.scale or ("strip" if options.view == "plan" else "backdrop")
    if options.print_number is None:
        return parse_scale(scale, options.scale_factor)
    from inspect_app.services import open_store, print_numbered  # the store is not needed for photos outside it

    store = open_store(options.data, make=False)
    try:
        found = print_numbered(store, options.print_number)
    finally:
        store.close()
    if options.scale and options.scale != found.kind:
        raise OptionError(f"Print {found.id} is a {found.kind}.", f"Leave --scale out, or give --scale {found.kind}.")
    if options.scale_factor != 1.0:
        raise OptionError("A print's factor is given twice.", "Give either --print or --scale-factor.")
    return replace(parse_scale(found.kind, found.factor), u_factor=found.u_factor)


def _measure_file(path: Path, ask: Ask, overlay: Path | None) -> Inspection:
    data = b""
    try:
        data = read_file(path)
        photo = open_photo(data, path.name)
    except InspectError as error:
        digest = hashlib.sha256(data).hexdigest() if data else ""
        return refused(PhotoSummary(path.name, digest, 0, 0), ask, error)
    answer = _measure_photo(photo, ask)
    if overlay:
        draw_answer(photo, answer, overlay)
    return answer


def _measure_photo(photo: Photo, ask: Ask) -> Inspection:
    try:
        return measure(photo, ask)
    except InspectError as error:
        if isinstance(error, UnforeseenError) and (kept := keep_report(report_folder(), error.report)):
            print(f"{photo.name}: how that came about is written in {kept}")
        return refused(PhotoSummary(photo.name, photo.sha256, photo.width, photo.height), ask, error)


def _overlay_path(given: Path | None, photo: Path, several: bool) -> Path | None:
    """Where the drawn photo goes: the file given or, with several photos, a file of its own in that folder."""
    if given is None or not several:
        return given
    return given / f"{photo.stem}-readings.jpg"


def draw_answer(photo: Photo, answer: Inspection, path: Path) -> None:
    """Write the photo with the answer's lines on it; the file's ending says which kind of picture."""
    import cv2

    from inspect_app.reading.overlay import draw

    kind = path.suffix.lower() if path.suffix.lower() in (".jpg", ".jpeg", ".png", ".webp") else None
    if kind is None:
        raise OptionError(f"The overlay {path.name} has no picture's ending.", "End its name in .jpg, .png or .webp.")
    _, encoded = cv2.imencode(kind, draw(photo.bgr, answer))
    write_file(path, encoded.tobytes())
