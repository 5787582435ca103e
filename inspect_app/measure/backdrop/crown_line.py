"""The crown line: its outline against the backdrop, and the circle of its unworn parts.

It is looked for twice: coarsely down the card, as the arc that most edge lies on; then it is followed along that, in
light straightened to it. There an unworn crown looks the same in every column, so a faint edge is told from noise, and
from the stronger edge of the lamp's line below it, by what its neighbours show."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d, median_filter, uniform_filter1d

from calib.photo import Photo
from calib.robust_spread import spread_about_median
from inspect_app.measure.backdrop.circle import Circle
from inspect_app.measure.backdrop.edge_path import EdgePath, place_edge
from inspect_app.measure.backdrop.outline import FLOOR, edge_gain, rectified_light, significance, steepness, trace_edge
from inspect_app.measure.backdrop.pose import BoardPose
from inspect_app.measure.backdrop.reference_arc import (
    HOLLOWEST,
    LEAST_POINTS,
    TIGHTEST,
    fit_reference_arc,
    u_curvature_by_stretches,
)
from inspect_app.measure.edge_definition import DEFINITION_PX

__all__ = [
    "COLUMN_STEPS",
    "averaged_light",
    "FINEST_MM",
    "OVER_MM",
    "QUIET",
    "UNDER_MM",
    "CrossProfile",
    "CrownLine",
    "crown_line_of",
    "find_crown_line",
    "follow_crown_line",
    "cross_profile",
    "shows_plain_card",
    "tangent_rise",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

COLUMN_STEPS = 4
"""Columns are this many rows apart when an outline is traced: it rises by less than a row from one to the next."""
OVER_MM, UNDER_MM = 0.6, 0.9
"""How far above and below a found circle the outline is followed: plain card to judge noise by, and the deepest divot
(three quarters of an everyday crown)."""
BESIDE_MM = 0.7
"""How far below a crown line the metal's own light is looked at: two thirds of an everyday crown."""
QUIET = 0.6
"""Share of what lies above the circle that is plain card for certain."""
SPECK_COLUMNS = 7
"""Columns whose median leaves out specks of one or two, a glint with its blur, and the wall of a hollow stays."""
RIM_ROWS = 5
"""Rows at the top of what is looked at that the derivative's own border spoils: twice its scale."""
BEYOND_MM = 6.0
"""How far beyond what was found of a crown line it is looked for again: a divot's length, at the fret's last string."""
COARSE = 2
"""How many times coarser the first trace is than the one that follows."""
FINEST_MM = 1.0 / 120.0
"""Finest rows an outline is traced at; it is placed on the photo's own pixels afterwards."""
ROUNDS = 3
"""Times the outline is followed at most, each in light straightened to the circle before, until it moves by less than
two pixels."""
ARCS_TRIED = 2000
"""Arcs through three edge samples that are tried: with a quarter of the samples on the outline, thirty of them lie on
it altogether."""
LEAST_COLUMNS = 12
"""Columns with edge on an arc under which a few specks may have made it."""
REFITS = (4, 3, 2)
"""Rows to both sides of an arc that it is fitted to again: it went through three samples, each a row or two off."""
SUSTAINED = 25
"""Points, two pixels apart, over which an outline must hold to be taken for one."""
CLEAR = 0.2
"""Share of the usual steepness under which a point on the circle does not say that the crown reaches so far."""
GAP_MM = 0.4
"""A longer stretch without outline ends it: an eighth of a divot."""
ON_CIRCLE = 3.0
"""Distance from the reference arc, in RMS distances of its own points, within which a point may belong to it."""
ABOVE_MM = 0.006
"""The same in mm at least: the marks of a file (see `rim_line.WAVINESS_MM`)."""
SEARCH_MM = 9.0
"""How far below the printed part the crown may lie: the card's white foot, and the fall of a 184 mm board to its
edge."""


