"""The plan view: a board from above, every whole fret on it with its place, length, crown width and flats."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app import __version__
from inspect_app.instrument.fretboard import fit_spacing
from inspect_app.measure.manual import PLACED_U_PX, apart, edges_on, placed_on
from inspect_app.measure.plan import board_level as neck
from inspect_app.measure.plan.board_overview import Board, find_board
from inspect_app.measure.plan.crown_edges import (
    CrownFit,
    crown_evidence,
    fit_crowns,
    width_of_seen,
)
from inspect_app.measure.plan.crown_profile import CrownProfile, crown_profile
from inspect_app.measure.plan.crown_width_and_length import crown_width, fret_length, pose_u, view_angle
from inspect_app.measure.plan.flats import FlatSearch, read_flats, search_flats
from inspect_app.measure.plan.fret_ends import EndCurve, FretEnd, NearEnd, end_curve, pick_end, why_unread
from inspect_app.measure.plan.fret_frame import FretFrame, FretPatch, Sampling, sample_patch
from inspect_app.measure.plan.spacing import check_spacing, fret_positions
from inspect_app.measure.summary import summaries
from inspect_app.reading.ask import Ask, HandEdge
from inspect_app.reading.inspection import FretReading, Inspection, Outline
from shared.errors import InspectError
from shared.measured import COVERAGE_FACTOR, Measured, NotMeasured
from shared.trade import HIGHEST_FRET

__all__ = ["Seen", "measure", "see", "read"]

Floats = NDArray[np.float64]

HALF_PATCH_MM = 3.2
"""Half the width of a fret's patch: half of the widest wire, and 1.4 mm of board beside it."""
_ROW_MM = 1.0 / 12.0
"""Rows no closer than this show a crown's edges: along the fret the light hardly changes."""
_BESIDE_MM = 0.3
"""Sampled beside a crown for its flats: from 10 degrees aside its foot shows 0.2 mm off its top."""
_EDGE_PX = 2.0
"""A crown's edge shows as one from so far inside the photo: two standard deviations of a sharp photo's blur."""
_SOFT = 2.0
_WHITE = 0.97
"""Linear light from which a sensor is full: the last three of 255 codes."""
_COARSE_PX_PER_MM = 8.0
"""Below this a tenth of a millimetre is less than a pixel."""


@dataclass(frozen=True)
class _Fret:
    """One fret on the way to its readings."""

    frame: FretFrame
    patch: FretPatch
    profile: CrownProfile | None
    crown: CrownFit | None = None
    ends: tuple[FretEnd | None, FretEnd | None] = (None, None)
    why_not: tuple[str, str] = ("", "")
    end_u: tuple[float, float] = (0.0, 0.0)
    held: frozenset[str] = frozenset()


_End = tuple[FretEnd | None, FretEnd, str]
"""An end as read, if it could be; where it is as far as anything tells; and why it could not be read."""
_Read = tuple[FretReading, tuple[NotMeasured, ...]]
_ReadingOf = Callable[[int, tuple[HandEdge, ...], tuple[str, ...]], _Read]


@dataclass(frozen=True)
class Seen:
    """A photo read as far as it goes before any edge is placed by hand; `reading` recalls what was asked before."""

    photo: Photo
    scale: Scale
    plane: Plane
    level: neck.Level
    frets: tuple[_Fret, ...]
    unread: tuple[NotMeasured, ...]
    softness: float
    positions: tuple[Measured, ...]
    burnt: float
    reading: _ReadingOf


