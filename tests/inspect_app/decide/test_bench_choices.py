"""Cases as a repairer would decide them, each worked by hand beside its check."""

import math
from dataclasses import replace

import numpy as np
import pytest

from inspect_app.decide.estimate import PriceBook, cost_of
from inspect_app.decide.levelling import draw_boards, draw_rates, years_left
from inspect_app.decide.limits import Limits, Verdict, for_wire
from inspect_app.decide.options import Kind, recommend, work_out_options
from inspect_app.decide.options_keeping_frets import flat_share
from inspect_app.decide.recommend import frets_in_words
from inspect_app.decide.wear import FretWear, Rate, WearMap, WornSpot, depth_of_flat
from inspect_app.instrument.details import Instrument
from inspect_app.instrument.wire import WireStock
from shared.measured import Contribution, Measured

LIMITS = Limits.default()
BOOK = PriceBook.default()


def mm(value, u=0.005, source="reading"):
    return Measured.of(value, "mm", **{source: u})


def worn(n, depth, u=0.005, height=None, flat=None, long=4.0, width=2.6):
    """One fret: a spot of this depth (0: read, nothing seen), its own height, a flat of this width and length."""
    spots = (WornSpot(mm(20.0), 3, mm(depth, u), flat, mm(long)),) if depth else ()
    return FretWear(n, spots, mm(44.0), mm(width), height, 0.005)


def board(frets, height=None, **build):
    wire = build.pop("wire_height", None)
    material = build.pop("material", "")
    instrument = Instrument(648.0, frets=len(frets), **build)
    return WearMap(instrument, tuple(frets), height, "section photo", wire, material)


def decide(wear, stock=None, rates=(), limits=LIMITS):
    new = mm(stock.crown_height, 0.01) if stock else None
    options = work_out_options(wear, limits, lambda k, d, r: cost_of(BOOK, k, d, r), new, rates, stock=stock)
    return {o.kind: o for o in options}, recommend(wear, options)


def test_the_deepest_of_132_equal_readings_is_as_deep_as_they_say():
    # 0.10 and the 0.02 of cleaning up; drawn one by one, the largest would be 0.152 deep by noise alone: 0.172
    frets = [
        FretWear(
            n,
            tuple(WornSpot(mm(3.0 + 7.0 * s), s, mm(0.10, 0.02)) for s in range(1, 7)),
            mm(44.0),
            mm(2.6),
            None,
            0.005,
        )
        for n in range(1, 23)
    ]
    off = decide(board(frets, mm(1.1)))[0][Kind.LEVEL].removal
    assert off.value == pytest.approx(0.12, abs=0.001)
    assert off.u == pytest.approx(0.02, rel=0.03)


def test_noisy_depths_of_a_board_worn_alike_are_told():
    # truly 0.10 everywhere, read with u 0.02: the largest of 132 readings lies about 2.6 u too deep, and it is said
    # that 0.12 would come off were all alike
    read = 0.10 + 0.02 * np.random.default_rng(5).standard_normal((22, 6))
    frets = [
        FretWear(n, tuple(WornSpot(mm(3.0 + 7.0 * s), s, mm(d, 0.02)) for s, d in enumerate(row, 1)), mm(44.0), mm(2.6))
        for n, row in enumerate(read.tolist(), 1)
    ]
    level = decide(board(frets, mm(1.1)))[0][Kind.LEVEL]
    assert level.removal.value == pytest.approx(read.max() + 0.02, abs=0.001)
    assert "if the frets are worn alike, 0.12 mm comes off" in " ".join(level.brings)
    uneven = [replace(f, spots=(*f.spots, WornSpot(mm(2.0), None, mm(0.25, 0.02)))) for f in frets[:3]] + frets[3:]
    assert "alike" not in " ".join(decide(board(uneven, mm(1.1)))[0][Kind.LEVEL].brings)


