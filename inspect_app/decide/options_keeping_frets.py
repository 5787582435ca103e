"""The options that keep every fret: leave it, dress single frets, recrown and polish, level and crown."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from calib.budget import difference, ratio, scaled
from inspect_app.decide.consequences import (
    board_consequences,
    levelling_consequences,
    nut_consequences,
    setup_consequences,
    uniform_wear_consequence,
)
from inspect_app.decide.levelling import Draws, common_depth, height_after, removal, spread
from inspect_app.decide.limits import Limit, Verdict, conformance_probability, verdict_of
from inspect_app.decide.nut import nut_after
from inspect_app.decide.option_parts import (
    Check,
    Kind,
    Option,
    OptionInputs,
    OptionWork,
    check,
    height_check,
    option_of,
    worst,
)
from inspect_app.decide.wear import FretWear, WearMap, WornSpot
from shared.measured import Measured

__all__ = ["dress", "flat_share", "leave", "level", "recrown"]

FLAT_TOPPED = 0.8
"""A flat this share of its fret's length is the fret's whole top: the ends beyond the outer strings wear less
(common practice, no source)."""


def leave(case: OptionInputs) -> Option:
    """Nothing is done."""
    read = case.wear.read
    columns = case.boards.columns(read)
    left = None if case.boards.height is None else case.boards.height[:, columns] - case.boards.depth[:, columns]
    return option_of(case, Kind.LEAVE, _checks_without_work(case, left), _by_fret(read, left))


def _checks_without_work(case: OptionInputs, left: Draws | None) -> list[Check]:
    """Everything that worn frets are held to while nothing is done to them."""
    read, limits = case.wear.read, case.limits
    depth = case.boards.depth[:, case.boards.columns(read)]
    divots = limits["divot_leave"]
    checks = [
        check(divots, depth <= divots.value if read else None, worst(read, depth)),
        _flat_check(case.wear, limits["flat_share"]),
        height_check(limits["crown_height"], read, left),
    ]
    return checks + _tops_check(case, ())


def _by_fret(numbers: Sequence[int], draws: Draws | None) -> dict[int, Draws]:
    return {} if draws is None else {n: draws[:, j] for j, n in enumerate(numbers)}


def _tops_check(case: OptionInputs, dressed: Sequence[int]) -> list[Check]:
    """Frets whose height was read and stands apart from the others', held against the step; none where none does."""
    limit = case.limits["level_step"]
    above = zip(case.boards.frets, case.boards.above, case.boards.above_u, strict=True)
    apart = [(abs(float(a)), float(u), n) for n, a, u in above if a and n not in dressed]
    if not apart:
        return []
    steps = [(conformance_probability(off, u, lower=-limit.value, upper=limit.value), n) for off, u, n in apart]
    p, number = min(steps)
    return [Check(limit, p, verdict_of(p), number)]


def flat_share(fret: FretWear, limit: Limit) -> tuple[Measured, float] | None:
    """Widest flat as a share of the crown width, and the probability that it is within the limit."""
    width = fret.crown_width
    flats = [s.flat_width for s in fret.spots if s.flat_width is not None]
    if not flats or width is None or width.value <= 3.0 * width.u:
        return None
    shares = [ratio(f, width) for f in flats]
    held = [(conformance_probability(q.value, q.u, upper=limit.value, dof=q.dof), -q.value, q) for q in shares]
    p, _, share = min(held, key=lambda h: h[:2])
    return share, p


def _flat_check(wear: WearMap, limit: Limit) -> Check:
    """The fret whose flat is least sure to be within the limit decides."""
    shares = [(s[1], -s[0].value, f.number) for f in wear.frets if (s := flat_share(f, limit)) is not None]
    if not shares:
        return Check(limit, 1.0 if wear.read else None, Verdict.WITHIN if wear.read else Verdict.CANNOT_TELL)
    p, _, number = min(shares)
    return Check(limit, p, verdict_of(p), number)


def _worn_frets(case: OptionInputs) -> tuple[int, ...]:
    """Frets whose divots or flats are not surely within what may stay."""
    stays, share_limit = case.limits["divot_leave"].value, case.limits["flat_share"]

    def may_stay(fret: FretWear) -> bool:
        shallow = verdict_of(float(np.mean(case.boards.depth[:, case.boards.columns([fret.number])] <= stays)))
        share = flat_share(fret, share_limit)
        return shallow == Verdict.WITHIN and (share is None or verdict_of(share[1]) == Verdict.WITHIN)

    return tuple(f.number for f in case.wear.frets if f.was_read and not may_stay(f))


