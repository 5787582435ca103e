"""Combine measured values, knowing what they share.

The law of propagation of uncertainty, JCGM 100:2008 (GUM): equation (10) for influences that only one input has,
equation (13) with correlation 1 or -1 for those that inputs share. Which are shared is not a matter of the formula but
of the contributions: two of equal `key` are one and the same (`shared.measured.Contribution`). `Sampler` draws from the
same influences (JCGM 101:2008), so that a probability and an uncertainty never tell different stories.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from shared.measured import Contribution, Measured, effective_dof

__all__ = ["Sampler", "correlation", "difference", "evaluate", "ratio", "scaled", "total", "weighted_mean"]

Floats = NDArray[np.float64]


def evaluate(model: Callable[..., float], inputs: Mapping[str, Measured], unit: str) -> Measured:
    """A value worked out from measured ones, with the contributions of all of them.

    Parameters
    ----------
    model : callable
        Takes the values of `inputs` by keyword.
    inputs : mapping of str to Measured
    unit : str
        Of the result.

    Returns
    -------
    Measured
        The effects of an influence that inputs share add with their signs; one whose sign is not known never cancels.
        What no other input has adds in quadrature, a contribution a source. In the order met; flags and `by_hand` of
        all inputs.

    Notes
    -----
    Sensitivities are central differences over one standard uncertainty either way, GUM 5.1.3 note 2.
    """
    values = {name: q.value for name, q in inputs.items()}
    parts: dict[object, list[tuple[float, Contribution]]] = {}
    for name, q in inputs.items():
        c = _sensitivity(model, values, name, q.u)
        for part in q.contributions:
            parts.setdefault(part.key or part.source, []).append((c, part))
    return Measured(
        float(model(**values)),
        unit,
        tuple(_shared(v) if isinstance(k, tuple) else _apart(v) for k, v in parts.items()),
        tuple(dict.fromkeys(f for q in inputs.values() for f in q.flags)),
        any(q.by_hand for q in inputs.values()),
    )


def _sensitivity(model: Callable[..., float], values: Mapping[str, float], name: str, u: float) -> float:
    if u == 0.0:
        return 0.0
    high, low = ({**values, name: values[name] + s * u} for s in (1.0, -1.0))
    return (model(**high) - model(**low)) / (2.0 * u)


def _shared(effects: Sequence[tuple[float, Contribution]]) -> Contribution:
    """One influence that moves several inputs."""
    signed = math.fsum(c * p.sign * p.u for c, p in effects)
    unsigned = math.fsum(abs(c) * p.u for c, p in effects if p.sign == 0)
    sign = 0 if unsigned > 0.0 else -1 if signed < 0.0 else 1
    least = min(p.dof for _, p in effects)
    return replace(effects[0][1], u=abs(signed) + unsigned, sign=sign, dof=least)


def _apart(effects: Sequence[tuple[float, Contribution]]) -> Contribution:
    """Influences of one source that no two inputs share."""
    parts = [(abs(c) * p.u, p.dof) for c, p in effects]
    return Contribution(effects[0][1].source, math.hypot(*(u for u, _ in parts)), dof=effective_dof(parts))


def scaled(q: Measured, factor: float, unit: str | None = None) -> Measured:
    """A measured value times an exact number, in `unit` or its own."""
    return evaluate(lambda x: factor * x, {"x": q}, unit or q.unit)


def total(terms: Sequence[Measured]) -> Measured:
    """The sum of values of one unit.

    Raises
    ------
    ValueError
        If there are none, or their units differ.
    """
    unit = _one_unit(terms)
    return evaluate(lambda **x: math.fsum(x.values()), {f"x{i}": q for i, q in enumerate(terms)}, unit)


def difference(a: Measured, b: Measured) -> Measured:
    """a - b; what is common to both (the scale, the calliper) cancels as far as it moves both alike.

    Raises
    ------
    ValueError
        If their units differ.
    """
    return evaluate(lambda a, b: a - b, {"a": a, "b": b}, _one_unit((a, b)))


def ratio(a: Measured, b: Measured) -> Measured:
    """a / b, of unit 1 for equal units.

    Raises
    ------
    ValueError
        If their units differ, or b is not clear of zero (within 3 u).
    """
    _one_unit((a, b))
    if abs(b.value) <= 3.0 * b.u:
        raise ValueError("the divisor is not clear of zero")
    return evaluate(lambda a, b: a / b, {"a": a, "b": b}, "1")


def weighted_mean(terms: Sequence[Measured]) -> Measured:
    """The mean of readings of the same thing, weighted by 1 / u^2 of what only one of them has.

    When they scatter more than they state, the excess (Birge ratio) is added as the source ``disagreement of readings``
    with its few degrees of freedom, and the flag ``DISAGREES`` is set if the scatter would arise by chance less than
    once in a hundred times.

    Raises
    ------
    ValueError
        If there are none, or their units differ.
    """
    unit = _one_unit(terms)
    common = _common_influences(terms)
    own = [math.hypot(0.0, *(c.u for c in q.contributions if c.key is None or c.key not in common)) for q in terms]
    least = max(own) * 1e-6 or 1.0
    w = [1.0 / max(u, least) ** 2 for u in own]
    share = [v / math.fsum(w) for v in w]
    mean = evaluate(
        lambda **x: math.fsum(s * v for s, v in zip(share, x.values(), strict=True)),
        {f"x{i}": q for i, q in enumerate(terms)},
        unit,
    )
    if len(terms) < 2:
        return mean
    chi2, dof = math.fsum(v * (q.value - mean.value) ** 2 for v, q in zip(w, terms, strict=True)), len(terms) - 1
    if chi2 <= dof:
        return mean
    excess = Contribution("disagreement of readings", math.sqrt((chi2 / dof - 1.0) / math.fsum(w)), dof=dof)
    out = Measured(mean.value, unit, (*mean.contributions, excess), mean.flags, mean.by_hand)
    return out.with_flags("DISAGREES") if chi2 > _one_in_a_hundred(dof) else out


def _common_influences(terms: Sequence[Measured]) -> set[tuple[str, str]]:
    """Keys of the influences that all of several terms have; none for a single term."""
    keys = [{c.key for c in q.contributions if c.key is not None} for q in terms]
    return set.intersection(*keys) if len(keys) > 1 else set()


def _one_in_a_hundred(dof: int) -> float:
    """Upper 1 % point of chi squared, by Wilson and Hilferty's cube (within 2 % from one degree of freedom)."""
    a = 2.0 / (9.0 * dof)
    return dof * (1.0 - a + 2.3263 * math.sqrt(a)) ** 3


