"""Amounts of money on the pages: written as on the paper, read as they are typed."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Any

import streamlit as st

from inspect_app.decide.estimate import Estimate, format_money, sums_of
from inspect_app.ui.words import plain
from shared.errors import OptionError

__all__ = ["cash", "minor", "sums"]


def cash(e: Estimate, amount: int) -> str:
    """An amount in the estimate's currency, safe in text with marks."""
    return plain(format_money(amount, e.currency, e.minor_digits, e.locale))


def minor(value: Any, digits: int) -> int:
    """An amount typed in whole units as minor units.

    Raises
    ------
    OptionError
        If it is no amount.
    """
    try:
        amount = Decimal(str(value)).scaleb(digits)
    except InvalidOperation:
        amount = Decimal("NaN")
    if not amount.is_finite() or amount != amount.to_integral_value():
        raise OptionError(f"{value} is not an amount of money.", f"Write it with at most {digits} decimals.")
    return int(amount)


def sums(e: Estimate) -> None:
    """What the lines add up to, in the rows of the paper."""
    rows = {plain(s.label): cash(e, s.amount) for s in sums_of(e)}
    strong = {plain(s.label) for s in sums_of(e) if s.strong}
    st.table({k: f"**{v}**" if k in strong else v for k, v in rows.items()}, border="horizontal")
