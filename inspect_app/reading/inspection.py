"""What a measured photo says: frets with their readings, what was not measured, and how it was obtained.

Every view returns an `Inspection`. Its `to_dict` is the answer written by ``inspect-app measure --json``
and kept with the job; `from_dict` reads it back without loss, so nothing is ever measured again to draw it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from shared.measured import Measured, NotMeasured

__all__ = ["Outline", "Flat", "Divot", "FretReading", "ScaleSummary", "CameraSummary", "PhotoSummary", "Inspection"]

ANSWER_FORMAT = 1
"""Version of the answer's form; raised when a field changes its meaning."""


@dataclass(frozen=True, slots=True)
class Outline:
    """A line to draw on the photo: what it shows, and its points ``(x, y)`` in upright photo pixels.

    `name` is one of ``crown_edge``, ``fret_end``, ``flat``, ``divot``, ``crown_line``, ``arc``, ``bevel``,
    ``tip``, ``board_edge``, ``section``, ``scale``. `closed` joins the last point to the first. `of` names the reading
    it belongs to (``"fret 5, flats 2"``) or the edge a person may place (``"fret 5, crown nut side"``).
    """

    name: str
    points: tuple[tuple[float, float], ...]
    closed: bool = False
    of: str = ""


@dataclass(frozen=True, slots=True)
class Flat:
    """A worn flat on a crown: place from the treble end, length where at least 0.3 mm wide, greatest width.

    `depth` is worked out from the width where the crown radius is known (flag ``INDIRECT``).
    """

    from_treble_end: Measured
    length: Measured
    width: Measured
    depth: Measured | None = None


@dataclass(frozen=True, slots=True)
class Divot:
    """A hollow in the crown line: its deepest point from the treble end, length, depth below the unworn crown."""

    from_treble_end: Measured
    length: Measured
    depth: Measured


