"""Boards by the thousand: nothing breaks, more wear never looks better, and what is said to be probable is.

``BOARDS=10000`` in the environment looks at as many random boards (a few minutes); by itself the test takes some
hundreds. Every board is its own seed, so a failure names the board to look at.
"""

import math
import os
from dataclasses import replace

import numpy as np
import pytest

from inspect_app.decide.levelling import FRET_TO_FRET_U, draw_boards
from inspect_app.decide.limits import Limits, Verdict
from inspect_app.decide.option_parts import OptionInputs
from inspect_app.decide.options import Cost, Kind, recommend, work_out_options
from inspect_app.decide.options_keeping_frets import leave, level
from inspect_app.decide.wear import FretWear, WearMap, WornSpot
from inspect_app.instrument.details import Instrument
from inspect_app.instrument.wire import WireStock
from shared.measured import Contribution, Measured

LIMITS = Limits.default()
BOARDS = int(os.environ.get("BOARDS", "300"))
DRAWS = 400
ORDER = {Verdict.BEYOND: 0, Verdict.CANNOT_TELL: 1, Verdict.WITHIN: 2}


def random_spot(rng):
    u = rng.uniform(0.002, 0.04)
    parts = [Contribution("edge noise", u), Contribution("camera elevation", 0.5 * u, "photo", 0)]
    if rng.random() < 0.3:
        parts.append(Contribution("crown radius", 0.5 * u, "wire", 0))
    depth = None if rng.random() < 0.1 else Measured(float(rng.exponential(0.08)), "mm", tuple(parts))
    flat = Measured.of(rng.uniform(0.2, 2.4), "mm", edge=rng.uniform(0.01, 0.2)) if rng.random() < 0.5 else None
    length = Measured.of(rng.uniform(1.0, 44.0), "mm", edge=0.3) if flat else None
    place = Measured.of(rng.uniform(2.0, 42.0), "mm", edge=0.1)
    return WornSpot(place, int(rng.integers(1, 7)), depth, flat, length)


def random_fret(n, rng):
    spots = tuple(random_spot(rng) for _ in range(rng.integers(0, 4)))
    if rng.random() < 0.1:
        return FretWear(n, reasons=("no photo shows it",))
    width = Measured.of(rng.uniform(1.9, 3.0), "mm", edge=rng.uniform(0.01, 0.3)) if rng.random() < 0.9 else None
    height = Measured.of(rng.uniform(0.3, 1.5), "mm", calliper=0.012, seating=0.025) if rng.random() < 0.2 else None
    known = all(s.depth is not None for s in spots)
    unseen = float(rng.uniform(0.0, 0.03)) if known and rng.random() < 0.8 else None
    length = Measured.of(44.0, "mm", edge=0.1) if rng.random() < 0.9 else None
    return FretWear(n, spots, length, width, height, unseen)


def random_board(seed):
    """Any board there could be, with anything unknown: frets, heights, wire, material, build."""
    rng = np.random.default_rng(seed)
    frets = tuple(random_fret(n, rng) for n in range(1, int(rng.integers(1, 9)) + 1))
    height = rng.uniform(0.4, 1.6)
    shared = Measured.of(height, "mm", as_written_down=rng.uniform(0.0, 0.08)) if rng.random() < 0.8 else None
    wire = shared if rng.random() < 0.5 else None
    material = str(rng.choice(["", "nickel silver", "stainless"]))
    instrument = Instrument(
        648.0, frets=len(frets), binding=bool(rng.random() < 0.3), zero_fret=bool(rng.random() < 0.3)
    )
    return WearMap(instrument, frets, shared, "written", wire, material)


def options_of(wear, seed=0, stock=None, draws=DRAWS):
    new = Measured.of(stock.crown_height, "mm", stated_height=0.01) if stock else None
    made = work_out_options(wear, LIMITS, price, new, seed=seed, stock=stock, draws=draws)
    return {o.kind: o for o in made}


def price(kind, dressed, replaced):
    return Cost(1000 * (list(Kind).index(kind) + 1), 100 * replaced)


def numbers_of(option):
    yield from (c.probability for c in option.checks if c.probability is not None)
    for s in [option.removal, *(s for _, s in option.height_left)]:
        if s is not None:
            yield from (s.value, s.u)


def with_spots(wear, change):
    """The board with every spot changed."""
    return replace(wear, frets=tuple(replace(f, spots=tuple(change(s, f.number) for s in f.spots)) for f in wear.frets))


def more_worn(wear, rng):
    """Some spots deeper, by as much as comes."""

    def deeper(spot, _):
        if spot.depth is None or rng.random() < 0.5:
            return spot
        flat = spot.flat_width and replace(spot.flat_width, value=spot.flat_width.value + rng.exponential(0.1))
        return replace(spot, depth=replace(spot.depth, value=spot.depth.value + rng.exponential(0.05)), flat_width=flat)

    return with_spots(wear, deeper)


def better_known(wear, share):
    """The same board, every depth known better."""

    def sharper(spot, _):
        if spot.depth is None:
            return spot
        parts = tuple(replace(c, u=share * c.u) for c in spot.depth.contributions)
        return replace(spot, depth=replace(spot.depth, contributions=parts))

    return with_spots(wear, sharper)


