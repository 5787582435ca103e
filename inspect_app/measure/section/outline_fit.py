"""The section of a wire from the edges of its cut face: crown width, height and radius, flat, tang.

The shape is fitted to edges placed to a fraction of a pixel; what all edges of one side share besides noise (its
definition, a burr, a body half hidden behind it) moves that side as a whole and is carried as such.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calib.photo import Photo
from calib.plane import Plane
from calib.robust_spread import spread_about_zero
from inspect_app.measure.edge_definition import definition_px
from inspect_app.measure.section.body_strip import takes_in_body
from inspect_app.measure.section.face_edges import (
    ALONG_MM,
    MARGIN_MM,
    OutlineRows,
    Rank,
    RowEdges,
    SearchReach,
    Texture,
    find_edges,
    innermost,
    nearest,
    persistence,
    place_edges,
    sample_rows,
    texture_of,
)
from inspect_app.measure.section.focus import SOFTER, TWO_EDGES_RATIO, Side, excess_blur, on_sides, softer
from inspect_app.measure.section.wire_outline import NAMES, PIECES, Piece, WireShape

__all__ = ["FittedSection", "fit_face"]

Array = NDArray[np.float64]

FIRST = (SearchReach(0.13, 0.08), SearchReach(0.2, 0.08))
"""How far edges are looked for at first, and how far if that leads nowhere: a patch may have taken in a narrow part of
the body beside the face. Further in lie scratches, and rows from a tang's sides reach its middle at 0.25 mm."""
THEN = (SearchReach(0.06, 0.06), SearchReach(0.03, 0.03), SearchReach(0.03, 0.03))
"""How far in the rounds that follow: fits are good to a few hundredths then."""
INNER_REACH = SearchReach(0.2, -MARGIN_MM)
"""Where an edge inside the outline is looked for in the end."""
TOP_SHARE = 0.3
"""The top of the arc: so much of its radius to either side, a third of an everyday crown."""
GATES_MM, STRAY_SCATTERS = (0.05, 0.03, 0.02, 0.015), 4.0
"""Edges further from the fit than this, or than four times the usual scatter, are not the shape's: barbs, scratches."""
LEAST_SCATTER_MM = 0.001
"""Scatter (1.48 MAD) below which no edge is left out on its account: a tenth of a pixel at 100 px to the millimetre."""
CLEAR_MM = 0.05
"""Left out beside corners: they are rounded by the file, and by the blur."""
BLURS_CLEAR = 3.0
"""The same in blurs: three standard deviations on, nothing is left of a corner's."""
TILT_PRIOR = math.radians(3.0)
"""Standard deviation of the slope of a flat against the underside: files and strings wear nearly level (no source)."""
PATCH_U_MM = 0.3
"""What a piece none of whose edges is seen is still known to from the patch: keeps a fit from running away."""
LEAST_CUT_MM = 0.002
"""Flats cut less deep than this are not told from the arc: the chord is then 0.1 to 0.15 mm wide, three rows."""
MAYBE_ROUND_CUT_MM = 0.03
"""A flat cut less deep than twice what the last edges may be off is held against a round crown."""
MAYBE_ROUND_SHARE = 0.03
"""Such a flat is sure when it shows more of the outline by this: as many rows as a piece needs, and a few more."""
LEAST_ROWS = 5
"""A side of the outline is seen when at least so many rows, 0.2 mm, show its edge."""
HALF = 0.5
"""Inside a face its tone differs from place to place by less than half of what it differs from outside; and most of a
piece's rows are more than half of them, and an edge's change of tone lasts for more than half."""


