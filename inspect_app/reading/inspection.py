"""What a measured photo says: frets with their readings, what was not measured, and how it was obtained.

Every view returns an `Inspection`. Its `to_dict` is the answer written by ``inspect-app measure --json``
and kept with the job; `from_dict` reads it back without loss, so nothing is ever measured again to draw it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Annotated, Any

from calib.scales.ask import SCALE_KINDS
from inspect_app.reading.ask import View
from inspect_app.reading.json_form import LEAVE_OUT, Nested, from_plain, to_plain
from inspect_app.reading.key import NOTHING, Key, NotMeasured
from shared.measured import Measured

__all__ = [
    "ANSWER_FORMAT",
    "GROUPS",
    "SINGLES",
    "FLAGS_FORM",
    "CameraSummary",
    "Divot",
    "Flat",
    "FretReading",
    "Inspection",
    "Outline",
    "PhotoSummary",
    "ScaleSummary",
    "SharpnessSummary",
]

ANSWER_FORMAT = 1
"""Version of the answer's form; raised when a field changes its meaning."""
FLAGS_FORM = {"uniqueItems": True, "items": {"type": "string", "pattern": "^[A-Z][A-Z0-9_]*$"}}
_OPTIONS = {
    "description": "The question as it was put: with the photo and the version, all that is needed to obtain the "
    "answer again."
}
_CHECKS = {
    "description": "Figures of the cross-checks made, by name; a name ending in _u is the standard uncertainty of the "
    "one before it."
}
_VALUES = {"description": "Other readings by name: of the board, the neck, a string, or of a fret."}
Value = Annotated[Measured | None, LEAVE_OUT]
"""A quantity that is left out of the answer where it was not measured."""


@dataclass(frozen=True, slots=True)
class Outline:
    """A line to draw on the photo: which of the `Line` kinds it is, and its points ``(x, y)`` in upright photo pixels.

    `closed` joins the last point to the first. `of` names the reading it belongs to (``fret 5, flats 2``) or the edge
    a person may place (``fret 5, crown nut side``).
    """

    name: str
    points: tuple[tuple[float, float], ...]
    closed: bool = False
    of: Annotated[Key, {"description": "The feature or edge it shows, such as `fret 5, flats 2`."}] = NOTHING


@dataclass(frozen=True, slots=True)
class Flat:
    """A worn flat on a crown: place from the treble end, length where at least 0.3 mm wide, greatest width.

    `depth` is worked out from the width where the crown radius is known (flag ``INDIRECT``).
    """

    from_treble_end: Measured
    length: Measured
    width: Measured
    depth: Value = None


@dataclass(frozen=True, slots=True)
class Divot:
    """A hollow in the crown line: its deepest point from the treble end, length, depth below the unworn crown."""

    from_treble_end: Measured
    length: Measured
    depth: Measured


@dataclass(frozen=True, slots=True)
class FretReading:
    """What one photo says about one fret that decisions ask for by name; what it does not show is ``None`` or empty."""

    number: Annotated[int, {"minimum": 0, "description": "Counted from 1 at the nut; 0 for a loose piece of wire."}]
    position: Value = None
    length: Value = None
    crown_width: Value = None
    crown_height: Value = None
    crown_radius: Value = None
    flat_width: Value = None
    tang_width: Value = None
    tang_depth: Value = None
    crown_line_radius: Value = None
    blind_depth: Value = None
    bevel_treble: Annotated[Measured | None, LEAVE_OUT, Nested("bevel", "treble")] = None
    bevel_bass: Annotated[Measured | None, LEAVE_OUT, Nested("bevel", "bass")] = None
    bevel_straight: Value = None
    tip_radius: Value = None
    overhang: Value = None
    string_gap: Value = None
    flats: tuple[Flat, ...] = ()
    divots: tuple[Divot, ...] = ()
    outlines: tuple[Outline, ...] = ()


GROUPS = ("flats", "divots")
"""Readings of which a fret may have several."""
SINGLES = tuple(f.name for f in fields(FretReading) if f.name not in ("number", *GROUPS, "outlines"))
"""The fields of a fret that hold one value."""


