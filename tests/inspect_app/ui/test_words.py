"""What the pages write and read: lengths typed in either unit, text from people, values shown."""

import pytest
from streamlit.testing.v1 import AppTest

from inspect_app.reading.key import parse_key
from inspect_app.reading.quantities import one_of
from inspect_app.ui.lengths import parse_heights, parse_length
from inspect_app.ui.words import crown_size, plain, shown, signed
from shared.errors import OptionError
from shared.measured import Measured


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("647.7", 647.7),
        ("647,7 mm", 647.7),
        ("25.5 in", 647.7),
        ('25 1/2"', 647.7),
        ("3/4 in", 19.05),
        ("24.75″", 628.65),
        ("  ", None),
    ],
)
def test_lengths_as_people_write_them(text, mm):
    assert parse_length(text, "Scale length") == (None if mm is None else pytest.approx(mm))


@pytest.mark.parametrize("text", ["long", "25 1/0 in", "1.2.3", "in", "9" * 400, f"{'9' * 400}/{'9' * 400}"])
def test_what_is_no_length_says_so(text):
    with pytest.raises(OptionError, match="Scale length"):
        parse_length(text, "Scale length")


def test_values_in_either_unit():
    q = Measured.of(2.54, "mm", edges=0.01)
    assert shown(q) == "2.540 ± 0.020 mm"
    assert shown(q, "inch") == "100.0 ± 0.8 thou"


def test_changes_carry_their_sign():
    assert signed(Measured.of(0.1, "mm", edges=0.01)).startswith("+0.1")
    assert signed(Measured.of(-0.1, "mm", edges=0.01)).startswith("-0.1")


@pytest.mark.parametrize("text", ["*bold*", "[link](http://x.example)", "<b>x</b>", "$x$", ":material/home:", "# head"])
def test_text_from_people_is_never_markup(text):
    safe = plain(text)
    for sign in "*[]<>$#:":
        assert sign not in safe.replace(f"\\{sign}", "")


def test_heights_by_fret_are_read_from_one_line():
    assert parse_heights("1: 0.95, 12: 0.93") == {1: 0.95, 12: 0.93}
    assert parse_heights("1: 0,95; 2: 1/32 in") == {1: 0.95, 2: pytest.approx(0.79375)}
    assert parse_heights("  ") == {}
    for bad in ("1 0.95", "one: 0.9", "3:", "9" * 5000 + ": 0.9"):
        with pytest.raises(OptionError):
            parse_heights(bad)


def test_a_wires_size_in_either_unit():
    assert crown_size(2.4, 1.12) == "crown 2.4 mm × 1.12 mm"
    assert crown_size(2.54, 1.27, "inch") == "crown 100 thou × 50 thou"


def test_one_of_several_is_named_in_the_singular():
    assert one_of(parse_key("fret 5, flats 2, length")) == "fret 5, flat 2, length"
    assert one_of(parse_key("fret 5, divots 12, depth")) == "fret 5, divot 12, depth"
    assert one_of(parse_key("fret 5, flats")) == "fret 5, flats"


def refused():
    import streamlit as st

    from inspect_app.ui.page_frame import show_error
    from shared.errors import OptionError

    st.session_state["length-now"] = "inch"
    show_error(OptionError("a leaf of 0.508 mm is no height", "Give one from 1 to 6 mm."))


def test_an_error_is_said_in_the_shops_unit_of_length():
    (shown,) = AppTest.from_function(refused).run().error
    assert shown.value.replace("\\", "") == "a leaf of 20.00 thou is no height **Give one from 39 to 236 thou.**"
