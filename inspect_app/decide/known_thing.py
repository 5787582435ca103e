"""A known thing before the camera: does what was read agree with what is known of it?

E_n number (ISO 13528, 9.7; clause from memory): the difference over the root sum of squares of both expanded
uncertainties. Up to 1 either way the two agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from shared.flags import describe
from shared.measured import COVERAGE_FACTOR, Measured
from shared.units import show

__all__ = ["Comparison", "compare", "e_n", "AGREES"]

AGREES = 1.0
"""Largest E_n number of a result that agrees (ISO 13528)."""
_LIKE_A_SCALE = 0.035
"""Relative error that a wrong scale makes: printers are off by up to 3 % (`calib.scales.print`), and a scale that lies
1 mm too low at 200 mm adds half a percent."""
_UNMEASURED = "PRINT_UNVERIFIED"
_COARSE = 4.0
"""U over the expected value's own U from which agreement says little: the thing is known much better than it was read
(common practice of metrology: a reference four times better is good enough, so the reverse is coarse)."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """What was expected, what was read, and what follows.

    Attributes
    ----------
    expected, read : Measured
        Of one unit.
    number : float
        The E_n number, with the sign of read less expected.
    advice : tuple of str
        What to look at, the likeliest first; where the two agree, what the agreement is worth.
    """

    expected: Measured
    read: Measured
    number: float
    advice: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        """Whether the two agree."""
        return abs(self.number) <= AGREES


def e_n(read: float, expanded_read: float, expected: float, expanded_expected: float) -> float:
    """E_n number from values and expanded uncertainties, all in one unit.

    Raises
    ------
    ValueError
        If neither has an uncertainty.

    >>> round(e_n(2.70, 0.02, 2.73, 0.02), 2)
    -1.06
    """
    both = math.hypot(expanded_read, expanded_expected)
    if not both > 0.0:
        raise ValueError("an E_n number needs an expanded uncertainty")
    return (read - expected) / both


def compare(read: Measured, expected: Measured, doubts: Sequence[str] = ()) -> Comparison:
    """Compare a reading with what is known of the thing; `doubts` are the flags of the photo it was read on.

    Raises
    ------
    ValueError
        If their units differ.
    """
    if read.unit != expected.unit:
        raise ValueError(f"a reading in {read.unit} can't be compared with {expected.unit}")
    number = e_n(read.value, read.expanded, expected.value, COVERAGE_FACTOR * expected.u)
    unmeasured = _UNMEASURED in doubts and read.unit != "deg"
    advice = (
        _words_on_resolution(read, expected, unmeasured) if abs(number) <= AGREES else _what_to_check(read, expected)
    )
    return Comparison(expected, read, number, advice)


def _words_on_resolution(read: Measured, expected: Measured, unmeasured: bool) -> tuple[str, ...]:
    share = 100.0 * read.expanded / abs(expected.value) if expected.value else math.inf
    found = f"A thing {share:.2g} % larger or smaller would just be noticed."
    if unmeasured:
        return (found, f"{describe(_UNMEASURED).text} {describe(_UNMEASURED).advice}")
    if expected.u > 0.0 and read.expanded > _COARSE * COVERAGE_FACTOR * expected.u:
        return (found, "The photo is much coarser than what is known: go closer to learn more.")
    return (found,)


def _what_to_check(read: Measured, expected: Measured) -> tuple[str, ...]:
    if read.unit == "deg":
        return (
            "Check that the thing stands square to the picture and that its angle is the one stated.",
            "Look whether the drawn lines lie on the thing's own edges.",
        )
    error = read.value - expected.value
    relative = error / expected.value if expected.value else math.inf
    other = (
        f"It reads like another thing, of {show(read).value} {read.unit}: measure it again with the calliper or gauge, "
        "at the place that the photo shows."
    )
    scale = (
        f"If the thing is right, everything by this scale is {abs(100.0 * relative):.2g} % too "
        f"{'large' if error > 0 else 'small'}: measure the print's check bar, and see that the scale lies as high as "
        "the thing."
    )
    edges = "Look whether the drawn lines lie on the thing's own edges, not on a shadow or a burr."
    return (scale, other, edges) if abs(relative) <= _LIKE_A_SCALE else (other, edges, scale)
