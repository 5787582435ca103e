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
from calib.scales.base import Scale
from inspect_app.measure.section.edge import (
    ALONG_MM,
    MARGIN_MM,
    Found,
    Reach,
    Rows,
    Texture,
    find_edges,
    lasting,
    look_across,
    place_edges,
    texture_of,
)
from inspect_app.measure.section.face import find_faces
from inspect_app.measure.section.shape import NAMES, PIECES, WireShape

__all__ = ["SeenSection", "see_section", "settle"]

Array = NDArray[np.float64]

FIRST = (Reach(0.13, 0.08, True), Reach(0.2, 0.08, True))
"""How far edges are looked for at first, and how far if that leads nowhere: a patch may have taken in a narrow part of
the body beside the face. Further in lie scratches, and rows from a tang's sides reach its middle at 0.25 mm."""
THEN = (Reach(0.06, 0.06), Reach(0.03, 0.03), Reach(0.03, 0.03))
"""How far in the rounds that follow: fits are good to a few hundredths then."""
WITHIN = Reach(0.2, -MARGIN_MM, True)
"""Where an edge inside the outline is looked for in the end."""
TOP_SHARE = 0.3
"""The top of the arc: so much of its radius to either side, a third of an everyday crown."""
GATES_MM = (0.05, 0.03, 0.02, 0.015)
"""Edges further from the fit than this, or than four times the usual scatter, are not the shape's: barbs, scratches."""
LEAST_SCATTER_MM = 0.001
"""Scatter (1.48 MAD) below which no edge is left out on its account: a tenth of a pixel at 100 px to the millimetre."""
CLEAR_MM = 0.05
"""Left out beside corners: they are rounded by the file, and by the blur."""
BLURS_CLEAR = 3.0
TILT_PRIOR = math.radians(3.0)
"""Standard deviation of the slope of a flat against the underside: files and strings wear nearly level (no source)."""
PATCH_U_MM = 0.3
"""What a piece none of whose edges is seen is still known to from the patch: keeps a fit from running away."""
LEAST_CUT_MM = 0.002
"""Flats cut less deep than this are not told from the arc: the chord is then 0.1 to 0.15 mm wide, three rows."""
DOUBTFUL_CUT_MM = 0.03
"""A flat cut less deep than twice what the last edges may be off is held against a round crown."""
DOUBTFUL_SHARE = 0.03
"""Such a flat is sure when it shows more of the outline by this: as many rows as a piece needs, and a few more."""
LEAST_ROWS = 5
"""A side of the outline is seen when at least so many rows, 0.2 mm, show its edge."""
HALF = 0.5
"""Inside a face its tone differs from place to place by less than half of what it differs from outside; and most of a
piece's rows are more than half of them, and an edge's change of tone lasts for more than half."""
CLEAR_EDGE_PX = 0.1
"""Standard uncertainty of an edge's place up to which its blur is known too, to a fifth or better."""
BRIGHTNESS = 0.95
"""Cosine between a change and grey from which it is one of brightness: a tint of a third beside it."""
ALIKE = 1.1
"""Sides of one sharpness differ by less than this factor: medians of a dozen rows and more, each good to a fifth."""
CANDIDATES = 4
SHOWN_IF_SO, SHOWN_BY_CHANCE = 0.9, 0.3
"""Share of rows that show an edge in its place: on the face's own outline all but the barbs' and a few; on another
outline those that it shares with the face, and scratches."""
BEYOND_DOUBT = 0.8
"""Share from which, with its foot, an outline needs no comparison: another thing's shares two thirds of it at most."""
MIN_SUPPORT = 0.6
"""Least share of the outline with an edge in its place and the face's tone inside: barbs take a tenth to a fifth of it,
and a wrong patch has the face's edges on two thirds of its outline at most when one of its sides is another thing's."""


