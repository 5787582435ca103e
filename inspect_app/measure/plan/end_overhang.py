"""How far frets' ends stand out beyond the board's edge, from above: sprout, as dry air shrinks the wood.

The board's edge is straight, and between the frets it shows by itself: light changes there along one line that all
fields of a side share. Where two such lines run side by side (a binding, a shadow, what lies beside the neck) the photo
does not tell which of them is the edge, and nothing is read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calib.lines import MAD_TO_SD
from calib.photo import Photo, linear_light
from inspect_app.measure.manual import marked
from inspect_app.measure.plan.board_field import LEAST_LONG_MM, seen_at
from inspect_app.measure.plan.frets import EndedFret, FittedEnd
from inspect_app.reading.inspection import Outline
from inspect_app.reading.key import Key, NotMeasured, Place, on_fret
from shared.measured import Measured
from shared.trade import SIDES, Side

__all__ = ["BoardEdges", "drawn_edges", "find_board_edges", "overhangs"]

Floats = NDArray[np.float64]

OUTWARD: Mapping[Side, float] = {"treble": -1.0, "bass": 1.0}
"""Which way along a fret is out of the board."""
STEP_MM = 0.04
"""Of the light across the edge: half a pixel and less."""
OFF_FEET_MM = 1.5
"""Beside a fret its bevel's shadow and dirt lie on the board."""
REACH_MM = 1.6
"""How far from the ends the edge is looked for: they are cut back by up to half a millimetre and stand out by less than
one (common practice, no source)."""
SLOPES = np.linspace(-0.02, 0.02, 21)
"""Of the edge against the line from one end to the next: both may be off by 0.2 mm in opposite ways over 20 mm."""
SMOOTH_MM = 0.06
"""Standard deviation of the derivative: the blur of a sharp photo, a pixel."""
OVER_NOISE, OF_STRONGEST = 8.0, 0.35
"""Steepness over its noise, and over the steepest there, from which a place is a line: grain is far below both."""
BESIDE_MM, OVER_STREAKS = (0.16, 0.6), 2.0
"""Where tones on both sides of a line are compared, and over the wood's own spread by how much they must differ: wood
to both sides of a streak along the neck differs by about that spread."""
ALONG_NECK = np.linspace(-0.03, 0.03, 121)
"""Slopes of an edge against the line square to the frets: to twice the usual widening."""
AGREE_MM = 0.06
"""Fields whose edge lies within this of one line show it: a plane leaves an edge straight within it."""
SECOND_MM = 0.2
"""A second line so far off is another thing: nearer, it is the edge's own rounding."""
LEAST_FIELDS, LEAST_SHARE = 3, 0.6
"""Fields that must show one line, and their share of all: two fix any line, a third bears it out."""
ROUNDED_U_MM = 0.05
"""Standard uncertainty of where a board ends: its edge is eased by a tenth or two, and light changes anywhere on that
(common practice, no source)."""
BOARD_MM, SIDE_SEEN_MM = 6.0, 0.1
"""Boards are up to so thick (common practice, no source): what a camera beyond the edge sees of their side may be taken
for board. So much of it is within U; more, and the side's foot may be taken for the edge."""


@dataclass(frozen=True)
class _Line:
    """A straight line along a side, in mm along the neck and outwards from `first`'s treble end, and its u."""

    at: float
    slope: float
    u: float
    by_side: float = 0.0

    def y(self, x: float) -> float:
        return self.at + self.slope * x


@dataclass(frozen=True)
class BoardEdges:
    """The board's edge of each side, or why it can't be told; counted from the fret `first` as it was found."""

    first: EndedFret
    lines: Mapping[Side, _Line | str]

    @property
    def not_measured(self) -> tuple[NotMeasured, ...]:
        """The edges that can't be told, each with its reason."""
        return tuple(
            NotMeasured(Key(Place("board"), f"{side} edge"), line)
            for side, line in self.lines.items()
            if isinstance(line, str)
        )


