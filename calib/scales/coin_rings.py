"""Circles on a reduced picture, each followed round its rim: the picture of a coin is nearly a circle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.photo import Photo
from calib.scales.reduced import reduced

__all__ = ["Harmonic", "Ring", "SHARE_SEEN", "WELL_SEEN", "find_rings", "harmonics_at"]

Vector = NDArray[np.float64]

SHARE_SEEN = 0.65  # share of the rim that must be seen, twice: rings met by chance in texture reach that once at most
WELL_SEEN = 0.8  # share of the way round that texture does not show by chance: it reaches 0.76
_SEARCH_WIDTH = 500  # px: a coin is then 20 to 250 px across, and bench texture has mostly averaged out
_RADII = (0.02, 0.25)  # of the search width
_WIDER = (1.15, 1.3)  # radii: a coin's inscription ends at about three quarters of its radius or more
_CANDIDATES = 40  # of each channel, best first: a coin is among the first few
_VOTES = (40, 30, 20)  # edges that point to a centre: 60 and more for a clear rim, few over 35 by chance in texture
_AZIMUTHS = 72  # on the reduced picture
_SAME_DISC = 0.7  # of the larger radius: coins that overlap by a third are farther apart, portraits on a coin nearer
_SAME_RING = 0.04  # of the radius: less than from a coin's raised border to its rim
_TILT_LIMIT = 0.09  # second harmonic of the radius over the radius: an ellipse of axes 1 : 0.83, tilt 34 degrees
_QUARTER_TURN = np.array([1.0, 1.0, -1.0, -1.0, -1.0])
"""What a quarter turn with the clock, x, y to -y, x, makes of the harmonics, before COS and SIN change places."""


class Harmonic(IntEnum):
    """Terms of a rim's radius over azimuth: mean, shift in x and y, ellipticity along the axes and between them."""

    MEAN = 0
    COS = 1
    SIN = 2
    COS_2 = 3
    SIN_2 = 4


@dataclass(frozen=True)
class Ring:
    """A rim as its radius over azimuth: a Fourier series to the second order, which any ellipse hardly departs from.

    Attributes
    ----------
    x, y : float
        Middle, pixels of the picture it was found in.
    harmonics : ndarray of float, shape (5,)
        Coefficients in the order of `Harmonic`, pixels.
    share : float
        Share of the way round at which the rim was seen.
    """

    x: float
    y: float
    harmonics: Vector
    share: float

    def points(self, azimuth: Vector) -> tuple[Vector, Vector]:
        """Points (N, 2) on the rim and unit normals outwards."""
        basis = harmonics_at(azimuth)
        r = basis @ self.harmonics
        slope = _slopes_at(azimuth) @ self.harmonics
        c, s = np.cos(azimuth), np.sin(azimuth)
        normal = np.column_stack([r * c + slope * s, r * s - slope * c])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        return np.column_stack([self.x + r * c, self.y + r * s]), normal

    def about_its_middle(self) -> Ring:
        """The same rim, to first order, told from its own middle: without first harmonics."""
        shift = np.isin(np.arange(len(self.harmonics)), (Harmonic.COS, Harmonic.SIN))
        x, y = self.x + float(self.harmonics[Harmonic.COS]), self.y + float(self.harmonics[Harmonic.SIN])
        return Ring(x, y, np.where(shift, 0.0, self.harmonics), self.share)

    @property
    def radius(self) -> float:
        """Mean radius, px."""
        return float(self.harmonics[Harmonic.MEAN])


def harmonics_at(azimuth: Vector) -> Vector:
    """Values of the terms of `Harmonic` at azimuths (N,) in radians, shape (N, 5).

    Examples
    --------
    >>> harmonics_at(np.array([0.0])) @ [100.0, 0.0, 0.0, 2.0, 0.0]  # an ellipse with its long axis along x
    array([102.])
    """
    a = azimuth
    return np.stack([np.ones_like(a), np.cos(a), np.sin(a), np.cos(2 * a), np.sin(2 * a)], axis=-1)


def _slopes_at(azimuth: Vector) -> Vector:
    """Derivatives of `harmonics_at` by the azimuth, shape (N, 5)."""
    a = azimuth
    return np.stack([np.zeros_like(a), -np.sin(a), np.cos(a), -2 * np.sin(2 * a), 2 * np.cos(2 * a)], axis=-1)


def find_rings(photo: Photo, broken: bool = False) -> list[list[Ring]]:
    """Circles, nearly, that can be followed most of the way round, those of one disc together, best seen first.

    With `broken` they are looked for also about circles that cannot be followed themselves.
    """
    small, factor = reduced(photo.bgr, _SEARCH_WIDTH)
    soft = np.asarray(cv2.GaussianBlur(small, (0, 0), 1.0), dtype=np.uint8)
    turns = _quarter_turns(soft)
    turned = np.ascontiguousarray(np.rot90(soft, turns))
    found = [_turned_back(r, turned, turns) for c in _circles(turned) for r in _with_wider(turned, c, broken)]
    rings = [Ring((r.x + 0.5) * factor - 0.5, (r.y + 0.5) * factor - 0.5, r.harmonics * factor, r.share) for r in found]
    return _by_disc(rings)


