"""Close up on one end of a fret, along the neck, the backdrop just behind it: its bevel, tip and overhang."""

from __future__ import annotations

from dataclasses import dataclass, replace

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app import __version__
from inspect_app.measure.backdrop.bevel import EndReading, measure_end
from inspect_app.measure.backdrop.by_hand import manual_end
from inspect_app.measure.backdrop.end_outline import End
from inspect_app.measure.backdrop.end_seen import end_outline_of
from inspect_app.measure.backdrop.fret import DetectedFret, detect_fret, draw_crown_line
from inspect_app.measure.backdrop.overhang import measure_overhang
from inspect_app.measure.backdrop.pose import ROLL_U
from inspect_app.measure.backdrop.tip_radius import measure_tip
from inspect_app.measure.manual import placed_on
from inspect_app.measure.summary import summaries
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import FretReading, Inspection
from inspect_app.reading.key import NotMeasured, on_fret
from shared.errors import OptionError

__all__ = ["DetectedEnd", "detect", "measure_detected"]


@dataclass(frozen=True)
class DetectedEnd:
    """What is detected before any edge is placed by hand."""

    photo: Photo
    scale: Scale
    plane: Plane
    fret: DetectedFret | NotMeasured
    end: EndReading | NotMeasured


UNSEEN = (
    "the crown's own shadow fills the joint with the wood, lifted or not: slide a feeler under the end, and write down "
    "what it reads"
)
"""Why no close-up tells whether an end sits."""


def detect(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> DetectedEnd:
    """Find the crown line and the end; the edges that `ask` fixes by hand are left alone.

    Raises
    ------
    InspectError
        If `ask` does not say which end, or the photo's scale is not the backdrop.
    """
    end = _end_of(ask)
    fret = detect_fret(photo, scale, plane, ask)
    if isinstance(fret, NotMeasured):
        return DetectedEnd(photo, scale, plane, fret, fret)
    return DetectedEnd(
        photo, scale, plane, fret, measure_end(end_outline_of(photo, fret, end), fret, end, ROLL_U, ask.first_fret)
    )


def measure_detected(detected: DetectedEnd, ask: Ask) -> Inspection:
    """The readings of what was detected, with the edges that `ask` fixes by hand where they were put."""
    n, which, fret = ask.first_fret, _end_of(ask), detected.fret
    kept = summaries(detected.photo, detected.scale, detected.plane, ask)
    base = Inspection("end", kept[0], __version__, ask.to_dict(), scale=kept[1], camera=kept[2])
    if isinstance(fret, NotMeasured):
        return replace(base, not_measured=(NotMeasured(on_fret(n, f"bevel {which}"), fret.reason),))
    found = detected.end if isinstance(detected.end, EndReading) else None
    parts = placed_on(ask.hand_edges, n).get((f"bevel {which}", None), {})
    manual = manual_end(found, fret, which, parts, ROLL_U, n)
    end = detected.end if manual is None else manual
    drawn = draw_crown_line(fret, n)
    if isinstance(end, NotMeasured):
        return replace(base, frets=(FretReading(n, outlines=drawn),), not_measured=(end,), flags=fret.flags)
    more = [measure(detected.photo, fret, which, end, n) for measure in (measure_tip, measure_overhang)]
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
    lost = (
        *(got for got in more if isinstance(got, NotMeasured)),
        NotMeasured(on_fret(n, f"{which} end lifted"), UNSEEN),
    )
    return replace(base, frets=(reading,), not_measured=lost, flags=fret.flags, checks=fret.checks())


def _end_of(ask: Ask) -> End:
    if ask.end is None:
        raise OptionError("The photo of an end does not say which end it is.", "Say treble or bass.")
    return ask.end
