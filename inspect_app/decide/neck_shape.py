"""The shape of the neck, from the gaps under a string in several photos: its bow, the tongue's rise, single high frets.

A string is straight. Held down on two frets it lies on their crowns, so its gap over any other is how far that crown
lies below their chord; open, it is the same straight line in every photo, only where it runs is not known. So all
photos of one side are fitted at once, by least squares on

    -gap = line + bow (1 - t^2) (1 + lopsided t) + tongue s^2 + what the photo shifts all its gaps by,

t running from -1 to 1 between the first fret and the one at the body, s from 0 there to 1 at the last fret, and no line
where the string was held on these two. What a photo shifts all its gaps by (the backdrop's distance behind the string)
is known to its own uncertainty. A fret that stands out counts less (Huber's weights), or it would bend the neck.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.budget import scaled
from calib.robust_spread import spread_about_zero
from inspect_app.instrument.fretboard import fret_position
from inspect_app.reading.inspection import Inspection
from shared.influences import Scope, scope_of
from shared.measured import COVERAGE_FACTOR, Contribution, Measured
from shared.trade import MOST_RELIEF_MM

__all__ = ["NeckShape", "neck_shape"]

Floats = NDArray[np.float64]

LOPSIDED_U_MM = 0.03
"""How far a bow may be deeper towards one end than the other (common practice, no source): a truss rod pulls most in
its own middle, a fret or two from the neck's."""
BEYOND = 2
"""Frets beyond the body's that tell a rising tongue from one high fret."""
HUBER = 2.0
"""Standard deviations from which a fret counts less: one in twenty by chance."""
TIMES = 12
"""Rounds of weighting; the weights settle in five."""
LEAST_OWN_MM = 0.005
"""No crown is read better: the edges of string and foot are read to that."""


@dataclass(frozen=True)
class NeckShape:
    """The crowns under one outer string against the chord from the first fret to the one at the body, mm.

    Attributes
    ----------
    side : str
        ``treble`` or ``bass``.
    body_fret : int
    relief : Measured
        How deep the bow is at its deepest; below zero where the neck bows backwards.
    deepest_fret : int
        The fret nearest to that.
    tongue : Measured or None
        How far the last fret read stands over the chord's straight way on; None where fewer than two beyond the body's
        were read.
    tops : mapping of int to float
        Crowns' tops as read, by fret.
    curve : mapping of int to float
        The neck's own smooth line at these frets.
    over_curve : mapping of int to Measured
        How far each top stands over that line.
    last_fret : int
        The one nearest to the body that was read.
    """

    side: str
    body_fret: int
    relief: Measured
    deepest_fret: int
    tongue: Measured | None
    tops: Mapping[int, float]
    curve: Mapping[int, float]
    over_curve: Mapping[int, Measured]
    last_fret: int

    def rise_at(self, fret: int) -> Measured | None:
        """How far the tongue carries a fret over the chord's straight way on; None where there is none to carry it."""
        if self.tongue is None or fret <= self.body_fret:
            return None
        rise = self.curve[self.last_fret]
        return scaled(self.tongue, self.curve[fret] / rise) if fret in self.curve and rise else None

    @property
    def bow(self) -> str:
        """``forward bow``, ``back bow``, or ``straight`` where U does not tell it from that."""
        if abs(self.relief.value) <= self.relief.expanded:
            return "straight"
        return "forward bow" if self.relief.value > 0.0 else "back bow"


@dataclass(frozen=True)
class _Gaps:
    """The gaps of one photo, mm: frets, values, what is each one's own, what all share, where the string was held."""

    frets: tuple[int, ...]
    gap: Floats
    own: Floats
    shared: float
    line: tuple[int, ...]


def neck_shape(
    inspections: Sequence[Inspection], side: str, scale_length: float, frets: int, body_fret: int
) -> NeckShape | None:
    """The shape under one outer string (``treble`` or ``bass``); None where the photos do not tell a bow.

    Parameters
    ----------
    inspections : sequence of Inspection
        Of one visit; only those across the neck count.
    scale_length : float
        mm.
    frets : int
        Of the instrument.
    body_fret : int
        Where the body holds the neck.
    """
    string = "first" if side == "treble" else "last"
    photos = [g for i in inspections if i.view == "side" and i.options.get("string") == string and (g := _gaps(i))]
    if not photos:
        return None
    every = np.array(sorted({n for g in photos for n in g.frets}))
    tongue = int(np.sum(every > body_fret)) >= BEYOND and bool((every <= body_fret).sum() >= 2)
    photos = [_within(g, body_fret) for g in photos] if not tongue else photos
    photos = [g for g in photos if g.frets]
    every = np.array(sorted({n for g in photos for n in g.frets}))
    along = _Along(scale_length, body_fret, frets)
    fit = _fit(photos, along, tongue)
    if fit is None or fit[1][0, 0] > (MOST_RELIEF_MM / COVERAGE_FACTOR) ** 2:
        return None
    return _shape(side, photos, along, every, tongue, fit)


@dataclass(frozen=True)
class _Along:
    scale_length: float
    body_fret: int
    frets: int

    def t(self, n: NDArray[np.int_] | Sequence[int]) -> Floats:
        """-1 at the first fret, 1 at the body's."""
        first, body, here = (fret_position(self.scale_length, k) for k in (1, self.body_fret, n))
        return np.asarray(2.0 * (here - first) / (body - first) - 1.0)

    def curve(self, n: NDArray[np.int_] | Sequence[int]) -> Floats:
        """Columns of bow, lopsidedness and tongue at frets, shape (N, 3)."""
        t, end = self.t(n), float(self.t([self.frets])[0])
        inside = np.clip(t, -1.0, 1.0)
        bow = 1.0 - inside**2
        s = np.maximum(t - 1.0, 0.0) / max(end - 1.0, 1e-6)
        return np.column_stack([-bow, -bow * inside, s**2])


