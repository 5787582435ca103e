"""The frets that are whole in the photo, their crowns' edges fitted together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from inspect_app.measure.plan.board_height import BoardLevel, approximate_frames
from inspect_app.measure.plan.board_overview import Board
from inspect_app.measure.plan.crown_edges import crown_edge_likelihoods, fit_crowns
from inspect_app.measure.plan.crown_profile import crown_profile
from inspect_app.measure.plan.fret_frame import FretFrame, in_photo
from inspect_app.measure.plan.fret_patch import Sampling, sample_patch
from inspect_app.measure.plan.frets import EdgedFret, LocatedFret, with_edges
from inspect_app.reading.key import Key, NotMeasured

__all__ = ["find_crowns"]

Floats = NDArray[np.float64]

HALF_PATCH_MM = 3.2
"""Half the width of a fret's patch: half of the widest wire, and 1.4 mm of board beside it."""
_ROW_MM = 1.0 / 12.0
"""Rows no closer than this show a crown's edges: along the fret the light hardly changes."""
_HALF_IN_PHOTO_MM = 0.5
"""A candidate with less than this in the photo on either side of its middle is cut off: half of the narrowest crown,
0.7 mm, less the overview's own error of 0.2 mm."""
_EDGE_PX = 2.0
"""A crown's edge shows as one from so far inside the photo: two standard deviations of a sharp photo's blur."""


def find_crowns(
    photo: Photo,
    board: Board,
    level: BoardLevel,
    plane: Plane,
    covers: tuple[Floats, ...],
    light_warmth: float = 0.0,
    blur_px: float = 0.0,
) -> tuple[list[LocatedFret], float]:
    """The frets that are whole, `EdgedFret` where their crowns show; and the photo's blur over that of a sharp one.

    They are numbered from 0 at the overview's first.

    Parameters
    ----------
    covers : tuple of ndarray, shape (M, 2) each
        Closed outlines of what covers the board, in photo pixels: the scale.
    light_warmth : float
        Logarithm of red over blue of a white thing in this light; the edges were taught in white light.
    blur_px : float
        The photo's blur by the scale's print or by lone edges (standard deviation); 0 where only the crowns tell it.
    """
    rough = [f for f in approximate_frames(board, plane, level) if in_photo(photo, f, _HALF_IN_PHOTO_MM)]
    located = _located(photo, rough, covers)
    profiles = [crown_profile(f.patch, light_warmth) for f in located]
    shown = [p for p in profiles if p is not None]
    if not shown:
        return [], 1.0
    views = [f.frame.view_angle for f, p in zip(located, profiles, strict=True) if p is not None]
    edges, odds, softness = crown_edge_likelihoods(shown, views, blur_px)
    crowns = iter(fit_crowns(edges, odds, views, level.crown_height, shown[0].px_per_mm))
    frets = [f if p is None else with_edges(f, p, next(crowns)) for f, p in zip(located, profiles, strict=True)]
    frets = _at_expected_places(frets)
    usual = float(np.median([f.crown.width for f in frets if isinstance(f, EdgedFret)]))
    halves = [(f.crown.width if isinstance(f, EdgedFret) else usual) / 2.0 for f in frets]
    return [f for f, w in zip(frets, halves, strict=True) if in_photo(photo, f.frame, w, _EDGE_PX)], softness


def _located(photo: Photo, frames: list[FretFrame], covers: tuple[Floats, ...]) -> list[LocatedFret]:
    """The photo resampled around every fret, all alike: as finely as the first."""
    unread = NotMeasured(Key(feature="crown width"), "not yet read")
    found: list[LocatedFret] = []
    for frame in frames:
        per_mm = found[0].patch.px_per_mm if found else None
        how = Sampling(0.0, (1.0, HALF_PATCH_MM), per_mm, _ROW_MM, colour=True)
        found.append(LocatedFret(frame, sample_patch(photo, frame, covers, unread, how=how)))
    return found


def _at_expected_places(frets: Sequence[LocatedFret]) -> list[LocatedFret]:
    """Frets without edges put where the others' spacing expects them: the photo's edge may have cut them."""
    edged = [i for i, f in enumerate(frets) if isinstance(f, EdgedFret)]
    if len(edged) < 2:
        return [frets[i] for i in edged]
    across = frets[edged[0]].frame.across
    at, steps = np.array([f.frame.origin_mm @ across for f in frets]), np.array([f.frame.number for f in frets])
    basis = np.column_stack([2.0 ** (-steps / 12.0), np.ones(len(steps))])
    expected = basis @ np.linalg.lstsq(basis[edged], at[edged], rcond=None)[0]
    return [
        f
        if isinstance(f, EdgedFret)
        else replace(f, frame=replace(f.frame, origin_mm=f.frame.origin_mm + (x - a) * across))
        for f, a, x in zip(frets, at, expected, strict=True)
    ]
