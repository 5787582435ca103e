"""What the viewer shows of a measured photo: outlines by what is known of them, and handles on the chosen one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from inspect_app.reading.inspection import Inspection, Outline
from inspect_app.reading.key import NO_PLACE, Key, Place
from inspect_app.reading.quantities import card_of, every_quantity
from inspect_app.services import PhotoView, ReadingView
from inspect_app.ui.handles import Edge, edges_of, follow, handles, moving_shapes, outlines_at, outlines_of
from inspect_app.ui.viewer import AS_SEEN, Photo, PointsToPlace, Scene, Shape
from inspect_app.ui.words import Length

__all__ = ["marking_scene", "photo_of", "plain_scene", "reading_scene", "tone_of"]

_MARGIN = 0.6  # of the chosen feature's size, shown around it: enough of the fret to judge the edge by
_LEAST_PX = 48.0  # never closer than this many photo pixels across: single pixels say nothing


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
    shapes = _shapes(answer, {}, ()) if answer else ()
    return Scene(photo_of(photo), _alt(photo, answer), f"look {photo.id}", shapes=shapes, small=small, kept=not small)


def reading_scene(
    photo: PhotoView, readings: Sequence[ReadingView], chosen: ReadingView | None, length: Length, rev: int = 0
) -> Scene:
    """The photo with every reading's outline, and handles on the edges of the chosen reading's feature.

    The other readings of that feature follow the handles with it: a flat's width and depth as well as its length.
    """
    answer = photo.inspection.answer if photo.inspection else None
    if answer is None:
        return plain_scene(photo)
    by_feature: dict[Key, list[ReadingView]] = {}
    for r in readings:
        by_feature.setdefault(r.reading.of, []).append(r)
    mine = _card(readings, chosen)
    shapes = _shapes(answer, by_feature, mine)
    base = Scene(photo_of(photo), _alt(photo, answer), f"photo {photo.id}", rev, shapes, kept=True)
    if chosen is None or chosen.photo_id != photo.id:
        return base
    edges_by_reading = [(r, edges_of(answer, r.reading)) for r in mine]
    edges: tuple[Edge, ...] = tuple({e.key: e for _, of in edges_by_reading for e in of}.values())
    card = card_of(chosen.reading.key)
    return replace(
        base,
        subject=f"photo {photo.id} {card}",
        shapes=(*shapes, *moving_shapes(edges)),
        handles=handles(edges),
        readouts=tuple(live for r, of in edges_by_reading for live in follow(r.reading, of, answer, length)),
        focus=_focus(answer, mine),
        focus_key=f"{photo.id} {card}",
    )


def _card(readings: Sequence[ReadingView], chosen: ReadingView | None) -> tuple[ReadingView, ...]:
    """The readings of the chosen one's feature on its photo."""
    if chosen is None:
        return ()
    card = card_of(chosen.reading.key)
    return tuple(r for r in readings if r.photo_id == chosen.photo_id and card_of(r.reading.key) == card)


def marking_scene(scene: Scene, name: str, prompts: tuple[str, ...], turn: int) -> Scene:
    """The photo of a scene, as it is looked at, with points to be marked in place of its handles."""
    return replace(
        scene,
        subject=f"{scene.subject} add {name} {turn}",
        shapes=tuple(s for s in scene.shapes if not s.anchors),
        handles=(),
        readouts=(),
        place=PointsToPlace("mark", name, prompts, AS_SEEN, round=turn),
    )


def _shapes(
    answer: Inspection, by_feature: Mapping[Key, list[ReadingView]], chosen: Sequence[ReadingView]
) -> tuple[Shape, ...]:
    shapes = []
    if answer.scale and answer.scale.outline:
        shapes.append(Shape(answer.scale.outline.points, "scale", True, f"scale: {answer.scale.kind}"))
    places = [Place("fret", f.number) for f in answer.frets] + [o.of.place for o in answer.outlines]
    for place in dict.fromkeys(places):
        shapes += _shapes_at(place, outlines_at(answer, place), by_feature, chosen)
    return tuple(shapes)


def _shapes_at(
    place: Place,
    outlines: Sequence[Outline],
    by_feature: Mapping[Key, list[ReadingView]],
    chosen: Sequence[ReadingView],
) -> list[Shape]:
    """A place's outlines, each tied to the first reading that rests on it; a fret's number stands at its upper end."""
    tops = [min(o.points, key=lambda p: p[1]) for o in outlines if o.points]
    label_at = min(tops, key=lambda p: p[1]) if tops else None
    name = str(place) if place.kind != "fret" else str(place.number)
    shapes, keys = [], {r.reading.key for r in chosen}
    for i, o in enumerate(outlines):
        here = by_feature.get(o.of, [])
        if not here and place != NO_PLACE:  # lines that all frets share, as a string's, are no feature's
            here = by_feature.get(Key(place, _read_from(o)), [])
        picked = any(r.reading.key in keys for r in here)
        tone = "picked" if picked else tone_of(here)
        pick = str(here[0].reading.key) if here else ""
        shapes.append(Shape(o.points, tone, o.closed, name if i == 0 else "", label_at, pick))
    return shapes


def _read_from(o: Outline) -> str:
    """What a line is read for that carries an edge's own name: the feature with edges that is drawn by such a line."""
    return next((q.feature for q in every_quantity() if q.edges and o.name in {line.name for line in q.lines}), "")


def _focus(answer: Inspection, chosen: Sequence[ReadingView]) -> tuple[float, float, float, float] | None:
    """The box to look at: the chosen feature with some of what is around it, or all of its place."""
    own = [o for r in chosen for o in outlines_of(answer, r.reading)]
    pts = [p for o in own or outlines_at(answer, chosen[0].reading.place) for p in o.points]
    if not pts:
        return None
    xs, ys = [p[0] for p in pts], [p[1] for p in pts]
    side = max(max(xs) - min(xs), max(ys) - min(ys), _LEAST_PX)
    cx, cy, half = (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2, side * (0.5 + _MARGIN / 2)
    return (cx - half, cy - half, cx + half, cy + half)


def _alt(photo: PhotoView, answer: Inspection | None) -> str:
    frets = sorted(f.number for f in answer.frets) if answer else []
    seen = f", frets {frets[0]} to {frets[-1]}" if frets else ""
    return (
        f"Photo {photo.name}, {photo.view}{seen}. Arrow keys move it, plus and minus zoom, 0 shows all of it; "
        "Tab goes to its handles."
    )
