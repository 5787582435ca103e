"""The strip of a wire's body that shows beside its cut face, and where it would hide the face's own edge.

A wire that is not held straight along the line of sight shows its body as a strip on one side of the face. Its far
outline is the face's, shifted and a little smaller: a place P of the outline, with normal n, has a strip as wide as
``(d + s (P - centre)) . n`` where that is positive. The crown's arc and the tang's sides, where strip and face mostly
differ in tone, tell d; the underside lies in the shade, where the strip may have the face's own tone: then the edge
seen is the body's."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from inspect_app.measure.section.face_edges import (
    OutlineRows,
    RowEdges,
    SearchReach,
    find_edges,
    innermost,
    outermost,
    persistence,
    sample_rows,
    texture_of,
)
from inspect_app.measure.section.wire_outline import PIECES, Piece, WireShape

__all__ = ["Strip", "takes_in_body", "unseen_strips"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WIDEST_MM = 0.4
"""How far beside the face its body's outline is looked for: 8 mm of wire turned by 3 degrees."""
LEAST_MM = 0.02
"""Narrower strips are not told from the edge itself; an outline is the body's up to so far from where it should be, as
it is soft and rough."""
LIT: tuple[Piece, ...] = ("arc", "side")
SHADED: tuple[Piece, ...] = ("underside", "bottom")
"""Pieces whose strip tells its shift, and those where it may have the face's tone (a flat's shows beside the arc's)."""
INSIDE_MM = 0.1
"""The face's texture is that from so far inside its edge on."""
SHRINK, SHRINK_U = -0.02, 0.02
"""How much smaller the far outline is, and its standard uncertainty: 4 mm of wire at 200 mm, none to 8 (no source)."""
LEAST_ROWS = 10
"""Fewest rows that must show a strip: two tell its direction, and others must agree."""
TRIED = 24
"""Rows whose pairs are tried as the strip's direction: 276."""
LEAST_TURNED = 0.2
"""Sine of the angle between two rows' normals under which they don't tell a direction."""
MOST_OF_IT = 0.5
"""Share of the rows that a strip crosses which must show it, else it is something else that lies there."""


class Strip(NamedTuple):
    """Width of a strip and its standard uncertainty, mm."""

    width: float
    u: float


def unseen_strips(photo: Photo, plane: Plane, shape: WireShape, clear_mm: float) -> dict[tuple[str, int], Strip]:
    """Strips below a face, by piece and side, that should be there by what its arc and its sides show, but don't show.

    Parameters
    ----------
    clear_mm : float
        Left out beside corners.
    """
    rows, found = _look_outside(photo, plane, shape, clear_mm, WIDEST_MM)
    shift = _shift(rows, found.at / rows.px_per_mm, found)
    if shift is None:
        return {}
    value, cov = shift
    lever = _lever(rows)
    width, u = lever @ value, np.sqrt(np.einsum("ni,ij,nj->n", lever, cov, lever))
    below = _rows_on(rows, SHADED)
    if (widest := float(np.max((width + 2.0 * u)[below], initial=0.0))) > WIDEST_MM:
        rows, found = _look_outside(photo, plane, shape, clear_mm, widest + LEAST_MM)
    at = found.at / rows.px_per_mm
    step = found.valid & (persistence(rows, found) > MOST_OF_IT)
    strips: dict[tuple[str, int], Strip] = {}
    for piece, side in {(int(p), int(s)) for p, s in zip(rows.piece[below], rows.side[below], strict=True)}:
        here = (rows.piece == piece) & (rows.side == side)
        if width[here].mean() > 0.0 and not _shows_edge(rows, at, here, step, value[:2]):
            strips[PIECES[piece], side] = Strip(float(width[here].mean()), float(u[here].mean()))
    return strips


def _look_outside(
    photo: Photo, plane: Plane, shape: WireShape, clear_mm: float, reach_mm: float
) -> tuple[OutlineRows, RowEdges]:
    """Rows from a face's outline outwards as far as asked, and the outermost edge in each."""
    rows = sample_rows(photo, plane, shape, SearchReach(0.0, reach_mm), clear_mm)
    return rows, find_edges(rows, texture_of(rows, INSIDE_MM), SearchReach(-LEAST_MM, reach_mm), outermost)