def find_board_edges(photo: Photo, frets: Sequence[EndedFret], covers: Sequence[Floats]) -> BoardEdges:
    """Both edges of the board between its frets.

    Parameters
    ----------
    covers : sequence of ndarray, shape (M, 2) each
        Closed outlines, in photo pixels, of what covers the board.
    """
    ordered = sorted(frets, key=lambda f: f.frame.number)
    pairs = [(a, b) for a, b in pairwise(ordered) if b.frame.number == a.frame.number + 1]
    lines: dict[Side, _Line | str] = {}
    for side in SIDES:
        seen = [_crossed(photo, a, b, side, covers) for a, b in pairs]
        line = _common([_placed(ordered[0], side, s) for s in seen if s is not None])
        lines[side] = line if isinstance(line, str) else _from_over(line, ordered[len(ordered) // 2], side)
    return BoardEdges(ordered[0], lines)


def _from_over(line: _Line, f: EndedFret, side: Side) -> _Line | str:
    """The line, surer or less by how much of the board's side the camera sees; a reason where it sees too much."""
    along, _, height = f.frame.camera_mm
    beyond = -along if side == "treble" else along - f.frame.length_mm
    seen = max(beyond, 0.0) / height * BOARD_MM
    if seen > SIDE_SEEN_MM:
        return f"the camera looks on the board's side from beyond its {side} edge: hold it over the board's middle"
    return replace(line, by_side=seen / np.sqrt(12.0))


def overhangs(edges: BoardEdges, frets: Sequence[EndedFret]) -> dict[Key, Measured]:
    """How far every end that shows stands beyond the board's edge at board level, mm; short of it is negative."""
    values: dict[Key, Measured] = {}
    for side, line in edges.lines.items():
        for f in frets:
            end = _end(f, side)
            if isinstance(line, str) or end.why_not:
                continue
            x, y = _placed(edges.first, side, [_end_mm(f, side)])[0]
            value = Measured.of(
                y - line.y(x),
                "mm",
                fret_end=end.at.u,
                board_edge=line.u,
                board_edge_eased=ROUNDED_U_MM,
                side_of_the_board=line.by_side,
            )
            values[on_fret(f.frame.number, f"{side} end proud")] = marked(value) if "length" in f.by_hand else value
    return values


def drawn_edges(edges: BoardEdges, frets: Sequence[EndedFret]) -> tuple[Outline, ...]:
    """The edges found, from the first fret to the last."""
    found = [(side, line) for side, line in edges.lines.items() if isinstance(line, _Line)]
    return tuple(_drawn(edges.first, frets, side, line) for side, line in found)


def _end(f: EndedFret, side: Side) -> FittedEnd:
    return f.treble if side == "treble" else f.bass


def _end_mm(f: EndedFret, side: Side) -> Floats:
    """Where the end's foot is, in the scale's frame, mm."""
    return np.asarray(f.frame.origin_mm + (0.0 if side == "treble" else f.frame.length_mm) * f.frame.along)


def _placed(first: EndedFret, side: Side, places: Sequence[Floats]) -> Floats:
    """Places in the scale's frame, mm, as (along the neck, outwards) from the first fret's treble end."""
    d = np.asarray(places, dtype=float).reshape(-1, 2) - first.frame.origin_mm
    return np.column_stack([d @ first.frame.across, d @ first.frame.along * OUTWARD[side]])


def _crossed(photo: Photo, a: EndedFret, b: EndedFret, side: Side, covers: Sequence[Floats]) -> list[Floats] | None:
    """Where lines cross the middle of the field between two frets, near their ends, in the scale's frame; None where
    that is covered or outside the photo."""
    gap = float((b.frame.origin_mm - a.frame.origin_mm) @ a.frame.across) - (a.crown.width + b.crown.width) / 2.0
    if gap < 2.0 * OFF_FEET_MM + LEAST_LONG_MM:
        return None
    size = gap, (a.frame.length_mm + b.frame.length_mm) / 2.0
    x = np.arange(OFF_FEET_MM, gap - OFF_FEET_MM, 2.0 * STEP_MM)
    out = np.arange(-REACH_MM, REACH_MM, STEP_MM)
    from_treble = (0.0 if side == "treble" else size[1]) + OUTWARD[side] * out
    grid = np.meshgrid(x, from_treble)
    px = seen_at(a, b, size, grid[0].ravel(), grid[1].ravel()).reshape(*grid[0].shape, 2).astype(np.float32)
    edge = px[[0, 0, -1, -1], [0, -1, 0, -1]]
    if np.any(edge < 1.0) or np.any(edge > [photo.width - 2.0, photo.height - 2.0]):
        return None
    if any(cv2.pointPolygonTest(c.astype(np.float32), tuple(map(float, p)), False) >= 0 for c in covers for p in edge):
        return None
    seen = cv2.remap(photo.gray, px[..., 0], px[..., 1], cv2.INTER_LINEAR)
    light = linear_light(np.asarray(seen, dtype=np.uint8))
    return [_at_board(a, b, size, gap / 2.0, from_treble, k) for k in _steps(np.sqrt(light), x)]


def _at_board(a: EndedFret, b: EndedFret, size: tuple[float, float], x: float, from_treble: Floats, k: float) -> Floats:
    """The place (mm, in the scale's frame) half-way along a field and at a row between rows."""
    y = float(np.interp(k, np.arange(len(from_treble)), from_treble))
    ends = []
    for f, half in ((a, a.crown.width / 2.0), (b, -b.crown.width / 2.0)):
        ends.append(f.frame.origin_mm + y / size[1] * f.frame.length_mm * f.frame.along + half * f.frame.across)
    return np.asarray((1.0 - x / size[0]) * ends[0] + x / size[0] * ends[1])


def _steps(root: Floats, x: Floats) -> list[float]:
    """Rows (between rows) at which light, pooled along the one slope that shows a line best, steps most."""
    best, light = np.zeros(len(root)), np.zeros(len(root))
    rows = np.arange(len(root))
    for slope in SLOPES:
        shift = np.rint(slope * (x - x.mean()) / STEP_MM).astype(int)
        moved = root[(rows[:, None] + shift).clip(0, len(root) - 1), np.arange(len(x))].mean(axis=1)
        steep = np.abs(gaussian_filter1d(moved, SMOOTH_MM / STEP_MM, order=1))
        if steep[3:-3].max() > best.max():
            best, light = np.where((rows >= 3) & (rows < len(root) - 3), steep, 0.0), moved
    noise = MAD_TO_SD * float(np.median(best))
    least = max(OVER_NOISE * noise, OF_STRONGEST * float(best.max()))
    found = []
    for k in np.flatnonzero((best[1:-1] > least) & (best[1:-1] >= best[:-2]) & (best[1:-1] > best[2:])) + 1:
        if _ends_wood(light, int(k)):
            low, here, high = best[k - 1 : k + 2]
            found.append(float(k + 0.5 * (high - low) / max(2.0 * here - low - high, 1e-9)))
    return found


def _ends_wood(light: Floats, k: int) -> bool:
    """Whether what lies beyond a row is of another tone than the wood, which a streak along the neck leaves as it is:
    by more than all tones of the wood up to there differ."""
    near, far = (round(v / STEP_MM) for v in BESIDE_MM)
    if k < far or k + far > len(light):
        return False
    step = float(light[k + near : k + far].mean() - light[k - far : k - near].mean())
    return abs(step) > OVER_STREAKS * float(np.std(light[: k - near]))


def _common(fields: Sequence[Floats]) -> _Line | str:
    """The one straight line that most fields show, or why there is none; a field is its lines' places (N, 2), mm."""
    if len(fields) < LEAST_FIELDS:
        return "fewer than three fields between frets show it: uncover it, and take in more of the neck"
    lines: list[_Line] = []
    left = list(fields)
    for _ in range(2):
        line = _best_line(left)
        if line is None or sum(_near(f, line, AGREE_MM).any() for f in left) < max(
            LEAST_FIELDS, LEAST_SHARE * len(fields)
        ):
            break
        lines.append(line)
        left = [f[~_near(f, line, SECOND_MM)] for f in left]
    if not lines:
        return "no straight line shows along it: change the light, or lay something of another tone beside the neck"
    if len(lines) > 1:
        return (
            "two lines run along it, as of a binding, a shadow or what lies beside the neck: which is the board's edge "
            "the photo does not tell; a close-up along the neck does"
        )
    return lines[0]


def _near(field: Floats, line: _Line, within: float) -> NDArray[np.bool_]:
    return np.asarray(np.abs(field[:, 1] - line.at - line.slope * field[:, 0]) < within)


def _best_line(fields: Sequence[Floats]) -> _Line | None:
    """The line that most fields have a place on, fitted to these."""
    places = np.concatenate(fields)
    owner = np.repeat(np.arange(len(fields)), [len(f) for f in fields])
    best: NDArray[np.bool_] | None = None
    most = 1
    for slope in ALONG_NECK:
        off = places[:, 1] - slope * places[:, 0]
        for at in off:
            on = np.abs(off - at) < AGREE_MM
            if len(set(owner[on])) > most:
                most, best = len(set(owner[on])), on
    if best is None:
        return None
    x, y = places[best].T
    slope, at = np.polyfit(x, y, 1)
    spread = float(np.sqrt(np.sum((y - at - slope * x) ** 2) / max(len(x) - 2, 1)))
    return _Line(float(at), float(slope), max(spread, AGREE_MM / 3.0) * float(np.sqrt(3.0 / len(x))))


def _drawn(start: EndedFret, frets: Sequence[EndedFret], side: Side, line: _Line) -> Outline:
    """A line from the first fret to the last."""
    first = start.frame
    points = []
    for f in (frets[0], frets[-1]):
        x = float((f.frame.origin_mm - first.origin_mm) @ first.across)
        at = first.origin_mm + x * first.across + OUTWARD[side] * line.y(x) * first.along
        px = f.frame.to_px(float((at - f.frame.origin_mm) @ f.frame.along), 0.0)[0]
        points.append((float(px[0]), float(px[1])))
    return Outline("board_edge", tuple(points), of=Key(Place("board"), f"{side} edge"))
