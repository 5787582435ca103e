"""The plan view: a board from above, every whole fret on it with its place, length, crown width and flats."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calib.edge_response import EdgeResponse, edge_response, linear_light_of
from calib.lone_edges import lone_edge_response
from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from calib.unsharpening import unsharpened
from inspect_app import __version__
from inspect_app.measure.manual import PLACED_U_PX, apart, edges_on, marked, placed_on
from inspect_app.measure.plan.board_height import BoardLevel
from inspect_app.measure.plan.board_tilt import TOLD_BY_SCALE_RAD, tilt_u
from inspect_app.measure.plan.board_wear import UNKNOWN_WHITE, BoardWear, find_board_wear
from inspect_app.measure.plan.crown_arc import width_from_apparent
from inspect_app.measure.plan.crown_edges import SHARP_PX
from inspect_app.measure.plan.crown_width import crown_width, width_u_from_pose
from inspect_app.measure.plan.end_lines import find_ends
from inspect_app.measure.plan.end_overhang import BoardEdges, drawn_edges, find_board_edges, overhangs
from inspect_app.measure.plan.flats import FlatSearch, measure_flats, search_flats
from inspect_app.measure.plan.fret_ends import COVERED, FretEnd
from inspect_app.measure.plan.fret_length import fret_length, length_u_from_pose
from inspect_app.measure.plan.fret_location import locate_frets
from inspect_app.measure.plan.fret_numbers import numbered
from inspect_app.measure.plan.fret_patch import BURNT, Sampling, sample_patch
from inspect_app.measure.plan.frets import EdgedFret, EndedFret, FittedEnd, LocatedFret, with_ends
from inspect_app.measure.plan.hidden_parts import hidden_outlines
from inspect_app.measure.plan.likely_frets import must_be_frets, spaced_as_asked, told_as_frets
from inspect_app.measure.plan.reference_crown import BLUR_PX
from inspect_app.measure.plan.spacing import check_spacing, fret_positions
from inspect_app.measure.plan.string_ends import without_string_ends
from inspect_app.measure.plan.strings import MOST_SKEW, StringCrossing, find_strings
from inspect_app.measure.summary import summaries
from inspect_app.reading.ask import Ask, HandEdge
from inspect_app.reading.inspection import FretReading, Inspection, Outline
from inspect_app.reading.key import Key, NotMeasured, on_fret
from shared.errors import InspectError
from shared.measured import COVERAGE_FACTOR, Measured

__all__ = ["Detected", "detect", "measure_detected", "measure"]

Floats = NDArray[np.float64]

_BESIDE_MM = 0.3
"""Sampled beside a crown for its flats: from 10 degrees aside its foot shows 0.2 mm off its top."""
TAUGHT_OVERSHOOT = 0.05
"""Halos that the crown's edge finder knows, as a share of the step: those of an unsharp mask of 0.8 and 1.2 px, the
most it was taught as a rule (`sample_images.edge_camera`), on an edge of 0.9 px blur."""
_SOFT = 2.0
"""Blur over that of a sharp photo from which a photo is flagged: the light then takes four pixels from a tenth to nine
tenths of a step, and the photo would be taken again (common practice, no source)."""
_COARSE_PX_PER_MM = 8.0
"""Below this a tenth of a millimetre is less than a pixel."""
_LENGTH_TOLD_MM = 1.0
"""A length by the other frets' ends alone is given where its U is no more: a rule's division."""
_MAY_BE_COVERED = "it may be covered by the rule, whose far edge does not stand out from what it lies on"
_OTHER_WAY = (
    "The gaps between the frets shrink towards the side that was said to be the nut's. They are counted from the other "
    "side, and the treble side is taken to be the other one as well."
)
_UPRIGHT = (
    "The neck runs up the photo. The nut is taken to be where the gaps between the frets are widest, and the treble "
    "side to lie as was said of a neck across the photo."
)


_Read = tuple[FretReading, tuple[NotMeasured, ...]]
_ReadingOf = Callable[[int, tuple[HandEdge, ...], tuple[str, ...]], _Read]


@dataclass(frozen=True)
class Detected:
    """What a photo shows before any edge is placed by hand; `reading` keeps what was measured before."""

    photo: Photo
    scale: Scale
    plane: Plane
    level: BoardLevel
    frets: tuple[EndedFret, ...]
    not_measured: tuple[NotMeasured, ...]
    softness: float
    positions: tuple[Measured, ...]
    burnt_share: float
    board_wear: BoardWear
    edges: BoardEdges
    printed: EdgeResponse | None
    reading: _ReadingOf


def measure(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Inspection:
    """Measure every fret that is whole in the photo.

    Raises
    ------
    InspectError
        If nothing in the photo looks like frets.
    """
    return measure_detected(detect(photo, scale, plane, ask), ask)


def detect(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Detected:
    """Find every whole fret, its crown edges and its ends; manual edges in `ask` play no part.

    Raises
    ------
    InspectError
        If nothing in the photo looks like frets, or none of their crowns can be read.
    """
    printed = edge_response(photo, scale)
    response = printed or lone_edge_response(photo)
    skew = MOST_SKEW if tilt_u(plane) >= TOLD_BY_SCALE_RAD else 0.0
    as_taken, photo = photo, unsharpened(photo, response)
    # a crown's edges are taught on photos with a camera's sharpening; flats and ends are not
    as_taught = unsharpened(as_taken, response, TAUGHT_OVERSHOOT)
    board, frets, level, softness, plane = locate_frets(as_taught, scale, plane, ask, printed, _told_px(response))
    frets, renumbered = numbered(frets, board, ask)
    if not frets:
        raise InspectError("No fret is whole in the photo: only the nut is.", "Move the camera towards the body.")
    unread = (*_half_read(frets), *renumbered)
    if board.other_way or board.upright:
        unread += (NotMeasured(Key(feature="nut side as asked"), _UPRIGHT if board.upright else _OTHER_WAY),)
    unread += _skipped([f.frame.number for f in frets])
    edged, hidden = [f for f in frets if isinstance(f, EdgedFret)], hidden_outlines(frets)
    must_be_frets(board, len(edged))
    covers, why = (scale.covers_px, *hidden), COVERED if scale.body_seen or hidden else _MAY_BE_COVERED
    blur = _blur_px(response, softness)
    softness = max(softness, blur / BLUR_PX)  # crowns without clear steps say little of it
    found = find_ends(photo, (scale.may_cover_px, *hidden), edged, softness, why)
    if not found:
        raise InspectError("No fret's crown can be read in the photo.", "Uncover half of one at least.")
    strings = find_strings(found, skew)
    told_as_frets(board, found, tilt_told=not skew, strung=any(strings))
    spaced_as_asked(found, level, plane, ask)
    found = without_string_ends(found, strings)
    reading = _cached_readings(photo, found, level, covers, strings, blur)
    white = linear_light_of(response.white) if response and len(scale.ids) else UNKNOWN_WHITE
    worn = find_board_wear(as_taken, found, covers, any(strings), white)
    edges = find_board_edges(as_taken, found, (scale.may_cover_px, *hidden))
    unread += (*worn.not_measured, *edges.not_measured)
    about = softness, _positions(found, level), _burnt_share(found), worn, edges, printed
    return Detected(as_taken, scale, plane, level, found, unread, *about, reading)


def _told_px(response: EdgeResponse | None) -> float:
    """The photo's blur by its edges, standard deviation, px; 0 where they tell none."""
    return response.spread_px if response else 0.0