def _shows_edge(rows: OutlineRows, at: Array, here: Mask, step: Mask, shift: Array) -> bool:
    """Whether most rows of a piece that the shifted outline crosses show an edge at one distance."""
    if not (here & step).any():
        return False
    along = rows.normal[here].mean(axis=0)[::-1] * [-1.0, 1.0]
    length = float(np.ptp(rows.px[here] @ along)) / rows.px_per_mm
    crossed = max(0.0, 1.0 - abs(float(shift @ along)) / length) * here.sum()
    out = at[here & step]
    together = np.sum(np.abs(out[:, None] - out) < LEAST_MM, axis=1).max()
    return bool(together >= MOST_OF_IT * crossed)


def takes_in_body(photo: Photo, plane: Plane, shape: WireShape, clear_mm: float) -> bool:
    """Whether a strip shows inside an outline: face and body together were taken for the face; as `unseen_strips`."""
    rows = sample_rows(photo, plane, shape, SearchReach(WIDEST_MM, 0.0), clear_mm)
    found = find_edges(rows, texture_of(rows, INSIDE_MM), SearchReach(WIDEST_MM, -LEAST_MM), innermost)
    return _shift(rows, -found.at / rows.px_per_mm, found) is not None


def _rows_on(rows: OutlineRows, names: tuple[Piece, ...]) -> Mask:
    """Rows of the pieces named."""
    return np.isin(rows.piece, [PIECES.index(name) for name in names])


def _lever(rows: OutlineRows) -> Array:
    """What a strip's width changes by with shift and shrinking of the far outline, (N, 3)."""
    from_middle = (rows.px - rows.px.mean(axis=0)) / rows.px_per_mm
    return np.column_stack([rows.normal, np.sum(from_middle * rows.normal, axis=1)])


def _shift(rows: OutlineRows, at: Array, found: RowEdges) -> tuple[Array, Array] | None:
    """Shift (2), mm, and shrinking of the outline that most edges `at` so many mm from this one agree with, with
    covariance; None where they don't."""
    lever, lit = _lever(rows), _rows_on(rows, LIT)
    seen = found.valid & (persistence(rows, found) > MOST_OF_IT) & lit
    seen_at = np.flatnonzero(seen)
    if len(seen_at) < LEAST_ROWS:
        return None
    pick = seen_at[np.unique(np.linspace(0, len(seen_at) - 1, TRIED).astype(int))]
    i, j = (pick[k] for k in np.triu_indices(len(pick), 1))
    pair = np.stack([rows.normal[i], rows.normal[j]], axis=1)
    turned = np.abs(np.linalg.det(pair)) > LEAST_TURNED
    if not turned.any():
        return None
    wide = np.stack([at[i] - SHRINK * lever[i, 2], at[j] - SHRINK * lever[j, 2]], axis=1)
    shifts = np.linalg.solve(pair[turned], wide[turned, :, None])[..., 0]
    tries = np.column_stack([shifts, np.full(len(shifts), SHRINK)])
    agree = seen & (np.abs(tries @ lever.T - at) < LEAST_MM)
    value, agreed = tries[(most := int(agree.sum(axis=1).argmax()))], agree[most]
    prior = np.diag([0.0, 0.0, (LEAST_MM / SHRINK_U) ** 2])
    for _ in range(3):  # rows that agree are settled by then
        weight = lever[agreed].T @ lever[agreed] + prior
        value = np.linalg.solve(weight, lever[agreed].T @ at[agreed] + prior @ [0.0, 0.0, SHRINK])
        agreed = seen & (np.abs(lever @ value - at) < LEAST_MM)
        if agreed.sum() < LEAST_ROWS:
            return None
    crossed = lit & (lever @ value > LEAST_MM)
    if agreed.sum() < MOST_OF_IT * crossed.sum():
        return None
    return value, LEAST_MM**2 * np.linalg.inv(lever[agreed].T @ lever[agreed] + prior)