def test_an_unworn_low_board_gets_an_answer():
    wear = board([worn(n, 0) for n in range(1, 7)], mm(0.6))
    for stock in (None, WireStock("shop no. 1", "nickel silver", 2.6, 1.2)):
        options, said = decide(wear, stock)
        assert options[Kind.LEAVE].verdict == Verdict.BEYOND
        assert said.reason
    assert said.kind == Kind.REFRET
    assert frets_in_words(()) == "no fret"


def test_a_flat_as_wide_as_its_crown_makes_the_worst_fret_of_the_board():
    width, height = mm(2.70, 0.01), mm(1.10, 0.01)
    flat = mm(2.62, 0.02)
    depth = depth_of_flat(flat, width, height)
    bad = FretWear(1, (WornSpot(mm(20.0), 3, depth, flat, mm(40.0)),), mm(44.0), width, None, 0.005)
    wear = board([bad, *(worn(n, 0.05) for n in range(2, 7))], height)
    options, said = decide(wear, WireStock("shop no. 1", "nickel silver", 2.7, 1.2))
    assert options[Kind.LEVEL].verdict == Verdict.BEYOND
    assert options[Kind.PARTIAL].replaced == (1,)
    assert "is on fret 1" in said.reason
    assert said.kind == Kind.PARTIAL


def test_shared_height_is_one_height_for_all_frets():
    """22 frets, 0.25 above the limit with a shared u of 0.06, each wearing 0.020 +- 0.005 a year."""
    shared = Measured(0.95, "mm", (Contribution("as written down", 0.06),))
    rates = [Rate(n, 3, mm(0.020, 0.005), 1.0) for n in range(1, 23)]
    boards = draw_boards(board([replace(worn(n, 0), crown_height=shared) for n in range(1, 23)]))
    heights = {n: boards.height[:, n - 1] for n in range(1, 23)}
    assert np.corrcoef(boards.height.T).min() == pytest.approx(1.0)
    yearly = draw_rates(rates, boards.sampler)
    left = years_left(heights, yearly, 0.70)
    assert left.median == pytest.approx(8.5, abs=0.15)
    assert left.at_least == pytest.approx(5.0, abs=0.15)
    rng = np.random.default_rng(0)  # every fret its own height: what it came to before
    apart = years_left({n: rng.normal(0.95, 0.06, 10_000) for n in heights}, yearly, 0.70)
    assert (apart.median, apart.at_least) == (pytest.approx(6.1, abs=0.2), pytest.approx(3.5, abs=0.2))


def test_a_new_fret_wears_on_and_stainless_slower():
    # fret 3 is replaced; the others lose 0.05 + 0.02 of 1.10: 1.03, and the new one is filed to that.
    # (1.03 - 0.70) / 0.10 = 3.3 years; stainless, half as hard again, wears 2/3 as fast: 4.95
    frets = [worn(n, 0.40 if n == 3 else 0.05, 0.001) for n in range(1, 7)]
    wear = board([replace(f, crown_height=mm(1.10, 0.001)) for f in frets])
    rates = [Rate(3, 3, mm(0.10, 0.001), 1.0)]
    years = {}
    for material in ("nickel silver", "stainless"):
        options, said = decide(wear, WireStock("w", material, 2.6, 1.2), rates)
        assert said.kind == Kind.PARTIAL
        partial = options[Kind.PARTIAL]
        assert partial.replaced == (3,)
        assert dict(partial.height_left)[3].value == pytest.approx(1.03, abs=0.005)
        years[material] = partial.years.median
    assert years["nickel silver"] == pytest.approx(3.3, abs=0.05)
    assert years["stainless"] == pytest.approx(4.95, abs=0.1)


