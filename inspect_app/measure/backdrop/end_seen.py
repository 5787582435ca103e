"""Which outline is a fret's end: of those that stand out against the backdrop, the one that an end can have.

It makes a bevel that begins where the crown line ends, two looks at it agree, and nothing lies over it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.specks import without_specks
from inspect_app.measure.backdrop.beside_edge import is_halo
from inspect_app.measure.backdrop.bevel import WORST_U_DEG, Bevel, fit_bevel, on_rim, rim_px
from inspect_app.measure.backdrop.corner import Corner, find_corner
from inspect_app.measure.backdrop.covering import SQUARE, board_goes_on, goes_on, stands_before_the_card
from inspect_app.measure.backdrop.edge_path import EdgePath, gradient_corrected
from inspect_app.measure.backdrop.end_colour import COLOUR_U_PX, in_colour
from inspect_app.measure.backdrop.end_outline import (
    CLOSE_PX,
    FACE_UNSEEN,
    INWARD,
    End,
    EndOutline,
    EndSearch,
    Sampling,
    crown_line_end,
    detect_end_outlines,
    place_rim,
    rim_shows,
)
from inspect_app.measure.backdrop.fret import SHARPEST_PX, DetectedFret
from inspect_app.measure.backdrop.pose import TURN_U
from inspect_app.measure.backdrop.rim_line import LEAST_POINTS, RIM_DEFINITION_PX, fit_rim_line

__all__ = ["COVERED", "UNSEEN", "end_outline_of", "is_an_end"]

Array = NDArray[np.float64]

FAR_RIM_SHOWS = 0.9
"""Probability that an outline is the near rim where an edge runs beyond it, on the card, as the far rim would (no
source). An edge within it says nothing: lines of light may lie there."""
APART_PX = 2.0 * CLOSE_PX
"""Distance of both rims from which the one is not taken for the other."""
LEAST_ANGLE, MOST_ANGLE = 0.0, math.radians(60.0)
"""Bevels that there are: an end is never undercut, and one filed flatter leaves the outer strings no fret (common
practice, no source)."""
WIDE = 2.0
"""Standard uncertainties by which an angle may lie beyond them, or two looks at one may differ."""
CORNER_SHORT_MM, CORNER_BEYOND_MM = 0.6, 0.6
"""How far short of where the crown line was last seen, and beyond, its bevel may begin: a file rounds the tip over up
to 0.4 mm, and there, or by chance on the card, the outline is lost or followed a little further (no source)."""
LEAST_HEIGHT = 0.5
"""Share of the crown's height that a bevel's straight part must reach up to: in the lower half the outline may be the
wood's own end or grime (see `end_outline.MOST_OUTSIDE`), while a file that rounds the tip leaves more than half."""
FAR_SURER = 0.5
"""Times the uncertainty by brightness that the one by colour must be for its word to count before it: a metal's colour
is less its own than its outline's brightness is (no source)."""
UNSEEN = "the end does not stand out against the backdrop; change the light or go closer"
COVERED = (
    "something lies over the end, a card, a rule, tape or a finger: its edge goes on beyond the metal; "
    "take it away and take the photo again"
)


def end_outline_of(photo: Photo, fret: DetectedFret, end: End) -> EdgePath | str:
    """The outline of a fret's end: the likeliest that makes a bevel; where none of them does, or what makes it lies
    over the metal, why.

    It is looked for above what the nearer fret may hide at all; where that leaves too little, above what it likely
    hides: its own edges lie on no line with what is seen above it."""
    found = _outline_in_view(photo, fret, end)
    if found != UNSEEN or fret.likely_hidden_mm >= fret.hidden_mm:
        return found
    return _outline_in_view(photo, replace(fret, hidden_mm=fret.likely_hidden_mm), end)


def _outline_in_view(photo: Photo, fret: DetectedFret, end: End) -> EdgePath | str:
    """The same above what the nearer fret hides.

    Close up, where the card is grainy, it is looked for without specks, and only then with them. Further off, colour is
    its witness: the edge of a lamp's shadow on the card may be as sharp as the metal's, and brighter."""
    corner = find_corner(photo, fret.pose, fret.line, end, _print_blur(fret), fret.mm_per_px)
    steady = _outline_in(without_specks(photo), fret, end, corner) if fret.grainy else None
    edge = _outline_in(photo, fret, end, corner) if steady is None else steady
    edge = edge if edge is None or fret.close_up else _witnessed(photo, edge, fret, end, corner)
    if stands_before_the_card(photo, fret, end):
        return COVERED
    if edge is not None:
        return COVERED if _lies_over(photo, edge, fret, end) else edge
    tried = _outlines(photo, fret, end, corner)
    return COVERED if any(_lies_over(photo, e, fret, end) for e in tried) else UNSEEN


