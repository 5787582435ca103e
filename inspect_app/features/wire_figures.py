"""What a seen section says in millimetres, each figure with its named uncertainty."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calib.plane import Plane
from inspect_app.features.wire_edge import ALONG_MM
from inspect_app.features.wire_section import CLEAR_MM, LEAST_ROWS, SeenSection
from inspect_app.features.wire_shape import FIGURES, WireShape
from inspect_app.inspection import Outline
from shared.measured import Contribution, Measured, NotMeasured

__all__ = ["measure_figures", "draw_section"]

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


def measure_figures(seen: SeenSection, plane: Plane, n: int) -> tuple[dict[str, Measured], tuple[NotMeasured, ...]]:
    """The figures of `FIGURES` that the photo tells, by name, and why the others are missing."""
    values = seen.shape.figures()
    parts = _contributions(seen, plane)
    out, missing = {}, []
    for k, name in enumerate(FIGURES):
        reason = _missing(seen, name)
        if reason:
            missing.append(NotMeasured(f"fret {n}, {name.replace('_', ' ')}", reason))
            continue
        sources = tuple(Contribution(source, float(u[k])) for source, u in parts.items() if u[k] > 0.0)
        figure = Measured(float(values[k]), "mm", sources)
        if name == "flat_width" and (seen.doubtful or figure.value < FLAT_SURE * figure.u):
            missing.append(NotMeasured(f"fret {n}, flat width", "if there is one, it can't be told from a round crown"))
            continue
        out[name] = figure
    return out, tuple(missing)


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


def _contributions(seen: SeenSection, plane: Plane) -> dict[str, Array]:
    """Standard uncertainty of every figure by source, mm, each of shape (6,)."""
    shape = seen.shape
    by_free = _by_free(shape)
    pixel = 1.0 / seen.px_per_mm
    aside = np.hypot(max(DEFINITION_PX, DEFINITION_SHARE * seen.blur_px) * pixel, np.nan_to_num(seen.scatter))
    moved = by_free @ seen.by_side.T  # figures by sides
    unseen = np.zeros(len(FIGURES))
    if not shape.worn:  # a flat too narrow to be seen takes up to its sagitta off the top, all values alike
        unseen[FIGURES.index("crown_height")] = NARROWEST_MM**2 / (8.0 * shape["radius"]) / math.sqrt(12.0)
    return {
        "edge noise": np.sqrt(np.einsum("ip,pq,iq->i", by_free, seen.cov, by_free)),
        "edge definition": np.sqrt(np.sum((moved * aside) ** 2, axis=1)),
        "sharpening": np.abs(moved.sum(axis=1)) * SHARPENING_PX * pixel,
        "flat too narrow to see": unseen,
        "scale": plane.u_rel * shape.figures(),
        **_of_the_plane(shape, plane),
    }


def _by_free(shape: WireShape) -> Array:
    """Derivatives of the figures by the free parameters, central differences, shape (6, P)."""
    values, step = shape.params[shape.free], 1e-5
    columns = []
    for d in step * np.eye(len(values)):
        high, low = shape.with_free(values + d).figures(), shape.with_free(values - d).figures()
        columns.append((high - low) / (2.0 * step))
    return np.column_stack(columns)


def _of_the_plane(shape: WireShape, plane: Plane) -> dict[str, Array]:
    """Sources that move the plane under the pixels: pose, an end before or behind the scale, an end not square."""
    points = shape.to_plane(_marks(shape))
    px = plane.to_px(np.column_stack([points, np.zeros(len(points))]))
    here = _between(points)
    rise = points - points.mean(axis=0)

    def change(height: float | Array) -> Array:
        return np.abs(_between(plane.to_mm(px, height)) - here)

    return {
        "pose of the scale": plane.u_of(lambda p: _between(p.to_mm(px))),
        "end not flush with the scale": change(FLUSH_MM / math.sqrt(3.0)),
        "end not square": np.hypot(
            np.hypot(*(change(math.tan(SQUARE_U) * rise[:, k]) for k in (0, 1))), FORESHORTENED * here
        ),
    }


def _marks(shape: WireShape) -> Array:
    """Points of the wire's frame between which the figures lie, shape (10, 2)."""
    x, z = shape.corner()
    if z < shape["centre"]:
        x, z = shape["radius"], shape["centre"]
    half, depth = shape["half_tang"], shape["depth"]
    top = (0.0, shape["centre"] + shape["radius"])
    ends = shape.flat_ends()
    return np.array(
        [
            *((-x, z), (x, z)),
            *((0.0, shape.height), (0.0, 0.0), (0.0, -depth)),
            top,
            *ends,
            *((-half, -depth / 2.0), (half, -depth / 2.0)),
        ]
    )


def _between(p: Array) -> Array:
    """The figures from where the marks lie, shape (6,)."""

    def apart(i: int, k: int) -> float:
        return float(np.linalg.norm(p[i] - p[k]))

    a, b, c = apart(0, 1), apart(1, 5), apart(5, 0)
    (ux, uy), (vx, vy) = p[1] - p[0], p[5] - p[0]
    radius = a * b * c / max(2.0 * abs(ux * vy - uy * vx), 1e-12)  # of the circle through three points
    return np.array([a, apart(2, 3), radius, apart(6, 7), apart(8, 9), apart(3, 4)])


def draw_section(seen: SeenSection, plane: Plane, n: int) -> tuple[Outline, ...]:
    """Crown, flat and tang on the photo."""
    shape = seen.shape
    half, depth = shape["half_tang"], shape["depth"]
    tang = shape.to_plane([[-half, 0.0], [-half, -depth], [half, -depth], [half, 0.0]])
    drawn = [
        _drawn("section", shape.crown_outline(), plane, f"fret {n}, crown width", True),
        _drawn("section", tang, plane, f"fret {n}, tang width", False),
    ]
    if shape.worn:
        drawn.append(_drawn("flat", shape.to_plane(shape.flat_ends()), plane, f"fret {n}, flat width", False))
    return tuple(drawn)


def _drawn(name: str, mm: Array, plane: Plane, of: str, closed: bool) -> Outline:
    px = plane.to_px(np.column_stack([mm, np.zeros(len(mm))]))
    return Outline(name, tuple((float(x), float(y)) for x, y in px), closed, of)
