"""Which edges of a chosen reading a person may move, and how its value follows them until it is measured again.

The table of quantities says which edges these are and where their handles stand. The slopes are those of the picture:
good for the tenths of a millimetre by which an edge is moved, and replaced as soon as the edge has been let go.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from inspect_app.instrument.crown import arc_of, arc_radius
from inspect_app.reading.ask import HandEdge
from inspect_app.reading.inspection import Inspection, Outline
from inspect_app.reading.key import EDGES, Key, Place
from inspect_app.reading.quantities import Edge as EdgeEntry
from inspect_app.reading.quantities import every_quantity, one_of
from inspect_app.reading.values import Reading
from inspect_app.ui.viewer import Handle, MovedHandles, Point, Readout, Scene, Shape
from inspect_app.ui.words import Length
from shared.units import places, unit_shown

__all__ = ["Edge", "edges_of", "follow", "hand_edge", "handles", "moving_shapes", "outlines_at", "outlines_of"]

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Edge:
    """An edge to move: its key, its points, and the outline it is part of with the index each point stands for."""

    key: Key
    points: tuple[Point, ...]
    outline: Outline
    at: tuple[int, ...]

    @property
    def name(self) -> str:
        """What it is called on its feature."""
        return self.key.edge or self.key.feature

    @property
    def ids(self) -> tuple[str, ...]:
        """One name a handle."""
        return tuple(f"{self.key} {i}" for i in range(len(self.points)))


def edges_of(answer: Inspection, reading: Reading) -> tuple[Edge, ...]:
    """The edges a person may move for a reading; none where the view takes none."""
    entry, here = reading.entry, outlines_at(answer, reading.place)
    drawn = [o for line in entry.lines for o in here if (o.name, o.of) == (line.name, reading.of) and len(o.points) > 1]
    out = []
    for e in entry.edges:
        if e.views and answer.view not in e.views:
            continue
        if e.at in ("ends", "centre"):
            own = Key(reading.place, e.name)
            out += [_own(o, e) for o in here if o.of == own]
        elif drawn:
            key = reading.of.part(e.name) if e.name in EDGES else Key(reading.place, e.name)
            out.append(_part(key, drawn[0], _points_of(e, drawn[0], answer)))
    if any(e.at == "lowest" for e in entry.edges):
        return tuple(_as_placed(e, answer) for e in out)
    return tuple(out)


def outlines_at(answer: Inspection, place: Place) -> tuple[Outline, ...]:
    """Everything drawn at a place."""
    frets = [o for f in answer.frets if f.number == place.number and place.kind == "fret" for o in f.outlines]
    return (*frets, *(o for o in answer.outlines if o.of.place == place))


def outlines_of(answer: Inspection, reading: Reading) -> tuple[Outline, ...]:
    """What is drawn of a reading's feature: lines of its own, and edges that are drawn as its first line is."""
    known = {q.feature for q in every_quantity()}
    shared = reading.entry.lines[0].name if reading.entry.lines else ""
    return tuple(
        o
        for o in outlines_at(answer, reading.place)
        if o.of == reading.of or (o.name == shared and o.of.feature not in known)
    )


def _own(o: Outline, e: EdgeEntry) -> Edge:
    (x0, y0), (x1, y1) = o.points[0], o.points[-1]
    if e.at == "ends":
        return Edge(o.of, (o.points[0], o.points[-1]), o, (0, len(o.points) - 1))
    return Edge(o.of, (((x0 + x1) / 2, (y0 + y1) / 2),), o, (0,))


def _part(key: Key, o: Outline, at: tuple[int, ...]) -> Edge:
    return Edge(key, tuple(o.points[i] for i in at), o, at)


def _points_of(e: EdgeEntry, o: Outline, answer: Inspection) -> tuple[int, ...]:
    """Which points of an outline an edge's handles stand for."""
    if e.at == "lowest":
        return (_floor(o),)
    if e.at == "outermost":
        return (_outermost(o, answer)[e.name],)
    return tuple(math.floor(float(share) * (len(o.points) - 1) + 0.5) for share in e.at)


def _as_placed(edge: Edge, answer: Inspection) -> Edge:
    """The edge where a person put it: a divot is drawn along the outline as seen, which need not go through that."""
    put = [e["points"] for e in answer.options.get("hand_edges", ()) if e["what"] == str(edge.key)]
    return replace(edge, points=tuple((float(x), float(y)) for x, y in put[-1])) if put else edge


