"""Close up on one end of a fret, along the neck, the backdrop just behind it: the bevel of that end."""

from __future__ import annotations

import math
from dataclasses import replace

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app import __version__
from inspect_app.ask import Ask
from inspect_app.features.bevel import read_end
from inspect_app.features.pose import ROLL_U
from inspect_app.features.standing import draw_crown_line, see_fret
from inspect_app.inspection import FretReading, Inspection
from inspect_app.views import summaries
from shared.errors import OptionError
from shared.measured import NotMeasured

__all__ = ["measure"]


def measure(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Inspection:
    """Measure the bevel of the end that `ask` names.

    Raises
    ------
    InspectError
        If it does not say which end, or the photo's scale is not the backdrop.
    """
    if ask.end is None:
        raise OptionError("The photo of an end does not say which end it is.", "Say treble or bass.")
    n = ask.first_fret
    kept = summaries(photo, scale, plane, ask)
    base = Inspection("end", kept[0], __version__, ask.to_dict(), scale=kept[1], camera=kept[2])
    fret = see_fret(photo, scale, plane, ask)
    if isinstance(fret, NotMeasured):
        return replace(base, not_measured=(NotMeasured(f"fret {n}, bevel {ask.end}", fret.reason),))
    end = read_end(photo, fret, ask.end, ROLL_U, n)
    drawn = draw_crown_line(fret, n)
    if isinstance(end, NotMeasured):
        return replace(base, frets=(FretReading(n, outlines=drawn),), not_measured=(end,), flags=fret.flags)
    reading = FretReading(
        n,
        bevel_treble=end.angle if ask.end == "treble" else None,
        bevel_bass=end.angle if ask.end == "bass" else None,
        bevel_straight=end.straight,
        outlines=(*drawn, end.drawn),
    )
    checks = {
        "elevation_deg": math.degrees(fret.elevation),
        "u_elevation_deg": math.degrees(fret.u_elevation),
        "lean_deg": math.degrees(fret.pose.lean),
        "blur_px": fret.blur_px,
    }
    return replace(base, frets=(reading,), flags=fret.flags, checks=checks)
