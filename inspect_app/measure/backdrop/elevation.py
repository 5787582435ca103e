"""Along the neck, low over the board, the backdrop just behind one fret: divots, board radius, bevels of both ends."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app import __version__
from inspect_app.instrument.crown import blind_depth, depth_from_drop, half_chord
from inspect_app.measure.backdrop.bevel import EndReading, edge_of, foot_of, foot_seen, measure_end
from inspect_app.measure.backdrop.by_hand import (
    ARC,
    hold_arc,
    hold_end,
    hold_hollows,
    lost_hollows,
    mark_divot,
)
from inspect_app.measure.backdrop.crown_line import crown_line_of
from inspect_app.measure.backdrop.divots import (
    Hollow,
    Profile,
    find_hollows,
    least_drop,
    measure_depth,
    measure_length,
    measure_place,
    read_profile,
)
from inspect_app.measure.backdrop.end_edge import End
from inspect_app.measure.backdrop.fret_on_backdrop import (
    StandingFret,
    card_above,
    crossings,
    draw_crown_line,
    see_fret,
    u_scale,
)
from inspect_app.measure.backdrop.pose import ROLL_U
from inspect_app.measure.manual import Placed, marked, placed_on
from inspect_app.measure.summary import summaries
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Divot, FretReading, Inspection, Outline
from shared.measured import Contribution, Measured, NotMeasured

__all__ = ["Seen", "measure", "see", "read"]

Array = NDArray[np.float64]
Ends = dict[End, EndReading]

STEEP = math.radians(8.0)
"""Elevation beyond which even a hollow of `WANTED_MM` moves an everyday crown's outline by less than 0.004 mm."""
USEFUL = math.radians(5.0)
"""Elevation above which a lower camera shows more of a divot; below 2 degrees nearer frets get in the way."""
DOUBTFUL = 0.5
"""Share of a depth that its expanded uncertainty may reach before the photo that would settle it is asked for: beyond,
a divot to dress and one to leave alone read alike."""
WANTED_MM = 0.03
"""Depth of hollow that a photo ought to show: less is polished out without thought (common practice, no source)."""
UNCLEAR = 0.1
"""Share of the outline that may be lost before only hollows with plain card above them are believed."""
RAGGED_PX = 0.5
"""Scatter of the smoothed outline about the circle, px, beyond which it is a mixture of edges: an outline's own
place is known to a tenth of a pixel, and smoothing averages a dozen points."""
PATCHY_PX = 0.25
"""The same beyond which only hollows with plain card above them are believed: part of it follows another edge."""
ROLL_SEEN_U = math.radians(0.1)
"""Standard uncertainty of the backdrop's level once the board's own ends gave it: ends 0.3 mm unlike on a 241 mm
radius."""
WIGGLE_SHARE = 0.5
"""How much of an edge's definition, or of its scatter where that is more, may bend the same way over the whole crown
line."""


@dataclass(frozen=True)
class Seen:
    """A photo read as far as it goes before any edge is placed by hand."""

    photo: Photo
    scale: Scale
    plane: Plane
    fret: StandingFret | NotMeasured
    ends: Ends
    missing: tuple[NotMeasured, ...]


