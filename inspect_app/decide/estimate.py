"""The estimate: priced lines that add up, in whole minor units of money (cents), never in floating point.

Rounding is half away from zero. Every sum is worked out from the amounts as printed: the discount from the printed sum,
the tax from the printed net, the deposit from the printed total, so that anyone can add the paper up again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from functools import partial
from typing import Any

from babel.numbers import format_currency, format_decimal, get_currency_precision, list_currencies

from inspect_app.decide.options import Cost, Kind
from inspect_app.instrument.wire import WireStock
from shared.errors import OptionError
from shared.tables import load_table

__all__ = [
    "LABOUR",
    "ExtraWork",
    "Estimate",
    "Line",
    "PriceBook",
    "SumRow",
    "Totals",
    "content_hash",
    "cost_of",
    "NOTHING_BESIDES",
    "currency_digits",
    "draft_estimate",
    "format_amount",
    "format_money",
    "option_lines",
    "sums_of",
    "total_for_price",
    "totals",
]


_MOST = Decimal(1_000_000_000)
"""No hours, no rate and no price in minor units is more."""


def _rounded(amount: Decimal) -> int:
    return int(amount.quantize(Decimal(1), rounding=ROUND_HALF_UP))


def _decimal(text: str, what: str, most: Decimal) -> Decimal:
    """Read a decimal number from 0 to `most`.

    Raises
    ------
    OptionError
        If it is none.
    """
    try:
        value = Decimal(text)
    except InvalidOperation:
        value = Decimal("NaN")
    if not (value.is_finite() and 0 <= value <= most):
        raise OptionError(f"{what} of {text!r} is not possible.", f"Give a number from 0 to {most}.")
    return value


@dataclass(frozen=True, slots=True)
class Line:
    """One priced line. `quantity` is a decimal in text, `unit_price` in minor units."""

    text: str
    quantity: str
    unit: str
    unit_price: int
    taxable: bool = True

    def __post_init__(self) -> None:
        _decimal(self.quantity, f"A quantity for “{self.text}”", Decimal(100_000))

    @property
    def amount(self) -> int:
        """Quantity times unit price, rounded to a minor unit."""
        return _rounded(Decimal(self.quantity) * self.unit_price)


@dataclass(frozen=True, slots=True)
class PriceBook:
    """The shop's prices: hours of labour by kind of work, materials, rates. Times are decimal hours in text."""

    currency: str
    minor_digits: int
    source: str
    rates: Mapping[str, Any]
    hours: Mapping[str, str]
    materials: Mapping[str, int]
    locale: str = ""
    """How amounts are written, ``de_DE``; empty for the currency's code after the amount."""

    @classmethod
    def default(cls) -> PriceBook:
        """That of ``shared/tables/prices.toml``."""
        return cls.from_dict(load_table("prices"))

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> PriceBook:
        """From plain values, as kept by the store; work and material newer than that have the default book's.

        An amount of one currency is none of another: there the newer material has no price yet, which is 0.

        Raises
        ------
        OptionError
            If an amount is none: below 0, or no number.
        """
        usual = load_table("prices")
        alike = all(data[part] == usual[part] for part in ("currency", "minor_digits"))
        materials = usual["materials"] if alike else dict.fromkeys(usual["materials"], 0)
        newer = {"hours": {**usual["hours"], **data["hours"]}, "materials": {**materials, **data["materials"]}}
        for part, amounts in {**newer, "rates": data["rates"]}.items():
            for name, amount in amounts.items():
                _decimal(str(amount), f"An amount “{name.replace('_', ' ')}” among the {part}", _MOST)
        return cls(**{**data, **newer})

    def to_dict(self) -> dict[str, Any]:
        """Plain values for the store."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Totals:
    """What the lines add up to, minor units; each is worked out from the others as printed."""

    lines: int
    discount: int
    net: int
    """Lines less discount."""
    taxed: int
    """What the tax is on: the part of the net that is taxable."""
    tax: int
    total: int
    deposit: int


@dataclass(frozen=True, slots=True)
class Estimate:
    """One revision of a job's estimate. Percentages are decimals in text; dates are ISO 8601."""

    job: str
    revision: int
    currency: str
    minor_digits: int
    made_on: str
    valid_until: str
    option: str
    lines: tuple[Line, ...]
    discount_percent: str = "0"
    tax_percent: str = "0"
    deposit_percent: str = "0"
    reason: str = ""
    note: str = ""
    alternatives: tuple[tuple[str, int], ...] = ()
    evidence: tuple[str, ...] = field(default_factory=tuple)
    forecast: tuple[tuple[int, float, float], ...] = ()
    """Fret, crown height expected after the work, its standard uncertainty; mm."""
    locale: str = ""
    replaced: tuple[int, ...] = ()
    """Frets that get new wire."""
    dressed: tuple[int, ...] = ()
    """Frets that are worked on and stay."""
    wire: str = ""
    """The wire of the new frets, as the shop names it."""
    why: str = ""
    """Why this is proposed, in the person's own words; empty: as worked out from the readings."""

    def __post_init__(self) -> None:
        hundred = Decimal(100)
        _decimal(self.discount_percent, "A discount", hundred)
        _decimal(self.tax_percent, "A tax rate", hundred)
        _decimal(self.deposit_percent, "A deposit", hundred)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for the store and the PDF."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Estimate:
        """The inverse of `to_dict`, also after a round trip through JSON."""
        d = dict(data)
        d["lines"] = tuple(Line(**row) for row in d["lines"])
        d["alternatives"] = tuple((str(k), int(v)) for k, v in d.get("alternatives", ()))
        d["evidence"] = tuple(d.get("evidence", ()))
        d["forecast"] = tuple((int(n), float(v), float(u)) for n, v, u in d.get("forecast", ()))
        d |= {k: tuple(map(int, d.get(k, ()))) for k in ("replaced", "dressed")}
        return cls(**d)


