"""The dimensions of a fitted section in millimetres, each with its named uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from calib.plane import Plane
from inspect_app.instrument.crown import arc_of
from inspect_app.measure.edge_definition import definition_px
from inspect_app.measure.manual import NOTHING_PLACED, PLACED_U_PX, Placed, marked
from inspect_app.measure.section.by_hand import (
    ARC_HIGH,
    ARC_LOW,
    CROWN,
    FLAT,
    FOOT,
    TANG,
    Mark,
    Marks,
    dimensions_between,
    marks_of,
    with_manual_edges,
)
from inspect_app.measure.section.derivatives import derivatives
from inspect_app.measure.section.face_edges import ALONG_MM
from inspect_app.measure.section.likeliest_fit import LIKELIER_BY_CHANCE
from inspect_app.measure.section.outline_fit import (
    CLEAR_MM,
    HALF,
    LEAST_ROWS,
    STRAY_SCATTERS,
    FittedSection,
)
from inspect_app.measure.section.wire_outline import DIMENSIONS, WireShape
from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import Key, NotMeasured, on_fret
from shared.measured import Contribution, Measured

__all__ = ["measure_dimensions"]

Array = NDArray[np.float64]

FLUSH_MM = 0.8
"""How far the end may stand before or behind the scale when held flush by eye: rectangular, a third of a wire's
width to either side (common practice, no source)."""
END_TILT_U = math.radians(2.0)
"""Standard uncertainty of the end's tilt against the scale, about either axis: filed and held by eye (common practice,
no source)."""
FORESHORTENED = math.sqrt(3.0) / 2.0 * END_TILT_U**2
"""Relative standard uncertainty of a length on such an end seen straight: root mean square of 1 - cos, which is half
the tilt's square."""
SHARPENING_PX = 0.3 / math.sqrt(3.0)
"""Standard uncertainty of a shift outwards that all edges share: sharpening after coding moves an edge between dark and
bright by up to a third of a blur of one pixel, rectangular."""
NARROWEST_MM = 2.0 * CLEAR_MM + LEAST_ROWS * ALONG_MM
"""A narrower flat is not told from the round crown: corners are left out, and five rows are needed between them."""
FLAT_SURE = 4.0
"""A flat's width is told from four times its u: it grows as the root of the depth, which is then twice its own."""
ARC_POINTS = 24
"""Points to each third of the arc as it is drawn: a chord is off it by a few thousandths of a millimetre then."""
NEEDS = {
    "crown_width": ("arc", "underside"),
    "crown_height": ("top", "underside"),
    "crown_radius": ("arc",),
    "flat_width": ("flat", "arc"),
    "tang_width": ("side",),
    "tang_depth": ("underside", "bottom"),
}
"""Pieces of the outline a dimension rests on; ``top`` is the flat where there is one, else the arc."""
LEVEL = ("flat", "underside")
"""Pieces that run along the wire's width, as marks of filing across it do."""
WORDS = {
    "arc": "the crown's arc",
    "underside": "the crown's underside",
    "flat": "the flat",
    "side": "the tang's sides",
    "bottom": "the tang's foot",
}


def measure_dimensions(
    fitted: FittedSection, plane: Plane, n: int, placed: Placed = NOTHING_PLACED
) -> tuple[dict[str, Measured], tuple[Outline, ...], tuple[NotMeasured, ...]]:
    """The `DIMENSIONS` that the photo tells, by name; what they lie between, drawn; and why others are missing.

    Parameters
    ----------
    placed : Placed
        Edges that a person placed, under the names of `by_hand.EDGES`.

    Raises
    ------
    OptionError
        If an edge was placed past the one across from it.
    """
    to_plane = {points: plane.to_mm(points) for parts in placed.values() for points in parts.values()}
    marks = with_manual_edges(fitted.shape, placed, to_plane)
    values, parts = dimensions_between(marks.xz), _contributions(fitted, plane, marks)
    out, missing = {}, []
    for k, name in enumerate(DIMENSIONS):
        sources = tuple(Contribution(source, float(u[k])) for source, u in parts.items() if u[k] > 0.0)
        reason = "" if marks.all_placed(name) else _missing(fitted, name) or _unsure(fitted, name, values[k], sources)
        if reason:
            reason += "; an edge of it was placed by hand: place the others too" * marks.rests_on_placed(name)
            missing.append(NotMeasured(on_fret(n, name), reason))
        else:
            dimension = Measured(float(values[k]), "mm", sources)
            out[name] = marked(dimension) if marks.rests_on_placed(name) else dimension
    return out, draw_section(fitted, marks, plane, n, out), tuple(missing)