@dataclass(frozen=True, slots=True)
class PhotoSummary:
    """Which file was measured: name as given, SHA-256 of its bytes, upright size in pixels."""

    name: str
    sha256: Annotated[
        str,
        {"pattern": "^([0-9a-f]{64})?$", "description": "Of the file's bytes; empty when the file could not be read."},
    ]
    width_px: Annotated[int, {"minimum": 0}]
    height_px: Annotated[int, {"minimum": 0}]


@dataclass(frozen=True, slots=True)
class ScaleSummary:
    """The scale that gave the millimetres: its kind, where it lies, and how well it fits its known form."""

    kind: Annotated[str, {"enum": [k for k in SCALE_KINDS if k != "auto"]}]
    plane: Annotated[str, {"description": "Where it lies: crown, board or below:MM."}]
    residual_px: Annotated[
        float, {"minimum": 0, "description": "RMS distance between its points and the fitted model."}
    ]
    points: Annotated[int, {"minimum": 1}]
    outline: Outline | None = None
    number: Annotated[int | None, LEAVE_OUT, {"description": "The print's own number, where the photo tells it."}] = (
        None
    )


@dataclass(frozen=True, slots=True)
class SharpnessSummary:
    """How sharp the photo is at its printed scale, by slanted edges, and the smallest wear that shows."""

    mtf50: Annotated[float, {"description": "Cycles per pixel at half the contrast (e-SFR, ISO 12233)."}]
    resolved_mm: Annotated[float, {"description": "Width of a bar that shows with half its contrast."}]
    blur_px: Annotated[float, {"description": "Standard deviation of the blur before the camera sharpened."}]
    smallest_flat_mm: float
    smallest_divot_mm: float


@dataclass(frozen=True, slots=True)
class CameraSummary:
    """The camera as worked out: focal length and where it came from, distortion, distance, pixels per millimetre."""

    focal_px: Annotated[float, {"exclusiveMinimum": 0}]
    focal_source: str
    k1: Annotated[float, {"description": "Radial term: x_d = x_u (1 + k1 r_u^2), in units of the focal length."}]
    distance_mm: float
    tilt_deg: Annotated[float, {"minimum": 0}]
    px_per_mm: Annotated[float, {"exclusiveMinimum": 0}]
    sharpness: Annotated[SharpnessSummary | None, LEAVE_OUT, {"description": "Where a printed scale tells it."}] = None


@dataclass(frozen=True, slots=True)
class Inspection:
    """One photo measured in one view, with everything needed to obtain it again.

    `values` holds what is read besides the fields of `FretReading`, of the board, the neck, a string or a fret, under
    its key; `outlines` draws it.
    """

    view: View
    photo: Annotated[PhotoSummary, {"description": "The file that was measured, its upright size."}]
    version: Annotated[str, {"description": "Version of the program that measured."}]
    options: Annotated[Mapping[str, Any], _OPTIONS]
    frets: tuple[FretReading, ...] = ()
    not_measured: Annotated[tuple[NotMeasured, ...], {"description": "What could not be read, and why."}] = ()
    flags: Annotated[tuple[str, ...], FLAGS_FORM, {"description": "Doubts that concern the whole photo."}] = ()
    scale: Annotated[ScaleSummary | None, LEAVE_OUT, {"description": "The scale that gave the millimetres."}] = None
    camera: Annotated[CameraSummary | None, LEAVE_OUT, {"description": "As worked out from the scale."}] = None
    checks: Annotated[Mapping[str, float], _CHECKS] = field(default_factory=dict)
    values: Annotated[Mapping[Key, Measured], LEAVE_OUT, _VALUES] = field(default_factory=dict)
    outlines: Annotated[tuple[Outline, ...], LEAVE_OUT] = ()

    def to_dict(self) -> dict[str, Any]:
        """The answer, JSON-ready; `inspect_app.reading.schema` describes it."""
        first = {"first_fret": min(f.number for f in self.frets)} if self.frets else {}
        return {"format": ANSWER_FORMAT, **to_plain(self), **first}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Inspection:
        """The inverse of `to_dict`.

        Raises
        ------
        ValueError
            If the answer was written by a newer version than this one reads.
        """
        if int(data["format"]) > ANSWER_FORMAT:
            raise ValueError(f"answer format {data['format']} is newer than this version reads ({ANSWER_FORMAT})")
        return from_plain(cls, data)