@dataclass(frozen=True, slots=True)
class FretReading:
    """All one photo says about one fret. What a view does not measure stays ``None`` or empty."""

    number: int
    position: Measured | None = None
    length: Measured | None = None
    crown_width: Measured | None = None
    crown_height: Measured | None = None
    crown_radius: Measured | None = None
    flat_width: Measured | None = None
    tang_width: Measured | None = None
    tang_depth: Measured | None = None
    crown_line_radius: Measured | None = None
    blind_depth: Measured | None = None
    bevel_treble: Measured | None = None
    bevel_bass: Measured | None = None
    bevel_straight: Measured | None = None
    tip_radius: Measured | None = None
    overhang: Measured | None = None
    flats: tuple[Flat, ...] = ()
    divots: tuple[Divot, ...] = ()
    outlines: tuple[Outline, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The form of the answer: bevels under ``bevel``, everything unknown left out."""
        out: dict[str, Any] = {"number": self.number}
        for name in _SINGLE:
            q = getattr(self, name)
            if q is not None:
                out[name] = q.to_dict()
        bevel = {end: q.to_dict() for end in ("treble", "bass") if (q := getattr(self, f"bevel_{end}")) is not None}
        if bevel:
            out["bevel"] = bevel
        out["flats"] = [_parts_to_dict(f) for f in self.flats]
        out["divots"] = [_parts_to_dict(d) for d in self.divots]
        out["outlines"] = [
            {"name": o.name, "points": [list(p) for p in o.points], "closed": o.closed, "of": o.of}
            for o in self.outlines
        ]
        return out

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> FretReading:
        """The inverse of `to_dict`."""
        single = {n: Measured.from_dict(data[n]) for n in _SINGLE if n in data}
        bevel = {f"bevel_{end}": Measured.from_dict(q) for end, q in data.get("bevel", {}).items()}
        return cls(
            number=int(data["number"]),
            flats=tuple(Flat(**_parts_from_dict(f)) for f in data.get("flats", ())),
            divots=tuple(Divot(**_parts_from_dict(d)) for d in data.get("divots", ())),
            outlines=tuple(
                Outline(
                    o["name"], tuple((float(x), float(y)) for x, y in o["points"]), bool(o["closed"]), o.get("of", "")
                )
                for o in data.get("outlines", ())
            ),
            **single,
            **bevel,
        )


_SINGLE = tuple(
    f.name
    for f in fields(FretReading)
    if f.name not in ("number", "flats", "divots", "outlines", "bevel_treble", "bevel_bass")
)


def _parts_to_dict(item: Flat | Divot) -> dict[str, Any]:
    return {f.name: q.to_dict() for f in fields(item) if (q := getattr(item, f.name)) is not None}


def _parts_from_dict(data: Mapping[str, Any]) -> dict[str, Measured]:
    return {name: Measured.from_dict(q) for name, q in data.items()}


@dataclass(frozen=True, slots=True)
class PhotoSummary:
    """Which file was measured: name as given, SHA-256 of its bytes, upright size in pixels."""

    name: str
    sha256: str
    width_px: int
    height_px: int


@dataclass(frozen=True, slots=True)
class ScaleSummary:
    """The scale that gave the millimetres: its kind, where it lies, and how well it fits its known form."""

    kind: str
    plane: str
    residual_px: float
    points: int
    outline: Outline | None = None


@dataclass(frozen=True, slots=True)
class CameraSummary:
    """The camera as worked out: focal length and where it came from, distortion, distance, pixels per millimetre."""

    focal_px: float
    focal_source: str
    k1: float
    distance_mm: float
    tilt_deg: float
    px_per_mm: float


@dataclass(frozen=True, slots=True)
class Inspection:
    """One photo measured in one view, with everything needed to obtain it again."""

    view: str
    photo: PhotoSummary
    version: str
    options: Mapping[str, Any]
    frets: tuple[FretReading, ...] = ()
    not_measured: tuple[NotMeasured, ...] = ()
    flags: tuple[str, ...] = ()
    scale: ScaleSummary | None = None
    camera: CameraSummary | None = None
    checks: Mapping[str, float] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The answer, JSON-ready; its schema is ``inspect_app/answer.schema.json``."""
        out: dict[str, Any] = {
            "format": ANSWER_FORMAT,
            "view": self.view,
            "version": self.version,
            "photo": _plain(self.photo),
            "options": dict(self.options),
            "flags": list(self.flags),
            "checks": dict(self.checks),
            "not_measured": [n.to_dict() for n in self.not_measured],
            "frets": [f.to_dict() for f in self.frets],
        }
        if self.scale is not None:
            out["scale"] = _plain(self.scale)
        if self.camera is not None:
            out["camera"] = _plain(self.camera)
        if self.frets:
            out["first_fret"] = min(f.number for f in self.frets)
        return out

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
        scale = dict(data["scale"]) if "scale" in data else None
        if scale is not None and scale.get("outline"):
            o = scale["outline"]
            scale["outline"] = Outline(o["name"], tuple(tuple(p) for p in o["points"]), o["closed"], o.get("of", ""))
        return cls(
            view=data["view"],
            photo=PhotoSummary(**data["photo"]),
            version=data["version"],
            options=dict(data["options"]),
            frets=tuple(FretReading.from_dict(f) for f in data["frets"]),
            not_measured=tuple(NotMeasured(n["what"], n["reason"]) for n in data["not_measured"]),
            flags=tuple(data["flags"]),
            scale=ScaleSummary(**scale) if scale else None,
            camera=CameraSummary(**data["camera"]) if "camera" in data else None,
            checks=dict(data.get("checks", {})),
        )


def _plain(item: Any) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for f in fields(item):
        v = getattr(item, f.name)
        if isinstance(v, Outline):
            v = {"name": v.name, "points": [list(p) for p in v.points], "closed": v.closed, "of": v.of}
        out[f.name] = v
    return out
