"""A print's number in its own pattern: short bars in the gaps between the large markers, so that a photo tells it.

Each gap has room for three bars, one above the other; a bar stands for 1, white for 0. Three gaps hold nine binary
digits, least first. The strip's nine gaps hold the number, its complement, and the number again; the six of backdrop
and tongue the number and its complement. Shadow, glare or whatever lies across makes bars or takes them away, never
both, so no wrong number is read: both forms have to be there and agree. Prints without a number have white gaps, which
are none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import linear_light

__all__ = ["LARGEST_NUMBER", "number_bars", "read_number"]

Vector = NDArray[np.float64]

_DIGITS = 9
LARGEST_NUMBER = 2**_DIGITS - 1
"""More prints than a shop makes in its life."""
_ROWS = 3  # bars in a gap, one above the other
_FIRST_GAPS = {"strip": (0, 9), "backdrop": (20, 6), "tongue": (10, 6)}
"""Number of the marker left of the first gap, and how many gaps there are."""
_LEFT, _PITCH = {"strip": 4.0, "backdrop": 8.0, "tongue": 2.2}, {"strip": 12.0, "backdrop": 11.4, "tongue": 8.6}
_SIDE, _TOP = {"strip": 8.0, "backdrop": 8.0, "tongue": 6.0}, {"strip": 2.0, "backdrop": 2.0, "tongue": 1.5}
"""The large markers as `calib.scales.printed` lays them out, mm."""
_WIDTH = {"strip": 1.2, "backdrop": 0.9, "tongue": 0.9}
"""Width of a bar, mm: it ends 1.4, 1.25 and 0.85 mm before the markers, beyond the rows across their sides (a cell,
1.33 mm or 1 mm, times 0.8)."""
_HIGH, _STEPS = 1.0 / 4.0, 3.0 / 8.0
"""Height of a bar and from one to the next, in a marker's sides: three fill one."""
_WHITE_AT, _BLACK_AT = 0.18, 0.17
"""Where paper and print are looked at, in shares of a gap: half-way between bar and marker, and in the middle of the
marker's border beside it."""
_CORE = 0.25  # half of a bar's width and height that is looked at, in their own: clear of its blurred sides
_SURE = 0.3  # of the step from paper to print: what lies nearer the middle is not told
_LEAST_STEP = 0.03  # of linear light, or there is nothing to tell by


def number_bars(kind: str, number: int) -> Iterator[tuple[float, float, float, float]]:
    """Bars of a print's number: left and top edge on its sheet, width and height, mm.

    Parameters
    ----------
    kind : {'strip', 'backdrop', 'tongue'}
    number : int
        1 to `LARGEST_NUMBER`.

    Raises
    ------
    ValueError
        If it is none of these.

    Examples
    --------
    >>> [tuple(round(v, 2) for v in bar) for bar in number_bars("strip", 1)][0]
    (13.4, 2.0, 1.2, 2.0)
    """
    if not 1 <= number <= LARGEST_NUMBER:
        raise ValueError(f"a print's number is 1 to {LARGEST_NUMBER}, got {number}")
    for gap in range(_FIRST_GAPS[kind][1]):
        side = _SIDE[kind]
        middle = _LEFT[kind] + gap * _PITCH[kind] + (side + _PITCH[kind]) / 2.0
        for row in range(_ROWS):
            if _digit(number, gap, row):
                yield (middle - _WIDTH[kind] / 2.0, _TOP[kind] + row * _STEPS * side, _WIDTH[kind], _HIGH * side)


def _digit(number: int, gap: int, row: int) -> bool:
    """Whether a bar stands there: every second copy of the number is its complement."""
    copy, place = divmod(gap * _ROWS + row, _DIGITS)
    return bool(number >> place & 1) != bool(copy % 2)


def read_number(gray: NDArray[np.uint8], kind: str, corners_px: Mapping[int, Vector]) -> int | None:
    """The number of a print in a photo; None where it has none or too little of it shows.

    Parameters
    ----------
    gray : ndarray of uint8, shape (H, W)
    kind : {'strip', 'backdrop', 'tongue'}
    corners_px : mapping of int to ndarray, shape (4, 2)
        Corners of the markers seen, clockwise from the top left.
    """
    first, gaps = _FIRST_GAPS[kind]
    told: list[tuple[int, int, bool]] = []
    for gap in range(gaps):
        beside = corners_px.get(first + gap), corners_px.get(first + gap + 1)
        if beside[0] is None or beside[1] is None:
            continue
        for row, bar in enumerate(_bars_seen(gray, kind, beside[0], beside[1])):
            if bar is not None:
                copy, place = divmod(gap * _ROWS + row, _DIGITS)
                told.append((place, copy % 2, bar != bool(copy % 2)))
    digits = []
    for place in range(_DIGITS):
        seen = {(form, one) for at, form, one in told if at == place}
        if {form for form, _ in seen} != {0, 1} or len({one for _, one in seen}) != 1:
            return None
        digits.append(next(iter(seen))[1])
    return sum(one << place for place, one in enumerate(digits)) or None


def _bars_seen(gray: NDArray[np.uint8], kind: str, left: Vector, right: Vector) -> Iterator[bool | None]:
    """Whether each bar of a gap is there; None where it can't be told."""
    wide = _WIDTH[kind] / (_PITCH[kind] - _SIDE[kind])
    across = np.linspace(-_CORE, _CORE, 3)
    for row in range(_ROWS):
        down = row * _STEPS + _HIGH / 2.0 + _HIGH * across
        bar, white, black = (
            _light(gray, left, right, np.array(u), down)
            for u in (0.5 + wide * across, (_WHITE_AT, 1.0 - _WHITE_AT), (-_BLACK_AT, 1.0 + _BLACK_AT))
        )
        step = white - black
        share = (white - bar) / step if step > _LEAST_STEP else np.nan
        yield bool(share > 0.5) if abs(share - 0.5) > 0.5 - _SURE and -0.5 < share < 1.5 else None


def _light(gray: NDArray[np.uint8], left: Vector, right: Vector, across: Vector, down: Vector) -> float:
    """Mean light at shares `across` the gap between two markers and `down` their sides; nan where outside the photo."""
    u, v = (g.ravel()[:, None] for g in np.meshgrid(across, down))
    near = left[1] + v * (left[2] - left[1])
    far = right[0] + v * (right[3] - right[0])
    at = (near + u * (far - near)).astype(np.float32)
    if np.any(at < 0) or np.any(at > np.array(gray.shape[::-1]) - 1):
        return float("nan")
    return float(linear_light(np.asarray(cv2.remap(gray, at[:, :1], at[:, 1:], cv2.INTER_LINEAR))).mean())
