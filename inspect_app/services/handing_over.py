"""After the work: what was agreed held against the photos, and the paper that goes with the finished instrument."""

from __future__ import annotations

from inspect_app.decide.proof import ProofCheck, prove
from inspect_app.decide.wear import Rate
from inspect_app.jobs.details import FIRST_VISIT
from inspect_app.jobs.records import JobView, PhotoView
from inspect_app.jobs.store import Store
from inspect_app.reading.closeups import Window, bar_of, bevel_window, nearest_spot, share_of, window_at
from inspect_app.report.estimate import worst_first
from inspect_app.report.frame import Picture
from inspect_app.report.handover import (
    Bevels,
    Work,
    bevel_figures,
    handover_content,
    months_to_check,
    spot_figures,
)
from inspect_app.report.pdf import Pdf, render_pdf
from inspect_app.report.writing import Writing, ordinal
from inspect_app.services.agreed import agreed_of, agreement_of
from inspect_app.services.deciding import AFTER, inspections_of, rates, terms, wear_of
from inspect_app.services.jobs import job_view
from inspect_app.services.on_paper import heading_of, visit_day, writing_of
from inspect_app.services.pictures import caption_of, closeup_of, of_visit, photo_pairs, same_scale
from shared.errors import OptionError
from shared.measured import Measured
from shared.trade import SAME_SPOT_MM

__all__ = ["handover_paper", "proof_of", "proof_pairs"]

MOST_PAIRS = 3
"""Pairs of close-ups that fit two pages with the words."""
_Pair = tuple[tuple[PhotoView, Window], tuple[PhotoView, Window], str, tuple[str, str]]


def proof_of(store: Store, job_id: int, visit: str = AFTER) -> tuple[ProofCheck, ...]:
    """What was agreed held against the photos taken after the work."""
    known = terms(store, job_id)
    wear = wear_of(store, job_id, visit)
    return prove(agreed_of(store, job_id), wear, inspections_of(store, job_id, visit), known.limits)


def proof_pairs(
    store: Store, job_id: int, before: str = FIRST_VISIT, after: str = AFTER
) -> tuple[tuple[str, bytes, bytes], ...]:
    """Caption and the two pictures (JPEG, one scale) of every pair of photos that show the same frets."""
    pairs = photo_pairs(job_view(store, job_id), before, after)
    return tuple((caption_of(old), *same_scale(store, old, new)) for old, new in pairs)


def handover_paper(
    store: Store, job_id: int, before: str = FIRST_VISIT, after: str = AFTER, paper: str = "a4", done: str = ""
) -> Pdf:
    """Set the handover: what was done, the same places before and after, the same close-ups at one scale."""
    job = job_view(store, job_id)
    agreement = agreement_of(store, job_id)
    known = terms(store, job_id)
    locale = agreement.estimate.locale if agreement else None
    writing = writing_of(store, known.prices, locale)
    work = Work(
        wear_of(store, job_id, before),
        wear_of(store, job_id, after),
        visit_day(job, after),
        (agreement.estimate, agreement.answer) if agreement else None,
        done,
        _bevels(store, job_id, before),
        _bevels(store, job_id, after),
    )
    named: list[tuple[Picture, Picture]] = []
    files: dict[str, bytes] = {}
    for k, (old, new, caption, figures) in enumerate(_closeups(job, work, before, after, writing), 1):
        pair = []
        for when, (photo, window), figure in zip(("before", "after"), (old, new), figures, strict=True):
            bar, text = bar_of(window, writing.lengths)
            p = Picture(
                f"{when}-{k}.jpg",
                caption,
                f"{when.capitalize()} the work: {caption}",
                bar,
                writing.marked(text),
                figure,
            )
            files[p.file] = closeup_of(store, photo, window)
            pair.append(p)
        named.append((pair[0], pair[1]))
    months = months_to_check(_known_rates(store, job, before), known.limits["divot_leave"].value)
    heading = heading_of(store, job, paper, writing)
    content = handover_content(heading, work, proof_of(store, job_id, after), named, months, writing)
    return render_pdf("handover", content, files, work.day)


def _bevels(store: Store, job_id: int, visit: str) -> Bevels:
    """The best known bevel angle of every end at a visit."""
    best: dict[tuple[int, str], Measured] = {}
    for inspection in inspections_of(store, job_id, visit):
        for fret in inspection.frets:
            for end, q in (("treble", fret.bevel_treble), ("bass", fret.bevel_bass)):
                if q is not None and ((fret.number, end) not in best or q.u < best[fret.number, end].u):
                    best[fret.number, end] = q
    return best


def _known_rates(store: Store, job: JobView, before: str) -> tuple[Rate, ...]:
    """Wear a year between the two visits before the work; none where there were not two."""
    days = {v.label: v.date for v in job.visits if v.label != AFTER}
    earlier = [label for label, day in days.items() if before in days and day < days[before]]
    if not earlier:
        return ()
    try:
        return rates(store, job.id, earlier[-1], before)
    except OptionError:
        return ()


def _closeups(job: JobView, work: Work, before: str, after: str, writing: Writing) -> list[_Pair]:
    """The worst place along the neck and from above, and one end: each where both visits show it."""
    pairs = (_spot_pair(job, work, (before, after), view, writing) for view in ("elevation", "plan"))
    found = [p for p in pairs if p is not None]
    end = _end_pair(job, work, (before, after))
    return [*found, *([end] if end else [])][:MOST_PAIRS]


def _spot_pair(job: JobView, work: Work, visits: tuple[str, str], view: str, writing: Writing) -> _Pair | None:
    for n in worst_first(work.before):
        spots = [s for s in work.before.fret(n).spots if s.depth is not None]
        for spot in sorted(spots, key=lambda s: -(s.depth.value if s.depth else 0.0)):
            for old in of_visit(job.photos, visits[0], view):
                for new in of_visit(job.photos, visits[1], view):
                    windows = _both(old, new, n, spot.from_treble_end.value)
                    if windows is not None:
                        under = f", {ordinal(spot.string)} string" if spot.string else ""
                        said = "along the neck" if view == "elevation" else "from above"
                        figures = spot_figures(work, n, spot, writing)
                        return (old, windows[0]), (new, windows[1]), f"Fret {n}{under}, {said}", figures
    return None


def _both(old: PhotoView, new: PhotoView, fret: int, place_mm: float) -> tuple[Window, Window] | None:
    assert old.inspection is not None
    assert new.inspection is not None
    first = nearest_spot(old.inspection.answer, fret, place_mm, SAME_SPOT_MM)
    share = share_of(old.inspection.answer, fret, first) if first else None
    second = window_at(new.inspection.answer, fret, share) if share is not None else None
    return (first, second) if first and second else None


def _end_pair(job: JobView, work: Work, visits: tuple[str, str]) -> _Pair | None:
    """The end whose bevel both visits show close up, else along the neck."""
    for view in ("end", "elevation"):
        for new in of_visit(job.photos, visits[1], view):
            for old in of_visit(job.photos, visits[0], view):
                assert old.inspection is not None
                assert new.inspection is not None
                for n in sorted({f.number for f in old.inspection.answer.frets}):
                    for end in ("treble", "bass"):
                        windows = [bevel_window(p.inspection.answer, n, end) for p in (old, new) if p.inspection]
                        if windows[0] is not None and windows[1] is not None:
                            figures = bevel_figures(work, n, end)
                            return (old, windows[0]), (new, windows[1]), f"Fret {n}, {end} end", figures
    return None
