"""One photo's file read and measured as a single call, so that it can be done in a worker or on another machine."""

from __future__ import annotations

from dataclasses import dataclass

import cv2

from calib.photo import Photo, open_photo
from inspect_app.measure import calibrate, first_fret, measure, refused
from inspect_app.measure.proposal import PhotoProposal
from inspect_app.measure.summary import summaries
from inspect_app.measure.which_view import likely_view
from inspect_app.reading.ask import Ask, View
from inspect_app.reading.inspection import Inspection, PhotoSummary
from inspect_app.reading.overlay import draw
from shared.errors import InspectError, UnforeseenError
from shared.worker_processes import Limits

__all__ = ["LIMITS", "NEEDED", "PhotoAnswer", "answer_photo", "look_over", "see_first", "see_view"]

LIMITS = Limits(seconds=60.0, memory=4 << 30)
"""Of one photo. The largest that is decoded, 120 megapixels, takes 3 s and 1.0 GB of address space (measured, plan
view): a bench computer may be ten times slower, and other views may hold three times as much."""

NEEDED = (
    __name__,
    *(f"inspect_app.measure.{recipe}" for recipe in ("plan.recipe", "backdrop.elevation", "backdrop.end")),
)
"""What a worker loads before its first photo; the recipes of rarer views are loaded with their first."""


@dataclass(frozen=True, slots=True)
class PhotoAnswer:
    """What a photo said, a refusal too; the photo with the readings drawn on it; a report of what nobody foresaw."""

    answer: Inspection
    picture: bytes = b""
    report: str = ""


def look_over(data: bytes, name: str) -> tuple[str, int, int]:
    """SHA-256, width and height (px) of a photo that can be decoded.

    Raises
    ------
    PhotoError
        If it is not one that can be measured.
    """
    photo = open_photo(data, name)
    return photo.sha256, photo.width, photo.height


def see_first(data: bytes, name: str, ask: Ask) -> PhotoProposal:
    """What a photo says before it is measured, by the scale that `ask` names.

    Raises
    ------
    InspectError
        If it can't be decoded, or that scale is not in it.
    """
    photo = open_photo(data, name)
    calibrated = calibrate(photo, ask)
    camera = summaries(photo, *calibrated, ask)[2]
    if ask.view != "plan":
        return PhotoProposal(camera)
    try:
        return PhotoProposal(camera, first_fret(photo, ask, calibrated))
    except InspectError:  # measuring it says why; a proposal is not owed
        return PhotoProposal(camera)


def see_view(data: bytes, name: str) -> View | None:
    """The view a photo most likely is; ``None`` where it does not tell.

    Raises
    ------
    PhotoError
        If it can't be decoded.
    """
    return likely_view(open_photo(data, name))


def answer_photo(data: bytes, name: str, ask: Ask, picture: str = "") -> PhotoAnswer:
    """Measure a photo; with `picture`, the ending of a picture's name, draw the readings on it as well.

    Raises
    ------
    PhotoError
        If it can't be decoded.
    """
    photo = open_photo(data, name)
    try:
        answer, report = measure(photo, ask), ""
    except InspectError as error:
        answer = refused(PhotoSummary(name, photo.sha256, photo.width, photo.height), ask, error)
        report = error.report if isinstance(error, UnforeseenError) else ""
    return PhotoAnswer(answer, _drawn(photo, answer, picture) if picture else b"", report)


def _drawn(photo: Photo, answer: Inspection, ending: str) -> bytes:
    _, encoded = cv2.imencode(ending, draw(photo.bgr, answer))
    return encoded.tobytes()
