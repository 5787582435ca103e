"""What all papers of a job share: who they are from and for, and how they write numbers."""

from __future__ import annotations

from inspect_app.decide.estimate import PriceBook
from inspect_app.jobs.records import JobView
from inspect_app.jobs.store import Store
from inspect_app.report.number_format import NumberFormat
from inspect_app.report.paper_frame import Heading
from inspect_app.report.pdf import PAPERS
from inspect_app.services.shop import get_setting
from shared.errors import OptionError
from shared.units import LENGTH_UNITS

__all__ = ["NumberFormat", "heading_of", "materials_of", "visit_day", "writing_of"]


def writing_of(store: Store, prices: PriceBook | None = None, locale: str | None = None) -> NumberFormat:
    """The shop's unit of length, and the decimal mark of a locale or of the job's price book."""
    unit = (get_setting(store, "length") or {}).get("unit", "mm")
    written = locale if locale is not None else (prices.locale if prices else "")
    return NumberFormat(unit if unit in LENGTH_UNITS else "mm", written)


def heading_of(store: Store, job: JobView, paper: str, writing: NumberFormat) -> Heading:
    """Letterhead, customer and instrument.

    Raises
    ------
    OptionError
        If there is no such paper size.
    """
    if paper not in PAPERS:
        raise OptionError(f"There is no paper {paper!r}.", f"Use one of: {', '.join(PAPERS)}.")
    shop = get_setting(store, "shop") or {}
    instrument = job.details.instrument
    size = f"{writing.plain(instrument.scale_length, digits=4)} scale" if instrument.scale_length else ""
    frets = f"{instrument.frets} frets" if instrument.frets else ""
    words = ", ".join(w for w in (instrument.name or instrument.kind, frets, size) if w)
    return Heading(
        str(shop.get("name", "")),
        tuple(str(line) for line in shop.get("lines", ())),
        str(job.number),
        job.details.customer,
        words,
        job.details.asked_for,
        PAPERS[paper],
    )


def materials_of(job: JobView) -> tuple[str, ...]:
    """Where the name of a material under trade controls could stand."""
    return job.details.instrument.board_wood, job.details.instrument.kind, job.details.asked_for


def visit_day(job: JobView, visit: str) -> str:
    """The day of a visit, ISO 8601; the job's last change where it has no such visit."""
    return next((v.date for v in job.visits if v.label == visit), job.updated.date()).isoformat()
