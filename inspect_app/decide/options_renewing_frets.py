"""The options that put new frets in: replace the worst and level the rest to them, or all of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from calib.budget import difference
from inspect_app.decide.consequences import (
    board_consequences,
    nut_consequences,
    pulling_consequences,
    setup_consequences,
    wire_consequences,
)
from inspect_app.decide.levelling import Draws, height_after, removal, spread
from inspect_app.decide.limits import Verdict, for_wire, verdict_of
from inspect_app.decide.nut import NutAfter, nut_after
from inspect_app.decide.option_parts import (
    Check,
    Kind,
    Option,
    OptionInputs,
    OptionWork,
    TradeOff,
    check,
    height_check,
    option_of,
)
from inspect_app.decide.setup import Setup
from inspect_app.decide.wear import WearMap
from inspect_app.instrument.wire import hardness
from shared.measured import Contribution, Measured

__all__ = ["levelled_wire", "nut_after_new_wire", "partial", "refret"]

HOW_THE_NUT_IS_READ = "A photo across the neck with the outer string held between the second and the third fret tells."

NEW_WIRE_LOSS = (0.05, 0.15)
"""What new frets lose when they are levelled and crowned, mm (common practice, no source): anywhere between alike."""


def levelled_wire(new: Measured) -> Measured:
    """Crown height of new frets after the first levelling."""
    least, most = NEW_WIRE_LOSS
    loss = Contribution("loss in levelling new wire", (most - least) / math.sqrt(12.0))
    return replace(new, value=new.value - (least + most) / 2.0, contributions=(*new.contributions, loss))


def _yearly(case: OptionInputs, replaced: Sequence[int]) -> Mapping[int, Draws]:
    """Draws of the wear a year once frets are replaced: as the old wire wore, in inverse proportion to hardness.

    Wear goes with load and path over hardness (Archard, Contact and rubbing of flat surfaces, J. Appl. Phys. 24, 1953);
    hardness of drawn wire is known to a tenth or so.
    """
    old, new = hardness(case.wear.material), hardness(case.stock.material if case.stock else case.wear.material)
    if old == new:
        return case.yearly
    slower = Measured.of(old / new, "1", hardness=0.1 * math.sqrt(2.0) * old / new)
    factor = np.maximum(case.boards.sampler.draw(slower), 0.1 * slower.value)
    return {n: r * factor if n in replaced else r for n, r in case.yearly.items()}


def partial(case: OptionInputs) -> Option:
    """Replace as few of the lowest frets as leave enough height on all; `curve` shows the choice."""
    wear = case.wear
    curve = _trade_off(case)
    needed = next(
        (t for t in curve[1:] if t.probability is not None and verdict_of(t.probability) == Verdict.WITHIN), None
    )
    replaced = (needed or curve[min(1, len(curve) - 1)]).replaced
    kept = tuple(n for n in case.boards.frets if n not in replaced)
    off, heights, to_file = _heights_after(case, replaced)
    every = tuple(sorted(heights))
    together = np.column_stack([heights[n] for n in every]) if heights else None
    held = height_check(case.limits["crown_height"], every, together if wear.read else None)
    brings = ["New frets are taken down to the height of the old ones, and their ends bevelled to match."]
    brings += setup_consequences(case.setup, case.limits["level_step"].value)
    brings += wire_consequences(wear, case.stock, to_file, all_new=False) + pulling_consequences(wear)
    if to_file is not None and to_file < 0.0:
        brings.append("The wire chosen is lower than what is left on the old frets: choose a taller one.")
    work = OptionWork(kept, replaced, off, tuple(brings), curve, _yearly(case, replaced))
    return option_of(case, Kind.PARTIAL, [held], heights, work)


def _heights_after(case: OptionInputs, replaced: Sequence[int]) -> tuple[Draws, dict[int, Draws], float | None]:
    """What comes off the old frets, the height of all by fret, and what is filed off the new ones to match, mm.

    Where the new wire does not reach the surface of the old frets, these are levelled down to it.
    """
    kept = [n for n in case.boards.frets if n not in replaced]
    off = removal(case.boards, kept, case.limits["clean_up_margin"].value)
    left = height_after(case.boards, kept, off)
    surface = height_after(case.boards, replaced, off)
    if left is None or surface is None:
        return off, {}, None
    to_file = None
    if replaced and case.new is not None:
        new = case.boards.sampler.draw(case.new)[:, None]
        to_file = float((new - surface).mean())
        short = np.maximum((surface - new).max(axis=1), 0.0)
        off, left, surface = off + short, left - short[:, None], np.minimum(surface - short[:, None], new)
    else:
        surface = surface[:, :0]
    heights = {n: left[:, j] for j, n in enumerate(kept)}
    return off, heights | {n: surface[:, j] for j, n in enumerate(replaced[: surface.shape[1]])}, to_file


def _trade_off(case: OptionInputs) -> tuple[TradeOff, ...]:
    """For one fret replaced, two, and so on: what comes off the others and what they keep.

    Next comes the fret whose divot decides how much comes off, or the one that is left lowest: whichever leaves more on
    the rest. A fret left alone between two new ones is replaced with them: it would be levelled to them on both sides,
    and a run of one wire plays and looks alike.
    """
    every = case.boards.frets
    points = [_replacing(case, ())]
    chosen: tuple[int, ...] = ()
    while len(chosen) < len(every) - 1:
        found = [
            _replacing(case, replaced)
            for n in _candidates(case, chosen)
            if len(replaced := _closed((*chosen, n), every)) < len(every)
        ]
        if not found:
            break
        best = max(found, key=_height_kept)
        points.append(best)
        chosen = best.replaced
    return tuple(points)


def _height_kept(point: TradeOff) -> float:
    return point.least_height.value if point.least_height else -point.removal.value


def _candidates(case: OptionInputs, replaced: Sequence[int]) -> list[int]:
    """The fret among those kept that decides what comes off, and the one whose crown was read to be the lowest."""
    boards = case.boards
    kept = [n for n in boards.frets if n not in replaced]
    columns = boards.columns(kept)
    deciding = kept[int(np.argmax((boards.depth[:, columns] - boards.above[columns]).mean(axis=0)))]
    if boards.height is None:
        return [deciding]
    read = [n for n in kept if case.wear.fret(n).crown_height is not None]
    if not read:
        return [deciding]
    lowest = min(read, key=lambda n: float(boards.height[:, boards.frets.index(n)].mean()))  # type: ignore[index]
    return list(dict.fromkeys((deciding, lowest)))


def _replacing(case: OptionInputs, replaced: tuple[int, ...]) -> TradeOff:
    off, heights, _ = _heights_after(case, replaced)
    if not heights:
        return TradeOff(replaced, spread(off), None, None)
    low = np.column_stack(list(heights.values())).min(axis=1)
    return TradeOff(replaced, spread(off), spread(low), float(np.mean(low >= case.limits["crown_height"].value)))


def _closed(chosen: Sequence[int], frets: Sequence[int]) -> tuple[int, ...]:
    """The chosen frets, with those that stand alone between two of them."""
    return tuple(n for n in frets if n in chosen or (n - 1 in chosen and n + 1 in chosen))


def nut_after_new_wire(wear: WearMap, new: Measured | None, setup: Setup) -> NutAfter | None:
    """What a full refret with wire `new` high, mm, leaves at the nut; None where it was not read, or the first crown's
    height is not known.

    The first crown now stands as high as it was unworn, less what is worn off it under the outer string.
    """
    first = wear.frets[0]
    now = wear.unworn_height(first.number)
    if new is None or now is None:
        return None
    worn = [s.depth for s in first.spots if s.depth is not None and s.string in (1, wear.instrument.strings)]
    top = now if not worn else difference(now, max(worn, key=lambda d: d.value))
    return nut_after(setup, wear.instrument, difference(levelled_wire(new), top), top)


def refret(case: OptionInputs) -> Option:
    """All frets new."""
    wear, new = case.wear, case.new
    every = tuple(f.number for f in wear.frets)
    brings = ["The slots and the board are cleaned while the frets are out.", *pulling_consequences(wear)]
    brings += wire_consequences(wear, case.stock, None, all_new=True)
    if new is None:
        check_none = Check(case.limits["crown_height"], None, Verdict.CANNOT_TELL)
        return option_of(case, Kind.REFRET, [check_none], {}, OptionWork(replaced=every, brings=tuple(brings)))
    own = case if case.stock is None else replace(case, limits=for_wire(case.limits, new))
    limit = own.limits["crown_height"]
    left = case.boards.sampler.draw(levelled_wire(new))
    brings += board_consequences(case.board, frets_out=True)
    known = nut_after_new_wire(wear, new, case.setup)
    brings += nut_consequences(known)
    taller = wear.crown_height is not None and new.value > wear.crown_height.value + wear.crown_height.u
    if known is None and taller and not wear.instrument.zero_fret:
        brings.append("The new frets are taller: the nut slots may be too low for them. " + HOW_THE_NUT_IS_READ)
    if limit.value < case.limits["crown_height"].value:
        brings.append(f"The wire chosen is low: {limit.value:.2f} mm of it must be left ({limit.source}).")
    work = OptionWork(replaced=every, brings=tuple(brings), yearly=_yearly(case, every))
    return option_of(own, Kind.REFRET, [check(limit, left >= limit.value)], dict.fromkeys(every, left), work)
