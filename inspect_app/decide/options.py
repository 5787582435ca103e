"""What could be done: leave it, dress single frets, level and crown, replace the worst, refret. And which to choose.

Each option says what it leaves on every fret, which limits hold with what probability, and what it costs. No pixels,
no SQL, no screen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from inspect_app.decide.levelling import (
    Boards,
    Draws,
    Spread,
    YearsLeft,
    draw_boards,
    draw_rates,
    height_after,
    removal,
    spread,
    years_left,
)
from inspect_app.decide.limits import Limit, Limits, Verdict, conformance_probability, verdict_of
from inspect_app.decide.wear import FretWear, Rate, WearMap
from shared.measured import Measured
from shared.units import LengthUnit, show

__all__ = ["Check", "Cost", "Kind", "Option", "Recommendation", "TradeOff", "recommend", "work_out_options"]

WIRE_LEVELLING_MM = 0.05
"""Height new frets lose when levelled and crowned (common practice, no source: the least of 0.05 to 0.15 mm)."""


class Kind(StrEnum):
    """The options, least work first: ties in price go to the earlier one."""

    LEAVE = "leave"
    DRESS = "dress single frets"
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


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The option to offer (``None`` if none can be), two sentences why, and what photo would settle doubts."""

    kind: Kind | None
    reason: str
    settle: str = ""


Pricing = Callable[[Kind, int, int], Cost]
"""(kind, frets dressed, frets replaced) to what it costs."""


def work_out_options(
    wear: WearMap,
    limits: Limits,
    price: Pricing,
    wire_height: Measured | None = None,
    rates: Sequence[Rate] = (),
    seed: int = 0,
) -> tuple[Option, ...]:
    """Every option for a board, in the order of `Kind`.

    Parameters
    ----------
    wear : WearMap
    limits : Limits
    price : callable
        (kind, frets dressed, frets replaced) to `Cost`.
    wire_height : Measured, optional
        Crown height of the wire chosen for new frets; the unworn height where not given.
    rates : sequence of Rate
        Wear a year between this visit and an earlier one, where there was one.
    seed : int
        Of the Monte Carlo draws.
    """
    boards = draw_boards(wear, seed=seed)
    new = wire_height or wear.crown_height
    options = (
        _leave(wear, boards, limits, price),
        _dress(wear, boards, limits, price),
        _level(wear, boards, limits, price),
        _partial(wear, boards, limits, price, new),
        _refret(wear, limits, price, new),
    )
    yearly = draw_rates(rates, len(boards.depth), seed)
    least = limits["crown_height"].value
    return tuple(replace(o, years=years_left(dict(o.height_left), yearly, least, seed)) for o in options)


def _check(limit: Limit, ok: NDArray[np.bool_] | None, worst: int | None = None) -> Check:
    """`ok` (N, ...) tells for each draw whether the limit is kept; ``None`` where it can't be known."""
    if ok is None:
        return Check(limit, None, Verdict.CANNOT_TELL, worst)
    p = float(np.mean(ok.reshape(len(ok), -1).all(axis=1)))
    return Check(limit, p, verdict_of(p), worst)


def _heights(numbers: Sequence[int], draws: Draws | None) -> tuple[tuple[int, Spread], ...]:
    if draws is None:
        return ()
    return tuple((n, spread(draws[:, j])) for j, n in enumerate(numbers))


def _worst(numbers: Sequence[int], values: Draws | None, lowest: bool = False) -> int | None:
    if values is None or not numbers:
        return None
    mean = values.mean(axis=0)
    return int(numbers[int(np.argmin(mean) if lowest else np.argmax(mean))])


def _height_check(limits: Limits, numbers: Sequence[int], draws: Draws | None) -> Check:
    limit = limits["crown_height"]
    ok = None if draws is None or not numbers else draws >= limit.value
    return _check(limit, ok, _worst(numbers, draws, lowest=True))


