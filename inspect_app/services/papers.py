"""The papers of a job: estimate, bench sheet, measurement record; and the handover, from `handing_over`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from inspect_app.decide.estimate import Estimate
from inspect_app.decide.options import Kind
from inspect_app.decide.wear import WearMap
from inspect_app.jobs.details import FIRST_VISIT
from inspect_app.jobs.records import JobView, PhotoView
from inspect_app.jobs.store import Store
from inspect_app.reading.closeups import bar_of, nearest_spot
from inspect_app.reading.key import NotMeasured
from inspect_app.reading.values import Reading, readings_of
from inspect_app.report.bench import bench_content
from inspect_app.report.bench_checks import bench_check_rows
from inspect_app.report.estimate import EstimateFindings, estimate_content, reason_words, worst_first
from inspect_app.report.mail import covering_mail
from inspect_app.report.number_format import NumberFormat, listed, ordinal
from inspect_app.report.paper_frame import Picture
from inspect_app.report.pdf import Pdf, render_pages, render_pdf
from inspect_app.report.record import PhotoRow, ReadingRow, record_content
from inspect_app.report.setup_words import board_words, setup_words
from inspect_app.services.bench_checks import bench_checks
from inspect_app.services.deciding import AFTER, Decision, decide, inspections_of, neck_strip_of, terms, wear_of
from inspect_app.services.gauge_readings import gauge_readings
from inspect_app.services.handover import handover_paper, proof_of
from inspect_app.services.jobs import job_view
from inspect_app.services.on_paper import heading_of, materials_of, visit_day, writing_of
from inspect_app.services.pictures import caption_of, closeup_of, of_visit, picture_of
from shared.errors import OptionError
from shared.trade import SAME_SPOT_MM

__all__ = [
    "AFTER",
    "bench_paper",
    "estimate_pages",
    "estimate_paper",
    "handover_paper",
    "mail_text",
    "picture_of",
    "proof_of",
    "record_paper",
    "words_why",
    "worst_closeups",
]

MOST_FINDINGS = 4
"""Close-ups on an estimate: two rows of two, so that the paper stays at two pages."""


def estimate_paper(
    store: Store, job_id: int, estimate: Estimate, visit: str = FIRST_VISIT, paper: str = "a4",
    pictures: int = MOST_FINDINGS, draft: bool = False,
) -> Pdf:  # fmt: skip
    """Set the estimate as the customer gets it; at most `pictures` photos of other findings follow."""
    return render_pdf("estimate", *_estimate(store, job_id, estimate, visit, paper, pictures, draft), estimate.made_on)


def estimate_pages(
    store: Store, job_id: int, estimate: Estimate, visit: str = FIRST_VISIT, paper: str = "a4"
) -> tuple[bytes, ...]:
    """The draft's pages as pictures (PNG), to look at in a page."""
    return render_pages("estimate", *_estimate(store, job_id, estimate, visit, paper, MOST_FINDINGS, True))


