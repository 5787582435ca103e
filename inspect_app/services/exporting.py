"""A job as one file: papers, pictures without location data, readings as JSON and CSV with units."""

from __future__ import annotations

import csv
import io
import json
import os
import zipfile
from pathlib import Path

from inspect_app.jobs.records import JobView
from inspect_app.jobs.store import Store
from inspect_app.services.estimating import estimate_pdf, estimates
from inspect_app.services.jobs import job_view
from inspect_app.services.papers import picture_of
from inspect_app.services.review import readings
from shared.errors import OptionError, StoreError

__all__ = ["export_job", "readings_csv"]

_STAMP = (1980, 1, 1, 0, 0, 0)  # the same content gives the same file


def readings_csv(store: Store, job_id: int) -> str:
    """All readings of a job, one a row, with unit, u (k = 1), flags and what was decided about each."""
    out = io.StringIO()
    sheet = csv.writer(out, lineterminator="\n")
    sheet.writerow(("visit", "photo", "view", "reading", "value", "u", "unit", "flags", "verdict", "reason"))
    names = {p.id: p.name for p in job_view(store, job_id).photos}
    for v in sorted(readings(store, job_id), key=lambda v: (v.visit.id, v.photo_id, v.reading.fret, v.reading.key)):
        q = v.reading.value
        cells = (v.visit.label, names[v.photo_id], v.view, v.reading.key, repr(q.value), repr(q.u), q.unit)
        sheet.writerow([_plain(c) for c in (*cells, " ".join(v.flags), v.verdict, v.reason)])
    return out.getvalue()


def _plain(cell: str) -> str:
    """Text a spreadsheet will not take for a formula."""
    return f"'{cell}" if cell[:1] in "=+@\t\r" else cell


def export_job(store: Store, job_id: int, path: Path, longest: int = 1600) -> Path:
    """Write a job's papers, pictures, JSON and CSV to one zip file; the same job gives the same bytes.

    Raises
    ------
    OptionError
        If the pictures' size makes no sense.
    StoreError
        If the file cannot be written; nothing half-written is left.
    """
    if not 200 <= longest <= 12_000:
        raise OptionError(f"Pictures of {longest} pixels are not possible.", "Choose 200 to 12000.")
    job = job_view(store, job_id)
    part = path.with_name(f"{path.name}.part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in _contents(store, job, longest):
                archive.writestr(zipfile.ZipInfo(name, _STAMP), data)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise StoreError(f"{path} can't be written: {error.strerror}.", "Choose another place.") from error
    return path


def _contents(store: Store, job: JobView, longest: int) -> list[tuple[str, bytes]]:
    answers = [p.inspection.answer.to_dict() for p in job.photos if p.inspection]
    out = [
        ("readings.csv", readings_csv(store, job.id).encode()),
        ("readings.json", json.dumps(answers, ensure_ascii=False, indent=1, allow_nan=False).encode()),
    ]
    for e in reversed(estimates(store, job.id)):
        if e.status != "draft":
            out.append((f"estimate-{e.estimate.revision}.pdf", estimate_pdf(store, e.id)))
    for p in job.photos:
        out.append((f"pictures/{p.visit.label}-{p.id}-{p.view}.jpg", picture_of(store, p, longest)))
    return out
