"""Across the neck, the backdrop on the crowns behind the outer string: the gap from string to crown at every fret."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from calib.scales.printed import SHEETS, Sheet
from inspect_app import __version__
from inspect_app.instrument.fretboard import fret_position
from inspect_app.measure.backdrop.card_foot import CardLight, StraightEdge, card_light, find_feet
from inspect_app.measure.backdrop.covered_foot import (
    CONTACT_MM,
    CUT_FAR_MM,
    ends_there,
    is_as_printed,
    printed_foot,
    string_goes_on,
    under_by_crowns,
)
from inspect_app.measure.backdrop.crown_heights import crown_heights, lowered, on_the_highest
from inspect_app.measure.backdrop.daylight import (
    ABOVE_PX,
    FROM_PX,
    NONE_SEEN_U_MM,
    SEEN_MM,
    UNSEEN_MM,
    daylight_under,
)
from inspect_app.measure.backdrop.fret_faces import BLUE, Facing, FretFace, find_faces
from inspect_app.measure.backdrop.neck import neck_readings
from inspect_app.measure.backdrop.sliver_colour import is_white
from inspect_app.measure.backdrop.string_edge import HIDDEN, THICKEST_MM, StringAndFoot, find_string, upper_edge
from inspect_app.measure.backdrop.string_gap import (
    BACKDROP_ASKED,
    CardAsked,
    CardStand,
    CrownSeen,
    GapGeometry,
    has_implausible_slope,
    measure_gaps,
    runs_across,
    tongue_asked,
    too_near,
)
from inspect_app.measure.manual import PLACED_U_PX, Points, placed_on
from inspect_app.measure.summary import summaries
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import FretReading, Inspection, Outline
from inspect_app.reading.key import NotMeasured, on_fret
from shared.errors import OptionError, ScaleError
from shared.measured import Measured
from shared.trade import CROWN_HEIGHT_MM, STRING_INSET_GIVEN_U_MM, STRING_INSET_MM, STRING_INSET_U_MM

__all__ = ["DetectedSide", "detect", "measure_detected"]

Array = NDArray[np.float64]

GAP = "string gap"
CARDS = ("backdrop", "tongue")
"""Printed scales that this view is measured against."""
ENDS_BEFORE_MM = {"backdrop": 5.0, "tongue": 3.6}
"""About how far before the card the frets' ends stand: where on the card's foot a crown is looked for. Half a
millimetre to the side its top is as good."""
BESIDE_MM = 0.8
"""A crown's middle must be so far inside the card's side: the card stands over its top."""
THICKEST_FIRST_MM, LONG_SCALE_MM = 0.75, 720.0
"""The treble side's outer string is no thicker, but on scales as long as a bass's: nylon 0.72 mm, steel 0.2 to 0.3 mm
(common practice, no source)."""
LEAST_GAP_MM, MOST_GAP_MM = -0.1, 6.0
"""Gaps that occur: a string lies on a crown or over it, and none stands so high (common practice, no source)."""

NO_FOOT = (
    "the backdrop's foot does not show where its print puts it: what lies under it is as bright, or it was cut "
    "elsewhere; change the light, or cut the backdrop at its marks"
)


@dataclass(frozen=True)
class DetectedSide:
    """What is detected before any edge is placed by hand.

    `lines` are the string's underside and the card's foot, or why there are none; `seen` the frets by their ends.
    """

    photo: Photo
    scale: Scale
    plane: Plane
    lines: StringAndFoot | str
    seen: tuple[CrownSeen, ...]
    nut: Facing
    blur_px: float = 0.0

    @property
    def sheet(self) -> Sheet:
        """The printed card."""
        return SHEETS[self.scale.kind]


def detect(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> DetectedSide:
    """Find string, foot and frets; the edges that `ask` fixes by hand are left alone.

    Raises
    ------
    InspectError
        If `ask` does not say which string or the scale length, or the photo's scale is no card that stands there.
    """
    nut = _nut_side(ask)
    if scale.kind not in CARDS:
        raise ScaleError(
            "This view is measured against the printed backdrop or tongue, and the photo's scale is another.",
            "Stand the backdrop on the crowns between the outer string and the next, and take the photo again.",
        )
    if ask.scale_length is None:
        raise OptionError(
            "The scale length is not told, and it says which fret is which and how far before the backdrop they end.",
            "Give the scale length.",
        )
    card = card_light(photo, plane, SHEETS[scale.kind])
    if card is None:
        return DetectedSide(photo, scale, plane, "the backdrop's foot is outside the photo", (), nut)
    grey = list(_candidates(photo, scale, plane, ask, nut, card))
    if found := _best(grey, ask):
        return found
    # wood sends back least blue: wood lit as brightly as the card ends it all the same
    blue = card_light(photo, plane, SHEETS[scale.kind], BLUE)
    found = None if blue is None else _best(list(_candidates(photo, scale, plane, ask, nut, blue)), ask)
    return found or _covered(grey, card, ask, nut) or _unseen(grey[0], card, ask)


def _best(found: list[DetectedSide], ask: Ask) -> DetectedSide | None:
    """The first that is likely, one whose foot shows as such before one read off a sliver of card."""
    likely = [d for d in found if _is_likely(d, ask)]
    return min(likely, key=lambda d: isinstance(d.lines, StringAndFoot) and d.lines.sliver, default=None)


def _candidates(
    photo: Photo, scale: Scale, plane: Plane, ask: Ask, nut: Facing, card: CardLight
) -> Iterator[DetectedSide]:
    """What stands on each line that may be the card's foot, up to the first that shows as such and is likely."""
    assert ask.scale_length is not None
    thickest = _thickest(ask)
    for foot in tuple(f for f in find_feet(card) if is_as_printed(f, SHEETS[scale.kind])) or (None,):
        found = _on_foot(photo, scale, plane, card, foot, thickest, ask, nut)
        yield found
        if isinstance(found.lines, StringAndFoot) and not found.lines.sliver and _is_likely(found, ask):
            return


