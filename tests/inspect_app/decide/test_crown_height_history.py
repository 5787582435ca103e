"""Heights through visits and jobs, each step worked by hand."""

import math

import pytest

from inspect_app.decide.crown_height_history import (
    Heights,
    MeasuredHeight,
    WorkOnFrets,
    WrittenHeight,
    calliper_reading,
    follow,
    shared_by_reading,
)
from shared.measured import Contribution, Measured

NEW = Measured(1.10, "mm", (Contribution("as written down", 0.03, "job 1"),))
WIRE = Measured(1.30, "mm", (Contribution("stated height", 0.01, "wire 1"),))
OFF = Measured(0.17, "mm", (Contribution("what came off", 0.02, "work 1"),))


def values(known, frets=6):
    got = {n: known.own.get(n) or known.shared for n in range(1, frets + 1)}
    return {n: round(q.value, 3) if q else None for n, q in got.items()}


def test_levelling_takes_its_depth_off_all_and_adds_its_doubt():
    known = follow([WrittenHeight(NEW), WorkOnFrets("levelled", off=OFF)], 6)
    assert values(known) == dict.fromkeys(range(1, 7), 0.93)
    assert known.shared.u == pytest.approx(math.hypot(0.03, 0.02))
    assert known.wire == NEW  # the wire is as high when new as it was


def test_levelling_of_which_nobody_said_how_much_leaves_nothing_known():
    known = follow([WrittenHeight(NEW), MeasuredHeight(2, calliper_reading(1.0, "a")), WorkOnFrets("levelled")], 6)
    assert values(known) == dict.fromkeys(range(1, 7))


def test_a_reading_holds_until_the_fret_is_worked_on():
    known = follow([WrittenHeight(NEW), MeasuredHeight(2, calliper_reading(0.86, "a"))], 6)
    assert values(known)[2] == 0.86
    assert values(known)[1] == 1.1
    assert values(follow([WorkOnFrets("levelled", (2, 3), OFF)], 6, known)) == {
        1: 1.1,
        2: 0.69,
        3: 0.93,
        4: 1.1,
        5: 1.1,
        6: 1.1,
    }


def test_some_frets_levelled_without_a_word_are_unknown_and_the_others_are_not():
    known = follow([WrittenHeight(NEW), WorkOnFrets("levelled", (2, 3))], 6)
    assert values(known) == {1: 1.1, 2: None, 3: None, 4: 1.1, 5: 1.1, 6: 1.1}


def test_new_frets_have_their_wires_height_less_the_first_levelling():
    known = follow([WrittenHeight(NEW), WorkOnFrets("replaced", (2,), wire=WIRE, material="stainless")], 6)
    assert values(known) == {1: 1.1, 2: 1.2, 3: 1.1, 4: 1.1, 5: 1.1, 6: 1.1}
    assert known.material == ""  # the board as a whole is still of the old wire
    unknown = follow([WrittenHeight(NEW), WorkOnFrets("replaced", (2,))], 6)
    assert values(unknown) == {1: 1.1, 2: None, 3: 1.1, 4: 1.1, 5: 1.1, 6: 1.1}
    all_new = follow([WrittenHeight(NEW), WorkOnFrets("replaced", wire=WIRE, material="stainless")], 6)
    assert (values(all_new)[6], all_new.wire, all_new.material) == (1.2, WIRE, "stainless")


def test_what_was_read_on_some_frets_tells_the_others():
    known = follow([MeasuredHeight(n, calliper_reading(h, f"fret {n}")) for n, h in ((1, 0.86), (4, 0.88))], 6)
    known = shared_by_reading(known)
    assert values(known) == {1: 0.86, 2: 0.87, 3: 0.87, 4: 0.88, 5: 0.87, 6: 0.87}
    # one calliper: its own error of 0.0115 stays whole, the rest (0.0277) is halved in square
    assert known.shared.u == pytest.approx(
        math.hypot(0.02 / math.sqrt(3), math.sqrt(0.03**2 - 0.02**2 / 3) / math.sqrt(2))
    )
    assert shared_by_reading(Heights()) == Heights()