def _leave(wear: WearMap, boards: Boards, limits: Limits, price: Pricing) -> Option:
    read = wear.read
    columns = [boards.frets.index(n) for n in read]
    depth = boards.depth[:, columns]
    left = None if boards.height is None else boards.height[:, columns] - depth
    divots = limits["divot_leave"]
    checks = (
        _check(divots, depth <= divots.value if read else None, _worst(read, depth)),
        _flat_check(wear, limits),
        _height_check(limits, read, left),
    )
    return Option(Kind.LEAVE, (), (), None, _heights(read, left), checks, price(Kind.LEAVE, 0, 0))


def _flat_share(fret: FretWear, limit: Limit) -> tuple[float, float] | None:
    """Widest flat as a share of the crown width, and the probability that it is within the limit."""
    flat, width = fret.widest_flat(), fret.crown_width
    if flat is None or width is None:
        return None
    share = flat.value / width.value
    u = share * float(np.hypot(flat.u / flat.value, width.u / width.value))
    return share, conformance_probability(share, u, upper=limit.value)


def _flat_check(wear: WearMap, limits: Limits) -> Check:
    """The fret whose flat takes the largest share of its crown, held against the limit."""
    limit = limits["flat_share"]
    shares = [(s[0], f.number, s[1]) for f in wear.frets if (s := _flat_share(f, limit)) is not None]
    if not shares:
        return Check(limit, 1.0 if wear.read else None, Verdict.WITHIN if wear.read else Verdict.CANNOT_TELL)
    _, number, p = max(shares)
    return Check(limit, p, verdict_of(p), number)


def _to_dress(wear: WearMap, boards: Boards, limits: Limits) -> tuple[int, ...]:
    """Frets whose divots or flats are not surely within what may stay."""
    leave = limits["divot_leave"].value

    def may_stay(fret: FretWear) -> bool:
        shallow = verdict_of(float(np.mean(boards.depth[:, boards.frets.index(fret.number)] <= leave)))
        share = _flat_share(fret, limits["flat_share"])
        return shallow == Verdict.WITHIN and (share is None or verdict_of(share[1]) == Verdict.WITHIN)

    return tuple(f.number for f in wear.frets if f.was_read and not may_stay(f))


def _dress(wear: WearMap, boards: Boards, limits: Limits, price: Pricing) -> Option:
    """Dress alone only the frets whose wear may not stay: each ends lower than the rest of the board by what comes off.

    The step is held against the untouched level even between two dressed neighbours: worked one by one, nothing brings
    them to a common surface.
    """
    margin = limits["clean_up_margin"].value
    chosen = _to_dress(wear, boards, limits)
    off = {n: boards.depth[:, boards.frets.index(n)] + margin for n in chosen}
    step, divots = limits["level_step"], limits["divot_leave"]
    others = [boards.frets.index(n) for n in wear.read if n not in chosen]
    step_ok = np.column_stack([*off.values()]) <= step.value if off else np.ones((len(boards.depth), 1), bool)
    checks = [_check(step, step_ok if wear.read else None)]
    if others:
        checks.append(_check(divots, boards.depth[:, others] <= divots.value))
    left = None
    if boards.height is not None and chosen:
        left = np.column_stack([boards.height[:, boards.frets.index(n)] - off[n] for n in chosen])
    if chosen:
        checks.append(_height_check(limits, chosen, left))
    most = spread(np.max([off[n] for n in chosen], axis=0)) if chosen else None
    return Option(
        Kind.DRESS, chosen, (), most, _heights(chosen, left), tuple(checks), price(Kind.DRESS, len(chosen), 0)
    )


def _level(wear: WearMap, boards: Boards, limits: Limits, price: Pricing) -> Option:
    every = boards.frets
    off = removal(boards, every, limits["clean_up_margin"].value)
    left = height_after(boards, every, off)
    check = _height_check(limits, every, left if wear.read else None)
    return Option(
        Kind.LEVEL, every, (), spread(off), _heights(every, left), (check,), price(Kind.LEVEL, len(every), 0),
        ("The strings sit lower over the frets: check the nut slots and the action afterwards.",),
    )  # fmt: skip


