"""Looking for the kind of scale that was asked for; each kind has a file of its own."""

from __future__ import annotations

import dataclasses

from calib.photo import Photo
from calib.scales.ask import UNVERIFIED_U_REL, ScaleAsk, parse_scale
from calib.scales.base import Scale
from calib.scales.coin import find_coin
from calib.scales.id1 import find_id1
from calib.scales.printed import PRINTED, SHEETS, find_printed, rough_markers
from calib.scales.rule import find_rule
from calib.scales.span import span_scale
from shared.errors import OptionError, ScaleError

__all__ = ["Scale", "ScaleAsk", "find_scale", "parse_scale", "is_mirrored"]

FACTORS = (0.1, 10.0)
"""True length over nominal length that are believed: a print of another size is far within, a slip of units beyond."""

_CALLED = {"strip": "the printed strip", "backdrop": "the printed backdrop", "rule": "a rule", "id1": "a bank card"}
"""Scales that tell themselves what they are, as a person calls them."""


def find_scale(photo: Photo, ask: ScaleAsk) -> Scale:
    """Find the scale `ask` names in `photo`.

    Raises
    ------
    ScaleError
        If it is not there, or not whole enough to give millimetres.
    OptionError
        If what was asked lacks the coin's diameter or the span's points, or its factor can't be.
    """
    try:
        return _asked(photo, ask)
    except ScaleError as e:
        other = _other_shown(photo, ask.kind)
        if other is None:
            raise
        raise ScaleError(f"{e.wrong} The photo shows {_CALLED[other]}: choose that as the scale.", e.advice) from e


def _other_shown(photo: Photo, asked: str) -> str | None:
    """The kind of scale that the photo shows instead of the one asked for; a circle may be anything.

    Where there are markers only a print is it: a print's ticks are no rule, and its sheet is no card.
    """
    printed = [kind for kind in PRINTED if _shows_scale(photo, kind)]
    if printed and asked in (*printed, "auto"):
        return None
    for kind in (k for k in _CALLED if k != asked and (k in printed or not (printed or k in PRINTED))):
        try:
            _asked(photo, ScaleAsk(kind))
        except ScaleError:
            continue
        return kind
    return None


def _asked(photo: Photo, ask: ScaleAsk) -> Scale:
    """The scale asked for, with the errors of `find_scale`."""
    if not FACTORS[0] <= ask.factor <= FACTORS[1]:  # nor nan
        raise OptionError(
            f"A scale factor of {ask.factor:g} is not possible.",
            "Give the true length over the nominal length of the scale, 1 for one that is true.",
        )
    if ask.kind in PRINTED:
        return _by_its_number(_printed(photo, ask.kind, ask.factor, ask.u_factor), ask)
    if ask.kind == "rule":
        return find_rule(photo, ask.rule_unit, ask.factor)
    if ask.kind == "coin":
        if ask.diameter_mm is None:
            raise OptionError("The coin's diameter is not given.", "Use coin:DIAMETER, in millimetres.")
        return find_coin(photo, ask.diameter_mm, ask.factor, ask.at_px)
    if ask.kind == "id1":
        return find_id1(photo, ask.factor)
    if ask.kind == "span":
        if ask.span_px is None or ask.span_mm is None:
            raise OptionError("The span's points or its length are not given.", "Use span:X1,Y1,X2,Y2,MM.")
        return span_scale(photo, ask.span_px, ask.span_mm, ask.factor)
    return _by_its_number(_auto(photo, ask.factor), ask)


def _by_its_number(found: Scale, ask: ScaleAsk) -> Scale:
    """The scale as long as the print that its number tells: nobody has measured one that is not among those known."""
    if found.number is None:
        return found
    if ask.number not in (None, found.number):
        raise ScaleError(
            f"The photo shows print {found.number}, not print {ask.number}.",
            "Take the photo with that print, or measure it with the one it shows.",
        )
    known = next((p for p in ask.prints if (p.number, p.kind) == (found.number, found.kind)), None)
    if known is not None:
        stretch = known.factor / ask.factor
        return dataclasses.replace(found, plane_mm=found.plane_mm * stretch, u_rel=known.u_factor)
    if not ask.prints and (ask.factor != 1.0 or ask.u_factor is not None):  # someone has told its size
        return found
    return dataclasses.replace(found, plane_mm=found.plane_mm / ask.factor, u_rel=UNVERIFIED_U_REL)


def _auto(photo: Photo, factor: float) -> Scale:
    """The printed scales tell themselves; whether a circle is a coin, and which, only the person knows."""
    failed: dict[str, ScaleError] = {}
    for kind in PRINTED:
        try:
            return find_printed(photo, kind, factor)
        except ScaleError as e:
            failed[kind] = e
    if is_mirrored(photo):
        raise _mirrored()
    for kind, why in failed.items():
        if _shows_scale(photo, kind):
            raise why  # it is there, but not as it should be: say how
    raise ScaleError(
        "No printed scale was found in the photo.",
        "Lay the printed strip in it, or say which other scale it shows: a rule, a coin of known diameter, a bank card "
        "or a known length marked on the photo.",
    )


def _printed(photo: Photo, kind: str, factor: float, u_factor: float | None) -> Scale:
    try:
        found = find_printed(photo, kind, factor)
        return found if u_factor is None else dataclasses.replace(found, u_rel=u_factor)
    except ScaleError:
        if is_mirrored(photo):
            raise _mirrored() from None
        if kind == "backdrop" and _shows_scale(photo, "tongue"):  # its variant: told apart by its markers
            return _printed(photo, "tongue", factor, u_factor)
        raise


def _shows_scale(photo: Photo, kind: str) -> bool:
    known = {m.id for m in SHEETS[kind].markers}
    return not known.isdisjoint(rough_markers(photo)[0])


def is_mirrored(photo: Photo) -> bool:
    """Whether the photo shows more markers with left and right exchanged: a few read the same either way."""
    return len(rough_markers(photo, mirrored=True)[0]) > len(rough_markers(photo)[0])


def _mirrored() -> ScaleError:
    return ScaleError(
        "The photo is mirrored, left for right.",
        "Switch off mirroring in the camera, or use the original file.",
    )
