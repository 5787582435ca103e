"""What a person may mark that was not found on a photo, and the edges that marking it places.

A flat, a divot or a bevel that is marked edge by edge becomes a reading of its fret like those that were found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from inspect_app.reading.ask import HandEdge
from inspect_app.reading.inspection import FretReading, Inspection, Outline
from inspect_app.reading.key import Key, on_fret
from inspect_app.reading.quantities import Quantity, every_quantity
from inspect_app.reading.values import readings_of
from shared.errors import OptionError

__all__ = ["Addition", "Marking", "additions"]

Vector = NDArray[np.float64]
Points = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Marking:
    """The edges that were marked, and the key of the reading that comes of them."""

    edges: tuple[HandEdge, ...]
    key: Key


@dataclass(frozen=True, slots=True)
class Addition:
    """A feature to mark: its name, what to mark in turn, and how that becomes edges of a fret.

    `mark` takes the photo's answer and the marked points in upright photo pixels.
    """

    name: str
    prompts: tuple[str, ...]
    mark: Callable[[Inspection, Points], Marking]


_PAIRS = {
    "along": ("treble end", "bass end"),
    "across": ("nut side", "body side"),
    "up": ("foot", "top"),
    "right": ("left", "right"),
}
"""Edges across from each other, in the order they come in that way."""


def additions(answer: Inspection) -> tuple[Addition, ...]:
    """What may be marked on this photo: what there may be several of first."""
    offered = sorted((q for q in every_quantity() if _offered(q, answer)), key=lambda q: not q.one)
    return tuple(Addition(q.adding.name, q.adding.prompts, partial(_mark, q)) for q in offered if q.adding)


def _offered(q: Quantity, answer: Inspection) -> bool:
    """Whether the view shows it, and it is not there yet: of one fret, or of one end of it."""
    if q.adding is None or answer.view not in q.adding.views:
        return False
    if answer.view == "plan":
        return True
    other_end = answer.view == "end" and q.feature != f"bevel {answer.options.get('end')}"
    if not answer.frets or other_end or (q.adding.on and not _drawn(answer.frets[0], q.adding.on)):
        return False
    return bool(q.one) or on_fret(answer.frets[0].number, q.feature) not in {r.key for r in readings_of(answer)}


def _drawn(fret: FretReading, name: str, feature: str = "") -> Outline | None:
    return next((o for o in fret.outlines if o.name == name and feature in ("", o.of.feature)), None)


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


def _mark(q: Quantity, answer: Inspection, points: Points) -> Marking:
    """The marked points as edges of the quantity's feature on the fret they lie on, its next one if it has several."""
    assert q.adding is not None  # `additions` offers nothing else
    at = np.asarray(points, dtype=float)
    fret, ways = _edges_apart(answer, at)
    if q.adding.points == ("along",):  # one end, of the fret itself
        place = on_fret(fret.number, _PAIRS["along"][int(ways["along"] @ (at[0] - ways["middle"]) > 0.0)])
        return Marking((_edge(place, at[0]),), on_fret(fret.number, q.feature))
    several = {r.key.index for r in readings_of(answer) if r.of == on_fret(fret.number, q.feature, r.key.index)}
    of = on_fret(fret.number, q.feature, len(several) + 1 if q.one else None)
    named: dict[str, int] = {}
    for way in dict.fromkeys(q.adding.points):
        mine = [i for i, p in enumerate(q.adding.points) if p == way]
        ordered = sorted(mine, key=lambda i: float(at[i] @ ways[way])) if way in _PAIRS else mine
        named |= dict(zip(_PAIRS.get(way, (way,)), ordered, strict=True))
    return Marking(
        tuple(_edge(of.part(e.name), at[named[e.name]]) for e in q.edges), of.part(q.quantity) if q.quantity else of
    )


def _edges_apart(answer: Inspection, points: Vector) -> tuple[FretReading, dict[str, Vector]]:
    """The fret that points were marked on, and the ways on its photo in which edges are told apart."""
    up, right = np.array([0.0, -1.0]), np.array([1.0, 0.0])
    if answer.view == "plan":
        fret, axis, across = _fret_at(answer, points)
        return fret, {"along": axis[1] - axis[0], "across": across, "middle": axis.mean(axis=0)}
    fret = answer.frets[0]
    arc = _drawn(fret, "arc")
    ends = np.asarray(arc.points, dtype=float)[[0, -1]] if arc else np.array([-right, right])
    return fret, {"along": ends[1] - ends[0], "up": up, "right": right}


def _edge(key: Key, at: Vector) -> HandEdge:
    return HandEdge(key, ((float(at[0]), float(at[1])),))