def _unsure(fitted: FittedSection, name: str, value: float, sources: tuple[Contribution, ...]) -> str:
    maybe_round = name == "flat_width" and (fitted.maybe_round or value < FLAT_SURE * Measured(value, "mm", sources).u)
    return "if there is one, it can't be told from a round crown" if maybe_round else ""


def _missing(fitted: FittedSection, name: str) -> str:
    """Why a dimension can't be given, or an empty text."""
    if name == "flat_width" and not fitted.shape.worn:
        return f"the crown is round: there is no flat on it wider than {NARROWEST_MM:.2f} mm"
    for need in NEEDS[name]:
        piece = ("flat" if fitted.shape.worn else "arc") if need == "top" else need
        sides = [k for k, side in enumerate(fitted.sides) if side[0] == piece]
        seen = [k for k in sides if fitted.sides[k] not in fitted.hidden]
        if len(seen) < len(sides) and (piece == "side" or not seen):
            return f"{WORDS[piece]} can't be told from the wire's body behind; look straight along the wire"
        bare = piece in ("flat", "underside", "bottom")  # no barb takes a part of it
        if not seen or min(fitted.rows[seen]) < LEAST_ROWS or (bare and min(fitted.shown[seen]) < HALF):
            return f"{WORDS[piece]} can't be told from what is behind it; change the light or the background"
        if any(_is_by_chance(fitted, k) for k in seen):
            return f"{WORDS[piece]} can't be told from marks on the wire's end; file or polish it, or change the light"
    return ""


def _is_by_chance(fitted: FittedSection, side: int) -> bool:
    """Whether edges on a flat's or an underside's line are there by chance, as scratches and grinding marks are along
    any line: too many are missing, and by the usual side's scatter half of those left would be no edges of it.

    The other sides have reasons of their own to be broken or to scatter: barbs, a body beside the arc, a foot aslant.
    """
    usual = float(np.nanmedian(fitted.scatter)) if np.isfinite(fitted.scatter).any() else math.inf
    missing = fitted.shown[side] < LIKELIER_BY_CHANCE
    return bool(fitted.sides[side][0] in LEVEL and missing and fitted.scatter[side] > STRAY_SCATTERS * usual)


def _contributions(fitted: FittedSection, plane: Plane, marks: Marks) -> dict[str, Array]:
    """Standard uncertainty of every dimension by source, mm, each of shape (6,)."""
    shape = fitted.shape
    by_mark = _by_mark(marks.xz)
    by_param = np.einsum("fmc,mcp->fp", by_mark * ~marks.placed[:, None], _marks_by_param(shape))
    pixel = 1.0 / fitted.px_per_mm
    aside = np.hypot(definition_px(fitted.blur_px) * pixel, np.nan_to_num(fitted.scatter))
    moved = by_param @ fitted.by_side.T  # dimensions by sides
    hidden = moved * fitted.u_body
    pieces = np.array([piece for piece, _ in fitted.sides])
    behind = [hidden[:, pieces == piece].sum(axis=1) for piece in np.unique(pieces)]
    unresolved_flat = np.zeros(len(DIMENSIONS))
    if not (shape.worn or marks.rests_on_placed("crown_height")):
        # a flat too narrow to be seen takes up to its sagitta off the top, all values alike
        unresolved_flat[DIMENSIONS.index("crown_height")] = NARROWEST_MM**2 / (8.0 * shape.radius) / math.sqrt(12.0)
    put = np.sum((by_mark * marks.placed[:, None]) ** 2, axis=(1, 2))
    return {
        "placement": np.sqrt(put) * PLACED_U_PX * pixel,
        "edge noise": np.sqrt(np.einsum("ip,pq,iq->i", by_param, fitted.cov, by_param)),
        "edge definition": np.sqrt(np.sum((moved * aside) ** 2, axis=1)),
        "body beside the face": np.sqrt(np.sum(np.square(behind), axis=0)),
        "sharpening": np.abs(moved.sum(axis=1)) * SHARPENING_PX * pixel,
        "flat too narrow to see": unresolved_flat,
        "scale": plane.u_rel * dimensions_between(marks.xz),
        **_of_the_plane(shape.to_plane(marks.xz), plane),
    }


