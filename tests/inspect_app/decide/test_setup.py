"""Strings and neck: the shape of a bow from several photos, targets, the nut after the work, tops that are levelled."""

import math
from dataclasses import replace

import numpy as np
import pytest

from inspect_app.decide.board import board_wear
from inspect_app.decide.consequences import board_consequences, setup_consequences
from inspect_app.decide.estimate import ExtraWork, PriceBook, cost_of, option_lines
from inspect_app.decide.gauge_quantities import check, gauged
from inspect_app.decide.levelling import draw_boards
from inspect_app.decide.limits import Limits, Verdict
from inspect_app.decide.neck_shape import neck_shape
from inspect_app.decide.neck_strip import neck_strip
from inspect_app.decide.nut import clearance_now, nut_after, share_of_rise
from inspect_app.decide.option_parts import OptionInputs
from inspect_app.decide.options import Cost, Kind, work_out_options
from inspect_app.decide.options_keeping_frets import level
from inspect_app.decide.setup import Setup, setup_of, targets_for, targets_of_kinds, tops_over_plane
from inspect_app.decide.wear import FretWear, WearMap
from inspect_app.instrument.details import Instrument, string_places
from inspect_app.instrument.fretboard import fret_position
from inspect_app.reading.inspection import FretReading, Inspection, PhotoSummary
from inspect_app.reading.key import Key, Place, on_fret
from inspect_app.report.number_format import NumberFormat
from inspect_app.report.setup_words import setup_words
from shared.errors import OptionError
from shared.measured import Contribution, Measured

SCALE, BODY, FRETS = 640.0, 16, 22
INSTRUMENT = Instrument(SCALE, frets=FRETS, radius_nut=300.0)
TARGETS = targets_of_kinds()
ELECTRIC = targets_for(["Electric guitar"], TARGETS)


def top(n, relief=0.3, tongue=0.0, high=None):
    """Height of a crown over the chord from the first fret to the body's: a parabola, then the tongue's."""
    x1, xb, xe, x = (float(v) for v in fret_position(SCALE, [1, BODY, FRETS, n]))
    t = 2.0 * (x - x1) / (xb - x1) - 1.0
    bow = -relief * (1.0 - t * t) if t < 1.0 else tongue * ((x - xb) / (xe - xb)) ** 2
    return bow + (high or {}).get(n, 0.0)


def photo(frets, held=(1, 16), own=0.01, shared=0.0, rng=None, u_shared=0.06, line=(1.0, 0.004), seed=0, **neck):
    """A photo across the neck of these frets: what it reads, off by what it shares and by each fret's own."""
    readings = []
    for n in frets:
        x = float(fret_position(SCALE, n))
        under = 0.0 if len(held) == 2 else line[0] + line[1] * x
        gap = under - top(n, **neck) + shared + (0.0 if rng is None else rng.normal(0.0, own))
        parts = (Contribution("crown below the foot", own), Contribution("backdrop behind the string", u_shared))
        readings.append(FretReading(n, string_gap=Measured(gap, "mm", parts)))
    who = PhotoSummary(f"{seed}", f"{seed:064x}", 9, 9)
    return Inspection("side", who, "t", {"string": "first", "held": list(held)}, tuple(readings))


def shape(*photos):
    return neck_shape(photos, "treble", SCALE, FRETS, BODY)


@pytest.mark.parametrize(("relief", "said"), [(0.3, "forward bow"), (-0.25, "back bow"), (0.0, "straight")])
def test_a_bow_is_read_from_photos_along_the_neck(relief, said):
    found = shape(*(photo(f, relief=relief, seed=i) for i, f in enumerate([(2, 3, 4), (6, 7, 8, 9), (11, 12, 13, 14)])))
    assert found.relief.value == pytest.approx(relief, abs=0.002)
    assert found.bow == said
    if relief:
        assert found.deepest_fret == 7  # nearest to half-way between the first and the sixteenth


