"""Divots: where the outline drops below the reference arc, and how deep the metal is worn there.

The outline of a worn crown runs along the flat's far edge, so its drop understates the removal; `depth_from_drop`
turns one into the other with the camera's elevation and the crown's radius.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from calib.lines import MAD_TO_SD
from calib.robust_spread import spread_about_zero
from inspect_app.instrument.crown import Crown, depth_from_drop, drop_from_depth
from inspect_app.measure.backdrop.crown_line import CrownLine
from shared.measured import Contribution, Measured

__all__ = [
    "Hollow",
    "Profile",
    "read_profile",
    "smoothed",
    "find_hollows",
    "measure_depth",
    "measure_length",
    "measure_place",
    "least_drop",
    "is_sure",
]

Array = NDArray[np.float64]

PITCH_MM = 0.05
"""Spacing along the fret at which the outline is read: finer than any hollow a string makes."""
SMOOTH_MM = 0.65
"""Window of the local parabola (Savitzky-Golay). A hollow 2 mm long and 0.3 mm deep loses under 0.002 mm of depth in
it."""
SHORTEST_MM = 0.6
"""A hollow shorter than the smoothing window can't be told from a speck."""
STEEPEST = 1.2
"""Slope of the outline that no string-made hollow reaches; a steeper step is the path jumping to another edge."""
DIVOT_DEFINITION = 2.5
"""How many times less sure than elsewhere an outline's place is in a hollow: within one blur below it the light changes
from the flat's to the flank's, by a quarter of the step instead of a tenth."""
SURE_SIGMAS = 4.0
"""Standard deviations of an outline's noise from which a drop is one: so that one fret in some hundreds shows a hollow
by chance."""
RIM_SHARE = 0.5
"""A hollow counts when its walls were followed up to within half its depth on both sides, as far up as two that meet
are told apart."""

TORN = 4.0
"""Mean square about the smooth outline, over that where it is unworn, from which a hollow's floor is two edges: of some
ten independent points one in ten thousand scatters so much by chance (F distribution)."""
LEAP_LEFT = 0.2
"""Root mean square about the smooth outline over twice `SMOOTH_MM` that two edges leave, over how far they lie apart;
the local parabola follows the rest (worked out: 0.14 for one leap there, 0.2 for a leap down and one up)."""

LEAST_WALL_RATIO = 0.5
"""Least length of one wall of a hollow relative to the other (common practice, no source)."""


@dataclass(frozen=True)
class Hollow:
    """A stretch where the outline runs below the reference arc.

    Attributes
    ----------
    start, stop : float
        Where it begins and ends to show, y in mm.
    at : float
        Its lowest place, y in mm.
    drop : float
        Drop of the outline there, mm.
    elevation : float
        Elevation of the line of sight there, rad.
    u_drop : float
        Standard uncertainty of the drop from noise, mm.
    faint : float
        How many times fainter the outline is there than where it is unworn, 1 or more.
    near : float
        Probability that the outline there is the flat's near edge, not its far one; see `flat_edges`.
    blur_px : float
        Standard deviation of the outline's blur there, px; 0 where it was not looked at.
    """

    start: float
    stop: float
    at: float
    drop: float
    elevation: float
    u_drop: float
    faint: float = 1.0
    near: float = 0.0
    blur_px: float = 0.0


@dataclass(frozen=True)
class Profile:
    """Drop of the outline on an even grid along the fret.

    Attributes
    ----------
    y, drop : ndarray, shape (N,)
        Place and smoothed drop, mm.
    broken : ndarray of bool
        Where no outline was seen or it jumps.
    noise : float
        Standard deviation of `drop` where the crown is unworn, mm.
    """

    y: Array
    drop: Array
    broken: NDArray[np.bool_]
    noise: float


