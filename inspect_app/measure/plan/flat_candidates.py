"""Where flats may be: runs of rows that a flat explains better than the unworn crown, and coarse outlines for them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from inspect_app.measure.plan.crown_arc import CrownArc
from inspect_app.measure.plan.flat_picture import FlatSpan
from inspect_app.measure.plan.reference_crown import CrownView, ReferenceCrown

__all__ = ["LOOSE_LIMIT", "candidate_runs", "coarse_outlines", "half_width_grid", "limited", "log_ratios"]

Floats = NDArray[np.float64]

_ROW_LIMIT = 3.0
"""Rows count in full up to about this log likelihood ratio and by its logarithm beyond, so that none outweighs many."""
LOOSE_LIMIT = 20.0
"""The same, where a few clear rows are to outweigh many faint ones."""
_ROW_COST = 0.7
"""Taken off each row's log likelihood ratio: a flat of free tone and width gains about this much from noise alone."""
_JOIN_MM = 0.6
"""Rows are judged together over this length, half of what the shortest flats measure."""
_CANDIDATE = 10.0
"""Evidence (natural logarithm of a likelihood ratio) from which a run of rows is worth fitting."""
_LENGTHS = np.geomspace(0.12, 0.8, 12)
"""Half-lengths tried for a flat at first, in lengths of the run of rows that looks like one: scratches beside a short
flat make its run long."""
_CLASSES = (slice(0, 4), slice(4, 8), slice(8, 12))
"""Of these, which are tried apart: a short, tall outline and a long, low one may explain the same rows."""
_WORTH = 0.5
"""An outline that gathers less than this share of the best one's evidence is not tried: of 660 flats on rendered photos
one was then fitted with less evidence than before, by a tenth."""


def half_width_grid(view: CrownView, arc: CrownArc) -> tuple[Floats, Floats]:
    """Half-widths tried (k,), mm, and which of the columns lie between each one's boundaries, 0 or 1, (columns, k)."""
    t = view.across_mm
    half = np.arange(2.0 * view.column_mm, min(0.45 * arc.width, max(-t[0], t[-1])), view.column_mm)
    middle = view.parallax * arc.depth(half)
    within = (t[:, None] >= middle - half) & (t[:, None] < middle + half)
    return half, within.astype(float)


def log_ratios(view: CrownView, reference: ReferenceCrown, arc: CrownArc) -> tuple[Floats, Floats]:
    """For each row, how much better a flat of each half-width explains it than the unworn crown.

    Returns half-widths (k,) in mm and log likelihood ratios (n, k); each row's flat has the one tone that fits it and
    its neighbours best.
    """
    half, within = half_width_grid(view, arc)
    weight = 1.0 / reference.sigma**2
    n, tones = weight @ within, (view.tone * weight) @ within
    own = uniform_filter1d(tones / n, 3, axis=0)
    # squares of tone less unworn, less those of tone less own: the squares of tone leave
    log_ratio = (reference.tone * (reference.tone - 2.0 * view.tone) * weight) @ within + own * (2.0 * tones - own * n)
    return half, np.where(view.clear[:, None], 0.5 * log_ratio / reference.noise_correlation, 0.0)


def limited(log_ratio: Floats, full: float = _ROW_LIMIT) -> Floats:
    """Evidence that counts in full up to about `full` and by its logarithm beyond, less what noise gains a row."""
    return np.asarray(full * np.arcsinh(log_ratio / full) - _ROW_COST)


def candidate_runs(view: CrownView, half: Floats, limited: Floats) -> list[tuple[int, int, float]]:
    """Runs of rows ``[i, j)`` where some half-width explains the rows better than the unworn crown, and the widest."""
    near = uniform_filter1d(limited, max(3, round(_JOIN_MM / view.row_mm)), axis=0)
    best = near.max(axis=1)
    row = np.arange(len(best))
    widest = np.interp(row, row[view.clear], half[near.argmax(axis=1)][view.clear])
    edges = _bridged(best > 0, view.clear)
    runs = [r for i, j in edges for r in _parts(widest, i, j, view)]
    return [(i, j, float(widest[i:j].max())) for i, j in runs if best[i:j].clip(0.0).sum() > _CANDIDATE]


def _bridged(on: NDArray[np.bool_], clear: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true rows ``[i, j)``; two with little but hidden rows between them, under a string, count as one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    runs: list[tuple[int, int]] = []
    for i, j in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if runs and 2 * np.sum(~clear[runs[-1][1] : i]) > i - runs[-1][1]:
            runs[-1] = (runs[-1][0], j)
        else:
            runs.append((i, j))
    return runs


def _parts(widest: Floats, i: int, j: int, view: CrownView) -> list[tuple[int, int]]:
    """Split a run of rows where the width falls to under half of what it is on both sides: two flats that touch."""
    smooth = uniform_filter1d(widest[i:j], max(3, round(_JOIN_MM / view.row_mm)))
    before, after = np.maximum.accumulate(smooth), np.maximum.accumulate(smooth[::-1])[::-1]
    dip = smooth / np.minimum(before, after)
    k = int(np.argmin(dip))
    if dip[k] >= 0.5 or min(k, j - i - k) * view.row_mm < _JOIN_MM:
        return [(i, j)]
    return _parts(widest, i, i + k, view) + _parts(widest, i + k, j, view)


def coarse_outlines(
    view: CrownView, half: Floats, evidence: tuple[Floats, ...], first: int, last: int
) -> list[FlatSpan]:
    """The outlines that gather most of each evidence around a run: a short, a middling and a long one, best first.

    Those that gather much less are left out. They are taken from a coarse grid of places, lengths and widths.
    """
    long = last - first
    margin = long // 4 + 3
    rows = np.arange(max(0, first - margin), min(len(evidence[0]), last + margin))
    place = np.linspace(first + 0.15 * long, last - 0.15 * long, 9)
    length = _LENGTHS * max(long, 6)
    step = max(1, len(half) // 10)
    widest = half[step - 1 :: step]
    shape = (1.0 - ((rows - place[:, None, None]) / length[:, None]) ** 2).astype(np.float32)
    k = np.rint(shape[:, :, None] * (widest / view.column_mm)[:, None].astype(np.float32)).astype(np.intp)
    k = np.maximum(k - 1, 0, out=k)  # the column put before the first, of two columns half-width: no flat in this row
    k += np.arange(len(rows)) * (len(half) + 1)
    spans = []
    for each in evidence:
        padded = np.zeros((len(rows), len(half) + 1), dtype=np.float32)
        padded[:, 1:] = each[rows]
        total = padded.ravel().take(k).sum(axis=-1)
        best = []
        for those in _CLASSES:
            a, b, c = np.unravel_index(int(total[:, those].argmax()), total[:, those].shape)
            at = float(np.interp(place[a], np.arange(len(view.along_mm)), view.along_mm))
            span = FlatSpan(at, float(length[those][b]) * view.row_mm, float(widest[c]))
            best.append((float(total[:, those][a, b, c]), span))
        best.sort(key=lambda of: -of[0])
        spans += [span for gathered, span in best if gathered >= _WORTH * best[0][0]]
    return spans
