"""``inspect-app known-thing``: a photo of something known, read like a fret, against what is known of it."""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from datetime import UTC, datetime

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calib.parallel_edges import distance_across
from calib.photo import Photo, open_photo
from calib.scales.ask import numbers_from
from inspect_app import __version__
from inspect_app.commands.answering import runner_for
from inspect_app.commands.bench_checks import keep
from inspect_app.commands.files import read_file, write_file
from inspect_app.commands.measure import ask_from, picture_ending
from inspect_app.decide.known_thing import Comparison, compare
from inspect_app.measure import calibrate, measure
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection, Outline, PhotoSummary
from inspect_app.reading.key import parse_key
from inspect_app.reading.overlay import draw
from inspect_app.reading.values import readings_of
from shared.apart import outcome
from shared.errors import OptionError, ScaleError
from shared.measured import Measured
from shared.units import show

__all__ = ["Seen", "read_thing", "run"]

Line = tuple[float, float, float, float]

EXIT_AGREES = 0
EXIT_DIFFERS = 1


def run(options: argparse.Namespace) -> int:
    """Read the thing, say E_n and what it means; 0 where it agrees, 1 where it does not."""
    if (options.across is None) == (options.reading is None):
        raise OptionError(
            "Nothing says what on the photo is known.", "Give either --across X1,Y1,X2,Y2 or --reading NAME."
        )
    if not 0.0 < options.within < math.inf or not math.isfinite(options.expected):
        raise OptionError(
            "What is known of the thing is not understood.",
            "Give --expected VALUE and, above 0, --within LIMIT: how far off the thing may be at most.",
        )
    ask, data = ask_from(options), read_file(options.photo)
    across = _line(options.across) if options.across else None
    picture = picture_ending(options.overlay) if options.overlay else ""
    where = runner_for(None, None, 1)
    try:
        asked = (data, options.photo.name, ask, across or options.reading, options.above, picture)
        seen = outcome(where.submit(read_thing, *asked), options.photo.name)
    finally:
        where.close()
    if options.overlay:
        write_file(options.overlay, seen.picture)
    expected = Measured.of(options.expected, seen.read.unit, limits=options.within / math.sqrt(3.0))
    said = compare(seen.read, expected)
    print("\n".join(_lines(seen.photo, options.reading or "distance across", said)))
    if options.json:
        write_file(options.json, (json.dumps(_form(seen.photo, ask, options, said), indent=1) + "\n").encode())
    if options.keep:
        keep(options.data, ask.view, _form(seen.photo, ask, options, said))
        print("  kept; it stands on the measurement records from now on")
    return EXIT_AGREES if said.agrees else EXIT_DIFFERS


def _line(text: str) -> Line:
    try:
        x1, y1, x2, y2 = numbers_from(text, 4)
    except ValueError:
        raise OptionError(
            f"The line {text!r} is not understood.", "Give two points in photo pixels: X1,Y1,X2,Y2."
        ) from None
    return x1, y1, x2, y2


@dataclass(frozen=True, slots=True)
class Seen:
    """What a photo says of the thing, and it drawn on, where asked."""

    photo: PhotoSummary
    read: Measured
    picture: bytes


def read_thing(data: bytes, name: str, ask: Ask, what: Line | str, above: float, picture: str) -> Seen:
    """The distance across edges that a line crosses, or a reading by its name; `picture` is an ending or empty.

    Raises
    ------
    InspectError
        If the photo can't be decoded or does not show it.
    """
    photo = open_photo(data, name)
    read, drawn = _reading(photo, ask, what) if isinstance(what, str) else _across(photo, ask, what, above)
    encoded = cv2.imencode(picture, draw(photo.bgr, drawn))[1].tobytes() if picture else b""
    return Seen(PhotoSummary(photo.name, photo.sha256, photo.width, photo.height), read, encoded)


def _across(photo: Photo, ask: Ask, line: Line, above: float) -> tuple[Measured, Inspection]:
    x1, y1, x2, y2 = line
    scale, plane = calibrate(photo, ask)
    read, edges = distance_across(photo, plane, scale.u_rel, line, above)
    half = math.hypot(x2 - x1, y2 - y1) / 2.0
    lines = tuple(Outline("span", _points([e.point - half * e.direction, e.point + half * e.direction])) for e in edges)
    outline = Outline("scale", _points(scale.outline_px), closed=True)
    summary = PhotoSummary(photo.name, photo.sha256, photo.width, photo.height)
    return read, Inspection(ask.view, summary, __version__, ask.to_dict(), outlines=(outline, *lines))


def _points(px: ArrayLike) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in np.asarray(px))


def _reading(photo: Photo, ask: Ask, name: str) -> tuple[Measured, Inspection]:
    key = parse_key(name)
    answer = measure(photo, ask)
    found = {r.key: r.value for r in readings_of(answer)}
    if key not in found:
        why = next((n.reason for n in answer.not_measured if n.what in (key, key.of)), "")
        there = "; ".join(map(str, found)) or "nothing"
        raise ScaleError(f"The photo gives no {key}{f': {why}' if why else ''}.", f"It gives: {there}.")
    return found[key], answer


def _lines(photo: PhotoSummary, name: str, said: Comparison) -> list[str]:
    verdict = "agrees" if said.agrees else "does not agree"
    return [
        f"{photo.name}: {name}",
        f"  expected   {show(said.expected)}",
        f"  read       {show(said.read)}",
        f"  E_n        {said.number:+.2f}, {verdict}",
        *(f"  {sentence}" for sentence in said.advice),
    ]


def _form(photo: PhotoSummary, ask: Ask, options: argparse.Namespace, said: Comparison) -> dict[str, object]:
    return {
        "kind": "known thing",
        "date": datetime.now(UTC).date().isoformat(),
        "photo": {"name": photo.name, "sha256": photo.sha256},
        "options": ask.to_dict(),
        "what": options.reading or "distance across",
        "expected": said.expected.to_dict(),
        "read": said.read.to_dict(),
        "e_n": said.number,
        "agrees": said.agrees,
        "advice": list(said.advice),
    }