def measure(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Inspection:
    """Measure every fret that is whole in the photo.

    Raises
    ------
    InspectError
        If nothing in the photo looks like frets.
    """
    return read(see(photo, scale, plane, ask), ask)


def see(photo: Photo, scale: Scale, plane: Plane, ask: Ask) -> Seen:
    """Find every whole fret, its crown edges and its ends; the edges that `ask` fixes by hand are not looked at.

    Raises
    ------
    InspectError
        If nothing in the photo looks like frets.
    """
    covers = (scale.outline_px,)
    board = find_board(photo, plane, ask, covers)
    if board is None:
        raise InspectError("No frets were found in the photo.", "Take it from above, with the neck lying across it.")
    level = neck.board_level(ask, board, scale, plane)
    frets, softness = _crowns(photo, board, level, plane, covers)
    if not frets:
        raise InspectError(
            "No fret is whole in the photo.", "Take it from farther away, or move the scale off the frets."
        )
    frets, level = _on_board(frets, lambda curve: neck.board_level(ask, board, scale, plane, curve))
    frets = _without_nut(_numbered(frets, board, ask), board, ask)
    unread = tuple(
        NotMeasured(f"fret {f.frame.number}, {what}", "Less than half of the crown can be read.")
        for f in frets
        if f.crown is None
        for what in ("crown width", "length", "flats")
    )
    unread += _passed_over([f.frame.number for f in frets])
    found = tuple(_with_ends(photo, covers, [f for f in frets if f.crown is not None], softness))
    reading = _recalling(photo, found, level, covers)
    return Seen(
        photo, scale, plane, level, found, unread, softness, _positions(found, level), _burnt_share(found), reading
    )


def read(seen: Seen, ask: Ask) -> Inspection:
    """The readings of what was seen, with the edges that `ask` fixes by hand where they were put."""
    answer = _answer(seen, ask)
    return replace(answer, not_measured=(*answer.not_measured, *seen.unread))


def _passed_over(numbers: list[int]) -> tuple[NotMeasured, ...]:
    """A word on every number that the frets found leave out between them: a fret that was pulled, or not seen."""
    missing = sorted(set(range(min(numbers), max(numbers))) - set(numbers))
    why = "Nothing stands out where it should be: the fret is missing, or the light hides it. Turn the lamp."
    return tuple(NotMeasured(f"fret {n}, {what}", why) for n in missing for what in ("crown width", "length", "flats"))


def _burnt_share(frets: tuple[_Fret, ...]) -> float:
    """Share of the crowns that the photo shows as nothing but white, median over the frets."""
    shares = []
    for f in frets:
        half = (f.crown.width if f.crown else 0.0) / 2.0
        rows = slice(*np.searchsorted(f.patch.along_mm, [0.0, f.frame.length_mm]))
        columns = slice(*np.searchsorted(f.patch.across_mm, [-half, half]))
        light, valid = f.patch.light[rows, columns], f.patch.valid[rows, columns]
        shares.append(float(np.mean(light > _WHITE, where=valid)) if valid.any() else 0.0)
    return float(np.median(shares)) if shares else 0.0


def _recalling(photo: Photo, frets: tuple[_Fret, ...], level: neck.Level, covers: tuple[Floats, ...]) -> _ReadingOf:
    """Readings of these frets by index, the edges placed on them and the photo's flags, each worked out once.

    Flats are searched once for all edges placed on them: only the crown's own edges and ends change the search.
    """

    @lru_cache(maxsize=32)  # the frets of a photo and some moves of their edges; a search holds about a megabyte
    def search(i: int, edges: tuple[HandEdge, ...], width: Measured) -> FlatSearch | NotMeasured:
        asked = Measured.of(level.crown_height, "mm", crown_height=level.crown_height_u)
        frame = _held(frets[i], edges).frame
        how = Sampling(asked.value, (1.0, width.value / 2.0 + _BESIDE_MM))
        return search_flats(sample_patch(photo, frame, covers, width, asked, how))

    as_seen = _pose_u(frets)

    @lru_cache(maxsize=256)  # some kB each, as those below
    def crown(i: int, edges: tuple[HandEdge, ...]) -> tuple[_Fret, Measured | NotMeasured, Measured]:
        f = _held(frets[i], edges)
        assert f.crown is not None
        by_width, by_length = (as_seen[i] if f is frets[i] else _pose_u([f])[0]).tolist()
        return f, _length(f, level, by_length), crown_width(f.frame, f.crown, level, by_width)

    @lru_cache(maxsize=256)
    def reading(i: int, edges: tuple[HandEdge, ...], flags: tuple[str, ...]) -> _Read:
        on_crown = tuple(e for e in edges if ", flats " not in e.what)
        return _reading(*crown(i, on_crown), flags, edges, lambda width: search(i, on_crown, width))

    return reading


def _crowns(
    photo: Photo, board: Board, level: neck.Level, plane: Plane, covers: tuple[Floats, ...]
) -> tuple[list[_Fret], float]:
    """The frets that are whole, their crown edges fitted together; and how soft the photo is."""
    kept, steps = neck.in_sequence(board)
    rough = neck.rough_frames(board, plane, level)
    places = [i for i in range(len(kept)) if neck.in_photo(photo, rough[kept[i]], 0.5)]
    frames = [rough[kept[i]] for i in places]
    unread = NotMeasured("crown width", "not yet read")
    found = []
    px_per_mm = None
    for at in frames:
        how = Sampling(0.0, (1.0, HALF_PATCH_MM), px_per_mm, _ROW_MM, colour=True)
        patch = sample_patch(photo, at, covers, unread, how=how)
        px_per_mm = patch.px_per_mm  # the first fret's: all are then resampled alike
        found.append(_Fret(at, patch, crown_profile(patch)))
    profiles = [f.profile for f in found if f.profile is not None]
    if not profiles:
        return [], 1.0
    views = [view_angle(f.frame) for f in found if f.profile is not None]
    evidence, softness = crown_evidence(profiles, views)
    fits = iter(fit_crowns(evidence, views, level.crown_height, profiles[0].px_per_mm))
    found = [_on_axis(f, next(fits)) if f.profile is not None else f for f in found]
    if steps is not None:
        found = _foreseen(found, steps[places])
    usual = float(np.median([f.crown.width for f in found if f.crown is not None]))
    halves = [(f.crown.width if f.crown else usual) / 2.0 for f in found]
    return [f for f, w in zip(found, halves, strict=True) if neck.in_photo(photo, f.frame, w, _EDGE_PX)], softness


def _foreseen(frets: list[_Fret], steps: NDArray[np.int64]) -> list[_Fret]:
    """Frets that could not be read, put where the others' spacing puts them: the photo's edge may have cut them."""
    read = [i for i, f in enumerate(frets) if f.crown is not None]
    if len(read) < 2:
        return [frets[i] for i in read]
    across = frets[read[0]].frame.across
    at = np.array([f.frame.origin_mm @ across for f in frets])
    basis = np.column_stack([2.0 ** (-steps / 12.0), np.ones(len(steps))])
    expected = basis @ np.linalg.lstsq(basis[read], at[read], rcond=None)[0]
    return [
        f if f.crown is not None else replace(f, frame=replace(f.frame, origin_mm=f.frame.origin_mm + (x - a) * across))
        for f, a, x in zip(frets, at, expected, strict=True)
    ]


def _on_axis(f: _Fret, crown: CrownFit) -> _Fret:
    """The fret with its frame and patch laid on the crown's centre line."""
    assert f.profile is not None
    frame = neck.straight(f.frame, crown.centre, f.profile.slope, f.profile.middle_mm)
    patch = replace(f.patch, frame=frame, across_mm=f.patch.across_mm - crown.centre)
    return replace(f, frame=frame, patch=patch, crown=crown)


def _pose_u(frets: Sequence[_Fret]) -> Floats:
    return pose_u([f.frame for f in frets], [f.crown for f in frets if f.crown])


def _on_board(frets: list[_Fret], level_of: Callable[[neck.Curve], neck.Level]) -> tuple[list[_Fret], neck.Level]:
    """The frets laid on a board as round as they are seen to be, and its level."""
    bowed = [(f.frame, f.profile.bow, f.profile.bow_u) for f in frets if f.profile is not None]
    level = level_of(neck.seen_curve([frame for frame, *_ in bowed], [(bow, u) for _, bow, u in bowed]))
    out = []
    for f in frets:
        at, k = neck.laid_on(f.frame, level)
        out.append(replace(f, frame=at, patch=replace(f.patch, frame=at), crown=f.crown and f.crown.times(k)))
    return out, level


def _with_ends(photo: Photo, covers: tuple[Floats, ...], frets: list[_Fret], softness: float) -> list[_Fret]:
    """Both ends of every fret, where they can be seen; where not, as the other frets' ends have them."""
    if not frets:
        return []
    u = np.array([f.frame.origin_mm @ f.frame.across for f in frets])
    px = frets[0].patch.px_per_mm
    near = neck.ends_near(u, [f.frame.length_mm for f in frets])
    curves = _end_curves(photo, covers, frets, near)
    lines = neck.common_end_lines(*curves, u)
    better = neck.nearer(curves, lines)
    if better != near:
        curves = _end_curves(photo, covers, frets, better, curves)
        lines = neck.common_end_lines(*curves, u)
    sides = [
        [(pick_end(c, at, px, softness), at, why_unread(c, at)) for c, at in zip(*side, strict=True)]
        for side in zip(curves, lines, strict=True)
    ]
    return [_trimmed(f, t, b) for f, t, b in zip(frets, *sides, strict=True)]


def _end_curves(
    photo: Photo,
    covers: tuple[Floats, ...],
    frets: list[_Fret],
    near: neck.Sides[NearEnd],
    known: neck.Sides[EndCurve] | None = None,
) -> neck.Sides[EndCurve]:
    """How likely each place near the treble and bass end of every fret is to be its end; as `known` where that is."""
    px = frets[0].patch.px_per_mm

    def curve(f: _Fret, at: NearEnd, before: EndCurve | None) -> EndCurve:
        assert f.crown is not None
        return before if before and before.near == at else end_curve(photo, covers, f.frame, f.crown, at, px)

    had: list[list[EndCurve | None]] = [[*side] for side in known] if known else [[None] * len(frets)] * 2
    treble, bass = (
        [curve(f, at, before) for f, at, before in zip(frets, side, already, strict=True)]
        for side, already in zip(near, had, strict=True)
    )
    return treble, bass


def _held(f: _Fret, edges: tuple[HandEdge, ...]) -> _Fret:
    """The fret with the edges a person placed where they were put."""
    for edge in edges_on(edges, f.frame.number):
        name = edge.what.partition(", ")[2]
        at = f.frame.to_fret(np.array(edge.points)).mean(axis=0)
        if name in ("crown nut side", "crown body side"):
            f = _with_crown_edge(f, name, float(at[1]))
        elif name in ("treble end", "bass end"):
            placed = FretEnd(float(at[0]), PLACED_U_PX / f.patch.px_per_mm)
            # what was found counts from the treble end of before
            found = [FretEnd(y, u) for y, u in zip((0.0, f.frame.length_mm), f.end_u, strict=True)]
            ends = [(y if e else None, y, why) for e, y, why in zip(f.ends, found, f.why_not, strict=True)]
            ends[0 if name == "treble end" else 1] = (placed, placed, "")
            f = replace(_trimmed(f, ends[0], ends[1]), held=f.held)
            apart(0.0, f.frame.length_mm)
            f = replace(f, held=f.held | {"length"})
    return f


def _with_crown_edge(f: _Fret, name: str, across: float) -> _Fret:
    """The fret with one crown edge seen `across` mm from the centre line of before; the other stays."""
    assert f.crown is not None
    nut, body = (s - f.crown.centre for s in f.crown.seen)
    nut, body = (across, body) if name == "crown nut side" else (nut, across)
    by_hand, found = PLACED_U_PX / f.patch.px_per_mm, f.crown.u_width / math.sqrt(2.0)
    crown = replace(
        f.crown,
        width=width_of_seen(apart(nut, body), f.crown.height, view_angle(f.frame)),
        u_width=math.hypot(by_hand, by_hand if "crown width" in f.held else found),
        seen=(nut + f.crown.centre, body + f.crown.centre),
    )
    return replace(f, crown=crown, held=f.held | {"crown width"})


def _trimmed(f: _Fret, treble: _End, bass: _End) -> _Fret:
    """The fret with its frame and patch counted from its treble end, seen or estimated."""
    start, stop = (seen or estimated for seen, estimated, _ in (treble, bass))
    ends = (treble[0], bass[0])
    frame = replace(
        f.frame,
        origin_mm=f.frame.origin_mm + start.along * f.frame.along,
        centre_mm=(stop.along - start.along) / 2.0,
        length_mm=stop.along - start.along,
        origin_u_mm=start.u,
        ends_seen=(ends[0] is not None, ends[1] is not None),
    )
    patch = replace(f.patch, frame=frame, along_mm=f.patch.along_mm - start.along)
    return replace(f, frame=frame, patch=patch, ends=ends, why_not=(treble[2], bass[2]), end_u=(start.u, stop.u))


def _numbered(frets: list[_Fret], board: Board, ask: Ask) -> list[_Fret]:
    """Numbered from the first whole one; where one between was not found, its number is left out."""
    at = np.array([f.frame.origin_mm @ board.along_neck for f in frets])
    whole = replace(board, fret_mm=at, width_mm=np.ones(len(at)))
    kept, steps = neck.in_sequence(whole)
    numbers = np.arange(len(kept)) if steps is None else steps
    numbers = numbers - numbers[0] + ask.first_fret
    return [
        replace(frets[i], frame=replace(frets[i].frame, number=int(n)))
        for i, n in zip(kept, numbers, strict=True)
        if n <= HIGHEST_FRET
    ]


def _without_nut(frets: list[_Fret], board: Board, ask: Ask) -> list[_Fret]:
    """Leave out what stands where the nut does and is not as wide as the frets: the nut is no fret."""
    first = frets[0].crown
    if ask.first_fret != 1 or ask.scale_length is None or len(frets) < 3 or first is None or first.alike:
        return frets
    at = np.array([f.frame.origin_mm @ board.along_neck for f in frets])
    number = np.array([f.frame.number for f in frets])
    as_fret, as_nut = (fit_spacing(at, number - k, ask.scale_length, 0.1).ratio for k in (0, 1))
    if abs(as_fret - 1.0) <= abs(as_nut - 1.0):
        return frets
    return [replace(f, frame=replace(f.frame, number=f.frame.number - 1)) for f in frets[1:]]


def _answer(seen: Seen, ask: Ask) -> Inspection:
    photo_said, scale_said, camera = summaries(seen.photo, seen.scale, seen.plane, ask)
    frets = [_held(f, ask.hand_edges) for f in seen.frets]
    flags = [*seen.scale.flags]
    if seen.softness >= _SOFT:
        flags.append("BLURRED")
    if frets[0].patch.px_per_mm < _COARSE_PX_PER_MM:
        flags.append("LOW_RESOLUTION")
    frames = [f.frame for f in frets]
    as_seen = all(a is b.frame for a, b in zip(frames, seen.frets, strict=True))
    positions = seen.positions if as_seen else _positions(frets, seen.level)
    checks, spacing_said = check_spacing(positions, [f.number for f in frames], seen.plane, ask.scale_length)
    if spacing_said:
        flags.append("SPACING_OFF")
    readings, missing = [], list(spacing_said)
    for i, (frame, position) in enumerate(zip(frames, positions, strict=True)):
        reading, lost = seen.reading(i, edges_on(ask.hand_edges, frame.number), tuple(flags))
        readings.append(replace(reading, position=position.with_flags(*flags)))
        missing += lost
    return Inspection(
        "plan",
        photo_said,
        __version__,
        ask.to_dict(),
        tuple(readings),
        tuple(missing),
        tuple(dict.fromkeys(flags)),
        scale_said,
        camera,
        {**checks, "softness": seen.softness, "burnt_share": seen.burnt},
    )


def _positions(frets: Sequence[_Fret], level: neck.Level) -> tuple[Measured, ...]:
    return tuple(fret_positions([f.frame for f in frets], [f.crown.u_centre if f.crown else 0.0 for f in frets], level))


def _reading(
    f: _Fret,
    length: Measured | NotMeasured,
    width: Measured,
    flags: tuple[str, ...],
    edges: tuple[HandEdge, ...],
    search: Callable[[Measured], FlatSearch | NotMeasured],
) -> _Read:
    n = f.frame.number
    length = _marked(length, f, "length") if isinstance(length, Measured) else length
    width = _marked(width, f, "crown width").with_flags(*flags)
    flats = read_flats(search(width), placed_on(edges, n))
    missing = [*([length] if isinstance(length, NotMeasured) else []), *flats.not_measured]
    reading = FretReading(
        n,
        length=length.with_flags(*flags) if isinstance(length, Measured) else None,
        crown_width=width,
        flats=flats.flats,
        outlines=(*_outlines(f), *flats.outlines),
    )
    return reading, tuple(missing)


def _marked(q: Measured, f: _Fret, name: str) -> Measured:
    """The reading, marked where a person placed an edge of it."""
    return replace(q, by_hand=True).with_flags("BY_HAND") if name in f.held else q


def _length(f: _Fret, level: neck.Level, pose_u: float) -> Measured | NotMeasured:
    for end, name, why in zip(f.ends, ("treble", "bass"), f.why_not, strict=True):
        if end is None:
            what = f"fret {f.frame.number}, length"
            return NotMeasured(what, f"The {name} end can't be read: {why}.{_by_the_others(f)}")
    return fret_length(f.frame, math.hypot(*f.end_u), level, pose_u)


def _by_the_others(f: _Fret) -> str:
    """What the other frets' ends say of the length, where they say it to a millimetre."""
    u = math.hypot(*f.end_u)
    if COVERAGE_FACTOR * u > 1.0:
        return ""
    return (
        f" By the other frets' ends it is {f.frame.length_mm:.1f} mm long, give or take {COVERAGE_FACTOR * u:.1f} mm."
    )


def _outlines(f: _Fret) -> list[Outline]:
    assert f.crown is not None
    n, length, half = f.frame.number, f.frame.length_mm, f.crown.width / 2.0
    places = np.linspace(0.0, length, 5)
    nut, body = (s - f.crown.centre for s in f.crown.seen)
    edges = [
        Outline("crown_edge", _points(f.frame.to_px(places, t)), of=f"fret {n}, crown {side} side")
        for side, t in (("nut", nut), ("body", body))
    ]
    ends = [
        Outline("fret_end", _points(f.frame.to_px(a, [-half, half])), of=f"fret {n}, {name} end")
        for name, a, end in (("treble", 0.0, f.ends[0]), ("bass", length, f.ends[1]))
        if end is not None
    ]
    return [*edges, *ends]


def _points(px: Floats) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in px)
