"""What the shop's setups aim at, by kind of instrument; strings and neck held against it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy.orm import Session

from inspect_app.decide.gauge_quantities import Gauged
from inspect_app.decide.setup import Setup, Targets, setup_of, targets_for, targets_of_kinds
from inspect_app.jobs.details import InstrumentDetails, instrument_of
from inspect_app.jobs.models import Setting
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.reading.inspection import Inspection
from inspect_app.services.rows import now
from shared.errors import OptionError

__all__ = ["change_setup_targets", "setup_in", "setup_targets"]

KEPT = "setup_targets"


def setup_in(
    session: Session, details: InstrumentDetails, inspections: Sequence[Inspection], by_gauge: Gauged
) -> Setup:
    """Strings and neck of one visit; nothing while the scale length is not known."""
    instrument = instrument_of(details)
    if instrument is None:
        return Setup()
    return setup_of(inspections, instrument, targets_for((details.kind, details.name), _targets(session)), by_gauge)


def _targets(session: Session) -> tuple[Targets, ...]:
    kept = session.get(Setting, KEPT)
    return targets_of_kinds(kept.value if kept else None)


def setup_targets(store: Store) -> tuple[Targets, ...]:
    """What the shop's setups aim at, by kind of instrument."""
    with reading(store) as session:
        return _targets(session)


def change_setup_targets(store: Store, kind: str, ranges: Mapping[str, tuple[float, float]]) -> tuple[Targets, ...]:
    """Set what a kind of instrument's setup aims at: reading (``treble relief``) to from and to, mm.

    Raises
    ------
    OptionError
        If there is no such kind or reading, or a range is none.
    """
    with writing(store) as session:
        known = next((t for t in _targets(session) if t.kind == kind), None)
        if known is None or not set(ranges) <= set(known.by_name):
            raise OptionError("There is no such kind of instrument or reading.", "Choose one of those listed.")
        kept = session.get(Setting, KEPT)
        before = dict(kept.value) if kept else {}
        was = {n: (t.least, t.most) for n, t in known.by_name.items()}
        mine = {n: [float(v) for v in r] for n, r in ranges.items() if tuple(r) != was[n]}
        changed = {**before, kind: {**before.get(kind, {}), **mine}}
        found = targets_of_kinds(changed)
        session.merge(Setting(key=KEPT, value=changed, updated=now()))
        return found
