"""Which readings share a source of uncertainty: the one registry of sources by how far each of them reaches.

A source reaches over one reading (its own edges), one photo (how the camera stood), everything read by one scale, one
wire's size as it was given, or one calliper. `inspect_app.decide.influences` writes down which photo, scale, wire or
calliper it was; whatever combines readings then knows what they share.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

__all__ = ["LAID_ANEW", "SOURCES", "Scope", "keeps_sign", "scope_of"]


class Scope(StrEnum):
    """How far one source of uncertainty reaches."""

    OWN = "own"
    PHOTO = "photo"
    SCALE = "scale"
    WIRE = "wire"
    CALLIPER = "calliper"


SOURCES: Mapping[str, Scope] = {
    # how the camera stood, and how the scale lay, for this photo; the lens goes with the pose it was fitted with
    "camera pose and lens": Scope.PHOTO,
    "pose and lens": Scope.PHOTO,
    "camera elevation": Scope.PHOTO,
    "backdrop square to the neck": Scope.PHOTO,
    "backdrop level": Scope.PHOTO,
    "height of the board below the scale": Scope.PHOTO,
    "scale not quite level with what it lies beside": Scope.PHOTO,
    "scale leaning against the board": Scope.PHOTO,
    "board radius": Scope.PHOTO,
    "board level": Scope.PHOTO,
    "board taper": Scope.PHOTO,
    "fret to backdrop": Scope.PHOTO,
    "backdrop behind the string": Scope.PHOTO,
    "fret ends before the backdrop": Scope.PHOTO,
    "backdrop turned against the string": Scope.PHOTO,
    "backdrop leaning": Scope.PHOTO,
    "backdrop's foot": Scope.PHOTO,
    "string's edge": Scope.PHOTO,
    "slope of the crowns' arc": Scope.PHOTO,
    "end not flush with the scale": Scope.PHOTO,
    "end not square": Scope.PHOTO,
    "pose of the scale": Scope.PHOTO,
    "sharpening": Scope.PHOTO,
    # what the shop's own study found, in place of `LAID_ANEW`
    "repeat study": Scope.PHOTO,
    # where an edge is said to lie depends on lamp, focus and finish, which all edges of a photo have in common
    "edge definition": Scope.PHOTO,
    "boundary definition": Scope.PHOTO,
    "burnt out tones": Scope.PHOTO,
    # the scale's own length
    "scale": Scope.SCALE,
    "scale and lens": Scope.SCALE,
    # the wire's size as it was given with the question
    "crown height": Scope.WIRE,
    "crown width": Scope.WIRE,
    "crown radius": Scope.WIRE,
    "as written down": Scope.WIRE,
    "stated height": Scope.WIRE,
    "loss in levelling new wire": Scope.WIRE,
    # the part of a calliper's error that all its readings have in common
    "calliper": Scope.CALLIPER,
}
"""Sources that readings share, by their reach. What is not listed is each reading's own."""

LAID_ANEW = frozenset(
    {
        "edge noise", "boundary noise", "camera pose and lens", "pose and lens", "pose of the scale",
        "camera elevation", "backdrop square to the neck", "backdrop level", "backdrop leaning",
        "backdrop turned against the string", "backdrop behind the string", "fret ends before the backdrop",
        "fret to backdrop",
        "height of the board below the scale", "board level", "scale not quite level with what it lies beside",
        "scale leaning against the board", "end not flush with the scale", "end not square", "repeat study",
    }
)  # fmt: skip
"""Sources that are drawn anew when everything is laid and photographed again, and so show in a repeat study. What is
not here is alike in every repetition: where an edge is said to be, the light, the instrument, the scale's length."""

_SIGNED = (Scope.OWN, Scope.SCALE, Scope.CALLIPER)


def scope_of(source: str) -> Scope:
    """How far a source reaches."""
    return SOURCES.get(source, Scope.OWN)


def keeps_sign(source: str) -> bool:
    """Whether a source moves all readings the way their contributions say.

    A scale that is too long makes every length too long, and a calliper that reads high reads every height high. A
    camera's pose has several parameters, and a reading states only how much they move it together: such a source is
    never taken to cancel.
    """
    return scope_of(source) in _SIGNED or source in ("as written down", "stated height", "loss in levelling new wire")
