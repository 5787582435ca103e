"""Scales: one file a kind, and `find_scale` which looks for the kind that was asked for."""

from __future__ import annotations

from calib.photo import Photo
from calib.scales.ask import ScaleAsk, parse_scale
from calib.scales.base import Scale
from calib.scales.printed import find_printed
from shared.errors import ScaleError

__all__ = ["Scale", "ScaleAsk", "find_scale", "parse_scale"]


def find_scale(photo: Photo, ask: ScaleAsk) -> Scale:
    """Find the scale `ask` names in `photo`.

    Raises
    ------
    ScaleError
        If it is not there, or not whole enough to give millimetres.
    """
    if ask.kind in ("strip", "backdrop"):
        return find_printed(photo, ask.kind, ask.factor)
    raise ScaleError(f"The scale {ask.kind} can't be read yet.", "Use the printed strip.")