def _partial(wear: WearMap, boards: Boards, limits: Limits, price: Pricing, new: Measured | None) -> Option:
    """Replace as few of the worst frets as leave enough height on the rest; `curve` shows the choice."""
    curve = _trade_off(boards, limits)
    needed = next(
        (t for t in curve[1:] if t.probability is not None and verdict_of(t.probability) == Verdict.WITHIN), None
    )
    chosen = needed or curve[min(1, len(curve) - 1)]
    kept = tuple(n for n in boards.frets if n not in chosen.replaced)
    off = removal(boards, kept, limits["clean_up_margin"].value)
    left = height_after(boards, kept, off)
    check = _height_check(limits, kept, left if wear.read else None)
    brings = ["New frets are taken down to the height of the old ones, and their ends bevelled to match."]
    brings += _of_pulling(wear)
    if new is not None and left is not None and new.value < float(left.mean()):
        brings.append("The wire chosen is lower than what is left on the old frets: choose a taller one.")
    return Option(
        Kind.PARTIAL, kept, chosen.replaced, spread(off), _heights(kept, left), (check,),
        price(Kind.PARTIAL, len(kept), len(chosen.replaced)), tuple(brings), curve,
    )  # fmt: skip


def _trade_off(boards: Boards, limits: Limits) -> tuple[TradeOff, ...]:
    """For k = 0, 1, 2 ... of the worst frets replaced: what comes off the others and what they keep."""
    order = sorted(boards.frets, key=lambda n: -float(boards.depth[:, boards.frets.index(n)].mean()))
    margin, least = limits["clean_up_margin"].value, limits["crown_height"].value
    points = []
    for k in range(len(order)):
        kept = sorted(order[k:])
        off = removal(boards, kept, margin)
        left = height_after(boards, kept, off)
        lowest = None if left is None else left.min(axis=1)
        p = None if lowest is None else float(np.mean(lowest >= least))
        points.append(TradeOff(tuple(sorted(order[:k])), spread(off), None if lowest is None else spread(lowest), p))
    return tuple(points)


def _refret(wear: WearMap, limits: Limits, price: Pricing, new: Measured | None) -> Option:
    every = tuple(f.number for f in wear.frets)
    limit = limits["crown_height"]
    brings = ["The slots and the board are cleaned while the frets are out.", *_of_pulling(wear)]
    if new is None:
        check = Check(limit, None, Verdict.CANNOT_TELL)
        return Option(Kind.REFRET, (), every, None, (), (check,), price(Kind.REFRET, 0, len(every)), tuple(brings))
    left = Spread(new.value - WIRE_LEVELLING_MM, new.u)
    p = conformance_probability(left.value, left.u, lower=limit.value)
    if wear.crown_height is not None and new.value > wear.crown_height.value + wear.crown_height.u:
        brings.append("The new frets are taller: the nut slots may be too low for them.")
    heights = tuple((n, left) for n in every)
    return Option(
        Kind.REFRET, (), every, None, heights, (Check(limit, p, verdict_of(p)),),
        price(Kind.REFRET, 0, len(every)), tuple(brings),
    )  # fmt: skip


def _of_pulling(wear: WearMap) -> list[str]:
    """What pulling frets entails on this board."""
    out = []
    if wear.instrument.binding:
        out.append(
            "The board is bound: new tangs are cut short at both ends so that the crowns reach over the binding."
        )
    if wear.instrument.nibs:
        out.append("The frets end in nibs: those beside new frets are lost or made again. Agree which.")
    return out


