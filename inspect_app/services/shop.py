"""What belongs to the shop and not to one job: its printed scales and its choices."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select

from inspect_app.jobs import loading
from inspect_app.jobs.models import Print, Setting
from inspect_app.jobs.records import PrintView
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.services.finding import now
from shared.errors import OptionError

__all__ = ["add_print", "get_setting", "prints", "put_setting"]

_PRINTED = ("strip", "backdrop")
_WORST_PRINT = 0.10
"""Largest departure of a print from its nominal size taken as meant: beyond it the bar was misread or the sheet fitted
to another format (A4 to Letter changes it by 6 %)."""


def add_print(store: Store, kind: str, bar_measured: float, bar_nominal: float = 100.0, note: str = "") -> PrintView:
    """Keep what a print's check bar measures (mm); its factor goes with every photo that shows this print.

    Raises
    ------
    OptionError
        If the lengths make no sense.
    """
    if kind not in _PRINTED:
        raise OptionError(f"There is no printed scale {kind!r}.", f"Use one of: {', '.join(_PRINTED)}.")
    if not (bar_nominal > 0 and abs(bar_measured / bar_nominal - 1.0) <= _WORST_PRINT):
        raise OptionError(
            f"A check bar of {bar_measured:g} mm for {bar_nominal:g} mm can't be right.",
            "Measure it again in millimetres, or print at 100 % without fitting to the page.",
        )
    with writing(store) as session:
        made = Print(
            kind=kind,
            bar_nominal=bar_nominal,
            bar_measured=bar_measured,
            factor=bar_measured / bar_nominal,
            note=note.strip(),
            created=now(),
        )
        session.add(made)
        session.flush()
        return loading.print_view(made)


def prints(store: Store) -> tuple[PrintView, ...]:
    """All measured prints, the newest first."""
    with reading(store) as session:
        return tuple(map(loading.print_view, session.scalars(select(Print).order_by(Print.id.desc()))))


def get_setting(store: Store, key: str) -> dict[str, Any] | None:
    """A choice of the shop, or ``None`` where none was made."""
    with reading(store) as session:
        found = session.get(Setting, key)
        return dict(found.value) if found else None


def put_setting(store: Store, key: str, value: dict[str, Any]) -> None:
    """Keep a choice of the shop (a dict that JSON can hold)."""
    with writing(store) as session:
        session.merge(Setting(key=key, value=value, updated=now()))
