"""What a seen section says in millimetres, each figure with its named uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from calib.plane import Plane
from inspect_app.measure.manual import NOTHING_PLACED, PLACED_U_PX, Placed, marked
from inspect_app.measure.section.by_hand import Marks, arc_of, figures_between, hold_marks, marks_of
from inspect_app.measure.section.edge import ALONG_MM
from inspect_app.measure.section.section import CLEAR_MM, LEAST_ROWS, SeenSection
from inspect_app.measure.section.shape import FIGURES, WireShape
from inspect_app.reading.inspection import Outline
from shared.measured import Contribution, Measured, NotMeasured

__all__ = ["measure_figures"]

Array = NDArray[np.float64]

FLUSH_MM = 0.8
"""How far the end may stand before or behind the scale when held flush by eye: rectangular, a third of a wire's
width to either side (common practice, no source)."""
SQUARE_U = math.radians(2.0)
"""Standard uncertainty of the end's tilt against the scale, about either axis: filed and held by eye (common practice,
no source)."""
FORESHORTENED = math.sqrt(3.0) / 2.0 * SQUARE_U**2
"""Relative standard uncertainty of a length on such an end seen straight: root mean square of 1 - cos, which is half
the tilt's square."""
DEFINITION_PX = 0.1
"""Standard uncertainty of where one side of a sharp outline is, besides noise: what sub-pixel detectors reach on real
edges (Devernay, INRIA RR-2724, 1995: below a tenth of a pixel)."""
DEFINITION_SHARE = 0.07
"""Share of the blur by which an edge may sit aside when what it borders on is not evenly bright: a ramp of a tenth of
the step's height within one blur moves its steepest point by so much."""
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
"""Pieces of the outline a figure rests on; ``top`` is the flat where there is one, else the arc."""
WORDS = {
    "arc": "the crown's arc",
    "underside": "the crown's underside",
    "flat": "the flat",
    "side": "the tang's sides",
    "bottom": "the tang's foot",
}


def measure_figures(
    seen: SeenSection, plane: Plane, n: int, placed: Placed = NOTHING_PLACED
) -> tuple[dict[str, Measured], tuple[Outline, ...], tuple[NotMeasured, ...]]:
    """The figures of `FIGURES` that the photo tells, by name; what they lie between, drawn; and why others are missing.

    Parameters
    ----------
    placed : Placed
        Edges that a person placed, under the names of `wire_marks.EDGES`.

    Raises
    ------
    OptionError
        If an edge was placed past the one across from it.
    """
    to_plane = {points: plane.to_mm(points) for parts in placed.values() for points in parts.values()}
    marks = hold_marks(seen.shape, placed, to_plane)
    values, parts = figures_between(marks.xz), _contributions(seen, plane, marks)
    out, missing = {}, []
    for k, name in enumerate(FIGURES):
        sources = tuple(Contribution(source, float(u[k])) for source, u in parts.items() if u[k] > 0.0)
        reason = "" if marks.all_placed(name) else _missing(seen, name) or _unsure(seen, name, values[k], sources)
        if reason:
            reason += "; an edge of it was placed by hand: place the others too" * marks.rests_on_placed(name)
            missing.append(NotMeasured(f"fret {n}, {name.replace('_', ' ')}", reason))
        else:
            figure = Measured(float(values[k]), "mm", sources)
            out[name] = marked(figure) if marks.rests_on_placed(name) else figure
    return out, draw_section(seen, marks, plane, n, out), tuple(missing)


def _unsure(seen: SeenSection, name: str, value: float, sources: tuple[Contribution, ...]) -> str:
    doubtful = name == "flat_width" and (seen.doubtful or value < FLAT_SURE * Measured(value, "mm", sources).u)
    return "if there is one, it can't be told from a round crown" if doubtful else ""


def _missing(seen: SeenSection, name: str) -> str:
    """Why a figure can't be given, or an empty text."""
    if name == "flat_width" and not seen.shape.worn:
        return f"the crown is round: there is no flat on it wider than {NARROWEST_MM:.2f} mm"
    for need in NEEDS[name]:
        piece = ("flat" if seen.shape.worn else "arc") if need == "top" else need
        rows = [int(r) for (p, _), r in zip(seen.sides, seen.rows, strict=True) if p == piece]
        if not rows or min(rows) < LEAST_ROWS:
            return f"{WORDS[piece]} can't be told from what is behind it; change the light or the background"
    return ""