@dataclass(frozen=True)
class SeenSection:
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
    seen : ndarray of float, shape (S,)
        Share of the rows of each of `sides` that show its edge.
    rows : ndarray of int, shape (S,)
        How many rows that are.
    support : float
        Share of all rows that do.
    blur_px, px_per_mm : float
    doubtful : bool
        Whether the crown may as well be round.
    """

    shape: WireShape
    cov: Array
    sides: tuple[tuple[str, int], ...]
    by_side: Array
    scatter: Array
    seen: Array
    rows: NDArray[np.intp]
    support: float
    blur_px: float
    px_per_mm: float
    doubtful: bool = False


def see_section(photo: Photo, scale: Scale, plane: Plane) -> SeenSection | None:
    """The face of the wire in a photo, or None when nothing has its shape."""
    faces = find_faces(photo, scale, plane)[:CANDIDATES]
    for first in FIRST:
        settled: list[SeenSection] = []
        for face in faces:
            seen = settle(photo, plane, face.shape, first)
            if seen is not None and seen.support >= MIN_SUPPORT:
                settled.append(seen)
                if seen.support >= BEYOND_DOUBT and _evidence(seen)[0]:
                    return seen
        if settled:
            return max(settled, key=_evidence)
    return None


def _evidence(seen: SeenSection) -> tuple[bool, float]:
    """Whether the tang's foot is seen, and the log of how much likelier the outline's rows are if it is the face's.

    A tang may end anywhere along its sides without a row to tell against it, but for those of its foot.
    """
    foot = [float(s) for (piece, _), s in zip(seen.sides, seen.seen, strict=True) if piece == "bottom"]
    yes = float(np.sum(seen.rows))
    no = yes / seen.support - yes
    weight = yes * math.log(SHOWN_IF_SO / SHOWN_BY_CHANCE)
    return max(foot, default=0.0) >= HALF, weight + no * math.log((1.0 - SHOWN_IF_SO) / (1.0 - SHOWN_BY_CHANCE))


def settle(photo: Photo, plane: Plane, shape: WireShape, first: Reach) -> SeenSection | None:
    """Fit a shape to the face's edges, round after round; None when it slips away or another outline lies within."""
    begun, clear, texture = shape, CLEAR_MM, None
    for reach, gate in zip((first, *THEN), GATES_MM, strict=True):
        rows = look_across(photo, plane, shape, reach, clear)
        texture = texture or texture_of(rows, reach.inside - MARGIN_MM)
        found = find_edges(rows, texture, reach)
        if not reach.innermost:
            found = place_edges(rows, texture, found)
            clear = max(CLEAR_MM, BLURS_CLEAR * np.nan_to_num(found.blur_px) / rows.px_per_mm)
        mm = plane.to_mm(rows.px + rows.normal * found.at[:, None])
        u = np.hypot(np.where(found.seen, found.u, 0.0) / rows.px_per_mm, LEAST_SCATTER_MM)
        shape, used, jacobian = _fit(shape, mm, rows.piece, found.seen, u, gate)
        if jacobian is None:
            return None
    narrow = math.dist(*shape.flat_ends()) < 2.0 * clear + LEAST_ROWS * ALONG_MM
    assert texture is not None
    if shape.worn and (narrow or _share(used, rows.piece == PIECES.index("flat")) < HALF):
        return settle(photo, plane, WireShape(begun.params, False), first)
    used &= _even(rows, found, texture)
    sound = _both_sides(rows, used) and _top_seen(shape, mm, rows, found)
    if not sound or _is_crossed(look_across(photo, plane, shape, WITHIN, clear), texture):
        return None
    seen = _sum_up(shape, mm, rows, used, u, found)
    if shape.worn and shape["centre"] + shape["radius"] - shape["top"] < DOUBTFUL_CUT_MM:
        unworn = settle(photo, plane, WireShape(begun.params, False), first)
        if unworn is not None and unworn.support >= seen.support:
            return unworn
        return replace(seen, doubtful=unworn is not None and seen.support - unworn.support < DOUBTFUL_SHARE)
    return seen


def _share(used: NDArray[np.bool_], of: NDArray[np.bool_]) -> float:
    return float(used[of].mean()) if of.any() else 0.0


def _both_sides(rows: Rows, used: NDArray[np.bool_]) -> bool:
    """Whether both sides of arc, underside and tang are where symmetry puts them: else the outline is another's."""
    return all(
        int(np.sum(used & (rows.piece == PIECES.index(name)) & (rows.side == side))) >= LEAST_ROWS
        for name in ("arc", "underside", "side")
        for side in (-1, 1)
    )


