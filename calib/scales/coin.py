"""A coin of known diameter: its rim all round, to a fraction of a pixel.

Circles are looked for on a reduced picture; each is followed round its rim, which has to be there most of the way.
What is left is judged by size: a circle of the given diameter puts the camera at a distance, and an inlay dot or a
sound hole taken for the coin would put it too far away or too near. The coin is the largest of those left, so that
the raised border inside its rim is not taken for the rim.

The picture of a circle is an ellipse whatever the perspective, and is the same for two tilts, mirrored about the line
of sight: `calib.plane.fit_plane` prefers the smaller tilt and carries the other. A rim point is known across the rim
only. The bias of a curved edge, sigma^2 / 2R, is below 0.005 px for any coin found here.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.edges import row_offsets
from calib.photo import Photo
from calib.scales.base import HABIT_TILT_RAD, Scale
from calib.scales.outline import (
    U_OUTLINE_PX,
    U_SHARPENING_PX,
    colour_rows,
    fisher_direction,
    outline_steps,
)
from calib.scales.reduced import reduced
from shared.errors import ScaleError

__all__ = ["Coin", "coins", "find_coin", "COIN_TOLERANCE_MM"]

Vector = NDArray[np.float64]

COIN_TOLERANCE_MM = 0.1
"""Assumed limit of a coin about its stated diameter, rectangular: no law states it, and worn coins are smaller."""
DISTANCES_MM = (90.0, 1200.0)
"""Distances from which a coin beside a board is photographed: nearer no phone focuses, farther a coin is too small."""
_SEARCH_WIDTH = 500  # px: a coin is then 20 to 250 px across, and bench texture has mostly averaged out
_RADII = (0.02, 0.25)  # of the search width
_WIDER = (1.15, 1.3)  # radii: a coin's inscription ends at about three quarters of its radius or more
_CANDIDATES = 40  # of each channel, best first: a coin is among the first few
_VOTES = (40, 30, 20)  # edges that point to a centre: 60 and more for a clear rim, few over 35 by chance in texture
_AZIMUTHS = 72  # on the reduced picture
_ROUND = 0.65  # share of the rim that must be seen, twice: rings met by chance in texture reach that once at most
_POINTS = 180  # on the full picture: every second degree
_ROW_STEP_PX = 0.5  # the rim of a small coin is few pixels wide
_SMOOTHER = 0.4  # of the variance outside: bench texture just beside a true rim is like that farther out
_SECTORS = 8  # of the way round, of which whatever else lies near commonly takes one or two
_TOGETHER = 5.0  # neighbouring rows, every second degree, that see the same spot of bench texture
_SIGNIFICANT = 3.0  # standard errors: weaker steps are tried by chance only, and then are not sharp all round
_TILT_LIMIT = 0.09  # second harmonic of the radius over the radius: an ellipse of axes 1 : 0.83, tilt 34 degrees


@dataclass(frozen=True, slots=True)
class Coin:
    """A coin of common use: name, diameter in mm, and where that is laid down."""

    name: str
    diameter_mm: float
    source: str


@dataclass(frozen=True)
class _Ring:
    """A rim as radius over azimuth a about (x, y): ``h0 + h1 cos a + h2 sin a + h3 cos 2a + h4 sin 2a``, in pixels."""

    x: float
    y: float
    harmonics: Vector
    share: float

    def points(self, azimuth: Vector) -> tuple[Vector, Vector]:
        """Points (N, 2) on the rim and unit normals outwards."""
        basis = _basis(azimuth)
        r = basis @ self.harmonics
        slope = _slope(azimuth) @ self.harmonics
        c, s = np.cos(azimuth), np.sin(azimuth)
        normal = np.column_stack([r * c + slope * s, r * s - slope * c])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        return np.column_stack([self.x + r * c, self.y + r * s]), normal

    @property
    def radius(self) -> float:
        """Mean radius, px."""
        return float(self.harmonics[0])


@dataclass(frozen=True)
class _Points:
    """Rim points: azimuth about the ring's middle (N,), place (N, 2), outward normal (N, 2), u along it (N,)."""

    azimuth: Vector
    px: Vector
    normal: Vector
    u: Vector


def coins() -> tuple[Coin, ...]:
    """The table of common coins, round ones only."""
    table = tomllib.loads(resources.files("shared").joinpath("tables/coins.toml").read_text(encoding="utf-8"))
    sources = table["sources"]
    return tuple(Coin(c["name"], float(c["diameter_mm"]), sources[c["source"]]) for c in table["coins"])


