"""Which revision stands, and which answers can be ones."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inspect_app.decide.agreement import HOWS, Answer, checked, statuses
from inspect_app.decide.estimate import Estimate
from shared.errors import OptionError

MADE = Estimate("1", 1, "USD", 2, "2026-05-04", "2026-06-03", "leave", ())
YES = Answer(True, "A. Customer", "signed", date(2026, 5, 10))
TODAY = date(2026, 7, 1)


def test_an_accepted_revision_stands_while_a_later_one_waits_or_is_declined():
    assert statuses([1, 2], [(1, True)]) == {1: "accepted", 2: "issued"}
    assert statuses([1, 2], [(1, True), (2, False)]) == {1: "accepted", 2: "declined"}
    assert statuses([1, 2], [(1, True), (2, True)]) == {1: "superseded", 2: "accepted"}


def test_of_those_not_answered_only_the_newest_waits():
    assert statuses([1, 2, 3], []) == {1: "superseded", 2: "superseded", 3: "issued"}


@given(st.lists(st.tuples(st.integers(1, 5), st.booleans()), max_size=12))
def test_one_revision_at_most_stands_accepted(answers):
    issued = [1, 2, 3, 4, 5]
    standing = statuses(issued, answers)
    assert list(standing.values()).count("accepted") <= 1
    last = dict(answers)
    assert ("accepted" in standing.values()) == any(last.values())


def test_an_answer_in_time_is_taken():
    for how in HOWS:
        assert checked(replace(YES, how=how), MADE, TODAY).how == how


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"by": " "}, "who"),
        ({"how": "by pigeon"}, "no way to answer"),
        ({"on": date(2026, 5, 3)}, "made on"),
        ({"on": date(2026, 7, 2)}, "not come"),
        ({"on": date(2026, 6, 4)}, "held until"),
    ],
)
def test_impossible_answers_are_refused(change, why):
    with pytest.raises(OptionError, match=why):
        checked(replace(YES, **change), MADE, TODAY)


def test_a_note_overrules_the_validity_and_a_refusal_needs_none():
    late = replace(YES, on=date(2026, 6, 4))
    assert checked(replace(late, note="agreed by telephone to hold the price"), MADE, TODAY)
    assert checked(replace(late, accepted=False), MADE, TODAY)
