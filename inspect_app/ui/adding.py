"""What a person may mark that was not found on a photo, and the edges that marking it places.

A flat, a divot or a bevel that is marked edge by edge becomes a reading of its fret like those that were found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inspect_app.reading.ask import HandEdge
from inspect_app.reading.inspection import FretReading, Inspection, Outline
from shared.errors import OptionError

__all__ = ["Addition", "Marking", "additions"]

Vector = NDArray[np.float64]
Points = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Marking:
    """The edges that were marked, and the key of the reading that comes of them."""

    edges: tuple[HandEdge, ...]
    key: str


@dataclass(frozen=True, slots=True)
class Addition:
    """A feature to mark: its name, what to mark in turn, and how that becomes edges of a fret.

    `mark` takes the photo's answer and the marked points in upright photo pixels.
    """

    name: str
    prompts: tuple[str, ...]
    mark: Callable[[Inspection, Points], Marking]


def additions(answer: Inspection) -> tuple[Addition, ...]:
    """What may be marked on this photo."""
    if answer.view == "plan":
        return (FLAT, FRET_END)
    if not answer.frets:
        return ()
    fret = answer.frets[0]
    if answer.view == "elevation":
        missing = [end for end in ("treble", "bass") if getattr(fret, f"bevel_{end}") is None]
        return (DIVOT, *(_bevel(end) for end in missing)) if _drawn(fret, "arc") else ()
    if answer.view == "section":
        return () if fret.flat_width is not None else (FLAT_ACROSS,)
    end = str(answer.options.get("end"))
    return (_bevel(end),) if getattr(fret, f"bevel_{end}", None) is None and _drawn(fret, "arc") else ()


def _drawn(fret: FretReading, name: str, of: str = "") -> Outline | None:
    return next((o for o in fret.outlines if o.name == name and o.of.endswith(of)), None)


def _line(fret: FretReading, side: str) -> Vector | None:
    """A crown edge from the treble end to the bass end."""
    found = _drawn(fret, "crown_edge", f"crown {side} side")
    return None if found is None else np.asarray(found.points, dtype=float)


def _fret_at(answer: Inspection, points: Vector) -> tuple[FretReading, Vector, Vector]:
    """The fret on whose crown the points' middle lies, with its axis from treble to bass and the way to the body side.

    A fret reaches as far as its own length again beyond its ends: where an end was not found, it is there.
    """
    for fret in answer.frets:
        nut, body = _line(fret, "nut"), _line(fret, "body")
        if nut is None or body is None:
            continue
        start, stop = (nut[0] + body[0]) / 2.0, (nut[-1] + body[-1]) / 2.0
        across, middle = (body - nut).mean(axis=0), points.mean(axis=0)
        along = (stop - start) / np.linalg.norm(stop - start)
        width = abs(float(along[0] * across[1] - along[1] * across[0]))
        off = middle - start
        beside = abs(float(along[0] * off[1] - along[1] * off[0]))
        if beside <= width / 2.0 and abs(float(along @ (middle - (start + stop) / 2.0))) < np.linalg.norm(stop - start):
            return fret, np.array([start, stop]), across
    raise OptionError("These points lie on no fret's crown.", "Mark them on a fret whose edges are drawn.")


def _mark_flat(answer: Inspection, points: Points) -> Marking:
    at = np.asarray(points, dtype=float)
    fret, axis, across = _fret_at(answer, at)
    ends = sorted((0, 2), key=lambda i: float(at[i] @ (axis[1] - axis[0])))
    sides = sorted((1, 3), key=lambda i: float(at[i] @ across))
    of = f"fret {fret.number}, flats {len(fret.flats) + 1}"
    named = zip(("treble end", "bass end", "nut side", "body side"), (*ends, *sides), strict=True)
    return Marking(tuple(_edge(f"{of}, {part}", at[i]) for part, i in named), f"{of}, width")


def _mark_end(answer: Inspection, points: Points) -> Marking:
    at = np.asarray(points, dtype=float)
    fret, axis, _ = _fret_at(answer, at)
    end = "treble" if np.linalg.norm(at[0] - axis[0]) < np.linalg.norm(at[0] - axis[1]) else "bass"
    return Marking((_edge(f"fret {fret.number}, {end} end", at[0]),), f"fret {fret.number}, length")


def _mark_divot(answer: Inspection, points: Points) -> Marking:
    at, fret = np.asarray(points, dtype=float), answer.frets[0]
    arc = np.asarray(_arc(fret).points, dtype=float)
    first, last = sorted((0, 2), key=lambda i: float(at[i] @ (arc[-1] - arc[0])))
    of = f"fret {fret.number}, divots {len(fret.divots) + 1}"
    named = zip(("treble end", "floor", "bass end"), (first, 1, last), strict=True)
    return Marking(tuple(_edge(f"{of}, {part}", at[i]) for part, i in named), f"{of}, depth")


def _arc(fret: FretReading) -> Outline:
    found = _drawn(fret, "arc")
    assert found is not None  # `additions` offers nothing without
    return found


def _bevel(end: str) -> Addition:
    def mark(answer: Inspection, points: Points) -> Marking:
        of = f"fret {answer.frets[0].number}, bevel {end}"
        low, high = sorted(points, key=lambda p: -p[1])
        return Marking((_edge(f"{of}, foot", low), _edge(f"{of}, top", high)), of)

    prompts = ("Mark the foot of the bevel, at the board", "Mark its top, where the crown begins")
    return Addition(f"Bevel, {end} end", prompts, mark)


def _mark_flat_across(answer: Inspection, points: Points) -> Marking:
    of = f"fret {answer.frets[0].number}, flat width"
    left, right = sorted(points)
    return Marking((_edge(f"{of}, left", left), _edge(f"{of}, right", right)), of)


def _edge(name: str, at: Vector | tuple[float, float]) -> HandEdge:
    return HandEdge(name, ((float(at[0]), float(at[1])),))


FLAT = Addition(
    "Flat",
    (
        "Mark one end of the flat",
        "Mark one of its sides, where it is widest",
        "Mark its other end",
        "Mark its other side",
    ),
    _mark_flat,
)
FRET_END = Addition("Fret end", ("Mark the end of the fret, at the board",), _mark_end)
DIVOT = Addition(
    "Divot",
    ("Mark one end of the divot", "Mark its deepest place, on the outline", "Mark its other end"),
    _mark_divot,
)
FLAT_ACROSS = Addition("Flat", ("Mark the flat's left end", "Mark its right end"), _mark_flat_across)
