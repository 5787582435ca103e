"""From a visit's readings to a decision: the wear map, the options, the terms a job is judged by, the shop's wire."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.decide.estimate import PriceBook, cost_of
from inspect_app.decide.limits import Limits
from inspect_app.decide.options import Kind, Option, Recommendation, recommend, work_out_options
from inspect_app.decide.wear import Rate, WearMap, build_wear_map, combined, wear_rates
from inspect_app.instrument.wire import Match, WireStock, match_wire
from inspect_app.jobs import loading
from inspect_app.jobs.decision_models import FretHeight, Terms, Wire
from inspect_app.jobs.details import FIRST_VISIT, MAX_FRETS, InstrumentDetails, instrument_of
from inspect_app.jobs.models import Job, Photo, Setting, Visit
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.reading.inspection import FretReading, Inspection
from inspect_app.reading.values import without
from inspect_app.services.finding import now, row, touch
from shared.errors import OptionError
from shared.measured import Contribution, Measured

__all__ = [
    "AFTER",
    "Decision",
    "TermsView",
    "WireView",
    "add_wire",
    "change_terms",
    "decide",
    "fret_heights",
    "inspections_of",
    "keep_terms",
    "rates",
    "remove_wire",
    "shop_limits",
    "shop_prices",
    "terms",
    "wear_of",
    "wire_matches",
    "wires",
    "write_fret_heights",
]

AFTER = "after"
"""Label of the visit whose photos prove the work."""
_KNOWN_WIRE_U = 0.03
"""Standard uncertainty of a crown height that was written down, not measured here, mm: a calliper on a fitted fret."""
_STOCK_WIRE_U = 0.01
"""Standard uncertainty of a stocked wire's stated crown height, mm: a calliper on loose wire (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class WireView:
    """A wire on the stock list."""

    id: int
    stock: WireStock


@dataclass(frozen=True, slots=True)
class TermsView:
    """What a job is judged by. `choice` is the option the person chose, ``None`` while they chose none."""

    limits: Limits
    prices: PriceBook
    wire: WireView | None
    bevel_deg: float
    choice: Kind | None
    note: str


@dataclass(frozen=True, slots=True)
class Decision:
    """Everything a decision rests on."""

    wear: WearMap
    options: tuple[Option, ...]
    recommendation: Recommendation
    terms: TermsView

    @property
    def kind(self) -> Kind | None:
        """The option that stands, ``None`` while nothing can be recommended and nothing was chosen."""
        return self.terms.choice or self.recommendation.kind

    def option(self, kind: Kind) -> Option:
        """The option of this kind."""
        return next(o for o in self.options if o.kind == kind)


def inspections_of(store: Store, job_id: int, visit: str) -> tuple[Inspection, ...]:
    """The current inspections of a visit, rejected readings taken out."""
    with reading(store) as session:
        return _inspections(row(session, Job, job_id, "job"), visit)


def _inspections(job: Job, visit: str) -> tuple[Inspection, ...]:
    photos = [p for p in job.photos if p.removed is None and p.visit.label == visit]
    return tuple(i for p in photos if (i := _kept_inspection(p)) is not None)


def _kept_inspection(photo: Photo) -> Inspection | None:
    at = loading.current_inspection(photo)
    if at is None:
        return None
    last = {j.reading: j.verdict for j in at.judgements}
    return without(Inspection.from_dict(at.answer), {key for key, verdict in last.items() if verdict == "reject"})


def wear_of(store: Store, job_id: int, visit: str = FIRST_VISIT) -> WearMap:
    """The wear map of one visit of a job.

    Raises
    ------
    OptionError
        If the job does not say the scale length.
    """
    with reading(store) as session:
        return _wear(session, row(session, Job, job_id, "job"), visit)


def _wear(session: Session, job: Job, visit: str) -> WearMap:
    details = loading.details_of(job).instrument
    instrument = instrument_of(details)
    if instrument is None:
        raise OptionError("The job does not say the scale length.", "Write it on the job's page.")
    inspections = _inspections(job, visit)
    height, source = _crown_height(inspections, details, worked_on=visit == AFTER)
    return build_wear_map(inspections, instrument, height, source, _read_at_bench(session, job, visit))


def _read_at_bench(session: Session, job: Job, visit: str) -> dict[int, Measured]:
    """The last height written for each fret at a visit, those taken back left out."""
    written = select(FretHeight).join(Visit).where(Visit.job_id == job.id, Visit.label == visit)
    last = {r.fret: r.height for r in session.scalars(written.order_by(FretHeight.id))}
    return {n: Measured.of(h, "mm", calliper=_KNOWN_WIRE_U) for n, h in sorted(last.items()) if h is not None}


def fret_heights(store: Store, job_id: int, visit: str = FIRST_VISIT) -> dict[int, Measured]:
    """Crown heights of single frets that were read with a calliper or gauge at a visit, mm."""
    with reading(store) as session:
        return _read_at_bench(session, row(session, Job, job_id, "job"), visit)


