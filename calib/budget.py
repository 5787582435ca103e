"""Combine measured values and keep every contribution to their uncertainty by name.

The law of propagation of uncertainty, JCGM 100:2008 (GUM): equation (10) for sources that are independent from one
input to the next, equation (13) with correlation 1 for sources that are common to them (the same scale or plane).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence

from shared.measured import Contribution, Measured

__all__ = ["evaluate", "scaled", "total", "difference", "ratio", "weighted_mean", "effective_dof"]


def evaluate(
    model: Callable[..., float], inputs: Mapping[str, Measured], unit: str, common: Collection[str] = ()
) -> Measured:
    """A value worked out from measured ones, with the contributions of all of them.

    Parameters
    ----------
    model : callable
        Takes the values of `inputs` by keyword.
    inputs : mapping of str to Measured
    unit : str
        Of the result.
    common : collection of str
        Sources that are one and the same in all inputs: their effects add with sign before they are squared, taking
        each source to move all inputs the same way. Sources of equal name that are not listed add in quadrature.

    Returns
    -------
    Measured
        A contribution a source, in the order met; flags and `by_hand` of all inputs.

    Notes
    -----
    Sensitivities are central differences over one standard uncertainty either way, GUM 5.1.3 note 2.
    """
    values = {name: q.value for name, q in inputs.items()}
    parts: dict[str, list[float]] = {}
    for name, q in inputs.items():
        c = _sensitivity(model, values, name, q.u)
        for part in q.contributions:
            parts.setdefault(part.source, []).append(c * part.u)
    return Measured(
        float(model(**values)),
        unit,
        tuple(Contribution(s, abs(sum(v)) if s in common else math.hypot(*v)) for s, v in parts.items()),
        tuple(dict.fromkeys(f for q in inputs.values() for f in q.flags)),
        any(q.by_hand for q in inputs.values()),
    )


def _sensitivity(model: Callable[..., float], values: Mapping[str, float], name: str, u: float) -> float:
    if u == 0.0:
        return 0.0
    high, low = ({**values, name: values[name] + s * u} for s in (1.0, -1.0))
    return (model(**high) - model(**low)) / (2.0 * u)


def scaled(q: Measured, factor: float, unit: str | None = None) -> Measured:
    """A measured value times an exact number, in `unit` or its own."""
    return evaluate(lambda x: factor * x, {"x": q}, unit or q.unit)


def total(terms: Sequence[Measured], common: Collection[str] = ()) -> Measured:
    """The sum of values of one unit.

    Raises
    ------
    ValueError
        If there are none, or their units differ.
    """
    unit = _one_unit(terms)
    return evaluate(lambda **x: math.fsum(x.values()), {f"x{i}": q for i, q in enumerate(terms)}, unit, common)


def difference(a: Measured, b: Measured, common: Collection[str] = ()) -> Measured:
    """a - b; what is common to both (the plane, the scale) largely cancels.

    Raises
    ------
    ValueError
        If their units differ.
    """
    return evaluate(lambda a, b: a - b, {"a": a, "b": b}, _one_unit((a, b)), common)


def ratio(a: Measured, b: Measured, common: Collection[str] = ()) -> Measured:
    """a / b, of unit 1 for equal units.

    Raises
    ------
    ValueError
        If their units differ, or b is not clear of zero (within 3 u).
    """
    _one_unit((a, b))
    if abs(b.value) <= 3.0 * b.u:
        raise ValueError("the divisor is not clear of zero")
    return evaluate(lambda a, b: a / b, {"a": a, "b": b}, "1", common)


def weighted_mean(terms: Sequence[Measured], common: Collection[str] = ()) -> Measured:
    """The mean of readings of the same thing, weighted by 1 / u^2 of what is not common to them.

    When they scatter more than they state, the excess (Birge ratio) is added as the source ``disagreement of readings``
    and the flag ``DISAGREES`` is set if the scatter would arise by chance less than once in a hundred times.

    Raises
    ------
    ValueError
        If there are none, or their units differ.
    """
    unit = _one_unit(terms)
    own = [math.hypot(0.0, *(c.u for c in q.contributions if c.source not in common)) for q in terms]
    least = max(own) * 1e-6 or 1.0
    w = [1.0 / max(u, least) ** 2 for u in own]
    share = [v / math.fsum(w) for v in w]
    mean = evaluate(
        lambda **x: math.fsum(s * v for s, v in zip(share, x.values(), strict=True)),
        {f"x{i}": q for i, q in enumerate(terms)},
        unit,
        common,
    )
    if len(terms) < 2:
        return mean
    chi2, dof = math.fsum(v * (q.value - mean.value) ** 2 for v, q in zip(w, terms, strict=True)), len(terms) - 1
    if chi2 <= dof:
        return mean
    excess = Contribution("disagreement of readings", math.sqrt((chi2 / dof - 1.0) / math.fsum(w)))
    out = Measured(mean.value, unit, (*mean.contributions, excess), mean.flags, mean.by_hand)
    return out.with_flags("DISAGREES") if chi2 > _one_in_a_hundred(dof) else out


def _one_in_a_hundred(dof: int) -> float:
    """Upper 1 % point of chi squared, by Wilson and Hilferty's cube (within 2 % from one degree of freedom)."""
    a = 2.0 / (9.0 * dof)
    return dof * (1.0 - a + 2.3263 * math.sqrt(a)) ** 3


def effective_dof(parts: Sequence[float], dofs: Sequence[float]) -> float:
    """Effective degrees of freedom of independent contributions: Welch-Satterthwaite, GUM equation (G.2b)."""
    u4 = math.hypot(*parts) ** 4
    return u4 / math.fsum(u**4 / v for u, v in zip(parts, dofs, strict=True))


def _one_unit(terms: Sequence[Measured]) -> str:
    units = {q.unit for q in terms}
    if len(units) != 1:
        raise ValueError(f"values of one unit are needed, got {sorted(units) or 'none'}")
    return units.pop()
