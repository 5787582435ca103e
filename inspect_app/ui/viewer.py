"""The photo viewer on a page: what it shows, and what it sends back, checked."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
import streamlit as st

from inspect_app.reading.key import Key

__all__ = [
    "AS_SEEN",
    "Handle",
    "MovedHandles",
    "Photo",
    "PointsToPlace",
    "Readout",
    "Scene",
    "OverlaidPhoto",
    "Shape",
    "parse_moved",
    "scene_data",
    "show",
]

Point = tuple[float, float]
AS_SEEN = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
"""In place of a homography to millimetres, where nothing is measured yet."""
_MAX_HANDLES = 64  # more than any feature has; what a browser sends is not trusted


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo by its SHA-256 and its upright size in pixels."""

    sha256: str
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Shape:
    """A line on the photo; `tone` is ``sure``, ``doubt``, ``hand``, ``rejected``, ``scale`` or ``picked``.

    `pick` is the reading a tap on it chooses. `anchors` are handles with the index of the point each stands for: the
    line is shown once one of them has moved, and bends along with them.
    """

    points: tuple[Point, ...]
    tone: str = "sure"
    closed: bool = False
    label: str = ""
    label_at: Point | None = None
    pick: str = ""
    anchors: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Handle:
    """A point a person can move, and the edge it is of."""

    id: str
    x: float
    y: float
    label: str
    of: Key | None = None


@dataclass(frozen=True, slots=True)
class Readout:
    """The chosen value as it follows the handles, in mm or degrees times `factor`.

    `kind` is ``follows``: it starts at `base` and changes by `slopes` (one (x, y) a handle, per photo pixel); or
    ``circle``: the radius through three handles, which starts at `base`.
    """

    label: str
    kind: str
    handles: tuple[str, ...]
    base: float
    slopes: tuple[Point, ...] = ()
    factor: float = 1.0
    digits: int = 2
    unit: str = "mm"


@dataclass(frozen=True, slots=True)
class PointsToPlace:
    """A measurement whose points a person sets one after the other; a new `round` starts it afresh."""

    kind: str
    label: str
    prompts: tuple[str, ...]
    to_plane: tuple[float, ...]
    factor: float = 1.0
    digits: int = 2
    unit: str = "mm"
    round: int = 0


