"""The answer's written form: the schema fits what is written and nothing else, and nothing is lost."""

import copy
import json
from dataclasses import fields, replace

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.measure import refused
from inspect_app.reading.ask import Ask, HandEdge, ScaleAsk, ScalePlane
from inspect_app.reading.inspection import ANSWER_FORMAT, Divot, Flat, FretReading, Inspection, PhotoSummary
from inspect_app.reading.key import EDGES, NO_PLACE, Key, Place
from inspect_app.reading.schema import answer_schema
from shared.errors import OptionError, ScaleError
from shared.measured import Contribution, Measured

SCHEMA = answer_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def through_json(answer):
    return json.loads(json.dumps(answer.to_dict(), allow_nan=False))


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_a_full_answer_fits_and_comes_back_whole(make_answer):
    answer = make_answer()
    VALIDATOR.validate(through_json(answer))
    back = Inspection.from_dict(through_json(answer))
    for f in fields(Inspection):
        if f.name != "options":  # a question: compared through Ask below, JSON knows no tuples
            assert getattr(back, f.name) == getattr(answer, f.name), f.name
    assert Ask.from_dict(back.options) == Ask.from_dict(answer.options)


def test_the_full_answer_leaves_no_field_empty(make_answer):
    fret = make_answer().frets[0]
    assert not [f.name for f in fields(fret) if getattr(fret, f.name) in (None, ())]


def test_a_refusal_fits():
    ask = Ask("plan", ScaleAsk("strip"))
    answer = refused(PhotoSummary("a.jpg", "", 0, 0), ask, ScaleError("No strip.", "Lay it in the picture."))
    VALIDATOR.validate(through_json(answer))
    assert answer.not_measured[0].reason == "No strip. Lay it in the picture."


def test_influences_in_full_fit_too(make_answer):
    answer = make_answer()
    width = Measured(2.6, "mm", (Contribution("scale", 0.01, "strip"), Contribution("edges", 0.02, "f", 0, 5.0)))
    named = replace(answer, frets=(replace(answer.frets[0], crown_width=width),))
    VALIDATOR.validate(through_json(named))
    assert Inspection.from_dict(through_json(named)).frets[0].crown_width == width


def test_every_field_has_its_place_in_the_schema():
    fret = SCHEMA["properties"]["frets"]["items"]["properties"]
    expected = {f.name for f in fields(FretReading)} - {"bevel_treble", "bevel_bass"} | {"bevel"}
    assert set(fret) == expected
    assert set(fret["flats"]["items"]["properties"]) == {f.name for f in fields(Flat)}
    assert set(fret["divots"]["items"]["properties"]) == {f.name for f in fields(Divot)}
    assert SCHEMA["properties"]["format"]["const"] == ANSWER_FORMAT


def breakages():
    yield "no unit", lambda d: d["frets"][0]["crown_width"].pop("unit")
    yield "inches", lambda d: d["frets"][0]["crown_width"].update(unit="inch")
    yield "degrees for a length", lambda d: d["frets"][0]["crown_width"].update(unit="deg")
    yield "negative u", lambda d: d["frets"][0]["crown_width"].update(u=-0.1)
    yield "no contributions", lambda d: d["frets"][0]["crown_width"].update(contributions={})
    yield "unknown field", lambda d: d["frets"][0].update(fret_wear=1)
    yield "unknown view", lambda d: d.update(view="upside down")
    yield "no photo", lambda d: d.pop("photo")
    yield "newer form", lambda d: d.update(format=ANSWER_FORMAT + 1)
    yield "no reason", lambda d: d["not_measured"][0].update(reason="")
    yield "short hash", lambda d: d["photo"].update(sha256="abc")
    yield "three coordinates", lambda d: d["frets"][0]["outlines"][0]["points"][0].append(1.0)


@pytest.mark.parametrize(("name", "damage"), list(breakages()), ids=[n for n, _ in breakages()])
def test_a_damaged_answer_does_not_fit(name, damage, make_answer):
    data = copy.deepcopy(through_json(make_answer()))
    damage(data)
    assert not VALIDATOR.is_valid(data)


def test_a_newer_answer_is_refused(make_answer):
    with pytest.raises(ValueError, match="newer"):
        Inspection.from_dict({**make_answer().to_dict(), "format": ANSWER_FORMAT + 1})


finite = st.floats(allow_nan=False, allow_infinity=False)
measured = st.builds(
    Measured,
    finite,
    st.sampled_from(["mm", "deg", "1"]),
    st.dictionaries(st.text(min_size=1), st.floats(0.0, 1e6), min_size=1).map(
        lambda d: tuple(Contribution(k, v) for k, v in d.items())
    ),
    st.lists(st.sampled_from(["GLARE", "BLURRED", "BY_HAND"]), unique=True).map(tuple),
    st.booleans(),
)


@pytest.mark.slow
@given(measured)
def test_any_value_comes_back_exactly(value):
    assert Measured.from_dict(json.loads(json.dumps(value.to_dict()))) == value


words = st.from_regex(r"[a-z][a-z-]{0,6}( [a-z][a-z-]{0,6}){0,2}", fullmatch=True)
places = st.one_of(
    st.sampled_from([NO_PLACE, Place("board"), Place("neck")]),
    st.builds(Place, st.sampled_from(["fret", "string"]), st.integers(0, 999)),
)


def key_of(place, feature, index, part):
    """A key of these parts; where they make none (a feature called like a place), the whole photo's."""
    try:
        key = Key(place, feature, index)
        return key.part(part) if part else key
    except OptionError:
        return Key(feature="photo")


keys = st.builds(
    key_of, places, words, st.none() | st.integers(1, 999), st.none() | words | st.sampled_from(sorted(EDGES))
)
asks = st.builds(
    Ask,
    st.sampled_from(["plan", "elevation", "end", "section"]),
    st.one_of(
        st.just(ScaleAsk("strip", factor=1.003)),
        st.just(ScaleAsk("coin", diameter_mm=24.26)),
        st.just(ScaleAsk("span", span_px=(1.0, 2.5, 300.0, 4.0), span_mm=100.0)),
    ),
    st.sampled_from([ScalePlane(), ScalePlane("board"), ScalePlane("below", 2.5)]),
    scale_length=st.none() | st.floats(200.0, 1300.0),
    first_fret=st.integers(1, 36),
    nut=st.sampled_from(["left", "right"]),
    treble=st.sampled_from(["top", "bottom"]),
    end=st.sampled_from([None, "treble", "bass"]),
    hand_edges=st.lists(st.builds(HandEdge, keys, st.lists(st.tuples(finite, finite)).map(tuple)), max_size=2).map(
        tuple
    ),
)


@pytest.mark.slow
@given(asks)
def test_any_question_comes_back_exactly(ask):
    assert Ask.from_dict(json.loads(json.dumps(ask.to_dict()))) == ask
