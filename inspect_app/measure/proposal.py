"""What a photo most likely shows, to be proposed to a person before it is measured."""

from __future__ import annotations

from dataclasses import dataclass

from inspect_app.reading.inspection import CameraSummary

__all__ = ["FirstFret", "PhotoProposal"]

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class FirstFret:
    """Numbers that the first whole fret can have by the spacing, and where each fret lies, in upright photo pixels.

    `numbers` is empty where the spacing does not tell. `steps` are the frets' numbers counted from the first one as 0:
    a fret that was pulled, or not found, is left out. `lines` go from the treble end to the bass end.
    """

    numbers: tuple[int, ...]
    steps: tuple[int, ...]
    lines: tuple[tuple[Point, Point], ...]


@dataclass(frozen=True, slots=True)
class PhotoProposal:
    """How near and how square a photo was taken, and which frets it shows from above, where that can be told."""

    camera: CameraSummary
    frets: FirstFret | None = None
