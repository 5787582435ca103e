"""Teaches the edge finder from drawn cross-sections: ``python -m sample_images.learn_edges`` writes its table anew.

The network scores every place of a profile; the scores of all places, normalised, are to be the probability of the true
edge being there. Adam (Kingma and Ba 2015, algorithm 1) with a cosine fall of the step size. The table kept beside
`edge_classifier` is what this wrote with the options as they stand; that of ``--bench`` was taught by the same
drawings, network and descent on a graphics processor, with other random numbers.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

from inspect_app.measure.plan import edge_classifier
from inspect_app.measure.plan.edge_classifier import FootProfile, Layers, foot_features, score
from sample_images.edge_camera import draw_edges

__all__ = ["learn", "places_about", "some_places_about"]

Singles = NDArray[np.float32]
Halves = NDArray[np.float16]
"""Half precision: all drawings together are some gigabytes."""

PLACES_MM = np.linspace(-1.1, 1.1, 89)
"""Places told apart, from the true edge: inwards to the crown's top, outwards to the open board."""
TRUE_SD_MM = 0.012
"""The answer asked for is a narrow Gaussian about the true edge: half a step of `PLACES_MM`, no surer than a foot is a
place: wire is rolled and frets are filed to about a hundredth (common practice, no source)."""
_NEAR_MM, _FARTHER = 0.16, 22
"""Of each edge all places so near the true one take part, and so many of the others, which stand for them all."""
_NEAR, _FAR = (np.flatnonzero(m) for m in (np.abs(PLACES_MM) < _NEAR_MM, np.abs(PLACES_MM) >= _NEAR_MM))
_HIDDEN = (128, 64)
"""Widths of the two hidden layers: small, for every place of every fret is scored."""
_AT_ONCE = 64
"""Edges to a step of the descent."""
_RATE, _DECAY = 3e-3, 1e-5
"""Largest step of Adam, three times its authors' 1e-3, for it falls to nothing; and how weights are drawn to zero."""
_PART = 2000
"""Edges drawn at a time."""
_FRESH = 2**31
"""Number of the part, beyond all others, on which a network is tried."""


def places_about(edges: list[FootProfile]) -> Halves:
    """What the network is shown of each edge at all places, shape (edges, places, features)."""
    return np.stack([foot_features(e, PLACES_MM).astype(np.float16) for e in edges])


def some_places_about(edges: list[FootProfile], seed: int | tuple[int, int]) -> Halves:
    """The same at the places that take part: those near the edge, and others drawn for each edge."""
    rng = np.random.default_rng(seed)
    places = (np.concatenate([_NEAR, rng.choice(_FAR, _FARTHER, replace=False)]) for _ in edges)
    shown = zip(edges, places, strict=True)
    return np.stack([foot_features(e, PLACES_MM[some]).astype(np.float16) for e, some in shown])


def learn(windows: Halves, epochs: int, seed: int = 0) -> Iterator[tuple[float, Layers]]:
    """The mean logarithmic score and the network after each epoch; `windows` are what `some_places_about` gives."""
    rng = np.random.default_rng(seed)
    asked = np.zeros(windows.shape[1], np.float32)
    asked[: len(_NEAR)] = np.exp(-0.5 * (PLACES_MM[_NEAR] / TRUE_SD_MM) ** 2)
    asked /= asked.sum()
    sizes = (windows.shape[-1], *_HIDDEN, 1)
    flat = [
        a.astype(np.float32)
        for m, n in pairwise(sizes)
        for a in (rng.normal(0.0, 1.0 / math.sqrt(m), (m, n)), np.zeros(n))
    ]
    moments = [(np.zeros_like(a), np.zeros_like(a)) for a in flat]
    rounds = len(windows) // _AT_ONCE
    stands_for = np.repeat([0.0, math.log(len(_FAR) / _FARTHER)], [len(_NEAR), _FARTHER]).astype(np.float32)
    for epoch in range(epochs):
        order, lost = rng.permutation(len(windows)), 0.0
        for k in range(rounds):
            some = np.sort(order[k * _AT_ONCE : (k + 1) * _AT_ONCE])
            loss, slopes = _loss(flat, windows[some].astype(np.float32), asked, stands_for)
            step = epoch * rounds + k + 1
            rate = _RATE * min(1.0, step / 100.0) * 0.5 * (1.0 + math.cos(math.pi * step / (epochs * rounds)))
            _adam(flat, slopes, moments, step, rate)
            lost += loss / rounds
        yield lost, _layers(flat)