def _lies_over(photo: Photo, edge: EdgePath, fret: DetectedFret, end: End) -> bool:
    """Whether the line that an outline makes is that of something laid over the end, see `covering`."""
    bevel = fit_bevel(edge, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px)
    if bevel is None or bevel.used is None:
        return False
    run = INWARD[end] * fret.crown.height * math.tan(bevel.angle)
    y = np.array([bevel.foot, bevel.foot + run])
    z = fret.line.circle.z(y) - np.array([fret.crown.height, 0.0])
    foot, corner = np.column_stack([np.zeros(2), y, z])
    line = edge.only(bevel.used)
    if goes_on(photo, line, foot, corner, bevel.angle, fret):
        return True
    return abs(bevel.angle) < SQUARE and board_goes_on(photo, foot, end, fret)


def _witnessed(photo: Photo, edge: EdgePath, fret: DetectedFret, end: End, corner: Corner | None) -> EdgePath | None:
    """The outline as brightness shows it, or as colour does where that is far surer; None where they tell two angles
    and colour shows nothing where brightness has its outline: that is a shadow's.

    Nothing is read from colour alone: metal mirrors, and what it mirrors has colours of its own."""
    u, angle = _angle_of(edge, fret, end)
    coloured = in_colour(photo, fret, end) if u < math.radians(WORST_U_DEG) else None
    by_colour = None if coloured is None else _outline_in(coloured, fret, end, corner)
    if by_colour is None:
        return edge
    by_colour = replace(by_colour, u_shared_px=np.hypot(by_colour.u_shared_px, COLOUR_U_PX))
    u_colour, angle_by_colour = _angle_of(by_colour, fret, end)
    if coloured is not None and abs(angle_by_colour - angle) > WIDE * math.hypot(u_colour, u):
        return edge if rim_shows(coloured, edge.px) else None
    return by_colour if u_colour < FAR_SURER * u else edge


def _angle_of(edge: EdgePath, fret: DetectedFret, end: End) -> tuple[float, float]:
    """Standard uncertainty of the angle that an outline tells, from the edge alone, and the angle, rad."""
    fit = fit_bevel(edge, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px)
    return (math.inf, 0.0) if fit is None else (math.hypot(fit.u_angle, fit.u_definition), fit.angle)


def _outline_in(photo: Photo, fret: DetectedFret, end: End, corner: Corner | None) -> EdgePath | None:
    """The outline of a fret's end in one picture: the likeliest that makes a bevel; None where none of them does."""
    last = fret.line.span[0 if end == "treble" else 1]
    y = np.array([last, last + 1.0])
    line = np.diff(fret.pose.to_px(np.column_stack([np.zeros(2), y, fret.line.circle.z(y)])), axis=0)[0]
    across = np.array([-line[1], line[0]]) / np.linalg.norm(line)
    for edge in _outlines(photo, fret, end, corner):
        placed = gradient_corrected(edge, across, _print_blur(fret))
        bevel = fit_bevel(placed, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px)
        if bevel is None and corner is None:
            return None  # what is left is nearer the middle: scratches and glints on the metal
        if bevel is None:
            continue
        if is_an_end(bevel, fret, end, corner):
            return _surest(photo, placed, bevel, fret, end, across, corner)
    return None


def _outlines(photo: Photo, fret: DetectedFret, end: End, corner: Corner | None) -> tuple[EdgePath, ...]:
    search = EndSearch(fret.hidden_mm, _print_blur(fret), corner, _sampling(fret))
    return detect_end_outlines(photo, fret.pose, fret.line, fret.crown, end, fret.mm_per_px, search)


def _sampling(fret: DetectedFret) -> Sampling:
    return Sampling(fret.close_up, fret.mm_per_px, fret.lens_px)


def _print_blur(fret: DetectedFret) -> float:
    """Standard deviation of the blur of the card's print, px."""
    return max(fret.lens_px, SHARPEST_PX)


