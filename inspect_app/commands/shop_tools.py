"""``inspect-app prints`` and ``inspect-app gauges``: the shop's printed scales and what measures them."""

from __future__ import annotations

import argparse
from datetime import date

from inspect_app.commands.files import free_place, write_file
from inspect_app.commands.table import aligned
from inspect_app.services import PrintView, Store, measure_print, new_print, new_sheet, open_store, prints, retire_print
from inspect_app.services.gauges import GaugeView, add_gauge, gauges, retire_gauge, use_gauge
from shared.errors import OptionError

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Do what the options say, then list what there is."""
    store = open_store(options.data)
    try:
        (_prints if options.tool == "prints" else _gauges)(store, options)
    finally:
        store.close()
    return 0


def _prints(store: Store, options: argparse.Namespace) -> None:
    number = options.number
    if (options.add == "sheet") != (options.out is not None):
        raise OptionError("A new sheet is numbered and written at once.", "Give --add sheet with --out FILE.")
    if options.add == "sheet":
        from calib.scales.print import scales_pdf  # drawing scales is two thirds of all imports; a list needs none

        free_place(options.out)
        numbers = new_sheet(store, options.note)
        write_file(options.out, scales_pdf(options.paper, numbers))
        print(f"{options.out}: print at 100 %. " + ", ".join(f"{k} no. {n}" for k, n in numbers.items()) + ".")
    elif options.add:
        number = new_print(store, options.add, options.note).id
        print(f"Write {number} on the face of this {options.add}.")
    if options.bar is not None:
        measure_print(store, _number_or_refuse(number, "print"), options.bar, options.gauge, options.humidity)
    if options.retire is not None:
        retire_print(store, options.retire)
    rows = [_print_row(p) for p in prints(store)]
    head = ["print", "scale", "bar", "factor", "U", "measured", "gauge", "humidity", ""]
    print("\n".join(aligned([head, *rows])) if rows else "There are no prints yet: enter one with --add.")


def _print_row(p: PrintView) -> list[str]:
    bar = f"{p.bar_measured:g} mm" if p.verified else "not measured"
    when = p.measured.date().isoformat() if p.measured else ""
    humidity = "" if p.humidity is None else f"{p.humidity:g} %"
    state = "retired" if p.retired else ""
    return [
        str(p.id), p.kind, bar, f"{p.factor:.4f}", f"{200.0 * p.u_factor:.2g} %", when, p.gauge, humidity, state
    ]  # fmt: skip


def _gauges(store: Store, options: argparse.Namespace) -> None:
    if options.add:
        if options.resolution is None or options.u is None:
            raise OptionError(
                "What the gauge resolves and its uncertainty are not given.", "Give --resolution MM and --u MM."
            )
        add_gauge(store, options.add, options.kind, options.resolution, options.u, _date(options.calibrated))
    if options.use is not None:
        use_gauge(store, options.use)
    if options.retire is not None:
        retire_gauge(store, options.retire)
    rows = [_gauge_row(g) for g in gauges(store)]
    head = ["gauge", "name", "kind", "resolves", "u", "calibrated", ""]
    print("\n".join(aligned([head, *rows])) if rows else "There are no gauges yet: enter one with --add.")


def _gauge_row(g: GaugeView) -> list[str]:
    state = "retired" if g.retired else "in use" if g.in_use else ""
    when = g.calibrated.isoformat() if g.calibrated else "never"
    return [str(g.id), g.name, g.kind, f"{g.resolution:g} mm", f"{g.u:g} mm", when, state]


def _number_or_refuse(number: int | None, what: str) -> int:
    if number is None:
        raise OptionError(f"Nothing says which {what} is meant.", f"Give the number written on the {what}.")
    return number


def _date(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise OptionError(f"The date {text!r} is not understood.", "Write it as YYYY-MM-DD.") from None
