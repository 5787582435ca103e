"""What belongs to the shop: its name on paper, limits, prices, wire in stock, printed scales."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import partial
from typing import Any

import streamlit as st
from babel import Locale
from babel.localedata import locale_identifiers

from inspect_app import services
from inspect_app.decide.estimate import LABOUR, PriceBook, currency_digits
from inspect_app.instrument.wire import MATERIALS, WireStock, size_class
from inspect_app.services.deciding import add_wire, remove_wire, restore_wire, shop_limits, shop_prices, wires
from inspect_app.ui import server
from inspect_app.ui.concurrent_edits import changed_note, form_key, opened_with, reopen, settle_edit
from inspect_app.ui.field_errors import FieldErrors
from inspect_app.ui.gauge_register import gauge_register
from inspect_app.ui.known_things import known_things
from inspect_app.ui.lengths import length_number
from inspect_app.ui.lens_profiles import lens_profiles
from inspect_app.ui.limit_fields import changed_limits, limit_numbers, limit_said
from inspect_app.ui.page_frame import JOBS_PAGE, choose_unit, length_unit, page, show_error
from inspect_app.ui.printed_scales import printed_scales
from inspect_app.ui.repeat_studies import repeat_studies
from inspect_app.ui.setup_aims import setup_aims
from inspect_app.ui.undo import SHOP, kept_in_shop, said_in_shop, show_last_action, undo_corner
from inspect_app.ui.words import crown_size, plain
from shared.trade import CROWN_HEIGHT_MM, CROWN_WIDTH_MM


def letterhead() -> None:
    """Name and address on the papers."""
    kept = services.get_setting(server.store(), "shop") or {}
    key, now = "letterhead", {"name": kept.get("name", ""), "lines": tuple(kept.get("lines", ()))}
    changed_note(key, now)
    was, typed = opened_with(key, now), None
    with st.form(form_key(key), border=False):
        name = st.text_input("Name on the papers", was["name"])
        lines = st.text_area("Address, one line each", "\n".join(was["lines"]))
        if st.form_submit_button("Keep this name and address"):
            typed = {
                "name": name.strip(),
                "lines": tuple(line.strip() for line in lines.splitlines() if line.strip()),
            }
    keep = settle_edit(key, typed, now, {"name": "Name", "lines": "Address"}, _value_text)
    if keep is not None:
        services.put_setting(server.store(), "shop", {"name": keep["name"], "lines": list(keep["lines"])})
        _confirm_saved(key, "Name and address kept: papers made from now on carry them.", "shop", kept)


def _value_text(_: str, value: Any) -> str:
    return (", ".join(value) if isinstance(value, tuple) else f"{value}") or "nothing"


def _confirm_saved(key: str, said: str, setting: str, was: dict[str, Any]) -> None:
    """Say on the next run what was saved, build the form from it, and remember what stood there before."""

    def back() -> None:
        services.put_setting(server.store(), setting, was)
        reopen(key)

    reopen(key)
    kept_in_shop(said, back, partial(services.get_setting, server.store(), setting))
    st.rerun()


def limits() -> None:
    """The limits new jobs start from."""
    known = shop_limits(server.store())
    key, now, typed = "limits", {e.key: float(e.value) for e in known.entries}, None
    changed_note(key, now)
    was = opened_with(key, now)
    with st.form(form_key(key), border=False):
        values = limit_numbers(known.entries, was, form_key(key))
        if st.form_submit_button("Keep these limits"):
            typed = values
    keep = settle_edit(key, typed, now, {e.key: e.text for e in known.entries}, partial(limit_said, known))
    if keep is not None:
        changed = changed_limits(known, keep, "set by the shop")
        services.put_setting(server.store(), "limits", changed.to_dict())
        _confirm_saved(key, "Limits kept: jobs judged from now on use them.", "limits", known.to_dict())
    st.caption("Jobs judged before keep the limits they were judged by.")


AMOUNTS = {
    "labour_per_hour": "Labour an hour",
    "wire_per_fret": "Wire for one fret, where none was chosen",
    "consumables": "Consumables of a job",
    "nut_blank": "Nut blank",
}
RATES = {"tax_percent": "Tax, %", "deposit_percent": "Deposit, %", "valid_days": "Estimates hold for, days"}
HOURS = "hours "
"""Stands before the name of a work's hours among the fields of the price book."""


