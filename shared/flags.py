"""The one registry of flags: a code means the same thing on every page, in every file."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Flag", "FLAGS", "describe"]


@dataclass(frozen=True, slots=True)
class Flag:
    """A doubt about a reading: what it means, and what would settle it."""

    code: str
    text: str
    advice: str


_ALL = (
    Flag(
        "SPACING_OFF",
        "Fret spacing does not follow the scale length.",
        "Check where the scale lies, the scale length and the number of the first fret.",
    ),
    Flag("PLANE_ASSUMED", "The height of the scale above or below the frets was assumed.", "Say where the scale lies."),
    Flag(
        "FOCAL_ASSUMED",
        "The photo does not say its focal length; a wide range was assumed.",
        "Use the camera's original file, or add a lens profile.",
    ),
    Flag(
        "LENS_UNCONFIRMED",
        "Nothing in the photo says that it was taken with the lens of the profile.",
        "Use the camera's original file.",
    ),
    Flag(
        "PRINT_UNVERIFIED",
        "Nobody has measured this print's check bar; it may be off by 3 %.",
        "Measure the bar with a calliper and enter its length.",
    ),
    Flag(
        "CROWN_ASSUMED",
        "The crown's width or height was not given; an everyday size was assumed.",
        "Give the width and height of the unworn crown.",
    ),
    Flag(
        "RIM_UNCLEAR",
        "The coin's rim may be its shadow's border or its side wall: either is within U.",
        "Hold the camera square to the coin, and light it from all sides.",
    ),
    Flag("BLURRED", "The edges are soft.", "Take the photo again, focused on the frets."),
    Flag("GLARE", "Glare hides part of the metal.", "Move the lamp or turn the instrument."),
    Flag("LOW_CONTRAST", "The metal hardly stands out from what is behind it.", "Change the light."),
    Flag("COVERED", "Part of the fret is covered.", "Move whatever covers it and take the photo again."),
    Flag("OUT_OF_FRAME", "Part of the fret is outside the photo.", "Take a photo that shows the whole fret."),
    Flag("LOW_RESOLUTION", "There are too few pixels to the millimetre.", "Go closer or use a sharper photo."),
    Flag("STEEP_VIEW", "The camera looks down too steeply for a good depth.", "Lower the camera to 2 to 5 degrees."),
    Flag("INDIRECT", "Worked out from another dimension, not read directly.", "A photo that shows it confirms it."),
    Flag(
        "AT_LEAST",
        "The flat is as wide as the crown: the depth is at least what its narrowest would be.",
        "Measure the height left with a calliper.",
    ),
    Flag("BY_HAND", "A person placed an edge.", "No action needed."),
    Flag(
        "DISAGREES",
        "Two views of the same thing differ by more than their uncertainty.",
        "Look at both photos and reject the wrong reading.",
    ),
    Flag(
        "ONE_SIDED",
        "Only one boundary could be seen; the other was taken as its mirror image.",
        "A second photo with the lamp on the other side would settle it.",
    ),
)

FLAGS: dict[str, Flag] = {f.code: f for f in _ALL}


def describe(code: str) -> Flag:
    """The flag with this code.

    Raises
    ------
    KeyError
        If no such flag is registered.
    """
    return FLAGS[code]