def _blur_px(response: EdgeResponse | None, softness: float) -> float:
    """Blur of the photo that flats are fitted to, standard deviation, px: by its edges, else by its crowns."""
    return max(BLUR_PX, _told_px(response) or softness * SHARP_PX)


def measure_detected(detected: Detected, ask: Ask) -> Inspection:
    """The readings of what was detected, with the edges that `ask` fixes by hand where they were put."""
    answer = _answer(detected, ask)
    return replace(answer, not_measured=(*answer.not_measured, *detected.not_measured))


def _half_read(frets: Sequence[LocatedFret]) -> tuple[NotMeasured, ...]:
    """What is not measured of frets whose crowns show less than half."""
    return tuple(
        NotMeasured(on_fret(f.frame.number, what), "Less than half of the crown can be read.")
        for f in frets
        if not isinstance(f, EdgedFret)
        for what in ("crown width", "length", "flats")
    )


def _skipped(numbers: list[int]) -> tuple[NotMeasured, ...]:
    """Every number that the frets found leave out between them: a fret that was pulled, or not found."""
    missing = sorted(set(range(min(numbers), max(numbers))) - set(numbers))
    why = "Nothing stands out where it should be: the fret is missing, or the light hides it. Turn the lamp."
    return tuple(NotMeasured(on_fret(n, what), why) for n in missing for what in ("crown width", "length", "flats"))