def _fields(book: PriceBook) -> dict[str, Any]:
    """What the form of the price book holds, by name; amounts of money in whole units."""
    minor = dict(book.rates) | dict(book.materials)
    return {
        "currency": book.currency,
        "locale": book.locale,
        **{n: float(Decimal(minor[n]).scaleb(-book.minor_digits)) for n in AMOUNTS},
        "tax_percent": float(book.rates["tax_percent"]),
        "deposit_percent": float(book.rates["deposit_percent"]),
        "valid_days": int(book.rates["valid_days"]),
        **{HOURS + n: float(h) for n, h in book.hours.items()},
    }


def _labels(fields: dict[str, Any]) -> dict[str, str]:
    works = [n.removeprefix(HOURS) for n in fields if n.startswith(HOURS)]
    hours = {HOURS + w: f"{LABOUR.get(w, w.replace('_', ' ').capitalize())}, hours" for w in works}
    return {"currency": "Currency (ISO 4217 code)", "locale": "Amounts written as in"} | AMOUNTS | RATES | hours


def prices() -> None:
    """The price book new jobs start from."""
    book = shop_prices(server.store())
    key, now, spots = "prices", _fields(book), FieldErrors()
    changed_note(key, now)
    typed = _price_form(key, opened_with(key, now), spots)
    with spots.saying():
        keep = settle_edit(key, typed, now, _labels(now), _value_text)
        if keep is not None:
            kept = _book(book, keep)
            services.put_setting(server.store(), "prices", kept.to_dict())
            if kept.currency != book.currency:
                st.session_state["currency-changed"] = (book.currency, kept.currency)
            _confirm_saved(key, "Prices kept: estimates drafted from now on use them.", "prices", book.to_dict())
    if changed := st.session_state.pop("currency-changed", None):
        st.warning(_no_conversion(*changed))
    st.caption(f"These prices: {plain(book.source)}.")


def _price_form(key: str, was: dict[str, Any], spots: FieldErrors) -> dict[str, Any] | None:
    """The form of the price book; what was typed when it is sent."""
    labels = _labels(was)
    with st.form(form_key(key), border=False):
        left, right = st.columns(2)
        out: dict[str, Any] = {"currency": left.text_input(labels["currency"], was["currency"], max_chars=3)}
        spots.below("currency", left)
        tongues = ["", *sorted(locale_identifiers())]
        at = tongues.index(was["locale"]) if was["locale"] in tongues else 0
        out["locale"] = right.selectbox(labels["locale"], tongues, index=at, format_func=_tongue)
        for i, n in enumerate(AMOUNTS):
            out[n] = (right if i % 2 else left).number_input(labels[n], 0.0, 1e7, was[n], 1.0)
        out["tax_percent"] = right.number_input(labels["tax_percent"], 0.0, 100.0, was["tax_percent"], 0.5)
        out["deposit_percent"] = left.number_input(labels["deposit_percent"], 0.0, 100.0, was["deposit_percent"], 5.0)
        out["valid_days"] = right.number_input(labels["valid_days"], 1, 365, was["valid_days"], 1)
        for i, n in enumerate(n for n in was if n.startswith(HOURS)):
            out[n] = (right if i % 2 else left).number_input(labels[n], 0.0, 100.0, was[n], 0.05)
        sent = st.form_submit_button("Keep these prices")
    out["currency"] = out["currency"].strip().upper() or was["currency"]
    return out if sent else None


def _book(book: PriceBook, fields: dict[str, Any]) -> PriceBook:
    """The price book with these fields."""
    hours = {n.removeprefix(HOURS): f"{h:g}" for n, h in fields.items() if n.startswith(HOURS)}
    typed = replace(book, locale=str(fields["locale"]), hours=hours)
    kept = _with_money(typed, fields["currency"], {n: fields[n] for n in AMOUNTS})
    percents = {n: f"{fields[n]:g}" for n in ("tax_percent", "deposit_percent")}
    return replace(kept, rates=dict(kept.rates) | percents | {"valid_days": int(fields["valid_days"])})