@dataclass(frozen=True, slots=True)
class ExtraWork:
    """What the work brings besides the frets' tops: with a refret another nut and the worn board dressed while they are
    out; with frets that stay their ends seated, so many, and filed flush with the board's edge."""

    new_nut: bool = False
    dress_board: bool = False
    seat_ends: int = 0
    file_ends: bool = False


NOTHING_BESIDES = ExtraWork()

LABOUR = {
    "inspect": "Inspection and measuring record",
    "spot_dress_setup": "Mask the board, check levels",
    "spot_dress_per_fret": "Dress and polish one fret",
    "recrown_polish": "Recrown and polish all frets",
    "level_crown_polish": "Level, crown and polish all frets",
    "replace_per_fret": "Replace one fret",
    "refret_base": "Pull frets, clean slots and board, level, crown, dress ends, polish",
    "setup_after": "Set-up after the work",
    "nut_check": "Check the nut slots",
    "nut_new": "Make and fit a nut for the taller frets",
    "board_dress": "Dress the worn board",
    "seat_end": "Seat and glue one fret end",
    "ends_flush": "File the fret ends flush with the board",
}
"""What the price book's hours are of."""


def option_lines(
    kind: Kind,
    dressed: int,
    replaced: int,
    book: PriceBook,
    stock: WireStock | None = None,
    besides: ExtraWork = NOTHING_BESIDES,
) -> tuple[Line, ...]:
    """The lines an option is made of: labour first, then materials; frets counted, nothing hidden.

    New frets are of the wire `stock` at its price; at the book's where none was chosen.
    """
    labour = partial(_labour, book)
    used_up = Line("Consumables", "1", "lot", int(book.materials["consumables"]))
    if kind == Kind.LEAVE or (kind == Kind.DRESS and dressed == 0):
        return (labour("inspect"),)
    if kind == Kind.DRESS:
        text = f"Dress and polish {_counted(dressed, 'fret')}"
        return (*_end_lines(book, besides), labour("spot_dress_setup"), labour("spot_dress_per_fret", dressed, text))
    if kind == Kind.RECROWN:
        return (*_end_lines(book, besides), labour("recrown_polish"), used_up)
    setup, level = labour("setup_after"), labour("level_crown_polish")
    if kind == Kind.LEVEL:
        return (*_end_lines(book, besides), level, setup, used_up)
    new = labour("replace_per_fret", replaced, f"Replace {_counted(replaced, 'fret')}")
    wire = _wire_line(replaced, book, stock)
    if kind == Kind.PARTIAL:
        return (*_end_lines(book, besides), new, level, setup, wire, used_up)
    board = (labour("board_dress"),) if besides.dress_board else ()
    nut, blank = _nut_lines(book, besides.new_nut)
    return (labour("refret_base"), new, *board, setup, nut, wire, *blank, used_up)