def _unseen(found: DetectedSide, card: CardLight, ask: Ask) -> DetectedSide:
    """What is found no foot on, with another reason where the string runs too high to hide it."""
    sheet = SHEETS[found.scale.kind]
    top = upper_edge(card) if found.lines == HIDDEN else None
    if top is not None and top.at - _thickest(ask) > CUT_FAR_MM - sheet.size[1]:
        return replace(found, lines=NO_FOOT)
    return found


def _covered(found: list[DetectedSide], card: CardLight, ask: Ask, nut: Facing) -> DetectedSide | None:
    """What is seen where the string hides all of the foot; None where some of it shows, or nothing likely is found."""
    assert ask.scale_length is not None
    if any(d.lines != HIDDEN for d in found):
        return None
    photo, scale, plane, sheet = found[0].photo, found[0].scale, found[0].plane, found[0].sheet
    foot, thickest = printed_foot(sheet), _thickest(ask)
    faces, nut = find_faces(photo, plane, foot, sheet.size[0], ask.scale_length, ask.first_fret, nut)
    before = ENDS_BEFORE_MM[scale.kind]
    places = [at for f in faces if _over_card(at := _place(plane, f, before), sheet)]
    sliver = find_string(card, None, thickest)
    if (
        not isinstance(sliver, str)
        and is_white(photo, plane, sheet, sliver, card.pitch)
        and not string_goes_on(photo, plane, card, sliver.foot, places, thickest)
    ):
        return None
    lines = under_by_crowns(photo, plane, card, foot, places, thickest)
    if lines is None:
        return None
    seen = (_crown(photo, plane, sheet, before, lines, face, card.pitch) for face in faces)
    out = DetectedSide(photo, scale, plane, lines, tuple(s for s in seen if s is not None), nut)
    return out if _is_likely(out, ask) else None


def _thickest(ask: Ask) -> float:
    """Thickness that the string asked for has at most, mm."""
    assert ask.scale_length is not None
    treble = ask.string == "first" and ask.scale_length < LONG_SCALE_MM
    return THICKEST_FIRST_MM if treble else THICKEST_MM


