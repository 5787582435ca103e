"""A pulled fret or a piece of wire, end-on, the scale flush with its end: crown, flat and tang."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from calib.edge_response import edge_response
from calib.photo import ASSUMED, Photo
from calib.plane import Plane
from calib.scales.base import Scale
from calib.unsharpening import unsharpened
from inspect_app import __version__
from inspect_app.measure.manual import placed_on
from inspect_app.measure.section.dimensions import measure_dimensions
from inspect_app.measure.section.likeliest_fit import fit_section
from inspect_app.measure.section.outline_fit import FittedSection
from inspect_app.measure.summary import summaries
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import FretReading, Inspection
from inspect_app.reading.key import NotMeasured, on_fret

__all__ = ["DetectedSection", "detect", "measure_detected"]

SOFT_MM = 0.025
"""Blur (standard deviation) beyond which edges are called soft: three blurs are left out beside each corner, and of a
tang's foot, half a millimetre wide, little more than two thirds are then left."""
FEW_PX_PER_MM = 50.0
"""Below this a tang is less than 25 pixels wide, and a tenth of a pixel is 2 um."""
BURNT_WHITE = 252.0 / 255.0
"""Code from which a sensor is full: the last three."""
LEAST_PX_PER_MM = 25.0
"""Below this a tang is a dozen pixels wide: with its corners left out nothing remains."""


@dataclass(frozen=True)
class DetectedSection:
    """What is detected before any edge is placed by hand."""

    photo: Photo
    scale: Scale
    plane: Plane
    section: FittedSection | NotMeasured


def detect(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> DetectedSection:
    """Find the wire's cut face and fit its outline; the edges that `ask` fixes by hand are left alone."""
    what = on_fret(ask.first_fret, "section")
    px_per_mm = plane.px_per_mm(scale.plane_mm.mean(axis=0))
    if px_per_mm < LEAST_PX_PER_MM:
        few = f"there are only {px_per_mm:.0f} pixels to the millimetre; go closer until the wire fills a fifth"
        return DetectedSection(photo, scale, plane, NotMeasured(what, f"{few} of the photo's width"))
    response = edge_response(photo, scale)
    # a halo looks like another edge a few pixels off
    fitted = fit_section(unsharpened(photo, response), scale, plane)
    why = _NOTHING + _BURNT_OUT * (response is not None and response.white >= BURNT_WHITE)
    return DetectedSection(photo, scale, plane, fitted or NotMeasured(what, why))


def measure_detected(detected: DetectedSection, ask: Ask) -> Inspection:
    """The readings of what was detected, with the edges that `ask` fixes by hand where they were put.

    Raises
    ------
    OptionError
        If an edge was placed past the one across from it.
    """
    n, section = ask.first_fret, detected.section
    kept = summaries(detected.photo, detected.scale, detected.plane, ask)
    base = Inspection("section", kept[0], __version__, ask.to_dict(), scale=kept[1], camera=kept[2])
    if isinstance(section, NotMeasured):
        return replace(base, not_measured=(section,))
    placed = placed_on(ask.hand_edges, n)
    dimensions, drawn, missing = measure_dimensions(section, detected.plane, n, placed)
    reading = replace(FretReading(n, outlines=drawn), **dimensions)  # type: ignore[arg-type]
    return replace(
        base,
        frets=(reading,),
        not_measured=missing,
        flags=_flags(detected.plane, section),
        checks=_checks(section, detected.plane),
    )


_NOTHING = (
    "nothing in the photo has the outline of a wire's cut end, crown up, with its tang; look straight along the wire, "
    "focus on its end, and let it stand out from what is behind it"
)
_BURNT_OUT = "; the white of the scale is burnt out, and a bright end with it: expose less, or dim the light"


def _flags(plane: Plane, fitted: FittedSection) -> tuple[str, ...]:
    doubts = {
        "BLURRED": not fitted.blur_px / fitted.px_per_mm <= SOFT_MM,
        "LOW_RESOLUTION": fitted.px_per_mm < FEW_PX_PER_MM,
        "FOCAL_ASSUMED": plane.focal_source == ASSUMED,
    }
    return tuple(code for code, doubt in doubts.items() if doubt)


def _checks(fitted: FittedSection, plane: Plane) -> dict[str, float]:
    return {
        "turn_deg": math.degrees(fitted.shape.turn),
        "outline_seen": fitted.support,
        "scatter_mm": max((float(s) for s in fitted.scatter if math.isfinite(s)), default=0.0),
        "blur_px": fitted.blur_px,
        "px_per_mm": fitted.px_per_mm,
        "scale_tilt_deg": plane.tilt_deg,
    }
