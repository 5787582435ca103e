"""A fret with the backdrop behind it, as the elevation and end views both begin: scale, pose, crown line, tilt."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.edge_response import edge_response
from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from calib.scales.printed import BACKDROP
from calib.specks import without_specks
from inspect_app.instrument.crown import Crown
from inspect_app.measure.backdrop.blur import blur_towards_card, lens_blur, outline_blur
from inspect_app.measure.backdrop.crown_line import (
    COLUMN_STEPS,
    FINEST_MM,
    OVER_MM,
    QUIET,
    UNDER_MM,
    CrossProfile,
    CrownLine,
    cross_profile,
    crown_line_of,
    find_crown_line,
    shows_plain_card,
    tangent_rise,
)
from inspect_app.measure.backdrop.grainy_card import is_close_up, is_grainy, is_metal_above
from inspect_app.measure.backdrop.higher_edge import highest_line
from inspect_app.measure.backdrop.mirrored_card import steps_to_burnt_out
from inspect_app.measure.backdrop.outline import FINE_PX, OWN_ROWS
from inspect_app.measure.backdrop.pose import BoardPose
from inspect_app.measure.backdrop.tilt_from_board_edges import tilt_from_board_edges
from inspect_app.measure.backdrop.tilt_from_frets import nearer_fret_distances, tilt_from_frets
from inspect_app.measure.edge_definition import definition_px
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import NotMeasured, on_fret
from shared.errors import ScaleError
from shared.trade import CALLIPER_U_MM, CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM, CROWN_WIDTH_MM, CROWN_WIDTH_U_MM

__all__ = [
    "DetectedFret",
    "detect_fret",
    "reference_crown",
    "card_above",
    "SHARPEST_PX",
    "SOFT_FOR_AN_OUTLINE",
    "search_region",
    "why_not_outline",
    "card_tone_below",
    "edge_above",
    "is_dark_above",
    "metal_behind",
    "brightest_above",
    "u_scale",
    "draw_crown_line",
]

Array = NDArray[np.float64]

CARD_CLEAR_MM = 0.35
"""Left out under the lowest printed row of the card: its blur, and a print shifted on its sheet."""
PRINTED_MM = max(m.top + m.side for m in BACKDROP)
"""From the backdrop's top edge to the foot of its lowest printed row."""
BESIDE_MM = 3.0
"""How far beside the seen markers the card is taken to be white."""
SOFT_MM = 0.08
"""Blur (standard deviation) beyond which edges are called soft: half the drop of a hollow that wants dressing."""
SHARPEST_PX = 0.8
"""Least blur assumed of a photo: a colour sensor sees each colour at every second pixel (no source)."""
LEAST_REFERENCE = 0.25
"""Share of an outline that lies on its circle, under which the circle may be another line's: frets that are worn over
three quarters of their length want other means."""
SOFT_FOR_AN_OUTLINE = 2.0
"""Times the card's own blur from which an edge is no outline: metal and card stand within 2 mm of each other, both in
focus or neither, while a reflection in brushed metal, or a lamp's shadow, has no sharp edge. Twice, as for an end (see
`beside_edge.SOFTER`)."""
EDGE_ABOVE = 0.1
"""Steepness of an edge above a crown line, pooled along it, relative to the crown line's own, from which it may be the
crown's outline and the line below it the lamp's: clean photos reach 0.06."""
SHOULDER = 0.4
"""Steepness two standard deviations beside an edge, relative to its own, from which it is soft light: an edge with the
crown line's blur has exp(-2) = 0.14, one of twice its blur 0.6."""
EDGE_LEFT = 0.2
"""The same of what is left where the crown was, above a hollow."""
EDGE_ABOVE_SIGMA, OTHER_WAY_SIGMA = 8.0, 5.0
"""The same in standard deviations of what plain card shows when pooled, stepping the crown line's way, as the end of a
fret's own shadow on the card does too, and stepping the other way (by chance one in a hundred thousand looks)."""
CARD_TONE, CARD_TONE_MM = 0.04, 0.2
"""Metal within so much of the card's light over so many millimetres may hide its outline against it, the lamp's line on
it taking the outline's place; where a crown's light only passes through the card's tone, less than 0.04 mm of it do."""
STRETCHES = 4
"""Stretches of a crown line over each of which metal is looked for above it: the next fret's outline, seen along the
neck and from a little aside, is not quite parallel to it."""
BRIGHTER_THAN_CARD = 1.5
"""How much brighter than plain card light above a crown line must be to be no paper: half as much again, beyond what a
lamp's fall-off or a shadow's end does to paper over some millimetres."""
BEHIND = "another crown shows above the one followed, which may be the nearer fret's; change the light"
LEVEL_MM = 0.1
"""How much a nearer fret may stand higher, with the blur of its edge out of focus: frets are level within 0.05 mm, and
what is 30 mm before the focus is blurred by as much (common practice, no source)."""