def _labour(book: PriceBook, key: str, times: int = 1, text: str = "") -> Line:
    """The book's hours for a piece of work, so many times."""
    rate = int(book.rates["labour_per_hour"])
    return Line(text or LABOUR[key], str(Decimal(book.hours[key]) * times), "h", rate)


def _counted(n: int, thing: str) -> str:
    return f"{n} {thing}{'s' if n > 1 else ''}"


def _end_lines(book: PriceBook, besides: ExtraWork) -> tuple[Line, ...]:
    """Work on the ends of frets that stay."""
    n = besides.seat_ends
    seat = (_labour(book, "seat_end", n, f"Seat and glue {_counted(n, 'fret end')}"),) if n else ()
    return (*seat, _labour(book, "ends_flush")) if besides.file_ends else seat


def _nut_lines(book: PriceBook, new: bool) -> tuple[Line, tuple[Line, ...]]:
    """A nut's work after a refret, and what it is made of."""
    if not new:
        return _labour(book, "nut_check"), ()
    price = int(book.materials["nut_blank"])
    text = "Nut blank" if price else "Nut blank (the price book has no price for it)"
    return _labour(book, "nut_new"), (Line(text, "1", "piece", price),)


def _wire_line(replaced: int, book: PriceBook, stock: WireStock | None) -> Line:
    """New wire at the stock's price; at the book's where the stock's is of another currency, and the line says so."""
    book_price, unit = int(book.materials["wire_per_fret"]), "fret" if replaced == 1 else "frets"
    if stock is None:
        return Line("Fret wire", str(replaced), unit, book_price)
    if stock.currency and stock.currency != book.currency:
        text = f"Fret wire, {stock.label} (at the price book's price: the wire's own is in {stock.currency})"
        return Line(text, str(replaced), unit, book_price)
    return Line(f"Fret wire, {stock.label}", str(replaced), unit, stock.price)


def cost_of(
    book: PriceBook,
    kind: Kind,
    dressed: int,
    replaced: int,
    stock: WireStock | None = None,
    besides: ExtraWork = NOTHING_BESIDES,
) -> Cost:
    """What an option costs before tax: what its lines add up to, labour apart from material."""
    lines = option_lines(kind, dressed, replaced, book, stock, besides)
    hours = [line for line in lines if line.unit == "h"]
    return Cost(
        sum(line.amount for line in hours),
        sum(line.amount for line in lines if line.unit != "h"),
        str(sum((Decimal(line.quantity) for line in hours), Decimal(0))),
    )


def totals(estimate: Estimate) -> Totals:
    """Add an estimate up from the amounts as printed: lines, less discount, plus tax on the taxable part of the rest.

    Where some lines are not taxed, their share of the discount stays with them.
    """
    off = Decimal(estimate.discount_percent) / 100
    lines = sum(line.amount for line in estimate.lines)
    taxable = sum(line.amount for line in estimate.lines if line.taxable)
    discount = _rounded(off * lines)
    net = lines - discount
    taxed = taxable - _rounded(off * taxable)
    tax = _rounded(Decimal(estimate.tax_percent) / 100 * taxed)
    total = net + tax
    deposit = _rounded(Decimal(estimate.deposit_percent) / 100 * total)
    return Totals(lines, discount, net, taxed, tax, total, deposit)


