"""Where the frets of a plan photo lie: overview, crowns, board's level and, where need be, its tilt."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from calib.edge_response import EdgeResponse
from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.measure.plan.board_height import BoardLevel, board_level, moved_to_level
from inspect_app.measure.plan.board_overview import Board, find_board
from inspect_app.measure.plan.board_radius import BoardCurvature, fit_curvature
from inspect_app.measure.plan.board_tilt import TOLD_BY_SCALE_RAD, tilt_u, tilted_as_frets
from inspect_app.measure.plan.crown_detection import find_crowns
from inspect_app.measure.plan.crown_profile import END_MM, LEAST_ROWS
from inspect_app.measure.plan.frets import EdgedFret, LocatedFret
from inspect_app.measure.plan.hidden_parts import without_hidden, without_strangers
from inspect_app.reading.ask import Ask
from shared.errors import InspectError

__all__ = ["locate_frets"]

_ROUNDS = 2
"""Rounds of tilting the plane as the frets say: the first frees most of the frets, the second uses them all."""
_LEAST_PX_PER_MM = 0.5
"""Below this a usual crown, 2.4 mm wide, is one pixel."""
_LEAST_COLOUR = 0.05
"""Share of paper's brightest colour under which another is lost in noise: candlelight has a tenth of blue (common
practice, no source)."""
_LEAST_VIEW_MM = 10.0
"""A photo that shows no more holds no whole fret, which is 25 mm long (common practice, no source)."""


def locate_frets(
    photo: Photo, scale: Scale, plane: Plane, ask: Ask, printed: EdgeResponse | None = None, blur_px: float = 0.0
) -> tuple[Board, list[LocatedFret], BoardLevel, float, Plane]:
    """The board, its frets, its level and the photo's blur, on a plane tilted as the frets say where no scale told.

    Tilted rightly, the plane shows frets that fanned out too far before: then all of them tell the tilt again. The
    response of the scale's `printed` edges tells the light's colour; without it the light counts as white. Where
    nothing told the photo's blur, `blur_px` is 0 and the crowns alone tell it.

    Raises
    ------
    InspectError
        If nothing in the photo looks like frets, or no fret is whole in it.
    """
    found, tilted = _located_on(photo, scale, plane, ask, printed, blur_px), plane
    for _ in range(_ROUNDS if tilt_u(plane) >= TOLD_BY_SCALE_RAD else 0):
        before = len(found[1])
        better = tilted_as_frets(plane, [f.frame for f in found[1] if isinstance(f, EdgedFret)], scale)
        if better is plane:
            break
        found, tilted = _located_on(photo, scale, better, ask, printed, blur_px, found[0]), better
        if len(found[1]) == before:
            break
    return (*found, tilted)


def _located_on(
    photo: Photo,
    scale: Scale,
    plane: Plane,
    ask: Ask,
    printed: EdgeResponse | None,
    blur_px: float,
    before: Board | None = None,
) -> tuple[Board, list[LocatedFret], BoardLevel, float]:
    _check_view(photo, plane)
    covers = (scale.covers_px,)
    board = find_board(photo, plane, ask, covers, before)
    if board is None:
        raise InspectError("No frets were found in the photo.", "Take it from above, with the neck lying across it.")
    level = board_level(ask, board, scale, plane)
    frets, softness = find_crowns(photo, board, level, plane, covers, _light_warmth(printed), blur_px)
    if not frets and _rows_along(board, plane) < LEAST_ROWS:
        raise InspectError(
            "Frets were found, but with too few pixels to the millimetre to see their edges.",
            "Go closer, or send the photo as the camera took it.",
        )
    if not frets:
        raise InspectError(
            "No fret is whole in the photo.", "Take it from farther away, or move the scale off the frets."
        )
    frets = without_strangers(without_hidden(frets))
    if not frets:
        raise InspectError(
            "What looked like frets in the photo is not alike, as the frets of one board are.",
            "Take it from above, with the neck lying across it and nothing over the frets.",
        )
    frets, level = _on_board(frets, lambda curvature: board_level(ask, board, scale, plane, curvature))
    return board, frets, level, softness


def _light_warmth(response: EdgeResponse | None) -> float:
    """Logarithm of red over blue of a white thing in this light: the printed scale's paper; 0 where there is none."""
    if response is None:
        return 0.0
    blue, _, red = (max(c, _LEAST_COLOUR) for c in response.white_bgr)
    return math.log(red / blue)


def _check_view(photo: Photo, plane: Plane) -> None:
    """Refuse a photo that shows no board by its scale, before it is looked for."""
    per_mm = plane.px_per_mm(plane.to_mm([[photo.width / 2.0, photo.height / 2.0]])[0])
    if not per_mm >= _LEAST_PX_PER_MM:
        raise InspectError(
            "By its scale the photo has too few pixels to the millimetre to show frets.",
            "Check the scale, or go closer.",
        )
    size = max(photo.width, photo.height) / per_mm
    if size < _LEAST_VIEW_MM:
        raise InspectError(
            f"By its scale the photo shows only {size:.1f} mm.", "Check the scale, or take the photo from farther away."
        )


def _rows_along(board: Board, plane: Plane) -> float:
    """Rows of pixels along a fret in the middle of those found, without its ends."""
    middle = float(np.mean(board.fret_mm)) * board.along_neck + sum(board.span_mm) / 2.0 * board.across_neck
    return plane.px_per_mm(middle) * (board.span_mm[1] - board.span_mm[0] - 2.0 * END_MM)


def _on_board(
    frets: list[LocatedFret], level_of: Callable[[BoardCurvature], BoardLevel]
) -> tuple[list[LocatedFret], BoardLevel]:
    """The frets laid on a board as round as they show it to be, and its level."""
    edged = [f for f in frets if isinstance(f, EdgedFret)]
    level = level_of(fit_curvature([f.frame for f in edged], [(f.profile.bow, f.profile.bow_u) for f in edged]))
    return [_on_level(f, level) for f in frets], level


def _on_level(f: LocatedFret, level: BoardLevel) -> LocatedFret:
    frame, k = moved_to_level(f.frame, level)
    patch = replace(f.patch, frame=frame)
    if isinstance(f, EdgedFret):
        return replace(f, frame=frame, patch=patch, crown=f.crown.times(k))
    return replace(f, frame=frame, patch=patch)
