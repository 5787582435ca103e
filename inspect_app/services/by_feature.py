"""A job's readings feature by feature, in the order in which the eye moves along the board."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

from inspect_app.jobs.records import ReadingView, Verdict, VisitView
from inspect_app.jobs.store import Store
from inspect_app.reading.ask import View
from inspect_app.reading.key import Key
from inspect_app.reading.quantities import card_of, rank
from inspect_app.services.review import doubts_of, readings

__all__ = ["FeatureView", "Undecided", "features", "left_to_decide"]


@dataclass(frozen=True, slots=True)
class FeatureView:
    """One feature on one photo with all its readings: a flat with its place, length, width and depth.

    `key` names it: ``fret 5, flats 2``, ``fret 5, crown``.
    """

    key: Key
    photo_id: int
    inspection_id: int
    visit: VisitView
    view: str
    readings: tuple[ReadingView, ...]

    @property
    def left(self) -> tuple[ReadingView, ...]:
        """Its readings that are not decided."""
        return tuple(r for r in self.readings if r.verdict == "open")

    @property
    def verdict(self) -> Verdict:
        """Open while any reading is, rejected when all are."""
        if self.left:
            return "open"
        return "reject" if all(r.verdict == "reject" for r in self.readings) else "accept"

    @property
    def doubts(self) -> tuple[str, ...]:
        """Doubts of what is not decided, else of all of it; each once."""
        return tuple(dict.fromkeys(d for r in self.left or self.readings for d in doubts_of(r)))

    @property
    def sure(self) -> bool:
        """Whether nothing about it is doubtful."""
        return all(r.sure for r in self.readings)


@dataclass(frozen=True, slots=True)
class Undecided:
    """What is not decided yet, of how much."""

    features: int
    readings: int
    of_features: int


def features(store: Store, job_id: int, visit: str | None = None) -> tuple[FeatureView, ...]:
    """All features of a job's photos: visit by visit, view by view, photo by photo along the neck, fret by fret."""
    every = grouped(readings(store, job_id, visit))
    first: dict[int, tuple[str, int]] = {}
    for f in every:
        first[f.photo_id] = min(first.get(f.photo_id, f.key.place.order), f.key.place.order)
    views = get_args(View)

    def place(f: FeatureView) -> tuple[object, ...]:
        at = views.index(f.view) if f.view in views else len(views)
        return f.visit.date, f.visit.id, at, first[f.photo_id], f.photo_id, f.key.place.order, rank(_first(f))

    return tuple(sorted(every, key=place))


def grouped(rows: Iterable[ReadingView]) -> tuple[FeatureView, ...]:
    """Readings by photo and feature, each feature's in the order a person reads them."""
    found: dict[tuple[int, Key], list[ReadingView]] = {}
    for r in rows:
        found.setdefault((r.photo_id, card_of(r.reading.key)), []).append(r)
    return tuple(
        FeatureView(key, photo_id, mine[0].inspection_id, mine[0].visit, mine[0].view, tuple(sorted(mine, key=_rank)))
        for (photo_id, key), mine in found.items()
    )


def _rank(r: ReadingView) -> tuple[int, int, int]:
    return rank(r.reading.key)


def _first(f: FeatureView) -> Key:
    return f.readings[0].reading.key


def left_to_decide(store: Store, job_id: int, visit: str | None = None) -> Undecided:
    """What decisions on a job, or on one visit of it, would rest on unseen."""
    every = grouped(readings(store, job_id, visit))
    return Undecided(sum(1 for f in every if f.left), sum(len(f.left) for f in every), len(every))
