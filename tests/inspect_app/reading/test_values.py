"""Readings as a flat list, and what is left when some are rejected."""

from inspect_app.reading.key import parse_key
from inspect_app.reading.values import readings_of, without


def test_every_value_has_its_own_key(make_answer):
    keys = [r.key for r in readings_of(make_answer())]
    assert len(keys) == len(set(keys))
    assert parse_key("fret 3, crown width") in keys
    assert parse_key("fret 4, bevel treble") in keys
    assert parse_key("fret 3, flats 2, width") in keys
    assert parse_key("fret 3, divots 1, depth") in keys


def test_outlines_belong_to_features_that_have_readings(make_answer):
    answer = make_answer()
    features = {r.of for r in readings_of(answer)}
    assert {o.of for f in answer.frets for o in f.outlines} <= features


def test_a_rejected_quantity_goes_alone(make_answer):
    left = without(make_answer(), {parse_key("fret 3, crown width")})
    assert left.frets[0].crown_width is None
    assert left.frets[0].length is not None
    assert left.frets[1].crown_width is not None


def test_a_flat_goes_whole(make_answer):
    answer = make_answer()
    left = without(answer, {parse_key("fret 3, flats 1, width")})
    assert left.frets[0].flats == answer.frets[0].flats[1:]
    assert left.frets[0].divots == answer.frets[0].divots


def test_nothing_rejected_changes_nothing(make_answer):
    answer = make_answer()
    assert without(answer, set()) is answer