@dataclass(frozen=True)
class FittedSection:
    """A face with its shape fitted.

    Attributes
    ----------
    shape : WireShape
    cov : ndarray of float, shape (P, P)
        Covariance of the shape's free parameters from the scatter of the edges.
    sides : tuple of (str, int)
        Pieces of the outline with their side: -1 left, 1 right, 0 both.
    by_side : ndarray of float, shape (S, P)
        Change of the free parameters for each of `sides` moved outwards, per mm.
    scatter : ndarray of float, shape (S,)
        Scatter of the edges of each of `sides` about the shape (1.48 MAD), mm; nan where none is seen. With what
        may be hidden in its blur, and in the slant of the foot.
    shown : ndarray of float, shape (S,)
        Share of the rows of each of `sides` that show its edge.
    rows : ndarray of int, shape (S,)
        How many rows that are.
    support : float
        Share of all rows that do.
    blur_px, px_per_mm : float
    u_body : ndarray of float, shape (S,)
        Standard uncertainty of each of `sides` that the wire's body may hide, mm; alike for both sides of a piece.
    maybe_round : bool
        Whether the crown may as well be round.
    soft, blurred : frozenset of (str, int)
        Those of `sides` that are softer than the sharpest, and those so much that they are out of the face's plane.
    hidden : frozenset of (str, int)
        Those of `sides` that the body hides: none of their rows counts, for or against.
    """

    shape: WireShape
    cov: Array
    sides: tuple[Side, ...]
    by_side: Array
    scatter: Array
    shown: Array
    rows: NDArray[np.intp]
    support: float
    blur_px: float
    px_per_mm: float
    u_body: Array
    maybe_round: bool = False
    soft: frozenset[Side] = frozenset()
    blurred: frozenset[Side] = frozenset()
    hidden: frozenset[Side] = frozenset()


def fit_face(
    photo: Photo, plane: Plane, shape: WireShape, first: SearchReach, rank: Rank = innermost
) -> FittedSection | None:
    """Fit a shape to the face's edges, those of highest `rank` in the first round and then the nearest; None when it
    slips away or another outline lies within.

    Where sides are softer than the face's edges are, the shape is fitted to the sharp ones, and the edges that are
    where these put them are read again; what is not seen there is hidden by the body.
    """
    fitted = _fit_sides(photo, plane, shape, first, rank)
    if fitted is None or not fitted.soft:
        return fitted
    # a body that shows beside a crown's arc shows beside the tang on the same hand too
    hands = {side for piece, side in fitted.soft if piece == "arc"}
    left_out = frozenset({s for s in fitted.soft if s[1]} | {("side", side) for side in hands})
    other = _fit_sides(photo, plane, fitted.shape, THEN[0], rank, left_out) if left_out else None
    if other is None:
        return _hiding(fitted, fitted.blurred)
    if _agree(fitted.shape, other, left_out):
        return _hiding(fitted, fitted.blurred - left_out)
    again = _fit_sides(photo, plane, other.shape, THEN[-1], rank)
    if again is not None and _as_mirrored(again, left_out):
        return _hiding(again, again.blurred - left_out)
    return _hiding(other, left_out | other.blurred)


def _agree(shape: WireShape, other: FittedSection, sides: frozenset[Side]) -> bool:
    """Whether a shape has the sides where another puts them that was fitted without them, within its U (95 %)."""
    for piece, side, at in shape.chain(ALONG_MM):
        if (piece, side) in sides:
            kind = np.full(len(at), PIECES.index(piece), dtype=np.intp)
            by = other.shape.slopes(at, kind)[:, other.shape.free].mean(axis=0)
            aside = np.hypot(definition_px(other.blur_px) / other.px_per_mm, np.nan_to_num(other.scatter))
            u = math.sqrt(float(by @ other.cov @ by + np.sum((other.by_side @ by * aside) ** 2)))
            if abs(float(other.shape.distance(at, kind).mean())) > 2.0 * u:
                return False
    return True


def _as_mirrored(fitted: FittedSection, sides: frozenset[Side]) -> bool:
    """Whether the sides show their edges where the shape has them, half as much as those across from them or more."""
    shown = dict(zip(fitted.sides, fitted.shown, strict=True))
    return all(shown.get((p, s), 0.0) >= HALF * shown.get((p, -s), 1.0) for p, s in sides)