@dataclass(frozen=True)
class CrownLine:
    """A crown's outline against the backdrop, and the circle of its unworn parts; treble to bass.

    Attributes
    ----------
    edge : EdgePath
    y, z : ndarray, shape (N,)
        The outline, carried to the upright plane through the fret's centre line, mm in the board frame.
    elevation : ndarray, shape (N,)
        Elevation of the line of sight above the crown's own slope, rad.
    circle : Circle
        The reference arc.
    used : ndarray of bool
        Points taken for the reference arc.
    rms : float
        RMS distance of those from the circle, mm.
    """

    edge: EdgePath
    y: Array
    z: Array
    elevation: Array
    circle: Circle
    used: Mask
    rms: float
    radius: float

    @property
    def reference(self) -> Array:
        """Where the outline would run if nothing were worn, same plane, mm."""
        return self.circle.z(self.y) + tangent_rise(self.radius, self.elevation)

    @property
    def drop(self) -> Array:
        """How far the outline runs below that, mm."""
        return self.reference - self.z

    @property
    def above(self) -> float:
        """Share of the line that was followed clearly above its reference arc.

        Wear lowers a crown and nothing raises it: where much of it stands above the arc, either the arc or that part
        follows another edge."""
        lo, hi = self.span
        clear = self.edge.strength > CLEAR * np.median(self.edge.strength[self.used])
        inside = clear & (self.y >= lo) & (self.y <= hi)
        off = inside & (self.drop < -max(ON_CIRCLE * self.rms, ABOVE_MM))
        return float(_sustained(off).sum() / max(1, inside.sum()))

    @property
    def u_curvature_by_stretches(self) -> float:
        """What the disagreement of its stretches leaves open of the reference arc's curvature, 1/mm."""
        z, u = self.z - tangent_rise(self.radius, self.elevation), np.hypot(self.edge.u_px, DEFINITION_PX)
        return u_curvature_by_stretches(self.y[self.used], z[self.used], u[self.used])

    def elevation_at(self, y: ArrayLike) -> Array:
        """Elevation of the line of sight above the crown's slope at places y (mm), rad."""
        order = np.argsort(self.y)
        return np.asarray(np.interp(np.asarray(y, dtype=float), self.y[order], self.elevation[order]))

    @property
    def span(self) -> tuple[float, float]:
        """First and last unworn place: y, mm.

        Where the crown holds its circle over some length, and on from there while the outline is seen without a gap: a
        divot may leave only a little of the crown before the fret's end. Beyond the ends is plain card, where chance
        puts a few points on the circle."""
        clear = self.edge.strength > CLEAR * np.median(self.edge.strength[self.used])
        body = _sustained(self.used & clear)
        if not body.any():
            body = self.used
        order = np.argsort(self.y)
        y, seen = self.y[order], clear[order]
        on = seen & (np.abs(self.drop[order]) < ON_CIRCLE * self.rms)
        lo, hi = float(self.y[body].min()), float(self.y[body].max())
        return -_last_on(-y[::-1], seen[::-1], on[::-1], -lo), _last_on(y, seen, on, hi)


def _last_on(y: Array, seen: Mask, on: Mask, start: float) -> float:
    """The last place on the circle that is reached from `start` over seen points without a gap; y increasing."""
    ahead = np.flatnonzero(seen & (y >= start))
    if len(ahead) == 0:
        return start
    gap = np.flatnonzero(np.diff(y[ahead]) > GAP_MM)
    reached = ahead[: gap[0] + 1] if len(gap) else ahead
    reached = reached[on[reached]]
    return float(y[reached].max()) if len(reached) else start


def tangent_rise(radius: float, elevation: Array) -> Array:
    """Height of the tangent's crossing with the centre plane above the crown's top, r (1 / cos e - 1); mm."""
    return np.asarray(radius * (1.0 / np.cos(elevation) - 1.0))