@dataclass(frozen=True)
class DetectedFret:
    """What both views know of the fret before they read anything off it.

    Attributes
    ----------
    pose : BoardPose
    line : CrownLine
    crown : Crown
    mm_per_px : float
        At the fret.
    blur_px : float
        Standard deviation of the outline's blur, pixels.
    lens_px : float
        The same of the card's printed edges: what lens and focus do.
    elevation, u_elevation : float
        Of the line of sight to the middle of what is seen of the crown line, rad.
    flags : tuple of str
    hidden_mm, likely_hidden_mm : float
        Height above the board up to which the nearer fret may stand before this one, by the lowest elevation that the
        photo leaves open and by the likeliest; 0 where its distance is not known.
    under_mm : float
        How far below its reference arc the outline was followed.
    grainy : bool
        Whether specks on the card are strong enough to move edges.
    overshoot : float
        How far sharpening takes the codes beside the print's edges beyond their level, as a share of the step.
    burnt_out : bool
        Whether the crown line leads to burnt-out metal, as a lamp's line does.
    """

    pose: BoardPose
    line: CrownLine
    crown: Crown
    mm_per_px: float
    blur_px: float
    lens_px: float
    elevation: float
    u_elevation: float
    flags: tuple[str, ...]
    hidden_mm: float = 0.0
    likely_hidden_mm: float = 0.0
    under_mm: float = UNDER_MM
    grainy: bool = False
    overshoot: float = 0.0
    burnt_out: bool = False

    @property
    def close_up(self) -> bool:
        """Whether the crown is large in the photo, see `grainy_card.is_close_up`."""
        return is_close_up(self.crown, self.mm_per_px)

    @property
    def definition_mm(self) -> float:
        """Standard uncertainty of where the outline is besides noise: a tenth of a pixel, more in a soft photo."""
        return definition_px(self.blur_px) * self.mm_per_px

    @property
    def resolved_mm(self) -> float:
        """Least distance of two edges that are seen as two: two standard deviations of their blur (Sparrow 1916)."""
        blur = math.hypot(max(self.lens_px, self.blur_px, SHARPEST_PX), FINE_PX)
        return 2.0 * blur * self.mm_per_px

    @property
    def hidden_band_mm(self) -> float:
        """Width of a band between the outline and what was followed in its place, mm, that would not show."""
        return self.resolved_mm if self.burnt_out else 0.0

    def u_light_mm(self, blur_px: float = 0.0) -> float:
        """How far the metal's own light may draw an outline, mm: by what it is blurred beyond the card's print, either
        way (rectangular, GUM 4.3.7).

        Both are in focus or neither, so what is more is no blur but a ramp of light beside the edge, which is steepest
        on the ramp's side; over a hollow and beside it that may be either side. Of a hollow's outline it may be more,
        whose blur is `blur_px`: a flat of a tone between card and metal has two edges that run into one."""
        blur = max(self.blur_px, blur_px)
        return max(blur - max(self.lens_px, SHARPEST_PX), 0.0) / math.sqrt(3.0) * self.mm_per_px

    def checks(self) -> dict[str, float]:
        """What both views report of the photo beside their readings."""
        return {
            "elevation_deg": math.degrees(self.elevation),
            "u_elevation_deg": math.degrees(self.u_elevation),
            "lean_deg": math.degrees(self.pose.tilt),
            "blur_px": self.blur_px,
        }


def reference_crown(ask: Ask) -> tuple[Crown, tuple[str, ...]]:
    """The unworn crown as given, or an everyday one with its wide uncertainty and a flag."""
    width, height = ask.crown_width, ask.crown_height
    flags = () if width and height else ("CROWN_ASSUMED",)
    w, uw = (width, CALLIPER_U_MM) if width else (CROWN_WIDTH_MM, CROWN_WIDTH_U_MM)
    h, uh = (height, CALLIPER_U_MM) if height else (CROWN_HEIGHT_MM, CROWN_HEIGHT_U_MM)
    return Crown(w, min(h, w), uw, uh), flags