def find_coin(photo: Photo, diameter_mm: float, factor: float = 1.0) -> Scale:
    """Find a coin.

    Parameters
    ----------
    diameter_mm : float
        Of the coin's outline.
    factor : float
        True diameter over `diameter_mm`, if the coin was measured.

    Raises
    ------
    ScaleError
        If no circle in the photo can be the coin.
    """
    rings = _rings(photo)
    slack = 1.0 + 2.0 * photo.focal.u_rel
    near, far = DISTANCES_MM[0] / slack, DISTANCES_MM[1] * slack
    fitting = [r for r in rings if near < photo.focal.px * diameter_mm / (2.0 * r.radius) < far]
    unclear: ScaleError | None = None
    for ring in fitting:
        try:
            return _as_scale(photo, *_outermost(photo, ring), diameter_mm * factor)
        except ScaleError as e:
            unclear = unclear or e
    raise unclear or _no_coin(diameter_mm, bool(rings))


def _no_coin(diameter_mm: float, circles: bool) -> ScaleError:
    wrong = f"No circle in the photo has the size of a coin of {diameter_mm:g} mm." if circles else "No coin was found."
    return ScaleError(wrong, "Lay a round coin beside the frets, all of it in the picture, on cloth of another colour.")


def _as_scale(photo: Photo, ring: _Ring, points: _Points, diameter: float) -> Scale:
    azimuth, image, normal, u = points.azimuth, points.px, points.normal, points.u
    turn = np.arctan2(normal[:, 1], normal[:, 0])
    u_px = np.column_stack([np.hypot(u, U_OUTLINE_PX), np.full(len(u), np.inf)])
    u_px[0, 1] = 1.0  # a circle looks the same however it is turned: one point is held, to give the frame a direction
    out = np.column_stack([np.cos(azimuth), -np.sin(azimuth)])
    return Scale(
        "coin",
        image,
        out * diameter / 2.0,
        u_px,
        COIN_TOLERANCE_MM / math.sqrt(3.0) / diameter,
        ring.points(np.linspace(0.0, 2.0 * math.pi, 48, endpoint=False))[0],
        turn_rad=turn,
        tilt_prior_rad=HABIT_TILT_RAD,
        outward_mm=out,
        u_outward_mm=U_SHARPENING_PX * diameter / (2.0 * ring.radius),
    )


def _basis(a: Vector) -> Vector:
    return np.stack([np.ones_like(a), np.cos(a), np.sin(a), np.cos(2 * a), np.sin(2 * a)], axis=-1)


def _slope(a: Vector) -> Vector:
    return np.stack([np.zeros_like(a), -np.sin(a), np.cos(a), -2 * np.sin(2 * a), 2 * np.cos(2 * a)], axis=-1)


# --- circles on the reduced picture --------------------------------------------------------------------------------


def _rings(photo: Photo) -> list[_Ring]:
    """Circles, nearly, that can be followed most of the way round; largest first."""
    small, factor = reduced(photo.bgr, _SEARCH_WIDTH)
    soft = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), dtype=np.uint8)
    found = [r for c in _circles(soft) for r in _with_wider(soft, c)]
    rings = [
        _Ring((r.x + 0.5) * factor - 0.5, (r.y + 0.5) * factor - 0.5, r.harmonics * factor, r.share) for r in found
    ]
    return sorted(rings, key=lambda r: -r.radius)


def _circles(soft: NDArray[np.uint8]) -> Vector:
    """Candidates (N, 3): x, y, radius, by Hough transform of brightness and of the two colour differences."""
    lab = cv2.cvtColor(soft, cv2.COLOR_BGR2LAB)
    lo, hi = (max(5, round(f * _SEARCH_WIDTH)) for f in _RADII)
    out: list[Vector] = []
    for k in range(3):
        plane = np.ascontiguousarray(lab[..., k])
        slope = np.abs(cv2.Sobel(plane, cv2.CV_16S, 1, 0)) + np.abs(cv2.Sobel(plane, cv2.CV_16S, 0, 1))
        # edges stand well above the usual slope of this picture (noise, texture), and above rounding of codes
        edge = max(16.0, 4.0 * float(np.median(slope)))
        out.append(_centres(np.asarray(plane, dtype=np.uint8), edge, lo, hi))
    return np.concatenate(out)