def recommend(wear: WearMap, options: Sequence[Option], lengths: LengthUnit = "mm") -> Recommendation:
    """The cheapest option whose limits are all kept; ties go to the least work. Says why in two sentences."""
    if not wear.read:
        return Recommendation(
            None,
            "No photo shows the wear of any fret yet. Nothing can be recommended without readings.",
            "Take plan photos of the whole board, then elevation photos of the frets that look worst.",
        )
    order = list(Kind)
    ranked = sorted(options, key=lambda o: (o.price, order.index(o.kind)))
    good = [o for o in ranked if o.verdict == Verdict.WITHIN]
    settle = _settle(wear, ranked, good[0] if good else None)
    if not good:
        return Recommendation(
            None, "No option keeps every limit with the certainty asked for. More photos are needed to decide.", settle
        )
    return Recommendation(good[0].kind, _reason(wear, options, good[0], lengths), settle)


def _settle(wear: WearMap, ranked: Sequence[Option], chosen: Option | None) -> str:
    """What photo would settle a cheaper option that can't be told, or frets nobody has looked at."""
    parts = []
    for o in ranked:
        if o is chosen:
            break
        doubtful = next((c for c in o.checks if c.verdict == Verdict.CANNOT_TELL), None)
        if o.verdict != Verdict.CANNOT_TELL or doubtful is None:
            continue
        if doubtful.probability is None and wear.crown_height is None:
            parts.append("A section photo of a pulled fret or the wire would give the crown height.")
        else:
            where = f"fret {doubtful.worst_fret}" if doubtful.worst_fret else "the worst frets"
            parts.append(f"An elevation photo of {where} with a lower camera may show that “{o.kind}” is enough.")
        break
    if wear.unread:
        parts.append(f"Not read: {_list(wear.unread)}; taken to be no worse than the others.")
    if wear.read_in_part:
        parts.append(f"Read in part: {_list(wear.read_in_part)}; what no photo shows is taken to be no worse.")
    return " ".join(parts)


def _reason(wear: WearMap, options: Sequence[Option], chosen: Option, lengths: LengthUnit) -> str:
    worst = max((f for f in wear.frets if f.was_read), key=lambda f: d.value if (d := f.deepest()) else 0.0)
    depth = worst.deepest()
    assert depth is not None
    found = f"The deepest wear, {show(depth, lengths)}, is on fret {worst.number}."
    return f"{found} {_because(options, chosen, lengths)}"


def _because(options: Sequence[Option], chosen: Option, lengths: LengthUnit) -> str:
    least = _least_left(chosen, lengths)
    if chosen.kind == Kind.LEAVE:
        return "It may stay: the frets need no work now."
    if chosen.kind == Kind.DRESS:
        return f"Dressing {_list(chosen.dressed)} alone cleans it up and leaves the board level."
    if chosen.kind == Kind.LEVEL and least:
        return f"Levelling all frets cleans it up and still leaves {least} of crown on the lowest."
    low = _least_left(next(o for o in options if o.kind == Kind.LEVEL), lengths)
    why = f"Levelling alone would leave as little as {low}" if low else "Levelling alone is not sure"
    if chosen.kind == Kind.PARTIAL:
        return f"{why}, so {_list(chosen.replaced)} are replaced and the rest levelled to {least}."
    return f"{why}, too little to crown and play on, so all frets are replaced."


def _least_left(option: Option, lengths: LengthUnit) -> str:
    """The least crown height an option leaves; empty where none is known."""
    left = min((s for _, s in option.height_left), key=lambda s: s.value, default=None)
    return str(show(left.measured, lengths)) if left else ""


def _list(numbers: Sequence[int]) -> str:
    """``frets 1 to 4, 7 and 9``."""
    runs: list[list[int]] = []
    for n in numbers:
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    words = [str(r[0]) if len(r) == 1 else f"{r[0]} to {r[-1]}" for r in runs]
    text = ", ".join(words[:-1]) + (" and " if len(words) > 1 else "") + words[-1]
    return ("fret " if len(numbers) == 1 else "frets ") + text
