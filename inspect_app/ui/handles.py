"""Which edges of a chosen reading a person may move, and how its value follows them until it is measured again.

An edge's name is the one the measuring function knows it under. The slopes are those of the picture: good for the
tenths of a millimetre by which an edge is moved, and replaced as soon as the edge has been let go.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from inspect_app.instrument.crown import arc_radius
from inspect_app.measure.section.by_hand import arc_of
from inspect_app.reading.ask import HandEdge
from inspect_app.reading.inspection import FretReading, Inspection, Outline
from inspect_app.reading.values import Reading
from inspect_app.ui.viewer import Handle, Moved, Point, Readout, Scene, Shape
from inspect_app.ui.words import Length, one_of
from shared.units import places, unit_shown

__all__ = ["Edge", "edges_of", "follow", "hand_edge", "handles", "moving_shapes", "outlines_of"]

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Edge:
    """An edge to move: its name, its points, and the outline it is part of with the index each point stands for."""

    name: str
    points: tuple[Point, ...]
    outline: Outline
    at: tuple[int, ...]

    @property
    def ids(self) -> tuple[str, ...]:
        """One name a handle."""
        return tuple(f"{self.name} {i}" for i in range(len(self.points)))


def edges_of(answer: Inspection, reading: Reading) -> tuple[Edge, ...]:
    """The edges a person may move for a reading; none where the view takes none."""
    fret = next((f for f in answer.frets if f.number == reading.fret), None)
    if fret is None:
        return ()
    feature = reading.of.partition(", ")[2]
    if answer.view == "section":
        return _section_edges(fret, reading, feature)
    if feature == "crown width":
        return tuple(_ends(o, o.of) for o in fret.outlines if o.name == "crown_edge" and o.of.endswith(" side"))
    if feature == "length":
        return tuple(_middle(o) for o in fret.outlines if o.name == "fret_end")
    mine = next((o for o in fret.outlines if o.of == reading.of and len(o.points) > 1), None)
    if mine is None:
        return ()
    if mine.name == "flat":
        return _parts(mine, _flat_parts(mine, answer))
    if mine.name == "divot":
        edges = _parts(mine, {"treble end": 0, "floor": _floor(mine), "bass end": len(mine.points) - 1})
        return tuple(_where_put(e, answer) for e in edges)
    if mine.name == "arc":
        return _parts(mine, {"treble end": 0, "middle": len(mine.points) // 2, "bass end": len(mine.points) - 1})
    return _parts(mine, {"foot": 0, "top": len(mine.points) - 1}) if mine.name == "bevel" else ()


def _section_edges(fret: FretReading, reading: Reading, feature: str) -> tuple[Edge, ...]:
    """The edges that a figure of a wire's section lies between, each with its points on the line drawn for it."""
    mine = next((o for o in fret.outlines if o.of == reading.of and o.name in ("span", "arc", "flat")), None)
    if mine is None:
        return ()
    last = len(mine.points) - 1
    parts: dict[str, tuple[int, ...]] = {f"{feature}, left": (0,), f"{feature}, right": (last,)}
    if feature == "crown radius":
        parts[f"{feature}, top"] = (last // 3, 2 * last // 3)
    elif feature in ("crown height", "tang depth"):
        parts = {f"{feature}, {'top' if feature == 'crown height' else 'tip'}": (0,), "underside": (2, 3)}
    return tuple(
        Edge(f"fret {fret.number}, {name}", tuple(mine.points[i] for i in at), mine, at) for name, at in parts.items()
    )


def outlines_of(fret: FretReading, reading: Reading) -> tuple[Outline, ...]:
    """What is drawn of a reading's feature."""
    wanted = {"crown width": "crown_edge", "position": "crown_edge", "length": "fret_end"}.get(reading.quantity)
    return tuple(o for o in fret.outlines if o.of in (reading.of, reading.key) or (wanted and o.name == wanted))


def _ends(o: Outline, name: str) -> Edge:
    return Edge(name, (o.points[0], o.points[-1]), o, (0, len(o.points) - 1))


def _middle(o: Outline) -> Edge:
    (x0, y0), (x1, y1) = o.points[0], o.points[-1]
    return Edge(o.of, (((x0 + x1) / 2, (y0 + y1) / 2),), o, (0,))


def _parts(o: Outline, parts: dict[str, int]) -> tuple[Edge, ...]:
    return tuple(Edge(f"{o.of}, {part}", (o.points[i],), o, (i,)) for part, i in parts.items())


def _where_put(edge: Edge, answer: Inspection) -> Edge:
    """The edge where a person put it: a divot is drawn along the outline as seen, which need not go through that."""
    put = [e["points"] for e in answer.options.get("hand_edges", ()) if e["what"] == edge.name]
    return replace(edge, points=tuple((float(x), float(y)) for x, y in put[-1])) if put else edge


def _flat_parts(o: Outline, answer: Inspection) -> dict[str, int]:
    """The outline's two ends along the fret and its two sides, told apart by how the neck lies in the photo."""
    xy = np.asarray(o.points, dtype=float)
    long, wide = np.linalg.svd(xy - xy.mean(axis=0), full_matrices=False)[2]
    down = 1.0 if answer.options.get("treble", "bottom") == "bottom" else -1.0
    leftward = 1.0 if answer.options.get("nut", "left") == "left" else -1.0
    along = xy @ long * (-1.0 if long[1] * down > 0 else 1.0)  # from the treble end
    across = xy @ wide * (1.0 if wide[0] * leftward > 0 else -1.0)  # from the nut side
    ends = {"treble end": int(along.argmin()), "bass end": int(along.argmax())}
    return {**ends, "nut side": int(across.argmin()), "body side": int(across.argmax())}


def _floor(o: Outline) -> int:
    """The point of an open outline farthest below the line through its ends."""
    xy = np.asarray(o.points, dtype=float)
    return int((_below(xy[0], xy[-1]) @ (xy - xy[0]).T).argmax())


def _below(a: Vector, b: Vector) -> Vector:
    """Unit vector square to a line, down the photo."""
    d = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
    n = np.array([-d[1], d[0]])
    return n if n[1] > 0 else -n


def handles(edges: Sequence[Edge]) -> tuple[Handle, ...]:
    """A handle for every point of every edge."""
    return tuple(
        Handle(i, x, y, one_of(e.name) if len(e.points) == 1 else f"{one_of(e.name)}, point {k} of {len(e.points)}")
        for e in edges
        for k, (i, (x, y)) in enumerate(zip(e.ids, e.points, strict=True), 1)
    )


def moving_shapes(edges: Sequence[Edge]) -> tuple[Shape, ...]:
    """The outlines as they will be while their handles move: each bends along with the handles on it."""
    outlines = {id(e.outline): e.outline for e in edges}
    anchors = {
        k: sorted((i, h) for e in edges if id(e.outline) == k for h, i in zip(e.ids, e.at, strict=True))
        for k in outlines
    }
    return tuple(
        Shape(o.points, "picked", o.closed, anchors=tuple((h, i) for i, h in anchors[k])) for k, o in outlines.items()
    )


def hand_edge(moved: Moved, scene: Scene) -> HandEdge | None:
    """The edge whose handle was moved, with all its points; ``None`` if the handle is not one of the scene's."""
    name = moved.moved.rpartition(" ")[0]
    ids = [h.id for h in scene.handles if h.id.rpartition(" ")[0] == name]
    if not ids or any(i not in moved.points for i in ids):
        return None
    return HandEdge(name, tuple(moved.points[i] for i in ids))


def follow(reading: Reading, edges: Sequence[Edge], answer: Inspection, length: Length) -> tuple[Readout, ...]:
    """The chosen value as it follows the handles, starting at what was measured."""
    if not edges or answer.camera is None:
        return ()
    q = reading.value
    factor, unit = unit_shown(q.value, q.unit, length)
    ids = tuple(i for e in edges for i in e.ids)
    if reading.quantity == "crown line radius":
        return (Readout(reading.quantity, "circle", ids, q.value, (), factor, places(q, length), unit),)
    slopes = _slopes(reading, edges, 1.0 / answer.camera.px_per_mm)
    if not any(math.hypot(*s) for s in slopes):
        return ()
    return (Readout(reading.quantity, "follows", ids, q.value, slopes, factor, places(q, length), unit),)


def _slopes(reading: Reading, edges: Sequence[Edge], mm: float) -> tuple[Point, ...]:
    """Change of the reading for each handle and pixel; `mm` is the size of a pixel."""
    at = {e.name.rpartition(", ")[2]: np.asarray(e.points, dtype=float) for e in edges}
    part = reading.quantity.partition(" ")[2] if reading.quantity.startswith(("flat ", "divot ")) else reading.quantity
    of: dict[str, Vector] = {}
    if "underside" in at or "left" in at:
        of = _of_section(at, mm)
    elif part == "crown width":
        of = _apart(at, "crown nut side", "crown body side", mm)
    elif part == "length" and "floor" in at:
        shown = float(np.linalg.norm(at["bass end"].mean(axis=0) - at["treble end"].mean(axis=0)))
        of = _apart(at, "treble end", "bass end", reading.value.value / max(shown, 1.0))
    elif part == "length":
        of = _apart(at, "treble end", "bass end", mm)
    elif part == "from treble end":
        away = _unit(at["bass end"][0] - at["treble end"][0]) * mm
        of = {"floor": away} if "floor" in at else {"treble end": away / 2, "bass end": away / 2}
    elif part == "width":
        of = _apart(at, "nut side", "body side", mm)
    elif part == "depth" and "floor" in at:
        of = {"floor": _below(at["treble end"][0], at["bass end"][0]) * mm}
    elif part == "depth":
        of = _apart(at, "nut side", "body side", mm * _depth_by_width(reading.value.value, at, mm))
    elif part.startswith("bevel "):
        of = _turn(at, edges[0].outline, reading)
    return tuple(
        (float(g[0]), float(g[1]))
        for e in edges
        for g in _by_point(of.get(e.name.rpartition(", ")[2], np.zeros(2)), len(e.points))
    )


def _by_point(slope: Vector, n: int) -> Vector:
    """The slope of an edge for each of its `n` points: shared evenly, unless it is given point by point."""
    return slope if slope.ndim == 2 else np.tile(slope / n, (n, 1))


def _of_section(at: dict[str, Vector], mm: float) -> dict[str, Vector]:
    """Slopes of a figure of a wire's section: the distance between two edges, or the radius of the arc."""
    if "underside" in at:
        return _apart(at, "underside", "top" if "top" in at else "tip", mm)
    if "top" not in at:
        return _apart(at, "left", "right", mm)
    every, step = np.vstack([at["left"], at["right"], at["top"]]), 0.5
    moves = step * np.eye(every.size).reshape(-1, *every.shape)
    radii = [(arc_of(p[:2], p[2:])[0] for p in (every + d, every - d)) for d in moves]
    slope = mm * np.array([high - low for high, low in radii]).reshape(every.shape) / (2.0 * step)
    return {"left": slope[:1], "right": slope[1:2], "top": slope[2:]}


def _unit(v: Vector) -> Vector:
    return np.asarray(v / max(float(np.linalg.norm(v)), 1e-9))


def _apart(at: dict[str, Vector], a: str, b: str, mm: float) -> dict[str, Vector]:
    """The distance between two edges: square to them where they are lines."""
    if a not in at or b not in at:
        return {}
    d = at[b].mean(axis=0) - at[a].mean(axis=0)
    if len(at[a]) > 1:
        n = _below(at[a][0], at[a][-1])
        d = n if n @ d > 0 else -n
    return {a: -_unit(d) * mm, b: _unit(d) * mm}


def _depth_by_width(depth: float, at: dict[str, Vector], mm: float) -> float:
    """Change of a hollow's depth with its flat's width, on the arc that has this width at this depth."""
    f = float(np.linalg.norm(at["body side"][0] - at["nut side"][0])) * mm
    radius = arc_radius(f, max(depth, 1e-6))
    return f / (4.0 * max(radius - depth, 1e-3))


def _turn(at: dict[str, Vector], drawn: Outline, reading: Reading) -> dict[str, Vector]:
    """The bevel grows as its top leans inwards over its foot: degrees to the pixel."""
    foot, top = at["foot"][0], at["top"][0]
    line = top - foot
    n = np.array([-line[1], line[0]])
    treble_at_right = 1.0  # seen from the nut, as these photos are taken
    inward = -treble_at_right if reading.quantity.endswith("treble") else treble_at_right
    n = n if n[0] * inward > 0 else -n
    slope = n * math.degrees(1.0) / max(float(line @ line), 1.0)
    return {"top": slope, "foot": -slope}
