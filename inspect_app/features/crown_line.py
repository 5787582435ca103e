"""The crown's outline against the backdrop, found and placed to a fraction of a pixel, and the circle of its unworn
parts.

Coming down the white part of the backdrop, the outline is the first sharp edge: lamp reflections on the card are soft,
and the sharp bright lines on the crown lie below it. So the path is looked for that collects the most significant edge
while leaving the least significant edge above it (dynamic programming, Bellman 1957), with no assumption whether metal
is darker or brighter than the card."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d

from calib.edges import row_offsets, sample_across
from calib.photo import Photo, linear_light
from inspect_app.features.circle import Circle, fit_circle
from inspect_app.features.pose import BoardPose

__all__ = [
    "EdgePath",
    "COLUMN_STEPS",
    "CrownLine",
    "crown_line_of",
    "find_crown_line",
    "fit_crown_circle",
    "first_edge",
    "look_along",
    "place_edge",
    "rise",
    "significance",
]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Light = NDArray[np.float32]

DERIVATIVE_PX = 2.0
"""Scale of the derivative that looks for the edge: wider than the pixel noise's correlation after demosaicing and
JPEG."""
SOFT_PX = 3.5
"""Scale of the slope that soft light on the card has: what it was three such scales further up is taken away."""
FLOOR, CEILING = 4.0, 14.0
"""Significance counts from FLOOR to CEILING standard deviations of the card's own gradient: 4 sigma is passed by chance
in 6 of 100 000 samples, and beyond 14 more contrast is not more certainty."""
POOLED_COLUMNS = 2.0
"""Pooling along the outline: five columns share it, over which a crown line rises less than a row."""
TIGHTEST = 1.0 / 80.0
"""Half the curvature of a 40 mm radius, tighter than any board, 1/mm."""
HOLLOWEST = 1.0 / 8000.0
"""The same for a board that is hollow across by sanding: 4 m, which is flat within 0.06 mm."""
COLUMN_STEPS = 4
"""Columns are this many rows apart when an outline is traced: it rises by less than a row from one to the next."""
LEAST_POINTS = 40
"""Points, two pixels apart, under which an outline is not taken for a crown line."""
SEARCH_MM = 9.0
"""How far below the printed part the crown may lie: the card's white foot, and the fall of a 184 mm board to its
edge."""
ABOVE = 0.3
"""Cost of leaving a certain edge above the path, relative to the gain of taking it: three of them undo one gain, so an
isolated speck on the card does not pull the path up, and a line across the fret does."""


@dataclass(frozen=True)
class EdgePath:
    """Points on an edge, in order along it.

    Attributes
    ----------
    px : ndarray, shape (N, 2)
        Upright photo pixels.
    u_px : ndarray, shape (N,)
        Standard uncertainty across the edge from noise, pixels.
    strength : ndarray, shape (N,)
        Step's steepness in units of the noise of the same derivative on the card.
    correlated : float
        Number of neighbouring points that share their noise.
    """

    px: Array
    u_px: Array
    strength: Array
    correlated: float

    def only(self, keep: Mask) -> EdgePath:
        """The points that `keep` marks."""
        return EdgePath(self.px[keep], self.u_px[keep], self.strength[keep], self.correlated)


def look_along(photo: Photo, pose: BoardPose, y: Array, z: Array, offsets: Array, x: float = 0.0) -> Light:
    """Linear light on the upright plane at `x`, along a curve and above and below it.

    Parameters
    ----------
    y, z : ndarray, shape (N,)
        The curve, mm; one column for each point.
    offsets : ndarray, shape (M,)
        Heights above the curve, mm; one row for each.

    Returns
    -------
    ndarray of float32, shape (M, N)
        Pixels outside the photo repeat its border. Rows are spaced evenly in the photo between the first and the
        last: perspective over a few millimetres of height is below the width of an edge.
    """
    ends = [pose.to_px(np.column_stack([np.full_like(y, x), y, z + offsets[i]])) for i in (0, -1)]
    share = ((offsets - offsets[0]) / (offsets[-1] - offsets[0]))[:, None, None]
    at = (ends[0] + share * (ends[1] - ends[0])).astype(np.float32)
    light = cv2.remap(photo.gray, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return linear_light(np.asarray(light, dtype=np.uint8))


def significance(light: Light, quiet_rows: int) -> Array:
    """How surely each sample is the steepest point of an edge across the rows, 0 to 1; shape of `light`.

    The surer of two looks: each column alone, for the steep walls of a divot, and columns pooled with their neighbours,
    for faint edges. `quiet_rows` rows at the start are known to be plain card: their gradient says what is noise,
    column by column (neighbouring columns pooled), because noise grows with light."""
    alone = gaussian_filter1d(light, DERIVATIVE_PX, axis=0, order=1)
    soft = gaussian_filter1d(alone, SOFT_PX, axis=0)
    lag = round(3.0 * SOFT_PX)
    alone = alone - np.concatenate([np.repeat(soft[:1], lag, axis=0), soft[:-lag]])
    pooled = gaussian_filter1d(alone, POOLED_COLUMNS, axis=1)
    return np.maximum(_certainty(np.abs(alone), quiet_rows), _certainty(np.abs(pooled), quiet_rows))


def _certainty(slope: Light, quiet_rows: int) -> Array:
    quiet = np.median(slope[: max(8, quiet_rows)], axis=0) * 1.4826
    noise = np.maximum(uniform_filter1d(quiet, min(101, len(quiet))), 1e-6)
    peak = slope >= maximum_filter1d(slope, 3, axis=0)
    return np.asarray(np.where(peak, np.clip((slope / noise - FLOOR) / (CEILING - FLOOR), 0.0, 1.0), 0.0), np.float64)


def first_edge(certain: Array, max_step: int = 4, own_rows: int = 4) -> tuple[NDArray[np.intp], Array]:
    """The path, one row a column, that takes the most certainty and leaves the least above it.

    Parameters
    ----------
    certain : ndarray, shape (rows, columns)
        From `significance`; rows counted from the side of the card.
    max_step : int
        Greatest change of row from one column to the next.
    own_rows : int
        Rows just above the path that belong to the edge itself.

    Returns
    -------
    ndarray of int, shape (columns,)
        Row of the path.
    ndarray of float, shape (columns,)
        Certainty found on it (the best within one row).
    """
    here = maximum_filter1d(certain, 3, axis=0)
    above = np.cumsum(certain, axis=0)
    above = np.vstack([np.zeros((own_rows, certain.shape[1])), above[:-own_rows]])
    gain = here - ABOVE * above
    rows, columns = gain.shape
    total = gain[:, 0].copy()
    back = np.empty((columns, rows), np.int16)
    steps = np.arange(-max_step, max_step + 1)
    toll = 0.02 * np.abs(steps)
    padded = np.full(rows + 2 * max_step, -np.inf)
    window_of = np.lib.stride_tricks.sliding_window_view(padded, 2 * max_step + 1)
    for c in range(1, columns):
        padded[max_step:-max_step] = total
        window = window_of - toll
        best = np.argmax(window, axis=1)
        back[c] = best - max_step
        total = window[np.arange(rows), best] + gain[:, c]
    path = np.empty(columns, np.intp)
    path[-1] = int(np.argmax(total))
    for c in range(columns - 1, 0, -1):
        path[c - 1] = path[c] + back[c, path[c]]
    return path, here[path, np.arange(columns)]


def place_edge(photo: Photo, px: Array, half_px: float = 9.0, pool: int = 5, blur_px: float = 1.2) -> EdgePath:
    """Place an edge to sub-pixel along the normals of a guessed path.

    The rows are straightened along the path, pooled over `pool` neighbours and differentiated; the edge is where the
    slope is steepest within 4 px of the guess (parabola through three samples). Steepest, not half-way: metal below an
    outline is not an even level. Walking along `px`, the card lies to the right: a crown line runs from treble to bass.
    """
    tangent = np.gradient(np.column_stack([gaussian_filter1d(px[:, k], 5.0, mode="nearest") for k in (0, 1)]), axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    step = 0.5
    offsets = row_offsets(half_px, step)
    rows = sample_across(photo, px, normal, half_px, step)
    rows = uniform_filter1d(np.nan_to_num(rows), pool, axis=0)
    slope = np.abs(gaussian_filter1d(rows, blur_px / step, axis=1, order=1))
    near = np.abs(offsets) <= 4.0
    k = np.argmax(np.where(near, slope, -1.0), axis=1)
    k = np.clip(k, 1, len(offsets) - 2)
    i = np.arange(len(px))
    a, b, c = slope[i, k - 1], slope[i, k], slope[i, k + 1]
    bend = np.maximum(2.0 * b - a - c, 1e-12)
    at = offsets[k] + step * np.clip(0.5 * (c - a) / bend, -1.0, 1.0)
    noise = _slope_noise(rows[:, : len(offsets) // 4], blur_px / step)
    u = step * noise / bend
    return EdgePath(px + normal * at[:, None], np.clip(u, 0.02, half_px), b / noise, float(pool))


def _slope_noise(quiet: Array, sigma: float) -> float:
    """Standard deviation of the derivative's noise, from the light's noise in rows of plain card."""
    rough = np.diff(quiet, axis=1)
    sigma_n = 1.4826 * float(np.median(np.abs(rough - np.median(rough)))) / math.sqrt(2.0)
    # bilinear half-pixel samples share noise; the derivative of Gaussian passes sum(g'^2) = 1 / (4 sqrt(pi) sigma^3)
    return max(2.0 * sigma_n * math.sqrt(1.0 / (4.0 * math.sqrt(math.pi) * sigma**3)), 1e-6)


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
        The unworn crown line.
    used : ndarray of bool
        Points taken as unworn.
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
    def unworn(self) -> Array:
        """Where the outline would run if nothing were worn, same plane, mm."""
        return self.circle.z(self.y) + rise(self.radius, self.elevation)

    @property
    def drop(self) -> Array:
        """How far the outline runs below that, mm."""
        return self.unworn - self.z

    @property
    def span(self) -> tuple[float, float]:
        """First and last unworn point: y, mm."""
        at = self.y[self.used]
        return float(at.min()), float(at.max())


def rise(radius: float, elevation: Array) -> Array:
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
    pitch = abs(float(y[1] - y[0])) / COLUMN_STEPS
    offsets = np.arange(0.0, -SEARCH_MM, -pitch)
    z = top + offsets[_trace(photo, pose, y, np.full_like(y, top), offsets)]
    return _refine(photo, pose, y, z, radius, mm_per_px)


def _trace(photo: Photo, pose: BoardPose, y: Array, z: Array, offsets: Array) -> NDArray[np.intp]:
    """Row of the first edge below a curve, one a column."""
    step = float(y[1] - y[0]) / COLUMN_STEPS
    fine = (y[:, None] + step * np.array([-1.5, -0.5, 0.5, 1.5])).ravel()
    light = look_along(photo, pose, fine, np.interp(fine, y, z), offsets)
    light = light.reshape(len(offsets), len(y), 4).mean(axis=2)
    quiet = int(0.25 / abs(offsets[1] - offsets[0]))
    return first_edge(significance(light, quiet))[0]


def _refine(photo: Photo, pose: BoardPose, y: Array, z: Array, radius: float, mm_per_px: float) -> CrownLine | None:
    """Place the edge to sub-pixel along a traced path, and fit the circle."""
    fine = np.arange(y[0], y[-1], 2.0 * float(y[1] - y[0]) / COLUMN_STEPS)
    path = pose.to_px(np.column_stack([np.zeros_like(fine), fine, gaussian_filter1d(np.interp(fine, y, z), 2.0)]))
    edge = place_edge(photo, path)
    edge = edge.only(_sustained(edge.strength > FLOOR))
    return crown_line_of(edge, pose, radius, mm_per_px)


def crown_line_of(
    edge: EdgePath, pose: BoardPose, radius: float, mm_per_px: float, used: Mask | None = None
) -> CrownLine | None:
    """The crown line that an outline in the photo is, seen in `pose`; None when it does not bend like a board.

    `used` are the points taken as unworn in an earlier pose, to start from.
    """
    if len(edge.px) < LEAST_POINTS:
        return None
    at = pose.cross(edge.px)
    slope = np.zeros(len(at))
    for _ in range(2):  # the tangent depends on the crown's own slope, a few degrees at the ends
        e = _elevation(pose, edge.px, slope)
        fit = fit_crown_circle(at[:, 0], at[:, 1] - rise(radius, e), edge.u_px * mm_per_px, edge.correlated, used)
        if fit is None:
            return None
        used = fit[1]
        slope = fit[0].slope(at[:, 0])
    assert fit is not None
    circle, used, rms = fit
    return CrownLine(edge, at[:, 0], at[:, 1], e, circle, used, rms, radius)


def _sustained(seen: Mask, points: int = 25) -> Mask:
    """Points that are seen and whose neighbourhood mostly is: chance edges on plain card stand alone."""
    return np.asarray(seen & (uniform_filter1d(seen.astype(float), points) > 0.7))


def _elevation(pose: BoardPose, px: Array, slope: Array) -> Array:
    """Elevation of the sight line above a crown that slopes dz/dy, rad: the tangent condition n . v = 0."""
    d = pose.rays(px)
    return np.asarray(np.arctan(-d[:, 2] + slope * d[:, 1]))


def fit_crown_circle(
    y: Array, z: Array, u: Array, correlated: float, used: Mask | None = None
) -> tuple[Circle, Mask, float] | None:
    """Fit a circle to the parts of a crown line that wear has not lowered.

    Wear only lowers: a first arc is the one that most points lie on and fewest above (random sampling, seeded); it is
    then refitted by least squares, dropping what lies below it by more than the noise, until nothing changes.

    Parameters
    ----------
    y, z : ndarray, shape (N,)
        Crown line as if nothing were worn, mm, in order along the fret.
    u : ndarray, shape (N,)
        Standard uncertainty of z from noise, mm.
    correlated : float
        Number of neighbouring points that share their noise.
    used : ndarray of bool, optional
        Where to start from instead of random sampling.

    Returns
    -------
    circle, used, rms : Circle, ndarray of bool, float
        Or None when too few points agree on a circle.
    """
    tolerance = max(2.5 * float(np.median(u)), 0.006)
    used = _consensus(y, z, tolerance) if used is None else used
    for _ in range(12):
        if used.sum() < LEAST_POINTS:
            return None
        circle = fit_circle(y[used], z[used], u[used], correlated)
        off = z - circle.z(y)
        spread = 1.4826 * float(np.median(np.abs(off[used])))
        limit = max(2.5 * spread, 1e-4)
        now = (off > -limit) & (off < 2.0 * limit)
        now &= uniform_filter1d(now.astype(float), 9) > 0.5  # a point on a divot's wall crosses the circle alone
        if np.array_equal(now, used):
            break
        used = now
    return circle, used, float(np.sqrt(np.mean(off[used] ** 2)))


def _consensus(y: Array, z: Array, tolerance: float) -> Mask:
    """Points on the parabola that most points lie on and fewest above."""
    rng = np.random.default_rng(0)
    pick = np.sort(rng.integers(0, len(y), (400, 3)), axis=1)
    pick = pick[np.abs(y[pick[:, 2]] - y[pick[:, 0]]) > 0.3 * np.ptp(y)]
    pick = pick[np.diff(y[pick], axis=1).min(axis=1) > 0.02 * np.ptp(y)]
    centre = y.mean()
    t = y[pick] - centre
    coef = np.linalg.solve(np.stack([t**2, t, np.ones_like(t)], axis=-1), z[pick][..., None])[..., 0]
    coef = coef[(coef[:, 0] >= -TIGHTEST) & (coef[:, 0] <= HOLLOWEST)]
    if len(coef) == 0:
        return np.ones(len(y), bool)
    some = np.linspace(0, len(y) - 1, min(len(y), 400)).astype(int)
    off = z[some] - np.stack([(y[some] - centre) ** k for k in (2, 1, 0)], axis=-1).dot(coef.T).T
    score = np.sum(np.abs(off) < tolerance, axis=1) - 2.0 * np.sum(off > tolerance, axis=1)
    a, b, c = coef[int(np.argmax(score))]
    return np.asarray(np.abs(z - (a * (y - centre) ** 2 + b * (y - centre) + c)) < tolerance)
