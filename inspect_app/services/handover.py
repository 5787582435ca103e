"""After the work: what was agreed held against the photos, and the paper that goes with the finished instrument."""

from __future__ import annotations

from inspect_app.decide.proof import ProofCheck, prove
from inspect_app.decide.wear import Rate
from inspect_app.jobs.details import FIRST_VISIT
from inspect_app.jobs.records import JobView
from inspect_app.jobs.store import Store
from inspect_app.reading.closeups import bar_of
from inspect_app.report.handover import (
    Bevels,
    HandoverFacts,
    bevel_figures,
    handover_content,
    months_to_check,
    spot_figures,
)
from inspect_app.report.number_format import NumberFormat
from inspect_app.report.paper_frame import Picture
from inspect_app.report.pdf import Pdf, render_pdf
from inspect_app.services.agreements import agreed_of, agreement_of
from inspect_app.services.before_after import SamePlace, worst_places
from inspect_app.services.deciding import AFTER, inspections_of, rates, setup_of_visit, terms, wear_of
from inspect_app.services.jobs import job_view
from inspect_app.services.on_paper import heading_of, visit_day, writing_of
from inspect_app.services.pictures import closeup_of
from shared.errors import OptionError
from shared.measured import Measured

__all__ = ["handover_paper", "proof_of"]


def proof_of(store: Store, job_id: int, visit: str = AFTER) -> tuple[ProofCheck, ...]:
    """What was agreed held against the photos taken after the work."""
    known = terms(store, job_id)
    was, wear = (wear_of(store, job_id, v) for v in (FIRST_VISIT, visit))
    before, setup = (setup_of_visit(store, job_id, v) for v in (FIRST_VISIT, visit))
    photos = inspections_of(store, job_id, visit)
    return prove(agreed_of(store, job_id), wear, photos, known.limits, setup, before, was)


def handover_paper(
    store: Store, job_id: int, before: str = FIRST_VISIT, after: str = AFTER, paper: str = "a4", done: str = ""
) -> Pdf:
    """Set the handover: what was done, the same places before and after, the same close-ups at one scale."""
    job = job_view(store, job_id)
    agreement = agreement_of(store, job_id)
    known = terms(store, job_id)
    locale = agreement.estimate.locale if agreement else None
    writing = writing_of(store, known.prices, locale)
    work = HandoverFacts(
        wear_of(store, job_id, before),
        wear_of(store, job_id, after),
        visit_day(job, after),
        (agreement.estimate, agreement.answer) if agreement else None,
        done,
        _bevels(store, job_id, before),
        _bevels(store, job_id, after),
        setup_of_visit(store, job_id, before),
        setup_of_visit(store, job_id, after),
    )
    named: list[tuple[Picture, Picture]] = []
    files: dict[str, bytes] = {}
    for k, place in enumerate(worst_places(job, work.before, before, after), 1):
        assert place.window is not None  # worst places have one
        bar, text = bar_of(place.window, writing.lengths)
        was, now = (
            Picture(
                f"{when}-{k}.jpg",
                place.caption,
                f"{when.capitalize()} the work: {place.caption}",
                bar,
                writing.marked(text),
                figure,
            )
            for when, figure in zip(("before", "after"), _figures(place, work, writing), strict=True)
        )
        files[was.file] = closeup_of(store, place.before, place.window)
        files[now.file] = closeup_of(store, place.after, place.window, place.laid)
        named.append((was, now))
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


def _figures(place: SamePlace, work: HandoverFacts, writing: NumberFormat) -> tuple[str, str]:
    """What stands under a place's two pictures."""
    if place.spot is not None:
        return spot_figures(work, place.fret, place.spot, writing)
    return bevel_figures(work, place.fret, place.end)