def _quarter_turns(picture: NDArray[np.uint8]) -> int:
    """Quarter turns against the clock after which the brighter side of the picture is up.

    Which circles the Hough transform lists depends on the order in which it meets them. Looked at from the side that
    its light names, a photo gives the same ones however it was turned.
    """
    gray = picture.mean(axis=2)
    h, w = gray.shape
    across = float(gray.mean(axis=0) @ np.linspace(-1.0, 1.0, w)) / w
    down = float(gray.mean(axis=1) @ np.linspace(-1.0, 1.0, h)) / h
    if abs(across) > abs(down):
        return 1 if across > 0.0 else 3
    return 0 if down < 0.0 else 2


def _turned_back(ring: Ring, turned: NDArray[np.uint8], turns: int) -> Ring:
    """A ring of a picture turned by quarter turns, on the picture as it was."""
    for _ in range(turns):
        h = len(turned)
        about = ring.harmonics * _QUARTER_TURN
        about[[Harmonic.COS, Harmonic.SIN]] = about[[Harmonic.SIN, Harmonic.COS]]
        ring, turned = Ring(h - 1.0 - ring.y, ring.x, about, ring.share), np.rot90(turned, -1)
    return ring


def _by_disc(rings: list[Ring]) -> list[list[Ring]]:
    """Rings in groups, one a disc: a ring whose middle lies well within a better one belongs to it.

    Of rings that hardly differ, the best seen is kept.
    """
    groups: list[list[Ring]] = []
    for ring in sorted(rings, key=lambda r: (-r.share, -r.radius)):
        home = next((g for g in groups if _apart(ring, g[0]) < _SAME_DISC * max(g[0].radius, ring.radius)), None)
        if home is None:
            groups.append([ring])
        elif all(_apart(ring, r) + abs(ring.radius - r.radius) > _SAME_RING * r.radius for r in home):
            home.append(ring)
    return groups


def _apart(a: Ring, b: Ring) -> float:
    return math.hypot(a.x - b.x, a.y - b.y)


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


def _with_wider(soft: NDArray[np.uint8], circle: Vector, broken: bool = False) -> list[Ring]:
    """The rim near a circle, and any round about it: the rings of a coin's relief may stand out more than its rim.

    They may also be too `broken` to be followed; about such a circle only what texture does not show counts.
    """
    ring = _followed(soft, circle)
    if ring is None and not broken:
        return []
    least = SHARE_SEEN if ring else WELL_SEEN
    radius = ring.radius if ring else circle[2]
    wider = (_followed(soft, np.array([*circle[:2], k * radius])) for k in _WIDER)
    return [r for r in (ring, *wider) if r is not None and r.share >= least]


def _followed(soft: NDArray[np.uint8], circle: Vector) -> Ring | None:
    """The rim near a circle, if most of it is there, and is again when followed from its own middle.

    Followed from a few pixels beside it, part of a rim drops out; what texture shows by chance it rarely shows twice.
    """
    ring = _follow(soft, circle)
    if ring is not None and ring.share >= SHARE_SEEN:
        ring = _follow(soft, np.array([ring.x, ring.y, ring.radius]))
    return ring if ring is not None and ring.share >= SHARE_SEEN else None


def _follow(soft: NDArray[np.uint8], circle: Vector) -> Ring | None:
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
    if seen.mean() < SHARE_SEEN:
        return None
    at = r[1:-1][np.argmax(step, axis=1)]
    basis, fit = harmonics_at(a), np.array([r0, 0.0, 0.0, 0.0, 0.0])
    for tolerance in (reach, reach / 2.0, 2.0, 1.5, 1.5):
        on = seen & (np.abs(at - basis @ fit) <= max(tolerance, 1.5))
        if on.sum() < 0.5 * SHARE_SEEN * _AZIMUTHS:
            return None
        fit = np.linalg.solve(basis[on].T @ basis[on], basis[on].T @ at[on])
    on = seen & (np.abs(at - basis @ fit) <= 1.5)
    slanted = np.hypot(fit[Harmonic.COS_2], fit[Harmonic.SIN_2]) > _TILT_LIMIT * fit[Harmonic.MEAN]
    beside = np.hypot(fit[Harmonic.COS], fit[Harmonic.SIN]) > reach
    if slanted or beside:
        return None
    return Ring(float(x), float(y), fit, float(on.mean())).about_its_middle()
