"""How sharp the sides of a face's outline are: they lie in one plane and share its blur; what is softer is the body's.

A faint edge of the face close before a stronger one of its body is seen as one edge, softer and further out; a side in
place of which only the body's far outline is seen is out of the face's focus.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.section.face_edges import OutlineRows, RowEdges
from inspect_app.measure.section.wire_outline import PIECES, Piece

__all__ = ["Side", "on_sides", "excess_blur", "softer", "SOFTER", "TWO_EDGES_RATIO"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Side = tuple[Piece, int]
"""Piece of the outline, and -1 left, 1 right, 0 both."""

CLEAR_EDGE = 0.1
"""Standard uncertainty of an edge's place, in blurs or, if longer, in pixels, up to which its blur is known too,
to a fifth or better."""
BRIGHTNESS = 0.95
"""Cosine between a change and grey from which it is one of brightness: a tint of a third beside it."""
SAME_BLUR_RATIO = 1.1
"""Sides of one sharpness differ by less than this factor: medians of a dozen rows and more, each good to a fifth."""
SOFTER = SAME_BLUR_RATIO**2
"""From this on a side may be softer than the sharpest quarter: neither is known better than to that factor."""
TWO_EDGES_RATIO = SAME_BLUR_RATIO * math.sqrt(2.0)
"""Two equal edges are seen as one where they are no more than two blurs apart: half their distance, squared, is added
to the blur's square, which doubles it. What is softer still is no edge in the face's plane."""
FAINTER = 2.0
"""Two edges w apart, of which the face's own makes up a share p of the change, add p (1 - p) w^2 to the blur's square,
and are seen (1 - p) w further out than the face's: by so many times the added blur, for shares down to a fifth."""
LEAST_ROWS = 5
"""So many rows tell the blur of a side."""
MOST = 0.5
"""Share of a side's rows that must tell its blur for the side to be judged by it."""


def on_sides(rows: OutlineRows, sides: frozenset[Side]) -> Mask:
    """Which rows (N,) lie on any of the sides."""
    out = np.zeros(len(rows.piece), dtype=bool)
    for piece, side in sides:
        out |= (rows.piece == PIECES.index(piece)) & (rows.side == side)
    return out


def _tells_blur(found: RowEdges) -> Mask:
    """Clear edges between bright and dark: a change of colour alone is softer, as JPEG keeps colours coarsely."""
    plain = np.abs(found.change.sum(axis=1)) > BRIGHTNESS * math.sqrt(3.0) * np.linalg.norm(found.change, axis=1)
    return np.asarray(np.isfinite(found.blur) & (found.u < CLEAR_EDGE * np.fmax(found.blur, 1.0)) & plain)


def _medians(found: RowEdges, on: list[Mask]) -> Array:
    """Median blur of each side, px; nan where too few rows tell it."""
    clear = _tells_blur(found)
    return np.array([np.median(found.blur[at & clear]) if (at & clear).sum() >= LEAST_ROWS else math.nan for at in on])


def excess_blur(found: RowEdges, on: list[Mask]) -> Array:
    """How far out each side may be by its blur in excess of what the sides have in common, px: a second edge close
    behind the first, such as that of the wire's body, softens a side before it shows, and moves it (`FAINTER`)."""
    usual = _medians(found, on)
    common = float(np.nanmedian(usual)) if np.isfinite(usual).any() else 0.0
    return FAINTER * np.sqrt(np.maximum(np.nan_to_num(usual) ** 2 - (SAME_BLUR_RATIO * common) ** 2, 0.0))


def softer(rows: OutlineRows, found: RowEdges, used: Mask, ratio: float) -> frozenset[Side]:
    """Sides whose blur is more than `ratio` times that of the sharpest quarter of them."""
    sides = tuple(dict.fromkeys((PIECES[p], int(s)) for p, s in zip(rows.piece, rows.side, strict=True)))
    on = [used & on_sides(rows, frozenset([side])) for side in sides]
    usual, clear = _medians(found, on), _tells_blur(found)
    if not np.isfinite(usual).any():
        return frozenset()
    sharp = float(np.nanquantile(usual, 0.25))
    told = [bool((at & clear).sum() >= MOST * at.sum()) for at in on]
    soft = np.nan_to_num(usual) > ratio * sharp
    return frozenset(side for side, s, t in zip(sides, soft, told, strict=True) if s and t)
