"""Measuring by hand on a stored photo, and keeping the result with it."""

from __future__ import annotations

import numpy as np
from sqlalchemy import select

from inspect_app import __version__
from inspect_app.jobs import loading
from inspect_app.jobs.models import HandMeasure, Photo
from inspect_app.jobs.photo_files import place
from inspect_app.jobs.records import HandView
from inspect_app.jobs.store import Store, reading, writing
from inspect_app.measure.marked_points import HandKind
from inspect_app.measure.marked_points import measure_by_hand as compute
from inspect_app.reading.ask import Ask, ScaleAsk
from inspect_app.services.photo_cache import calibration
from inspect_app.services.rows import mark_changed, now, row
from shared.measured import Measured

__all__ = [
    "HandKind",
    "hand_measures",
    "keep_hand_measure",
    "measure_by_hand",
    "plane_of",
    "remove_hand_measure",
    "restore_hand_measure",
]

Points = tuple[tuple[float, float], ...]


def measure_by_hand(
    store: Store, photo_id: int, kind: HandKind, points: Points, scale: ScaleAsk | None = None, height_mm: float = 0.0
) -> Measured:
    """What the points say, without keeping it.

    Parameters
    ----------
    scale : ScaleAsk, optional
        Which scale to use; that of the photo's inspection, or the printed one that is there, when not given.
    height_mm : float
        Height of the marked thing above the scale, towards the camera.

    Raises
    ------
    InspectError
        If the photo shows no scale or the points fix nothing.
    """
    with reading(store) as session:
        photo = row(session, Photo, photo_id, "photo")
        path, sha256, ask = place(store.photos_dir, photo.sha256, photo.suffix), photo.sha256, _ask(photo, scale)
    _, plane = calibration(path, sha256, ask)
    return compute(plane, kind, points, height_mm)


def plane_of(store: Store, photo_id: int, scale: ScaleAsk | None = None) -> tuple[float, ...]:
    """A homography from photo pixels to millimetres, nine numbers row by row, to show values while a handle moves.

    It leaves out the lens's radial term: what is kept comes from `measure_by_hand`.

    Raises
    ------
    InspectError
        If the photo shows no scale.
    """
    with reading(store) as session:
        photo = row(session, Photo, photo_id, "photo")
        path, sha256, ask = place(store.photos_dir, photo.sha256, photo.suffix), photo.sha256, _ask(photo, scale)
    _, plane = calibration(path, sha256, ask)
    (f, (cx, cy)), (r, t) = (plane.focal_px, plane.centre_px), (plane.rotation, plane.translation)
    to_px = np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]]) @ np.column_stack([r[:, :2], t])
    to_mm = np.linalg.inv(to_px)
    return tuple(float(v) for v in (to_mm / to_mm[2, 2]).ravel())


def keep_hand_measure(
    store: Store,
    photo_id: int,
    kind: HandKind,
    points: Points,
    note: str = "",
    scale: ScaleAsk | None = None,
    height_mm: float = 0.0,
) -> HandView:
    """Measure and keep the result with the photo."""
    result = measure_by_hand(store, photo_id, kind, points, scale, height_mm)
    with writing(store) as session:
        photo = row(session, Photo, photo_id, "photo")
        made = HandMeasure(
            photo_id=photo.id,
            kind=kind,
            points=[list(p) for p in points],
            ask={"scale": _ask(photo, scale).to_dict()["scale"], "height_mm": height_mm},
            result=result.to_dict(),
            version=__version__,
            note=note.strip(),
            created=now(),
        )
        session.add(made)
        mark_changed(photo.job)
        session.flush()
        return loading.hand_view(made)


def hand_measures(store: Store, photo_id: int) -> tuple[HandView, ...]:
    """Those kept with a photo, in the order they were made."""
    with reading(store) as session:
        kept = select(HandMeasure).where(HandMeasure.photo_id == photo_id, HandMeasure.removed.is_(None))
        return tuple(map(loading.hand_view, session.scalars(kept.order_by(HandMeasure.id))))


def remove_hand_measure(store: Store, measure_id: int) -> None:
    """Hide one; nothing is deleted."""
    with writing(store) as session:
        row(session, HandMeasure, measure_id, "hand measurement").removed = now()


def restore_hand_measure(store: Store, measure_id: int) -> None:
    """Show a hidden one again."""
    with writing(store) as session:
        row(session, HandMeasure, measure_id, "hand measurement").removed = None


def _ask(photo: Photo, scale: ScaleAsk | None) -> Ask:
    """The question that names the scale; the view does not matter for finding it."""
    last = loading.current_inspection(photo)
    if scale is None and last is not None:
        return Ask.from_dict(last.ask)
    return Ask("plan", scale or ScaleAsk())