@pytest.mark.slow
@pytest.mark.parametrize("held", [(1, 16), ()])
def test_relief_lies_within_its_u_as_often_as_u_says(held):
    rng, inside, off = np.random.default_rng(3), 0, []
    for k in range(200):
        relief = rng.uniform(-0.1, 0.5)
        parts = [(1, 2, 3, 4), (6, 7, 8, 9), (11, 12, 13, 14, 15, 16)]
        photos = [
            photo(f, held, shared=rng.normal(0.0, 0.06), rng=rng, seed=10 * k + i, relief=relief)
            for i, f in enumerate(parts)
        ]
        found = shape(*photos).relief
        off.append(found.value - relief)
        inside += abs(off[-1]) <= found.expanded
    assert 0.90 * 200 <= inside <= 0.995 * 200
    assert np.sqrt(np.mean(np.square(off))) < (0.04 if held else 0.1)


def test_a_high_fret_does_not_bend_the_neck_and_is_found():
    rng = np.random.default_rng(5)
    photos = [
        photo(f, rng=rng, own=0.012, high={8: 0.05}, seed=i)
        for i, f in enumerate([(3, 4, 5), (6, 7, 8, 9, 10), (11, 12, 13)])
    ]
    found = shape(*photos)
    assert found.relief.value == pytest.approx(0.3, abs=0.03)
    over = found.over_curve
    assert max(over, key=lambda n: over[n].value) == 8
    assert over[8].value == pytest.approx(0.05, abs=0.025)
    assert over[8].value > over[8].expanded


def test_a_rising_tongue_is_told_from_a_bow():
    found = shape(
        photo((6, 7, 8, 9, 10), (), seed=1, tongue=0.3), photo((13, 14, 15, 16, 18, 20, 22), (), seed=2, tongue=0.3)
    )
    assert found.tongue.value == pytest.approx(0.3, abs=0.03)
    level_neck = shape(photo((6, 7, 8, 9, 10), (), seed=1), photo((13, 14, 15, 16, 18, 20, 22), (), seed=2))
    assert abs(level_neck.tongue.value) < level_neck.tongue.expanded
    assert shape(photo((13, 14, 15, 16), (), seed=1), photo((6, 7, 8), (), seed=2)).tongue is None


def test_one_photo_of_an_open_string_tells_no_bow():
    assert shape(photo((11, 12), ())) is None
    assert neck_shape([photo((7, 8))], "bass", SCALE, FRETS, BODY) is None


def neck_values(**values):
    read = {Key(Place("neck"), n.replace("_", " ")): Measured.of(v, "mm", gap=u) for n, (v, u) in values.items()}
    who = PhotoSummary("v", "9" * 64, 9, 9)
    return Inspection("side", who, "t", {"string": "first"}, values=read)


def test_readings_are_held_against_what_the_kind_aims_at():
    seen = neck_values(treble_string_height=(1.5, 0.03), treble_relief=(0.6, 0.03), bass_string_height=(2.25, 0.05))
    setup = setup_of([seen], INSTRUMENT, ELECTRIC)
    said = {h.name: h.verdict for h in setup.held}
    assert said == {
        "treble string height": Verdict.WITHIN,
        "treble relief": Verdict.BEYOND,
        "bass string height": Verdict.CANNOT_TELL,
    }
    assert {h.verdict for h in setup_of([seen], INSTRUMENT).held} == {Verdict.CANNOT_TELL}


@pytest.mark.parametrize(
    ("written", "kind"),
    [("Electric guitar", "electric"), ("electric bass", "bass"), ("Classical guitar, nylon", "classical"),
     ("steel-string acoustic", "acoustic"), ("archtop", "acoustic"), ("Ukulele", "ukulele"), ("flute", None),
     ("electric guitar Luke", "electric"), ("guitar from Norfolk", "electric"), ("two mandolins", "mandolin"),
     ("electro-acoustic guitar", "acoustic"), ("electroacoustic guitar", "acoustic")],
)  # fmt: skip
def test_the_kind_is_told_from_how_it_was_written_down(written, kind):
    found = targets_for([written], TARGETS)
    assert (found.kind if found else None) == kind


def test_the_kind_counts_before_the_name():
    assert targets_for(["electric guitar", "Bass Player's Second"], TARGETS).kind == "electric"
    assert targets_for(["", "Old classical"], TARGETS).kind == "classical"


