"""The gap between the outer string and the crowns under it, from what is seen of both against the backdrop.

The backdrop stands on the crowns a distance d behind the string. Take its own frame: x along it, y up, z towards the
camera, which is at (cx, cy, D). Of the string's underside the height h is seen, where its sight line meets the card; at
the string itself that line is higher or lower by what it rises on the way,

    y_string = h + d (cy - h) / D.

A crown's top meets the card at g, the card's foot less any daylight under it. From there it runs towards the camera
and falls, the board being round: with the mean slope m down to the fret's near end, at the distance e from the card,

    y_crown(d) = g + m d + d (e - d) / (2 R),

the last term being the arc over its chord, R the board's radius. The gap is their difference:

    gap = (h - g) + d [(cy - h) / D - m] - d (e - d) / (2 R).

So what counts is the angle between the line of sight and the crown's top, e.g. 0.15 for a camera 4 degrees above a
crown that falls 4.5 degrees to its end. Seen from along the crown's top, no distance is needed. A card that leans turns
the line of sight and the crown's slope in its frame alike, and their difference stays: lean comes in only by measuring
the gap along the card instead of upright. The foot of that line lies gap x lean nearer or farther on a crown of slope
m, so it is off by gap x lean x m, and by gap x lean^2 / 2: five microns on 1.5 mm and two degrees.

*m* is read off the near ends: the top of each is seen at the height t, and lies on its sight line at the distance e, so
m = (t + e (cy - t) / D - g) / e. Their mean is taken with what boards and cards do otherwise (`SLOPE_U`).

*e* is read off their spacing: what stands nearer to the camera looks larger, D / (D - e), against the spacing that the
scale length gives. Where the board's edge is nearer at one end of the card, so are the ends.

*d* is e less w, the string's distance from the fret's end. No photo like this shows either, a straight string being
seen alike from all distances. Two things are known of them: where the card is asked to stand behind the string, d0 with
u_d, and how far inside the board's edge outer strings run, given or as usual (`shared.trade.STRING_INSET_MM`), hence w0
with u_w. Both say where the ends are expected, e0 = d0 + w0, and of what e differs from that

    d = d0 + k (e - e0),  k = u_d^2 / (u_d^2 + u_w^2),  with u = u_d u_w / sqrt(u_d^2 + u_w^2)

(the mean of both by their weights). A card that by the spacing does not stand where it was asked to is believed to
stand where it is seen: k = 1, u = u_w. It is the largest part of the gap's uncertainty; all frets of a photo share it.

The foot counts in g and in m, which falls from it to the ends' tops: of an error of g, 1 - d / e is left in the gap.
That matters where a string hides the foot, and it is known from the print alone (`covered_foot`).

Where e is taken too large, so is d, and m too flat, as it rests on the same sight lines: e is varied through all that
follows from it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.plane import Plane
from calib.robust_spread import spread_about_zero
from calib.scales.printed import BACKDROP_SIZE, TONGUE_SIZE
from inspect_app.measure.backdrop.fret_faces import UP, FretFace
from inspect_app.measure.manual import marked
from shared.measured import COVERAGE_FACTOR, Contribution, Measured
from shared.trade import (
    BEVEL_DEG,
    BOARD_RADIUS_MM,
    END_SHORT_MM,
    END_SHORT_U_MM,
    SLOT_U_MM,
    STRING_INSET_MM,
    STRING_INSET_U_MM,
)

__all__ = [
    "BACKDROP_ASKED",
    "CardAsked",
    "CardStand",
    "CrownSeen",
    "GapGeometry",
    "has_implausible_slope",
    "measure_gaps",
    "runs_across",
    "set_back",
    "stand_of",
    "tongue_asked",
    "too_near",
]

Array = NDArray[np.float64]

SLOPE, SLOPE_U = -0.07, 0.03
"""Slope of a crown's top under an outer string, towards the board's edge, in the frame of a card that stands upright
within a degree: 20 to 25 mm from the middle of boards rounded with 240 to 410 mm (common practice, no source)."""
PARALLEL_U = math.radians(0.4)
"""Standard uncertainty of the card's direction against the board's edge: it is slid along a string, whose way to the
edge changes by a degree at most (common practice, no source)."""
LENGTH_U_REL = 4e-4
"""Relative standard uncertainty of the scale length as given: a quarter of a millimetre on 640, by rule."""
SLOT_DOF = 3.0
"""Degrees of freedom of `SLOT_U_MM` as an estimate: it may be off by two fifths, 1 / (2 x 0.4^2) (GUM G.4.2). What the
spacing in the photo itself scatters by is pooled with it."""
ANYWHERE_U_MM = 1.2
"""The same of a card that by the ends' spacing stands elsewhere: before the next string, 6 to 10 mm behind."""
ELSEWHERE = 2.6
"""Standard deviations between where it is asked to stand and where spacing puts it, beyond which it stands elsewhere:
one in a hundred by chance."""
TOP_U_MM = 0.03
"""Standard uncertainty of the height at which a near end's top is seen: it is eased by a file."""
BEVEL_TAN, BEVEL_TAN_U = math.tan(math.radians(BEVEL_DEG)), math.radians(8.0) / math.cos(math.radians(BEVEL_DEG)) ** 2
"""How far an end goes back for its height, and its standard uncertainty: 20 to 40 degrees from upright."""
FACE_UP = sum(UP) / len(UP)
"""Where on an end's face its middle is found, as a share of the crown's height."""
LEAN_U = math.radians(1.5)
"""Standard uncertainty of the card's lean: it may lean a degree or two, and a person sees three (common practice, no
source)."""
CURVATURE_U = 1.0 / 320.0 - 1.0 / 500.0
"""Of the board's curvature where it is not given, 1/mm: from 180 mm to flat, half of that either way."""
DRIFT_U = 0.001
"""Of the ends' tops against the foot besides, as a slope: crowns level within 0.05 mm over the card."""
UNUSUAL = 3.3
"""Standard deviations of the crowns' slope from what boards have beyond which something else was taken for the card's
foot or the ends: one in a thousand by chance. A shadow's edge 0.7 mm over the foot gives 12 degrees of fall."""
STEP_MM, STEP_RAD = 0.1, 0.005
"""Steps of numerical derivatives: near the uncertainty of what is stepped."""