def find_crown_line(
    photo: Photo, pose: BoardPose, y: Array, top: float, radius: float, mm_per_px: float
) -> CrownLine | None:
    """Find the crown line of the fret in front of the backdrop.

    Parameters
    ----------
    y : ndarray, shape (N,)
        Columns to look in, evenly spaced, mm; `COLUMN_STEPS` times the distance of the rows they are searched at.
    top : float
        Height above which the card is printed, mm: the search starts there.
    radius : float
        Crown radius, mm.
    mm_per_px : float
        Of the photo, at the fret.

    Returns
    -------
    CrownLine or None
        None when no outline that bends like a board can be made out.
    """
    z = _first_arc(photo, pose, y, top)
    return None if z is None else follow_crown_line(photo, pose, y, z, radius, mm_per_px)


def follow_crown_line(
    photo: Photo,
    pose: BoardPose,
    columns: Array,
    z: Array,
    radius: float,
    mm_per_px: float,
    seen: tuple[float, float] = (-math.inf, math.inf),
    under: float | None = None,
) -> CrownLine | None:
    """Follow the crown line that runs near a curve, of heights `z` in the columns, from where it was `seen`; mm.

    `under` is given where another edge runs so far below it: then the fainter one is followed, through the card's
    specks (medians of neighbours), and that edge is left out."""
    near = (columns > seen[0] - BEYOND_MM) & (columns < seen[1] + BEYOND_MM)
    line = _trace(photo, pose, columns[near], z[near], radius, mm_per_px, under)
    for _ in range(ROUNDS - 1):
        if line is None:
            return None
        before, (lo, hi) = line.circle, line.span
        reach = BEYOND_MM if under is None else math.inf  # a part was seen of a fainter one
        y = columns[(columns > lo - reach) & (columns < hi + reach)]
        z = before.z(y) + float(np.median(tangent_rise(radius, line.elevation)))
        line = _trace(photo, pose, y, z, radius, mm_per_px, under, near=z)
        if line is None or np.abs(line.circle.z(line.span) - before.z(line.span)).max() < 2.0 * mm_per_px:
            break
    return line


def _first_arc(photo: Photo, pose: BoardPose, y: Array, top: float) -> Array | None:
    """Heights of a first arc at `y`, from a coarse look down the card; mm."""
    coarse = y[::COARSE]
    if len(coarse) < 3:  # a parabola is not fixed by fewer
        return None
    step = float(coarse[1] - coarse[0])
    pitch = abs(step) / COLUMN_STEPS
    light = averaged_light(photo, pose, coarse, np.full_like(coarse, top), np.arange(0.0, -SEARCH_MM, -pitch))
    arc = best_arc(significance(light, int(0.25 / pitch)), pitch)
    return None if arc is None else np.asarray(top - pitch * np.polyval(arc, (y - coarse[0]) / step))


def best_arc(certain: Array, pitch: float) -> Array | None:
    """The arc that collects the most edge and leaves the least above it: a parabola, row by column, highest power
    first.

    Found whole, not followed: where metal has the card's tone the rest of the outline says where it runs. A worn place
    lies below the arc and costs nothing.

    Parameters
    ----------
    certain : ndarray, shape (rows, columns)
        From `significance`, rows counted from the side of the card.
    pitch : float
        Distance of the rows, mm; the columns are `COLUMN_STEPS` times as far apart.
    """
    gain = edge_gain(certain)
    arcs = _arcs(certain, gain, pitch)
    if len(arcs) == 0:
        return None
    c = np.arange(gain.shape[1])
    paths = np.round(arcs @ np.stack([c**2.0, c, np.ones(len(c))])).astype(int)
    best = arcs[int(np.argmax(_at(gain, paths, c).sum(axis=1)))]
    for half in REFITS:
        near = np.round(np.polyval(best, c)).astype(int) + np.arange(-half, half + 1)[:, None]
        weight = np.where(_at(certain, near, c) > 0.0, _at(gain, near, c), 0.0).clip(0.0)
        total = weight.sum(axis=0)
        if np.count_nonzero(total) < LEAST_COLUMNS:
            return None
        best = np.polyfit(c, np.sum(weight * near, axis=0) / np.maximum(total, 1e-9), 2, w=np.sqrt(total))
    return np.asarray(best)