def correlation(a: Measured, b: Measured) -> float:
    """Correlation coefficient of two values, from the influences they share with a known sign (GUM F.1.2.3)."""
    of_b = {c.key: c.sign * c.u for c in b.contributions if c.key is not None}
    shared = math.fsum(c.sign * c.u * of_b[c.key] for c in a.contributions if c.key in of_b)
    return shared / (a.u * b.u) if a.u * b.u > 0.0 else 0.0


def _one_unit(terms: Sequence[Measured]) -> str:
    units = {q.unit for q in terms}
    if len(units) != 1:
        raise ValueError(f"values of one unit are needed, got {sorted(units) or 'none'}")
    return units.pop()


class Sampler:
    """Draws of measured values (JCGM 101:2008, 5.9): an influence gives the same draws wherever it is met.

    Parameters
    ----------
    n : int
        Number of draws.
    seed : int
        The same seed gives the same draws, whatever is drawn before.
    """

    def __init__(self, n: int, seed: int = 0) -> None:
        self.n, self.seed = n, seed
        self._known: dict[tuple[str, str], Floats] = {}
        self._unnamed = 0

    def draw(self, q: Measured) -> Floats:
        """Possible values of `q`, shape (n,)."""
        out = np.full(self.n, q.value)
        for c in q.contributions:
            if c.u > 0.0:
                out += (c.sign or 1) * c.u * self.deviates(c)
        return out

    def deviates(self, c: Contribution) -> Floats:
        """Standard deviates of an influence, shape (n,): normal, or Student's t where its u has few degrees of
        freedom (JCGM 101, 6.4.9); of three at least, so that they have a standard deviation."""
        key = c.key
        if key is None:
            self._unnamed += 1
            return self._fresh(("", str(self._unnamed)), c.dof)
        if key not in self._known:
            self._known[key] = self._fresh(key, c.dof)
        return self._known[key]

    def _fresh(self, key: tuple[str, str], dof: float) -> Floats:
        rng = np.random.default_rng([self.seed, *(crc32(part.encode()) for part in key)])
        return rng.standard_normal(self.n) if math.isinf(dof) else rng.standard_t(max(dof, 3.0), self.n)