def read_profile(line: CrownLine) -> Profile:
    """Drop on an even grid: the mean of the points in each cell, smoothed by a local parabola."""
    lo, hi = line.span
    y = np.arange(lo, hi, PITCH_MM)
    cell = np.round((line.y - lo) / PITCH_MM).astype(int)
    inside = (cell >= 0) & (cell < len(y))
    count = np.bincount(cell[inside], minlength=len(y))
    have = count > 0
    drop = np.bincount(cell[inside], weights=line.drop[inside], minlength=len(y)) / np.maximum(count, 1)
    empty = ~have & (uniform_filter1d(have.astype(float), 7) < 0.2)
    drop = np.interp(y, y[have], drop[have])
    step = np.abs(np.diff(drop, prepend=drop[0]))
    jump = step > STEEPEST * PITCH_MM + 6.0 * MAD_TO_SD * float(np.median(step))
    smooth = smoothed(drop, _window())
    return Profile(y, smooth, empty | jump, _noise(line, smooth, y))


def smoothed(values: Array, window: int) -> Array:
    """By a parabola through each `window`, odd (Savitzky and Golay 1964); the first's and the last's out to the ends.

    As `scipy.signal.savgol_filter`, whose import takes as long as a third of the first photo's measuring.
    """
    parabola = np.vander(np.arange(window, dtype=float), 3)
    fitted = parabola @ np.linalg.pinv(parabola)  # the parabola's values from those in its window
    half, ends = window // 2, (values[:window], values[-window:])
    middle = np.convolve(values, fitted[half, ::-1], "valid")
    return np.concatenate([fitted[:half] @ ends[0], middle, fitted[half + 1 :] @ ends[1]])


def _window() -> int:
    return 2 * int(SMOOTH_MM / PITCH_MM / 2.0) + 1


def _noise(line: CrownLine, smooth: Array, y: Array) -> float:
    """Standard deviation of the smoothed outline about the circle where it is unworn."""
    free = np.interp(y, line.y[np.argsort(line.y)], line.used[np.argsort(line.y)].astype(float)) > 0.99
    r = smooth[free] if free.sum() > 20 else smooth
    return float(spread_about_zero(r - np.median(r)))


def least_drop(profile: Profile, definition: float) -> float:
    """Smallest drop that is told from noise, mm.

    `SURE_SIGMAS` of the smoothed outline; never below what an
    edge's own place in a hollow is uncertain by, `definition` elsewhere.
    """
    return max(SURE_SIGMAS * profile.noise, DIVOT_DEFINITION * definition)


def is_sure(h: Hollow, depth: Measured) -> bool:
    """Whether a hollow is told from none: by its own noise as by the outline's elsewhere, and its depth by its U.

    A floor where two edges vie is less sure than the unworn outline; a depth whose U reaches zero says that a hollow
    may be no deeper than so much, not that there is one."""
    return h.drop > SURE_SIGMAS * h.u_drop and depth.value > depth.expanded