def _gaps(inspection: Inspection) -> _Gaps | None:
    read = [(f.number, f.string_gap) for f in inspection.frets if f.string_gap is not None]
    if not read:
        return None
    parts = [[c for c in q.contributions if scope_of(c.source) == Scope.OWN] for _, q in read]
    own = np.array([max(LEAST_OWN_MM, math.hypot(0.0, *(c.u for c in p))) for p in parts])
    whole = np.array([q.u for _, q in read])
    shared = float(np.sqrt(np.mean(np.maximum(whole**2 - own**2, 0.0))))
    held = tuple(sorted(int(n) for n in inspection.options.get("held", ())))
    frets = tuple(n for n, _ in read)
    return _Gaps(frets, np.array([q.value for _, q in read]), own, shared, held)


def _within(g: _Gaps, body_fret: int) -> _Gaps:
    keep = np.array([n <= body_fret for n in g.frets], dtype=bool)
    frets = tuple(n for n, ok in zip(g.frets, keep, strict=True) if ok)
    return _Gaps(frets, g.gap[keep], g.own[keep], g.shared, g.line)


def _fit(photos: Sequence[_Gaps], along: _Along, tongue: bool) -> tuple[Floats, Floats, Floats] | None:
    """Parameters, their covariance and each reading's distance from the curve; None where they are not told."""
    lines = sorted({g.line for g in photos if set(g.line) != {1, along.body_fret}})
    frets = np.array([n for g in photos for n in g.frets])
    photo = np.repeat(np.arange(len(photos)), [len(g.frets) for g in photos])
    y = -np.concatenate([g.gap for g in photos])
    own = np.concatenate([g.own for g in photos])
    curve = along.curve(frets)
    columns = [curve[:, :2], *([curve[:, 2:]] if tongue else [])]
    for line in lines:
        mine = np.array([float(g.line == line) for g in photos])[photo]
        columns.append(np.column_stack([mine, mine * along.t(frets)]))
    columns.append((photo[:, None] == np.arange(len(photos))[None, :]).astype(float))
    a = np.hstack(columns)
    prior = np.zeros(a.shape[1])
    prior[1] = 1.0 / LOPSIDED_U_MM
    prior[-len(photos) :] = [1.0 / max(g.shared, LEAST_OWN_MM) for g in photos]
    if len(y) + int(np.sum(prior > 0.0)) < a.shape[1] or len(np.unique(frets)) < 2 + 2 * bool(lines):
        return None
    weight = np.ones(len(y))
    for _ in range(TIMES):
        w = np.sqrt(weight) / own
        rows = np.vstack([a * w[:, None], np.diag(prior)])
        if np.linalg.matrix_rank(rows) < a.shape[1]:
            return None
        p = np.linalg.lstsq(rows, np.concatenate([y * w, np.zeros(len(prior))]), rcond=None)[0]
        off = (y - a @ p) / own
        weight = np.minimum(1.0, HUBER / np.maximum(np.abs(off), 1e-9))
    free = max(len(y) - np.linalg.matrix_rank(a * (1.0 / own)[:, None]), 1)
    wide = max(1.0, float(np.sum(weight * off**2)) / float(free))
    return np.asarray(p), np.linalg.inv(rows.T @ rows) * wide, y - a @ p


def _shape(
    side: str,
    photos: Sequence[_Gaps],
    along: _Along,
    every: NDArray[np.int_],
    tongue: bool,
    fit: tuple[Floats, Floats, Floats],
) -> NeckShape:
    p, cov, off = fit
    used = 3 if tongue else 2
    curve = along.curve(every)[:, :used] @ p[:used]
    frets = np.array([n for g in photos for n in g.frets])
    own = np.concatenate([g.own for g in photos])
    over, tops = {}, {}
    for n, line in zip(every, curve, strict=True):
        here = frets == n
        w = 1.0 / own[here] ** 2
        value = float(np.sum(w * off[here]) / np.sum(w))
        u = float(1.0 / math.sqrt(np.sum(w)))
        over[int(n)] = Measured.of(value, "mm", crown_below_the_foot=u, smooth_line_of_the_neck=_u_of_line(off, own))
        tops[int(n)] = float(line) + value
    grid = np.arange(1, along.body_fret + 1)
    deep = along.curve(grid)[:, :2] @ p[:2]
    k = int(np.argmax(np.abs(deep)))
    c = along.curve([int(grid[k])])[0, :2]
    u_relief = math.sqrt(max(float(c @ cov[:2, :2] @ c), 0.0))
    relief = Measured(-float(deep[k]), "mm", (Contribution("gaps and what their photos share", u_relief),))
    rise = None
    if tongue:
        last = along.curve([int(every.max())])[0, 2]
        rise = Measured.of(
            float(last * p[2]), "mm", gaps_and_what_their_photos_share=float(last * math.sqrt(cov[2, 2]))
        )
    by_fret = {int(n): float(v) for n, v in zip(every, curve, strict=True)}
    return NeckShape(side, along.body_fret, relief, int(grid[k]), rise, tops, by_fret, over, int(every.max()))


def _u_of_line(off: Floats, own: Floats) -> float:
    """Of the smooth line at a fret: the scatter about it, shared by the frets that lie within a bow's reach."""
    return max(float(spread_about_zero(off)), float(np.median(own))) / math.sqrt(max(len(off) - 2, 1))
