"""A photo of something known, read: across marked edges, or by the name of a reading."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calib.marked_edges import angle_between, distance_across, distance_between
from calib.photo import Photo, open_photo
from inspect_app import __version__
from inspect_app.measure import calibrate, doubts_on_scale, measure
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection, Outline, PhotoSummary
from inspect_app.reading.key import parse_key
from inspect_app.reading.overlay import draw
from inspect_app.reading.values import readings_of
from shared.errors import OptionError, ScaleError
from shared.measured import Measured

__all__ = ["MarkedPoints", "Marking", "ThingReading", "read_thing"]

Marking = Literal["across", "step", "angle"]
NAMES: dict[Marking, str] = {"across": "distance across", "step": "height of a step", "angle": "angle of a corner"}
"""What each marking gives, as results and records call it."""


@dataclass(frozen=True, slots=True)
class MarkedPoints:
    """What a person marked on the photo.

    Attributes
    ----------
    kind : {"across", "step", "angle"}
        A line across two parallel edges; or two points on each of two edges, which are parallel or enclose an angle.
    points : tuple of float
        X and Y of each point, upright photo pixels: two points across, four else.
    above : float
        The edges' height over the scale's plane, mm.

    Raises
    ------
    OptionError
        If there are not as many numbers as that takes.
    """

    kind: Marking
    points: tuple[float, ...]
    above: float = 0.0

    def __post_init__(self) -> None:
        if len(self.points) != (4 if self.kind == "across" else 8) or self.kind not in get_args(Marking):
            raise OptionError(
                "The points on the thing are not understood.",
                "Give two points across it, or two on each of its two edges.",
            )

    @property
    def name(self) -> str:
        """What is read by it."""
        return NAMES[self.kind]


@dataclass(frozen=True, slots=True)
class ThingReading:
    """What a photo says of the thing.

    Attributes
    ----------
    photo : PhotoSummary
        Which photo it was.
    read : Measured
        What was read, mm or degrees.
    drawn : tuple of Outline
        The scale and the lines it was read by, upright photo pixels.
    picture : bytes
        The photo with them drawn on, encoded as asked; empty where none was.
    doubts : tuple of str
        Flags of the photo (`shared.flags`).
    """

    photo: PhotoSummary
    read: Measured
    drawn: tuple[Outline, ...]
    picture: bytes = b""
    doubts: tuple[str, ...] = ()


def read_thing(data: bytes, name: str, ask: Ask, what: MarkedPoints | str, picture: str = "") -> ThingReading:
    """What marked edges give, or a reading by its name.

    Parameters
    ----------
    data : bytes
        The photo's file.
    name : str
        Of that file, for messages and the record.
    what : Marked or str
        What was marked, or the key of a reading as text.
    picture : str
        Ending of the picture wanted (".png"); none is made where it is empty.

    Raises
    ------
    InspectError
        If the photo can't be decoded or does not show it.
    """
    photo = open_photo(data, name)
    read, answer = _reading(photo, ask, what) if isinstance(what, str) else _marked(photo, ask, what)
    encoded = cv2.imencode(picture, draw(photo.bgr, answer))[1].tobytes() if picture else b""
    lines = (*answer.outlines, *(line for fret in answer.frets for line in fret.outlines))
    return ThingReading(answer.photo, read, lines, encoded, answer.flags)


def _marked(photo: Photo, ask: Ask, what: MarkedPoints) -> tuple[Measured, Inspection]:
    scale, plane = calibrate(photo, ask)
    by = {
        "across": partial(distance_across, photo, plane, scale.u_rel),
        "step": partial(distance_between, photo, plane, scale.u_rel),
        "angle": partial(angle_between, photo, plane),
    }[what.kind]
    read, edges = by(what.points, what.above)
    half = float(np.ptp(np.reshape(what.points, (-1, 2)), axis=0).max()) / 2.0
    lines = tuple(Outline("span", _points([e.point - half * e.direction, e.point + half * e.direction])) for e in edges)
    outline = Outline("scale", _points(scale.outline_px), closed=True)
    summary = PhotoSummary(photo.name, photo.sha256, photo.width, photo.height)
    doubts = doubts_on_scale(photo, scale, ask)
    return read, Inspection(ask.view, summary, __version__, ask.to_dict(), outlines=(outline, *lines), flags=doubts)


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