def _on_foot(
    photo: Photo,
    scale: Scale,
    plane: Plane,
    card: CardLight,
    foot: StraightEdge | None,
    thickest: float,
    ask: Ask,
    nut: Facing,
) -> DetectedSide:
    """What stands on a line taken for the card's foot; without one on what a string leaves to be seen of it."""
    assert ask.scale_length is not None
    sheet = SHEETS[scale.kind]
    lines = find_string(card, foot, thickest)
    if isinstance(lines, StringAndFoot) and lines.sliver:
        printed = is_as_printed(lines.foot, sheet)
        lines = lines if printed and is_white(photo, plane, sheet, lines, card.pitch) else HIDDEN
    if isinstance(lines, str):
        return DetectedSide(photo, scale, plane, lines, (), nut)
    faces, nut = find_faces(photo, plane, lines.foot, sheet.size[0], ask.scale_length, ask.first_fret, nut)
    before = ENDS_BEFORE_MM[scale.kind]
    found = (_crown(photo, plane, sheet, before, lines, face, card.pitch) for face in faces)
    crowns = tuple(c for c in found if c is not None)
    at = [c.at for c in crowns]
    if lines.sliver and not (
        _foot_meets_crowns(lines, crowns)
        and (_a_top_shows(crowns) or ends_there(photo, plane, card, lines.under, at, thickest))
        and not string_goes_on(photo, plane, card, lines.foot, at, thickest)
    ):
        return DetectedSide(photo, scale, plane, HIDDEN, (), nut)
    return DetectedSide(photo, scale, plane, lines, _in_that_light(lines, crowns), nut)


def _is_likely(detected: DetectedSide, ask: Ask) -> bool:
    """Whether frets were found, the card stands behind the string, and the crowns fall as a board's do."""
    if not detected.seen:
        return False
    geometry = _geometry(detected, ask)
    _, stand, behind, _ = measure_gaps(geometry)
    return not _why_impossible(stand, behind, geometry.stands)


def measure_detected(detected: DetectedSide, ask: Ask) -> Inspection:
    """The readings of what was detected, with the edges that `ask` fixes by hand where they were put."""
    kept = summaries(detected.photo, detected.scale, detected.plane, ask)
    base = Inspection("side", kept[0], __version__, ask.to_dict(), scale=kept[1], camera=kept[2])
    lines, n = detected.lines, ask.first_fret
    if isinstance(lines, str):
        return replace(base, not_measured=(NotMeasured(on_fret(n, GAP), lines),))
    if not detected.seen:
        why = "no row of fret ends as the scale length spaces them shows below the backdrop; change the light"
        return replace(base, not_measured=(NotMeasured(on_fret(n, GAP), why),))
    g = _geometry(detected, ask)
    gaps, stand, behind, u_behind = measure_gaps(g)
    if why := _why_impossible(stand, behind, g.stands):
        return replace(base, not_measured=tuple(NotMeasured(on_fret(s.face.number, GAP), why) for s in g.seen))
    if (low := lowered(g, stand)) is not g:
        g = low
        gaps, stand, behind, u_behind = measure_gaps(g)
    crowns = crown_heights(g, stand, gaps)
    if (raised := on_the_highest(g, crowns)) is not g:
        gaps, *_ = measure_gaps(raised)
    found, lost = _possible({s.face.number: gap for s, gap in zip(g.seen, gaps, strict=True)}, bool(lines.covered))
    before = ENDS_BEFORE_MM[detected.scale.kind]
    frets = tuple(
        FretReading(s.face.number, string_gap=found.get(s.face.number), outlines=(_drawn(detected.plane, s, before),))
        for s in sorted(g.seen, key=lambda s: s.face.number)
    )
    readings, unread = neck_readings(found, crowns, ask)
    cut = _cut_off(ask, frets)
    checks = {
        "elevation_deg": math.degrees(
            math.atan2(detected.plane.camera_mm[1] - lines.foot.at, detected.plane.distance_mm)
        ),
        "behind_string_mm": float(np.mean(behind)),
        "behind_string_mm_u": u_behind,
        "crowns_fall_deg": math.degrees(math.atan(-stand.slope)),
        "crowns_fall_deg_u": math.degrees(stand.u_slope),
    }
    return replace(
        base,
        frets=frets,
        values=readings,
        not_measured=(*lost, *cut, *unread),
        outlines=_drawn_lines(detected.plane, lines),
        checks=checks,
    )