def test_the_doubtful_limit_decides_and_not_the_larger_value():
    sure = FretWear(1, (WornSpot(mm(20.0), 3, None, mm(0.378 * 2.6, 0.004)),), None, mm(2.6, 0.002), None, 0.005)
    doubtful = FretWear(2, (WornSpot(mm(20.0), 3, None, mm(0.370 * 2.6, 0.236)),), None, mm(2.6, 0.002), None, 0.005)
    assert flat_share(sure, LIMITS["flat_share"])[1] == pytest.approx(1.0, abs=0.001)
    assert flat_share(doubtful, LIMITS["flat_share"])[1] == pytest.approx(0.63, abs=0.005)
    held = next(
        c for c in decide(board([sure, doubtful], mm(1.1)))[0][Kind.LEAVE].checks if c.limit.key == "flat_share"
    )
    assert (held.verdict, held.worst_fret) == (Verdict.CANNOT_TELL, 2)


def flat_topped(n, depth, height=None):
    """Worn flat all along: a chord of this depth on a crown of 2.6 by 1.1, r = (1.69 + 1.21) / 2.2 = 1.318."""
    flat = mm(2.0 * math.sqrt(2.0 * 1.318 * depth - depth**2), 0.02)
    return worn(n, depth, 0.004, height, flat, long=42.0)


def test_level_but_flat_topped_frets_are_recrowned_and_keep_their_height():
    # 0.14 deep is a flat of 1.18, 0.45 of the crown: too wide to leave; the tops are level to 0.01
    wear = board([flat_topped(n, 0.14 + 0.01 * (n % 2)) for n in range(1, 7)], mm(1.1))
    options, said = decide(wear)
    assert options[Kind.LEAVE].verdict == Verdict.BEYOND
    assert said.kind == Kind.RECROWN
    assert dict(options[Kind.RECROWN].height_left)[2].value == pytest.approx(1.1 - 0.14, abs=0.005)
    assert dict(options[Kind.LEVEL].height_left)[2].value == pytest.approx(1.1 - 0.15 - 0.02, abs=0.005)
    assert options[Kind.RECROWN].price < options[Kind.LEVEL].price


def test_flat_topped_frets_that_are_not_level_are_levelled():
    wear = board([flat_topped(n, 0.08 if n % 2 else 0.20) for n in range(1, 7)], mm(1.1))
    options, said = decide(wear)
    assert options[Kind.RECROWN].verdict == Verdict.BEYOND
    assert said.kind == Kind.LEVEL


def test_short_divots_are_not_recrowned_away():
    wear = board([worn(n, 0.15, flat=mm(1.2), long=6.0) for n in range(1, 7)], mm(1.1))
    assert decide(wear)[0][Kind.RECROWN].verdict == Verdict.BEYOND


def test_a_fret_that_stands_high_is_dressed_alone():
    # fret 4 was read 0.15 above the others: it comes down to them, the rest is left
    heights = {n: mm(1.25 if n == 4 else 1.10, 0.01, "seating") for n in range(1, 7)}
    wear = board([worn(n, 0, height=heights[n]) for n in range(1, 7)])
    options, said = decide(wear)
    assert options[Kind.LEAVE].verdict == Verdict.BEYOND
    assert said.kind == Kind.DRESS
    assert options[Kind.DRESS].dressed == (4,)
    assert options[Kind.DRESS].removal.value == pytest.approx(0.15, abs=0.001)
    assert dict(options[Kind.DRESS].height_left)[4].value == pytest.approx(1.10, abs=0.005)
    # levelling all would take the others down only by what cleans them up
    assert dict(options[Kind.LEVEL].height_left)[4].value == pytest.approx(1.10 - 0.02, abs=0.01)


def test_tops_are_not_taken_for_a_plane_where_heights_say_otherwise():
    # fret 2 is 0.30 lower; its divot of 0.15 would bring all down to 0.80 - 0.15 - 0.02 = 0.63: it is replaced instead
    frets = [worn(n, 0.15, height=mm(0.80 if n == 2 else 1.10, 0.01, "seating")) for n in range(1, 7)]
    options, said = decide(board(frets), WireStock("w", "nickel silver", 2.6, 1.2))
    left = dict(options[Kind.LEVEL].height_left)
    assert left[1].value == pytest.approx(0.63, abs=0.01)
    assert left[2].value == pytest.approx(0.63, abs=0.01)
    assert options[Kind.LEVEL].removal.value == pytest.approx(0.47, abs=0.01)
    assert said.kind == Kind.PARTIAL
    assert options[Kind.PARTIAL].replaced == (2,)