def _contributions(seen: SeenSection, plane: Plane, marks: Marks) -> dict[str, Array]:
    """Standard uncertainty of every figure by source, mm, each of shape (6,)."""
    shape = seen.shape
    by_mark = _by_mark(marks.xz)
    by_free = np.einsum("fmc,mcp->fp", by_mark * ~marks.placed[:, None], _marks_by_free(shape))
    pixel = 1.0 / seen.px_per_mm
    aside = np.hypot(max(DEFINITION_PX, DEFINITION_SHARE * seen.blur_px) * pixel, np.nan_to_num(seen.scatter))
    moved = by_free @ seen.by_side.T  # figures by sides
    unseen = np.zeros(len(FIGURES))
    if not (shape.worn or marks.rests_on_placed("crown_height")):
        # a flat too narrow to be seen takes up to its sagitta off the top, all values alike
        unseen[FIGURES.index("crown_height")] = NARROWEST_MM**2 / (8.0 * shape["radius"]) / math.sqrt(12.0)
    put = np.sum((by_mark * marks.placed[:, None]) ** 2, axis=(1, 2))
    return {
        "placement": np.sqrt(put) * PLACED_U_PX * pixel,
        "edge noise": np.sqrt(np.einsum("ip,pq,iq->i", by_free, seen.cov, by_free)),
        "edge definition": np.sqrt(np.sum((moved * aside) ** 2, axis=1)),
        "sharpening": np.abs(moved.sum(axis=1)) * SHARPENING_PX * pixel,
        "flat too narrow to see": unseen,
        "scale": plane.u_rel * figures_between(marks.xz),
        **_of_the_plane(shape.to_plane(marks.xz), plane),
    }


def _by_mark(xz: Array) -> Array:
    """Derivatives of the figures by where the marks lie, central differences, shape (6, 14, 2)."""
    step = 1e-5
    moves = step * np.eye(xz.size).reshape(-1, *xz.shape)
    slopes = [(figures_between(xz + d) - figures_between(xz - d)) / (2.0 * step) for d in moves]
    return np.stack(slopes, axis=-1).reshape(len(FIGURES), *xz.shape)


def _marks_by_free(shape: WireShape) -> Array:
    """Derivatives of the marks by the free parameters, in the frame of the shape as it is, shape (14, 2, P)."""
    values, step = shape.params[shape.free], 1e-5

    def at(changed: Array) -> Array:
        other = shape.with_free(changed)
        return shape.to_wire(other.to_plane(marks_of(other)))

    return np.stack([(at(values + d) - at(values - d)) / (2.0 * step) for d in step * np.eye(len(values))], axis=-1)


def _of_the_plane(points: Array, plane: Plane) -> dict[str, Array]:
    """Sources that move the plane under the pixels: pose, an end before or behind the scale, an end not square."""
    px = plane.to_px(np.column_stack([points, np.zeros(len(points))]))
    here = figures_between(points)
    rise = points - points.mean(axis=0)

    def change(height: float | Array) -> Array:
        return np.abs(figures_between(plane.to_mm(px, height)) - here)

    return {
        "pose of the scale": plane.u_of(lambda p: figures_between(p.to_mm(px))),
        "end not flush with the scale": change(FLUSH_MM / math.sqrt(3.0)),
        "end not square": np.hypot(
            np.hypot(*(change(math.tan(SQUARE_U) * rise[:, k]) for k in (0, 1))), FORESHORTENED * here
        ),
    }


def draw_section(
    seen: SeenSection, marks: Marks, plane: Plane, n: int, figures: Mapping[str, Measured]
) -> tuple[Outline, ...]:
    """Crown and tang on the photo, and what each of the `figures` lies between."""
    shape, at = seen.shape, marks.xz
    half, depth = shape["half_tang"], shape["depth"]
    tang = np.array([[-half, 0.0], [-half, -depth], [half, -depth], [half, 0.0]])
    foot = at[[3, 4]].mean(axis=0)
    lines = {
        "crown_width": ("span", at[[0, 1]]),
        "crown_height": ("span", np.vstack([at[2], foot, at[[3, 4]]])),
        "crown_radius": ("arc", _arc(at)),
        "flat_width": ("flat", at[[8, 9]]),
        "tang_width": ("span", at[[6, 7]]),
        "tang_depth": ("span", np.vstack([at[5], foot, at[[3, 4]]])),
    }
    drawn = [
        _drawn("section", shape.crown_outline(), plane, f"fret {n}, crown width", True),
        _drawn("section", shape.to_plane(tang), plane, f"fret {n}, tang width"),
    ]
    drawn += [
        _drawn(line, shape.to_plane(xz), plane, f"fret {n}, {name.replace('_', ' ')}")
        for name, (line, xz) in lines.items()
        if name in figures
    ]
    return tuple(drawn)


def _arc(at: Array) -> Array:
    """The crown's arc from its left mark to its right one, its upper marks at a third and at two thirds."""
    radius, up = arc_of(at[10:12], at[12:14])
    middle = at[[10, 11]].mean(axis=0) + np.array([0.0, up])
    angle = [math.atan2(*(at[i] - middle)) for i in (10, 12, 13, 11)]
    turns = np.interp(np.arange(3 * ARC_POINTS + 1) / ARC_POINTS, range(4), angle)
    return np.asarray(middle + radius * np.column_stack([np.sin(turns), np.cos(turns)]))


def _drawn(name: str, mm: Array, plane: Plane, of: str, closed: bool = False) -> Outline:
    px = plane.to_px(np.column_stack([mm, np.zeros(len(mm))]))
    return Outline(name, tuple((float(x), float(y)) for x, y in px), closed, of)