def _possible(gaps: dict[int, Measured], indirect: bool) -> tuple[dict[int, Measured], list[NotMeasured]]:
    """The gaps by fret that occur, and why others are none; `indirect` where the foot was not seen itself."""
    found, lost = {}, []
    for number, gap in gaps.items():
        if LEAST_GAP_MM - gap.expanded < gap.value < MOST_GAP_MM:
            found[number] = gap.with_flags("INDIRECT") if indirect else gap
        else:
            why = f"{gap.value:.2f} mm is no gap that occurs; look at the overlay, and mark the edges by hand"
            lost.append(NotMeasured(on_fret(number, GAP), why))
    return found, lost


def _why_impossible(stand: CardStand, behind: Array, asked: CardAsked) -> str:
    """Why the card can't stand as it seems to; nothing where it can."""
    if too_near(behind, asked.nearest):
        return "the backdrop seems to stand before the string; say how far the string runs from the board's edge"
    if runs_across(stand):
        return (
            "the frets' ends do not run along what was taken for the backdrop's foot: a string or a shadow may have "
            "been taken for it; lower the camera or move the lamp, or mark the foot by hand"
        )
    if has_implausible_slope(stand):
        fall = math.degrees(math.atan(-stand.slope))
        return (
            f"the crowns seem to fall by {fall:.0f} degrees towards the board's edge, as none do: a shadow's edge may "
            "have been taken for the backdrop's foot; move the lamp, or mark the foot by hand"
        )
    return ""


def _in_that_light(lines: StringAndFoot, seen: tuple[CrownSeen, ...]) -> tuple[CrownSeen, ...]:
    """The crowns, less sure of where daylight shows under none of them: it may not show in that light."""
    if any(float(lines.foot.y(s.at)) - s.crown > SEEN_MM for s in seen):
        return seen
    return tuple(replace(s, u_crown=max(s.u_crown, NONE_SEEN_U_MM)) for s in seen)


def _foot_meets_crowns(lines: StringAndFoot, crowns: tuple[CrownSeen, ...]) -> bool:
    """Whether what was taken for the foot is seen to meet two crowns, as the foot does; before those a string's dark
    rim shows below a bright line on it."""
    slits = sorted(float(lines.foot.y(s.at)) - s.crown for s in crowns if s.u_crown < NONE_SEEN_U_MM)
    return len(slits) >= 2 and slits[1] < CONTACT_MM


def _a_top_shows(crowns: tuple[CrownSeen, ...]) -> bool:
    return any(s.face.top is not None for s in crowns)


def _nut_side(ask: Ask) -> Facing:
    """Where the nut is seen: from the treble side as `Ask.nut` says, from the bass side the other way round."""
    if ask.string is None:
        raise OptionError(
            "The photo across the neck does not say which string stands before the backdrop.",
            "Say first, for the outer string of the treble side, or last.",
        )
    other: Mapping[Facing, Facing] = {"left": "right", "right": "left"}
    return ask.nut if ask.string == "first" else other[ask.nut]


def _crown(
    photo: Photo, plane: Plane, sheet: Sheet, before: float, lines: StringAndFoot, face: FretFace, pitch: float
) -> CrownSeen | None:
    """Heights of string and crown at one fret; None where its crown lies beside the card."""
    at = _place(plane, face, before)
    if not _over_card(at, sheet):
        return None
    if lines.covered:
        crown, u = float(lines.foot.y(at)) - UNSEEN_MM, NONE_SEEN_U_MM
        return CrownSeen(face, at, float(lines.under.y(at)), math.hypot(lines.under.u(at), lines.u_edge), crown, u)
    over = (float(lines.under.y(at)) - float(lines.foot.y(at))) / pitch
    end = None if face.top is None else float(lines.foot.y(face.x)) - face.top
    light, u_light = daylight_under(photo, plane, lines.foot, at, pitch, lines.sliver or over < ABOVE_PX[1], end)
    if not lines.sliver and over < FROM_PX:
        light, u_light = UNSEEN_MM, NONE_SEEN_U_MM  # the string hides the slit
    under = math.hypot(lines.under.u(at), lines.u_edge)
    crown = float(lines.foot.y(at)) - light
    return CrownSeen(face, at, float(lines.under.y(at)), under, crown, math.hypot(u_light, lines.foot.u(at)))


