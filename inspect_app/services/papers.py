"""The papers of a job: estimate, bench sheet, handover. Pictures are the stored photos with their stored outlines."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.decide.estimate import Estimate
from inspect_app.decide.options import Kind
from inspect_app.decide.proof import ProofCheck, prove
from inspect_app.decide.wear import FretWear, WearMap
from inspect_app.jobs.details import FIRST_VISIT
from inspect_app.jobs.records import JobView, PhotoView
from inspect_app.jobs.store import Store
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import NotMeasured
from inspect_app.reading.overlay import draw
from inspect_app.reading.values import readings_of
from inspect_app.report.content import (
    Heading,
    Picture,
    ReadingRow,
    bench_content,
    estimate_content,
    handover_content,
)
from inspect_app.report.pdf import PAPERS, Pdf, render_pdf
from inspect_app.services.agreed import agreed_of
from inspect_app.services.deciding import AFTER, decide, inspections_of, terms, wear_of
from inspect_app.services.decoded import decoded
from inspect_app.services.jobs import job_view
from inspect_app.services.photos import photo_path
from inspect_app.services.shop import get_setting
from shared import units
from shared.errors import OptionError
from shared.measured import Measured

__all__ = ["AFTER", "bench_paper", "estimate_paper", "handover_paper", "picture_of", "proof_of", "proof_pairs"]

PICTURE_PX = 1600
"""Longest side of a picture on paper: 200 dots an inch over a column of 8 inches."""
JPEG_QUALITY = 85


def show(q: Measured) -> str:
    """A reading as printed: value ± U with its unit."""
    return str(units.show(q))


def _heading(store: Store, job: JobView, paper: str) -> Heading:
    if paper not in PAPERS:
        raise OptionError(f"There is no paper {paper!r}.", f"Use one of: {', '.join(PAPERS)}.")
    shop = get_setting(store, "shop") or {}
    instrument = job.details.instrument
    size = f"{instrument.scale_length:g} mm scale" if instrument.scale_length else ""
    frets = f"{instrument.frets} frets" if instrument.frets else ""
    words = ", ".join(w for w in (instrument.name or instrument.kind, frets, size) if w)
    lines = tuple(str(line) for line in shop.get("lines", ()))
    return Heading(
        str(shop.get("name", "")),
        lines,
        str(job.number),
        job.details.customer,
        words,
        job.details.asked_for,
        PAPERS[paper],
    )


def picture_of(store: Store, photo: PhotoView, longest: int = PICTURE_PX, marked: bool = True) -> bytes:
    """A stored photo as JPEG, its stored outlines drawn on it, at most `longest` pixels on its long side.

    Encoded anew, so that nothing of the file's own data (place, camera owner) leaves the shop.
    """
    bgr = decoded(photo_path(store, photo.sha256), photo.sha256).bgr
    drawn = draw(bgr, photo.inspection.answer) if marked and photo.inspection else bgr
    return encode(shrink(drawn, longest))


def shrink(bgr: NDArray[np.uint8], longest: int) -> NDArray[np.uint8]:
    """The picture with its long side at most `longest` pixels."""
    factor = longest / max(bgr.shape[:2])
    if factor >= 1.0:
        return bgr
    return np.asarray(cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def encode(bgr: NDArray[np.uint8]) -> bytes:
    """JPEG bytes of a picture."""
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise OptionError("A picture could not be written.", "Choose a smaller size.")
    return bytes(data)


def _chosen(job: JobView, visit: str, worst: tuple[int, ...], most: int) -> list[PhotoView]:
    """Photos that show why: those of the worst frets first, then findings, at most `most`."""
    here = [p for p in job.photos if p.visit.label == visit]

    def rank(photo: PhotoView) -> tuple[int, int]:
        if photo.inspection is None:
            return (1 if photo.view == "finding" else 3, photo.id)
        shown = {f.number for f in photo.inspection.answer.frets}
        best = next((i for i, n in enumerate(worst) if n in shown), len(worst))
        return (0 if best < 3 else 2, best * 100_000 + photo.id)

    return sorted((p for p in here if rank(p)[0] < 3), key=rank)[:most]


def _worst(wear: WearMap) -> tuple[int, ...]:
    """Frets that were read, the deepest worn first."""

    def depth(fret: FretWear) -> float:
        deepest = fret.deepest()
        return deepest.value if deepest else 0.0

    return tuple(f.number for f in sorted(wear.frets, key=depth, reverse=True) if f.was_read)


def _caption(photo: PhotoView) -> str:
    if photo.view == "finding":
        return photo.note or "Finding"
    numbers = sorted(f.number for f in photo.inspection.answer.frets) if photo.inspection else []
    named = f"fret {numbers[0]}" if len(numbers) == 1 else f"frets {numbers[0]} to {numbers[-1]}" if numbers else ""
    end = photo.inspection.ask.end if photo.inspection else None
    where = f"{photo.view}, {end}" if end else photo.view
    return ", ".join(w for w in (where, named, photo.note) if w)


def _pictures(store: Store, photos: list[PhotoView]) -> tuple[list[Picture], dict[str, bytes]]:
    named = [Picture(f"photo-{i}.jpg", _caption(p), f"Photo: {_caption(p)}") for i, p in enumerate(photos, 1)]
    return named, {n.file: picture_of(store, p) for n, p in zip(named, photos, strict=True)}


def _record(job: JobView, inspections: tuple[Inspection, ...]) -> tuple[list[ReadingRow], list[NotMeasured]]:
    """Readings for the record, by fret: the sizes that decide, bevels and radius; places are left to the pictures."""
    rows = [
        (r.place, ReadingRow(r.place_label, r.key.name, r.value, i.photo.name))
        for i in inspections
        for r in readings_of(i)
        if r.entry.on_paper
    ]
    rows.sort(key=lambda row: row[0].order)
    return [row for _, row in rows], [n for i in inspections for n in i.not_measured]


def estimate_paper(
    store: Store, job_id: int, estimate: Estimate, visit: str = FIRST_VISIT, paper: str = "a4", pictures: int = 6
) -> Pdf:
    """Set the estimate: one page for the customer, then the measurement record."""
    job = job_view(store, job_id)
    decision = decide(store, job_id, visit)
    photos = _chosen(job, visit, _worst(decision.wear), pictures)
    named, files = _pictures(store, photos)
    readings, unread = _record(job, inspections_of(store, job_id, visit))
    content = estimate_content(
        _heading(store, job, paper),
        estimate,
        decision.wear,
        decision.recommendation,
        decision.options,
        (readings, unread, named),
        _materials(job),
        show,
    )
    return render_pdf("estimate", content, files, estimate.made_on)


def bench_paper(store: Store, job_id: int, visit: str = FIRST_VISIT, paper: str = "a4") -> Pdf:
    """Set the bench sheet of the option that stands.

    Raises
    ------
    OptionError
        If no option stands yet.
    """
    job = job_view(store, job_id)
    decision = decide(store, job_id, visit)
    if decision.kind is None:
        raise OptionError("No option stands yet.", decision.recommendation.settle or "Choose one on the options page.")
    option, known = decision.option(decision.kind), decision.terms
    instrument = job.details.instrument
    radius = f"{instrument.radius_nut:g} mm" if instrument.radius_nut else ""
    if instrument.radius_nut and instrument.radius_last:
        radius = f"{instrument.radius_nut:g} mm at the nut to {instrument.radius_last:g} mm at the last fret"
    off = option.removal
    work = {
        "Wire": f"{known.wire.stock.label}, {known.wire.stock.material}" if known.wire and option.replaced else "",
        "Board radius": radius,
        "Bevel": f"{known.bevel_deg:g}° ± {known.limits['bevel_deviation'].value:g}° from upright",
        "Frets to replace": ", ".join(map(str, option.replaced)),
        "Frets to dress": ", ".join(map(str, option.dressed)) if option.kind == Kind.DRESS else "",
        "Comes off": show(off.measured) if off else "",
        "Mind": " ".join(option.brings),
    }
    content = bench_content(_heading(store, job, paper), option, work, _materials(job))
    return render_pdf("bench", content, {}, _today(job))


def _materials(job: JobView) -> tuple[str, ...]:
    """Where the name of a material under trade controls could stand."""
    return job.details.instrument.board_wood, job.details.instrument.kind, job.details.asked_for


def _today(job: JobView) -> str:
    return job.updated.date().isoformat()


def proof_of(store: Store, job_id: int, visit: str = AFTER) -> tuple[ProofCheck, ...]:
    """What was agreed held against the photos taken after the work."""
    known = terms(store, job_id)
    wear = wear_of(store, job_id, visit)
    return prove(agreed_of(store, job_id), wear, inspections_of(store, job_id, visit), known.limits)


def handover_paper(
    store: Store, job_id: int, before: str = FIRST_VISIT, after: str = AFTER, paper: str = "a4", done: str = ""
) -> Pdf:
    """Set the handover: checks with their verdicts, and the same frets before beside after at the same scale."""
    job = job_view(store, job_id)
    checks = proof_of(store, job_id, after)
    unread = [n for i in inspections_of(store, job_id, after) for n in i.not_measured]
    named: list[tuple[Picture, Picture]] = []
    files: dict[str, bytes] = {}
    for k, (old, new) in enumerate(_pairs(job, before, after), 1):
        left, right = _same_scale(store, old, new)
        b = Picture(f"before-{k}.jpg", _caption(old), f"Before the work: {_caption(old)}")
        a = replace(b, file=f"after-{k}.jpg", alt=f"After the work: {_caption(new)}")
        files |= {b.file: left, a.file: right}
        named.append((b, a))
    words = done or "The work agreed in the estimate was done; the same views were photographed and measured again."
    content = handover_content(_heading(store, job, paper), words, checks, named, unread, show)
    return render_pdf("handover", content, files, _today(job))


def proof_pairs(
    store: Store, job_id: int, before: str = FIRST_VISIT, after: str = AFTER
) -> tuple[tuple[str, bytes, bytes], ...]:
    """Caption and the two pictures (JPEG, one scale) of every pair of photos that show the same frets."""
    pairs = _pairs(job_view(store, job_id), before, after)
    return tuple((_caption(old), *_same_scale(store, old, new)) for old, new in pairs)


def _pairs(job: JobView, before: str, after: str, most: int = 4) -> list[tuple[PhotoView, PhotoView]]:
    """Photos of one view that share the most frets, before and after."""

    def frets(p: PhotoView) -> set[int]:
        return {f.number for f in p.inspection.answer.frets} if p.inspection else set()

    pairs = []
    for new in (p for p in job.photos if p.visit.label == after and p.inspection):
        olds = [p for p in job.photos if p.visit.label == before and _shows_same(p, new) and frets(p) & frets(new)]
        if olds:
            pairs.append((max(olds, key=lambda p: len(frets(p) & frets(new))), new))
    return pairs[:most]


def _shows_same(old: PhotoView, new: PhotoView) -> bool:
    """Whether both are of one view, and of one end where the view is of an end."""
    ends = [p.inspection.ask.end if p.inspection else None for p in (old, new)]
    return old.view == new.view and ends[0] == ends[1]


def _same_scale(store: Store, old: PhotoView, new: PhotoView) -> tuple[bytes, bytes]:
    """Both pictures at the same pixels to the millimetre (the coarser one's), cut to one size about the middle."""
    pictures = []
    finest = [p.inspection.answer.camera.px_per_mm for p in (old, new) if p.inspection and p.inspection.answer.camera]
    for p in (old, new):
        bgr = decoded(photo_path(store, p.sha256), p.sha256).bgr
        if p.inspection:
            bgr = draw(bgr, p.inspection.answer)
        camera = p.inspection.answer.camera if p.inspection else None
        if camera and len(finest) == 2:
            bgr = shrink(bgr, round(max(bgr.shape[:2]) * min(finest) / camera.px_per_mm))
        pictures.append(bgr)
    h, w = (min(p.shape[k] for p in pictures) for k in (0, 1))
    crop = partial(_middle, height=h, width=w)
    left, right = (encode(shrink(crop(p), PICTURE_PX)) for p in pictures)
    return left, right


def _middle(bgr: NDArray[np.uint8], height: int, width: int) -> NDArray[np.uint8]:
    y, x = (bgr.shape[0] - height) // 2, (bgr.shape[1] - width) // 2
    return bgr[y : y + height, x : x + width]