@dataclass(frozen=True)
class CardAsked:
    """How a card is asked to stand.

    Attributes
    ----------
    behind, u_behind : float
        Behind the string's middle, and its standard uncertainty, mm.
    nearest : float
        Nearest to it that it may stand, mm.
    width : float
        Of the card, mm.
    touches : bool
        Whether it touches the string, and so runs along it.
    """

    behind: float
    u_behind: float
    nearest: float
    width: float
    touches: bool = False


BACKDROP_ASKED = CardAsked(1.5, 0.5, 0.3, BACKDROP_SIZE[0])
"""1 to 2 mm behind the string, judged by eye along the neck (no source); no nearer than a card's thickness and half a
string."""
CLEAR_MM, CLEAR_U_MM = 0.1, 0.1
"""How far a tongue that is to touch the string stands off it: it may be slid up to the last 0.2 or 0.3 mm, as paper
that waves by a tenth allows (no source)."""
STRING_MM, STRING_U_MM = 0.55, 0.35
"""Thickness of an outer string that the photo does not show: 0.2 to 1.4 mm (common practice, no source)."""


def tongue_asked(string_mm: float | None) -> CardAsked:
    """A tongue that touches a string so thick from behind: the string's middle lies half of it before the tongue."""
    thick, u = (STRING_MM, STRING_U_MM) if string_mm is None else (string_mm, 0.0)
    return CardAsked(thick / 2.0 + CLEAR_MM, math.hypot(u / 2.0, CLEAR_U_MM), thick / 4.0, TONGUE_SIZE[0], True)


@dataclass(frozen=True)
class CrownSeen:
    """What is seen at one fret, mm: its end, its place at the card, heights of string and crown there with their u."""

    face: FretFace
    at: float
    under: float
    u_under: float
    crown: float
    u_crown: float
    by_hand: bool = False