def test_targets_can_be_set_and_senseless_ones_are_refused():
    mine = targets_for(["electric guitar"], targets_of_kinds({"electric": {"treble relief": (0.2, 0.5)}}))
    assert (mine.by_name["treble relief"].least, mine.by_name["treble relief"].source) == (0.2, "set by the shop")
    assert mine.by_name["bass relief"].source == "common practice, no source"
    with pytest.raises(OptionError, match="no range"):
        targets_of_kinds({"electric": {"treble relief": (0.5, 0.2)}})
    with pytest.raises(OptionError, match="no range"):
        targets_of_kinds({"electric": {"treble relief": (0.5, math.nan)}})


def test_strings_between_the_outer_ones_follow_evenly_where_the_saddle_is_as_round_as_the_board():
    setup = setup_of([neck_values(treble_string_height=(1.5, 0.03), bass_string_height=(2.0, 0.03))], INSTRUMENT)
    heights = [a.value.value for a in setup.strings]
    assert heights == pytest.approx(np.linspace(1.5, 2.0, 6))
    assert [a.read for a in setup.strings] == [True, False, False, False, False, True]
    assert setup.strings[2].value.u > setup.strings[0].value.u
    assert setup_of([neck_values(treble_string_height=(1.5, 0.03))], INSTRUMENT).strings == ()


def test_a_saddle_of_another_radius_stays_within_u():
    """Strings on a saddle a tenth rounder: half of the arcs' difference is there half-way, worked out as circles."""
    spread, board, saddle = (
        INSTRUMENT.spread_nut + (INSTRUMENT.spread_bridge - INSTRUMENT.spread_nut) / 2.0,
        300.0,
        270.0,
    )
    y = np.linspace(-spread / 2.0, spread / 2.0, 6)

    def over_chord(radius):
        return np.sqrt(radius**2 - y**2) - math.sqrt(radius**2 - (spread / 2.0) ** 2)

    true = 1.5 + 0.5 * (over_chord(saddle) - over_chord(board))
    setup = setup_of([neck_values(treble_string_height=(1.5, 0.0), bass_string_height=(1.5, 0.0))], INSTRUMENT)
    for aim, gap in zip(setup.strings[1:-1], true[1:-1], strict=True):
        assert abs(aim.value.value - gap) < aim.value.expanded


def rise(mm):
    return Measured.of(mm, "mm", exact=0.0)


def test_the_nut_is_held_against_the_height_of_new_frets():
    """With the string on the slot's bottom and the second crown, worked out by similar triangles."""
    setup = Setup({"treble nut clearance": Measured.of(0.10, "mm", gap=0.01)}, targets=ELECTRIC)
    x1, x2 = (float(x) for x in fret_position(SCALE, [1, 2]))
    slot = 0.10 * x2 / (x2 - x1)  # over the crowns' line
    after = nut_after(setup, INSTRUMENT, rise(0.1))
    assert after.clearance.value == pytest.approx((slot - 0.1) * (x2 - x1) / x2)
    assert after.verdict == Verdict.WITHIN
    assert nut_after(setup, INSTRUMENT, rise(0.25)).verdict == Verdict.BEYOND
    assert nut_after(setup, INSTRUMENT, rise(0.14)).verdict == Verdict.CANNOT_TELL
    assert nut_after(setup, replace(INSTRUMENT, zero_fret=True), rise(0.3)) is None
    assert nut_after(Setup(), INSTRUMENT, rise(0.3)) is None
    assert share_of_rise() == pytest.approx(1.0 - (1.0 - 2.0 ** (-1 / 12)) / (1.0 - 2.0 ** (-2 / 12)))


def worn_board(**more):
    frets = tuple(FretWear(n, unseen_depth=0.01) for n in range(1, FRETS + 1))
    return WearMap(INSTRUMENT, frets, Measured.of(1.1, "mm", calliper=0.02), "as written down", **more)


def options(wear, setup, new=None):
    price = lambda *about: Cost(1, 1)  # noqa: E731
    return {o.kind: o for o in work_out_options(wear, Limits.default(), price, new, draws=500, setup=setup)}


def test_a_taller_wire_that_leaves_too_little_at_the_nut_says_so():
    setup = Setup({"treble nut clearance": Measured.of(0.08, "mm", gap=0.01)}, targets=ELECTRIC)
    taller = options(worn_board(), setup, Measured.of(1.45, "mm", stated=0.01))[Kind.REFRET]
    assert any("nut is too low" in b for b in taller.brings)
    same = options(worn_board(), setup, Measured.of(1.15, "mm", stated=0.01))[Kind.REFRET]
    assert any("slots will do" in b for b in same.brings)
    unread = options(worn_board(), Setup(), Measured.of(1.45, "mm", stated=0.01))[Kind.REFRET]
    assert any("may be too low" in b for b in unread.brings)