def _top_seen(shape: WireShape, mm: Array, rows: Rows, found: Found) -> bool:
    """Whether a round crown's top is seen where the arc puts it, or outside, as the body shows it: a flat lies inside.

    Without it nobody knows how high the crown is.
    """
    if shape.worn:
        return True
    at_top = (rows.piece == PIECES.index("arc")) & (np.abs(shape.to_wire(mm)[:, 0]) < TOP_SHARE * shape["radius"])
    return _share(found.seen & (shape.distance(mm, rows.piece) > -GATES_MM[-1]), at_top) >= HALF


def _is_crossed(rows: Rows, texture: Texture) -> bool:
    """Whether along one side of the outline most rows show an edge at one depth inside it: the face lies further in."""
    found = find_edges(rows, texture, WITHIN)
    step = found.seen & (lasting(rows, found) > HALF)
    depth = np.where(step, -found.at / rows.px_per_mm, 1e3 * (1.0 + np.arange(len(found.seen))))  # far apart
    for piece, side in {(int(p), int(s)) for p, s in zip(rows.piece, rows.side, strict=True)}:
        here = np.sort(depth[(rows.piece == piece) & (rows.side == side)])
        most = len(here) // 2
        if len(here) > LEAST_ROWS and np.min(here[most:] - here[: len(here) - most], initial=math.inf) < GATES_MM[1]:
            return True
    return False


def _fit(
    shape: WireShape, mm: Array, piece: NDArray[np.intp], seen: NDArray[np.bool_], u: Array, gate: float
) -> tuple[WireShape, NDArray[np.bool_], Array | None]:
    """Least squares, first counting far points little, then without them: shape, points used, Jacobian over u."""
    shape = _without_flat(shape, seen & (piece == PIECES.index("flat")))
    used = seen & (shape.worn | (piece != PIECES.index("flat")))
    values, jacobian = shape.params[shape.free], None
    start = values
    for k in range(4):
        if not _enough(piece, used):
            return shape, used, None

        def off(v: Array, at: NDArray[np.bool_] = used) -> Array:
            now = shape.with_free(v)
            held = (v - start) / PATCH_U_MM
            return np.concatenate([now.distance(mm[at], piece[at]) / u[at], held, [now["tilt"] / TILT_PRIOR]])

        loss, far = ("linear", 1.0) if k else ("soft_l1", gate / 4.0 / LEAST_SCATTER_MM)
        fit = least_squares(off, values, x_scale="jac", loss=loss, f_scale=far, ftol=1e-6, max_nfev=40)
        values, jacobian, before = fit.x, fit.jac, used
        r = np.abs(shape.with_free(values).distance(mm, piece))
        used = seen & (r < np.minimum(gate, 4.0 * _scatter(r, piece, used)))
        if k and np.array_equal(used, before):
            break
    return shape.with_free(values), used, jacobian


def _enough(piece: NDArray[np.intp], used: NDArray[np.bool_]) -> bool:
    """Whether so much is seen that the shape stays in its place: some of the arc, the underside and the sides."""
    return all(int(np.sum(used & (piece == PIECES.index(name)))) >= LEAST_ROWS for name in ("arc", "underside", "side"))


def _without_flat(shape: WireShape, on_flat: NDArray[np.bool_]) -> WireShape:
    cut = shape["centre"] + shape["radius"] - shape["top"]
    return (
        shape if shape.worn and on_flat.sum() >= LEAST_ROWS and cut > LEAST_CUT_MM else WireShape(shape.params, False)
    )


def _scatter(r: Array, piece: NDArray[np.intp], used: NDArray[np.bool_]) -> Array:
    """For every point the scatter (1.48 MAD) of its piece, at least `LEAST_SCATTER_MM`."""
    out = np.full(len(r), LEAST_SCATTER_MM)
    for k in range(len(PIECES)):
        at = (piece == k) & used
        if at.any():
            out[piece == k] = max(LEAST_SCATTER_MM, 1.4826 * float(np.median(r[at])))
    return out