def _layers(flat: list[Singles]) -> Layers:
    return tuple(zip(flat[::2], flat[1::2], strict=True))


def _loss(flat: list[Singles], windows: Singles, asked: Singles, stands_for: Singles) -> tuple[float, list[Singles]]:
    """Mean logarithmic score of some profiles, and its slope in every weight."""
    shown = [windows.reshape(-1, windows.shape[-1])]
    layers = _layers(flat)
    for weight, bias in layers[:-1]:
        shown.append(np.tanh(shown[-1] @ weight + bias))
    logit = (shown[-1] @ layers[-1][0] + layers[-1][1]).reshape(len(windows), -1) + stands_for
    p = np.exp(logit - logit.max(axis=1, keepdims=True))
    p /= p.sum(axis=1, keepdims=True)
    back = ((p - asked) / len(windows)).reshape(-1, 1)
    slopes: list[Singles] = []
    for k in range(len(layers) - 1, -1, -1):
        weight = layers[k][0]
        slopes = [shown[k].T @ back + _DECAY * weight, back.sum(axis=0), *slopes]
        if k:
            back = (back @ weight.T) * (1.0 - shown[k] ** 2)
    return -float(np.mean(np.log(p + 1e-12) @ asked)), slopes


def _adam(
    flat: list[Singles], slopes: list[Singles], moments: list[tuple[Singles, Singles]], step: int, rate: float
) -> None:
    for a, g, (m, v) in zip(flat, slopes, moments, strict=True):
        m += 0.1 * (g - m)
        v += 0.001 * (g * g - v)
        a -= rate * (m / (1.0 - 0.9**step)) / (np.sqrt(v / (1.0 - 0.999**step)) + 1e-8)


def main() -> None:
    """Entry point."""
    p = argparse.ArgumentParser(description="Teach the edge finder from drawn cross-sections.")
    p.add_argument("--networks", type=int, default=2)
    p.add_argument("--edges", type=int, default=800_000)
    p.add_argument("--epochs", type=int, default=7)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--bench", action="store_true", help="drawn as on a bench: dirt along the feet, casts, halos")
    p.add_argument("--out", type=Path)
    a = p.parse_args()
    a.out = a.out or edge_classifier.TABLES[int(a.bench)]
    with TemporaryDirectory() as folder, ProcessPoolExecutor() as pool:
        drawn = _drawn(a.edges, (a.seed, a.bench), Path(folder) / "drawn.npy", pool)
        tasks = [(drawn, a.epochs, (a.seed, a.bench), n) for n in range(a.networks)]
        taught = list(pool.map(_taught, tasks))
    together = [[np.stack(same) for same in zip(*layer, strict=True)] for layer in zip(*taught, strict=True)]
    table = {
        f"{name}{k}": w for k, pair in enumerate(together) for name, w in zip(("weight", "bias"), pair, strict=True)
    }
    np.savez(a.out, **table)


def _drawn(edges: int, draw: tuple[int, bool], path: Path, pool: Executor) -> Path:
    """A file with what the network is shown of so many edges, drawn by all processors."""
    seed, bench = draw
    tasks = [((seed, part), min(_PART, edges - start), bench) for part, start in enumerate(range(0, edges, _PART))]
    features = some_places_about(draw_edges(1, 0), 0).shape[1:]
    kept = np.lib.format.open_memmap(path, mode="w+", dtype=np.float16, shape=(edges, *features))
    for part, windows in enumerate(pool.map(_part, tasks)):
        kept[part * _PART :][: len(windows)] = windows
    kept.flush()
    return path


def _part(task: tuple[tuple[int, int], int, bool]) -> Halves:
    seed, count, bench = task
    return some_places_about(draw_edges(count, seed, bench), seed)


def _taught(task: tuple[Path, int, tuple[int, bool], int]) -> Layers:
    """One network, taught by the drawings in an order of its own and tried on others."""
    path, epochs, (seed, bench), number = task
    fresh = places_about(draw_edges(2000, (seed, _FRESH), bench)).astype(np.float32)
    layers: Layers = ()
    for lost, layers in learn(np.load(path, mmap_mode="r"), epochs, seed + number):
        off = np.abs(PLACES_MM[score(layers, fresh).argmax(axis=1)])
        print(
            f"network {number}: score {lost:.3f}; of unseen edges {np.mean(off < 0.04):.0%} within 0.04 mm", flush=True
        )
    return layers


if __name__ == "__main__":
    main()