def _burnt_share(frets: Sequence[EndedFret]) -> float:
    """Share of the crowns that the photo shows as nothing but white, median over the frets."""
    shares = []
    for f in frets:
        half = f.crown.width / 2.0
        rows = slice(*np.searchsorted(f.patch.along_mm, [0.0, f.frame.length_mm]))
        columns = slice(*np.searchsorted(f.patch.across_mm, [-half, half]))
        light, valid = f.patch.light[rows, columns], f.patch.valid[rows, columns]
        shares.append(float(np.mean(light > BURNT, where=valid)) if valid.any() else 0.0)
    return float(np.median(shares)) if shares else 0.0


def _cached_readings(
    photo: Photo,
    frets: tuple[EndedFret, ...],
    level: BoardLevel,
    covers: tuple[Floats, ...],
    strings: Sequence[tuple[StringCrossing, ...]],
    blur_px: float,
) -> _ReadingOf:
    """Readings of these frets by index, the edges placed on them and the photo's flags, each worked out once.

    Flats are searched once for all edges placed on them: only the crown's own edges and ends change the search.
    """

    @lru_cache(maxsize=32)  # the frets of a photo and some moves of their edges; a search holds about a megabyte
    def search(i: int, edges: tuple[HandEdge, ...], width: Measured) -> FlatSearch | NotMeasured:
        asked = Measured.of(level.crown_height, "mm", crown_height=level.crown_height_u)
        frame = _with_manual_edges(frets[i], edges).frame
        how = Sampling(asked.value, (1.0, width.value / 2.0 + _BESIDE_MM))
        moved = float((frets[i].frame.origin_mm - frame.origin_mm) @ frame.along)
        crossings = tuple(replace(c, along=c.along + moved) for c in strings[i])
        return search_flats(sample_patch(photo, frame, covers, width, asked, how), crossings, blur_px)

    as_found = _u_from_pose(frets)

    @lru_cache(maxsize=256)  # some kB each, as those below
    def crown(i: int, edges: tuple[HandEdge, ...]) -> tuple[EndedFret, Measured | NotMeasured, Measured]:
        f = _with_manual_edges(frets[i], edges)
        by_width, by_length = (as_found[i] if f is frets[i] else _u_from_pose([f])[0]).tolist()
        return f, _length(f, level, by_length), crown_width(f.frame, f.crown, level, by_width)

    @lru_cache(maxsize=256)
    def reading(i: int, edges: tuple[HandEdge, ...], flags: tuple[str, ...]) -> _Read:
        on_crown = tuple(e for e in edges if e.what.feature != "flats")
        return _reading(*crown(i, on_crown), flags, edges, lambda width: search(i, on_crown, width))

    return reading


def _u_from_pose(frets: Sequence[EndedFret]) -> Floats:
    """What pose and lens leave uncertain of each fret's crown width and length, mm, shape (n, 2)."""
    frames = [f.frame for f in frets]
    return np.column_stack([width_u_from_pose(frames, [f.crown for f in frets]), length_u_from_pose(frames)])


def _with_manual_edges(f: EndedFret, edges: tuple[HandEdge, ...]) -> EndedFret:
    """The fret with the edges a person placed where they were put."""
    for edge in edges_on(edges, f.frame.number):
        name = edge.what.feature
        at = f.frame.to_fret(np.array(edge.points)).mean(axis=0)
        if name in ("crown nut side", "crown body side"):
            f = _with_crown_edge(f, name, float(at[1]))
        elif name in ("treble end", "bass end"):
            end = FittedEnd(FretEnd(float(at[0]), PLACED_U_PX / f.patch.px_per_mm))
            f = with_ends(f, end, f.bass) if name == "treble end" else with_ends(f, f.treble, end)
            apart(0.0, f.frame.length_mm)
            f = replace(f, by_hand=f.by_hand | {"length"})
    return f


def _with_crown_edge(f: EndedFret, name: str, across: float) -> EndedFret:
    """The fret with one crown edge `across` mm from the centre line of before; the other stays."""
    nut, body = _edges_across(f)
    nut, body = (across, body) if name == "crown nut side" else (nut, across)
    by_hand, found = PLACED_U_PX / f.patch.px_per_mm, f.crown.u_width / math.sqrt(2.0)
    crown = replace(
        f.crown,
        width=width_from_apparent(apart(nut, body), f.crown.height, f.frame.view_angle),
        u_width=math.hypot(by_hand, by_hand if "crown width" in f.by_hand else found),
        apparent=(nut + f.crown.centre, body + f.crown.centre),
    )
    return replace(f, crown=crown, by_hand=f.by_hand | {"crown width"})


def _edges_across(f: EdgedFret) -> tuple[float, float]:
    """Where the crown's nut side and body side edges are seen, mm from its centre line."""
    nut, body = f.crown.apparent
    return nut - f.crown.centre, body - f.crown.centre