def write_fret_heights(store: Store, job_id: int, heights: Mapping[int, float | None], visit: str) -> None:
    """Write down crown heights, mm by fret, read where the fret is not worn; ``None`` takes one back.

    Raises
    ------
    OptionError
        If a height is not possible, the instrument has no such fret, or the job no such visit.
    """
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        at = next((v for v in job.visits if v.label == visit), None)
        if at is None:
            raise OptionError(f"The job has no visit {visit!r}.", "Add its photos first.")
        now_known = _read_at_bench(session, job, visit)
        for fret, height in heights.items():
            if not 1 <= fret <= (job.frets or MAX_FRETS):
                raise OptionError(f"The instrument has no fret {fret}.", f"It has {job.frets or MAX_FRETS}.")
            if height is not None and not 0.1 <= height <= 3.0:
                raise OptionError(f"A crown {height:g} mm high is not possible.", "Give millimetres, 0.1 to 3.")
            known = now_known.get(fret)
            if height != (known.value if known else None):
                session.add(FretHeight(visit_id=at.id, fret=fret, height=height, written=now()))
        touch(job)


def _crown_height(
    inspections: Iterable[Inspection], details: InstrumentDetails, worked_on: bool
) -> tuple[Measured | None, str]:
    """Unworn crown height shared by all frets: from a section photo, else as written down for the present wire.

    What was written down holds no longer once frets were `worked_on`: only a photo tells then.
    """
    for inspection in inspections:
        if inspection.view == "section" and inspection.frets and inspection.frets[0].crown_height is not None:
            return _unworn(inspection.frets[0]), "section photo"
    if details.crown_height is not None and not worked_on:
        return Measured.of(details.crown_height, "mm", as_written_down=_KNOWN_WIRE_U), "as written down for this wire"
    return None, ""


def _unworn(section: FretReading) -> Measured:
    """Height now plus what the flat across the top has taken: d = r - sqrt(r^2 - f^2 / 4) for a circular crown."""
    height, radius, flat = section.crown_height, section.crown_radius, section.flat_width
    assert height is not None
    if radius is None or flat is None or flat.value >= 2.0 * radius.value:
        return height
    root = math.sqrt(radius.value**2 - flat.value**2 / 4.0)
    u = math.hypot(flat.value / (4.0 * root) * flat.u, (1.0 - radius.value / root) * radius.u)
    taken = radius.value - root
    return Measured(height.value + taken, "mm", (*height.contributions, Contribution("worn off the section", u)))


def rates(store: Store, job_id: int, earlier: str, later: str) -> tuple[Rate, ...]:
    """Wear a year between two visits of a job, and the years until a divot may no longer stay.

    Raises
    ------
    OptionError
        If the job has no such visits, or both were on one day.
    """
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        dates = {v.label: v.date for v in job.visits}
        if earlier not in dates or later not in dates:
            raise OptionError("The job has no two such visits.", "Choose two visits of this job.")
        years = (dates[later] - dates[earlier]).days / 365.25
        limit = _terms_view(session, job_id).limits["divot_leave"].value
        try:
            return wear_rates(_wear(session, job, earlier), _wear(session, job, later), years, limit)
        except ValueError:
            raise OptionError("The two visits are on the same day or in the wrong order.", "Choose others.") from None


def decide(store: Store, job_id: int, visit: str = FIRST_VISIT) -> Decision:
    """Work out every option for a visit's readings and recommend one."""
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        wear = _wear(session, job, visit)
        known = _terms_view(session, job_id)
        yearly = _rates_since_last(session, job, visit, wear, known.limits["divot_leave"].value)
    book, stock = known.prices, known.wire.stock if known.wire else None
    new = Measured.of(stock.crown_height, "mm", stated_height=_STOCK_WIRE_U) if stock else None
    options = work_out_options(wear, known.limits, lambda kind, d, r: cost_of(book, kind, d, r, stock), new, yearly)
    return Decision(wear, options, recommend(wear, options), known)


def _rates_since_last(session: Session, job: Job, visit: str, wear: WearMap, limit: float) -> tuple[Rate, ...]:
    """Wear a year since the visit before this one; none where there was none, or on the same day."""
    at = next((v for v in job.visits if v.label == visit), None)
    before = [v for v in job.visits if at is not None and v.date < at.date]
    if at is None or not before:
        return ()
    years = (at.date - before[-1].date).days / 365.25
    return wear_rates(_wear(session, job, before[-1].label), wear, years, limit)


def wire_matches(store: Store, job_id: int, visit: str = FIRST_VISIT) -> tuple[Match, ...]:
    """The shop's stock by likeness to the wire now on the board; empty while its width or height is not known.

    The section photo is held first, else the crown width of the plan photos and the height written down.
    """
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        inspections = _inspections(job, visit)
        details = loading.details_of(job).instrument
        cuts = [i.frets[0] for i in inspections if i.view == "section" and i.frets]
        height, _ = _crown_height(inspections, details, worked_on=visit == AFTER)
    cut = next((c for c in cuts if c.crown_width is not None), None)
    widths = [w for i in inspections if i.view == "plan" for f in i.frets if (w := f.crown_width) is not None]
    width = cut.crown_width if cut else combined(widths) if widths else None
    if width is None or height is None:
        return ()
    return match_wire([w.stock for w in wires(store)], width, height, tang_width=cut.tang_width if cut else None)


