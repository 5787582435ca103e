"""Along the neck, low over the board, the backdrop just behind one fret: divots, board radius, bevels of both ends."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app import __version__
from inspect_app.instrument.crown import blind_depth, depth_from_drop, half_chord
from inspect_app.measure.backdrop.bevel import EndReading, bevel_foot, measure_end
from inspect_app.measure.backdrop.blur import outline_blur
from inspect_app.measure.backdrop.by_hand import (
    ARC,
    manual_end,
    mark_manual,
    with_manual_arc,
    with_manual_edges,
)
from inspect_app.measure.backdrop.circle import STRAIGHT_U
from inspect_app.measure.backdrop.covering import crossings, is_lifted
from inspect_app.measure.backdrop.crown_line import UNDER_MM, crown_line_of
from inspect_app.measure.backdrop.divots import (
    Hollow,
    Profile,
    find_hollows,
    is_sure,
    least_drop,
    measure_depth,
    measure_length,
    measure_place,
    read_profile,
)
from inspect_app.measure.backdrop.end_outline import End
from inspect_app.measure.backdrop.end_seen import end_outline_of
from inspect_app.measure.backdrop.flat_edges import with_flat_edges
from inspect_app.measure.backdrop.fret import (
    DetectedFret,
    card_above,
    detect_fret,
    draw_crown_line,
    u_scale,
)
from inspect_app.measure.backdrop.line_end import goes_on_unfollowed
from inspect_app.measure.backdrop.pose import ROLL_U, TURN_U, BoardPose
from inspect_app.measure.backdrop.treble_foot import treble_foot
from inspect_app.measure.manual import Placed, marked, no_longer_found, placed_on
from inspect_app.measure.summary import summaries
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Divot, FretReading, Inspection, Outline
from inspect_app.reading.key import NotMeasured, on_fret
from shared.measured import Contribution, Measured

__all__ = ["DetectedElevation", "detect", "measure_detected"]

Array = NDArray[np.float64]
Ends = Mapping[End, EndReading | NotMeasured]

STEEP = math.radians(8.0)
"""Elevation beyond which even a hollow of `WANTED_MM` moves an everyday crown's outline by less than 0.004 mm."""
USEFUL = math.radians(5.0)
"""Elevation above which a lower camera shows more of a divot; below 2 degrees nearer frets get in the way."""
DOUBTFUL = 0.5
"""Share of a depth that its expanded uncertainty may reach before the photo that would settle it is asked for: beyond,
a divot to dress and one to leave alone read alike."""
WANTED_MM = 0.03
"""Depth of hollow that a photo ought to show: less is polished out without thought (common practice, no source)."""
INCOMPLETE_SHARE = 0.1
"""Share of the outline that may be lost before only hollows with plain card above them are believed."""
TOO_SCATTERED_PX = 0.5
"""Scatter of the smoothed outline about the circle, px, beyond which it is a mixture of edges: an outline's own
place is known to a tenth of a pixel, and smoothing averages a dozen points."""
SCATTERED_PX = 0.25
"""The same beyond which only hollows with plain card above them are believed: part of it follows another edge."""
ROLL_MEASURED_U = math.radians(0.1)
"""Standard uncertainty of the backdrop's level once the board's own ends gave it: ends 0.3 mm unlike on a 241 mm
radius."""
BEND_SHARE = 0.5
"""How much of an edge's definition, or of its scatter where that is more, may bend the same way over the whole crown
line."""
MOST_ABOVE = 0.05
"""Share of a crown line above its reference arc beyond which neither is believed: dirt and burrs stand up over a
millimetre or two (common practice, no source)."""
HIDDEN_BEND = math.sqrt(1.5 / 12.0)
"""Standard uncertainty of a bend, over the width of what hides it: at its middle and at its ends, the mean of two, the
outline lies anywhere in that width (GUM 4.3.7)."""
LAMPS_LINE = (
    "the edge followed leads to burnt-out metal, which is the lamp's line on it: the crown's own outline above that "
    "does not show; go closer, or move the lamp"
)
ABOVE = (
    "part of the edge followed stands above the arc of the rest, so not all of it is the crown's; take off what lies "
    "on the fret, tape say, or change the light"
)
OUTSHONE = (
    "the lamp's line on the metal is stronger than the outline above it, so a hollow that reaches it does not show; "
    "change the light"
)
UNSURE = (
    "over part of the fret the outline may be either of two edges: there may be a divot, but none deeper than "
    "{:.2f} mm; change the light to see"
)
MORE_LIKELY = 0.5
"""Probability of a flat's near edge from which an edge that is left above a hollow is taken for its far one."""
LEAST_ARC_MM = 30.0
"""Shortest part of a crown line that tells a board's radius: three strings wide (common practice, no source). Of less,
wear between the places that are left may bend as much as the board does."""
MOST_U_RADIUS = 0.08
"""Expanded uncertainty of a board's radius, relative, from which it says nothing to a repairer: 12 and 14 inches lie
15 % apart, and the usual radii hardly more (common practice, no source)."""
SHORT_ARC = "too little of the crown line shows to tell the board's radius from it; change the light or mark the arc"


