"""Keys: one text form, one parser, and the parts of a name never taken for each other."""

import contextlib
import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

import inspect_app.reading.key as key_module
from inspect_app.reading.key import EDGES, NO_PLACE, NOTHING, Key, NotMeasured, Place, on_fret, parse_key, parse_place
from inspect_app.reading.quantities import QUANTITIES, entry_of, one_of
from shared.errors import OptionError

WORDS = st.from_regex(r"[a-z][a-z-]{0,6}( [a-z][a-z-]{0,6}){0,2}", fullmatch=True)
PLACES = st.one_of(
    st.sampled_from([NO_PLACE, Place("board"), Place("neck")]),
    st.builds(Place, st.sampled_from(["fret", "string"]), st.integers(0, 999)),
)


@st.composite
def keys(draw):
    """Any key whose parts make one."""
    place, feature, index = draw(PLACES), draw(WORDS), draw(st.none() | st.integers(1, 999))
    part = draw(st.sampled_from(["", "edge", "quantity"]))
    try:
        if part == "edge":
            return Key(place, feature, index, edge=draw(st.sampled_from(sorted(EDGES))))
        return Key(place, feature, index, draw(WORDS.filter(lambda w: w not in EDGES)) if part else "")
    except OptionError:  # a feature called like a place, where there is none before it
        return Key(place)


@given(keys())
def test_a_key_comes_back_from_its_text(key):
    assert parse_key(str(key)) == key


@pytest.mark.slow
@given(st.text(max_size=40) | st.from_regex(r"(fret \d, )?[a-z ,]{0,20}", fullmatch=True))
def test_any_text_is_a_key_that_has_this_text_or_is_refused(text):
    with contextlib.suppress(OptionError):
        assert str(parse_key(text)) == text


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("fret 5, crown width", on_fret(5, "crown_width")),
        ("fret 5, flats", on_fret(5, "flats")),
        ("fret 5, flats 2, length", on_fret(5, "flats", 2, "length")),
        ("fret 5, flats 2, treble end", Key(Place("fret", 5), "flats", 2, edge="treble end")),
        ("fret 5, crown nut side", Key(Place("fret", 5), "crown nut side")),
        ("fret 0, crown radius, top", Key(Place("fret", 0), "crown radius", edge="top")),
        ("fret 12, string height 1", Key(Place("fret", 12), "string height", 1)),
        ("string 1, nut clearance", Key(Place("string", 1), "nut clearance")),
        ("board, wear 3, area", Key(Place("board"), "wear", 3, "area")),
        ("neck, relief", Key(Place("neck"), "relief")),
        ("board", Key(Place("board"))),
        ("photo", Key(feature="photo")),
        ("spacing check", Key(feature="spacing check")),
        ("", NOTHING),
    ],
)
def test_the_text_form_stays_as_it_is(text, key):
    assert parse_key(text) == key
    assert str(key) == text


@pytest.mark.parametrize(
    "text",
    ["fret 5,crown width", "fret five, length", "fret 5, flats 0", "fret 05, length", "fret 5, flats 2, length, u",
     "Fret 5, length", "fret 5, ", "fret 5, flats 2, ", ", length", "fret 5, flats  2", "fret 1000, length",
     "fret 5, 2"],
)  # fmt: skip
def test_bad_text_is_refused_with_advice(text):
    with pytest.raises(OptionError, match="is not the name of a reading") as refused:
        parse_key(text)
    assert "fret 5, flats 2, length" in refused.value.advice


@pytest.mark.parametrize(
    "parts",
    [
        {"feature": "fret", "index": 5},
        {"feature": "board"},
        {"feature": "fret five"},
        {"feature": "flats", "index": 0},
        {"feature": "flats", "quantity": "length", "edge": "top"},
        {"feature": "flats", "quantity": "treble end"},
        {"feature": "flats", "edge": "length"},
        {"feature": "flats, length"},
        {"index": 2},
    ],
)
def test_parts_that_would_be_read_as_others_make_no_key(parts):
    with pytest.raises(OptionError):
        Key(**parts)


@pytest.mark.parametrize(("kind", "number"), [("fret", None), ("board", 1), ("", 3), ("bridge", None), ("string", -1)])
def test_a_place_that_is_none_is_refused(kind, number):
    with pytest.raises(OptionError):
        Place(kind, number)


def test_places_are_read_and_others_refused():
    assert parse_place("string 6") == Place("string", 6)
    with pytest.raises(OptionError, match="no place 'bridge'"):
        parse_place("bridge")


def test_no_quantity_is_called_like_an_edge_and_every_entry_makes_a_key():
    assert len(QUANTITIES) > 20
    for q in QUANTITIES:
        key = Key(Place("fret", 5), q.feature, 2 if q.one else None, q.quantity)
        assert entry_of(parse_key(str(key))) is q
        assert one_of(key) == (str(key).replace(f"{q.feature} 2", f"{q.one} 2") if q.one else str(key))


def test_not_measured_is_falsy_and_says_why():
    said = NotMeasured(on_fret(5, "flats"), "glare over the crown")
    assert not said
    assert said.to_dict() == {"what": "fret 5, flats", "reason": "glare over the crown"}


def test_the_examples_hold():
    assert doctest.testmod(key_module).attempted > 0
    assert doctest.testmod(key_module).failed == 0
