"""The shop's printed scales by number: what their check bars measure, by which gauge, and which are not measured."""

from __future__ import annotations

import math

from sqlalchemy import select
from sqlalchemy.orm import Session

from calib.scales.ask import PRINT_U_REL, UNVERIFIED_U_REL, KnownPrint, u_of_air
from calib.scales.sheets import PRINTED
from inspect_app.jobs.models import Gauge, Print, PrintBar, Setting
from inspect_app.jobs.records import PrintView
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.rows import now, row
from shared.errors import OptionError

__all__ = [
    "add_print",
    "known_prints",
    "measure_print",
    "new_print",
    "new_sheet",
    "print_numbered",
    "prints",
    "restore_print",
    "retire_print",
    "take_back_bar",
]

_WORST_PRINT = 0.10
"""Largest departure of a print from its nominal size taken as meant: beyond it the bar was misread or the sheet fitted
to another format (A4 to Letter changes it by 6 %)."""
_BAR_MM = 100.0
_TAKEN_BACK = "check bars taken back"
_U_BAR_ENDS_MM = 0.03
"""Finding both ends of the black with a gauge, standard uncertainty (common practice, no source)."""


def add_print(store: Store, kind: str, bar_measured: float, bar_nominal: float = 100.0, note: str = "") -> PrintView:
    """Keep what a print's check bar measures (mm); its factor goes with every photo that shows this print.

    Raises
    ------
    OptionError
        If the lengths make no sense.
    """
    _check(kind, bar_measured, bar_nominal)
    return _added(store, kind, bar_measured, bar_nominal, note, verified=True)


def new_print(store: Store, kind: str, note: str = "") -> PrintView:
    """Give a print its number before anyone has measured it.

    Raises
    ------
    OptionError
        If there is no such printed scale.
    """
    _check(kind, _BAR_MM, _BAR_MM)
    return _added(store, kind, _BAR_MM, _BAR_MM, note, verified=False)


def new_sheet(store: Store, note: str = "") -> dict[str, int]:
    """Number all scales of a sheet about to be printed: the numbers for `calib.scales.print`."""
    return {kind: new_print(store, kind, note).id for kind in PRINTED}


def known_prints(store: Store) -> tuple[KnownPrint, ...]:
    """What is known of all prints, for photos that tell the number of theirs; one that is retired is not relied on."""
    return tuple(
        KnownPrint(p.id, p.kind, p.factor, UNVERIFIED_U_REL if p.retired else p.u_factor)
        for p in reversed(prints(store))
    )


def _added(store: Store, kind: str, measured: float, nominal: float, note: str, verified: bool) -> PrintView:
    with writing(store) as session:
        made = Print(
            kind=kind, bar_nominal=nominal, bar_measured=measured, factor=measured / nominal, note=note.strip(),
            created=now(), verified=verified,
        )  # fmt: skip
        session.add(made)
        session.flush()
        return _view(session, made)


def measure_print(
    store: Store,
    number: int,
    bar_mm: float,
    gauge_id: int | None = None,
    humidity: float | None = None,
    note: str = "",
) -> PrintView:
    """Write down what a gauge reads on a print's check bar, mm, and the air's relative humidity, per cent.

    A note, of the day and the gauge where the register has none, takes the place of the print's earlier one.

    Raises
    ------
    OptionError
        If there is no such print or gauge, or the reading is not possible.
    """
    if humidity is not None and not 0.0 <= humidity <= 100.0:
        raise OptionError(f"A humidity of {humidity:g} % is not possible.", "Give 0 to 100.")
    with writing(store) as session:
        found = row(session, Print, number, "print")
        _check(found.kind, bar_mm, found.bar_nominal)
        if gauge_id is not None and row(session, Gauge, gauge_id, "gauge").retired is not None:
            raise OptionError("That gauge is retired.", "Read the bar with one in use.")
        found.note = note.strip() or found.note
        session.add(PrintBar(print_id=number, measured=bar_mm, gauge_id=gauge_id, humidity=humidity, created=now()))
        session.flush()
        session.refresh(found)
        return _view(session, found)


