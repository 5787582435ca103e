"""Probabilities that every decision asks for, without scipy: a third of a second to import, for a few formulas."""

from __future__ import annotations

import math
from functools import partial

import numpy as np
from numpy.typing import NDArray

__all__ = ["chi_squared_beyond", "normal_below", "student_below", "uniform_of"]

Draws = NDArray[np.float64]
_EXACT, _MOST_TERMS = 1e-16, 10_000


def normal_below(t: float) -> float:
    """Probability that a standard normal deviate is below t."""
    return 0.5 * math.erfc(-t / math.sqrt(2.0))


def student_below(t: float, dof: float) -> float:
    """Probability that Student's t is below t (Abramowitz and Stegun, 26.7.1): normal where `dof` is endless."""
    if math.isinf(dof) or math.isinf(t):
        return normal_below(t)
    beyond = 0.5 * _incomplete_beta(dof / (dof + t * t), t * t / (dof + t * t), dof / 2.0, 0.5)
    return beyond if t < 0.0 else 1.0 - beyond


def _incomplete_beta(x: float, rest: float, a: float, b: float) -> float:
    """The regularised incomplete beta function, `rest` being 1 - x without its rounding."""
    if x <= 0.0 or rest <= 0.0:
        return float(x > 0.0)
    if x > (a + 1.0) / (a + b + 2.0):  # beyond it the fraction converges slowly, for what is left it converges fast
        return 1.0 - _incomplete_beta(rest, x, b, a)
    front = a * math.log(x) + b * math.log(rest) + math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    return math.exp(front) / (a * _fraction(x, a, b))


def _fraction(x: float, a: float, b: float) -> float:
    """The continued fraction of the incomplete beta function (Abramowitz and Stegun, 26.5.8), by Lentz's method."""
    found = below = 1.0
    above = 0.0
    for n in range(1, _MOST_TERMS):
        m = n // 2
        even = m * (b - m) * x / ((a + n - 1) * (a + n))
        odd = -(a + m) * (a + b + m) * x / ((a + n - 1) * (a + n))
        term = odd if n % 2 else even
        above = 1.0 / (1.0 + term * above)
        below = 1.0 + term / below
        found *= above * below
        if abs(above * below - 1.0) < _EXACT:
            break
    return found


def uniform_of(deviates: Draws) -> Draws:
    """Standard normal deviates (N,) as what is uniform from 0 to 1 and goes with them."""
    return np.fromiter(map(normal_below, deviates.tolist()), np.float64, len(deviates))


def chi_squared_beyond(value: float, dof: int) -> float:
    """Probability that chi squared is beyond a value: the finite sums of Abramowitz and Stegun, 26.4.4 and 26.4.5."""
    if value <= 0.0:
        return 1.0
    term = partial(_poisson, value / 2.0)
    if dof % 2 == 0:
        return math.fsum(map(term, range(dof // 2)))
    return math.erfc(math.sqrt(value / 2.0)) + math.fsum(term(k - 0.5) for k in range(1, (dof + 1) // 2))


def _poisson(mean: float, k: float) -> float:
    """exp(-mean) mean^k / k!, k an integer or halfway between two."""
    return math.exp(k * math.log(mean) - mean - math.lgamma(k + 1.0))