def dress(case: OptionInputs) -> Option:
    """Dress single frets: those that stand high come down to the others, those worn by what cleans them up.

    A worn fret ends lower than the board by what comes off, and the step is held against the untouched level even
    between two dressed neighbours: worked one by one, nothing brings them to a common surface. So wear that may not
    stay can hardly be dressed away on single frets, while a fret that stands high can.
    """
    boards, limits, read = case.boards, case.limits, case.wear.read
    margin, step = limits["clean_up_margin"].value, limits["level_step"]
    high = [n for n, a in zip(boards.frets, boards.above, strict=True) if a > step.value]
    worn_ones = _worn_frets(case)
    chosen = tuple(sorted({*worn_ones, *high}))
    if not chosen:
        left = None if boards.height is None else _left_as_is(case, read)
        return option_of(case, Kind.DRESS, _checks_without_work(case, left), _by_fret(read, left))
    columns = boards.columns(chosen)
    above = boards.above[columns]
    worn = np.array([n in worn_ones for n in chosen])
    off = np.where(worn, np.maximum(boards.depth[:, columns] + margin, above), np.maximum(above, 0.0))
    checks = [check(step, (off - above) <= step.value, worst(chosen, off - above))]
    others = [n for n in read if n not in chosen]
    if others:
        depth = boards.depth[:, boards.columns(others)]
        checks.append(check(limits["divot_leave"], depth <= limits["divot_leave"].value, worst(others, depth)))
    checks += _tops_check(case, chosen)
    every = tuple(sorted({*read, *chosen}))
    left = _left_as_is(case, every) if boards.height is not None else None
    if left is not None:
        for j, n in enumerate(chosen):
            at = every.index(n)
            left[:, at] = np.minimum(left[:, at], boards.height[:, columns[j]] - off[:, j])  # type: ignore[index]
    checks.append(height_check(limits["crown_height"], every, left))
    return option_of(case, Kind.DRESS, checks, _by_fret(every, left), OptionWork(chosen, off=off.max(axis=1)))


def _left_as_is(case: OptionInputs, numbers: Sequence[int]) -> Draws:
    columns = case.boards.columns(numbers)
    assert case.boards.height is not None
    return np.asarray(case.boards.height[:, columns] - case.boards.depth[:, columns])


def _long_flat(fret: FretWear) -> WornSpot | None:
    """The flat that is the fret's whole top, where there is one."""
    if fret.length is None:
        return None
    longest = max((s for s in fret.spots if s.flat_length is not None), key=_flat_length, default=None)
    return longest if longest is not None and _flat_length(longest) >= FLAT_TOPPED * fret.length.value else None


def _flat_length(spot: WornSpot) -> float:
    return spot.flat_length.value if spot.flat_length is not None else 0.0


_LEVEL = Measured.of(0.0, "mm", exact=0.0)
"""What comes off a board that is recrowned and not levelled: nothing."""


def recrown(case: OptionInputs) -> Option:
    """Give level but flat-topped frets a round top again: their sides are filed, their height stays.

    For a board that play or an earlier levelling has left flat but level: the flats of neighbouring frets are equally
    deep within the step, and no divot is deeper than may stay below them.
    """
    wear, limits, read = case.wear, case.limits, case.wear.read
    left = _left_as_is(case, read) if case.boards.height is not None else None
    checks = [
        _between(limits["level_step"], wear, read),
        _below_tops(limits["divot_leave"], wear, read),
        height_check(limits["crown_height"], read, left),
        *_tops_check(case, ()),
    ]
    brings = ("The frets keep their height: only their sides are filed, until the flat is a line again.",)
    return option_of(case, Kind.RECROWN, checks, _by_fret(read, left), OptionWork(read, brings=brings))


def _top_of(fret: FretWear) -> Measured | None:
    """How far a fret's top lies below the unworn one: its long flat's depth, nothing where it has none."""
    flat = _long_flat(fret)
    return _LEVEL if flat is None else flat.depth


def _between(limit: Limit, wear: WearMap, read: Sequence[int]) -> Check:
    """The step between the tops of neighbouring frets."""
    tops = [(n, _top_of(wear.fret(n))) for n in read]
    if not tops or any(top is None for _, top in tops):
        return Check(limit, None, Verdict.CANNOT_TELL)
    steps = [(1.0, tops[0][0])]
    for (_, a), (n, b) in itertools.pairwise((n, top) for n, top in tops if top is not None):
        d = difference(a, b)
        steps.append((conformance_probability(d.value, d.u, lower=-limit.value, upper=limit.value, dof=d.dof), n))
    p, number = min(steps)
    return Check(limit, p, verdict_of(p), number)


def _below_tops(limit: Limit, wear: WearMap, read: Sequence[int]) -> Check:
    """What is worn deeper than a fret's own top, which recrowning leaves."""
    held = [(1.0, 0)] if read else []
    for fret in (wear.fret(n) for n in read):
        top, long_flat = _top_of(fret), _long_flat(fret)
        for spot in fret.spots:
            if spot is long_flat or spot.depth is None or top is None:
                continue
            d = difference(spot.depth, top)
            held.append((conformance_probability(d.value, d.u, upper=limit.value, dof=d.dof), fret.number))
    if not held:
        return Check(limit, None, Verdict.CANNOT_TELL)
    p, number = min(held)
    return Check(limit, p, verdict_of(p), number or None)


def level(case: OptionInputs) -> Option:
    """Level all frets, crown and polish."""
    every = case.boards.frets
    off = removal(case.boards, every, case.limits["clean_up_margin"].value)
    left = height_after(case.boards, every, off)
    held = height_check(case.limits["crown_height"], every, left if case.wear.read else None)
    margin = case.limits["clean_up_margin"].value
    brings = [
        *setup_consequences(case.setup, case.limits["level_step"].value),
        *levelling_consequences(case.wear),
        *board_consequences(case.board, frets_out=False),
        *uniform_wear_consequence(common_depth(case.wear), float(off.mean()), margin),
        *nut_consequences(
            nut_after(case.setup, case.wear.instrument, scaled(spread(off).measured, -1.0), case.wear.unworn_height(1))
        ),
    ]
    work = OptionWork(every, off=off, brings=tuple(brings))
    return option_of(case, Kind.LEVEL, [held], _by_fret(every, left), work)
