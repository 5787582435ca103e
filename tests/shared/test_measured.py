"""Values that always carry where their uncertainty comes from."""

from __future__ import annotations

import json
import math

import pytest

from shared.errors import InspectError, PhotoError
from shared.flags import FLAGS, describe
from shared.measured import Contribution, Measured


def test_contributions_combine_in_quadrature():
    """JCGM 100:2008 (GUM) equation (10), unit sensitivities."""
    m = Measured.of(2.7, "mm", edge_noise=0.03, scale=0.04)
    assert m.u == pytest.approx(0.05)
    assert m.expanded == pytest.approx(0.10)
    assert [c.source for c in m.contributions] == ["edge noise", "scale"]


def test_round_trip_through_json_loses_nothing():
    m = Measured.of(1 / 3, "mm", ("GLARE",), edge=0.1 / 3, plane=0.2 / 7)
    assert Measured.from_dict(json.loads(json.dumps(m.to_dict()))) == m


def test_what_a_contribution_is_of_goes_through_json_and_old_readers_find_the_sizes():
    m = Measured(
        2.0,
        "mm",
        (
            Contribution("scale", 0.03, "strip 1.002", -1),
            Contribution("edge", 0.04, "fret 1"),
            Contribution("edge", 0.03, "fret 2", 0, 4.0),
        ),
    )
    written = json.loads(json.dumps(m.to_dict(), allow_nan=False))
    assert written["contributions"] == {"scale": 0.03, "edge": pytest.approx(0.05)}
    assert Measured.from_dict(written) == m
    assert Measured.from_dict({k: v for k, v in written.items() if k != "influences"}).u == pytest.approx(m.u)
    assert "influences" not in Measured.of(1.0, "mm", edge=0.1).to_dict()


def test_sources_that_readings_share_are_one_where_nobody_said_which():
    assert Contribution("scale", 0.1).key == ("scale", "")
    assert Contribution("crown edges", 0.1).key is None
    assert Contribution("crown edges", 0.1, "fret 1").key == ("crown edges", "fret 1")
    with pytest.raises(ValueError, match="sign"):
        Contribution("scale", 0.1, sign=2)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_unknown_is_not_a_number(value):
    with pytest.raises(ValueError, match="finite"):
        Measured.of(value, "mm", edge=0.1)


def test_a_value_without_uncertainty_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        Measured(1.0, "mm", ())


@pytest.mark.parametrize("u", [-0.1, math.nan, math.inf])
def test_a_contribution_is_a_finite_size(u):
    with pytest.raises(ValueError, match="finite and >= 0"):
        Contribution("edge", u)


def test_flags_are_added_once():
    m = Measured.of(1.0, "mm", ("GLARE",), edge=0.1).with_flags("GLARE", "BLURRED")
    assert m.flags == ("GLARE", "BLURRED")


def test_every_flag_has_a_sentence_and_an_advice():
    for code, flag in FLAGS.items():
        assert describe(code) is flag
        assert code == code.upper()
        for sentence in (flag.text, flag.advice):
            assert sentence.endswith(".")
            assert sentence[0].isupper()


def test_errors_say_what_is_wrong_and_what_to_do():
    e = PhotoError("It is dark.", "Use a lamp.")
    assert isinstance(e, InspectError)
    assert (e.wrong, e.advice, str(e)) == ("It is dark.", "Use a lamp.", "It is dark. Use a lamp.")