def _centres(plane: NDArray[np.uint8], edge: float, lo: int, hi: int) -> Vector:
    """The best circles (x, y, radius) of one channel, those first on whose centre most edges point.

    Few votes are asked for only where many bring no more than a few circles: in texture they are met by chance, by the
    hundred, and each is weighed against every edge of the picture.
    """
    out = np.empty((0, 3))
    for votes in _VOTES:
        c = cv2.HoughCircles(plane, cv2.HOUGH_GRADIENT, 1, 6, param1=edge, param2=votes, minRadius=lo, maxRadius=hi)
        found = np.empty((0, 3)) if c is None else np.reshape(c, (-1, np.shape(c)[-1]))[:, :3].astype(float)
        known = (np.abs(found[:, None] - out).max(axis=2) < 2.0).any(axis=1)
        out = np.concatenate([out, found[~known]])[:_CANDIDATES]
        if len(out) == _CANDIDATES:
            break
    return out


def _with_wider(soft: NDArray[np.uint8], circle: Vector) -> list[_Ring]:
    """The rim near a circle, and any round about it: the rings of a coin's relief may stand out more than its rim."""
    ring = _followed(soft, circle)
    if ring is None:
        return []
    wider = (_followed(soft, np.array([*circle[:2], k * ring.radius])) for k in _WIDER)
    return [ring, *(r for r in wider if r is not None)]


def _followed(soft: NDArray[np.uint8], circle: Vector) -> _Ring | None:
    """The rim near a circle, if most of it is there, and is again when followed from its own middle.

    Followed from a few pixels beside it, part of a rim drops out; what texture shows by chance it rarely shows twice.
    """
    ring = _follow(soft, circle)
    if ring is not None and ring.share >= _ROUND:
        ring = _follow(soft, np.array([ring.x, ring.y, ring.radius]))
    return ring if ring is not None and ring.share >= _ROUND else None


def _follow(soft: NDArray[np.uint8], circle: Vector) -> _Ring | None:
    """The rim near a circle: the steepest radial step at each azimuth, those fitted that lie on one near-ellipse."""
    x, y, r0 = circle
    a = np.arange(_AZIMUTHS) * 2.0 * math.pi / _AZIMUTHS
    reach = max(3.0, 0.1 * r0)
    r = np.arange(r0 - reach - 1.0, r0 + reach + 1.5)
    px, py = x + np.outer(np.cos(a), r), y + np.outer(np.sin(a), r)
    h, w = soft.shape[:2]
    polar = cv2.remap(soft, px.astype(np.float32), py.astype(np.float32), cv2.INTER_LINEAR).astype(float)
    polar[(px < 0) | (py < 0) | (px > w - 1) | (py > h - 1)] = np.nan
    step = np.nan_to_num(np.linalg.norm(polar[:, 2:] - polar[:, :-2], axis=2))
    seen = step.max(axis=1) > 0
    if seen.mean() < _ROUND:
        return None
    at = r[1:-1][np.argmax(step, axis=1)]
    basis, fit = _basis(a), np.array([r0, 0.0, 0.0, 0.0, 0.0])
    for tolerance in (reach, reach / 2.0, 2.0, 1.5, 1.5):
        on = seen & (np.abs(at - basis @ fit) <= max(tolerance, 1.5))
        if on.sum() < 0.5 * _ROUND * _AZIMUTHS:
            return None
        fit = np.linalg.solve(basis[on].T @ basis[on], basis[on].T @ at[on])
    on = seen & (np.abs(at - basis @ fit) <= 1.5)
    if np.hypot(fit[3], fit[4]) > _TILT_LIMIT * fit[0] or np.hypot(fit[1], fit[2]) > reach:
        return None
    own = fit * [1.0, 0.0, 0.0, 1.0, 1.0]  # about its own middle
    return _Ring(float(x + fit[1]), float(y + fit[2]), own, float(on.mean()))


# --- the rim on the full picture -----------------------------------------------------------------------------------


def _outermost(photo: Photo, ring: _Ring) -> tuple[_Ring, _Points]:
    """The ring concentric with this one and farthest out that is sharp most of the way round, and its points.

    The raised border of a coin lies up to a tenth of the radius inside its rim, and may be the stronger of the two.

    Raises
    ------
    ScaleError
        If none is sharp.
    """
    for offset in sorted(_steps_of_all(photo, ring), reverse=True):
        grown = _Ring(ring.x, ring.y, ring.harmonics * (1.0 + offset / ring.radius), ring.share)
        found = _rim(photo, grown)
        if found is not None:
            if _smooth_outside(photo, found[0]):
                break  # there is more of the coin outside this ring, and its rim can't be told from the bench
            return found
    raise ScaleError("The coin's rim is not clear enough.", "Lay the coin flat on cloth of another colour, in focus.")


