"""The same place before and after the work: two photos laid on each other by their frets, the worst place first.

The pages show it in one viewer, the handover as two close-ups: of the same piece.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from inspect_app.decide.wear import WearMap, WornSpot
from inspect_app.jobs.details import FIRST_VISIT
from inspect_app.jobs.records import JobView, PhotoView
from inspect_app.jobs.store import Store
from inspect_app.reading.closeups import Window, bevel_window, nearest_spot
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.photo_registration import Registration, register
from inspect_app.report.estimate import worst_first
from inspect_app.report.number_format import ordinal
from inspect_app.services.deciding import AFTER, wear_of
from inspect_app.services.jobs import job_view
from inspect_app.services.pictures import caption_of, of_visit, photo_pairs
from shared.trade import SAME_SPOT_MM, SIDES

__all__ = ["SamePlace", "same_places", "worst_places"]

MOST_PAIRS = 12
"""Pairs to choose from on the page: more than a visit's photos of one view."""


@dataclass(frozen=True, slots=True)
class SamePlace:
    """Two photos of one place. `window` is the piece of the first to look at, on `fret`: a `spot` or an `end`."""

    before: PhotoView
    after: PhotoView
    laid: Registration
    caption: str
    window: Window | None = None
    fret: int = 0
    spot: WornSpot | None = None
    end: str = ""


def same_places(store: Store, job_id: int, before: str = FIRST_VISIT, after: str = AFTER) -> tuple[SamePlace, ...]:
    """What both visits show: the places the handover shows first, then every other pair of photos of the same frets."""
    job = job_view(store, job_id)
    worst = worst_places(job, wear_of(store, job_id, before), before, after)
    shown = {(p.before.id, p.after.id) for p in worst}
    rest = (
        _pair(old, new) for old, new in photo_pairs(job, before, after, MOST_PAIRS) if (old.id, new.id) not in shown
    )
    return (*worst, *(p for p in rest if p is not None))


def worst_places(job: JobView, wear: WearMap, before: str, after: str) -> tuple[SamePlace, ...]:
    """The worst place along the neck and from above, and one end: each where both visits show it."""
    spots = (_spot(job, wear, before, after, view) for view in ("elevation", "plan"))
    return tuple(p for p in (*spots, _end(job, before, after)) if p is not None)


def _spot(job: JobView, wear: WearMap, before: str, after: str, view: str) -> SamePlace | None:
    for n in worst_first(wear):
        spots = [s for s in wear.fret(n).spots if s.depth is not None]
        for spot in sorted(spots, key=lambda s: -(s.depth.value if s.depth else 0.0)):
            for old, new, laid in _laid(job, before, after, view, n):
                window = nearest_spot(_answer(old), n, spot.from_treble_end.value, SAME_SPOT_MM)
                if window is not None:
                    under = f", {ordinal(spot.string)} string" if spot.string else ""
                    said = "along the neck" if view == "elevation" else "from above"
                    return SamePlace(old, new, laid, f"Fret {n}{under}, {said}", window, n, spot)
    return None


def _end(job: JobView, before: str, after: str) -> SamePlace | None:
    """The end whose bevel both visits show close up, else along the neck."""
    for view in ("end", "elevation"):
        for old in of_visit(job.photos, before, view):
            for n in sorted({f.number for f in _answer(old).frets}):
                for end in SIDES:
                    window = bevel_window(_answer(old), n, end)
                    for first, new, laid in _laid(job, before, after, view, n) if window else ():
                        if first.id == old.id and bevel_window(_answer(new), n, end) is not None:
                            return SamePlace(old, new, laid, f"Fret {n}, {end} end", window, n, end=end)
    return None


def _laid(
    job: JobView, before: str, after: str, view: str, fret: int
) -> Iterator[tuple[PhotoView, PhotoView, Registration]]:
    """Photos of one view, before and after, that show a fret and lie on each other."""
    for old in of_visit(job.photos, before, view):
        for new in of_visit(job.photos, after, view):
            laid = register(_answer(old), _answer(new)) if _one_end(old) == _one_end(new) else None
            if laid is not None and fret in laid.frets:
                yield old, new, laid


def _one_end(photo: PhotoView) -> str | None:
    return photo.inspection.ask.end if photo.inspection and photo.view == "end" else None


def _pair(old: PhotoView, new: PhotoView) -> SamePlace | None:
    laid = register(_answer(old), _answer(new))
    return None if laid is None else SamePlace(old, new, laid, caption_of(old))


def _answer(photo: PhotoView) -> Inspection:
    assert photo.inspection is not None  # `of_visit` and `photo_pairs` give measured photos only
    return photo.inspection.answer