@dataclass(frozen=True)
class CardStand:
    """How the card stands to string, ends and crowns.

    Attributes
    ----------
    ends : float
        Distance of the fret ends before the card at `middle`, about a third up their faces, mm.
    turn : float
        Change of it along the card, mm a millimetre.
    middle : float
        Place along the card, mm.
    slope : float
        Of the crowns' tops, mean from the card to their ends' tops, in the card's frame.
    u_ends, u_turn, u_slope : float
        Standard uncertainties.
    u_slope_own : float
        What of `u_slope` does not come with `ends`.
    asked : bool
        Whether the card stands behind the string where it is asked to, by all that is seen.
    off_usual : float
        How far the slope as read off the ends' tops is from what boards have, over what both allow.
    off_line : float
        How far the line through the ends' tops is from running as the foot does, over what both allow.
    """

    ends: float
    turn: float
    middle: float
    slope: float
    u_ends: float
    u_turn: float
    u_slope: float
    u_slope_own: float
    asked: bool = True
    off_usual: float = 0.0
    off_line: float = 0.0

    def ends_at(self, x: Array | float) -> Array:
        """Distance of the ends before the card at `x`, mm."""
        return np.asarray(self.ends + self.turn * (np.asarray(x, dtype=float) - self.middle))


@dataclass(frozen=True)
class GapGeometry:
    """Everything the gaps follow from, on one plane; lines and places as they were found on it.

    Attributes
    ----------
    seen : tuple of CrownSeen
    u_foot : float
        Standard uncertainty of the card's foot, which all frets share, mm.
    away : ndarray, shape (N,)
        Places of the frets along the neck, in the card's direction, mm.
    height : float
        Of the crowns, mm.
    inset, u_inset : float
        Of the string from the board's edge, mm.
    stands : CardAsked
        How the card is asked to stand.
    """

    plane: Plane
    seen: tuple[CrownSeen, ...]
    u_foot: float
    away: Array | None
    height: float
    inset: float = STRING_INSET_MM
    u_inset: float = STRING_INSET_U_MM
    stands: CardAsked = BACKDROP_ASKED

    @property
    def x(self) -> Array:
        """Middles of the frets' ends as seen on the card, mm."""
        return np.array([s.face.x for s in self.seen])


def stand_of(g: GapGeometry) -> CardStand:
    """Distance and direction of the ends from their spacing, the crowns' slope from their tops."""
    middle = float(g.x.mean())
    inside, u_inside = _inside(g)
    expected = g.stands.behind + inside
    sure = [s.face for s in g.seen if s.face.stands_out]
    asked = True
    near = math.hypot(g.stands.u_behind, u_inside)
    ends, turn, u_ends, u_turn = expected, 0.0, near, PARALLEL_U
    # an end that does not stand out from its own crown may have been found at the crown's flank
    if g.away is not None and len(sure) >= 2:
        ends, turn, u_ends, u_turn = _ends(g, middle, expected, math.hypot(ANYWHERE_U_MM, u_inside))
        asked = abs(ends - expected) < ELSEWHERE * math.hypot(near, u_ends)
        if asked:
            ends, turn, u_ends, u_turn = _ends(g, middle, expected, near)
    return _sloped(g, CardStand(ends, turn, middle, SLOPE, u_ends, u_turn, SLOPE_U, SLOPE_U, asked))


def _ends(g: GapGeometry, middle: float, expected: float, u_expected: float) -> tuple[float, float, float, float]:
    """Distance at the middle and its change along the card, with their standard uncertainties."""
    assert g.away is not None
    sure = np.array([s.face.stands_out for s in g.seen])
    x, distance, camera = g.x[sure], g.plane.distance_mm, float(g.plane.camera_mm[0])
    along = g.away[sure] - g.away[sure].mean()
    k = distance / (distance - expected)
    # x = camera + (X - camera) D / (D - e): linear in a shift, the distance e, its turn and the length's error
    start = float(x.mean()) - camera
    by_e = (start / k + along) * k / (distance - expected)
    u = np.hypot(SLOT_U_MM * k, [s.face.u_x for s, ok in zip(g.seen, sure, strict=True) if ok])
    rows = np.column_stack([np.full(len(along), k), by_e, by_e * (x - middle), k * along]) / u[:, None]
    priors = np.diag([0.0, 1.0 / u_expected, 1.0 / PARALLEL_U, 1.0 / LENGTH_U_REL])
    left = np.concatenate([(x - camera - start - k * along) / u, np.zeros(len(priors))])
    a = np.vstack([rows, priors])
    fit = np.linalg.lstsq(a, left, rcond=None)[0]
    free = max(len(along) - 2, 0)
    wide = (SLOT_DOF + float(np.sum((left - a @ fit) ** 2))) / (SLOT_DOF + free)
    cov = np.linalg.inv(a.T @ a) * wide
    return expected + float(fit[1]), float(fit[2]), float(np.sqrt(cov[1, 1])), float(np.sqrt(cov[2, 2]))


