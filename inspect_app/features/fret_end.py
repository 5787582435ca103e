"""Where a fret ends: the line at which its bevel meets the board.

Seen from above, the bevel is a face between that straight line and the curve where it cuts the crown. The light along
the fret, over most of its width, is compared with the light on the bare board beside it: the board's own edge, binding
and whatever lies beyond show in both and cancel, and what is left begins where the metal does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from inspect_app.features.crown import FretPatch
from inspect_app.features.crown_edge import EDGE_U_PX, Evidence, mean_evidence

__all__ = ["FretEnd", "end_evidence", "pick_end", "END_MARGIN_MM", "END_SCATTER_MM"]

Floats = NDArray[np.float64]

END_MARGIN_MM = 4.6
"""A patch reaches so far beyond where the overview puts the ends: two bands of it, and room for the ground outside."""
_INSIDE_MM = 3.0
_DARK = 0.003
_SHARE = 0.36
"""Half of the band over the fret, as a share of the crown width: the end is straight across it, while the curve where
the bevel cuts the crown is not, and blurs in the mean."""
_BESIDE_MM = (0.5, 1.3)
"""The board beside the fret is looked at so far from the crown's edge: clear of its shadow, near enough for its edge to
run straight on."""
_MISFIT = 0.02
"""Departure of the compared light from smooth, in logarithm, that means nothing: the grain beside is not the grain
beyond, and the board's edge does not cancel quite."""
_OUTSIDE_MM = (0.08, 0.40)
_ALIKE = 0.1
"""Beyond the end lies the same board as beside the fret, alike to about this much in logarithm of light (its edge is
crossed a little askew, the fret throws some shadow); a bevel's face differs from it by far more, as a rule."""
_CLEAR_MM = 0.15
"""An end is read only where at least this much of the ground outside it is in view."""
_SURE = 0.0
"""Evidence below which there is no edge: what the edge explains and what it leaves are then equal."""
END_SCATTER_MM = 0.2
"""Standard deviation of frets' ends from one straight line: each is filed by hand (common practice, no source)."""
_FAR = 2.0
_INDEPENDENT = 2.0
"""Exponent turning a ratio of mean squares into a likelihood: half the samples left, less what grain correlates."""
_ROUND_U_MM = 0.02
"""Half a millimetre of bevel foot is filed, not milled: its line wanders by about this much (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class FretEnd:
    """Place of a fret's end on the ``along`` axis and its standard uncertainty, mm."""

    along: float
    u: float


def end_evidence(patch: FretPatch, width: float, near: float, outward: int, softness: float = 1.0) -> Evidence | None:
    """Evidence for one end of a fret along it; ``None`` where it is hidden or outside the photo.

    Parameters
    ----------
    patch : FretPatch
        At board level, the crown's centre line at 0.
    width : float
        Crown width, mm.
    near : float
        About where the end is, mm along.
    outward : {-1, +1}
        Which way is off the fret: -1 at the treble end.
    softness : float
        The photo's blur over that of a sharp one.
    """
    away = outward * (patch.along_mm - near)
    rows = np.flatnonzero((away > -_INSIDE_MM) & (away < END_MARGIN_MM))
    off = np.abs(patch.across_mm) - width / 2.0
    beside, on = (off > _BESIDE_MM[0]) & (off < _BESIDE_MM[1]), np.abs(patch.across_mm) < _SHARE * width
    clear = np.asarray(patch.valid[rows][:, beside | on].all(axis=1), dtype=bool)
    seen = rows[_run_from_inside(clear, outward)]
    if len(seen) < 1.5 * patch.px_per_mm or not (on.any() and beside.any()):
        return None  # hidden, or a crown whose width could not be read
    light = np.log(patch.light[seen] + _DARK)
    differs = light[:, on].mean(axis=1) - light[:, beside].mean(axis=1)
    along, differs = _lengthened(patch.along_mm[seen], differs, outward)
    e = mean_evidence(along, differs, outward, softness, patch.px_per_mm, _MISFIT)
    ratio = e.log_ratio - _ground_doubt(along, differs, outward, e.across_mm)
    limit = outward * patch.along_mm[seen][-1 if outward > 0 else 0] - _CLEAR_MM
    keep = outward * e.across_mm <= limit
    return Evidence(e.across_mm[keep], ratio[keep])


def _lengthened(along: Floats, differs: Floats, outward: int) -> tuple[Floats, Floats]:
    """Carried on outwards where the view ends, as ground that is alike: an end close to what hides it still shows."""
    step = along[1] - along[0]
    more = step * np.arange(1, round(_OUTSIDE_MM[1] / step) + 1)
    flat = np.zeros(len(more))
    if outward > 0:
        return np.concatenate([along, along[-1] + more]), np.concatenate([differs, flat])
    return np.concatenate([along[0] - more[::-1], along]), np.concatenate([flat, differs])


def _ground_doubt(along: Floats, differs: Floats, outward: int, at: Floats) -> Floats:
    """How unlike the board beside it the ground just outside each place is: ln(1 + mean square / `_ALIKE`^2)."""
    order = np.argsort(outward * along)
    x = outward * along[order]
    total = np.concatenate([[0.0], np.cumsum(differs[order] ** 2)])
    first = np.searchsorted(x, outward * at + _OUTSIDE_MM[0])
    last = np.maximum(np.searchsorted(x, outward * at + _OUTSIDE_MM[1]), first + 1)
    last = np.minimum(last, len(x))
    mean = (total[last] - total[np.minimum(first, last - 1)]) / np.maximum(last - np.minimum(first, last - 1), 1)
    return np.asarray(np.log1p(mean / _ALIKE**2))


def _run_from_inside(clear: NDArray[np.bool_], outward: int) -> NDArray[np.intp]:
    """Indices of the rows in view, from the fret outwards up to the first that is hidden."""
    order = np.arange(len(clear))[::outward]
    hidden = np.flatnonzero(~clear[order])
    kept = order[: hidden[0]] if len(hidden) else order
    return np.sort(kept)


def pick_end(evidence: Evidence, px_per_mm: float, near: float) -> FretEnd | None:
    """The best supported place, that of all frets' ends together (`near`, mm along) taken into account.

    ``None`` where nothing stands out.
    """
    at, ratio = evidence.across_mm, evidence.log_ratio
    off = (at - near) / END_SCATTER_MM
    keep = (np.abs(off) <= _FAR) & (ratio >= _SURE)
    if not keep.any():
        return None
    at, likely = at[keep], _INDEPENDENT * ratio[keep] - 0.5 * off[keep] ** 2
    i = int(np.argmax(likely))
    p = np.exp(np.maximum(likely - likely[i], -50.0))
    spread = float(p @ (at - at[i]) ** 2 / p.sum())
    return FretEnd(float(at[i]), math.sqrt(spread + (EDGE_U_PX / px_per_mm) ** 2 + _ROUND_U_MM**2))