def test_a_new_nut_is_priced_with_the_refret():
    book = PriceBook.default()
    texts = [line.text for line in option_lines(Kind.REFRET, 0, 22, book, besides=ExtraWork(new_nut=True))]
    assert "Make and fit a nut for the taller frets" in texts
    assert "Check the nut slots" not in texts
    assert (
        cost_of(book, Kind.REFRET, 0, 22, besides=ExtraWork(new_nut=True)).total
        > cost_of(book, Kind.REFRET, 0, 22).total
    )
    older = {k: v for k, v in book.to_dict().items()}
    older["hours"] = {k: v for k, v in book.hours.items() if k != "nut_new"}
    assert PriceBook.from_dict(older).hours["nut_new"] == book.hours["nut_new"]
    older["materials"] = {k: v for k, v in book.materials.items() if k != "nut_blank"}
    assert PriceBook.from_dict(older).materials["nut_blank"] == book.materials["nut_blank"]
    abroad = PriceBook.from_dict({**older, "currency": "JPY", "minor_digits": 0})
    assert abroad.materials["nut_blank"] == 0  # an amount of one currency is none of another
    blank = option_lines(Kind.REFRET, 0, 22, abroad, besides=ExtraWork(new_nut=True))[-2]
    assert blank.text == "Nut blank (the price book has no price for it)"


NECK = Place("neck")


def by_gauge(**mm):
    return {key: gauged(key, v) for k, v in mm.items() for key in [Key(NECK, k.replace("_", " "))]}


@pytest.mark.parametrize("slot", [0.3, 0.6])
def test_the_nut_s_clearance_follows_from_what_a_gauge_reads(slot):
    """The string drawn as a line from its slot, `slot` mm over the crowns' line, to a saddle 3 mm over it."""
    x1, x2, bridge = (*(float(x) for x in fret_position(SCALE, [1, 2])), SCALE)
    over = lambda x: slot + (3.0 - slot) * x / bridge  # noqa: E731
    true = slot * (x2 - x1) / x2
    open_string = by_gauge(
        treble_open_string_over_the_first_fret=over(x1), treble_string_height=over(float(fret_position(SCALE, 12)))
    )
    of_slot = by_gauge(treble_nut_slot_height=1.1 + slot)
    crown = Measured.of(1.1, "mm", calliper=0.02)
    for read in (open_string, of_slot):
        now = clearance_now(setup_of((), INSTRUMENT, ELECTRIC, read), "treble", crown)
        assert now.value == pytest.approx(true, abs=1e-9)
        assert 0.0 < now.u < 0.02
    assert clearance_now(setup_of((), INSTRUMENT, ELECTRIC, of_slot), "treble") is None
    direct = setup_of((), INSTRUMENT, ELECTRIC, by_gauge(treble_nut_clearance=0.2) | of_slot)
    assert clearance_now(direct, "treble", crown).value == 0.2


def test_a_gauge_counts_beside_the_photos():
    seen = photo((6, 7, 8), seed=1)
    key = Key(NECK, "treble relief")
    seen = replace(seen, values={key: Measured.of(0.30, "mm", gap=0.05)})
    both = setup_of((seen,), INSTRUMENT, ELECTRIC, by_gauge(treble_relief=0.24)).values["treble relief"]
    assert 0.24 < both.value < 0.27  # nearer the feeler's, which is surer
    assert both.u < 0.025
    for name, mm in (("treble relief", 5.0), ("treble relief", math.nan), ("height", 1.0)):
        with pytest.raises(OptionError):
            check(Key(NECK, name), mm)


@pytest.mark.parametrize(
    ("mm", "said"), [(0.6, "bows forward by 0.60 mm"), (0.0, "shows no bow"), (-0.2, "bows backwards by 0.20 mm")]
)
def test_a_string_that_touches_is_not_said_to_measure_a_bow(mm, said):
    relief = Measured(mm, "mm", (Contribution("gap", 0.02),))
    setup = Setup({"treble relief": relief}, targets=ELECTRIC)
    (brings,) = setup_consequences(setup, 0.05)
    assert brings.startswith(f"The neck {said} on the treble side")
    assert setup_words(setup, 0.05, NumberFormat()).startswith(f"The neck {said} (")