@dataclass(frozen=True)
class DetectedElevation:
    """What is detected before any edge is placed by hand."""

    photo: Photo
    scale: Scale
    plane: Plane
    fret: DetectedFret | NotMeasured
    ends: Ends


def detect(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> DetectedElevation:
    """Find the crown line and both ends; the edges that `ask` fixes by hand are left alone.

    Raises
    ------
    InspectError
        If the photo's scale is not the backdrop.
    """
    fret = detect_fret(photo, scale, plane, ask)
    if isinstance(fret, NotMeasured):
        return DetectedElevation(photo, scale, plane, fret, {})
    return DetectedElevation(photo, scale, plane, *_ends(photo, fret, ask.first_fret))


def measure_detected(detected: DetectedElevation, ask: Ask) -> Inspection:
    """The readings of what was detected, with the edges that `ask` fixes by hand where they were put."""
    n = ask.first_fret
    kept = summaries(detected.photo, detected.scale, detected.plane, ask)
    base = Inspection("elevation", kept[0], __version__, ask.to_dict(), scale=kept[1], camera=kept[2])
    if isinstance(detected.fret, NotMeasured):
        what, why = ("crown line", "divots", "bevels"), detected.fret.reason
        lost = tuple(NotMeasured(on_fret(n, w), why) for w in what)
        return replace(base, frets=(FretReading(n),), not_measured=lost)
    placed = placed_on(ask.hand_edges, n)
    fret = with_manual_arc(detected.fret, placed.get((ARC, None), {}), n)
    ends = _with_manual_ends(detected, fret, placed, n)
    bevels = {end: e for end, e in ends.items() if isinstance(e, EndReading)}
    profile = read_profile(fret.line)
    least = _least_depth(profile, fret)
    lost_at = _lost_at(detected.photo, fret, ends)
    found, declined = _hollows(detected, fret, profile, n, bool(lost_at))
    hollows = with_manual_edges(found, fret, placed)
    flags = (*fret.flags, *(("STEEP_VIEW",) if fret.elevation > STEEP else ()))
    manual_arc = fret is not detected.fret
    treble, foot = bevels.get("treble"), treble_foot(fret, ends.get("treble"), ends.get("bass"), lost_at)
    radius = _manual_radius(fret, profile, n) if manual_arc else _radius(fret, profile, n)
    reading = FretReading(
        n,
        crown_line_radius=radius if isinstance(radius, Measured) else None,
        blind_depth=_blind_depth(fret),
        bevel_treble=treble.angle if treble else None,
        bevel_bass=bevels["bass"].angle if "bass" in bevels else None,
        divots=tuple(mark_manual(_divot(h.hollow, least, fret, foot, flags), h, manual_arc) for h in hollows),
        outlines=(
            *draw_crown_line(fret, n),
            *_drawn_hollows([h.hollow for h in hollows], fret, n),
            *(e.drawn for e in bevels.values()),
        ),
    )
    missing = [e for e in ends.values() if isinstance(e, NotMeasured)]
    lost = (*missing, *declined, *((radius,) if isinstance(radius, NotMeasured) else ()))
    lost = (*lost, *no_longer_found(on_fret(n, "divots"), placed, len(hollows)))
    return replace(base, frets=(reading,), not_measured=lost, flags=flags, checks=_checks(fret, least))


def _with_manual_ends(detected: DetectedElevation, fret: DetectedFret, placed: Placed, n: int) -> Ends:
    """The ends detected, with placed lines in place of theirs."""
    found = {end: e for end, e in detected.ends.items() if isinstance(e, EndReading)}
    u_roll = ROLL_MEASURED_U if len(found) == 2 else ROLL_U
    ends = dict(detected.ends)
    for end in ends:
        manual = manual_end(found.get(end), fret, end, placed.get((f"bevel {end}", None), {}), u_roll, n)
        if manual is not None:
            ends[end] = manual
    return ends


def _ends(photo: Photo, fret: DetectedFret, n: int) -> tuple[DetectedFret, Ends]:
    """Both ends' bevels; when both are seen the board's own symmetry says how level the backdrop stands."""
    edges = {end: end_outline_of(photo, fret, end) for end in get_args(End)}
    feet = [
        foot
        for end, edge in edges.items()
        if not isinstance(edge, str) and (foot := bevel_foot(edge, fret, end)) is not None
    ]
    level = _levelled(fret, sum(feet) / 2.0) if len(feet) == 2 else None
    fret, u_roll = (level, ROLL_MEASURED_U) if level else (fret, ROLL_U)
    return fret, {end: measure_end(edge, fret, end, u_roll, n) for end, edge in edges.items()}


def _levelled(fret: DetectedFret, middle: float) -> DetectedFret | None:
    """The fret on a board that is level halfway between its ends; None where that is no plausible correction."""
    roll = -math.atan(float(fret.line.circle.slope(middle)))
    pose = replace(fret.pose, roll=fret.pose.roll + roll)
    line = crown_line_of(fret.line.edge, pose, fret.crown.radius, fret.mm_per_px, fret.line.used)
    return None if line is None or abs(roll) > 5.0 * ROLL_U else replace(fret, pose=pose, line=line)


def _lost_at(photo: Photo, fret: DetectedFret, ends: Ends) -> frozenset[End]:
    """The ends towards which the crown line was lost before the fret's own end."""
    unread = (end for end, e in ends.items() if isinstance(e, NotMeasured))
    return frozenset(end for end in unread if goes_on_unfollowed(photo, fret, end))


def _hollows(
    detected: DetectedElevation, fret: DetectedFret, profile: Profile, n: int, lost: bool
) -> tuple[list[Hollow], tuple[NotMeasured, ...]]:
    """Hollows that can be trusted, and why others may be missing; `lost`: the line was not followed to both ends."""
    what, photo = on_fret(n, "divots"), detected.photo
    if crossings(photo, fret) > 0:
        return [], (NotMeasured(what, "something crosses the crown line; take the strings off or push them aside"),)
    if _stands_above(fret):
        return [], (NotMeasured(what, ABOVE),)
    if fret.under_mm < UNDER_MM:
        return [], (NotMeasured(what, OUTSHONE),)
    found, unclear = find_hollows(fret.line, profile, fret.definition_mm)
    found = [_with_blur(h, photo, fret) for h in with_flat_edges(photo, detected.scale, fret, found)]
    hollows = [h for h in found if is_sure(h, _depth(h, fret))]
    shown = [h.near > MORE_LIKELY or card_above(photo, fret, h.at, h.stop - h.start, h.drop) for h in hollows]
    incomplete = unclear > INCOMPLETE_SHARE or profile.noise > SCATTERED_PX * fret.mm_per_px
    kept = [h for h, s in zip(hollows, shown, strict=True) if s or (s is None and not incomplete)]
    if incomplete or lost or False in shown:
        why = "over part of the fret the metal hardly stands out from the backdrop; change the light to see the rest"
        return kept, (NotMeasured(what, why),)
    if len(hollows) < len(found):
        most = max(d.value + d.expanded for h in found if not is_sure(h, d := _depth(h, fret)))
        return hollows, (NotMeasured(what, UNSURE.format(most)),)
    least = _least_depth(profile, fret)
    if least <= WANTED_MM:
        return hollows, ()
    settle = "lower the camera to 2 to 5 degrees" if fret.elevation > USEFUL else "go closer or move the lamp"
    why = (
        f"a divot shallower than {least:.2f} mm does not show from {math.degrees(fret.elevation):.0f} degrees "
        f"above the board in this light; {settle} to settle it"
    )
    return hollows, (NotMeasured(what, why),)


def _with_blur(h: Hollow, photo: Photo, fret: DetectedFret) -> Hollow:
    """A hollow with the blur of its outline's deeper half."""
    deep = np.abs(fret.line.y - h.at) < (h.stop - h.start) / 4.0
    return replace(h, blur_px=outline_blur(photo, fret.line, fret.mm_per_px, deep))


def _depth(h: Hollow, fret: DetectedFret) -> Measured:
    crown, definition, light = fret.crown, fret.definition_mm, fret.u_light_mm(h.blur_px)
    return measure_depth(h, crown, fret.u_elevation, definition, u_scale(fret), fret.resolved_mm, light)


def _stands_above(fret: DetectedFret) -> bool:
    """Whether much of the crown line, or what is left of it up to an end, stands above the arc of the rest."""
    return fret.line.above > MOST_ABOVE or is_lifted(fret)


def _least_depth(profile: Profile, fret: DetectedFret) -> float:
    """Shallowest hollow that would have shown, mm."""
    drop = least_drop(profile, fret.definition_mm)
    return float(depth_from_drop(drop, fret.crown.radius, fret.elevation))


def _divot(
    h: Hollow, least: float, fret: DetectedFret, treble_end: tuple[float, float], flags: tuple[str, ...]
) -> Divot:
    depth = _depth(h, fret)
    if fret.elevation > USEFUL and depth.expanded > DOUBTFUL * depth.value:
        flags = (*flags, "STEEP_VIEW")
    depth = depth.with_flags(*flags)
    foot, u_foot = treble_end
    # a flat's far edge lies r sin(phi) behind the centre line, its near one before: carry it along the line of sight
    behind = (1.0 - 2.0 * h.near) * float(half_chord(depth.value, fret.crown.radius))
    aside = float(np.interp(h.at, fret.line.y, fret.pose.rays(fret.line.edge.px)[:, 1])) * behind
    place = h.at + aside - foot
    at = measure_place(h, place, fret.definition_mm, {"fret end": u_foot, "scale": abs(place) * u_scale(fret)})
    shown = float(depth_from_drop(h.drop, fret.crown.radius, h.elevation))  # as `least` is reckoned, by the far edge
    return Divot(at, measure_length(h, shown, least), depth)


def _radius(fret: DetectedFret, profile: Profile, n: int) -> Measured | NotMeasured:
    """Radius of the board at the fret: that of its reference arc."""
    if profile.noise > TOO_SCATTERED_PX * fret.mm_per_px:
        what = on_fret(n, "crown line radius")
        return NotMeasured(what, "too little of the unworn crown line stands out against the backdrop")
    if _stands_above(fret):
        return NotMeasured(on_fret(n, "crown line radius"), ABOVE)
    radius = _radius_of_arc(fret, profile, n, fret.line.u_curvature_by_stretches, fret.hidden_band_mm)
    if isinstance(radius, NotMeasured):
        return radius
    lo, hi = fret.line.span
    short = hi - lo < LEAST_ARC_MM or radius.expanded > MOST_U_RADIUS * radius.value
    why = LAMPS_LINE if fret.burnt_out else SHORT_ARC
    return NotMeasured(on_fret(n, "crown line radius"), why) if short else radius


def _manual_radius(fret: DetectedFret, profile: Profile, n: int) -> Measured | NotMeasured:
    """The same of the arc that a person placed, however little of it shows."""
    radius = _radius_of_arc(fret, profile, n)
    return marked(radius) if isinstance(radius, Measured) else radius


def _radius_of_arc(
    fret: DetectedFret, profile: Profile, n: int, u_by_stretches: float = 0.0, hidden_mm: float = 0.0
) -> Measured | NotMeasured:
    circle, (lo, hi) = fret.line.circle, fret.line.span
    u_noise = max(circle.u_curvature, u_by_stretches)
    if circle.curvature < STRAIGHT_U * u_noise:
        return NotMeasured(on_fret(n, "crown line radius"), "the crown line is straight as far as this photo can tell")
    r = 1.0 / circle.curvature
    # a bend of the edge by so much over the span, as a sagitta s = c^2 k / 8
    bend = BEND_SHARE * max(fret.definition_mm, profile.noise) * 8.0 / (hi - lo) ** 2
    return Measured(
        r,
        "mm",
        (
            Contribution("edge noise", u_noise * r**2),
            Contribution("edge definition", bend * r**2),
            Contribution("lamp's line", HIDDEN_BEND * hidden_mm * 8.0 / (hi - lo) ** 2 * r**2),
            Contribution("scale and lens", _u_curvature_by_plane(fret) * r**2),
            Contribution("camera elevation", _u_curvature_by_tilt(fret) * r**2),
            Contribution("backdrop square to the neck", _u_curvature_by_turn(fret) * r**2),
            Contribution("fret to backdrop", r * fret.pose.u_gap_mm / -float(fret.pose.camera[0])),
        ),
        fret.flags,
    )


def _curvature_seen(fret: DetectedFret, pose: BoardPose) -> float:
    """Curvature of the reference arc's picture carried back in another pose, 1/mm: of a parabola through it."""
    y = np.linspace(*fret.line.span, 9)
    px = fret.pose.to_px(np.column_stack([np.zeros(9), y, fret.line.circle.z(y)]))
    at = pose.cross(px)
    return float(-2.0 * np.polyfit(at[:, 0] - at[:, 0].mean(), at[:, 1], 2)[0])


def _u_curvature_by_plane(fret: DetectedFret) -> float:
    """What the plane's pose and the lens leave open of the crown line's curvature, 1/mm."""
    return float(fret.pose.plane.u_of(lambda plane: _curvature_seen(fret, replace(fret.pose, plane=plane))))


def _u_curvature_by_tilt(fret: DetectedFret) -> float:
    """What the backdrop's tilt leaves open of the crown line's curvature, 1/mm."""
    low, high = (
        _curvature_seen(fret, fret.pose.tilted(fret.pose.tilt + step)) for step in (-fret.u_elevation, fret.u_elevation)
    )
    return abs(high - low) / 2.0


def _u_curvature_by_turn(fret: DetectedFret) -> float:
    """What the backdrop's turn leaves open of the crown line's curvature, 1/mm: about the line's own middle."""
    middle = sum(fret.line.span) / 2.0
    at = (0.0, middle, float(fret.line.circle.z(middle)))
    one, other = (_curvature_seen(fret, fret.pose.turned_about(at, turn=step)) for step in (-TURN_U, TURN_U))
    return abs(other - one) / 2.0


def _blind_depth(fret: DetectedFret) -> Measured:
    """Removal that leaves the outline as it was, r (1 - cos e)."""
    r, e = fret.crown.radius, fret.elevation
    return Measured.of(
        blind_depth(r, e),
        "mm",
        camera_elevation=abs(r * math.sin(e)) * fret.u_elevation,
        crown_radius=(1.0 - math.cos(e)) * fret.crown.u_radius,
    )


def _drawn_hollows(hollows: list[Hollow], fret: DetectedFret, n: int) -> list[Outline]:
    out = []
    for i, h in enumerate(hollows, start=1):
        inside = (fret.line.y >= h.start) & (fret.line.y <= h.stop)
        points = tuple((float(x), float(y)) for x, y in fret.line.edge.px[inside][::3])
        out.append(Outline("divot", points, of=on_fret(n, "divots", i)))
    return out


def _checks(fret: DetectedFret, least: float) -> dict[str, float]:
    return {**fret.checks(), "least_depth_mm": least}