def _smooth_outside(photo: Photo, ring: _Ring) -> bool:
    """Whether just outside the ring the surface is much smoother than farther out, as a coin's border is on a bench.

    Most of the way round, that is: the board, or whatever else lies near, may come into a part of it.
    """
    a = np.arange(4 * _POINTS) * math.pi / (2 * _POINTS)
    points, normal = ring.points(a)
    half = 0.2 * ring.radius
    rows = colour_rows(photo, points, normal, half).mean(axis=2)
    rows = rows[np.isfinite(rows).all(axis=1)]
    if len(rows) < _POINTS:
        return False
    changes = np.array_split((rows[3:] - rows[:-3]) ** 2, _SECTORS)
    unrest = np.median([c.mean(axis=0) for c in changes], axis=0) / np.maximum(np.median(rows, axis=0), 1e-3) ** 2
    at = row_offsets(half) / ring.radius
    near, far = unrest[(at > 0.03) & (at < 0.07)], unrest[at > 0.14]
    return bool(near.size and far.size and float(np.median(near)) < _SMOOTHER * float(np.median(far)))


def _steps_of_all(photo: Photo, ring: _Ring) -> list[float]:
    """Offsets (px) from the ring at which the colour steps alike all round, more than the bench does by chance."""
    a = np.arange(_POINTS) * 2.0 * math.pi / _POINTS
    points, normal = ring.points(a)
    rows = colour_rows(photo, points, normal, math.ceil(0.15 * ring.radius))
    rows = rows[np.isfinite(rows).all(axis=(1, 2))]
    k = max(1, round(0.006 * ring.radius))  # px: the rim's own unevenness about this ring is averaged over as much
    step = rows[:, 2 * k :] - rows[:, : -2 * k]
    if len(rows) < _ROUND * _POINTS:
        return []
    spread = np.linalg.norm(step.std(axis=0), axis=1) / math.sqrt(len(rows) / _TOGETHER)
    rise = np.linalg.norm(step.mean(axis=0), axis=1) / np.maximum(spread, 1e-9)
    peak = np.r_[False, (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:]), False] & (rise > _SIGNIFICANT)
    return [float(i) - (len(rise) - 1) / 2.0 for i in np.flatnonzero(peak)]


def _rim(photo: Photo, ring: _Ring) -> tuple[_Ring, _Points] | None:
    """The ring fitted to its steps, and those that lie on it; ``None`` if they do not lie on one ring."""
    a = np.arange(_POINTS) * 2.0 * math.pi / _POINTS
    for share in (0.02, 0.012, 0.012):  # half the row, of the radius: at last narrow enough to leave out the side wall
        half = max(3.0, share * ring.radius)
        points, normal = ring.points(a)
        rows = colour_rows(photo, points, normal, half, _ROW_STEP_PX)
        third = rows.shape[1] // 3
        steps = outline_steps(rows, half, _ROW_STEP_PX, fisher_direction(rows[:, :third], rows[:, -third:]))
        at = points + normal * steps.at[:, None]
        arm = at - np.array([ring.x, ring.y])
        azimuth, radius = np.arctan2(arm[:, 1], arm[:, 0]), np.hypot(arm[:, 0], arm[:, 1])
        fit, ok = _on_a_ring(azimuth, radius)
        if ok.sum() < _ROUND * _POINTS:
            return None
        ring = _Ring(ring.x, ring.y, fit, float(ok.mean()))
    return ring, _Points(azimuth[ok], at[ok], normal[ok], steps.u[ok])


def _on_a_ring(azimuth: Vector, radius: Vector) -> tuple[Vector, NDArray[np.bool_]]:
    """Harmonics of a robust ring through points, and which lie on it: within 0.6 px, or 0.3 % of the radius."""
    basis, known = _basis(azimuth), np.isfinite(radius)
    fit, ok = np.array([float(np.median(radius[known])) if known.any() else 0.0, 0.0, 0.0, 0.0, 0.0]), known
    tight = max(0.6, 0.003 * fit[0])
    for tolerance in (8.0 * tight, 4.0 * tight, 2.0 * tight, tight, tight, tight):
        ok = known & (np.abs(radius - basis @ fit) <= tolerance)
        if ok.sum() < _ROUND * _POINTS:
            return fit, ok
        fit = np.linalg.lstsq(basis[ok], radius[ok], rcond=None)[0]
    off = np.abs(radius - basis @ fit)
    ok = known & (off <= min(tight, max(0.3, 3.0 * 1.4826 * float(np.median(off[ok])))))
    return np.asarray(np.linalg.lstsq(basis[ok], radius[ok], rcond=None)[0]), ok
