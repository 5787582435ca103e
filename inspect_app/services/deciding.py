"""From a visit's readings to a decision: the wear map, the options, the terms a job is judged by, the shop's wire."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session, object_session

from inspect_app.decide.board import UNWORN_BOARD, BoardWear, board_wear
from inspect_app.decide.estimate import NOTHING_BESIDES, ExtraWork, PriceBook, cost_of
from inspect_app.decide.limits import Limits, Verdict
from inspect_app.decide.neck_strip import NeckRow, neck_strip
from inspect_app.decide.options import Cost, Kind, Option, Recommendation, recommend, work_out_options
from inspect_app.decide.options_renewing_frets import nut_after_new_wire
from inspect_app.decide.setup import NOTHING_READ, Setup
from inspect_app.decide.wear import Rate, WearMap, build_wear_map, combined, wear_rates
from inspect_app.instrument.wire import WireMatch, WireStock, match_wire
from inspect_app.jobs import loading
from inspect_app.jobs.decision_models import Terms, Wire
from inspect_app.jobs.details import FIRST_VISIT, instrument_of
from inspect_app.jobs.models import InspectionRow, Job, Setting
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.reading.inspection import Inspection
from inspect_app.reading.key import Key
from inspect_app.reading.values import without
from inspect_app.services.gauge_readings import gauged_at
from inspect_app.services.heights import (
    AFTER,
    fret_heights,
    heights_at,
    jobs_before,
    material_of,
    new_wire_height,
    worked_between,
    write_fret_heights,
)
from inspect_app.services.result_cache import ResultCache
from inspect_app.services.review import present_inspections
from inspect_app.services.rows import mark_changed, now, row
from inspect_app.services.setups import setup_in
from shared.errors import OptionError

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
    "board_of_visit",
    "neck_strip_of",
    "rates",
    "setup_of_visit",
    "remove_wire",
    "restore_wire",
    "shop_limits",
    "shop_prices",
    "terms",
    "wear_of",
    "wire_matches",
    "wires",
    "write_fret_heights",
]


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
    setup: Setup = NOTHING_READ
    board: BoardWear = UNWORN_BOARD
    besides: ExtraWork = NOTHING_BESIDES
    """What a refret with the wire chosen brings besides the frets."""

    @property
    def kind(self) -> Kind | None:
        """The option that stands, ``None`` while nothing can be recommended and nothing was chosen."""
        return self.terms.choice or self.recommendation.kind

    def option(self, kind: Kind) -> Option:
        """The option of this kind."""
        return next(o for o in self.options if o.kind == kind)


Judged = tuple[str, int, datetime, frozenset[Key]]
"""What tells an inspection as it was judged from any other: photo, row, when that was made, what is rejected."""
_maps, _decisions = ResultCache[WearMap](8), ResultCache[Decision](4)
"""A page needs the same map and decision several times, the next page once more; two visits of some jobs."""


def inspections_of(store: Store, job_id: int, visit: str) -> tuple[Inspection, ...]:
    """The current inspections of a visit, rejected readings taken out."""
    with reading(store) as session:
        return _inspections(row(session, Job, job_id, "job"), visit)


def _inspections(job: Job, visit: str) -> tuple[Inspection, ...]:
    return tuple(inspection for inspection, _ in _judged(job, visit))


JudgedOnes = tuple[tuple[Inspection, Judged], ...]


def _judged(job: Job, visit: str) -> JudgedOnes:
    """The inspections of a visit less what was rejected, and what tells each from any other."""
    session = object_session(job)
    present = session.scalars(present_inspections(job.id)) if session else ()
    return tuple(_less_rejected(at) for at in present if at.photo.visit.label == visit)


def _less_rejected(at: InspectionRow) -> tuple[Inspection, Judged]:
    last = {j.reading: j.verdict for j in at.judgements}
    rejected = frozenset(key for key, verdict in last.items() if verdict == "reject")
    return without(loading.answer_of(at), rejected), (at.photo.sha256, at.id, at.created, rejected)


def wear_of(store: Store, job_id: int, visit: str = FIRST_VISIT) -> WearMap:
    """The wear map of one visit of a job.

    Raises
    ------
    OptionError
        If the job does not say the scale length.
    """
    with reading(store) as session:
        return _wear(session, row(session, Job, job_id, "job"), visit)


def _wear(session: Session, job: Job, visit: str, known_judged: JudgedOnes | None = None) -> WearMap:
    details = loading.details_of(job).instrument
    instrument = instrument_of(details)
    if instrument is None:
        raise OptionError("The job does not say the scale length.", "Write it on the job's page.")
    judged = _judged(job, visit) if known_judged is None else known_judged
    inspections = tuple(inspection for inspection, _ in judged)
    known = heights_at(session, job, visit, inspections)
    material = material_of(job, known)
    given = (tuple(told for _, told in judged), instrument, known, material)
    return _maps.of(
        given,
        lambda: build_wear_map(inspections, instrument, known.shared, known.source, known.own, known.wire, material),
    )


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
        if dates[earlier] <= dates[later] and worked_between(session, job, earlier, later):
            raise OptionError(
                "Frets were worked on between the two visits: what came off was not worn off.",
                "Choose visits with no work between.",
            )
        try:
            return wear_rates(_wear(session, job, earlier), _wear(session, job, later), years, limit)
        except ValueError:
            raise OptionError("The two visits are on the same day or in the wrong order.", "Choose others.") from None


def decide(store: Store, job_id: int, visit: str = FIRST_VISIT) -> Decision:
    """Work out every option for a visit's readings and recommend one."""
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        judged = _judged(job, visit)  # read once: of all that a decision rests on this takes longest
        inspections = tuple(inspection for inspection, _ in judged)
        wear = _wear(session, job, visit, judged)
        known = _terms_view(session, job_id)
        yearly = _rates_since_last(session, job, visit, wear, known.limits["divot_leave"].value)
        wire = session.get(Wire, known.wire.id) if known.wire else None
        new = new_wire_height(wire) if wire else None
        by_gauge = gauged_at(session, job, visit)
        setup = setup_in(session, loading.details_of(job).instrument, inspections, by_gauge)
        board = board_wear(inspections, wear.instrument, by_gauge)
    book, stock = known.prices, known.wire.stock if known.wire else None
    nut = nut_after_new_wire(wear, new or wear.wire_height or wear.crown_height, setup)
    low, ends = nut is not None and nut.verdict == Verdict.BEYOND, setup.ends
    besides = ExtraWork(low, bool(board), len(ends.lifted), bool(ends.proud))

    def price(kind: Kind, dressed: int, replaced: int) -> Cost:
        return cost_of(book, kind, dressed, replaced, stock, besides)

    def work_out() -> Decision:
        options = work_out_options(wear, known.limits, price, new, yearly, stock=stock, setup=setup, board=board)
        return Decision(wear, options, recommend(wear, options), known, setup, board, besides)

    return _decisions.of((wear, known, new, yearly, setup, board, besides), work_out)


