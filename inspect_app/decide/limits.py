"""Limits, and what may be said of a reading near one.

The probability that the true value conforms follows JCGM 106:2012, 7.2 to 7.4 (normal distribution); the decision
rule is that of ISO 14253-1:2017 with its default of 95 %: `WITHIN` when conformity is at least that probable, `BEYOND`
when nonconformity is, and `CANNOT_TELL` between.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any, Literal

from scipy.special import ndtr, stdtr

from shared.measured import Measured
from shared.tables import load_table

__all__ = [
    "REQUIRED_PROBABILITY",
    "Judgement",
    "Limit",
    "Limits",
    "Verdict",
    "conformance_probability",
    "for_wire",
    "judge",
    "verdict_of",
]

REQUIRED_PROBABILITY = 0.95
"""ISO 14253-1:2017 default conformance probability."""
ORDINARY_WIRE_MM = 1.10
"""Crown height of medium wire, which the limit on the height left is meant for (shared/tables/wire_sizes.toml)."""


class Verdict(StrEnum):
    """What may be said of a value and a limit."""

    WITHIN = "within"
    BEYOND = "beyond"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit: should not be above (`upper`) or below (`lower`) `value`."""

    key: str
    text: str
    value: float
    unit: str
    side: Literal["upper", "lower"]
    source: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """A limit, the probability that it is kept, and the verdict."""

    limit: Limit
    probability: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits a job is judged by, by key: the shop's, or this instrument's own."""

    entries: tuple[Limit, ...]

    @classmethod
    def default(cls) -> Limits:
        """Those of ``shared/tables/limits.toml``."""
        return cls(tuple(Limit(key, **row) for key, row in load_table("limits").items()))

    def __getitem__(self, key: str) -> Limit:
        for limit in self.entries:
            if limit.key == key:
                return limit
        raise KeyError(key)

    def with_value(self, key: str, value: float, source: str = "set by the shop") -> Limits:
        """The same limits with one value set by a person; `source` says for what.

        Raises
        ------
        KeyError
            If there is no such limit.
        ValueError
            If the value is not a positive number.
        """
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{self[key].text}: give a number above zero.")
        changed = replace(self[key], value=value, source=source)
        return Limits(tuple(changed if e.key == key else e for e in self.entries))

    def to_dict(self) -> dict[str, Any]:
        """Plain values for the store."""
        return {e.key: {k: v for k, v in asdict(e).items() if k != "key"} for e in self.entries}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Limits:
        """The inverse of `to_dict`; a limit that is newer than what was stored has its default."""
        kept = {key: Limit(key, **{**row, "value": float(row["value"])}) for key, row in data.items()}
        return cls(tuple(kept.values()) + tuple(e for e in cls.default().entries if e.key not in kept))


def for_wire(limits: Limits, wire_height: Measured | None) -> Limits:
    """The limits for a board with wire `wire_height` high when new, mm.

    Wire so low that it never had the height that must be left, such as 0.65 mm on an old or small instrument, is held
    to the same share of its own height that the limit is of medium wire: 0.41 mm for 0.65.
    """
    limit = limits["crown_height"]
    if wire_height is None or wire_height.value > limit.value:
        return limits
    share = limit.value / ORDINARY_WIRE_MM
    low = replace(
        limit,
        value=share * wire_height.value,
        source=f"{100 * share:.0f} % of this low wire's {wire_height.value:.2f} mm, as of medium wire",
    )
    return Limits(tuple(low if e.key == limit.key else e for e in limits.entries))


def conformance_probability(
    value: float, u: float, *, lower: float | None = None, upper: float | None = None, dof: float = math.inf
) -> float:
    """Probability that a value lies between the limits (JCGM 106:2012, 7.2 to 7.4): normal, or Student's t where its u
    has few degrees of freedom."""
    if u <= 0.0:
        return float((lower is None or value >= lower) and (upper is None or value <= upper))

    def below(t: float) -> float:
        return float(ndtr(t) if math.isinf(dof) else stdtr(max(dof, 1.0), t))

    under = below((lower - value) / u) if lower is not None else 0.0
    over = below((value - upper) / u) if upper is not None else 0.0
    return max(0.0, 1.0 - under - over)


def verdict_of(probability: float, required: float = REQUIRED_PROBABILITY) -> Verdict:
    """The verdict for a probability of conformance."""
    if probability >= required:
        return Verdict.WITHIN
    return Verdict.BEYOND if probability <= 1.0 - required else Verdict.CANNOT_TELL


def judge(reading: Measured, limit: Limit) -> Judgement:
    """Judge one reading by one limit.

    Raises
    ------
    ValueError
        If their units differ.
    """
    if reading.unit != limit.unit:
        raise ValueError(f"{limit.text} is in {limit.unit}, the reading in {reading.unit}")
    p = conformance_probability(
        reading.value,
        reading.u,
        lower=limit.value if limit.side == "lower" else None,
        upper=limit.value if limit.side == "upper" else None,
        dof=reading.dof,
    )
    return Judgement(limit, p, verdict_of(p))
