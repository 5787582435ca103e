"""Close up on one end of a fret, along the neck, the backdrop just behind it: its bevel, tip and overhang."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app import __version__
from inspect_app.measure.backdrop.bevel import EndReading, edge_of, measure_end
from inspect_app.measure.backdrop.by_hand import hold_end
from inspect_app.measure.backdrop.end_edge import End
from inspect_app.measure.backdrop.fret_on_backdrop import StandingFret, draw_crown_line, see_fret
from inspect_app.measure.backdrop.pose import ROLL_U
from inspect_app.measure.backdrop.tip import measure_overhang, measure_tip
from inspect_app.measure.manual import placed_on
from inspect_app.measure.summary import summaries
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import FretReading, Inspection
from shared.errors import OptionError
from shared.measured import NotMeasured

__all__ = ["Seen", "measure", "see", "read"]


@dataclass(frozen=True)
class Seen:
    """A photo read as far as it goes before any edge is placed by hand."""

    photo: Photo
    scale: Scale
    plane: Plane
    fret: StandingFret | NotMeasured
    end: EndReading | NotMeasured


def measure(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Inspection:
    """Measure the end that `ask` names: bevel, tip radius, and how far it stands beyond the board's edge.

    Raises
    ------
    InspectError
        If it does not say which end, or the photo's scale is not the backdrop.
    """
    return read(see(photo, scale, plane, ask), ask)


def see(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Seen:
    """Find the crown line and the end; the edges that `ask` fixes by hand are not looked at.

    Raises
    ------
    InspectError
        If `ask` does not say which end, or the photo's scale is not the backdrop.
    """
    end = _end_of(ask)
    fret = see_fret(photo, scale, plane, ask)
    if isinstance(fret, NotMeasured):
        return Seen(photo, scale, plane, fret, fret)
    return Seen(photo, scale, plane, fret, measure_end(edge_of(photo, fret, end), fret, end, ROLL_U, ask.first_fret))


def read(seen: Seen, ask: Ask) -> Inspection:
    """The readings of what was seen, with the edges that `ask` fixes by hand where they were put."""
    n, which, fret = ask.first_fret, _end_of(ask), seen.fret
    kept = summaries(seen.photo, seen.scale, seen.plane, ask)
    base = Inspection("end", kept[0], __version__, ask.to_dict(), scale=kept[1], camera=kept[2])
    if isinstance(fret, NotMeasured):
        return replace(base, not_measured=(NotMeasured(f"fret {n}, bevel {which}", fret.reason),))
    found = seen.end if isinstance(seen.end, EndReading) else None
    parts = placed_on(ask.hand_edges, n).get(f"bevel {which}", {})
    held = hold_end(found, fret, which, parts, ROLL_U, n)
    end = seen.end if held is None else held
    drawn = draw_crown_line(fret, n)
    if isinstance(end, NotMeasured):
        return replace(base, frets=(FretReading(n, outlines=drawn),), not_measured=(end,), flags=fret.flags)
    more = [look(seen.photo, fret, which, end, n) for look in (measure_tip, measure_overhang)]
    tip, overhang = (None if isinstance(got, NotMeasured) else got for got in more)
    reading = FretReading(
        n,
        bevel_treble=end.angle if which == "treble" else None,
        bevel_bass=end.angle if which == "bass" else None,
        bevel_straight=end.straight,
        tip_radius=tip[0] if tip else None,
        overhang=overhang[0] if overhang else None,
        outlines=(*drawn, end.drawn, *(got[1] for got in (tip, overhang) if got is not None)),
    )
    lost = tuple(got for got in more if isinstance(got, NotMeasured))
    return replace(base, frets=(reading,), not_measured=lost, flags=fret.flags, checks=_checks(fret))


def _checks(fret: StandingFret) -> dict[str, float]:
    return {
        "elevation_deg": math.degrees(fret.elevation),
        "u_elevation_deg": math.degrees(fret.u_elevation),
        "lean_deg": math.degrees(fret.pose.lean),
        "blur_px": fret.blur_px,
    }


def _end_of(ask: Ask) -> End:
    if ask.end is None:
        raise OptionError("The photo of an end does not say which end it is.", "Say treble or bass.")
    return ask.end