def _answer(detected: Detected, ask: Ask) -> Inspection:
    photo, scale, camera = summaries(detected.photo, detected.scale, detected.plane, ask, detected.printed)
    frets = [_with_manual_edges(f, ask.hand_edges) for f in detected.frets]
    flags = [*detected.scale.flags]
    if detected.softness >= _SOFT:
        flags.append("BLURRED")
    if frets[0].patch.px_per_mm < _COARSE_PX_PER_MM:
        flags.append("LOW_RESOLUTION")
    frames = [f.frame for f in frets]
    as_found = all(a is b.frame for a, b in zip(frames, detected.frets, strict=True))
    positions = detected.positions if as_found else _positions(frets, detected.level)
    checks, uneven = check_spacing(positions, [f.number for f in frames], detected.plane, ask.scale_length)
    if uneven:
        flags.append("SPACING_OFF")
    readings, missing = [], list(uneven)
    for i, (frame, position) in enumerate(zip(frames, positions, strict=True)):
        reading, lost = detected.reading(i, edges_on(ask.hand_edges, frame.number), tuple(flags))
        readings.append(replace(reading, position=position.with_flags(*flags)))
        missing += lost
    return Inspection(
        "plan",
        photo,
        __version__,
        ask.to_dict(),
        tuple(readings),
        tuple(missing),
        tuple(dict.fromkeys(flags)),
        scale,
        camera,
        {
            **checks,
            "softness": detected.softness,
            "burnt_share": detected.burnt_share,
            "board_fields_read": float(detected.board_wear.fields_read),
        },
        detected.board_wear.values | overhangs(detected.edges, frets),
        (*detected.board_wear.outlines, *drawn_edges(detected.edges, detected.frets)),
    )


def _positions(frets: Sequence[EndedFret], level: BoardLevel) -> tuple[Measured, ...]:
    return tuple(fret_positions([f.frame for f in frets], [f.crown.u_centre for f in frets], level))


def _reading(
    f: EndedFret,
    length: Measured | NotMeasured,
    width: Measured,
    flags: tuple[str, ...],
    edges: tuple[HandEdge, ...],
    search: Callable[[Measured], FlatSearch | NotMeasured],
) -> _Read:
    n = f.frame.number
    length = _marked(length, f, "length") if isinstance(length, Measured) else length
    width = _marked(width, f, "crown width").with_flags(*flags)
    flats = measure_flats(search(width), placed_on(edges, n))
    missing = [*([length] if isinstance(length, NotMeasured) else []), *flats.not_measured]
    reading = FretReading(
        n,
        length=length.with_flags(*flags) if isinstance(length, Measured) else None,
        crown_width=width,
        flats=flats.flats,
        outlines=(*_outlines(f), *flats.outlines),
    )
    return reading, tuple(missing)


def _marked(q: Measured, f: EndedFret, name: str) -> Measured:
    """The reading, marked where a person placed an edge of it."""
    return marked(q) if name in f.by_hand else q


def _length(f: EndedFret, level: BoardLevel, by_pose: float) -> Measured | NotMeasured:
    for name, end in (("treble", f.treble), ("bass", f.bass)):
        if end.why_not:
            what = on_fret(f.frame.number, "length")
            return NotMeasured(what, f"The {name} end can't be read: {end.why_not}.{_by_the_others(f)}")
    return fret_length(f.frame, f.ends_u, level, by_pose)


def _by_the_others(f: EndedFret) -> str:
    """The length that the other frets' ends give, where they give it to a millimetre."""
    expanded = COVERAGE_FACTOR * f.ends_u
    if expanded > _LENGTH_TOLD_MM:
        return ""
    return f" By the other frets' ends it is {f.frame.length_mm:.1f} mm long, give or take {expanded:.1f} mm."


def _outlines(f: EndedFret) -> list[Outline]:
    n, length, half = f.frame.number, f.frame.length_mm, f.crown.width / 2.0
    places = np.linspace(0.0, length, 5)
    nut, body = _edges_across(f)
    edges = [
        Outline("crown_edge", _points(f.frame.to_px(places, t)), of=on_fret(n, f"crown {side} side"))
        for side, t in (("nut", nut), ("body", body))
    ]
    ends = [
        Outline("fret_end", _points(f.frame.to_px(a, [-half, half])), of=on_fret(n, f"{name} end"))
        for name, a, end in (("treble", 0.0, f.treble), ("bass", length, f.bass))
        if not end.why_not
    ]
    return [*edges, *ends]


def _points(px: Floats) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in px)