def detect_fret(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> DetectedFret | NotMeasured:
    """Find the fret in front of the backdrop: its crown line, and the camera's elevation over the board.

    Where the card is grainy and specks hide the line, it is looked for once more without them.

    Raises
    ------
    ScaleError
        If the scale is not the backdrop: without it nothing is known of the camera's elevation.
    """
    if scale.kind != "backdrop":
        raise ScaleError(
            "This view is measured against the printed backdrop, and the photo's scale is another.",
            "Stand the backdrop on the board just behind the fret and take the photo again.",
        )
    pose = BoardPose(plane)
    region = search_region(photo, scale, pose)
    grainy = is_close_up(reference_crown(ask)[0], region[2]) and is_grainy(photo, pose, *region)
    found = _detected(photo, scale, plane, ask)
    if isinstance(found, NotMeasured) and grainy:
        found = _detected(without_specks(photo), scale, plane, ask)
    if isinstance(found, NotMeasured):
        return found
    response = edge_response(photo, scale)
    return replace(
        found,
        grainy=grainy,
        overshoot=0.0 if response is None else response.overshoot,
        burnt_out=steps_to_burnt_out(photo, found.line, _up_px(found.pose, found.line)),
    )


def _detected(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> DetectedFret | NotMeasured:
    """The fret as one picture shows it."""
    crown, flags = reference_crown(ask)
    pose = BoardPose(plane)
    columns, top, mm_per_px = search_region(photo, scale, pose)
    line = find_crown_line(photo, pose, columns, top, crown.radius, mm_per_px)
    if line is None:
        return NotMeasured(
            on_fret(ask.first_fret, "crown line"), "no crown line stands out against the backdrop; change the light"
        )
    higher, under = highest_line(photo, pose, line, columns, crown.height, mm_per_px, top)
    lens = lens_blur(photo, scale)
    if why_not_outline(photo, pose, higher, mm_per_px, outline_blur(photo, higher, mm_per_px), lens):
        under = UNDER_MM  # that one is no outline either: the line followed first says why
    else:
        line = higher
    tilted = _tilted(photo, pose, line, crown, ask)
    line, pose = crown_line_of(line.edge, tilted, crown.radius, mm_per_px, line.used) or line, tilted
    blur = outline_blur(photo, line, mm_per_px)
    reason = why_not_outline(photo, pose, line, mm_per_px, blur, lens)
    if reason:
        return NotMeasured(on_fret(ask.first_fret, "crown line"), reason)
    if blur * mm_per_px > SOFT_MM:
        flags = (*flags, "BLURRED")
    middle = line.edge.px[len(line.edge.px) // 2]
    elevation = float(np.median(line.elevation))
    u_elevation = pose.u_elevation(middle)
    if metal_behind(photo, pose, line, mm_per_px, top, _rise_to_next(pose, elevation + 2.0 * u_elevation, ask)):
        return NotMeasured(on_fret(ask.first_fret, "crown line"), BEHIND)
    hidden, likely = (hidden_by_nearer_fret(pose, crown, e, ask) for e in (elevation - u_elevation, elevation))
    return DetectedFret(pose, line, crown, mm_per_px, blur, lens, elevation, u_elevation, flags, hidden, likely, under)


def hidden_by_nearer_fret(pose: BoardPose, crown: Crown, elevation: float, ask: Ask) -> float:
    """Height above the board up to which the next fret towards the camera may hide this one, mm: h - d tan e."""
    away = [] if ask.scale_length is None else nearer_fret_distances(ask.scale_length, ask.first_fret, pose)
    return max(0.0, crown.height + LEVEL_MM - away[0] * math.tan(max(elevation, 0.0))) if away else 0.0


def _rise_to_next(pose: BoardPose, elevation: float, ask: Ask) -> float:
    """Height up to which the fret asked for would show above the next one towards the camera, d tan e; mm.

    Infinite where their distance is not known."""
    away = [] if ask.scale_length is None else nearer_fret_distances(ask.scale_length, ask.first_fret, pose)
    if ask.scale_length is not None and not away:
        return 0.0
    return away[0] * math.tan(max(elevation, 0.0)) + LEVEL_MM if away else math.inf


def metal_behind(photo: Photo, pose: BoardPose, line: CrownLine, mm_per_px: float, top: float, rise: float) -> bool:
    """Whether metal shows above a crown line, up to `rise` (mm) above it and below the print (at height `top`, mm).

    The card is plain there, so were the line followed the nearer fret's, the one asked for would stand above it. Its
    outline may be faint against the card beside the lamp's line on the nearer fret; but paper in a fret's shadow only
    gets darker towards it, while a crown mirrors more light than the paper beside it sends back."""
    lo, hi = line.span
    ends = np.linspace(lo, hi, STRETCHES + 1)
    highest = float(np.max(line.circle.z(ends))) + float(np.max(tangent_rise(line.radius, line.elevation)))
    over = min(rise + OVER_MM, top - highest)
    if over <= OVER_MM:
        return False
    stretches = [(float(a), float(b)) for a, b in pairwise(ends)]
    profiles = [cross_profile(photo, pose, line, mm_per_px, between, over) for between in stretches]
    return float(np.median([brightest_above(p) for p in profiles])) > BRIGHTER_THAN_CARD


def brightest_above(across: CrossProfile) -> float:
    """The brightest light above a crown line, where it has been darker further up, relative to the plain card's.

    The card's is taken farthest up. The line's own blur is left out."""
    card = float(np.median(across.light[: int(QUIET * OVER_MM / across.pitch)]))
    above = across.light[: across.on - OWN_ROWS]
    shaded = np.minimum.accumulate(above) < card / BRIGHTER_THAN_CARD
    return float(above[shaded].max(initial=0.0)) / max(card, 1e-6)


def _tilted(photo: Photo, pose: BoardPose, line: CrownLine, crown: Crown, ask: Ask) -> BoardPose:
    """The pose with the backdrop's tilt as the nearer frets tell it, or else the board's edges."""
    tilted = pose
    if ask.scale_length is not None:
        away = nearer_fret_distances(ask.scale_length, ask.first_fret, pose)
        tilted = tilt_from_frets(photo, pose, line.circle, line.span, crown.height, away)
    if tilted is not pose:
        return tilted
    return tilt_from_board_edges(photo, pose, line.circle, line.span, crown.height)


def why_not_outline(photo: Photo, pose: BoardPose, line: CrownLine, mm_per_px: float, blur: float, lens: float) -> str:
    """Why what was followed may be no outline but a line on the crown; empty when nothing speaks for that."""
    if line.used.mean() < LEAST_REFERENCE:
        return "too little of the unworn crown line stands out against the backdrop; change the light"
    up = _up_px(pose, line)
    sharp = SOFT_FOR_AN_OUTLINE * max(lens, SHARPEST_PX)
    if blur > sharp:  # it may be the metal's own light that goes on changing
        blur = blur_towards_card(photo, line, up)
    if blur > sharp:
        return "the edge followed is softer than the card's print, so it may be a reflection; change the light"
    if not shows_plain_card(mm_per_px):
        return "there are too few pixels to the millimetre to tell the card's noise; go closer"
    across = cross_profile(photo, pose, line, mm_per_px)
    if edge_above(across, blur) > EDGE_ABOVE or is_dark_above(across, blur):
        return "a fainter edge runs above the one followed: the metal has nearly the card's tone; change the light"
    if card_tone_below(across) > CARD_TONE_MM:
        return "the metal has the card's own tone, so its outline does not show; change the light"
    if is_metal_above(photo, line.edge.px, up):
        return "smooth metal shows above the edge followed, which may be a reflection; change the light"
    return ""


def _up_px(pose: BoardPose, line: CrownLine) -> NDArray[np.float64]:
    """Photo pixels, shape (N, 2), that lead a millimetre up from each place of a crown line."""
    base = np.column_stack([np.zeros_like(line.y), line.y, line.circle.z(line.y)])
    return np.asarray(pose.to_px(base + np.array([0.0, 0.0, 1.0])) - pose.to_px(base))


def card_above(photo: Photo, fret: DetectedFret, at: float, length: float, drop: float) -> bool | None:
    """Whether plain card shows above a hollow, up to where its crown was: no edge is left between the two.

    None where that can't be told: it is too shallow (two edges must be three standard deviations of their blur apart),
    or an edge that is left would be lost in the noise. `at`, `length` and `drop` in mm."""
    flank = 3.0 * math.hypot(fret.blur_px, FINE_PX)
    if drop < flank * fret.mm_per_px:
        return None
    across = cross_profile(photo, fret.pose, fret.line, fret.mm_per_px, (at - length / 8.0, at + length / 8.0))
    steep, on = np.abs(across.steepness), across.on
    own = float(steep[on + math.ceil(flank) - 2 :].max())
    beyond_its_blur = on + int(drop / across.pitch - flank)
    left = float(steep[on - 2 : max(on + 3, beyond_its_blur)].max())
    if left < EDGE_LEFT * own:
        return True
    return None if left < EDGE_ABOVE_SIGMA * across.noise else False


def edge_above(across: CrossProfile, blur_px: float) -> float:
    """Steepness of the strongest edge above a crown line, pooled along it, relative to the crown line's own.

    As sharp as the crown line itself: the fret's own soft shadow on the card is none. A step the other way than the
    crown line's is looked at the more closely: card, a dark band and the lamp's line below it."""
    steep, on = across.steepness, across.on
    near = steep[on - 2 : on + 3]
    own = float(near[np.argmax(np.abs(near))])
    sigma = math.hypot(blur_px, FINE_PX)
    flank, beside = math.ceil(3.0 * sigma), round(2.0 * sigma)  # beyond three standard deviations is no more its own
    rows = np.arange(beside, max(on - flank, beside + 1))
    shoulders = (steep[rows - beside] + steep[rows + beside]) / 2.0 * np.sign(steep[rows])
    sigmas = np.where(steep[rows] * own < 0.0, OTHER_WAY_SIGMA, EDGE_ABOVE_SIGMA)
    clear = (shoulders < SHOULDER * np.abs(steep[rows])) & (np.abs(steep[rows]) > sigmas * across.noise)
    return float(np.abs(steep[rows])[clear].max(initial=0.0)) / max(abs(own), 1e-9)


def is_dark_above(across: CrossProfile, blur_px: float) -> bool:
    """Whether a dark band begins above a crown line as sharply as an outline does: it may be the crown's own side.

    Where it reaches so far up that little plain card is left, no noise tells its edge (see `edge_above`)."""
    sigma = math.hypot(blur_px, FINE_PX)
    step, rows = max(1, round(2.0 * sigma)), across.on - math.ceil(3.0 * sigma)
    above = across.light[: max(rows, 0)]
    if len(above) <= step:
        return False
    fall = float(above[0] - above[-1])
    sharpest = float((above[:-step] - above[step:]).max())
    return above[0] > BRIGHTER_THAN_CARD * above[-1] and sharpest > fall / 2.0


def card_tone_below(across: CrossProfile) -> float:
    """Width of the widest band below a crown line that has the tone of the card above it, mm."""
    card = float(np.median(across.light[: across.on]))
    like = np.abs(across.light[across.on + 3 :] / max(card, 1e-6) - 1.0) < CARD_TONE
    ends = np.flatnonzero(np.diff(np.concatenate([[0], like.astype(np.int8), [0]])))
    return float((ends[1::2] - ends[::2]).max(initial=0)) * across.pitch


def search_region(photo: Photo, scale: Scale, pose: BoardPose) -> tuple[Array, float, float]:
    """Columns across the board, the height above which the card is printed, and a pixel's size, mm."""
    card_x = scale.plane_mm[:, 0]
    foot = -(PRINTED_MM + CARD_CLEAR_MM)
    below = pose.plane.to_px([[card_x.mean(), foot, 0.0], [card_x.mean() + 1.0, foot, 0.0]])
    pixel = 1.0 / max(float(np.linalg.norm(below[1] - below[0])), 1.0)
    seen = pose.cross([[0.0, below[0, 1]], [photo.width - 1.0, below[0, 1]]])[:, 0]
    lo, hi = max(seen.min(), -card_x.max() - BESIDE_MM), min(seen.max(), -card_x.min() + BESIDE_MM)
    columns = np.arange(lo, hi, COLUMN_STEPS * max(pixel, FINEST_MM))
    return columns, float(pose.cross(below[:1])[0, 1]), pixel


def u_scale(fret: DetectedFret) -> float:
    """Relative standard uncertainty of a length at the fret: the print, the gap to the backdrop, the camera's
    distance."""
    distance = -float(fret.pose.camera[0])
    gap = fret.pose.u_gap_mm / distance
    # a length on the fret looks longer than one on the card by gap / distance, and the distance is not exact
    u_distance = float(fret.pose.plane.u_of(lambda p: p.distance_mm)) / distance
    return math.hypot(fret.pose.plane.u_rel, gap, fret.pose.gap_mm / distance * u_distance)


def draw_crown_line(fret: DetectedFret, n: int) -> tuple[Outline, Outline]:
    """The outline as seen, and the arc of the reference arc over it."""
    lo, hi = fret.line.span
    inside = (fret.line.y >= lo) & (fret.line.y <= hi)
    seen = fret.line.edge.px[inside][:: max(1, int(inside.sum()) // 200)]
    y = np.linspace(lo, hi, 80)
    order = np.argsort(fret.line.y)
    lift = np.interp(y, fret.line.y[order], (fret.line.reference - fret.line.circle.z(fret.line.y))[order])
    arc = fret.pose.to_px(np.column_stack([np.zeros_like(y), y, fret.line.circle.z(y) + lift]))
    return (
        Outline("crown_line", tuple((float(a), float(b)) for a, b in seen), of=on_fret(n, "crown line")),
        Outline("arc", tuple((float(a), float(b)) for a, b in arc), of=on_fret(n, "crown line radius")),
    )
