"""What an option is: the ways to go, the limits held against each, what it costs. Plain records."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from inspect_app.decide.board import UNWORN_BOARD, BoardWear
from inspect_app.decide.levelling import Boards, Draws, Spread, YearsLeft, spread, years_left
from inspect_app.decide.limits import Limit, Limits, Verdict, verdict_of
from inspect_app.decide.setup import NOTHING_READ, Setup
from inspect_app.decide.wear import WearMap
from inspect_app.instrument.wire import WireStock
from shared.measured import Measured

__all__ = [
    "OptionInputs",
    "Check",
    "Cost",
    "Kind",
    "Option",
    "Pricing",
    "TradeOff",
    "OptionWork",
    "check",
    "height_check",
    "option_of",
    "worst",
]


class Kind(StrEnum):
    """The options, least work first: ties in price go to the earlier one."""

    LEAVE = "leave"
    DRESS = "dress single frets"
    RECROWN = "recrown and polish"
    LEVEL = "level, crown and polish"
    PARTIAL = "replace the worst and level"
    REFRET = "full refret"


@dataclass(frozen=True, slots=True)
class Check:
    """One limit held against an option: the probability that it is kept on every fret concerned, and the verdict."""

    limit: Limit
    probability: float | None
    verdict: Verdict
    worst_fret: int | None = None


@dataclass(frozen=True, slots=True)
class TradeOff:
    """Replacing the `replaced` worst frets: what must come off the rest, and the probability that enough is left."""

    replaced: tuple[int, ...]
    removal: Spread
    least_height: Spread | None
    probability: float | None


@dataclass(frozen=True, slots=True)
class Cost:
    """What an option costs before tax: `labour` and `material` in minor units, `hours` a decimal in text."""

    labour: int
    material: int
    hours: str = ""

    @property
    def total(self) -> int:
        """Labour and material together."""
        return self.labour + self.material


@dataclass(frozen=True, slots=True)
class Option:
    """One way to go.

    `dressed` and `replaced` name the frets worked on or renewed; `removal` is what comes off the levelled frets;
    `height_left` gives every fret's height after; `brings` is what else it entails; `years` is how long it lasts at
    the measured rate of wear, ``None`` where two visits do not tell one.
    """

    kind: Kind
    dressed: tuple[int, ...]
    replaced: tuple[int, ...]
    removal: Spread | None
    height_left: tuple[tuple[int, Spread], ...]
    checks: tuple[Check, ...]
    cost: Cost
    brings: tuple[str, ...] = ()
    curve: tuple[TradeOff, ...] = ()
    years: YearsLeft | None = None

    @property
    def price(self) -> int:
        """Price before tax, minor units."""
        return self.cost.total

    @property
    def verdict(self) -> Verdict:
        """Worst verdict of its checks: beyond, then cannot tell, then within."""
        said = {c.verdict for c in self.checks}
        return next((v for v in (Verdict.BEYOND, Verdict.CANNOT_TELL) if v in said), Verdict.WITHIN)


Pricing = Callable[[Kind, int, int], Cost]
"""(kind, frets dressed, frets replaced) to what it costs."""


@dataclass(frozen=True)
class OptionInputs:
    """What every option is worked out from: the board as read and as drawn, the limits, prices, the wire for new frets
    (`new` its crown height, `stock` the one chosen), draws of the wear a year by fret, strings and neck, and the
    board, as read."""

    wear: WearMap
    boards: Boards
    limits: Limits
    price: Pricing
    new: Measured | None
    stock: WireStock | None
    yearly: Mapping[int, Draws]
    setup: Setup = NOTHING_READ
    board: BoardWear = UNWORN_BOARD


def check(limit: Limit, ok: NDArray[np.bool_] | None, worst_fret: int | None = None) -> Check:
    """`ok` (N, ...) tells for each draw whether the limit is kept; ``None`` where it can't be known."""
    if ok is None:
        return Check(limit, None, Verdict.CANNOT_TELL, worst_fret)
    p = float(np.mean(ok.reshape(len(ok), -1).all(axis=1)))
    return Check(limit, p, verdict_of(p), worst_fret)


def worst(numbers: Sequence[int], values: Draws | None, lowest: bool = False) -> int | None:
    """The fret whose draws (N, F) are the largest on average, or the lowest."""
    if values is None or not numbers:
        return None
    mean = values.mean(axis=0)
    return int(numbers[int(np.argmin(mean) if lowest else np.argmax(mean))])


def height_check(limit: Limit, numbers: Sequence[int], draws: Draws | None) -> Check:
    """The crown height left (N, F) held against its limit."""
    ok = None if draws is None or not numbers else draws >= limit.value
    return check(limit, ok, worst(numbers, draws, lowest=True))


@dataclass(frozen=True)
class OptionWork:
    """What is done: frets `dressed` and `replaced`, draws of what comes `off`, what it `brings`, the `curve` it was
    chosen from, and draws of the wear a year where new wire changes it."""

    dressed: tuple[int, ...] = ()
    replaced: tuple[int, ...] = ()
    off: Draws | None = None
    brings: tuple[str, ...] = ()
    curve: tuple[TradeOff, ...] = ()
    yearly: Mapping[int, Draws] | None = None


NOTHING_DONE = OptionWork()


def option_of(
    case: OptionInputs,
    kind: Kind,
    checks: Sequence[Check],
    heights: Mapping[int, Draws],
    work: OptionWork = NOTHING_DONE,
) -> Option:
    """An option from its draws: `heights` by fret once it is done."""
    yearly = case.yearly if work.yearly is None else work.yearly
    return Option(
        kind,
        work.dressed,
        work.replaced,
        None if work.off is None else spread(work.off),
        tuple((n, spread(h)) for n, h in sorted(heights.items())),
        tuple(checks),
        case.price(kind, len(work.dressed), len(work.replaced)),
        work.brings,
        work.curve,
        years_left(heights, yearly, case.limits["crown_height"].value),
    )