def _outermost(o: Outline, answer: Inspection) -> dict[str, int]:
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
        Handle(
            i, x, y, one_of(e.key) if len(e.points) == 1 else f"{one_of(e.key)}, point {k} of {len(e.points)}", e.key
        )
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


def hand_edge(moved: MovedHandles, scene: Scene) -> HandEdge | None:
    """The edge whose handle was moved, with all its points; ``None`` if the handle is not one of the scene's."""
    of = next((h.of for h in scene.handles if h.id == moved.moved), None)
    ids = [h.id for h in scene.handles if h.of == of]
    if of is None or any(i not in moved.points for i in ids):
        return None
    return HandEdge(of, tuple(moved.points[i] for i in ids))


def follow(reading: Reading, edges: Sequence[Edge], answer: Inspection, length: Length) -> tuple[Readout, ...]:
    """The chosen value as it follows the handles, starting at what was measured."""
    if not edges or answer.camera is None:
        return ()
    q = reading.value
    factor, unit = unit_shown(q.value, q.unit, length)
    ids = tuple(i for e in edges for i in e.ids)
    if reading.entry.follows[0] == "circle":
        return (Readout(reading.quantity, "circle", ids, q.value, (), factor, places(q, length), unit),)
    slopes = _slopes(reading, edges, 1.0 / answer.camera.px_per_mm)
    if not any(math.hypot(*s) for s in slopes):
        return ()
    return (Readout(reading.quantity, "follows", ids, q.value, slopes, factor, places(q, length), unit),)


def _slopes(reading: Reading, edges: Sequence[Edge], mm: float) -> tuple[Point, ...]:
    """Change of the reading for each handle and pixel; `mm` is the size of a pixel."""
    at = {e.name: np.asarray(e.points, dtype=float) for e in edges}
    rule, *names = reading.entry.follows
    pair = names or sorted(at, key=lambda name: -len(at[name]))[:2]
    of: dict[str, Vector] = {}
    if rule in ("apart", "sagitta", "share"):
        of = _apart(at, pair[0], pair[-1], mm * _by_distance(rule, reading.value.value, at, pair, mm))
    elif rule == "place":
        away = _unit(at["bass end"][0] - at["treble end"][0]) * mm
        of = {name: away / len(pair) for name in pair}
    elif rule == "drop":
        of = {pair[0]: _below(at["treble end"][0], at["bass end"][0]) * mm}
    elif rule == "arc":
        of = _arc(at, mm)
    elif rule == "turn":
        of = _bevel_rule(at, reading)
    return tuple(
        (float(g[0]), float(g[1])) for e in edges for g in _by_point(of.get(e.name, np.zeros(2)), len(e.points))
    )


def _by_distance(rule: str, value: float, at: dict[str, Vector], pair: Sequence[str], mm: float) -> float:
    """Change of the reading with the distance between its two edges as the photo shows it, mm."""
    if rule == "apart" or not set(pair) <= set(at):
        return 1.0
    shown = float(np.linalg.norm(at[pair[1]].mean(axis=0) - at[pair[0]].mean(axis=0)))
    return value / max(shown, 1.0) / mm if rule == "share" else _depth_by_width(value, shown * mm)


def _by_point(slope: Vector, n: int) -> Vector:
    """The slope of an edge for each of its `n` points: shared evenly, unless it is given point by point."""
    return slope if slope.ndim == 2 else np.tile(slope / n, (n, 1))


def _arc(at: dict[str, Vector], mm: float) -> dict[str, Vector]:
    """Slopes of the radius of a crown's arc."""
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


def _depth_by_width(depth: float, width: float) -> float:
    """Change of a hollow's depth with its flat's width, on the arc that has this width at this depth."""
    radius = arc_radius(width, max(depth, 1e-6))
    return width / (4.0 * max(radius - depth, 1e-3))


def _bevel_rule(at: dict[str, Vector], reading: Reading) -> dict[str, Vector]:
    """The bevel grows as its top leans inwards over its foot: degrees to the pixel."""
    foot, top = at["foot"][0], at["top"][0]
    line = top - foot
    n = np.array([-line[1], line[0]])
    treble_at_right = 1.0  # seen from the nut, as these photos are taken
    inward = -treble_at_right if reading.key.feature == "bevel treble" else treble_at_right
    n = n if n[0] * inward > 0 else -n
    slope = n * math.degrees(1.0) / max(float(line @ line), 1.0)
    return {"top": slope, "foot": -slope}