def _place(plane: Plane, face: FretFace, before: float) -> float:
    """Where along the card's foot a fret's crown stands, mm: its end is nearer and looks farther out."""
    camera = float(plane.camera_mm[0])
    return camera + (face.x - camera) * (plane.distance_mm - before) / plane.distance_mm


def _over_card(at: float, sheet: Sheet) -> bool:
    """Whether the card stands over the whole top of a crown there."""
    return BESIDE_MM < at < sheet.size[0] - BESIDE_MM


def _geometry(detected: DetectedSide, ask: Ask) -> GapGeometry:
    """What the gaps follow from, placed edges in place of those found."""
    assert isinstance(detected.lines, StringAndFoot)
    assert ask.scale_length is not None
    seen = tuple(_placed(detected.plane, s, _edges_of(ask, s.face.number)) for s in detected.seen)
    sign = 1.0 if detected.nut == "left" else -1.0
    away = sign * fret_position(ask.scale_length, [s.face.number for s in seen])
    inset, u_inset = (STRING_INSET_MM, STRING_INSET_U_MM)
    if ask.string_inset is not None:
        inset, u_inset = ask.string_inset, STRING_INSET_GIVEN_U_MM
    height = ask.crown_height or CROWN_HEIGHT_MM
    stands = BACKDROP_ASKED if detected.scale.kind == "backdrop" else tongue_asked(detected.lines.thick)
    u_foot = math.hypot(detected.lines.u_edge, detected.lines.u_cut)
    return GapGeometry(detected.plane, seen, u_foot, away, height, inset, u_inset, stands)


def _edges_of(ask: Ask, n: int) -> Mapping[str, Points]:
    return placed_on(ask.hand_edges, n).get((GAP, None), {})


def _placed(plane: Plane, s: CrownSeen, parts: Mapping[str, Points]) -> CrownSeen:
    """The fret with the edges that a person placed."""
    u = PLACED_U_PX / plane.px_per_mm((s.face.x, s.crown))
    if "top" in parts:
        s = replace(s, under=float(plane.to_mm([parts["top"][0]])[0, 1]), u_under=u, by_hand=True)
    if "foot" in parts:
        s = replace(s, crown=float(plane.to_mm([parts["foot"][0]])[0, 1]), u_crown=u, by_hand=True)
    return s


def _drawn(plane: Plane, s: CrownSeen, before: float) -> Outline:
    """From the crown's top up to the string's underside, as both are seen."""
    camera = float(plane.camera_mm[0])
    x = camera + (s.face.x - camera) * (1.0 - before / plane.distance_mm)
    px = plane.to_px([[x, s.crown, 0.0], [x, s.under, 0.0]])
    return Outline("string_gap", tuple((float(a), float(b)) for a, b in px), of=on_fret(s.face.number, GAP))


def _drawn_lines(plane: Plane, lines: StringAndFoot) -> tuple[Outline, ...]:
    """The string's underside and the card's foot."""
    out = []
    for name, edge in (("string_underside", lines.under), ("card_foot", lines.foot)):
        x = np.linspace(edge.first, edge.last, 24)
        px = plane.to_px(np.column_stack([x, edge.y(x), np.zeros_like(x)]))
        out.append(Outline(name, tuple((float(a), float(b)) for a, b in px)))
    return tuple(out)


def _cut_off(ask: Ask, frets: tuple[FretReading, ...]) -> tuple[NotMeasured, ...]:
    """The first fret that was asked for, where no end is found for it: the photo cuts it off, or it does not show."""
    numbers = [f.number for f in frets]
    if not numbers or ask.first_fret >= min(numbers):
        return ()
    why = f"by their spacing the ends in the photo are those of frets {min(numbers)} to {max(numbers)}, not of this one"
    return (NotMeasured(on_fret(ask.first_fret, GAP), why),)
