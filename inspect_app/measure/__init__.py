"""One recipe a view: photo + scale + what is known of the instrument -> `Inspection`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from importlib import import_module
from typing import cast

from calib.lens_profile import check_distance, holds_for, unconfirmed, with_lens_profile
from calib.photo import ASSUMED, Focal, Photo
from calib.plane import Plane
from calib.pose_fit import fit_plane
from calib.scales.ask import UNVERIFIED_U_REL
from calib.scales.base import Scale
from calib.scales.find import find_scale
from calib.scales.printed import PRINTED
from inspect_app import __version__
from inspect_app.measure.checks import checked
from inspect_app.measure.proposal import FirstFret
from inspect_app.measure.unforeseen import finite, with_sentence
from inspect_app.reading.ask import Ask, View
from inspect_app.reading.inspection import Inspection, PhotoSummary
from inspect_app.reading.key import Key, NotMeasured
from inspect_app.reading.own_precision import with_own_precision
from shared.errors import InspectError, OptionError

__all__ = ["Look", "calibrate", "first_fret", "look", "measure", "refused"]

_RECIPES: Mapping[View, str] = {
    "plan": "plan.recipe",
    "elevation": "backdrop.elevation",
    "end": "backdrop.end",
    "section": "section.recipe",
    "side": "backdrop.side",
}
"""Where each view's recipe stands; imported when the first photo of that view is measured."""
MEASURED_VIEWS = tuple(_RECIPES)
"""Views that have a recipe."""
_USUAL_FOCAL: Mapping[View, tuple[float, float]] = {
    "plan": (2.2, 0.5),
    "elevation": (3.3, 0.5),
    "end": (8.0, 0.9),
    "section": (8.0, 0.9),
    "side": (2.3, 0.5),
}
"""Focal length over the photo's longer side, and standard deviation of its logarithm, where EXIF says nothing.

It is distance over what fills the picture, and the view says both: in plan 10 to 30 cm of board from 25 to 45 cm; along
the neck the board's 4 to 6 cm with as much again, from 15 to 50 cm; across it the backdrop's 9 cm, from as far; close
up on an end or a section 1 to 5 cm, from 5 cm by a phone's close-up lens to 50 cm by a long one, cropped or not. Two
standard deviations either way cover these.
"""
_BACKDROP_VIEWS = ("elevation", "end", "side")
"""Views in which the backdrop stands on the board or its frets; a wire's section may have it any way round."""
_UP_MM = 10.0
"""A length of the backdrop by which its direction in the photo is told."""
Look = Callable[[Ask], Inspection]
"""What a photo says to a question that differs from the one it was looked at for in edges placed by hand only."""


def measure(photo: Photo, ask: Ask, calibrated: tuple[Scale, Plane] | None = None) -> Inspection:
    """Measure one photo as asked; `calibrated` spares finding the same scale again.

    Raises
    ------
    InspectError
        If nothing can be measured: no scale, no frets, an impossible option.
    """
    return look(photo, ask, calibrated)(ask)


@with_sentence
def look(photo: Photo, ask: Ask, calibrated: tuple[Scale, Plane] | None = None) -> Look:
    """Look at one photo once, and read it as often as an edge on it is placed by hand.

    A recipe is two functions: ``detect(photo, scale, plane, ask)``, which takes no account of edges placed by hand, and
    ``measure_detected(detected, ask)``, which does.

    Raises
    ------
    InspectError
        If nothing can be measured: no scale, no frets, an impossible option.
    """
    if ask.view not in MEASURED_VIEWS:
        raise OptionError(
            f"Photos of the {ask.view} view are not measured by themselves yet.",
            "Mark distances and circles on it by hand.",
        )
    scale, plane = calibrated or calibrate(photo, ask)
    if ask.view in _BACKDROP_VIEWS:
        _check_upright(plane)
    recipe = import_module(f"{__name__}.{_RECIPES[ask.view]}")
    detected = recipe.detect(photo, scale, plane, ask)
    doubt = doubts_on_scale(photo, scale, ask)

    @with_sentence
    def read(_: Photo, asked: Ask) -> Inspection:
        answer = checked(recipe.measure_detected(detected, asked))
        return finite(_doubted(with_own_precision(answer, asked.precision), doubt))

    return partial(read, photo)


def doubts_on_scale(photo: Photo, scale: Scale, ask: Ask) -> tuple[str, ...]:
    """Flags of a photo whose lens nobody confirmed, or whose print nobody measured."""
    doubt = ("LENS_UNCONFIRMED",) if ask.lens and unconfirmed(ask.lens, photo.camera) else ()
    return (*doubt, "PRINT_UNVERIFIED") if scale.kind in PRINTED and scale.u_rel >= UNVERIFIED_U_REL else doubt


def _check_upright(plane: Plane) -> None:
    """Refuse a photo that lies on its side or stands on its head by its backdrop."""
    foot, above = plane.to_px([[0.0, 0.0, 0.0], [0.0, _UP_MM, 0.0]])
    if foot[1] - above[1] <= abs(above[0] - foot[0]):
        raise InspectError(
            "By its backdrop the photo lies on its side or stands on its head.",
            "Turn the photo, so that the backdrop's foot is at the bottom.",
        )


def _doubted(answer: Inspection, flags: tuple[str, ...]) -> Inspection:
    return replace(answer, flags=(*answer.flags, *flags)) if flags else answer


@with_sentence
def calibrate(photo: Photo, ask: Ask) -> tuple[Scale, Plane]:
    """Find the scale and fit its plane.

    Raises
    ------
    InspectError
        If there is no usable scale, or the lens profile does not hold for the photo.
    """
    if ask.lens:
        photo = with_lens_profile(photo, ask.lens)
    scale = find_scale(photo, ask.scale)
    plane = fit_plane(scale, (photo.width, photo.height), _focal(photo, ask.view))
    if ask.lens:
        check_distance(ask.lens, plane.distance_mm)
    elif (known := next((p for p in ask.lenses if holds_for(p, photo, plane.distance_mm)), None)) is not None:
        plane = fit_plane(scale, (photo.width, photo.height), with_lens_profile(photo, known).focal)
    return scale, plane


@with_sentence
def first_fret(photo: Photo, ask: Ask, calibrated: tuple[Scale, Plane]) -> FirstFret:
    """Which frets a photo from above most likely shows, to be proposed before it is measured.

    Raises
    ------
    InspectError
        If no whole fret is seen.
    """
    found = import_module(f"{__name__}.plan.first_fret").first_fret(photo, *calibrated, ask)
    return cast(FirstFret, found)


def _focal(photo: Photo, view: View) -> Focal:
    """The photo's focal length, or where it says nothing what is usual for the view."""
    if photo.focal.source != ASSUMED:
        return photo.focal
    over_side, u_rel = _USUAL_FOCAL[view]
    return Focal(over_side * max(photo.width, photo.height), u_rel, ASSUMED)


def refused(photo: PhotoSummary, ask: Ask, error: InspectError) -> Inspection:
    """The answer for a photo that could not be measured: no frets, and the reason."""
    return Inspection(
        ask.view, photo, __version__, ask.to_dict(), not_measured=(NotMeasured(Key(feature="photo"), str(error)),)
    )