def _fit_sides(
    photo: Photo,
    plane: Plane,
    shape: WireShape,
    first: SearchReach,
    rank: Rank,
    left_out: frozenset[Side] = frozenset(),
) -> FittedSection | None:
    """The shape fitted to the edges of all sides but those `left_out`; its soft sides are only named."""
    begun, clear = shape, CLEAR_MM
    rows = sample_rows(photo, plane, shape, first, clear)
    texture = texture_of(rows, first.inside - MARGIN_MM)
    found = find_edges(rows, texture, first, rank)
    for reach, gate in zip((None, *THEN), GATES_MM, strict=True):
        if reach is not None:
            rows = sample_rows(photo, plane, shape, reach, clear)
            found = place_edges(rows, texture, find_edges(rows, texture, reach, nearest))
            clear = max(CLEAR_MM, BLURS_CLEAR * np.nan_to_num(found.blur_px) / rows.px_per_mm)
        found = replace(found, valid=found.valid & ~on_sides(rows, left_out))
        mm = plane.to_mm(rows.px + rows.normal * found.at[:, None])
        u = np.hypot(np.where(found.valid, found.u, 0.0) / rows.px_per_mm, LEAST_SCATTER_MM)
        fit = _fit(shape, mm, rows.piece, found.valid, u, gate)
        if fit is None:
            return None
        shape, used = fit
    narrow = math.dist(*shape.flat_ends()) < 2.0 * clear + LEAST_ROWS * ALONG_MM
    if shape.worn and (narrow or _share(used, rows.piece == PIECES.index("flat")) < HALF):
        return _fit_sides(photo, plane, replace(begun, worn=False), first, rank, left_out)
    used &= _has_face_tone(rows, found, texture)
    sound = _both_sides(rows, used, left_out) and _top_seen(shape, mm, rows, used, left_out)
    if not sound or _has_edge_inside(sample_rows(photo, plane, shape, INNER_REACH, clear), texture):
        return None
    if takes_in_body(photo, plane, shape, clear):
        return None
    fitted = _with_uncertainty(shape, mm, rows, used, u, found, left_out)
    soft, blurred = (softer(rows, found, used, ratio) for ratio in (SOFTER, TWO_EDGES_RATIO))
    fitted = replace(fitted, soft=soft, blurred=blurred)
    if shape.worn and shape.arc_centre + shape.radius - shape.flat_height < MAYBE_ROUND_CUT_MM:
        unworn = _fit_sides(photo, plane, replace(begun, worn=False), first, rank, left_out)
        if unworn is not None and unworn.support >= fitted.support:
            return unworn
        return replace(fitted, maybe_round=unworn is not None and fitted.support - unworn.support < MAYBE_ROUND_SHARE)
    return fitted


def _hiding(fitted: FittedSection, hidden: frozenset[Side]) -> FittedSection:
    """The same with sides whose rows count no more, for or against."""
    counts = np.array([side not in hidden for side in fitted.sides])
    all_rows = np.round(fitted.rows / np.maximum(fitted.shown, 1e-9))
    rows = np.where(counts, fitted.rows, 0)
    support = float(rows.sum()) / max(1.0, float(all_rows[counts].sum()))
    shown = np.where(counts, fitted.shown, 0.0)
    return replace(fitted, hidden=hidden, rows=rows, shown=shown, support=support)


def _share(used: NDArray[np.bool_], of: NDArray[np.bool_]) -> float:
    return float(used[of].mean()) if of.any() else 0.0


def _both_sides(rows: OutlineRows, used: NDArray[np.bool_], hidden: frozenset[Side]) -> bool:
    """Whether both sides of arc, underside and tang are where symmetry puts them: else the outline is another's."""
    pieces: tuple[Piece, ...] = ("arc", "underside", "side")
    return all(
        int(np.sum(used & on_sides(rows, frozenset([(name, side)])))) >= LEAST_ROWS
        for name in pieces
        for side in (-1, 1)
        if (name, side) not in hidden
    )


