"""A job as one file or folder: papers, pictures without location data, readings as JSON and CSV with units."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import uuid
import zipfile
from collections.abc import Mapping
from dataclasses import asdict
from decimal import Decimal
from pathlib import Path

from inspect_app.decide.agreement import Answer
from inspect_app.decide.estimate import Estimate, totals
from inspect_app.jobs.records import JobView
from inspect_app.jobs.store import Store
from inspect_app.services.agreements import agreement_of
from inspect_app.services.deciding import decide
from inspect_app.services.estimating import estimate_pdf, estimates
from inspect_app.services.importing import whole_job
from inspect_app.services.jobs import job_view
from inspect_app.services.papers import AFTER, bench_paper, handover_paper, picture_of, record_paper
from inspect_app.services.review import readings
from shared.errors import OptionError, StoreError
from shared.names import distinct

__all__ = ["accepted_csv", "accepted_json", "export_bytes", "export_job", "readings_csv"]

_STAMP = (1980, 1, 1, 0, 0, 0)  # the same content gives the same file


def readings_csv(store: Store, job_id: int) -> str:
    """All readings of a job, one a row, with unit, u (k = 1), flags and what was decided about each."""
    out = io.StringIO()
    sheet = csv.writer(out, lineterminator="\n")
    sheet.writerow(("visit", "photo", "view", "reading", "value", "u", "unit", "flags", "verdict", "reason"))
    names = {p.id: p.name for p in job_view(store, job_id).photos}
    for v in sorted(
        readings(store, job_id), key=lambda v: (v.visit.id, v.photo_id, *v.reading.place.order, str(v.reading.key))
    ):
        q = v.reading.value
        cells = (v.visit.label, names[v.photo_id], v.view, str(v.reading.key), repr(q.value), repr(q.u), q.unit)
        sheet.writerow([_plain(c) for c in (*cells, " ".join(v.flags), v.verdict, v.reason)])
    return out.getvalue()


def _plain(cell: str) -> str:
    """Text a spreadsheet will not take for a formula."""
    return f"'{cell}" if cell[:1] in "=+@\t\r" else cell


def accepted_csv(store: Store, job_id: int) -> str:
    """The lines of the accepted estimate, one a row, amounts as decimals in the estimate's currency; then its sums.

    Raises
    ------
    OptionError
        If no estimate stands accepted.
    """
    e, _ = _accepted(store, job_id)
    out = io.StringIO()
    sheet = csv.writer(out, lineterminator="\n")
    sheet.writerow(("job", "estimate", "kind", "text", "quantity", "unit", "each", "amount", "taxed", "currency"))

    def money(minor: int) -> str:
        return f"{Decimal(minor).scaleb(-e.minor_digits):f}"

    def put(kind: str, text: str, quantity: str, unit: str, each: str, amount: int, taxed: str) -> None:
        cells = (e.job, str(e.revision), kind, text, quantity, unit, each, money(amount), taxed, e.currency)
        sheet.writerow([_plain(c) for c in cells])

    for line in e.lines:
        taxed = "yes" if line.taxable else "no"
        put("line", line.text, line.quantity, line.unit, money(line.unit_price), line.amount, taxed)
    t = totals(e)
    put("discount", f"{e.discount_percent} %", "", "", "", -t.discount, "")
    put("net", "", "", "", "", t.net, "")
    put("tax", f"{e.tax_percent} % on {money(t.taxed)}", "", "", "", t.tax, "")
    put("total", "", "", "", "", t.total, "")
    return out.getvalue()


def accepted_json(store: Store, job_id: int) -> str:
    """The same as JSON, with who accepted it, how and when, and the hash of the paper; amounts in minor units.

    Raises
    ------
    OptionError
        If no estimate stands accepted.
    """
    e, answer = _accepted(store, job_id)
    lines = [{**asdict(line), "amount": line.amount} for line in e.lines]
    out = {
        "job": e.job,
        "estimate": e.revision,
        "option": e.option,
        "currency": e.currency,
        "minor_digits": e.minor_digits,
        "lines": lines,
        "discount_percent": e.discount_percent,
        "tax_percent": e.tax_percent,
        "totals": asdict(totals(e)),
        "accepted": {
            "by": answer.by,
            "how": answer.how,
            "on": answer.on.isoformat(),
            "note": answer.note,
            "pdf_sha256": answer.pdf_sha256,
        },
    }
    return json.dumps(out, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _accepted(store: Store, job_id: int) -> tuple[Estimate, Answer]:
    found = agreement_of(store, job_id)
    if found is None:
        raise OptionError("No estimate of this job stands accepted.", "Write down the customer's answer first.")
    return found.estimate, found.answer


def export_job(store: Store, job_id: int, path: Path, longest: int = 1600, whole: bool = False) -> Path:
    """Write a job's papers, pictures, JSON and CSV; the same job gives the same bytes.

    A `path` that ends in ``.zip`` becomes one zip file, any other a folder that must not exist yet or be empty. With
    `whole`, everything that `import_job` needs goes with it, the photos as they came with all they say of camera and
    place among it.

    Raises
    ------
    OptionError
        If the pictures' size makes no sense, or the folder holds something already.
    StoreError
        If it cannot be written; nothing half-written is left.
    """
    if path.is_dir() and any(path.iterdir()):
        raise OptionError(f"{path} holds something already.", "Name a new folder, or a file that ends in .zip.")
    contents = _contents(store, job_id, longest, whole)
    part = path.with_name(f"{path.name}.{uuid.uuid4().hex}.part")
    try:
        if path.suffix.lower() == ".zip":
            _write_zip(part, contents)
        else:
            _write_folder(part, contents)
            if path.is_dir():  # empty, as was checked
                path.rmdir()
        os.replace(part, path)
    except OSError as error:
        _throw_away(part)
        raise StoreError(f"{path} can't be written: {error.strerror}.", "Choose another place.") from error
    return path


def _throw_away(part: Path) -> None:
    if part.is_dir():
        shutil.rmtree(part, ignore_errors=True)
    else:
        part.unlink(missing_ok=True)


def _write_zip(path: Path | io.BytesIO, contents: list[tuple[str, bytes]]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in contents:
            archive.writestr(zipfile.ZipInfo(name, _STAMP), data)


def _write_folder(path: Path, contents: list[tuple[str, bytes]]) -> None:
    path.mkdir()
    for name, data in contents:
        at = path / name
        at.parent.mkdir(parents=True, exist_ok=True)
        at.write_bytes(data)


def export_bytes(store: Store, job_id: int, longest: int = 1600, whole: bool = False) -> bytes:
    """The same as a zip file's bytes, for the page.

    Raises
    ------
    OptionError
        If the pictures' size makes no sense.
    """
    out = io.BytesIO()
    _write_zip(out, _contents(store, job_id, longest, whole))
    return out.getvalue()


def _contents(store: Store, job_id: int, longest: int, whole: bool) -> list[tuple[str, bytes]]:
    if not 200 <= longest <= 12_000:
        raise OptionError(f"Pictures of {longest} pixels are not possible.", "Choose 200 to 12000.")
    job = job_view(store, job_id)
    answers = [p.inspection.answer.to_dict() for p in job.photos if p.inspection]
    out = [
        ("readings.csv", readings_csv(store, job.id).encode()),
        ("readings.json", json.dumps(answers, ensure_ascii=False, indent=1, allow_nan=False).encode()),
    ]
    for e in reversed(estimates(store, job.id)):
        if e.status != "draft":
            out.append((f"estimate-{e.estimate.revision}.pdf", estimate_pdf(store, e.id)))
    if agreement_of(store, job.id) is not None:
        out.append(("accepted.csv", accepted_csv(store, job.id).encode()))
        out.append(("accepted.json", accepted_json(store, job.id).encode()))
    names = dict(zip((v.id for v in job.visits), distinct(_in_a_name(v.label) for v in job.visits), strict=True))
    out += _other_papers(store, job, names)
    for n, p in enumerate(job.photos, 1):
        out.append((f"pictures/{names[p.visit.id]}-{n}-{p.view}.jpg", picture_of(store, p, longest)))
    return out + (whole_job(store, job.id) if whole else [])


def _in_a_name(label: str) -> str:
    """A visit's name as part of a file's, on every system: a slash in it would be a folder, a colon refused."""
    return re.sub(r"[^\w -]+", "-", label).strip()


def _other_papers(store: Store, job: JobView, names: Mapping[int, str]) -> list[tuple[str, bytes]]:
    """Record of every visit, bench sheet and handover, as far as the job has come to them."""
    known = job.details.instrument.scale_length is not None
    out = [
        (f"record-{names[v.id]}.pdf", record_paper(store, job.id, v.label).data)
        for v in job.visits
        if any(p.visit.id == v.id for p in job.photos)
    ]
    if known and decide(store, job.id).kind is not None:
        out.append(("bench-sheet.pdf", bench_paper(store, job.id).data))
    if known and any(p.visit.label == AFTER for p in job.photos):
        out.append(("handover.pdf", handover_paper(store, job.id).data))
    return out