def retire_print(store: Store, number: int) -> None:
    """Use a print no more; photos that show it stay as they were measured.

    Raises
    ------
    OptionError
        If there is none.
    """
    with writing(store) as session:
        found = row(session, Print, number, "print")
        found.retired = found.retired or now()


def restore_print(store: Store, number: int) -> None:
    """Use a print again that was retired."""
    with writing(store) as session:
        row(session, Print, number, "print").retired = None


def take_back_bar(store: Store, number: int, note: str = "") -> None:
    """Take back what was read last on a print's check bar: the reading before it counts again, or none; it stays kept.

    Parameters
    ----------
    note : str
        What stood as the print's note before.

    Raises
    ------
    OptionError
        If there is no such print, or nothing was read on it.
    """
    with writing(store) as session:
        found = row(session, Print, number, "print")
        bar = _bar(session, found)
        if bar is None:
            raise OptionError("No check bar was read on this print.", "There is nothing to take back.")
        found.note = note
        session.merge(Setting(key=_TAKEN_BACK, value={"bars": sorted({*_taken_back(session), bar.id})}, updated=now()))


def prints(store: Store) -> tuple[PrintView, ...]:
    """All prints, the newest first."""
    with reading(store) as session:
        return tuple(_view(session, p) for p in session.scalars(select(Print).order_by(Print.id.desc())))


def print_numbered(store: Store, number: int) -> PrintView:
    """One print, to measure photos with.

    Raises
    ------
    OptionError
        If there is none, or it is retired.
    """
    with reading(store) as session:
        found = _view(session, row(session, Print, number, "print"))
    if found.retired:
        raise OptionError(f"Print {number} is retired.", "Use another print, or measure with --scale-factor.")
    return found


def _check(kind: str, measured: float, nominal: float) -> None:
    if kind not in PRINTED:
        raise OptionError(f"There is no printed scale {kind!r}.", f"Use one of: {', '.join(PRINTED)}.")
    if not (nominal > 0 and abs(measured / nominal - 1.0) <= _WORST_PRINT):
        raise OptionError(
            f"A check bar of {measured:g} mm for {nominal:g} mm can't be right.",
            "Measure it again, or print at 100 % without fitting to the page.",
            "bar",
        )


def _taken_back(session: Session) -> list[int]:
    kept = session.get(Setting, _TAKEN_BACK)
    return list(kept.value["bars"]) if kept else []


def _bar(session: Session, p: Print) -> PrintBar | None:
    """The reading of a print's check bar that counts."""
    taken_back = _taken_back(session)
    return next((b for b in reversed(p.bars) if b.id not in taken_back), None)


def _view(session: Session, p: Print) -> PrintView:
    bar = _bar(session, p)
    measured = bar.measured if bar else p.bar_measured
    gauge = session.get(Gauge, bar.gauge_id) if bar and bar.gauge_id else None
    verified = p.verified or bar is not None
    return PrintView(
        p.id, p.kind, p.bar_nominal, measured, measured / p.bar_nominal, p.note, p.created,
        _u_factor(p.bar_nominal, gauge, bar.humidity if bar else None) if verified else UNVERIFIED_U_REL,
        verified,
        (bar.created if bar else p.created) if verified else None,
        gauge.name if gauge else "",
        bar.humidity if bar else None,
        p.retired is not None,
    )  # fmt: skip


def _u_factor(nominal: float, gauge: Gauge | None, humidity: float | None) -> float:
    """Of reading the bar, and of what the paper may have grown or shrunk since."""
    if gauge is None:
        return math.hypot(PRINT_U_REL, u_of_air(humidity))
    read = math.hypot(gauge.u, gauge.resolution / math.sqrt(12.0), _U_BAR_ENDS_MM) / nominal
    return math.hypot(read, u_of_air(humidity))
