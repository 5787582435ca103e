"""The demo jobs: the sample photos taken in and measured, as a job to try things on and as a finished one."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from inspect_app.reading.ask import Ask, View, parse_scale, parse_scale_plane
from inspect_app.reading.inspection import FretReading
from inspect_app.services import (
    AFTER,
    ChosenStage,
    InstrumentDetails,
    JobDetails,
    Stage,
    Store,
    accept_sure,
    add_photo,
    add_visit,
    choose_stage,
    create_job,
    features,
    hand_measures,
    job_view,
    judge_all,
    keep_hand_measure,
    measure_photo,
    photo_path,
    readings,
)
from inspect_app.services.deciding import change_terms, terms, write_fret_heights
from inspect_app.services.estimating import accept_estimate, draft, estimates, issue_estimate
from inspect_app.services.gauge_readings import write_gauge_reading
from inspect_app.services.heights import record_work
from inspect_app.services.photo_cache import decoded_photo
from sample_images import SCENARIO, Sample, photos
from shared.errors import OptionError

__all__ = ["FINISHED_TOKEN", "FORM_TOKEN", "ask_of", "load_demo", "load_finished"]

FORM_TOKEN, FINISHED_TOKEN = "demo", "demo finished"
"""Mark the demo jobs, so that asking for them twice makes one of each."""
MARGIN_PX = 120
"""Beyond the ends of the fret in the finding's picture: its bevels stand clear of the edge."""
FINDING = "Worn flat under the second and third string: this is where it buzzes."
WHY = (
    "The school wants two more levellings out of these frets: with new wire on the first five, where the wear is "
    "deepest, the others lose so little that enough is left for both."
)
KEPT_READ = (6, 7, 8, 12)
"""Frets that stay whose height was read after the work as well, beside the new ones that its photos show."""


def _details() -> JobDetails:
    s = SCENARIO
    instrument = InstrumentDetails(
        name=s.instrument,
        kind=s.kind,
        scale_length=s.scale_length,
        frets=s.frets,
        strings=s.strings,
        spread_nut=s.spread_nut,
        spread_bridge=s.spread_bridge,
        board_wood=s.board_wood,
        radius_nut=s.radius_nut,
        present_wire=s.present_wire,
        crown_width=s.crown_width,
        crown_height=s.crown_height,
    )
    return JobDetails(s.customer, s.contact, instrument, s.asked_for)


def ask_of(sample: Sample) -> Ask:
    """What to ask of a sample photo: the options beside it, read as the command reads them.

    Raises
    ------
    OptionError
        If there is no such view or scale.
    """
    options: dict[str, Any] = sample.ask
    if options["view"] not in get_args(View):
        raise OptionError(f"There is no view called {options['view']!r}.", f"Use one of: {', '.join(get_args(View))}.")
    scale = parse_scale(options.pop("scale"))
    plane = parse_scale_plane(options.pop("scale_plane", "crown"))
    return Ask(scale=scale, scale_plane=plane, **options)


def load_demo(store: Store) -> int:
    """The id of the demo job, made if need be: measured, the sure readings accepted, the rest to try.

    Can be called any number of times: what the person changed in the demo stays, photos they hid stay hidden, and a
    load that was cut short is finished.
    """
    return _measured(store, _details(), FORM_TOKEN)


def load_finished(store: Store) -> int:
    """The id of a second demo job that went all the way, made if need be: agreed, done, proved and handed over.

    One doubtful feature is left undecided, to try. The heights after the work are those that the frets were drawn with,
    as a calliper would read them.
    """
    details = _details()
    details = replace(details, instrument=replace(details.instrument, name=f"{SCENARIO.instrument}, a finished job"))
    job_id = _measured(store, details, FINISHED_TOKEN)
    if estimates(store, job_id):
        return job_id
    _add_notes(store, job_id)
    left = [f for f in features(store, job_id) if f.left]
    judge_all(store, [r for f in left[1:] for r in f.left], "accept")
    limits = terms(store, job_id).limits.with_value("crown_height", SCENARIO.least_height)
    change_terms(store, job_id, limits, bevel_deg=SCENARIO.agreed_bevel, note=WHY)
    made = issue_estimate(store, draft(store, job_id).id)
    accept_estimate(store, made.id)
    write_fret_heights(store, job_id, _heights_after(), AFTER)
    new, every = made.estimate.replaced, tuple(range(1, SCENARIO.frets + 1))
    record_work(store, job_id, AFTER, "replaced", new)
    record_work(store, job_id, AFTER, "levelled", tuple(n for n in every if n not in new))
    for visit, relief in (SCENARIO.visits[0], 0.45), (AFTER, 0.22):
        write_gauge_reading(store, job_id, visit, "treble relief", relief)
    choose_stage(store, job_id, ChosenStage(Stage.HANDED_OVER))
    return job_id


def _add_notes(store: Store, job_id: int) -> None:
    """What is noted beside the readings: a finding with its picture, and a distance measured by hand."""
    photo = next(p for p in job_view(store, job_id).photos if p.view == "plan" and p.inspection)
    assert photo.inspection is not None
    first, second = (_edges(f) for f in photo.inspection.answer.frets if f.number in (1, 2))
    middles = tuple((float(x), float(y)) for x, y in (first.mean(axis=0), second.mean(axis=0)))
    if not hand_measures(store, photo.id):
        keep_hand_measure(store, photo.id, "distance", middles, "Fret 1 to fret 2, middle to middle")
    bgr = decoded_photo(photo_path(store, photo.sha256), photo.sha256).bgr
    x, reach = int(middles[1][0]), int(abs(middles[1][0] - middles[0][0]))  # with its neighbours
    y0, y1 = int(second[:, 1].min()) - MARGIN_PX, int(second[:, 1].max()) + MARGIN_PX
    piece = cv2.imencode(".jpg", bgr[y0:y1, x - reach : x + reach], [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
    add_photo(store, job_id, piece, "fret-2.jpg", "finding", note=FINDING, category="Worn frets")


def _edges(fret: FretReading) -> NDArray[np.float64]:
    """The points of a fret's crown edges on its photo."""
    return np.vstack([o.points for o in fret.outlines if o.name == "crown_edge"])


def _heights_after() -> dict[int, float]:
    """Crown heights of the frets that the photos after the work show and of some that stayed, mm by fret."""
    seen = {f["n"]: f["crown_height"] for s in photos() if s.visit == AFTER for f in s.truth["frets"]}
    return seen | dict.fromkeys(KEPT_READ, SCENARIO.finished_height)


def _measured(store: Store, details: JobDetails, token: str) -> int:
    """A job with all sample photos taken in and measured, and its sure readings accepted."""
    job_id = create_job(store, details, token)
    for visit in SCENARIO.visits:
        add_visit(store, job_id, visit)
    job = job_view(store, job_id)
    done = {p.sha256 for p in job.photos if p.inspection is not None} | {p.sha256 for p in job.removed}
    for sample in photos():
        data = sample.path.read_bytes()
        if hashlib.sha256(data).hexdigest() not in done:
            added = add_photo(store, job_id, data, sample.path.name, sample.view, sample.visit)
            measure_photo(store, added.photo.id, ask_of(sample))
    if not any(r.verdict != "open" for r in readings(store, job_id)):
        accept_sure(store, job_id)
    return job_id