def test_a_fret_left_alone_between_two_new_ones_is_replaced_with_them():
    frets = [worn(n, 0.35 if n in (2, 4) else 0.10, height=mm(1.0, 0.005)) for n in range(1, 9)]
    options, _ = decide(board(frets), WireStock("w", "nickel silver", 2.6, 1.2))
    assert options[Kind.PARTIAL].replaced == (2, 3, 4)


def test_new_frets_beside_old_ones_are_told_apart_by_wire():
    frets = [worn(n, 0.35 if n == 2 else 0.10, height=mm(1.0, 0.005)) for n in range(1, 7)]
    words = " ".join(decide(board(frets), WireStock("w", "stainless", 2.9, 1.2))[0][Kind.PARTIAL].brings)
    # the others keep 1.00 - 0.12 = 0.88: 1.20 - 0.88 = 0.32 is filed off
    assert "filed down by about 0.32 mm" in words
    assert "0.30 mm wider" in words
    assert "are stainless" in words
    assert "slower than their neighbours" in words
    # wire of 0.65 does not reach 0.88: the old frets would have to come down to it
    low = decide(board(frets), WireStock("w", "nickel silver", 2.6, 0.65))[0][Kind.PARTIAL]
    assert low.verdict == Verdict.BEYOND
    assert dict(low.height_left)[1].value == pytest.approx(0.65, abs=0.005)
    assert "choose a taller one" in " ".join(low.brings)


def test_low_wire_is_held_to_its_own_share():
    # 0.65 when new, never had 0.70: 0.70 / 1.10 of it must be left, 0.41
    wear = board([worn(n, 0.02) for n in range(1, 7)], mm(0.65), wire_height=mm(0.65))
    assert for_wire(LIMITS, mm(0.65))["crown_height"].value == pytest.approx(0.4136, abs=1e-4)
    options, said = decide(wear)
    assert said.kind == Kind.LEAVE
    worn_low = board([worn(n, 0.10) for n in range(1, 7)], mm(0.65), wire_height=mm(0.65))
    options, said = decide(worn_low)
    assert said.kind == Kind.LEVEL  # 0.65 - 0.12 = 0.53 is left
    assert options[Kind.REFRET].verdict == Verdict.WITHIN  # of the same wire, 0.55 levelled
    high = board([worn(n, 0.10) for n in range(1, 7)], mm(0.65), wire_height=mm(1.1))
    assert decide(high)[0][Kind.LEAVE].verdict == Verdict.BEYOND  # tall wire worn down to 0.65 is not low wire
    assert for_wire(LIMITS, None) == for_wire(LIMITS, mm(1.1)) == LIMITS


@pytest.mark.parametrize(
    ("build", "kind", "word"),
    [
        ({"zero_fret": True}, Kind.LEVEL, "zero fret"),
        ({"zero_fret": True}, Kind.REFRET, "zero fret"),
        ({"nibs": True}, Kind.PARTIAL, "nibs"),
        ({"binding": True}, Kind.REFRET, "bound"),
        ({"lacquered": True}, Kind.PARTIAL, "finish is cut"),
        ({"lacquered": True}, Kind.LEVEL, "mask"),
        ({"multi_scale": True}, Kind.LEVEL, "fan out"),
        ({"strings": 12, "courses": 2}, Kind.REFRET, "courses"),
        ({"material": "stainless"}, Kind.LEVEL, "stainless"),
    ],
)
def test_what_changes_the_work_is_named(build, kind, word):
    plain, special = (
        " ".join(decide(board([worn(n, 0.2) for n in range(1, 7)], mm(1.1), **b))[0][kind].brings) for b in ({}, build)
    )
    assert word in special
    assert word not in plain
