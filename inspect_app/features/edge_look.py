"""What the foot of a crown looks like, and where along a profile it is seen.

Neither brightness nor gradient marks where metal meets the board: a steep mirror-like flank shows the board itself, a
shadow hugs its foot and ends in an edge of its own, and the brightest line on the crown is a lamp. What the light does
around that place was learnt from cross-sections drawn by what physics says of them (`sample_images.edge_light`, taught
by `sample_images.learn_edges`); no photo took part. Small networks score every place by the light around it; their mean
scores, normalised, are the probability that the edge is there, and they were taught to make that probability true (the
logarithmic score, Good 1952, "Rational decisions"). Each learnt from drawings of its own, so that what one takes from
chance the others do not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["Evidence", "Layers", "look_windows", "score", "foot_evidence", "OFFSETS_MM", "LEAST"]

Floats = NDArray[np.float64]
Layers = tuple[tuple[NDArray[np.float32], NDArray[np.float32]], ...]

_INWARDS = (0.85, 0.65, 0.5, 0.4, 0.32, 0.26, 0.2, 0.16, 0.13, 0.1, 0.075, 0.05, 0.025)
_OUTWARDS = (0.0, 0.025, 0.05, 0.075, 0.1, 0.13, 0.16, 0.2, 0.26, 0.32, 0.4, 0.5, 0.62, 0.78, 1.0, 1.3)
OFFSETS_MM = np.concatenate([np.negative(_INWARDS), _OUTWARDS])
"""Where the light is looked at, mm outwards from a place: finely near it, coarsely where shadows and lamps tell."""
_GROUND = (OFFSETS_MM > 0.3) & (OFFSETS_MM < 0.9)
_DARKEST, _BRIGHTEST = -2.5, 3.5
"""Light is compared with the ground's, as a logarithm, within these: what is beyond tells nothing more."""
_FILE = Path(__file__).with_name("edge_look.npz")
LEAST = -6.0
"""Logarithm of the probability density (per mm) taken at least: one place in a few hundred looks like nothing drawn."""


@dataclass(frozen=True)
class Evidence:
    """Evidence for an edge at places across: a logarithm (of a likelihood, or of a ratio of mean squares)."""

    across_mm: Floats
    log_ratio: Floats


def look_windows(
    at_mm: Floats, log_light: Floats, places_mm: Floats, px_per_mm: float, view: float
) -> NDArray[np.float32]:
    """The light around places as the network takes it, shape (places, features).

    Parameters
    ----------
    at_mm : ndarray, shape (n,)
        Places of the profile, increasing outwards.
    log_light : ndarray, shape (n,)
        Natural logarithm of linear light.
    px_per_mm : float
        Resolution: of the photo, less where it is soft.
    view : float
        Angle of the line of sight from the vertical, rad, positive when the camera is on this edge's side.
    """
    where = places_mm[:, None] + OFFSETS_MM
    light = np.interp(where.ravel(), at_mm, log_light).reshape(where.shape)
    ground = light[:, _GROUND].mean(axis=1, keepdims=True)
    same = np.broadcast_to([2.0 * math.log(px_per_mm / 22.0), 5.0 * view], (len(where), 2))
    return np.concatenate([np.clip(light - ground, _DARKEST, _BRIGHTEST), 0.3 * ground + 0.6, same], axis=1).astype(
        np.float32
    )


def score(layers: Layers, windows: NDArray[np.float32]) -> NDArray[np.float32]:
    """The network's score of windows (..., features), shape (...): tanh between its layers, none after the last."""
    for k, (weight, bias) in enumerate(layers):
        windows = windows @ weight + bias
        if k < len(layers) - 1:
            np.tanh(windows, out=windows)
    return windows[..., 0]


@cache
def _learnt() -> tuple[Layers, ...]:
    """The networks; their file holds each layer's weights and biases, one network after the other."""
    with np.load(_FILE) as stored:
        layers = [(stored[f"weight{k}"], stored[f"bias{k}"]) for k in range(len(stored.files) // 2)]
    return tuple(tuple((weight[n], bias[n]) for weight, bias in layers) for n in range(len(layers[0][0])))


def foot_evidence(
    at_mm: Floats, log_light: Floats, places_mm: Floats, side: int, px_per_mm: float, view: float
) -> Evidence:
    """Logarithm of the probability density (per mm) that a crown's edge is seen at places across a fret.

    Parameters
    ----------
    at_mm, log_light : ndarray, shape (n,)
        Profile across the fret, from nut to body.
    places_mm : ndarray, shape (k,)
        Places considered, evenly spaced and increasing outwards: mm from 0, to the side looked at.
    side : {-1, +1}
        Towards the nut or the body.
    view : float
        Angle of the line of sight from the vertical, rad, positive when the camera is on the body side.
    """
    outwards = slice(None, None, side)
    windows = look_windows((side * at_mm)[outwards], log_light[outwards], places_mm, px_per_mm, side * view)
    logit = np.mean([score(layers, windows) for layers in _learnt()], axis=0, dtype=np.float64)
    logit -= logit.max()
    density = logit - math.log(float(np.sum(np.exp(logit))) * (places_mm[1] - places_mm[0]))
    return Evidence((side * places_mm)[outwards], np.maximum(density, LEAST)[outwards])