def measure(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Inspection:
    """Measure the fret in focus.

    Raises
    ------
    InspectError
        If the photo's scale is not the backdrop.
    """
    return read(see(photo, scale, plane, ask), ask)


def see(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Seen:
    """Find the crown line and both ends; the edges that `ask` fixes by hand are not looked at.

    Raises
    ------
    InspectError
        If the photo's scale is not the backdrop.
    """
    fret = see_fret(photo, scale, plane, ask)
    if isinstance(fret, NotMeasured):
        return Seen(photo, scale, plane, fret, {}, ())
    return Seen(photo, scale, plane, *_ends(photo, fret, ask.first_fret))


def read(seen: Seen, ask: Ask) -> Inspection:
    """The readings of what was seen, with the edges that `ask` fixes by hand where they were put."""
    n = ask.first_fret
    kept = summaries(seen.photo, seen.scale, seen.plane, ask)
    base = Inspection("elevation", kept[0], __version__, ask.to_dict(), scale=kept[1], camera=kept[2])
    if isinstance(seen.fret, NotMeasured):
        what, why = ("crown line", "divots", "bevels"), seen.fret.reason
        lost = tuple(NotMeasured(f"fret {n}, {w}", why) for w in what)
        return replace(base, frets=(FretReading(n),), not_measured=lost)
    placed = placed_on(ask.hand_edges, n)
    fret = hold_arc(seen.fret, placed.get(ARC, {}), n)
    ends, missing = _held_ends(seen, fret, placed, n)
    profile = read_profile(fret.line)
    least = _least_depth(profile, fret)
    found, declined = _hollows(seen.photo, fret, profile, n)
    hollows = hold_hollows(found, fret, placed)
    flags = (*fret.flags, *(("STEEP_VIEW",) if fret.elevation > STEEP else ()))
    by_hand = fret is not seen.fret
    radius = _radius(fret, profile, n, by_hand)
    reading = FretReading(
        n,
        crown_line_radius=radius if isinstance(radius, Measured) else None,
        blind_depth=_blind(fret),
        bevel_treble=ends["treble"].angle if "treble" in ends else None,
        bevel_bass=ends["bass"].angle if "bass" in ends else None,
        divots=tuple(mark_divot(_divot(h.hollow, least, fret, ends, flags), h, fret is not seen.fret) for h in hollows),
        outlines=(
            *draw_crown_line(fret, n),
            *_drawn_hollows([h.hollow for h in hollows], fret, n),
            *(e.drawn for e in ends.values()),
        ),
    )
    lost = (*missing, *declined, *((radius,) if isinstance(radius, NotMeasured) else ()))
    lost = (*lost, *lost_hollows(f"fret {n}, divots", placed, len(hollows)))
    return replace(base, frets=(reading,), not_measured=lost, flags=flags, checks=_checks(fret, least))


def _held_ends(seen: Seen, fret: StandingFret, placed: Placed, n: int) -> tuple[Ends, tuple[NotMeasured, ...]]:
    """The ends found, with placed lines in place of theirs."""
    ends, missing = dict(seen.ends), list(seen.missing)
    u_roll = ROLL_SEEN_U if len(seen.ends) == 2 else ROLL_U
    for end in get_args(End):
        feature = f"bevel {end}"
        held = hold_end(ends.get(end), fret, end, placed.get(feature, {}), u_roll, n)
        if held is None:
            continue
        missing = [m for m in missing if m.what != f"fret {n}, {feature}"]
        ends.pop(end, None)
        if isinstance(held, EndReading):
            ends[end] = held
        else:
            missing.append(held)
    return ends, tuple(missing)


def _ends(photo: Photo, fret: StandingFret, n: int) -> tuple[StandingFret, Ends, tuple[NotMeasured, ...]]:
    """Both ends' bevels; when both are seen the board's own symmetry says how level the backdrop stands."""
    edges = {end: edge_of(photo, fret, end) for end in get_args(End)}
    feet = [foot for end, edge in edges.items() if edge and (foot := foot_seen(edge, fret, end)) is not None]
    level = _levelled(fret, sum(feet) / 2.0) if len(feet) == 2 else None
    fret, u_roll = (level, ROLL_SEEN_U) if level else (fret, ROLL_U)
    read = {end: measure_end(edge, fret, end, u_roll, n) for end, edge in edges.items()}
    found = {k: v for k, v in read.items() if isinstance(v, EndReading)}
    return fret, found, tuple(v for v in read.values() if isinstance(v, NotMeasured))


def _levelled(fret: StandingFret, middle: float) -> StandingFret | None:
    """The fret on a board that is level halfway between its ends; None where that is no plausible correction."""
    roll = -math.atan(float(fret.line.circle.slope(middle)))
    pose = fret.pose.rolled(fret.pose.roll + roll)
    line = crown_line_of(fret.line.edge, pose, fret.crown.radius, fret.mm_per_px, fret.line.used)
    return None if line is None or abs(roll) > 5.0 * ROLL_U else replace(fret, pose=pose, line=line)


def _hollows(
    photo: Photo, fret: StandingFret, profile: Profile, n: int
) -> tuple[list[Hollow], tuple[NotMeasured, ...]]:
    """Hollows that can be trusted, and why others may be missing."""
    what = f"fret {n}, divots"
    if crossings(photo, fret) > 0:
        return [], (NotMeasured(what, "something crosses the crown line; take the strings off or push them aside"),)
    hollows, unclear = find_hollows(fret.line, profile, fret.definition_mm)
    shown = [card_above(photo, fret, h.at, h.stop - h.start, h.drop) for h in hollows]
    patchy = unclear > UNCLEAR or profile.noise > PATCHY_PX * fret.mm_per_px
    kept = [h for h, s in zip(hollows, shown, strict=True) if s or (s is None and not patchy)]
    if patchy or False in shown:
        why = "over part of the fret the metal hardly stands out from the backdrop; change the light to see the rest"
        return kept, (NotMeasured(what, why),)
    least = _least_depth(profile, fret)
    if least <= WANTED_MM:
        return hollows, ()
    settle = "lower the camera to 2 to 5 degrees" if fret.elevation > USEFUL else "go closer or move the lamp"
    why = (
        f"a divot shallower than {least:.2f} mm does not show from {math.degrees(fret.elevation):.0f} degrees "
        f"above the board in this light; {settle} to settle it"
    )
    return hollows, (NotMeasured(what, why),)


def _ragged(fret: StandingFret, profile: Profile) -> bool:
    """Whether what was followed is too uneven to be a crown's outline."""
    return profile.noise > RAGGED_PX * fret.mm_per_px


def _least_depth(profile: Profile, fret: StandingFret) -> float:
    """Shallowest hollow that would have shown, mm."""
    drop = least_drop(profile, fret.definition_mm)
    return float(depth_from_drop(drop, fret.crown.radius, fret.elevation))


def _divot(h: Hollow, least: float, fret: StandingFret, ends: Ends, flags: tuple[str, ...]) -> Divot:
    depth = measure_depth(h, fret.crown, fret.u_elevation, fret.definition_mm, u_scale(fret), fret.resolved_mm)
    if fret.elevation > USEFUL and depth.expanded > DOUBTFUL * depth.value:
        flags = (*flags, "STEEP_VIEW")
    depth = depth.with_flags(*flags)
    foot, u_foot = foot_of(fret, ends.get("treble"))
    # the flat's far edge lies r sin(phi) behind the centre line: carry it along the line of sight
    behind = float(half_chord(depth.value, fret.crown.radius))
    aside = float(np.interp(h.at, fret.line.y, fret.pose.rays(fret.line.edge.px)[:, 1])) * behind
    place = h.at + aside - foot
    at = measure_place(h, place, fret.definition_mm, {"fret end": u_foot, "scale": abs(place) * u_scale(fret)})
    return Divot(at, measure_length(h, depth.value, least), depth)


def _radius(fret: StandingFret, profile: Profile, n: int, by_hand: bool = False) -> Measured | NotMeasured:
    """Radius of the board at the fret: that of its unworn crown line, or of the arc that a person placed."""
    circle, (lo, hi) = fret.line.circle, fret.line.span
    what = f"fret {n}, crown line radius"
    if not by_hand and _ragged(fret, profile):
        return NotMeasured(what, "too little of the unworn crown line stands out against the backdrop")
    if circle.curvature < 3.0 * circle.u_curvature:
        return NotMeasured(what, "the crown line is straight as far as this photo can tell")
    r = 1.0 / circle.curvature
    wiggle = WIGGLE_SHARE * max(fret.definition_mm, profile.noise) * 8.0 / (hi - lo) ** 2
    q = Measured(
        r,
        "mm",
        (
            Contribution("edge noise", circle.u_curvature * r**2),
            Contribution("edge definition", wiggle * r**2),
            Contribution("scale and lens", _u_bend(fret) * r**2),
            Contribution("camera elevation", _u_bend_by_lean(fret) * r**2),
            Contribution("fret to backdrop", r * fret.pose.u_gap_mm / -float(fret.pose.camera[0])),
        ),
        fret.flags,
    )
    return marked(q) if by_hand else q


def _u_bend(fret: StandingFret) -> float:
    """What the plane's pose and the lens leave open of the crown line's curvature, 1/mm."""
    y = np.linspace(*fret.line.span, 9)
    px = fret.pose.to_px(np.column_stack([np.zeros(9), y, fret.line.circle.z(y)]))

    def bend(plane: Plane) -> float:
        at = replace(fret.pose, plane=plane).cross(px)
        return float(-2.0 * np.polyfit(at[:, 0] - at[:, 0].mean(), at[:, 1], 2)[0])

    return float(fret.pose.plane.u_of(bend))


def _u_bend_by_lean(fret: StandingFret) -> float:
    """What the backdrop's lean leaves open of the crown line's curvature, 1/mm."""
    y = np.linspace(*fret.line.span, 9)
    px = fret.pose.to_px(np.column_stack([np.zeros(9), y, fret.line.circle.z(y)]))
    bends = []
    for step in (-fret.u_elevation, fret.u_elevation):
        at = fret.pose.leaning(fret.pose.lean + step).cross(px)
        bends.append(float(-2.0 * np.polyfit(at[:, 0] - at[:, 0].mean(), at[:, 1], 2)[0]))
    return abs(bends[1] - bends[0]) / 2.0


def _blind(fret: StandingFret) -> Measured:
    """Removal that leaves the outline as it was, r (1 - cos e)."""
    r, e = fret.crown.radius, fret.elevation
    return Measured.of(
        blind_depth(r, e),
        "mm",
        camera_elevation=abs(r * math.sin(e)) * fret.u_elevation,
        crown_radius=(1.0 - math.cos(e)) * fret.crown.u_radius,
    )


def _drawn_hollows(hollows: list[Hollow], fret: StandingFret, n: int) -> list[Outline]:
    out = []
    for i, h in enumerate(hollows, start=1):
        inside = (fret.line.y >= h.start) & (fret.line.y <= h.stop)
        points = tuple((float(x), float(y)) for x, y in fret.line.edge.px[inside][::3])
        out.append(Outline("divot", points, of=f"fret {n}, divots {i}"))
    return out


def _checks(fret: StandingFret, least: float) -> dict[str, float]:
    return {
        "elevation_deg": math.degrees(fret.elevation),
        "u_elevation_deg": math.degrees(fret.u_elevation),
        "lean_deg": math.degrees(fret.pose.lean),
        "least_depth_mm": least,
        "blur_px": fret.blur_px,
    }
