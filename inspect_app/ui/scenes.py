"""What the viewer shows of a measured photo: outlines by what is known of them, and handles on the chosen one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from inspect_app.ask import HandEdge
from inspect_app.inspection import FretReading, Inspection, Outline
from inspect_app.services import PhotoView, ReadingView
from inspect_app.ui.viewer import Handle, Moved, Photo, Point, Readout, Scene, Shape
from inspect_app.ui.words import Length, number

__all__ = ["edges_of", "hand_edge", "photo_of", "plain_scene", "reading_scene", "tone_of"]

_MARGIN = 0.6  # of the chosen feature's size, shown around it: enough of the fret to judge the edge by
_LEAST_PX = 48.0  # never closer than this many photo pixels across: single pixels say nothing
_ENDS_ONLY = ("crown_edge", "fret_end", "bevel")  # straight lines: two handles place them


def photo_of(photo: PhotoView) -> Photo:
    """The photo as the viewer needs it."""
    return Photo(photo.sha256, photo.width_px, photo.height_px)


def tone_of(readings: Iterable[ReadingView]) -> str:
    """How a feature's outline is drawn, from the readings that rest on it."""
    here = tuple(readings)
    if here and all(r.verdict == "reject" for r in here):
        return "rejected"
    if any(r.reading.value.by_hand or "BY_HAND" in r.flags for r in here):
        return "hand"
    return "doubt" if any(not r.sure and r.verdict == "open" for r in here) else "sure"


def plain_scene(photo: PhotoView, small: bool = False) -> Scene:
    """The photo with its scale and outlines, nothing to choose."""
    answer = photo.inspection.answer if photo.inspection else None
    shapes = _shapes(answer, {}, None) if answer else ()
    return Scene(photo_of(photo), _alt(photo, answer), f"look {photo.id}", shapes=shapes, small=small)


def reading_scene(
    photo: PhotoView, readings: Sequence[ReadingView], chosen: ReadingView | None, length: Length, rev: int = 0
) -> Scene:
    """The photo with every reading's outline, and handles on the chosen reading's edges."""
    answer = photo.inspection.answer if photo.inspection else None
    if answer is None:
        return plain_scene(photo)
    by_feature: dict[str, list[ReadingView]] = {}
    for r in readings:
        by_feature.setdefault(r.reading.of, []).append(r)
    shapes = _shapes(answer, by_feature, chosen)
    base = Scene(photo_of(photo), _alt(photo, answer), f"photo {photo.id}", rev, shapes)
    if chosen is None or chosen.photo_id != photo.id:
        return base
    outlines = edges_of(answer, chosen)
    edges = {name: _handle_points(o) for name, o in outlines.items()}
    handles = tuple(
        Handle(f"{name} {i}", x, y, f"{name}, point {i + 1} of {len(pts)}")
        for name, pts in edges.items()
        for i, (x, y) in enumerate(pts)
    )
    held = tuple(
        Shape(pts, "picked", o.closed, handles=_ids(name, pts))
        for (name, pts), o in zip(edges.items(), outlines.values(), strict=True)
    )
    return replace(
        base,
        subject=f"photo {photo.id} {chosen.reading.key}",
        shapes=(*shapes, *held),
        handles=handles,
        readouts=_readouts(chosen, edges, length),
        focus=_focus(chosen, answer, outlines.values()),
        focus_key=f"{photo.id} {chosen.reading.of}",
    )


def edges_of(answer: Inspection, chosen: ReadingView) -> dict[str, Outline]:
    """The outlines a person may move for a reading, by the name the measuring function knows them under."""
    fret = next((f for f in answer.frets if f.number == chosen.reading.fret), None)
    if fret is None:
        return {}
    mine = [o for o in fret.outlines if o.of in (chosen.reading.of, chosen.reading.key) or _belongs(o, chosen)]
    crowns = [o for o in mine if o.name == "crown_edge"]
    nut_at_left = answer.options.get("nut", "left") == "left"
    found: dict[str, Outline] = {}
    for o in mine:
        name = o.of
        if o.name == "crown_edge" and not name.endswith(" side"):
            left = _mean_x(o) <= min(map(_mean_x, crowns))
            name = f"fret {fret.number}, crown {'nut' if left == nut_at_left else 'body'} side"
        found.setdefault(name, o)
    return found


def _mean_x(o: Outline) -> float:
    return sum(x for x, _ in o.points) / len(o.points)


def _belongs(o: Outline, chosen: ReadingView) -> bool:
    """A crown's two edges carry names of their own (``"fret 5, crown nut side"``)."""
    return o.name == "crown_edge" and chosen.reading.quantity == "crown width"


def hand_edge(moved: Moved, scene: Scene) -> HandEdge | None:
    """The edge whose handle was moved, with all its points; ``None`` if the handle is not one of the scene's."""
    name = moved.moved.rpartition(" ")[0]
    ids = [h.id for h in scene.handles if h.id.rpartition(" ")[0] == name]
    if not ids or any(i not in moved.points for i in ids):
        return None
    return HandEdge(name, tuple(moved.points[i] for i in ids))


def _ids(name: str, pts: Sequence[Point]) -> tuple[str, ...]:
    return tuple(f"{name} {i}" for i in range(len(pts)))


