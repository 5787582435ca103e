"""The demo job: the sample photos taken in, measured and gone through, as a finished-looking job."""

from __future__ import annotations

import hashlib
from typing import Any, get_args

from inspect_app.reading.ask import Ask, View, parse_scale, parse_scale_plane
from inspect_app.services import (
    InstrumentDetails,
    JobDetails,
    Store,
    accept_sure,
    add_photo,
    add_visit,
    create_job,
    job_view,
    measure_photo,
    readings,
)
from sample_images import SCENARIO, Sample, photos
from shared.errors import OptionError

__all__ = ["FORM_TOKEN", "load_demo", "ask_of"]

FORM_TOKEN = "demo"
"""Marks the demo job, so that asking for it twice makes one."""


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
    """The id of the demo job, made if need be.

    Can be called any number of times: what the person changed in the demo stays, photos they hid stay hidden, and a
    load that was cut short is finished.
    """
    job_id = create_job(store, _details(), FORM_TOKEN)
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