def close_up(fret, overhang):
    who = PhotoSummary("e", f"{fret:064x}", 9, 9)
    reading = FretReading(fret, overhang=Measured.of(overhang, "mm", edge=0.02))
    return Inspection("end", who, "t", {"end": "bass"}, (reading,))


def test_ends_that_stand_proud_in_a_photo_from_above_count():
    read = {on_fret(n, "treble end proud"): Measured.of(v, "mm", fret_end=0.08) for n, v in ((2, 0.4), (6, -0.3))}
    photo = Inspection("plan", PhotoSummary("p", "0" * 64, 9, 9), "t", {}, values=read)
    assert [(e.fret, e.end) for e in setup_of((photo,), INSTRUMENT, None, {}).ends.proud] == [(2, "treble")]


def test_ends_that_do_not_sit_are_said_and_priced():
    lifted, level_with = on_fret(5, "treble end lifted"), on_fret(7, "treble end lifted")
    read = {lifted: gauged(lifted, 0.15), level_with: gauged(level_with, 0.02)}
    setup = setup_of((close_up(3, 0.2), close_up(4, 0.01)), INSTRUMENT, None, read)
    assert [(e.fret, e.end) for e in setup.ends.lifted] == [(5, "treble")]
    assert [(e.fret, e.end) for e in setup.ends.proud] == [(3, "bass")]
    brings = " ".join(options(worn_board(), setup)[Kind.LEVEL].brings)
    assert "treble end of fret 5 is off the wood by 0.15 mm" in brings
    assert "by up to 0.20 mm (fret 3)" in brings
    book = PriceBook.default()
    texts = [x.text for x in option_lines(Kind.LEVEL, 22, 0, book, besides=ExtraWork(seat_ends=1, file_ends=True))]
    assert texts[:2] == ["Seat and glue 1 fret end", "File the fret ends flush with the board"]
    new = option_lines(Kind.REFRET, 0, 22, book, besides=ExtraWork(seat_ends=1, file_ends=True))
    assert new == option_lines(Kind.REFRET, 0, 22, book)  # the frets that go need neither


def test_a_hollow_read_by_gauge_makes_the_board_a_worn_one():
    key = on_fret(5, "hollow depth")
    board = board_wear((), INSTRUMENT, {key: gauged(key, 0.25)})
    assert board
    (said,) = board_consequences(board, frets_out=True)
    assert "0.25 mm, before fret 5" in said
    assert "stays while the frets are in" in board_consequences(board, frets_out=False)[0]
    assert not board_wear((), INSTRUMENT, {key: gauged(key, 0.03)})


def test_a_worn_places_string_is_told_on_the_boards_own_width_there():
    """The third string runs where it does on a board 54 mm wide; on one of 46 mm the fourth would be nearer."""
    third = string_places(INSTRUMENT, 12, 54.0)[2]
    place, about = on_fret(12, "board wear", 1), {"from treble end": third + 0.8, "width": 3.0, "share": 0.1}
    values = {place.part(name): Measured.of(v, "mm", border=0.1) for name, v in about.items()}
    frets = tuple(FretReading(n, length=Measured.of(v, "mm", edge=0.1)) for n, v in ((11, 53.6), (12, 54.4)))
    photo = Inspection("plan", PhotoSummary("p.jpg", "", 9, 9), "t", {}, frets, values=values)
    (worn,) = board_wear((photo,), INSTRUMENT).places
    assert worn.strings == (3,)
    (narrow,) = board_wear((replace(photo, frets=()),), INSTRUMENT).places
    assert narrow.strings == (4,)