def _handle_points(o: Outline) -> tuple[Point, ...]:
    """Few points that place an outline: the ends of a straight line, the four extremes of a closed one."""
    pts = o.points
    if len(pts) <= 4:
        return pts
    if not o.closed:
        return (pts[0], pts[-1]) if o.name in _ENDS_ONLY else (pts[0], pts[len(pts) // 2], pts[-1])
    xy = np.asarray(pts, dtype=float)
    axes = np.linalg.svd(xy - xy.mean(axis=0), full_matrices=False)[2]
    u = (xy - xy.mean(axis=0)) @ axes.T
    order = dict.fromkeys(int(i) for i in (u[:, 0].argmin(), u[:, 1].argmin(), u[:, 0].argmax(), u[:, 1].argmax()))
    return tuple(pts[i] for i in order)


def _shapes(
    answer: Inspection, by_feature: Mapping[str, list[ReadingView]], chosen: ReadingView | None
) -> tuple[Shape, ...]:
    shapes = []
    if answer.scale and answer.scale.outline:
        shapes.append(Shape(answer.scale.outline.points, "scale", True, f"scale: {answer.scale.kind}"))
    for fret in answer.frets:
        shapes += _fret_shapes(fret, by_feature, chosen)
    return tuple(shapes)


def _fret_shapes(
    fret: FretReading, by_feature: Mapping[str, list[ReadingView]], chosen: ReadingView | None
) -> list[Shape]:
    """A fret's outlines, each tied to the first reading that rests on it; its number stands at its upper end."""
    tops = [min(o.points, key=lambda p: p[1]) for o in fret.outlines if o.points]
    label_at = min(tops, key=lambda p: p[1]) if tops else None
    shapes = []
    for i, o in enumerate(fret.outlines):
        here = by_feature.get(o.of) or _crown_readings(o, fret, by_feature)
        picked = chosen is not None and any(r.reading.key == chosen.reading.key for r in here)
        tone = "picked" if picked else tone_of(here)
        label = str(fret.number) if i == 0 else ""
        shapes.append(Shape(o.points, tone, o.closed, label, label_at, here[0].reading.key if here else ""))
    return shapes


def _crown_readings(o: Outline, fret: FretReading, by_feature: Mapping[str, list[ReadingView]]) -> list[ReadingView]:
    return by_feature.get(f"fret {fret.number}, crown width", []) if o.name == "crown_edge" else []


def _focus(
    chosen: ReadingView, answer: Inspection, outlines: Iterable[Outline]
) -> tuple[float, float, float, float] | None:
    """The box to look at: the chosen feature with some of what is around it, or the whole fret."""
    pts = [p for o in outlines for p in o.points]
    if not pts:
        fret = next((f for f in answer.frets if f.number == chosen.reading.fret), None)
        pts = [p for o in fret.outlines for p in o.points] if fret else []
    if not pts:
        return None
    xs, ys = [p[0] for p in pts], [p[1] for p in pts]
    side = max(max(xs) - min(xs), max(ys) - min(ys), _LEAST_PX)
    cx, cy, half = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2, side * (0.5 + _MARGIN / 2)
    return (cx - half, cy - half, cx + half, cy + half)


def _readouts(chosen: ReadingView, edges: Mapping[str, tuple[Point, ...]], length: Length) -> tuple[Readout, ...]:
    """The chosen value as it will follow the handles: scaled so that it starts at what was measured."""
    q, lines = chosen.reading.value, list(edges.items())
    if q.unit != "mm" or not lines:
        return ()
    factor, unit = number("mm", length)
    kind, start = "", 0.0
    ids: tuple[str, ...] = ()
    if chosen.reading.quantity == "crown width" and len(lines) == 2 and all(len(p) == 2 for _, p in lines):
        (a, pa), (b, pb) = lines
        kind, ids, start = "gap", (*_ids(a, pa), *_ids(b, pb)), _gap(pa, pb)
    elif chosen.reading.quantity.endswith("length") and len(lines) == 1 and len(lines[0][1]) in (2, 4):
        name, pts = lines[0]
        ids = (f"{name} 0", f"{name} {len(pts) // 2}")
        kind, start = "distance", math.dist(pts[0], pts[len(pts) // 2])
    elif chosen.reading.quantity.endswith("width") and len(lines) == 1 and len(lines[0][1]) == 4:
        name, pts = lines[0]
        kind, ids, start = "distance", (f"{name} 1", f"{name} 3"), math.dist(pts[1], pts[3])
    if not kind or start <= 0:
        return ()
    k = q.value / start
    digits = 2 if length == "mm" else 1
    return (Readout(chosen.reading.quantity, kind, ids, (k, 0, 0, 0, k, 0, 0, 0, 1), factor, digits, unit),)


def _gap(a: Sequence[Point], b: Sequence[Point]) -> float:
    (x0, y0), (x1, y1) = a[0], a[-1]
    span = math.hypot(x1 - x0, y1 - y0)
    return sum(abs((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) / span for x, y in b) / len(b) if span else 0.0


def _alt(photo: PhotoView, answer: Inspection | None) -> str:
    frets = sorted(f.number for f in answer.frets) if answer else []
    seen = f", frets {frets[0]} to {frets[-1]}" if frets else ""
    return (
        f"Photo {photo.name}, {photo.view}{seen}. Arrow keys move it, plus and minus zoom, 0 shows all of it; "
        "Tab goes to its handles."
    )