def _even(rows: Rows, found: Found, texture: Texture) -> NDArray[np.bool_]:
    """Where the tone inside the edge is the face's own rather than something else's."""
    inner = rows.light[:, rows.offsets < -MARGIN_MM * rows.px_per_mm].mean(axis=1)
    usual = np.nanmedian(inner[found.seen], axis=0)
    return np.asarray(np.sqrt(np.nan_to_num(texture.size(inner - usual))) < HALF * found.strength)


def _sum_up(shape: WireShape, mm: Array, rows: Rows, used: NDArray[np.bool_], u: Array, found: Found) -> SeenSection:
    r = shape.distance(mm, rows.piece)
    sides = tuple(dict.fromkeys((PIECES[p], int(s)) for p, s in zip(rows.piece, rows.side, strict=True)))
    on = [(rows.piece == PIECES.index(p)) & (rows.side == s) for p, s in sides]
    jacobian = _jacobian(shape, mm[used], rows.piece[used]) / u[used, None]
    known = np.full(jacobian.shape[1], 1.0 / PATCH_U_MM**2)
    if shape.worn:
        known[NAMES.index("tilt")] = 1.0 / TILT_PRIOR**2
    normal = np.asarray(np.linalg.inv(jacobian.T @ jacobian + np.diag(known)), dtype=np.float64)
    excess = max(1.0, float(np.sum((r[used] / u[used]) ** 2)) / max(1, int(used.sum()) - len(shape.free)))
    by_side = np.array([-normal @ (jacobian.T @ (at[used] / u[used])) for at in on])
    scatter = np.array([1.4826 * np.median(np.abs(r[at & used])) if (at & used).any() else math.nan for at in on])
    foot = np.array([piece == "bottom" for piece, _ in sides])
    scatter = np.hypot(scatter, _hidden(found, [at & used for at in on]) / rows.px_per_mm)
    scatter[foot] = np.hypot(scatter[foot], _slant(shape, mm, r, found.seen & (rows.piece == PIECES.index("bottom"))))
    count = np.array([int((at & used).sum()) for at in on])
    share = count / np.array([at.sum() for at in on])
    support = float(used.sum()) / len(used)
    return SeenSection(
        shape, normal * excess, sides, by_side, scatter, share, count, support, found.blur_px, rows.px_per_mm
    )


def _hidden(found: Found, on: list[NDArray[np.bool_]]) -> Array:
    """Blur of each side in excess of what the sides have in common, px: a second edge close behind the first, such as
    that of the wire's body, softens a side before it shows, and moves it by about as much.

    Only of clear edges between bright and dark: a change of colour alone is softer, as JPEG keeps colours coarsely.
    """
    plain = np.abs(found.change.sum(axis=1)) > BRIGHTNESS * math.sqrt(3.0) * np.linalg.norm(found.change, axis=1)
    clear = np.isfinite(found.blur) & (found.u < CLEAR_EDGE_PX) & plain
    usual = [float(np.median(found.blur[at & clear])) if (at & clear).sum() >= LEAST_ROWS else math.nan for at in on]
    common = float(np.nanmedian(usual)) if np.isfinite(usual).any() else 0.0
    return np.sqrt(np.maximum(np.nan_to_num(usual) ** 2 - (ALIKE * common) ** 2, 0.0))


def _slant(shape: WireShape, mm: Array, r: Array, on_foot: NDArray[np.bool_]) -> float:
    """How far a foot that is seen aslant is from its own middle, mm: rectangular over its width.

    The other pieces have a slope of their own; a foot aslant is cut so, or is the body's behind it.
    """
    near = on_foot & (np.abs(r) < GATES_MM[1])
    if near.sum() < LEAST_ROWS:
        return 0.0
    slope = float(np.polyfit(shape.to_wire(mm[near])[:, 0], r[near], 1)[0])
    return abs(slope) * shape["half_tang"] / math.sqrt(3.0)


def _jacobian(shape: WireShape, mm: Array, piece: NDArray[np.intp]) -> Array:
    """Derivatives of the residuals by the free parameters, central differences, shape (N, P)."""
    values, step = shape.params[shape.free], 1e-5
    moves = step * np.eye(len(values))
    return np.column_stack(
        [
            (shape.with_free(values + d).distance(mm, piece) - shape.with_free(values - d).distance(mm, piece))
            / (2.0 * step)
            for d in moves
        ]
    )