def _no_conversion(old: str, new: str) -> str:
    """What a new currency leaves as it was."""
    return (
        f"Prices are now in {new}. No amount was converted: look at each. Wire priced in {old} counts at the price "
        "book's price of a wire until it is put on the list again; jobs that were drafted keep their prices."
    )


def _tongue(name: str) -> str:
    """A locale by its name in English."""
    return (Locale.parse(name).english_name or name) if name else "with the code after the amount"


def _with_money(book: PriceBook, currency: str, money: dict[str, float]) -> PriceBook:
    """The book in this currency: amounts in its own minor units."""
    digits = currency_digits(currency)
    minor = {k: int(Decimal(str(v)).scaleb(digits).to_integral_value()) for k, v in money.items()}
    return replace(
        book,
        currency=currency,
        minor_digits=digits,
        source="set by the shop",
        rates=dict(book.rates) | {"labour_per_hour": minor.pop("labour_per_hour")},
        materials=dict(book.materials) | minor,
    )


def stock() -> None:
    """Wire in stock: list, add, take off."""
    for w in wires(server.store()):
        s = w.stock
        left, right = st.columns([5, 1], vertical_alignment="center")
        kind = size_class(s.crown_width, s.crown_height)
        left.markdown(
            f"**{plain(s.label)}**, {s.material}, {crown_size(s.crown_width, s.crown_height, length_unit())}"
            + (f" ({kind})" if kind else "")
        )
        if right.button("Take off", key=f"wire-{w.id}"):
            remove_wire(server.store(), w.id)
            kept_in_shop(f"{s.label} is off the list.", partial(restore_wire, server.store(), w.id))
            st.rerun()
    turn_, spots, unit = st.session_state.get("wire-turn", 0), FieldErrors(), length_unit()
    with st.form(f"wire-{turn_}", border=False):
        left, right = st.columns(2)
        label = left.text_input("Label", placeholder="the name you know it by")
        spots.below("label", left)
        material = right.selectbox("Material", MATERIALS)
        with left:
            width = length_number("Crown width", 0.5, 6.0, CROWN_WIDTH_MM, 0.01, unit, f"wire-width-{turn_}")
        with right:
            height = length_number("Crown height", 0.1, 3.0, CROWN_HEIGHT_MM, 0.01, unit, f"wire-height-{turn_}")
        with left:
            tang = length_number("Tang width", 0.0, 2.0, 0.0, 0.01, unit, f"wire-tang-{turn_}", "0 if not known")
        each = right.number_input("Price a fret", 0.0, 1000.0, 1.5, 0.1)
        if st.form_submit_button("Put it on the list"):
            with spots.saying("label"):
                price = int(Decimal(str(each)).scaleb(shop_prices(server.store()).minor_digits).to_integral_value())
                wire = WireStock(label, str(material), width, height, tang or None, None, price)
                made = add_wire(server.store(), wire)
                st.session_state["wire-turn"] = turn_ + 1
                kept_in_shop(f"{label.strip()} is on the list.", partial(remove_wire, server.store(), made.id))
                st.rerun()


with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
    st.page_link(page(JOBS_PAGE), label="‹ All jobs")
    with st.container(horizontal=True, vertical_alignment="center", width="content"):
        undo_corner(SHOP)
        choose_unit()
st.title("Shop")
if (refused := show_last_action()) is not None:
    show_error(refused)
if shop_said := said_in_shop():
    st.success(plain(shop_said))
PARTS = {
    "On paper": letterhead,
    "Limits": limits,
    "Setup": setup_aims,
    "Prices": prices,
    "Wire in stock": stock,
    "Scales": printed_scales,
    "Lenses": lens_profiles,
    "Known things": known_things,
    "Repeat study": repeat_studies,
    "Gauges": gauge_register,
}
tabs = st.tabs(list(PARTS), key="part", bind="query-params")  # a reload shows the same one
for tab, part in zip(tabs, PARTS.values(), strict=True):
    with tab:
        part()