def _top_seen(shape: WireShape, mm: Array, rows: OutlineRows, used: NDArray[np.bool_], hidden: frozenset[Side]) -> bool:
    """Whether a round crown's top is seen where the arc puts it: else it may have a flat below what is seen there.

    Without it nobody knows how high the crown is.
    """
    if shape.worn:
        return True
    at_top = (rows.piece == PIECES.index("arc")) & (np.abs(shape.to_wire(mm)[:, 0]) < TOP_SHARE * shape.radius)
    return _share(used, at_top & ~on_sides(rows, hidden)) >= HALF


def _has_edge_inside(rows: OutlineRows, texture: Texture) -> bool:
    """Whether along one side of the outline most rows show an edge at one depth inside it: the face lies further in."""
    found = find_edges(rows, texture, INNER_REACH, innermost)
    step = found.valid & (persistence(rows, found) > HALF)
    depth = np.where(step, -found.at / rows.px_per_mm, 1e3 * (1.0 + np.arange(len(found.valid))))  # far apart
    for piece, side in {(int(p), int(s)) for p, s in zip(rows.piece, rows.side, strict=True)}:
        here = np.sort(depth[(rows.piece == piece) & (rows.side == side)])
        most = len(here) // 2
        if len(here) > LEAST_ROWS and np.min(here[most:] - here[: len(here) - most], initial=math.inf) < GATES_MM[1]:
            return True
    return False


def _fit(
    shape: WireShape, mm: Array, piece: NDArray[np.intp], seen: NDArray[np.bool_], u: Array, gate: float
) -> tuple[WireShape, NDArray[np.bool_]] | None:
    """Least squares, first counting far points little, then without them: shape and points used; None if too few."""
    shape = _without_flat(shape, seen & (piece == PIECES.index("flat")))
    used = seen & (shape.worn | (piece != PIECES.index("flat")))
    values = shape.params[shape.free]
    start = values
    for k in range(4):
        if not _is_held_in_place(piece, used):
            return None

        def off(v: Array, at: NDArray[np.bool_] = used) -> Array:
            now = shape.with_free(v)
            held = (v - start) / PATCH_U_MM
            return np.concatenate([now.distance(mm[at], piece[at]) / u[at], held, [now.flat_slope / TILT_PRIOR]])

        def by(v: Array, at: NDArray[np.bool_] = used) -> Array:
            off = shape.with_free(v).slopes(mm[at], piece[at])[:, shape.free] / u[at, None]
            tilt = (shape.free == NAMES.index("flat_slope")) / TILT_PRIOR
            return np.vstack([off, np.eye(len(v)) / PATCH_U_MM, tilt])

        loss, far = ("linear", 1.0) if k else ("soft_l1", gate / STRAY_SCATTERS / LEAST_SCATTER_MM)
        fit = least_squares(off, values, by, x_scale="jac", loss=loss, f_scale=far, ftol=1e-6, max_nfev=40)
        values, before = fit.x, used
        r = np.abs(shape.with_free(values).distance(mm, piece))
        used = seen & (r < np.minimum(gate, STRAY_SCATTERS * _scatter(r, piece, used)))
        if k and np.array_equal(used, before):
            break
    return shape.with_free(values), used


def _is_held_in_place(piece: NDArray[np.intp], used: NDArray[np.bool_]) -> bool:
    """Whether so much is seen that the shape stays in its place: some of the arc, the underside and the sides."""
    return all(int(np.sum(used & (piece == PIECES.index(name)))) >= LEAST_ROWS for name in ("arc", "underside", "side"))