def _estimate(
    store: Store, job_id: int, estimate: Estimate, visit: str, paper: str, pictures: int, draft: bool
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """What stands on the estimate, and its pictures."""
    job, decision = job_view(store, job_id), decide(store, job_id, visit)
    writing = writing_of(store, locale=estimate.locale)
    closeups, files = _worst_closeups(store, job, visit, decision.wear, writing)
    findings = [p for p in job.photos if p.visit.label == visit and p.view == "finding"][:pictures]
    others = [Picture(f"finding-{p.id}.jpg", caption_of(p), f"Photo: {caption_of(p)}") for p in findings]
    files |= {o.file: picture_of(store, p) for o, p in zip(others, findings, strict=True)}
    found = EstimateFindings(
        decision.wear,
        decision.options,
        decision.terms.limits["crown_height"].value,
        closeups,
        others,
        fits=decision.recommendation.kind is None or estimate.option == str(decision.recommendation.kind),
        also=_other_findings(decision, writing),
    )
    heading = heading_of(store, job, paper, writing)
    return estimate_content(heading, estimate, found, materials_of(job), writing, draft), files


def _other_findings(decision: Decision, writing: NumberFormat) -> str:
    """What was found besides wear of the frets."""
    step = decision.terms.limits["level_step"].value
    said = board_words(decision.board, writing), setup_words(decision.setup, step, writing)
    return " ".join(words for words in said if words)


def words_why(store: Store, job_id: int, estimate: Estimate, visit: str = FIRST_VISIT) -> str:
    """Why the estimate's option is proposed, as its paper says it where the person wrote nothing of their own."""
    decision = decide(store, job_id, visit)
    writing = writing_of(store, locale=estimate.locale)
    if decision.recommendation.kind is not None and estimate.option != str(decision.recommendation.kind):
        return writing.words(estimate.reason)
    least = decision.terms.limits["crown_height"].value
    return reason_words(estimate.option, decision.options, least, writing) or writing.words(estimate.reason)


def mail_text(store: Store, job_id: int, estimate: Estimate, visit: str = FIRST_VISIT) -> str:
    """The e-mail an estimate goes out with, ready to paste."""
    job, writing = job_view(store, job_id), writing_of(store, locale=estimate.locale)
    heading = heading_of(store, job, "a4", writing)
    return covering_mail(heading, estimate, wear_of(store, job_id, visit), writing)


def worst_closeups(store: Store, job_id: int, visit: str = FIRST_VISIT) -> Mapping[str, bytes]:
    """The close-ups an estimate shows, as JPEG by file name."""
    return _worst_closeups(store, job_view(store, job_id), visit, wear_of(store, job_id, visit), writing_of(store))[1]


def _worst_closeups(
    store: Store, job: JobView, visit: str, wear: WearMap, writing: NumberFormat
) -> tuple[list[Picture], dict[str, bytes]]:
    """The deepest place any photo shows, along the neck and from above, each with its figure and a scale bar."""
    named: list[Picture] = []
    files: dict[str, bytes] = {}
    spots = [
        (n, s)
        for n in worst_first(wear)
        for s in sorted(wear.fret(n).spots, key=lambda s: -(s.depth.value if s.depth else 0.0))
        if s.depth is not None
    ]
    for view, said in (("elevation", "seen along the neck"), ("plan", "seen from above")):
        photos = of_visit(job.photos, visit, view)
        shown = (
            (n, s, p, w)
            for n, s in spots
            for p in photos
            if p.inspection and (w := nearest_spot(p.inspection.answer, n, s.from_treble_end.value, SAME_SPOT_MM))
        )
        for n, spot, photo, window in shown:
            bar, text = bar_of(window, writing.lengths)
            under = f", under the {ordinal(spot.string)} string" if spot.string else ""
            caption = f"Fret {n}{under}, {said}"
            wide = view == "plan" and spot.flat_width is not None
            q = spot.flat_width if wide else spot.depth
            figure = f"{writing.value(q)} {'wide' if wide else 'deep'}" if q is not None else ""
            named.append(
                Picture(f"worst-{view}.jpg", caption, f"Close-up: {caption}", bar, writing.marked(text), figure)
            )
            files[f"worst-{view}.jpg"] = closeup_of(store, photo, window)
            break
    return named, files


def bench_paper(store: Store, job_id: int, visit: str = FIRST_VISIT, paper: str = "a4") -> Pdf:
    """Set the bench sheet of the option that stands.

    Raises
    ------
    OptionError
        If no option stands yet.
    """
    job, decision = job_view(store, job_id), decide(store, job_id, visit)
    if decision.kind is None:
        raise OptionError("No option stands yet.", decision.recommendation.settle or "Choose one on the options page.")
    writing = writing_of(store, decision.terms.prices)
    content = bench_content(
        heading_of(store, job, paper, writing),
        decision.option(decision.kind),
        _work(job, decision, writing),
        materials_of(job),
        writing,
    )
    return render_pdf("bench", content, {}, job.updated.date().isoformat())


def _work(job: JobView, decision: Decision, writing: NumberFormat) -> dict[str, str]:
    assert decision.kind is not None
    option, known, instrument = decision.option(decision.kind), decision.terms, job.details.instrument
    radius = writing.plain(instrument.radius_nut, digits=4) if instrument.radius_nut else ""
    if instrument.radius_nut and instrument.radius_last:
        radius += f" at the nut to {writing.plain(instrument.radius_last, digits=4)} at the last fret"
    bevel = f"{known.bevel_deg:g}° ± {known.limits['bevel_deviation'].value:g}° from upright"
    return {
        "Wire": f"{known.wire.stock.label}, {known.wire.stock.material}" if known.wire and option.replaced else "",
        "Board": instrument.board_wood,
        "Board radius": radius,
        "Bevel": writing.marked(bevel),
        "Frets to replace": listed(option.replaced, "", "").strip() if option.replaced else "",
        "Frets to dress": listed(option.dressed, "", "").strip() if option.kind == Kind.DRESS else "",
        "Comes off": writing.value(option.removal.measured) if option.removal else "",
        "Watch for": " ".join(writing.words(b) for b in option.brings),
    }


def record_paper(store: Store, job_id: int, visit: str = FIRST_VISIT, paper: str = "a4") -> Pdf:
    """Set the technical record of a visit: all values with U and doubts, what was not read, every check.

    Raises
    ------
    OptionError
        If the job has no such visit.
    """
    job = job_view(store, job_id)
    if not any(v.label == visit for v in job.visits):
        raise OptionError(f"The job has no visit {visit!r}.", "Add its photos first.")
    writing = writing_of(store, terms(store, job_id).prices)
    photos = [p for p in job.photos if p.visit.label == visit]
    worked_out = visit != AFTER and job.details.instrument.scale_length is not None
    options = decide(store, job_id, visit).options if worked_out else ()
    checks = proof_of(store, job_id, visit) if visit == AFTER else ()
    wear = wear_of(store, job_id, visit) if job.details.instrument.scale_length is not None else None
    named = [Picture(f"photo-{i}.jpg", f"{i}: {caption_of(p)}", caption_of(p)) for i, p in enumerate(photos, 1)]
    record = (_readings(store, job_id, visit, photos), _photo_rows(photos), _unread(store, job_id, visit), named)
    heading = heading_of(store, job, paper, writing)
    neck = neck_strip_of(store, job_id, visit)
    content = record_content(heading, (visit, visit_day(job, visit)), wear, record, options, checks, writing, neck)
    content["bench_checks"] = bench_check_rows(bench_checks(store), writing)
    files = {n.file: picture_of(store, p, RECORD_PX) for n, p in zip(named, photos, strict=True)}
    return render_pdf("record", content, files, visit_day(job, visit))


RECORD_PX = 1000
"""Longest side of a photo in the record: two columns of 85 mm at 300 dots an inch."""


def _readings(store: Store, job_id: int, visit: str, photos: list[PhotoView]) -> list[ReadingRow]:
    """Every value kept of a visit, by fret, and what gauges read."""
    number = {p.sha256: i for i, p in enumerate(photos, 1)}
    found = [(r, number[i.photo.sha256]) for i in inspections_of(store, job_id, visit) for r in readings_of(i)]
    found += [(Reading(k, q), 0) for k, q in gauge_readings(store, job_id, visit).items()]
    rows = [(r.place, ReadingRow(r.place_label, r.key.name, r.value, of)) for r, of in found]
    return [row for _, row in sorted(rows, key=lambda row: row[0].order)]


def _unread(store: Store, job_id: int, visit: str) -> list[NotMeasured]:
    return [n for i in inspections_of(store, job_id, visit) for n in i.not_measured]


def _photo_rows(photos: list[PhotoView]) -> list[PhotoRow]:
    rows = []
    for i, p in enumerate(photos, 1):
        answer = p.inspection.answer if p.inspection else None
        scale = answer.scale.kind if answer and answer.scale else ""
        rows.append(PhotoRow(i, p.name, p.view, p.sha256, scale, tuple(answer.flags) if answer else ()))
    return rows
