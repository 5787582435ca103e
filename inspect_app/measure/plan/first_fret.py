"""Which frets a photo from above shows, before it is measured: a proposal to be looked at, from their spacing alone."""

from __future__ import annotations

import numpy as np

from calib.edge_response import edge_response
from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.measure.plan.fret_location import locate_frets
from inspect_app.measure.plan.fret_numbers import first_by_spacing
from inspect_app.measure.plan.frets import LocatedFret
from inspect_app.measure.proposal import FirstFret
from inspect_app.reading.ask import Ask

__all__ = ["first_fret"]

Point = tuple[float, float]


def first_fret(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> FirstFret:
    """What the spacing says of the first whole fret; without a scale length only where the frets lie.

    Raises
    ------
    InspectError
        If no whole fret is seen.
    """
    printed = edge_response(photo, scale)
    board, frets, *_ = locate_frets(photo, scale, plane, ask, printed, printed.spread_px if printed else 0.0)
    numbers: tuple[int, ...] = ()
    if ask.scale_length is not None:
        frets, numbers = first_by_spacing(frets, board, ask.scale_length)
    steps = tuple(f.frame.number - frets[0].frame.number for f in frets)
    return FirstFret(numbers, steps, tuple(_line(f) for f in frets))


def _line(f: LocatedFret) -> tuple[Point, Point]:
    ends = np.vstack([f.frame.to_px(along, 0.0) for along in (0.0, f.frame.length_mm)])
    (x0, y0), (x1, y1) = ends.tolist()
    return (x0, y0), (x1, y1)
