"""The shop's gauges: callipers, rules and feelers, each with what it resolves and how far it may be off."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from inspect_app.jobs.models import Gauge, Setting
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.rows import now, row
from shared.errors import OptionError

__all__ = [
    "GAUGE_KINDS", "GaugeView", "add_gauge", "gauge_in_use", "gauges", "restore_gauge", "retire_gauge",
    "use_gauge",
]  # fmt: skip

GAUGE_KINDS = ("calliper", "rule", "feeler")
_IN_USE = "gauge in use"
_COARSEST_MM = 1.0  # a rule's graduations


@dataclass(frozen=True, slots=True)
class GaugeView:
    """A gauge of the shop: resolution and its own standard uncertainty, mm, when it was last calibrated."""

    id: int
    name: str
    kind: str
    resolution: float
    u: float
    calibrated: date | None
    in_use: bool
    retired: bool


def add_gauge(
    store: Store, name: str, kind: str, resolution: float, u: float, calibrated: date | None = None
) -> GaugeView:
    """Enter a gauge: what it resolves and its own standard uncertainty, mm, from its certificate or its limit over 1.7.

    Raises
    ------
    OptionError
        If there is no such kind, or its figures are not possible.
    """
    if kind not in GAUGE_KINDS:
        raise OptionError(f"There is no kind of gauge {kind!r}.", f"Use one of: {', '.join(GAUGE_KINDS)}.")
    if not name.strip():
        raise OptionError("The gauge has no name.", "Give what is engraved on it, or where it hangs.")
    if not (0.0 < resolution <= _COARSEST_MM and 0.0 < u <= _COARSEST_MM):
        raise OptionError(
            f"A gauge that resolves {resolution:g} mm with an uncertainty of {u:g} mm is not possible.",
            "Give both in millimetres, above 0.",
        )
    with writing(store) as session:
        made = Gauge(name=name.strip(), kind=kind, resolution=resolution, u=u, calibrated=calibrated, created=now())
        session.add(made)
        session.flush()
        return _view(made, gauge_in_use(session))


def gauges(store: Store) -> tuple[GaugeView, ...]:
    """All gauges, in the order they were entered."""
    with reading(store) as session:
        used = gauge_in_use(session)
        return tuple(_view(g, used) for g in session.scalars(select(Gauge).order_by(Gauge.id)))


def use_gauge(store: Store, gauge_id: int | None) -> None:
    """From now on, heights are read with this gauge; ``None`` for a usual one.

    Raises
    ------
    OptionError
        If there is none, or it is retired.
    """
    with writing(store) as session:
        found = row(session, Gauge, gauge_id, "gauge") if gauge_id is not None else None
        if found is not None and found.retired is not None:
            raise OptionError(f"The gauge {found.name} is retired.", "Use another, or enter it anew once calibrated.")
        session.merge(Setting(key=_IN_USE, value={"gauge": gauge_id}, updated=now()))


def retire_gauge(store: Store, gauge_id: int) -> None:
    """Use a gauge no more; what it read stays as it is.

    Raises
    ------
    OptionError
        If there is none.
    """
    with writing(store) as session:
        found = row(session, Gauge, gauge_id, "gauge")
        found.retired = found.retired or now()
        if gauge_in_use(session) == gauge_id:
            session.merge(Setting(key=_IN_USE, value={"gauge": None}, updated=now()))


def restore_gauge(store: Store, gauge_id: int, in_use: bool = False) -> None:
    """Put a gauge into the register again that was retired, and read heights with it again where that was so."""
    with writing(store) as session:
        row(session, Gauge, gauge_id, "gauge").retired = None
    if in_use:
        use_gauge(store, gauge_id)


def gauge_in_use(session: Session) -> int | None:
    """The gauge that heights are read with, where one was chosen."""
    found = session.get(Setting, _IN_USE)
    return None if found is None or found.value.get("gauge") is None else int(found.value["gauge"])


def _view(g: Gauge, used: int | None) -> GaugeView:
    return GaugeView(g.id, g.name, g.kind, g.resolution, g.u, g.calibrated, g.id == used, g.retired is not None)
