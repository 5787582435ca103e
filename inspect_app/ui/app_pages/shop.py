"""What belongs to the shop: its name on paper, limits, prices, wire in stock."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import streamlit as st
from babel import Locale
from babel.localedata import locale_identifiers

from inspect_app import services
from inspect_app.decide.estimate import PriceBook, currency_digits
from inspect_app.decide.limits import Limits
from inspect_app.instrument.wire import MATERIALS, WireStock, size_class
from inspect_app.services.deciding import add_wire, remove_wire, shop_limits, shop_prices, wires
from inspect_app.ui import server
from inspect_app.ui.bench import JOBS_PAGE, length_unit, page, saying
from inspect_app.ui.words import crown_size, plain
from shared.trade import CROWN_HEIGHT_MM, CROWN_WIDTH_MM


def letterhead() -> None:
    """Name and address on the papers."""
    kept = services.get_setting(server.store(), "shop") or {}
    with st.form("letterhead", border=False):
        name = st.text_input("Name on the papers", kept.get("name", ""))
        lines = st.text_area("Address, one line each", "\n".join(kept.get("lines", [])))
        if st.form_submit_button("Keep this"):
            wanted = [line.strip() for line in lines.splitlines() if line.strip()]
            services.put_setting(server.store(), "shop", {"name": name.strip(), "lines": wanted})
            st.rerun()


def limits() -> None:
    """The limits new jobs start from."""
    known = shop_limits(server.store())
    with st.form("limits", border=False):
        changed: Limits = known
        values = {}
        for e in known.entries:
            unit = "" if e.unit == "1" else f", {e.unit}"
            values[e.key] = st.number_input(
                f"{e.text}{unit}", 0.001, 100.0, float(e.value), 0.01, format="%.3f", help=e.source
            )
        if st.form_submit_button("Keep these limits"):
            for key, value in values.items():
                if abs(value - known[key].value) > 1e-9:
                    changed = changed.with_value(key, value)
            services.put_setting(server.store(), "limits", changed.to_dict())
            st.rerun()
    st.caption("Jobs judged before keep the limits they were judged by.")


def prices() -> None:
    """The price book new jobs start from."""
    book = shop_prices(server.store())
    with st.form("prices", border=False):
        left, right = st.columns(2)
        currency = left.text_input("Currency (ISO 4217 code)", book.currency, max_chars=3)
        tongues = ["", *sorted(locale_identifiers())]
        locale = right.selectbox(
            "Amounts written as in",
            tongues,
            index=tongues.index(book.locale) if book.locale in tongues else 0,
            format_func=_tongue,
        )
        money = _amounts(book, left, right)
        tax = left.number_input("Tax, %", 0.0, 100.0, float(book.rates["tax_percent"]), 0.5)
        deposit = right.number_input("Deposit, %", 0.0, 100.0, float(book.rates["deposit_percent"]), 5.0)
        valid = left.number_input("Estimates hold for, days", 1, 365, int(book.rates["valid_days"]), 1)
        hours = {
            key: (left if i % 2 else right).number_input(
                f"{key.replace('_', ' ').capitalize()}, hours", 0.0, 100.0, float(value), 0.05
            )
            for i, (key, value) in enumerate(book.hours.items())
        }
        if st.form_submit_button("Keep these prices"):
            with saying():
                typed = replace(book, locale=str(locale), hours={k: f"{v:g}" for k, v in hours.items()})
                kept = _with_money(typed, currency.strip().upper() or book.currency, money)
                rates = dict(kept.rates) | {
                    "tax_percent": f"{tax:g}",
                    "deposit_percent": f"{deposit:g}",
                    "valid_days": valid,
                }
                services.put_setting(server.store(), "prices", replace(kept, rates=rates).to_dict())
                if kept.currency != book.currency:
                    st.session_state["currency-changed"] = (book.currency, kept.currency)
                st.rerun()
    if changed := st.session_state.pop("currency-changed", None):
        st.warning(_no_conversion(*changed))
    st.caption(f"These prices: {plain(book.source)}.")


def _no_conversion(old: str, new: str) -> str:
    """What a new currency leaves as it was."""
    return (
        f"Prices are now in {new}. No amount was converted: look at each. Wire priced in {old} counts at the price "
        "book's price of a wire until it is put on the list again; jobs that were drafted keep their prices."
    )


def _tongue(name: str) -> str:
    """A locale by its name in English."""
    return (Locale.parse(name).english_name or name) if name else "with the code after the amount"


def _amounts(book: PriceBook, left: Any, right: Any) -> dict[str, float]:
    """Fields for the amounts of money, in whole units."""

    def field(where: Any, label: str, minor: int) -> float:
        whole = float(Decimal(minor).scaleb(-book.minor_digits))
        return float(where.number_input(label, 0.0, 1e7, whole, 1.0))

    return {
        "labour_per_hour": field(left, "Labour an hour", book.rates["labour_per_hour"]),
        "wire_per_fret": field(right, "Wire a fret, where no wire was chosen", book.materials["wire_per_fret"]),
        "consumables": field(left, "Consumables of a job", book.materials["consumables"]),
    }


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
            st.rerun()
    with st.form("wire", border=False, clear_on_submit=True):
        left, right = st.columns(2)
        label = left.text_input("Label", placeholder="the name you know it by")
        material = right.selectbox("Material", MATERIALS)
        width = left.number_input("Crown width, mm", 0.5, 6.0, CROWN_WIDTH_MM, 0.01)
        height = right.number_input("Crown height, mm", 0.1, 3.0, CROWN_HEIGHT_MM, 0.01)
        tang = left.number_input("Tang width, mm", 0.0, 2.0, 0.0, 0.01, help="0 if not known")
        each = right.number_input("Price a fret", 0.0, 1000.0, 1.5, 0.1)
        if st.form_submit_button("Put it on the list"):
            with saying():
                price = int(Decimal(str(each)).scaleb(shop_prices(server.store()).minor_digits).to_integral_value())
                add_wire(server.store(), WireStock(label, str(material), width, height, tang or None, None, price))
                st.rerun()


st.page_link(page(JOBS_PAGE), label="‹ All jobs")
st.title("Shop")
tabs = st.tabs(["On paper", "Limits", "Prices", "Wire in stock"])
for tab, part in zip(tabs, (letterhead, limits, prices, stock), strict=True):
    with tab:
        part()
