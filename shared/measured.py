"""A measured value with its standard uncertainty, kept as named contributions.

Each contribution is already multiplied by its sensitivity, so that it carries the unit of the value, and says which
one of its source it is: this scale, this photo, this calliper. The contributions of one value are independent of each
other: they combine by JCGM 100:2008 (GUM) equation (10). Two values share those whose `key` is equal
(`calib.budget` combines them, GUM equation (13)).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from shared.influences import Scope, scope_of

__all__ = ["COVERAGE_FACTOR", "Contribution", "Measured", "coverage_factor", "effective_dof"]

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty shown: about 95 % for a normal distribution (GUM 6.3.3)."""
COVERAGE = math.erf(COVERAGE_FACTOR / math.sqrt(2.0))
"""The probability that goes with it: 95.45 %."""


def coverage_factor(dof: float, probability: float = COVERAGE) -> float:
    """k for a coverage probability: Student's t at the effective degrees of freedom (GUM G.3.2), 2 without a bound."""
    if math.isinf(dof) and probability == COVERAGE:
        return COVERAGE_FACTOR
    from scipy.special import ndtri, stdtrit  # a third of a second to import, and hardly any value needs it

    half = (1.0 + probability) / 2.0
    return float(ndtri(half) if math.isinf(dof) else stdtrit(max(dof, 1.0), half))


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Effective degrees of freedom of independent (u, dof): Welch-Satterthwaite, GUM equation (G.2b)."""
    known = tuple(parts)
    spread = math.fsum(u**4 / dof for u, dof in known if u > 0.0)
    return math.hypot(*(u for u, _ in known)) ** 4 / spread if spread > 0.0 else math.inf


@dataclass(frozen=True, slots=True)
class Contribution:
    """One named source of uncertainty, and which one of its kind.

    Parameters
    ----------
    source : str
        ``"scale"``, ``"crown edges"``.
    u : float
        Standard uncertainty it gives the value, in the value's unit.
    of : str
        Which one: the print, the photo, the calliper, or for what is a reading's own the reading. Empty where nobody
        said; sources that readings share (`shared.influences`) are then taken for one and the same.
    sign : int
        1 or -1: which way the value moves when the source does; 0 where that is not known, so that it never cancels.
    dof : float
        Degrees of freedom of `u` (GUM G.3), ``inf`` for one that does not rest on a few observations.
    """

    source: str
    u: float
    of: str = ""
    sign: int = 1
    dof: float = math.inf

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u) and self.u >= 0.0):
            raise ValueError(f"contribution {self.source!r}: u must be finite and >= 0, got {self.u}")
        if self.sign not in (-1, 0, 1) or not self.dof > 0.0:
            raise ValueError(f"contribution {self.source!r}: sign {self.sign}, degrees of freedom {self.dof}")

    @property
    def key(self) -> tuple[str, str] | None:
        """What two values share when it is equal; ``None``: nothing else has this one."""
        return (self.source, self.of) if self.of or scope_of(self.source) != Scope.OWN else None

    @property
    def plain(self) -> bool:
        """Whether source and u say all there is."""
        return not self.of and self.sign == 1 and math.isinf(self.dof)


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
        Standard uncertainties, in `unit`, independent of each other, at least one.
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
    def dof(self) -> float:
        """Effective degrees of freedom of `u` (GUM G.4)."""
        return effective_dof((c.u, c.dof) for c in self.contributions)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k u, in `unit`: k = 2, more where `u` rests on few observations."""
        return coverage_factor(self.dof) * self.u

    def with_flags(self, *flags: str) -> Measured:
        """The same value with `flags` added."""
        return replace(self, flags=tuple(dict.fromkeys((*self.flags, *flags))))

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers for JSON: value, u (k = 1), unit, contributions by source, flags, by_hand.

        Where a contribution says more than its size (which one it is, a sign, degrees of freedom), all of them stand in
        full under ``influences`` as well.
        """
        by_source: dict[str, float] = {}
        for c in self.contributions:
            by_source[c.source] = math.hypot(by_source.get(c.source, 0.0), c.u)
        out = {
            "value": self.value,
            "u": self.u,
            "unit": self.unit,
            "contributions": by_source,
            "flags": list(self.flags),
            "by_hand": self.by_hand,
        }
        if len(by_source) < len(self.contributions) or not all(c.plain for c in self.contributions):
            out["influences"] = [_influence(c) for c in self.contributions]
        return out

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Measured:
        """The inverse of `to_dict`."""
        parts = tuple(Contribution(k, float(v)) for k, v in data["contributions"].items())
        if "influences" in data:
            parts = tuple(
                Contribution(c["source"], float(c["u"]), c["of"], int(c["sign"]), float(c.get("dof", math.inf)))
                for c in data["influences"]
            )
        return cls(
            float(data["value"]),
            str(data["unit"]),
            parts,
            tuple(data.get("flags", ())),
            bool(data.get("by_hand", False)),
        )


def _influence(c: Contribution) -> dict[str, Any]:
    out: dict[str, Any] = {"source": c.source, "of": c.of, "u": c.u, "sign": c.sign}
    return out if math.isinf(c.dof) else {**out, "dof": c.dof}
