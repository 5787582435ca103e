"""Numbers on paper: one unit, one mark, sentences made elsewhere brought to both."""

import pytest

from inspect_app.report.number_format import NumberFormat, listed, ordinal
from shared.measured import Measured

DEPTH = Measured.of(0.236, "mm", reading=0.009)


def test_values_lengths_and_numbers_share_the_mark():
    german = NumberFormat("mm", "de_DE")  # the comma of the Unicode CLDR, through the babel library
    assert german.value(DEPTH) == "0,236 ± 0,018 mm"
    assert german.rough(0.236) == "0,24 mm"
    assert german.plain(25.5) == "25,5 mm"
    assert german.number("2.5") == "2,5"
    assert german.words("at most 0.96 mm, fret 3.") == "at most 0,96 mm, fret 3."


def test_a_change_is_the_difference_of_what_is_written():
    # 0.2449 and 0.0551 mm are written 0.24 and 0.06; their difference, 0.1898, would be written 0.19
    assert NumberFormat("mm", "de_DE").change(0.2449, 0.0551) == "−0,18 mm"
    assert NumberFormat("inch").change(0.0, 0.254) == "+10.0 thou"


def test_inches():
    inch = NumberFormat("inch")  # 25.4 mm to the inch, exactly (1959)
    assert inch.value(DEPTH) == "9.3 ± 0.7 thou"
    assert inch.rough(0.254) == "10.0 thou"
    assert inch.plain(647.7, digits=4) == "25.5 in"


@pytest.mark.parametrize(
    ("said", "inches"),
    [
        ("narrower than 0.51 mm would not show", "narrower than 20.1 thou would not show"),
        ("Between 8 and 11 mm from the end", "Between 315 and 433 thou from the end"),
        ("at least 0.85 mm (expected 0.93 ± 0.08 mm)", "at least 33.5 thou (expected 36.6 ± 3.1 thou)"),
        ("254 mm to 406.4 mm", "10.00 in to 16.000 in"),
        ("30 mm/year, 3 frets", "30 mm/year, 3 frets"),
        ("'2,4 mm' is not a length", "'2,4 mm' is not a length"),
        ("3 mm, 4 mm", "118 thou, 157 thou"),
    ],
)
def test_sentences_made_in_millimetres_are_brought_to_inches(said, inches):
    assert NumberFormat("inch").words(said) == inches
    assert NumberFormat("mm").words(said) == said


def test_days_can_not_be_mistaken():
    assert NumberFormat("mm", "de_DE").day("2026-05-04") == "4 May 2026"


def test_numbers_in_a_row_are_drawn_together():
    assert listed([1, 2, 3, 4, 7, 9]) == "frets 1 to 4, 7 and 9"
    assert listed([9, 8]) == "frets 8 and 9"
    assert listed([5]) == "fret 5"
    assert listed([]) == "frets none"


def test_ordinals():
    assert [ordinal(n) for n in (1, 2, 3, 4, 11, 12, 13, 21)] == [
        "1st",
        "2nd",
        "3rd",
        "4th",
        "11th",
        "12th",
        "13th",
        "21st",
    ]
