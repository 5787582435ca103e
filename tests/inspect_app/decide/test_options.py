"""Levelling and options on cases worked by hand, the working beside each."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.decide.estimate import PriceBook, cost_of, option_lines
from inspect_app.decide.levelling import draw_boards, draw_rates, height_after, removal, years_left
from inspect_app.decide.limits import Limits, Verdict
from inspect_app.decide.options import Cost, Kind, recommend, work_out_options
from inspect_app.decide.wear import FretWear, Rate, WearMap, WornSpot
from inspect_app.instrument.details import Instrument
from shared.measured import Measured

LIMITS = Limits.default()
BOOK = PriceBook.default()
# prices of the default book for 6 frets, by hand, in cents at 75.00 an hour:
#   leave 0.25 h = 1875; dress k: 0.5 h + 0.3 k h = 3750 + 2250 k; level 2.5 h + 1.0 h + 8.00 = 27050
#   partial k: 0.4 k h + 2.5 h + 1 h + 1.50 k + 8.00 = 27050 + 3150 k; full 3 + 2.4 + 1 + 0.5 h + 9.00 + 8.00 = 53450


def mm(value, u=0.005):
    return Measured.of(value, "mm", reading=u)


UNWORN = mm(1.1)


def board(depths, height=UNWORN, u=0.005, flat=None):
    """A six-fret board with one divot a fret (0 = read, nothing seen; None = not read)."""
    frets = []
    for n, d in enumerate(depths, start=1):
        width = mm(flat) if flat else None
        spots = (WornSpot(mm(20.0), 3, mm(d, u), width),) if d else ()
        frets.append(FretWear(n, spots, mm(44.0), mm(2.6), None, None if d is None else 0.005))
    return WearMap(Instrument(648.0, frets=len(depths)), tuple(frets), height, "section photo")


def decide(wear, wire=None):
    options = work_out_options(wear, LIMITS, lambda k, d, r: cost_of(BOOK, k, d, r), wire)
    return {o.kind: o for o in options}, recommend(wear, options)


def test_unworn_board_is_left():
    # nothing deeper than 0.005: leave, 18.75 is the cheapest
    options, said = decide(board([0, 0, 0, 0, 0, 0]))
    assert said.kind == Kind.LEAVE
    assert options[Kind.LEAVE].price == 1875


def test_shallow_divots_stay():
    # 0.03 +- 0.005 against 0.05: four u inside
    assert decide(board([0.03, 0.02, 0, 0, 0, 0]))[1].kind == Kind.LEAVE


def test_deep_even_wear_with_tall_crowns_is_levelled():
    # 0.15 deep: dressing alone steps 0.17 > 0.05; level takes 0.15 + 0.02, leaves 1.1 - 0.17 = 0.93 > 0.70
    options, said = decide(board([0.15, 0.15, 0.14, 0.1, 0, 0]))
    assert said.kind == Kind.LEVEL
    level = options[Kind.LEVEL]
    assert level.removal.value == pytest.approx(0.17, abs=0.01)
    assert dict(level.height_left)[6].value == pytest.approx(0.93, abs=0.01)
    assert options[Kind.DRESS].verdict == Verdict.BEYOND
    assert level.price == 27050


def test_low_crowns_can_not_be_levelled_but_the_two_worst_can_be_replaced():
    # H 0.90: level takes 0.27, leaves 0.63 < 0.70; without frets 1 and 2 the deepest is 0.10: 0.90 - 0.12 = 0.78
    options, said = decide(board([0.25, 0.22, 0.10, 0.05, 0, 0], height=mm(0.90)))
    assert options[Kind.LEVEL].verdict == Verdict.BEYOND
    assert said.kind == Kind.PARTIAL
    assert options[Kind.PARTIAL].replaced == (1, 2)
    assert options[Kind.PARTIAL].price == 27050 + 2 * 3150


def test_worn_out_board_wants_a_full_refret():
    # H 0.80, 0.30 deep on all: 0.80 - 0.32 = 0.48; replacing five leaves one at 0.48 still
    options, said = decide(board([0.3] * 6, height=mm(0.80)), wire=mm(1.2))
    assert said.kind == Kind.REFRET
    assert options[Kind.PARTIAL].verdict == Verdict.BEYOND
    assert dict(options[Kind.REFRET].height_left)[1].value == pytest.approx(1.10, abs=0.001)  # 1.2 less 0.05 to 0.15
    assert any("nut" in b for b in options[Kind.REFRET].brings)


def test_full_refret_is_cheaper_than_replacing_most_of_the_frets():
    # five of six must go: partial 27050 + 5 * 3150 = 42800 < 53450, so partial still wins on six frets
    options, said = decide(board([0.3, 0.3, 0.3, 0.3, 0.3, 0], height=mm(0.80)), wire=mm(1.2))
    assert options[Kind.PARTIAL].replaced == (1, 2, 3, 4, 5)
    assert said.kind == Kind.PARTIAL


def test_limit_inside_the_uncertainty_is_cannot_tell_and_says_what_would_settle_it():
    # H 0.89 +- 0.03, 0.15 deep: leaves 0.72 +- 0.04, half a u above 0.70
    options, said = decide(board([0.15, 0, 0, 0, 0, 0], height=mm(0.89, 0.03)), wire=mm(1.2))
    level = options[Kind.LEVEL].checks[0]
    assert level.verdict == Verdict.CANNOT_TELL
    assert 0.05 < level.probability < 0.95
    assert said.kind in (Kind.PARTIAL, Kind.REFRET)
    assert "fret" in said.settle


def test_nothing_measured_recommends_nothing():
    said = decide(board([None] * 6))[1]
    assert said.kind is None
    assert "from above" in said.settle


def test_unknown_height_can_not_promise_that_levelling_leaves_enough():
    options, said = decide(board([0.15, 0.1, 0, 0, 0, 0], height=None))
    assert options[Kind.LEVEL].verdict == Verdict.CANNOT_TELL
    assert options[Kind.LEVEL].height_left == ()
    assert said.kind is None
    assert "end-on" in said.settle


def test_one_fret_not_read_is_named():
    _, said = decide(board([0.15, None, 0.14, 0.1, 0, 0]))
    assert said.kind == Kind.LEVEL
    assert "Not read: fret 2" in said.settle


def test_wide_flats_are_not_left_even_where_shallow():
    # 1.3 mm of 2.6 mm is half the crown, above 0.40
    options, said = decide(board([0.04, 0, 0, 0, 0, 0], flat=1.3, u=0.002))
    assert options[Kind.LEAVE].verdict == Verdict.BEYOND
    assert said.kind != Kind.LEAVE


def test_equal_prices_go_to_the_least_work():
    wear = board([0.15, 0.15, 0.15, 0.15, 0.1, 0.1])
    options = work_out_options(wear, LIMITS, lambda k, d, r: Cost(100, 0), mm(1.2))
    assert recommend(wear, options).kind == Kind.LEVEL  # leave and dress are beyond; then the least work


def test_a_single_slightly_deep_divot_may_be_dressed_alone():
    # 0.04 read as 0.04 +- 0.012 against 0.05: p about 0.8, so it is chosen; its step 0.06 +- 0.012 can not be told
    options, _ = decide(board([0, 0.04, 0, 0, 0, 0], u=0.012))
    assert options[Kind.DRESS].dressed == (2,)
    assert options[Kind.DRESS].price == 3750 + 2250


def test_trade_off_gives_back_height_as_frets_are_replaced():
    curve = decide(board([0.25, 0.20, 0.15, 0.10, 0.05, 0], height=mm(0.9)))[0][Kind.PARTIAL].curve
    heights = [t.least_height.value for t in curve]
    assert heights == sorted(heights)
    assert [t.replaced for t in curve[:3]] == [(), (1,), (1, 2)]


def test_the_same_seed_gives_the_same_boards():
    wear = board([0.1] * 6)
    assert np.array_equal(draw_boards(wear, 100, 3).depth, draw_boards(wear, 100, 3).depth)


def test_monte_carlo_agrees_with_the_closed_form_for_one_divot():
    # one divot N(0.15, 0.02), height N(1.1, 0.03) and fret-to-fret 0.02: left is N(0.93, sqrt(.02^2+.03^2+.02^2))
    wear = board([0.15, 0], height=mm(1.1, 0.03), u=0.02)
    boards = draw_boards(wear, 200_000)
    left = height_after(boards, (1,), removal(boards, (1, 2), 0.02))
    assert left.mean() == pytest.approx(0.93, abs=0.001)
    assert left.std() == pytest.approx(np.sqrt(0.02**2 + 0.03**2 + 0.02**2), rel=0.02)


def test_cost_is_labour_and_material_apart_and_adds_up_to_the_lines():
    # partial, two frets: 0.8 h + 2.5 h + 1.0 h at 75.00 = 322.50 labour; 2 x 1.50 + 8.00 = 11.00 material
    options, _ = decide(board([0.25, 0.22, 0.10, 0.05, 0, 0], height=mm(0.90)))
    cost = options[Kind.PARTIAL].cost
    assert (cost.labour, cost.material, cost.hours) == (32250, 1100, "4.3")
    for kind in Kind:
        made = cost_of(BOOK, kind, 2, 3)
        assert made.total == sum(line.amount for line in option_lines(kind, 2, 3, BOOK))


def test_bound_boards_and_nibs_are_said_where_frets_come_out():
    wear = board([0.25, 0.22, 0.10, 0.05, 0, 0], height=mm(0.90))
    bound = replace(wear, instrument=Instrument(648.0, frets=6, binding=True, nibs=True))
    for kind, said in ((Kind.PARTIAL, True), (Kind.REFRET, True), (Kind.LEVEL, False)):
        words = " ".join(decide(bound)[0][kind].brings)
        assert ("binding" in words and "nibs" in words) is said
    assert "binding" not in " ".join(decide(wear)[0][Kind.REFRET].brings)


def rate(fret, per_year, u, left=1.0):
    return Rate(fret, 3, Measured.of(per_year, "mm/year", wear=u), left)


def test_years_left_follow_from_height_and_rate():
    # 1.10 - 0.70 = 0.40 mm to go at 0.04 mm a year: 10 years; nothing is uncertain, so the 95 % figure is the same
    sure = years_left({4: np.full(10_000, 1.1)}, draw_rates([rate(4, 0.04, 0.0)]), 0.7)
    assert sure.median == pytest.approx(10.0)
    assert sure.at_least == pytest.approx(10.0)
    assert sure.fret == 4
    # rate 0.04 +- 0.008: the 5 % quantile of 0.4 / N(0.04, 0.008) is 0.4 / (0.04 + 1.645 * 0.008) = 7.52
    spread_out = years_left({4: np.full(10_000, 1.1)}, draw_rates([rate(4, 0.04, 0.008)]), 0.7)
    assert spread_out.at_least == pytest.approx(0.4 / (0.04 + 1.645 * 0.008), rel=0.01)


def test_the_fret_that_wears_out_first_counts_and_its_fastest_string():
    yearly = draw_rates([rate(1, 0.01, 0.0), rate(1, 0.05, 0.0), rate(2, 0.02, 0.0)])
    first = years_left({1: np.full(10_000, 1.0), 2: np.full(10_000, 1.0)}, yearly, 0.7)
    assert (first.median, first.fret) == (pytest.approx(6.0), 1)


def test_no_years_without_a_rate_that_can_be_told():
    assert years_left({1: np.full(10_000, 1.0)}, draw_rates([rate(1, 0.01, 0.02, left=None)]), 0.7) is None
    assert all(o.years is None for o in decide(board([0.15] * 6))[0].values())


def test_levelling_twice_lasts_shorter_than_new_frets():
    wear = board([0.15] * 6)
    options = work_out_options(
        wear, LIMITS, lambda k, d, r: cost_of(BOOK, k, d, r), mm(1.3), [rate(n, 0.03, 0.004) for n in range(1, 7)]
    )
    years = {o.kind: o.years.median for o in options if o.years is not None}
    assert years[Kind.LEVEL] < years[Kind.REFRET]
    assert years[Kind.LEVEL] < years[Kind.LEAVE]  # levelling itself takes height off