def _arcs(certain: Array, gain: Array, pitch: float) -> Array:
    """Arcs through three edge samples drawn at random (seeded), that bend no more than a board does; shape (N, 3)."""
    columns = gain.shape[1]
    row, column = np.nonzero((certain > 0.0) & (gain > 0.0))
    if len(row) < 3:
        return np.empty((0, 3))
    weight = gain[row, column]
    pick = np.random.default_rng(0).choice(len(row), (ARCS_TRIED, 3), p=weight / weight.sum())
    at = np.sort(column[pick], axis=1)
    pick = pick[(np.ptp(at, axis=1) > 0.2 * columns) & (np.diff(at, axis=1).min(axis=1) > 0.02 * columns)]
    t = column[pick].astype(float)
    arcs = np.linalg.solve(np.stack([t**2, t, np.ones_like(t)], axis=-1), row[pick][..., None].astype(float))[..., 0]
    rows_a_bend = pitch * COLUMN_STEPS**2  # from 1/mm to rows a column squared
    bent = (arcs[:, 0] <= TIGHTEST * rows_a_bend) & (arcs[:, 0] >= -HOLLOWEST * rows_a_bend)
    return np.asarray(arcs[bent])


def _at(values: Array, row: NDArray[np.intp], column: NDArray[np.intp]) -> Array:
    """Values at rows and columns, zero outside."""
    inside = (row >= 0) & (row < len(values))
    return np.asarray(np.where(inside, values[np.clip(row, 0, len(values) - 1), column], 0.0))


def averaged_light(photo: Photo, pose: BoardPose, y: Array, z: Array, offsets: Array) -> NDArray[np.float32]:
    """Light below a curve, `COLUMN_STEPS` finer columns averaged to one; shape (offsets, y)."""
    step = float(y[1] - y[0]) / COLUMN_STEPS
    fine = (y[:, None] + step * np.array([-1.5, -0.5, 0.5, 1.5])).ravel()
    light = rectified_light(photo, pose, fine, np.interp(fine, y, z), offsets)
    return np.asarray(light.reshape(len(offsets), len(y), 4).mean(axis=2))


def _trace(
    photo: Photo,
    pose: BoardPose,
    y: Array,
    z: Array,
    radius: float,
    mm_per_px: float,
    under: float | None,
    near: Array | None = None,
) -> CrownLine | None:
    """The crown line traced in light straightened to a curve most of it lies on; fitted to points `near` a curve
    first."""
    pitch = abs(float(y[1] - y[0])) / COLUMN_STEPS
    offsets = np.arange(OVER_MM, -(UNDER_MM if under is None else under), -pitch)
    light = averaged_light(photo, pose, y, z, offsets)
    light = light if under is None else median_filter(light, (1, SPECK_COLUMNS))
    row, _, polarity = trace_edge(light, int(QUIET * OVER_MM / pitch), int(OVER_MM / pitch))
    return _refine(photo, pose, y, z + offsets[row], polarity, radius, mm_per_px, near)


@dataclass(frozen=True)
class CrossProfile:
    """Light across a crown line, the median along it, by row from above it to `BESIDE_MM` below.

    Attributes
    ----------
    light, steepness : ndarray, shape (rows,)
        Linear light, and its derivative in units of one column's noise.
    on : int
        Row of the crown line.
    noise : float
        Standard deviation of the steepness where there is plain card, by medians: in a small photo the edge of a dark
        band above the line reaches into the few rows of it.
    pitch : float
        Distance of the rows, mm.
    """

    light: Array
    steepness: Array
    on: int
    noise: float
    pitch: float


