"""Money adds up in whole minor units; an estimate survives the store; its hash sees every change."""

import json
from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.decide.estimate import (
    Estimate,
    Line,
    PriceBook,
    content_hash,
    currency_digits,
    draft_estimate,
    format_amount,
    format_money,
    option_lines,
    total_for_price,
    totals,
)
from inspect_app.decide.options import Kind
from inspect_app.instrument.wire import WireStock
from shared.errors import OptionError

BOOK = PriceBook.default()
percent = st.decimals(0, 100, places=3).map(str)
line = st.builds(
    Line,
    st.text(max_size=20),
    st.decimals(0, 1000, places=3).map(str),
    st.sampled_from(["h", "fret", "lot"]),
    st.integers(0, 10**7),
    st.booleans(),
)
lines = st.lists(line, max_size=12)


def estimate(rows, discount="0", tax="0", deposit="0"):
    return Estimate("J-1", 1, "USD", 2, "2026-01-02", "2026-02-01", "leave", tuple(rows), discount, tax, deposit)


@pytest.mark.slow
@given(lines, percent, percent, percent)
def test_totals_add_up_in_whole_minor_units(rows, discount, tax, deposit):
    t = totals(estimate(rows, discount, tax, deposit))
    assert t.total == t.lines - t.discount + t.tax
    assert t.lines == sum(r.amount for r in rows)
    assert all(isinstance(v, int) for v in (t.lines, t.discount, t.tax, t.total, t.deposit))
    assert t.net == t.lines - t.discount
    assert 0 <= t.taxed <= t.net
    if all(r.taxable for r in rows):
        assert t.taxed == t.net
    assert abs(t.tax - Fraction(tax) / 100 * t.taxed) <= Fraction(1, 2)  # from the net as it is printed
    assert abs(t.discount - Fraction(discount) / 100 * t.lines) <= Fraction(1, 2)
    assert 0 <= t.deposit <= t.total
    assert all(near_its_product(r) for r in rows)


def near_its_product(r):
    return abs(Fraction(r.amount) - Fraction(r.quantity) * r.unit_price) <= Fraction(1, 2)


@given(line)
def test_every_line_is_its_quantity_times_its_price_to_half_a_cent(r):
    assert near_its_product(r)


def test_halves_round_away_from_zero():
    assert Line("x", "0.5", "h", 1).amount == 1
    assert Line("x", "1.5", "h", 1).amount == 2


def test_worked_estimate():
    # 2.5 h at 75.00 = 187.50; 1 h = 75.00; 8.00: 270.50; 10 % off = 27.05; tax 8 % of 243.45 = 19.476 -> 19.48
    e = estimate(option_lines(Kind.LEVEL, 24, 0, BOOK), "10", "8", "30")
    t = totals(e)
    assert (t.lines, t.discount, t.tax, t.total) == (27050, 2705, 1948, 26293)
    assert t.deposit == 7888  # 30 % of 262.93 = 78.879


def test_tax_is_worked_out_from_the_amounts_printed():
    # 50.20 with 12.5 % off: 6.275 -> 6.28, net 43.92 as printed; 19 % of 43.92 = 8.3448 -> 8.34, not 8.345750 -> 8.35
    t = totals(estimate([Line("x", "1", "lot", 5020)], "12.5", "19"))
    assert (t.discount, t.net, t.tax, t.total) == (628, 4392, 834, 5226)


def test_untaxed_lines_keep_their_share_of_the_discount():
    # 100.00 taxed and 50.00 not, 10 % off: net 135.00, of which 90.00 are taxed; 20 % of 90.00 = 18.00
    t = totals(estimate([Line("x", "1", "lot", 10000), Line("y", "1", "lot", 5000, False)], "10", "20"))
    assert (t.net, t.taxed, t.tax, t.total) == (13500, 9000, 1800, 15300)


def test_alternatives_bear_the_same_tax_and_discount():
    e = estimate([Line("x", "1", "lot", 5020)], "12.5", "19")
    assert total_for_price(e, 5020) == totals(e).total
    assert total_for_price(estimate([]), 1875) == 1875


def test_wire_of_another_currency_is_never_taken_at_its_number():
    wire = WireStock("drawer 2", "stainless", 2.6, 1.3, price=220, currency="JPY")
    line = option_lines(Kind.REFRET, 0, 6, BOOK, wire)[-2]
    assert line.unit_price == BOOK.materials["wire_per_fret"]
    assert "the wire's own is in JPY" in line.text
    same = option_lines(Kind.REFRET, 0, 6, BOOK, replace(wire, currency="USD"))[-2]
    assert (same.unit_price, same.text) == (220, "Fret wire, drawer 2")


@pytest.mark.parametrize("kind", list(Kind))
def test_every_option_has_lines_and_a_price(kind):
    assert sum(line.amount for line in option_lines(kind, 3, 4, BOOK)) > 0


def test_an_estimate_survives_json_and_its_hash_sees_every_change():
    e = draft_estimate("J-7", Kind.LEVEL, option_lines(Kind.LEVEL, 24, 0, BOOK), BOOK, date(2026, 3, 1), "because")
    assert Estimate.from_dict(json.loads(json.dumps(e.to_dict()))) == e
    assert content_hash(replace(e, note="x")) != content_hash(e)
    assert content_hash(replace(e, lines=e.lines[:-1])) != content_hash(e)
    assert e.valid_until == "2026-03-31"


@pytest.mark.parametrize("bad", ["-1", "101", "NaN", "ten"])
def test_impossible_percentages_are_refused(bad):
    with pytest.raises(OptionError):
        estimate([], discount=bad)


def test_impossible_quantities_are_refused():
    with pytest.raises(OptionError):
        Line("x", "-1", "h", 100)


def test_money_is_shown_with_its_code():
    assert format_money(123450, "USD") == "1,234.50 USD"
    assert format_money(1234, "JPY", 0) == "1,234 JPY"
    assert Decimal("0.07") == Decimal(7).scaleb(-2)
    assert format_money(7, "EUR") == "0.07 EUR"


def test_money_is_written_as_in_a_locale():
    # currency, digits and grouping as in the Unicode CLDR, through the babel library
    assert format_money(123450, "EUR", 2, "de_DE").replace("\xa0", " ") == "1.234,50 €"
    assert format_money(123450, "USD", 2, "en_US") == "$1,234.50"
    assert format_money(12345, "USD", 3, "de_DE") == "12,345 USD"  # digits that are not the currency's: one mark still
    assert format_money(9000, "JPY", 0, "ja_JP") in ("¥9,000", "￥9,000")
    assert format_amount(123450, 2, "de_DE") == "1.234,50"
    assert (currency_digits("JPY"), currency_digits("USD"), currency_digits("KWD")) == (0, 2, 3)  # ISO 4217
    with pytest.raises(OptionError, match="no currency"):
        currency_digits("ABC")
