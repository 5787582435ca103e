"""How likely the foot of a crown is at each place of a profile, from the light, grain and colour around it.

Neither brightness nor gradient marks where metal meets the board: a steep mirror-like flank shows the board itself, a
shadow hugs its foot and ends in an edge of its own, and the brightest line on the crown is a lamp. Grain shows more:
wood is streaked along the neck in light and shadow alike, and metal shows that only as far as it mirrors wood. Colour
shows the same: wood is warm. What light, grain and colour do around that place was learnt from cross-sections drawn by
the physics of light (`sample_images.edge_light`, taught by `sample_images.learn_edges`); no photo took part. Small
networks score every place by what is around it; their mean scores, normalised, are the probability that the edge is
there, and they were taught to make that probability true (the logarithmic score, Good 1952, "Rational decisions").
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "EdgeLikelihood",
    "Layers",
    "FootProfile",
    "foot_features",
    "score",
    "foot_likelihood",
    "OFFSETS_MM",
    "TABLES",
]

Floats = NDArray[np.float64]
Layers = tuple[tuple[NDArray[np.float32], NDArray[np.float32]], ...]

_INWARDS = (0.85, 0.65, 0.5, 0.4, 0.32, 0.26, 0.2, 0.16, 0.13, 0.1, 0.075, 0.05, 0.025)
_OUTWARDS = (0.0, 0.025, 0.05, 0.075, 0.1, 0.13, 0.16, 0.2, 0.26, 0.32, 0.4, 0.5, 0.62, 0.78, 1.0, 1.3)
OFFSETS_MM = np.concatenate([np.negative(_INWARDS), _OUTWARDS])
"""Where the light is sampled, mm outwards from a place: finely near it, coarsely where shadows and lamps lie."""
_GROUND = (OFFSETS_MM > 0.3) & (OFFSETS_MM < 0.9)
"""The board beside the foot, with which a place's light, grain and colour are compared."""
_DARKEST, _BRIGHTEST = -2.5, 3.5
"""Light is compared with the ground's, as a logarithm, within these: beyond them nothing more is learnt."""
_GRAIN_U = 0.35
"""Grain known no better than so is not used: on metal it is commonly a third of the board's."""
_WARM, _WARMEST = 4.0, 1.2
"""Colours differ by tenths where brightness differs by ones; redder or bluer than so by more is paint or a lamp."""
TABLES = tuple(Path(__file__).with_name(f"edge_classifier{name}.npz") for name in ("", "_bench"))
"""What was learnt from clean frets under well-set cameras, and from frets as they come to a bench: dirt along every
other foot, lamps' colour casts, phones' halos."""
LEAST = -6.0
"""Logarithm of the probability density (per mm) taken at least: one place in a few hundred resembles nothing drawn."""


@dataclass(frozen=True)
class EdgeLikelihood:
    """Evidence for an edge at places across: a logarithm (of a likelihood, or of a ratio of mean squares)."""

    across_mm: Floats
    log_likelihood: Floats


@dataclass(frozen=True)
class FootProfile:
    """A profile outwards across one foot of a crown.

    Attributes
    ----------
    at_mm : ndarray, shape (n,)
        Places of the profile, evenly spaced, increasing outwards.
    log_light : ndarray, shape (n,)
        Natural logarithm of linear light.
    grain : ndarray, shape (n,)
        How much the logarithm of light varies along the fret as the open board outside does (1: just as much).
    grain_u : float
        Standard uncertainty of `grain` on the board.
    warmth : ndarray, shape (n,)
        Natural logarithm of red over blue linear light; 0 in a grey photo.
    px_per_mm : float
        Resolution: of the photo, less where it is soft.
    view : float
        Angle of the line of sight from the vertical, rad, positive when the camera is on this edge's side.
    """

    at_mm: Floats
    log_light: Floats
    grain: Floats
    grain_u: float
    warmth: Floats
    px_per_mm: float
    view: float


def foot_features(foot: FootProfile, places_mm: Floats) -> NDArray[np.float32]:
    """The light around places as the network takes it, shape (places, features).

    Scaled and bounded to be of order one, which such a network learns best from; it was taught on these very numbers.
    """
    n, step = len(foot.at_mm), foot.at_mm[1] - foot.at_mm[0]
    where = np.clip((places_mm[:, None] + OFFSETS_MM - foot.at_mm[0]) / step, 0.0, n - 1.0)
    before = np.minimum(where.astype(np.intp), n - 2)
    after = where - before
    profiles = (foot.log_light, foot.grain, foot.warmth)
    light, grain, warmth = (y[before] + after * (y[before + 1] - y[before]) for y in profiles)
    ground, open_grain, open_warmth = (y[:, _GROUND].mean(axis=1, keepdims=True) for y in (light, grain, warmth))
    warmer = np.clip(warmth - open_warmth, -_WARMEST, _WARMEST)
    known = np.clip(1.0 - foot.grain_u / np.maximum(open_grain, 0.1) / _GRAIN_U, 0.0, 1.0)
    varies = known * np.clip(grain / np.maximum(open_grain, 0.1) - 1.0, -1.5, 1.0)
    same = np.broadcast_to([2.0 * math.log(foot.px_per_mm / 22.0), 5.0 * foot.view], (len(where), 2))
    shown = [np.clip(light - ground, _DARKEST, _BRIGHTEST), 0.3 * ground + 0.6, varies, known]
    shown += [_WARM * warmer, open_warmth, same]
    return np.concatenate(shown, axis=1).astype(np.float32)


def score(layers: Layers, windows: NDArray[np.float32]) -> NDArray[np.float32]:
    """The network's score of windows (..., features), shape (...): tanh between its layers, none after the last."""
    for k, (weight, bias) in enumerate(layers):
        windows = windows @ weight + bias
        if k < len(layers) - 1:
            np.tanh(windows, out=windows)
    return windows[..., 0]


@cache
def _learnt(bench: bool) -> tuple[Layers, ...]:
    """The networks; their file holds each layer's weights and biases, one network after the other."""
    with np.load(TABLES[int(bench)]) as stored:
        layers = [(stored[f"weight{k}"], stored[f"bias{k}"]) for k in range(len(stored.files) // 2)]
    return tuple(tuple((weight[n], bias[n]) for weight, bias in layers) for n in range(len(layers[0][0])))


def foot_likelihood(foot: FootProfile, places_mm: Floats, bench: bool = False) -> EdgeLikelihood:
    """Logarithm of the probability density (per mm) that a crown's edge is seen at places across a fret.

    `places_mm` (k,) are the places considered, evenly spaced and increasing outwards; on a `bench` there may be dirt.
    """
    windows = foot_features(foot, places_mm)
    logit = np.mean([score(layers, windows) for layers in _learnt(bench)], axis=0, dtype=np.float64)
    logit -= logit.max()
    density = logit - math.log(float(np.sum(np.exp(logit))) * (places_mm[1] - places_mm[0]))
    return EdgeLikelihood(places_mm, np.maximum(density, LEAST))
