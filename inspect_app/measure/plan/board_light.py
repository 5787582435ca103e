"""The lamp's light over a field of the board: what frets throw into shadow, and how it bends between both feet."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.board_field import STEP_MM, BoardField

__all__ = ["EDGE_MM", "FEET_MM", "LEAST_SEEN", "light_bend", "shadow_reach"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FEET_MM = (0.9, 2.1)
"""From where to where off a crown's foot the board is taken for unworn: beyond the foot's dirt and shadow of a lamp
overhead, and nearer than a finger reaches beside a crown a millimetre high (common practice, no source)."""
EDGE_MM = 0.6
"""Left out along the board's edges: they are rounded over."""
SHADOW = 0.15
"""Log light by which both edges of the board are darker than in the field's middle where a fret's shadow lies."""
ALONG_EDGE_MM = 3.0
"""Width of what is looked at along each edge for it: the outer strings run about there, and wear reaches little beyond
them (common practice, no source)."""
LEAST_SEEN = 0.6
"""Share of a field that must be in view and out of shadow."""


BENDS_MOST = 0.07
"""Log light or colour that paper-thin reflections and the lens's fall-off bend within a field, at most (no source)."""
UNWORN_LEAST = 0.1
"""Share of a field's middle that is taken for unworn where so much differs by less than that: on boards worn by many
chords, unworn wood between the strings is the smaller part."""


def shadow_reach(field: BoardField, tone: Floats, rows: Mask) -> tuple[float, float] | None:
    """How far off each foot a fret's shadow ends, mm; None where one leaves too little to see."""
    edge = EDGE_MM + ALONG_EDGE_MM
    sides = [rows & (field.y < edge), rows & (field.y > field.y[-1] - edge), rows]
    lines = [np.median(tone[side, :, 0][::3], axis=0) for side in sides]  # every third row: smoothed, the next is alike
    lines = [line - np.median(line) for line in lines]
    light = np.max(lines, axis=0)  # dark along both edges and all through: a shadow across the board, and no wear
    dark = light < -SHADOW
    first, last = _run_of(dark), _run_of(dark[::-1])
    if max(first, last) > (1.0 - LEAST_SEEN) * len(dark):
        return None
    return first * STEP_MM, last * STEP_MM


def _run_of(dark: Mask) -> int:
    """Where the dark run that begins at a foot ends; 0 where none does."""
    begins = np.flatnonzero(dark[: round(FEET_MM[0] / STEP_MM)])
    if not begins.size:
        return 0
    lit = np.flatnonzero(~dark[begins[0] :])
    return int(begins[0] + lit[0]) if lit.size else len(dark)


def light_bend(off: Floats, seen: Mask, share: Floats) -> Floats:
    """What the light bends between the strips, the same for the whole width of the board: zero at both strips.

    Robustly, for worn places bend it too: the median over the rows of what is left, drawn as one arch along the neck.
    """
    arch = 4.0 * share * (1.0 - share)
    out = np.zeros((1, len(share), off.shape[2]))
    middle = np.abs(share - 0.5) < 0.25
    values = off[:, middle][seen[:, middle]]
    if not len(values):
        return out
    near = (np.abs(values) < BENDS_MOST).all(axis=1)
    values = values[near] if near.mean() > UNWORN_LEAST else values
    for k in range(off.shape[2]):
        out[0, :, k] = _mode(values[:, k]) * arch
    return out


def _mode(values: Floats) -> float:
    """The middle of the narrowest half of the values (the shorth): what most unworn places share."""
    v = np.sort(values[:: max(1, len(values) // 4000)])
    n = max(1, len(v) // 2)
    i = int(np.argmin(v[n:] - v[: len(v) - n])) if len(v) > n else 0
    return float(np.median(v[i : i + n]))