def find_hollows(line: CrownLine, p: Profile, definition: float) -> tuple[list[Hollow], float]:
    """Hollows along a crown line, and the share of the line that is unclear.

    Returns
    -------
    hollows : list of Hollow
        Treble to bass.
    unclear : float
        Share of the line where the outline could not be followed, 0 to 1.
    """
    found, unclear = [], float(p.broken.sum())
    for run in _runs(p.drop > least_drop(p, definition)):
        for a, b in _pieces(p, *run):
            if not _is_complete(p.drop[a:b], a > run[0], b < run[1]):
                unclear += b - a
            elif (b - a) * PITCH_MM >= SHORTEST_MM:
                found.append(_hollow(line, p, a, b))
    return found, unclear / max(1, len(p.y))


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Start and stop of each run of true."""
    d = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(d == 1).tolist(), np.flatnonzero(d == -1).tolist(), strict=True))


def _pieces(p: Profile, a: int, b: int) -> list[tuple[int, int]]:
    """The stretches of a run without a break, parted where two hollows meet."""
    broken = maximum_filter1d(p.broken, 3)[a:b]  # smoothing has mixed a break's border with what lies across it
    stretches = [(a + i, a + j) for i, j in _runs(~broken)]
    return [part for i, j in stretches for part in _split(p, i, j)]


def _is_complete(drop: Array, cut_before: bool, cut_after: bool) -> bool:
    """Whether a piece of a run holds a lowest place, and its walls far enough where it was cut from the run.

    Up to a share of the depth, and along the fret at least half as far as on the other side: the walls that a string
    wears are about alike, and a shorter one is the path on its way to another edge."""
    k = int(np.argmax(drop))
    before, after = k, len(drop) - 1 - k
    walls = (drop[: k + 1].min() if cut_before else 0.0, drop[k:].min() if cut_after else 0.0)
    steep = (cut_before and before < LEAST_WALL_RATIO * after) or (cut_after and after < LEAST_WALL_RATIO * before)
    return bool(0 < k < len(drop) - 1 and max(walls) < RIM_SHARE * drop[k] and not steep)


def _split(p: Profile, a: int, b: int) -> list[tuple[int, int]]:
    """Part a run in which two hollows meet: where the drop between two peaks falls to half the smaller."""
    d = p.drop[a:b]
    top = int(np.argmax(d))
    valley = _valley(d, top)
    if valley is None:
        return [(a, b)]
    return [*_split(p, a, a + valley), *_split(p, a + valley, b)]


def _valley(d: Array, top: int) -> int | None:
    """Index of the deepest valley between the highest peak and another peak at least twice as high as the valley."""
    best, where = 0.0, None
    for other in range(len(d)):
        lo, hi = min(top, other), max(top, other)
        if hi - lo < SHORTEST_MM / PITCH_MM:
            continue
        k = lo + int(np.argmin(d[lo:hi]))
        if d[k] < 0.5 * d[other] and d[other] - d[k] > best and 0 < k < len(d) - 1:
            best, where = float(d[other] - d[k]), k
    return where


def _hollow(line: CrownLine, p: Profile, a: int, b: int) -> Hollow:
    k = a + int(np.argmax(p.drop[a:b]))
    near = slice(max(a, k - 4), min(b, k + 5))
    at, drop = _parabola_peak(p.y[near], p.drop[near], float(p.y[k]), float(p.drop[k]))
    e = float(line.elevation_at(at))
    u = math.hypot(p.noise, _unsettled(line, p, at), float(line.circle.u_z(at)[0]))
    return Hollow(float(p.y[a]), float(p.y[b - 1]), at, drop, e, u, _faintness(line, at))


def _unsettled(line: CrownLine, p: Profile, at: float) -> float:
    """Standard uncertainty, mm, of a floor that some points put deeper than others: either edge may be the hollow's."""
    off = line.drop - np.interp(line.y, p.y, p.drop)
    near, unworn = np.abs(line.y - at) < SMOOTH_MM, line.used
    here, usual = (float(np.mean(off[some] ** 2)) if some.any() else 0.0 for some in (near, unworn))
    apart = math.sqrt(here - usual) / LEAP_LEFT if here > TORN * usual else 0.0
    return apart / 2.0


def _faintness(line: CrownLine, at: float) -> float:
    """Steepness of the outline's edge where it is unworn over that at a place, 1 or more."""
    near = np.abs(line.y - at) < SMOOTH_MM / 2.0
    if not near.any():
        return 1.0
    return max(1.0, float(np.median(line.edge.strength[line.used]) / np.median(line.edge.strength[near])))


def _parabola_peak(y: Array, drop: Array, at: float, height: float) -> tuple[float, float]:
    """Place and height of a peak by a parabola through its neighbourhood."""
    if len(y) < 5:
        return at, height
    a, b, c = np.polyfit(y - at, drop, 2)
    if a >= 0.0:
        return at, height
    shift = float(np.clip(-b / (2.0 * a), y[0] - at, y[-1] - at))
    return at + shift, float(a * shift**2 + b * shift + c)