@dataclass(frozen=True, slots=True)
class OverlaidPhoto:
    """A second photo that lies on the scene's: `onto` takes its pixels to the first one's, nine numbers row by row.

    `names` are those of the first and the second photo.
    """

    photo: Photo
    onto: tuple[float, ...]
    names: tuple[str, str]


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything the viewer shows. Geometry in upright photo pixels.

    `subject` names what the handles belong to; a new subject drops what was in hand. `focus` is the box
    ``(x0, y0, x1, y1)`` to look at, taken up when `focus_key` changes; `focus_name` is its button's word. `keys` are
    letters told back from anywhere on the page but a field that is typed in. With `kept`, place and zoom stand in the
    page's address, and a small picture shows them.
    """

    photo: Photo
    alt: str
    subject: str = ""
    rev: int = 0
    shapes: tuple[Shape, ...] = ()
    handles: tuple[Handle, ...] = ()
    readouts: tuple[Readout, ...] = ()
    place: PointsToPlace | None = None
    focus: tuple[float, float, float, float] | None = None
    focus_key: str = ""
    focus_name: str = "Reading"
    small: bool = False
    kept: bool = False
    second: OverlaidPhoto | None = None
    keys: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MovedHandles:
    """Handles as a person left them."""

    rev: int
    subject: str
    moved: str
    points: Mapping[str, Point] = field(default_factory=dict)


def scene_data(scene: Scene) -> dict[str, Any]:
    """Plain JSON for the browser.

    Raises
    ------
    ValueError
        If a number is not finite.
    """
    data = {
        "photo": _photo(scene.photo),
        "alt": scene.alt,
        "subject": scene.subject,
        "rev": scene.rev,
        "shapes": [_shape(s) for s in scene.shapes],
        "handles": [{"id": h.id, "x": float(h.x), "y": float(h.y), "label": h.label} for h in scene.handles],
        "readouts": [_readout(r) for r in scene.readouts],
        "place": _place(scene.place) if scene.place else None,
        "focus": [float(v) for v in scene.focus] if scene.focus else None,
        "focusKey": scene.focus_key,
        "focusName": scene.focus_name,
        "small": scene.small,
        "kept": scene.kept,
        "second": _second(scene.second) if scene.second else None,
        "keys": list(scene.keys),
    }
    json.dumps(data, allow_nan=False)  # a NaN would reach the browser as broken JSON
    return data


def _photo(photo: Photo) -> dict[str, Any]:
    at = f"/photo/{photo.sha256}"
    addresses = {name: f"{at}/{name}.jpg" for name in ("preview", "small", "crop")}
    return {"id": photo.sha256, **addresses, "w": photo.width, "h": photo.height}


def _second(s: OverlaidPhoto) -> dict[str, Any]:
    back = np.linalg.inv(np.reshape(s.onto, (3, 3))).ravel()
    matrices = {"onto": [float(v) for v in s.onto], "back": [float(v) for v in back]}
    return {"photo": _photo(s.photo), "names": list(s.names), **matrices}


def _shape(s: Shape) -> dict[str, Any]:
    return {
        "pts": [[round(float(x), 2), round(float(y), 2)] for x, y in s.points],
        "tone": s.tone,
        "closed": s.closed,
        "label": s.label,
        "at": [float(v) for v in s.label_at] if s.label_at else None,
        "pick": s.pick,
        "anchors": [[name, i] for name, i in s.anchors] or None,
    }


def _readout(r: Readout) -> dict[str, Any]:
    return _readout_data(r) | {
        "handles": list(r.handles),
        "base": float(r.base),
        "slopes": [[float(x), float(y)] for x, y in r.slopes],
    }


def _place(p: PointsToPlace) -> dict[str, Any]:
    to_plane = [float(v) for v in p.to_plane]
    return _readout_data(p) | {"H": to_plane, "prompts": list(p.prompts), "points": len(p.prompts), "round": p.round}


def _readout_data(r: Readout | PointsToPlace) -> dict[str, Any]:
    return {"label": r.label, "kind": r.kind, "factor": float(r.factor), "digits": int(r.digits), "unit": r.unit}


def parse_moved(raw: Any, scene: Scene) -> MovedHandles | None:
    """What the browser sent, if it is a move of this scene's handles within its photo; anything else is ``None``."""
    if not isinstance(raw, Mapping) or raw.get("photo") != scene.photo.sha256 or raw.get("subject") != scene.subject:
        return None
    pts = raw.get("pts")
    allowed = {h.id for h in scene.handles} | (
        {f"p{i + 1}" for i in range(len(scene.place.prompts))} if scene.place else set()
    )
    if not isinstance(pts, Mapping) or not pts or len(pts) > _MAX_HANDLES or not set(pts) <= allowed:
        return None
    try:
        points = {str(k): (float(x), float(y)) for k, (x, y) in pts.items()}
        rev = int(raw["rev"])
    except (TypeError, ValueError, KeyError):
        return None
    inside = all(
        math.isfinite(x) and math.isfinite(y) and 0 <= x <= scene.photo.width and 0 <= y <= scene.photo.height
        for x, y in points.values()
    )
    return MovedHandles(rev, scene.subject, str(raw.get("moved", "")), points) if inside else None


@cache
def _component() -> Callable[..., Any]:
    """Registered when first shown: there is no registry before the pages run."""
    return st.components.v2.component(
        "inspect-app.viewer", html='<div id="mount"></div>', css="viewer-*.css", js="viewer-*.js"
    )


def show(
    scene: Scene,
    key: str,
    on_moved: Callable[[MovedHandles], None] | None = None,
    on_picked: Callable[[str], None] | None = None,
    on_key: Mapping[str, Callable[[], None]] | None = None,
) -> None:
    """Put the viewer on the page.

    Parameters
    ----------
    scene : Scene
    key : str
        Carries the photo's own name, so that one photo's handles never appear on another.
    on_moved : callable, optional
        Called once after a handle was let go.
    on_picked : callable, optional
        Called with `Shape.pick` when an outline was tapped.
    on_key : mapping, optional
        What a letter does; for those that Streamlit keeps for itself (C and R).
    """
    by_key = dict(on_key or {})
    scene = replace(scene, keys=tuple(by_key))

    def geom_changed() -> None:
        raw = (st.session_state.get(key) or {}).get("geom")
        moved = parse_moved(raw, scene)
        if moved and on_moved:
            on_moved(moved)

    def picked_changed() -> None:
        raw = (st.session_state.get(key) or {}).get("picked")
        known = {s.pick for s in scene.shapes if s.pick}
        if on_picked and isinstance(raw, Mapping) and raw.get("id") in known:
            on_picked(str(raw["id"]))

    def key_changed() -> None:
        raw = (st.session_state.get(key) or {}).get("pressed")
        act = by_key.get(str(raw.get("id"))) if isinstance(raw, Mapping) else None
        if act:
            act()

    _component()(
        key=key,
        data=scene_data(scene),
        default={"geom": None},
        on_geom_change=geom_changed,
        on_picked_change=picked_changed,
        on_pressed_change=key_changed,
    )