def _by_mark(xz: Array) -> Array:
    """Derivatives of the dimensions by where the marks lie, shape (6, 14, 2)."""
    slopes = derivatives(lambda v: dimensions_between(v.reshape(xz.shape)), xz.ravel())
    return slopes.reshape(len(DIMENSIONS), *xz.shape)


def _marks_by_param(shape: WireShape) -> Array:
    """Derivatives of the marks by the free parameters, in the frame of the shape as it is, shape (14, 2, P)."""

    def at(changed: Array) -> Array:
        other = shape.with_free(changed)
        return shape.to_wire(other.to_plane(marks_of(other)))

    return derivatives(at, shape.params[shape.free])


def _of_the_plane(points: Array, plane: Plane) -> dict[str, Array]:
    """Sources that move the plane under the pixels: pose, an end before or behind the scale, an end not square."""
    px = plane.to_px(np.column_stack([points, np.zeros(len(points))]))
    here = dimensions_between(points)
    rise = points - points.mean(axis=0)

    def change(height: float | Array) -> Array:
        return np.abs(dimensions_between(plane.to_mm(px, height)) - here)

    return {
        "pose of the scale": plane.u_of(lambda p: dimensions_between(p.to_mm(px))),
        "end not flush with the scale": change(FLUSH_MM / math.sqrt(3.0)),
        "end not square": np.hypot(
            np.hypot(*(change(math.tan(END_TILT_U) * rise[:, k]) for k in (0, 1))), FORESHORTENED * here
        ),
    }


def draw_section(
    fitted: FittedSection, marks: Marks, plane: Plane, n: int, dimensions: Mapping[str, Measured]
) -> tuple[Outline, ...]:
    """Crown and tang on the photo, and what each of the `dimensions` lies between."""
    shape, at = fitted.shape, marks.xz
    half, depth = shape.half_tang, shape.tang_depth
    tang = np.array([[-half, 0.0], [-half, -depth], [half, -depth], [half, 0.0]])
    foot = at[FOOT].mean(axis=0)
    lines = {
        "crown_width": ("span", at[CROWN]),
        "crown_height": ("span", np.vstack([at[Mark.TOP], foot, at[FOOT]])),
        "crown_radius": ("arc", _arc(at)),
        "flat_width": ("flat", at[FLAT]),
        "tang_width": ("span", at[TANG]),
        "tang_depth": ("span", np.vstack([at[Mark.TIP], foot, at[FOOT]])),
    }
    drawn = [
        _drawn("section", shape.crown_outline(), plane, on_fret(n, "crown width"), True),
        _drawn("section", shape.to_plane(tang), plane, on_fret(n, "tang width")),
    ]
    drawn += [
        _drawn(line, shape.to_plane(xz), plane, on_fret(n, name))
        for name, (line, xz) in lines.items()
        if name in dimensions
    ]
    return tuple(drawn)


def _arc(at: Array) -> Array:
    """The crown's arc from its left mark to its right one, its upper marks at a third and at two thirds."""
    radius, up = arc_of(at[ARC_LOW], at[ARC_HIGH])
    middle = at[ARC_LOW].mean(axis=0) + np.array([0.0, up])
    angle = [math.atan2(*(at[i] - middle)) for i in (ARC_LOW[0], *ARC_HIGH, ARC_LOW[1])]
    turns = np.interp(np.arange(3 * ARC_POINTS + 1) / ARC_POINTS, range(4), angle)
    return np.asarray(middle + radius * np.column_stack([np.sin(turns), np.cos(turns)]))


def _drawn(name: str, mm: Array, plane: Plane, of: Key, closed: bool = False) -> Outline:
    px = plane.to_px(np.column_stack([mm, np.zeros(len(mm))]))
    return Outline(name, tuple((float(x), float(y)) for x, y in px), closed, of)
