"""What lies over a fret that nobody told of: a finger, a cloth, a tool. There the light across it is not the fret's.

A fret is one wire on one board in one light: wherever it is in view, light and dark stand across it in the same order.
A finger laid over it shows its own skin instead, and the edges of the crown are then of the finger.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan.frets import EdgedFret, LocatedFret

__all__ = ["hidden_outlines", "least_alike", "likeness", "without_strangers", "without_hidden"]

Floats = NDArray[np.float64]

_BESIDE_MM = 0.7
"""Looked at beside the crown: its shadow, as far as a fret is seen to be one."""
_ALIKE = 0.5
"""A part is the fret's where its steps of light agree with those of the whole at least half as well as is usual in the
photo: noise and soft light spoil all parts alike, and what lies over the fret agrees by chance."""
_BY_CHANCE = 0.4
"""So well two unlike things may agree: of some fifteen places that blur leaves independent across a fret, one and a
half standard deviations of a correlation by chance."""
_LEAST_ALIKE = 0.5
"""Of a fret's parts so many have to be its own: its profile is the middle of them all."""
_ONE_BOARD = 0.6
"""Frets of a board agree better than this with each other in their steps of light: half again what unlike things may by
chance. Strings, noise and low lamps leave 0.7, what else lies in rows on a bench or a hand less than 0.6."""
_ODD = 0.75
"""One that agrees with the others less than so much of what is usual among them is none of them: the nut, a finger."""
_ACROSS = np.linspace(-1.8, 1.8, 89)
"""Where two frets are held against each other, half widths of the crown, for a fret may be of other wire: the crown and
the shadow beside it."""
_SHIFTS = np.linspace(-0.32, 0.32, 17)
"""How far their centre lines may be off, half widths: as much as a crown's bright line is wide."""
_TOGETHER = 2
"""Parts in a row that are not the fret's: a finger is wider than two twelfths of a fret, a string or a lamp's glare
fills part of one. An outermost part is one of more, and counts alone where it agrees not half as well as by chance."""


def without_hidden(frets: Sequence[LocatedFret]) -> list[LocatedFret]:
    """The frets, those without crown edges of which less than half shows the crown."""
    likenesses = [_likeness(f) if isinstance(f, EdgedFret) else None for f in frets]
    least = _least(likenesses)
    return [
        LocatedFret(f.frame, f.patch) if own is not None and float(np.mean(own >= least)) <= _LEAST_ALIKE else f
        for f, own in zip(frets, likenesses, strict=True)
    ]


def without_strangers(frets: Sequence[LocatedFret]) -> list[LocatedFret]:
    """The frets without those whose crowns do not look like the others'; none of them where they are not alike.

    Frets of one board are one kind of wire on one wood in one light; the edges of books, fingers or tape are not.
    """
    edged = [f for f in frets if isinstance(f, EdgedFret)]
    if len(edged) < 2:
        return list(frets)
    alike = _alike_in_pairs(edged)
    np.fill_diagonal(alike, np.nan)
    agrees = np.nanmedian(alike, axis=1)
    usual = float(np.median(agrees))
    out = edged if usual < _ONE_BOARD else [f for f, a in zip(edged, agrees, strict=True) if a < _ODD * usual]
    return [f for f in frets if not any(f is o for o in out)]


def _alike_in_pairs(frets: Sequence[EdgedFret]) -> Floats:
    """Correlation of every two frets' steps of light at the best shift, shape (N, N): as of one wire, or by each's own.

    Where edges are hard to see the widths differ by chance, and the frets are still alike as they lie.
    """
    widths = np.array([f.crown.width for f in frets])
    one_wire = np.full(len(frets), float(np.median(widths)))
    return np.asarray(np.maximum(_correlation(frets, one_wire), _correlation(frets, widths)))


def _correlation(frets: Sequence[EdgedFret], widths: Floats) -> Floats:
    """The same with each fret laid out by its own of `widths`, mm, shape (N,)."""
    at = [2.0 * (f.profile.across_mm - f.crown.centre) / w for f, w in zip(frets, widths, strict=True)]
    lights = [f.profile.log_light for f in frets]
    shifted = [
        np.gradient([np.interp(_ACROSS + d, *one) for one in zip(at, lights, strict=True)], axis=1) for d in _SHIFTS
    ]
    unit = [s / np.maximum(np.linalg.norm(s, axis=1, keepdims=True), 1e-12) for s in shifted]
    one_way = np.max([unit[len(unit) // 2] @ s.T for s in unit], axis=0)
    return np.asarray(np.maximum(one_way, one_way.T), dtype=np.float64)


def hidden_outlines(frets: Sequence[LocatedFret]) -> tuple[Floats, ...]:
    """Closed outlines, in photo pixels, of the parts of frets that something lies over; shape (4, 2) each."""
    edged = [f for f in frets if isinstance(f, EdgedFret)]
    likenesses = [_likeness(f) for f in edged]
    least = _least(likenesses)
    return tuple(o for f, own in zip(edged, likenesses, strict=True) for o in _outlines(f, own, least))


def _outlines(f: EdgedFret, likeness: Floats, least: float) -> list[Floats]:
    hidden, gone = likeness < least, likeness < _BY_CHANCE / 2.0
    at, side = f.profile.along_mm, float(np.ptp(f.patch.across_mm)) / 2.0
    half = float(np.median(np.diff(at))) / 2.0
    out = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], hidden.astype(int), [0]])))
    for first, end in edges.reshape(-1, 2):
        outermost = (first == 0 and gone[0]) or (end == len(at) and gone[-1])
        if end - first < _TOGETHER and not outermost:
            continue
        # what lies over the outermost part goes on over the end, which no profile holds
        a = at[first] - half if first > 0 else float(f.patch.along_mm[0])
        b = at[end - 1] + half if end < len(at) else float(f.patch.along_mm[-1])
        out.append(f.frame.to_px(np.array([a, a, b, b]), np.array([-side, side, side, -side])))
    return out


def _least(likenesses: Sequence[Floats | None]) -> float:
    """How well a part has to agree with its fret to be of it, from how well all parts of all frets do."""
    told = [own for own in likenesses if own is not None]
    return max(_BY_CHANCE, _ALIKE * float(np.median(np.concatenate(told)))) if told else 1.0


def least_alike(frets: Sequence[EdgedFret]) -> float:
    """How well a part has to agree with its fret to be of it, in this photo."""
    return _least([_likeness(f) for f in frets])


def _likeness(f: EdgedFret) -> Floats:
    """Correlation of each part's steps of light across the fret with the whole fret's, shape (parts,)."""
    return likeness(f, f.profile.across_mm - f.crown.centre, f.profile.parts)


def likeness(f: EdgedFret, across_mm: Floats, log_light: Floats) -> Floats:
    """Correlation of steps of light across a fret's line with its own, shape (parts,).

    Parameters
    ----------
    across_mm : ndarray, shape (n,)
        Places across, from the crown's centre line.
    log_light : ndarray, shape (parts, n)
        Logarithm of the light there.
    """
    near = np.abs(across_mm) < f.crown.width / 2.0 + _BESIDE_MM
    whole = np.interp(across_mm, f.profile.across_mm - f.crown.centre, f.profile.log_light)
    parts, whole = np.gradient(log_light, axis=1)[:, near], np.gradient(whole)[near]
    size = np.sqrt(np.sum(parts**2, axis=1) * np.sum(whole**2))
    return np.asarray(parts @ whole / np.maximum(size, 1e-12))
