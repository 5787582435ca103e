"""Limits and verdicts; JCGM 106 and ISO 14253-1 stand in tests/reference/test_jcgm_106.py."""

import pytest

from inspect_app.decide.limits import Limits, Verdict, conformance_probability, judge, verdict_of
from shared.measured import Measured


def test_without_uncertainty_the_limit_itself_decides():
    assert conformance_probability(1.0, 0.0, upper=1.0) == 1.0
    assert conformance_probability(1.1, 0.0, upper=1.0) == 0.0


def test_a_limit_in_another_unit_is_refused():
    with pytest.raises(ValueError, match="deg"):
        judge(Measured.of(1.0, "mm", all=0.1), Limits.default()["bevel_deviation"])


def test_default_limits_name_their_source_and_survive_the_store():
    limits = Limits.default()
    assert all(e.source for e in limits.entries)
    assert Limits.from_dict(limits.to_dict()) == limits


def test_a_limit_set_by_the_shop_says_so():
    limits = Limits.default().with_value("crown_height", 0.8)
    assert limits["crown_height"].value == 0.8
    assert limits["crown_height"].source == "set by the shop"
    with pytest.raises(ValueError, match="above zero"):
        limits.with_value("crown_height", float("nan"))


def test_verdict_is_symmetric_about_one_half():
    assert verdict_of(0.95) == Verdict.WITHIN
    assert verdict_of(0.05) == Verdict.BEYOND
    assert verdict_of(0.5) == Verdict.CANNOT_TELL