def cross_profile(
    photo: Photo,
    pose: BoardPose,
    line: CrownLine,
    mm_per_px: float,
    between: tuple[float, float] | None = None,
    over: float = OVER_MM,
) -> CrossProfile:
    """Light across a crown line, from `over` (mm) above it, or across the part of it `between` two places (y, mm)."""
    lo, hi = between or line.span
    pitch = max(mm_per_px, FINEST_MM)
    y = np.arange(lo, hi, COLUMN_STEPS * pitch)
    z = line.circle.z(y) + float(np.median(tangent_rise(line.radius, line.elevation)))
    light = averaged_light(photo, pose, y, z, np.arange(over, -BESIDE_MM, -pitch))
    quiet, on = int(QUIET * OVER_MM / pitch), int(over / pitch)
    steep = np.asarray(np.median(steepness(light, quiet), axis=1), dtype=np.float64)
    noise = spread_about_median(steep[RIM_ROWS:quiet]) if shows_plain_card(mm_per_px) else math.inf
    return CrossProfile(np.asarray(np.median(light, axis=1), np.float64), steep, on, noise, pitch)


def shows_plain_card(mm_per_px: float) -> bool:
    """Whether there are two rows of plain card or more above a crown line to judge noise by."""
    return int(QUIET * OVER_MM / max(mm_per_px, FINEST_MM)) >= RIM_ROWS + 2


def _refine(
    photo: Photo,
    pose: BoardPose,
    y: Array,
    z: Array,
    polarity: Array,
    radius: float,
    mm_per_px: float,
    on: Array | None,
) -> CrownLine | None:
    """Place the edge to sub-pixel along a traced path, and fit the circle, to points near the curve `on` first."""
    fine = np.arange(y[0], y[-1], 2.0 * float(y[1] - y[0]) / COLUMN_STEPS)
    path = pose.to_px(np.column_stack([np.zeros_like(fine), fine, gaussian_filter1d(np.interp(fine, y, z), 2.0)]))
    polarity = polarity[np.clip(np.searchsorted(y, fine), 0, len(y) - 1)]
    edge = place_edge(photo, path, polarity, 2.5)
    edge = edge.only(_sustained(edge.strength > FLOOR))
    if on is None or len(edge.px) == 0:
        return crown_line_of(edge, pose, radius, mm_per_px)
    at = pose.cross(edge.px)
    near = np.abs(at[:, 1] - np.interp(at[:, 0], y, on)) < 2.0 * mm_per_px
    return crown_line_of(edge, pose, radius, mm_per_px, near)


def crown_line_of(
    edge: EdgePath, pose: BoardPose, radius: float, mm_per_px: float, used: Mask | None = None
) -> CrownLine | None:
    """The crown line that an outline in the photo is, seen in `pose`; None when it does not bend like a board.

    `used` are the points taken for the reference arc in an earlier pose, to start from.
    """
    if len(edge.px) < LEAST_POINTS:
        return None
    at = pose.cross(edge.px)
    e = _elevation(pose, edge.px, np.zeros(len(at)))
    # without the definition a few points on the lamp's bright line outweigh all of a faint outline
    u = np.hypot(edge.u_px, DEFINITION_PX) * mm_per_px
    first = fit_reference_arc(at[:, 0], at[:, 1] - tangent_rise(radius, e), u, edge.noise_correlation, used)
    if first is None:
        return None
    # the tangent depends on the crown's own slope, a few degrees at the ends
    e = _elevation(pose, edge.px, first.circle.slope(at[:, 0]))
    fit = fit_reference_arc(at[:, 0], at[:, 1] - tangent_rise(radius, e), u, edge.noise_correlation, first.used)
    return None if fit is None else CrownLine(edge, at[:, 0], at[:, 1], e, fit.circle, fit.used, fit.rms, radius)


def _sustained(seen: Mask) -> Mask:
    """Points that are seen and whose neighbourhood mostly is: chance edges on plain card stand alone."""
    return np.asarray(seen & (uniform_filter1d(seen.astype(float), SUSTAINED) > 0.7))


def _elevation(pose: BoardPose, px: Array, slope: Array) -> Array:
    """Elevation of the sight line above a crown that slopes dz/dy, rad: the tangent condition n . v = 0."""
    d = pose.rays(px)
    return np.asarray(np.arctan(-d[:, 2] + slope * d[:, 1]))