def _surest(
    photo: Photo,
    edge: EdgePath,
    bevel: Bevel,
    fret: DetectedFret,
    end: End,
    across: Array,
    corner: Corner | None,
) -> EdgePath | None:
    """An end's outline as first placed, or looked for close to the rim fitted to it, whichever tells the angle better.

    Where specks lie nearer the first guess it followed those; where the rim bulges, a close look loses part of it.
    None where they tell two angles: chance made one of them."""
    rim = rim_px(bevel, fret, end, np.arange(*bevel.rise, fret.mm_per_px))
    again = place_rim(photo, rim[::-1] if end == "bass" else rim, CLOSE_PX, _sampling(fret))
    again = gradient_corrected(again, across, _print_blur(fret))
    looks = [e for e in (edge, again) if len(e.px) >= LEAST_POINTS]
    shown = {_near_rim_shown(photo, e, fret, end) for e in looks}
    near_rim = shown.pop() if len(shown) == 1 else FACE_UNSEEN  # one look alone does not settle it
    told = [EndOutline(**vars(e), near_rim=near_rim) for e in looks]
    fits = [(e, fit_bevel(e, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px)) for e in told]
    sure = [
        (math.hypot(f.u_angle, f.u_definition), f.angle, e)
        for e, f in fits
        if f is not None and is_an_end(f, fret, end, corner)
    ]
    if len(sure) == 2 and abs(sure[0][1] - sure[1][1]) > WIDE * math.hypot(sure[0][0], sure[1][0]):
        return None
    return min(sure, key=lambda one: one[0])[2] if sure else edge


def _near_rim_shown(photo: Photo, edge: EdgePath, fret: DetectedFret, end: End) -> float:
    """Probability that an outline is its cut face's near rim, by whether the far one shows beyond it."""
    near_line = on_rim(edge, fret.pose, fret.line.circle, fret.crown, -1.0)
    line = fit_rim_line(*near_line, edge, fret.mm_per_px, RIM_DEFINITION_PX)
    if line is None:
        return FACE_UNSEEN
    near = Bevel(math.atan(INWARD[end] * line.slope), line.foot, 0.0, 0.0, 0.0, line.rise, far=False)
    h = np.arange(*line.rise, fret.mm_per_px)
    at, beyond = (rim_px(b, fret, end, h) for b in (near, replace(near, far=True)))
    along = (at[-1] - at[0]) / np.linalg.norm(at[-1] - at[0])
    apart = np.abs((beyond - at) @ np.array([-along[1], along[0]]))
    aside = TURN_U * fret.crown.width / fret.mm_per_px  # what the backdrop's turn leaves open of where the far rim is
    within = min(max(CLOSE_PX, aside), float(np.median(apart)) / 2.0)
    at, beyond = (rim[::-1] if end == "bass" else rim for rim in (at, beyond))
    if np.median(apart) <= APART_PX or not rim_shows(photo, beyond, within):
        return FACE_UNSEEN
    return FACE_UNSEEN if is_halo(photo, at, float(np.median(apart)), fret.overshoot) else FAR_RIM_SHOWS


def is_an_end(bevel: Bevel, fret: DetectedFret, end: End, corner: Corner | None = None) -> bool:
    """Whether a bevel is one that a fret's end can have: of possible angle, beginning where the crown line ends, and
    straight up to the upper half of the crown."""
    u = WIDE * math.hypot(bevel.u_angle, bevel.u_definition, TURN_U)
    possible = LEAST_ANGLE - u <= bevel.angle <= MOST_ANGLE + u
    high = bevel.rise[1] >= LEAST_HEIGHT * fret.crown.height
    return possible and high and _begins_there(bevel, fret, end, corner)


def _begins_there(bevel: Bevel, fret: DetectedFret, end: End, corner: Corner | None) -> bool:
    """Whether a bevel begins where the crown line ends."""
    at = bevel.foot + INWARD[end] * fret.crown.height * math.tan(bevel.angle)
    if corner is None:
        beyond = -INWARD[end] * (at - crown_line_end(fret.line, end, fret.crown.height))
        return -CORNER_SHORT_MM <= beyond <= CORNER_BEYOND_MM
    to_corner = fret.crown.height - sum(bevel.rise) / 2.0
    u = math.hypot(bevel.u_angle, bevel.u_definition) / math.cos(bevel.angle) ** 2 * to_corner
    return bool(corner.may_begin(at, WIDE * u))