def measure_depth(
    h: Hollow,
    crown: Crown,
    u_elevation: float,
    definition: float,
    u_scale_rel: float,
    resolved: float = 0.0,
    u_light: float = 0.0,
) -> Measured:
    """Removal at a hollow's lowest place, below the unworn crown, with its uncertainty.

    Each contribution is the change of the depth when that input moves by its standard uncertainty, mean of both ways
    (GUM 5.1.4 note 2, evaluated numerically: the relation bends near the blind depth). `resolved` is the least
    distance, mm, of two edges seen as two; `u_light` how far the metal's own light may draw an edge, mm.
    """
    r, e = crown.radius, max(h.elevation, 0.0)
    definition = (
        DIVOT_DEFINITION * definition * h.faint
    )  # it shifts an edge in inverse proportion to the edge's own steepness

    def depth(drop: float = h.drop, radius: float = r, elevation: float = e) -> float:
        far, near = _by_either_edge(drop, radius, elevation)
        return far + h.near * (near - far)

    def by(**moved: tuple[float, float]) -> float:
        ((name, (lo, hi)),) = moved.items()
        return abs(depth(**{name: hi}) - depth(**{name: lo})) / 2.0

    far, near = _by_either_edge(h.drop, r, e)
    parts = {
        "edge noise": by(drop=(h.drop - h.u_drop, h.drop + h.u_drop)),
        "edge definition": by(drop=(h.drop - definition, h.drop + definition)),
        "light on the metal": by(drop=(h.drop - u_light, h.drop + u_light)),
        "camera elevation": by(elevation=(e - u_elevation, e + u_elevation)),
        "crown radius": by(radius=(max(r - crown.u_radius, 0.3 * r), r + crown.u_radius)),
        "scale": depth() * u_scale_rel,
        "flat not resolved": (1.0 - h.near) * _u_flat(far, near, r, e, resolved),
        "edge of the flat": math.sqrt(h.near * (1.0 - h.near)) * (far - near),
    }
    return Measured(depth(), "mm", tuple(Contribution(k, v) for k, v in parts.items()))


def _by_either_edge(drop: float, radius: float, elevation: float) -> tuple[float, float]:
    """Removal where the outline is a flat's far edge, and where it is its near edge, mm.

    No flat has its near edge above the crown line's own height over the crown's top, seen from `elevation`."""
    e = max(elevation, 0.0)
    narrowest = float(drop_from_depth(0.0, radius, -e))
    return float(depth_from_drop(drop, radius, e)), float(depth_from_drop(max(drop, narrowest), radius, -e))


def _u_flat(far: float, near: float, radius: float, elevation: float, resolved: float) -> float:
    """What it leaves open that a flat too narrow in the photo to show as such may have any tone, mm.

    Has it the card's, its near edge is taken for the outline instead of its far one: anything between the depths that
    belong to either (rectangular, GUM 4.3.7)."""
    seen_width = 2.0 * math.sqrt(max(2.0 * radius * far - far**2, 0.0)) * math.sin(elevation)
    return 0.0 if seen_width >= resolved else (far - near) / math.sqrt(12.0)


def measure_place(h: Hollow, value: float, definition: float, shared: Mapping[str, float]) -> Measured:
    """Place of a hollow's lowest point, mm, `value` from the treble end, with the contributions it shares with others.

    A hollow is nearly level at its bottom: the lowest place is anywhere the drop is within its own uncertainty of the
    greatest, for a smooth bump (1 - t^2)^2 half its length times sqrt(u / (2 drop)) either way (rectangular)."""
    u_drop = math.hypot(h.u_drop, DIVOT_DEFINITION * definition * h.faint)
    level = (h.stop - h.start) / 2.0 * math.sqrt(min(u_drop / (2.0 * max(h.drop, 1e-6)), 1.0))
    parts = {"level bottom": level / math.sqrt(3.0), **shared}
    return Measured(value, "mm", tuple(Contribution(k, v) for k, v in parts.items()))


def measure_length(h: Hollow, depth: float, least_depth: float) -> Measured:
    """Length of a hollow along the fret, mm.

    Its ends run out under the depth that still shows. How far is worked out for a smooth bump, depth times (1 - t^2)^2;
    half of what that adds is its standard uncertainty, since a hollow's true form is not known."""
    seen = h.stop - h.start
    hidden = min(math.sqrt(max(least_depth, 0.0) / max(depth, 1e-6)), 0.9)
    whole = seen / math.sqrt(1.0 - hidden)
    return Measured.of(whole, "mm", edge_noise=PITCH_MM, faint_ends=(whole - seen) / 2.0)