def _sloped(g: GapGeometry, stand: CardStand) -> CardStand:
    """The same with the mean slope of the crowns' tops from the card to their ends.

    Faint tops count where they say what boards mostly do: a faint line on the metal may be something else.
    """
    clear = [s for s in g.seen if s.face.stands_out]
    every = _sloped_by([s for s in g.seen if s.face.top is not None], g, stand)
    return every if every.off_usual < COVERAGE_FACTOR else _sloped_by(clear, g, stand)


def _sloped_by(tops: Sequence[CrownSeen], g: GapGeometry, stand: CardStand) -> CardStand:
    if not tops:
        return stand
    x = np.array([s.face.x for s in tops])
    top = np.array([s.face.top for s in tops])
    base = np.array([s.crown for s in tops])
    before = stand.ends_at(x) - set_back(g)
    cy, distance = float(g.plane.camera_mm[1]), g.plane.distance_mm
    slope = (top + before * (cy - top) / distance - base) / before
    rise = float(np.median((cy - top) / distance - slope))
    mean = float(np.median(slope))
    scatter = float(spread_about_zero(slope - mean)) / math.sqrt(len(tops))
    at = float(np.median(before))
    u_back = g.height * BEVEL_TAN_U * (1.0 - FACE_UP) / math.sqrt(len(tops))
    u_top = TOP_U_MM / math.sqrt(len(tops))
    own = math.hypot(scatter, rise / at * u_back, u_top / at)
    u = math.hypot(own, rise / at * stand.u_ends, g.u_foot / at)
    share = SLOPE_U**2 / (SLOPE_U**2 + u**2)
    return replace(
        stand,
        slope=share * mean + (1.0 - share) * SLOPE,
        u_slope=math.sqrt(share) * u,
        u_slope_own=math.hypot(share * own, (1.0 - share) * SLOPE_U),
        off_usual=abs(mean - SLOPE) / math.hypot(SLOPE_U, u),
        off_line=_off_line(x, slope * before, rise),
    )


def _off_line(x: Array, falls: Array, rise: float) -> float:
    """How far the ends' tops drift from the foot along the card, over what eased tops and a turned card allow.

    The foot runs along the crowns and so do their ends' tops; a string's line or a shadow's crosses them."""
    if len(x) < 2:
        return 0.0
    drift = float(np.polyfit(x, falls, 1)[0])
    u = math.hypot(TOP_U_MM / (float(np.std(x)) * math.sqrt(len(x))), rise * PARALLEL_U, DRIFT_U)
    return abs(drift) / u


def set_back(g: GapGeometry) -> float:
    """How much farther from the camera an end's top lies than the part of its face whose middle was found, mm."""
    return g.height * BEVEL_TAN * (1.0 - FACE_UP)


def _inside(g: GapGeometry) -> tuple[float, float]:
    """How far behind the frets' near ends, where their faces' middles are found, the string runs, and its u, mm."""
    u_face = g.height * BEVEL_TAN_U * FACE_UP
    u_end = math.hypot(END_SHORT_U_MM, u_face) / math.sqrt(len(g.seen))
    return g.inset - END_SHORT_MM - g.height * BEVEL_TAN * FACE_UP, math.hypot(u_end, g.u_inset)


def behind_string(g: GapGeometry, stand: CardStand) -> tuple[Array, float]:
    """Distance of the card behind the string's middle at each fret, mm; its standard uncertainty but for the ends'."""
    inside, u = _inside(g)
    share = _share_of_ends(g, stand, u)
    at = g.stands.behind + share * (stand.ends - g.stands.behind - inside)
    turned = 0.0 * g.x if g.stands.touches and stand.asked else stand.ends_at(g.x) - stand.ends
    return at + turned, math.sqrt(share) * u


def _share_of_ends(g: GapGeometry, stand: CardStand, u_inside: float) -> float:
    """What the card's distance behind the string takes of a change of the ends' distance before it."""
    return g.stands.u_behind**2 / (g.stands.u_behind**2 + u_inside**2) if stand.asked else 1.0