def _without_flat(shape: WireShape, on_flat: NDArray[np.bool_]) -> WireShape:
    cut = shape.arc_centre + shape.radius - shape.flat_height
    return shape if shape.worn and on_flat.sum() >= LEAST_ROWS and cut > LEAST_CUT_MM else replace(shape, worn=False)


def _scatter(r: Array, piece: NDArray[np.intp], used: NDArray[np.bool_]) -> Array:
    """For every point the scatter (1.48 MAD) of its piece, at least `LEAST_SCATTER_MM`."""
    out = np.full(len(r), LEAST_SCATTER_MM)
    for k in range(len(PIECES)):
        at = (piece == k) & used
        if at.any():
            out[piece == k] = max(LEAST_SCATTER_MM, float(spread_about_zero(r[at])))
    return out


def _has_face_tone(rows: OutlineRows, found: RowEdges, texture: Texture) -> NDArray[np.bool_]:
    """Where the tone inside the edge is the face's own rather than something else's."""
    inner = rows.light[:, rows.offsets < -MARGIN_MM * rows.px_per_mm].mean(axis=1)
    usual = np.nanmedian(inner[found.valid], axis=0)
    return np.asarray(np.sqrt(np.nan_to_num(texture.size(inner - usual))) < HALF * found.strength)


def _with_uncertainty(
    shape: WireShape,
    mm: Array,
    rows: OutlineRows,
    used: NDArray[np.bool_],
    u: Array,
    found: RowEdges,
    hidden: frozenset[Side],
) -> FittedSection:
    r = shape.distance(mm, rows.piece)
    sides = tuple(dict.fromkeys((PIECES[p], int(s)) for p, s in zip(rows.piece, rows.side, strict=True)))
    on = [(rows.piece == PIECES.index(p)) & (rows.side == s) for p, s in sides]
    jacobian = shape.slopes(mm[used], rows.piece[used])[:, shape.free] / u[used, None]
    known = np.full(jacobian.shape[1], 1.0 / PATCH_U_MM**2)
    if shape.worn:
        known[NAMES.index("flat_slope")] = 1.0 / TILT_PRIOR**2
    normal = np.asarray(np.linalg.inv(jacobian.T @ jacobian + np.diag(known)), dtype=np.float64)
    excess = max(1.0, float(np.sum((r[used] / u[used]) ** 2)) / max(1, int(used.sum()) - len(shape.free)))
    by_side = np.array([-normal @ (jacobian.T @ (at[used] / u[used])) for at in on])
    scatter = np.array([spread_about_zero(r[at & used]) if (at & used).any() else math.nan for at in on])
    foot = np.array([piece == "bottom" for piece, _ in sides])
    scatter = np.hypot(scatter, excess_blur(found, [at & used for at in on]) / rows.px_per_mm)
    scatter[foot] = np.hypot(
        scatter[foot], _foot_slant(shape, mm, r, found.valid & (rows.piece == PIECES.index("bottom")))
    )
    count = np.array([int((at & used).sum()) for at in on])
    share = count / np.array([at.sum() for at in on])
    support = _share(used, ~on_sides(rows, hidden))
    return FittedSection(
        shape,
        normal * excess,
        sides,
        by_side,
        scatter,
        share,
        count,
        support,
        found.blur_px,
        rows.px_per_mm,
        np.zeros(len(sides)),
        hidden=hidden,
    )


def _foot_slant(shape: WireShape, mm: Array, r: Array, on_foot: NDArray[np.bool_]) -> float:
    """How far a foot that is seen aslant is from its own middle, mm: rectangular over its width.

    The other pieces have a slope of their own; a foot aslant is cut so, or is the body's behind it.
    """
    near = on_foot & (np.abs(r) < GATES_MM[1])
    if near.sum() < LEAST_ROWS:
        return 0.0
    slope = float(np.polyfit(shape.to_wire(mm[near])[:, 0], r[near], 1)[0])
    return abs(slope) * shape.half_tang / math.sqrt(3.0)
