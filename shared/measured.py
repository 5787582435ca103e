"""A measured value with its standard uncertainty, kept as named contributions.

The combination is the law of propagation of uncertainty for independent
contributions, JCGM 100:2008 (GUM) equation (10), each contribution already
multiplied by its sensitivity so that it carries the unit of the value.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

__all__ = ["Contribution", "Measured", "COVERAGE_FACTOR"]

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty shown: about 95 % for a normal distribution (GUM 6.3.3)."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One named source of uncertainty: its standard uncertainty in the unit of the result."""

    source: str
    u: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"contribution {self.source!r}: u must be finite and >= 0, got {self.u}")


@dataclass(frozen=True, slots=True)
class Measured:
    """A value, its unit (``mm``, ``deg`` or ``1``), and where its uncertainty comes from.

    Parameters
    ----------
    value : float
        The result, in `unit`.
    unit : str
        ``mm``, ``deg`` or ``1``.
    contributions : tuple of Contribution
        Independent standard uncertainties, in `unit`, at least one.
    flags : tuple of str
        Codes registered in `shared.flags`.
    by_hand : bool
        True when a person placed an edge this value rests on.

    Raises
    ------
    ValueError
        If the value is not finite or nothing contributes to its uncertainty.
    """

    value: float
    unit: str
    contributions: tuple[Contribution, ...]
    flags: tuple[str, ...] = ()
    by_hand: bool = False

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"a measured value is finite; unknown is NotMeasured, got {self.value}")
        if not self.contributions:
            raise ValueError("a measured value states at least one uncertainty contribution")

    @classmethod
    def of(cls, value: float, unit: str, flags: Iterable[str] = (), **sources: float) -> Measured:
        """Build from keywords, underscores read as spaces: ``of(2.7, "mm", edge_noise=0.01)``."""
        parts = tuple(Contribution(k.replace("_", " "), float(v)) for k, v in sources.items())
        return cls(float(value), unit, parts, tuple(flags))

    @property
    def u(self) -> float:
        """Combined standard uncertainty (k = 1), in `unit`."""
        return math.hypot(*(c.u for c in self.contributions))

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k u with k = 2, in `unit`."""
        return COVERAGE_FACTOR * self.u

    def with_flags(self, *flags: str) -> Measured:
        """The same value with `flags` added."""
        return replace(self, flags=tuple(dict.fromkeys((*self.flags, *flags))))

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers for JSON: value, u (k = 1), unit, contributions, flags, by_hand."""
        return {
            "value": self.value,
            "u": self.u,
            "unit": self.unit,
            "contributions": {c.source: c.u for c in self.contributions},
            "flags": list(self.flags),
            "by_hand": self.by_hand,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Measured:
        """The inverse of `to_dict`."""
        parts = tuple(Contribution(k, float(v)) for k, v in data["contributions"].items())
        return cls(
            float(data["value"]),
            str(data["unit"]),
            parts,
            tuple(data.get("flags", ())),
            bool(data.get("by_hand", False)),
        )