def terms(store: Store, job_id: int) -> TermsView:
    """What a job is judged by: its own copy, else the shop's defaults."""
    with reading(store) as session:
        row(session, Job, job_id, "job")
        return _terms_view(session, job_id)


def _terms_view(session: Session, job_id: int) -> TermsView:
    kept = session.get(Terms, job_id)
    if kept is None:
        return TermsView(_shop_limits(session), _shop_prices(session), None, 30.0, None, "")
    wire = session.get(Wire, kept.wire_id) if kept.wire_id else None
    return TermsView(
        Limits.from_dict(kept.limits),
        PriceBook.from_dict(kept.prices),
        _wire_view(wire) if wire else None,
        kept.bevel_deg,
        Kind(kept.choice) if kept.choice else None,
        kept.note,
    )


def _shop_limits(session: Session) -> Limits:
    kept = session.get(Setting, "limits")
    return Limits.from_dict(kept.value) if kept else Limits.default()


def _shop_prices(session: Session) -> PriceBook:
    kept = session.get(Setting, "prices")
    return PriceBook.from_dict(kept.value) if kept else PriceBook.default()


def shop_limits(store: Store) -> Limits:
    """The limits new jobs start from."""
    with reading(store) as session:
        return _shop_limits(session)


def shop_prices(store: Store) -> PriceBook:
    """The price book new jobs start from."""
    with reading(store) as session:
        return _shop_prices(session)


def change_terms(
    store: Store,
    job_id: int,
    limits: Limits | None = None,
    prices: PriceBook | None = None,
    wire_id: int | None = None,
    bevel_deg: float | None = None,
    choice: Kind | str | None = None,
    note: str | None = None,
) -> TermsView:
    """Change what a job is judged by; what is ``None`` stays.

    An empty `choice` goes back to the recommendation, a `wire_id` of 0 to the wire that is on the board.

    Raises
    ------
    OptionError
        If the bevel is not an angle, the wire is not in stock, or another option was chosen without saying why.
    """
    if bevel_deg is not None and not 0.0 <= bevel_deg <= 60.0:
        raise OptionError(f"A bevel of {bevel_deg:g} degrees is not possible.", "Give 0 to 60 degrees from upright.")
    with writing(store) as session:
        job = row(session, Job, job_id, "job")
        old = _terms_view(session, job_id)
        if wire_id:
            row(session, Wire, wire_id, "wire")
        chosen = (str(old.choice) if old.choice else "") if choice is None else str(choice)
        said = old.note if note is None else note.strip()
        if chosen and not said:
            raise OptionError("Another option than the recommended one needs a note.", "Say why in a few words.")
        kept = session.get(Terms, job_id) or Terms(job_id=job_id)
        kept.limits = (limits or old.limits).to_dict()
        kept.prices = (prices or old.prices).to_dict()
        kept.wire_id = (old.wire.id if old.wire else None) if wire_id is None else (wire_id or None)
        kept.bevel_deg = old.bevel_deg if bevel_deg is None else bevel_deg
        kept.choice, kept.note, kept.updated = str(Kind(chosen)) if chosen else "", said, now()
        session.add(kept)
        touch(job)
        session.flush()
        return _terms_view(session, job_id)


def keep_terms(store: Store, job_id: int) -> TermsView:
    """Give the job its own copy of what it is judged by now, so that a later change in the shop does not move it."""
    return change_terms(store, job_id)


def add_wire(store: Store, wire: WireStock) -> WireView:
    """Put a wire on the shop's stock list."""
    with writing(store) as session:
        made = Wire(
            label=wire.label.strip(),
            material=wire.material,
            crown_width=wire.crown_width,
            crown_height=wire.crown_height,
            tang_width=wire.tang_width,
            tang_depth=wire.tang_depth,
            price=wire.price,
            currency=wire.currency or _shop_prices(session).currency,
        )
        session.add(made)
        session.flush()
        return _wire_view(made)


def remove_wire(store: Store, wire_id: int) -> None:
    """Take a wire off the list; jobs that use it keep it."""
    with writing(store) as session:
        row(session, Wire, wire_id, "wire").removed = now()


def wires(store: Store) -> tuple[WireView, ...]:
    """The shop's stock list."""
    with reading(store) as session:
        found = session.scalars(select(Wire).where(Wire.removed.is_(None)).order_by(Wire.crown_height, Wire.id))
        return tuple(map(_wire_view, found))


def _wire_view(wire: Wire) -> WireView:
    return WireView(
        wire.id,
        WireStock(
            wire.label,
            wire.material,
            wire.crown_width,
            wire.crown_height,
            wire.tang_width,
            wire.tang_depth,
            wire.price,
            wire.currency,
        ),
    )