@pytest.mark.slow
def test_random_boards_never_break_a_decision():
    stocks = [None, WireStock("w", "stainless", 2.6, 1.3), WireStock("low", "nickel silver", 2.0, 0.65)]
    for seed in range(BOARDS):
        wear, rng = random_board(seed), np.random.default_rng([seed, 1])
        stock = stocks[seed % 3]
        options = options_of(wear, stock=stock)
        said = recommend(wear, tuple(options.values()))
        assert said.reason, seed
        assert all(math.isfinite(v) for o in options.values() for v in numbers_of(o)), seed
        assert all(0.0 <= c.probability <= 1.0 for o in options.values() for c in o.checks if c.probability is not None)
        never_better(options, options_of(more_worn(wear, rng), stock=stock), seed)
        never_less_sure(options, options_of(better_known(wear, rng.uniform(0.0, 1.0)), stock=stock), seed)


def never_better(options, worse, seed):
    """More wear: no height is larger and no verdict better, on any option that works on the same frets.

    Not of recrowning: where flat tops lie at different levels, wear on the higher ones does bring them level.
    """
    for kind in (Kind.LEAVE, Kind.LEVEL, Kind.REFRET):
        before, after = options[kind], worse[kind]
        assert ORDER[after.verdict] <= ORDER[before.verdict], (seed, kind)
        left = dict(after.height_left)
        assert all(left[n].value <= s.value + 1e-12 for n, s in before.height_left), (seed, kind)
    if options[Kind.LEVEL].removal is not None:
        assert worse[Kind.LEVEL].removal.value >= options[Kind.LEVEL].removal.value - 1e-12, seed
    assert ORDER[worse[Kind.PARTIAL].verdict] <= ORDER[options[Kind.PARTIAL].verdict], seed


def never_less_sure(options, sharper, seed):
    """Better knowledge: what was sure stays so."""
    for kind in Kind:
        if options[kind].verdict == Verdict.WITHIN:
            assert sharper[kind].verdict == Verdict.WITHIN, (seed, kind)


def simulated(seed, frets=12):
    """A true board, and what photos would say of it: true heights and depths, and readings with their errors."""
    rng = np.random.default_rng([seed, 7])
    u_height, u_photo = rng.uniform(0.01, 0.06), rng.uniform(0.0, 0.01)
    shared_error = rng.standard_normal()
    typical = rng.uniform(0.85, 1.25)
    true_height = typical + rng.normal(0.0, FRET_TO_FRET_U, frets)
    photo_error = rng.standard_normal()
    made, true_depth = [], np.zeros(frets)
    for n in range(frets):
        spots = []
        for s in range(1, 4):
            depth, u = float(rng.exponential(0.06)), float(rng.uniform(0.003, 0.02))
            true_depth[n] = max(true_depth[n], depth)
            read = depth + u * rng.standard_normal() + u_photo * photo_error
            parts = (Contribution("edge noise", u), Contribution("camera elevation", u_photo, "photo", 0))
            spots.append(WornSpot(Measured.of(5.0 + 10.0 * s, "mm", edge=0.1), s, Measured(float(read), "mm", parts)))
        made.append(FretWear(n + 1, tuple(spots), None, None, None, 0.002))
    read_height = Measured(typical + u_height * shared_error, "mm", (Contribution("as written down", u_height),))
    return WearMap(Instrument(648.0, frets=frets), tuple(made), read_height, "written"), true_height, true_depth


def height_and_depth(wear, draws):
    """The checks of leaving and of levelling a board, without the other options."""
    boards = draw_boards(wear, draws)
    case = OptionInputs(wear, boards, LIMITS, price, None, None, {})
    return leave(case), level(case)


@pytest.mark.slow
def test_stated_probabilities_are_calibrated():
    """1,000 boards: where an option is said to keep its limit with 90 % or more, at least 95 in 100 do; and where it
    is said not to (10 % or less), at most 1 in 10 does."""
    said, true = [], []
    for seed in range(1000):
        wear, height, depth = simulated(seed)
        left_alone, levelled = height_and_depth(wear, 1000)
        after = height - depth.max() - LIMITS["clean_up_margin"].value
        for option, key, kept in (
            (left_alone, "divot_leave", depth.max() <= LIMITS["divot_leave"].value),
            (left_alone, "crown_height", (height - depth).min() >= LIMITS["crown_height"].value),
            (levelled, "crown_height", after.min() >= LIMITS["crown_height"].value),
        ):
            said.append(next(c.probability for c in option.checks if c.limit.key == key))
            true.append(kept)
    said, true = np.array(said), np.array(true)
    sure, sure_not = said >= 0.90, said <= 0.10
    assert sure.sum() > 300
    assert true[sure].mean() >= 0.95
    assert sure_not.sum() > 300
    assert true[sure_not].mean() <= 0.10


@pytest.mark.slow
def test_the_largest_of_many_depths_lies_on_the_deep_side():
    """How far what comes off is from the truth: for depths that differ and for depths all alike, and never short by
    more than its U in more than 5 of 100 boards."""
    off, u, true = [], [], []
    for seed in range(300):
        wear, _, depth = simulated(seed)
        removal = height_and_depth(wear, 400)[1].removal
        off.append(removal.value - LIMITS["clean_up_margin"].value)
        u.append(removal.u)
        true.append(depth.max())
    short = np.array(true) - np.array(off)
    assert np.mean(short > 2.0 * np.array(u)) < 0.05
    assert -0.01 < np.mean(short) < 0.002


@pytest.mark.parametrize("deeper", [0.01, 0.05, 0.2])
def test_wear_alike_everywhere_takes_its_own_depth_off(deeper):
    wear, _, _ = simulated(3)
    deepened = with_spots(wear, lambda s, _: replace(s, depth=replace(s.depth, value=s.depth.value + deeper)))
    before, after = options_of(wear)[Kind.LEVEL], options_of(deepened)[Kind.LEVEL]
    assert after.removal.value - before.removal.value == pytest.approx(deeper, abs=1e-9)