def test_levelling_uses_the_tops_that_photos_show():
    """A fret that stands 0.08 mm over the others loses as much more than they do; the limit on steps is not kept."""
    setup = Setup(over_neighbours={9: Measured.of(0.08, "mm", gap=0.01)})
    boards = draw_boards(worn_board(), 200, 0, tops_over_plane(setup))
    assert boards.above[8] == pytest.approx(0.08)
    assert np.count_nonzero(boards.above) == 1
    found, plain = options(worn_board(), setup), options(worn_board(), Setup())
    left = dict(found[Kind.LEVEL].height_left)
    assert left[9].value == pytest.approx(left[8].value - 0.08, abs=0.01)
    assert plain[Kind.LEAVE].verdict == Verdict.WITHIN
    assert found[Kind.LEAVE].verdict == Verdict.BEYOND
    assert found[Kind.DRESS].dressed == (9,)
    assert any("Fret 9 stands 0.08 mm" in b for b in found[Kind.LEVEL].brings)


def test_a_top_that_is_low_may_be_worn_and_is_left_to_the_depths():
    setup = Setup(over_neighbours={9: Measured.of(-0.08, "mm", gap=0.01), 3: Measured.of(0.02, "mm", gap=0.02)})
    assert not draw_boards(worn_board(), 50, 0, tops_over_plane(setup)).above.any()


def test_a_tongue_comes_off_the_last_frets():
    seen = [
        photo((6, 7, 8, 9, 10), (), seed=1, tongue=0.3),
        photo((13, 14, 15, 16, 18, 20, 22), (), seed=2, tongue=0.3),
    ]
    setup = setup_of(seen, INSTRUMENT, ELECTRIC)
    tops = tops_over_plane(setup)
    assert tops[22].value == pytest.approx(0.3, abs=0.04)
    assert abs(tops[8].value) < 0.03  # the bow itself is the rod's
    found = options(worn_board(), setup)[Kind.LEVEL]
    assert any("rises by" in b for b in found.brings)
    left = dict(found.height_left)
    assert left[22].value < left[10].value - 0.2


def test_a_bow_that_is_not_as_wanted_is_set_before_levelling():
    setup = setup_of([neck_values(treble_relief=(0.6, 0.03))], INSTRUMENT, ELECTRIC)
    brings = options(worn_board(), setup)[Kind.LEVEL].brings
    assert any("bows forward by 0.60 mm" in b and "set it first" in b for b in brings)
    fine = setup_of([neck_values(treble_relief=(0.15, 0.02))], INSTRUMENT, ELECTRIC)
    assert not any("set it first" in b for b in options(worn_board(), fine)[Kind.LEVEL].brings)


def test_nothing_read_says_nothing():
    setup = setup_of([], INSTRUMENT, ELECTRIC)
    assert not setup
    assert setup.held == ()
    assert setup.tongue is None
    assert level(
        OptionInputs(
            worn_board(), draw_boards(worn_board(), 20), Limits.default(), lambda *a: Cost(0, 0), None, None, {}
        )
    ).brings


def test_heights_over_neighbours_of_several_photos_are_one():
    key = on_fret(5, "height over neighbours")
    who = PhotoSummary("v", "8" * 64, 9, 9)
    seen = [
        Inspection("side", who, "t", {"string": "first"}, values={key: Measured.of(v, "mm", crown_below_the_foot=0.02)})
        for v in (0.05, 0.07)
    ]
    setup = setup_of(seen, INSTRUMENT)
    assert setup.over_neighbours[5].value == pytest.approx(0.06)
    assert setup.high(0.03) == ((5, setup.over_neighbours[5]),)
    assert setup.high(0.1) == ()


def test_the_strip_has_a_row_for_each_way_a_string_was_held_and_marks_what_stands_out():
    held, open_string = photo((5, 6, 7), relief=0.2), photo((11, 12, 13), held=(), seed=1)
    twice = photo((6,), relief=0.2, shared=0.02, seed=2)
    over = {6: Measured.of(0.09, "mm", own=0.02), 7: Measured.of(0.04, "mm", own=0.03)}
    rows = {r.name: r for r in neck_strip((held, open_string, twice), over, 0.03)}
    assert set(rows) == {"Gap, treble string held at 1 and 16", "Gap, treble string open", "Over neighbours"}
    gaps = rows["Gap, treble string held at 1 and 16"].by_fret
    assert list(gaps) == [5, 6, 7]
    assert held.frets[1].string_gap.value < gaps[6].value < twice.frets[0].string_gap.value
    assert rows["Over neighbours"].marked == {6}
    assert neck_strip((), {}, 0.03) == ()
