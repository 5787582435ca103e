"""The shop's own repeatability in U: what is replaced, what stays, and that U then holds what was simulated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from inspect_app.decide.repeat_study import repeat_study
from inspect_app.reading.ask import Ask, OwnPrecision
from inspect_app.reading.key import parse_key
from inspect_app.reading.own_precision import STUDIED, studied_as, with_own_precision
from inspect_app.reading.values import readings_of
from shared.influences import LAID_ANEW, SOURCES
from shared.measured import Contribution, Measured

BEVEL = parse_key("fret 3, bevel treble")


@pytest.fixture
def bevelled(make_answer):
    def make(value, *parts):
        whole = make_answer("a.jpg", "0" * 64, Ask("end"))
        q = Measured(value, "deg", tuple(Contribution(*p) for p in parts))
        return replace(whole, frets=(replace(whole.frets[0], number=3, bevel_treble=q),))

    return make


def value_of(answer):
    return next(r.value for r in readings_of(answer) if r.key == BEVEL)


PARTS = (("backdrop level", 0.3), ("backdrop square to the neck", 0.4), ("edge definition", 0.2))


def test_what_laying_anew_brings_is_replaced_and_the_rest_stays(bevelled):
    own = OwnPrecision("bevel treble", "deg", 0.1, 9.0, 0.5, "2026-11-29, no. 1")
    q = value_of(with_own_precision(bevelled(30.0, *PARTS), (own,)))
    assert {c.source: c.u for c in q.contributions} == {"edge definition": 0.2, STUDIED: 0.1}
    assert q.dof > 9.0
    far = value_of(with_own_precision(bevelled(30.0, ("backdrop level", 1.0), ("edge definition", 0.2)), (own,)))
    assert {c.source: c.u for c in far.contributions}[STUDIED] == pytest.approx(
        0.2
    )  # twice as uncertain as the study's


def test_other_quantities_and_no_study_change_nothing(bevelled):
    answer = bevelled(30.0, *PARTS)
    assert with_own_precision(answer, ()) is answer
    other = OwnPrecision("crown width", "mm", 0.1, 9.0, 0.5, "x")
    assert value_of(with_own_precision(answer, (other,))) == value_of(answer)


def test_every_source_laid_anew_is_known():
    own = {"edge noise", "boundary noise"}  # each reading's own: not in the table of what readings share
    assert LAID_ANEW - own <= set(SOURCES)


def test_places_are_not_studied():
    assert studied_as(parse_key("fret 3, position")) is None
    assert studied_as(parse_key("fret 3, flats 2, length")) == "longest flat"
    assert studied_as(BEVEL) == "bevel treble"


@pytest.mark.slow
def test_u_with_the_shops_own_precision_holds_what_people_do(bevelled):
    """A shop that lays the card three times worse than assumed, over many studies: U by assumption flatters."""
    rng = np.random.default_rng(5)
    s_person, s_photo, u_edge = 0.8, 1.2, 0.2
    inside = []
    for _ in range(60):
        people = {who: rng.normal(0.0, s_person) for who in "abcd"}
        edge = rng.normal(0.0, u_edge)  # the same fret each time
        taken = [(who, edge + people[who] + rng.normal(0.0, s_photo)) for who in people for _ in range(5)]
        rows = repeat_study([(who, bevelled(30.0 + off, *PARTS)) for who, off in taken])
        own = next(r for r in rows if r.quantity == "bevel treble").own("study")
        assert own.assumed == pytest.approx(0.5)
        for _ in range(20):
            off = rng.normal(0.0, math.hypot(s_person, s_photo, u_edge))
            plain = bevelled(30.0 + off, *PARTS)
            both = (value_of(plain), value_of(with_own_precision(plain, (own,))))
            inside.append([abs(q.value - 30.0) <= q.expanded for q in both])
    assumed, studied = np.mean(inside, axis=0)
    assert assumed < 0.75
    assert 0.92 <= studied <= 0.98