@dataclass(frozen=True, slots=True)
class SumRow:
    """One row under the lines; `strong` marks what is to be paid."""

    label: str
    amount: int
    strong: bool = False


def sums_of(estimate: Estimate) -> tuple[SumRow, ...]:
    """The rows under the lines, on the page and on paper; each can be added up again from those above it."""
    e, t = estimate, totals(estimate)
    rows = [SumRow("Sum", t.lines)] if t.total != t.lines or t.discount else []
    if t.discount:
        rows += [SumRow(f"Discount {e.discount_percent} %", -t.discount), SumRow("Net", t.net)]
    if t.tax:
        if t.taxed != t.net:
            rows.append(SumRow("of which taxed", t.taxed))
        rows.append(SumRow(f"Tax {e.tax_percent} %", t.tax))
    rows.append(SumRow("Total", t.total, True))
    if t.deposit:
        rows.append(SumRow(f"Deposit {e.deposit_percent} %", t.deposit))
    return tuple(rows)


def total_for_price(estimate: Estimate, price: int) -> int:
    """What work of this price before tax would come to with the estimate's discount and tax, minor units."""
    return totals(replace(estimate, lines=(Line("alternative", "1", "lot", price),))).total


def draft_estimate(
    job: str, option: Kind, lines: Sequence[Line], book: PriceBook, made_on: date, reason: str = ""
) -> Estimate:
    """A first draft with the price book's rates."""
    valid = made_on + timedelta(days=int(book.rates["valid_days"]))
    return Estimate(
        job,
        1,
        book.currency,
        book.minor_digits,
        made_on.isoformat(),
        valid.isoformat(),
        str(option),
        tuple(lines),
        tax_percent=str(book.rates["tax_percent"]),
        deposit_percent=str(book.rates["deposit_percent"]),
        reason=reason,
        locale=book.locale,
    )


def content_hash(estimate: Estimate) -> str:
    """SHA-256 of an estimate's whole content, so that a changed copy shows."""
    text = json.dumps(estimate.to_dict(), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def format_money(amount: int, currency: str, minor_digits: int = 2, locale: str = "") -> str:
    """An amount in minor units as read in a locale, ``1.234,50 €`` in ``de_DE``.

    Without a locale ``1,234.50 USD``: the ISO 4217 code after the amount, so that no symbol is ambiguous.
    """
    if locale and minor_digits == get_currency_precision(currency):
        value = Decimal(amount).scaleb(-minor_digits)
        return str(format_currency(value, currency, locale=locale))
    return f"{format_amount(amount, minor_digits, locale)} {currency}"


def format_amount(amount: int, minor_digits: int = 2, locale: str = "") -> str:
    """An amount in minor units without its currency, ``1.234,50`` in ``de_DE``, ``1,234.50`` without a locale."""
    value = Decimal(amount).scaleb(-minor_digits)
    if locale:
        pattern = "#,##0" + ("." + "0" * minor_digits if minor_digits else "")
        return str(format_decimal(value, format=pattern, locale=locale))
    return f"{value:,.{minor_digits}f}"


def currency_digits(currency: str) -> int:
    """Decimals of a currency's minor unit (ISO 4217, as kept in the CLDR): 2 for USD, 0 for JPY.

    Raises
    ------
    OptionError
        If there is no such currency.
    """
    if currency not in list_currencies():
        raise OptionError(
            f"There is no currency {currency!r}.", "Use a code of ISO 4217, such as USD or EUR.", "currency"
        )
    return int(get_currency_precision(currency))