def gaps_of(g: GapGeometry, stand: CardStand, behind: Array) -> Array:
    """The gap at each fret, mm."""
    cy, distance = float(g.plane.camera_mm[1]), g.plane.distance_mm
    h, crown = (np.array([getattr(s, name) for s in g.seen]) for name in ("under", "crown"))
    before = stand.ends_at(g.x) - set_back(g)
    arc = behind * (before - behind) / (2.0 * BOARD_RADIUS_MM)
    return np.asarray(h + behind * (cy - h) / distance - (crown + stand.slope * behind + arc))


def measure_gaps(g: GapGeometry) -> tuple[tuple[Measured, ...], CardStand, Array, float]:
    """The gap at every fret with its uncertainty, how the card stands, and the card's distance behind the string."""
    stand = stand_of(g)
    behind, u_behind = behind_string(g, stand)
    gaps = gaps_of(g, stand, behind)
    by_behind = (gaps_of(g, stand, behind + STEP_MM) - gaps) / STEP_MM
    by_ends = (_gaps_if_moved(g, stand, STEP_MM, 0.0) - gaps) / STEP_MM
    by_foot = (_gaps_if_foot_moved(g, stand, behind, STEP_MM) - gaps) / STEP_MM
    by_turn = (_gaps_if_moved(g, stand, 0.0, STEP_RAD) - gaps) / STEP_RAD
    elevation = g.plane.u_of(lambda plane: (plane.camera_mm[1] + 26.0) / plane.distance_mm)
    before = stand.ends_at(g.x) - set_back(g)
    out = []
    for i, (gap, s) in enumerate(zip(gaps, g.seen, strict=True)):
        parts = {
            "string's edge": s.u_under,
            "crown below the foot": s.u_crown,
            "backdrop's foot": abs(by_foot[i]) * g.u_foot,
            "backdrop behind the string": abs(by_behind[i]) * u_behind,
            "fret ends before the backdrop": abs(by_ends[i]) * stand.u_ends,
            "backdrop turned against the string": abs(by_turn[i]) * stand.u_turn,
            "slope of the crowns' arc": abs(behind[i]) * stand.u_slope_own,
            "board radius": abs(behind[i] * (before[i] - behind[i])) / 2.0 * CURVATURE_U,
            "camera elevation": abs(behind[i]) * float(elevation),
            "backdrop leaning": abs(gap) * LEAN_U * (LEAN_U / 2.0 + abs(stand.slope)),
            "scale": abs(gap) * g.plane.u_rel,
        }
        value = Measured(float(gap), "mm", tuple(Contribution(k, float(u)) for k, u in parts.items()))
        out.append(marked(value) if s.by_hand else value)
    u_ends = _share_of_ends(g, stand, _inside(g)[1]) * stand.u_ends
    return tuple(out), stand, behind, math.hypot(u_behind, u_ends)


def _gaps_if_moved(g: GapGeometry, stand: CardStand, ends: float, turn: float) -> Array:
    """The gaps with the ends farther before the card (mm), or turned (mm a millimetre), all that follows with them."""
    moved = _sloped(g, replace(stand, ends=stand.ends + ends, turn=stand.turn + turn))
    return gaps_of(g, moved, behind_string(g, moved)[0])


def _gaps_if_foot_moved(g: GapGeometry, stand: CardStand, behind: Array, up: float) -> Array:
    """The gaps with the card's foot higher (mm): so are the crowns that it stands on, and fall more to their ends."""
    moved = replace(g, seen=tuple(replace(s, crown=s.crown + up) for s in g.seen))
    return gaps_of(moved, _sloped(moved, stand), behind)


def runs_across(stand: CardStand) -> bool:
    """Whether the ends' tops run across what was taken for the foot."""
    return stand.off_line > UNUSUAL


def has_implausible_slope(stand: CardStand) -> bool:
    """Whether the crowns would fall as no board's do: what was found is not what it was taken for."""
    return stand.off_usual > UNUSUAL


def too_near(behind: Sequence[float] | Array, nearest: float = BACKDROP_ASKED.nearest) -> bool:
    """Whether the card would stand in the string: what was found is not what it was taken for."""
    return bool(np.median(np.asarray(behind)) < nearest)
