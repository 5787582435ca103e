"""Probabilities of decisions against scipy's."""

import math

import numpy as np
import pytest
from scipy.special import chdtrc, ndtr, stdtr

from inspect_app.decide.probability import chi_squared_beyond, normal_below, student_below, uniform_of

DEVIATES = np.concatenate([np.linspace(-9.0, 9.0, 181), np.random.default_rng(0).normal(0.0, 2.0, 1000)])


def test_normal():
    assert [normal_below(t) for t in DEVIATES] == pytest.approx(ndtr(DEVIATES), rel=1e-13, abs=0.0)
    assert uniform_of(DEVIATES) == pytest.approx(ndtr(DEVIATES), rel=1e-13, abs=0.0)


def test_student():
    for dof, exact in ((1.0, 1e-14), (1.97, 1e-14), (3.5, 1e-14), (40.0, 1e-12), (1e3, 1e-10)):
        ours = np.array([student_below(t, dof) for t in DEVIATES.tolist()])
        assert ours == pytest.approx(stdtr(dof, DEVIATES), rel=exact, abs=0.0)
    assert student_below(1.3, math.inf) == normal_below(1.3)
    assert [student_below(t, 3.0) for t in (-math.inf, 0.0, math.inf)] == [0.0, 0.5, 1.0]


@pytest.mark.parametrize("dof", [1, 2, 9, 10, 29, 300, 2001])
def test_chi_squared(dof):
    for value in dof * np.array([0.2, 0.9, 1.0, 1.3, 2.0]):
        assert chi_squared_beyond(value, dof) == pytest.approx(chdtrc(dof, value), rel=1e-10, abs=1e-300)
    assert chi_squared_beyond(0.0, dof) == 1.0