def setup_of_visit(store: Store, job_id: int, visit: str = FIRST_VISIT) -> Setup:
    """Strings and neck as the photos of one visit show them; nothing while the scale length is not known."""
    with reading(store) as session:
        return _setup(session, row(session, Job, job_id, "job"), visit)


def neck_strip_of(store: Store, job_id: int, visit: str = FIRST_VISIT) -> tuple[NeckRow, ...]:
    """Strings and neck of one visit fret by fret."""
    high_from = terms(store, job_id).limits["level_step"].value
    over = setup_of_visit(store, job_id, visit).over_neighbours
    return neck_strip(inspections_of(store, job_id, visit), over, high_from)


def board_of_visit(store: Store, job_id: int, visit: str = FIRST_VISIT) -> BoardWear:
    """Worn places of the board as the photos of one visit show them."""
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        instrument = instrument_of(loading.details_of(job).instrument)
        if instrument is None:
            return UNWORN_BOARD
        return board_wear(_inspections(job, visit), instrument, gauged_at(session, job, visit))


def _setup(session: Session, job: Job, visit: str) -> Setup:
    by_gauge = gauged_at(session, job, visit)
    return setup_in(session, loading.details_of(job).instrument, _inspections(job, visit), by_gauge)


def _rates_since_last(session: Session, job: Job, visit: str, wear: WearMap, limit: float) -> tuple[Rate, ...]:
    """Wear a year since the visit before this one; none where there was none, on the same day, or where frets were
    worked on since."""
    at = next((v for v in job.visits if v.label == visit), None)
    before = [v for v in job.visits if at is not None and v.date < at.date]
    if at is None or not before or worked_between(session, job, before[-1].label, visit):
        return ()
    years = (at.date - before[-1].date).days / 365.25
    return wear_rates(_wear(session, job, before[-1].label), wear, years, limit)


def wire_matches(store: Store, job_id: int, visit: str = FIRST_VISIT) -> tuple[WireMatch, ...]:
    """The shop's stock by likeness to the wire now on the board; empty while its width or height is not known.

    The section photo is held first, else the crown width of the plan photos and the height written down.
    """
    with reading(store) as session:
        job = row(session, Job, job_id, "job")
        inspections = _inspections(job, visit)
        cuts = [i.frets[0] for i in inspections if i.view == "section" and i.frets]
        height = heights_at(session, job, visit, inspections).shared
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
        return TermsView(_instrument_limits(session, job_id), _shop_prices(session), None, 30.0, None, "")
    wire = session.get(Wire, kept.wire_id) if kept.wire_id else None
    return TermsView(
        Limits.from_dict(kept.limits),
        PriceBook.from_dict(kept.prices),
        _wire_view(wire) if wire else None,
        kept.bevel_deg,
        Kind(kept.choice) if kept.choice in list(Kind) else None,
        kept.note,
    )


def _instrument_limits(session: Session, job_id: int) -> Limits:
    """The limits this instrument was judged by in an earlier job, else the shop's."""
    before = jobs_before(session, row(session, Job, job_id, "job"))[:-1]
    kept = next((t for j in reversed(before) if (t := session.get(Terms, j.id)) is not None), None)
    return Limits.from_dict(kept.limits) if kept else _shop_limits(session)


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
        mark_changed(job)
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


def restore_wire(store: Store, wire_id: int) -> None:
    """Put a wire on the list again that was taken off."""
    with writing(store) as session:
        row(session, Wire, wire_id, "wire").removed = None


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
