"""A coin of known diameter: its rim all round, to a fraction of a pixel.

Circles are looked for on a reduced picture; each is followed round its rim, which has to be there most of the way.
What is left is judged by size: a circle of the given diameter puts the camera at a distance, and an inlay dot or a
sound hole taken for the coin would put it too far away or too near. Rings within one another are one disc, and its rim
is the outermost (`coin_rim`). Of several discs one is taken only if the sizes of the others tell which (`coin_choice`),
or the person points at it.

The picture of a circle is an ellipse whatever the perspective, and is the same for two tilts, mirrored about the line
of sight: `calib.plane.fit_plane` prefers the smaller tilt and carries the other. A rim point is known across the rim
only. The bias of a curved edge, sigma^2 / 2R, is below 0.005 px for any coin found here.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from calib.photo import Photo
from calib.scales.base import HANDHELD_TILT_RAD, U_SHARPENING_PX, WORKING_DISTANCES_MM, Scale
from calib.scales.coin_choice import could_be_coins, probability_of_each
from calib.scales.coin_rim import RimPoints, is_doubtful, outermost_rim
from calib.scales.coin_rings import Ring, find_rings
from calib.scales.outline import U_OUTLINE_PX
from shared.errors import ScaleError

__all__ = ["Coin", "coins", "find_coin", "COIN_TOLERANCE_MM"]

COIN_TOLERANCE_MM = 0.1
"""Assumed limit of a coin about its stated diameter, rectangular: no law states it, and worn coins are smaller."""
U_SHOULDER_MM = 0.1
"""Standard uncertainty of a rim's radius: a coin's shoulder is rounded by two or three tenths of a millimetre. On dark
cloth its outer part is as dark as the cloth, on pale cloth the shadow in the gap below it looks like more of it. Rims
of coins of known kinds in one photo scatter by 0.9 % about the ratios of their diameters, which is this much each."""
_SURE = 0.99  # probability from which a disc among others is taken for the coin; the rest is refused
_WELL_SEEN = (
    0.8  # share of the way round from which a ring without a clear rim is a disc; texture's by chance stay below
)
_TRIED = 6  # rings of one disc followed on the full picture, best seen first


@dataclass(frozen=True, slots=True)
class Coin:
    """A coin of common use: name, diameter in mm, and where that is laid down."""

    name: str
    diameter_mm: float
    source: str


@cache
def coins(entry: str = "coins") -> tuple[Coin, ...]:
    """The table of common coins: round ones, or those that are not and may lie ``beside`` one."""
    table = tomllib.loads(resources.files("shared").joinpath("tables/coins.toml").read_text(encoding="utf-8"))
    sources = table["sources"]
    return tuple(Coin(c["name"], float(c["diameter_mm"]), sources[c["source"]]) for c in table[entry])


def find_coin(photo: Photo, diameter_mm: float, factor: float = 1.0, at_px: tuple[float, float] | None = None) -> Scale:
    """Find a coin.

    Parameters
    ----------
    diameter_mm : float
        Of the coin's outline.
    factor : float
        True diameter over `diameter_mm`, if the coin was measured.
    at_px : (x, y), optional
        A point on the coin, where the photo shows several.

    Raises
    ------
    ScaleError
        If no circle in the photo can be the coin, several can, or its rim is not clear.
    """
    seen = find_rings(photo)
    slack = 1.0 + 2.0 * photo.focal.u_rel
    near, far = WORKING_DISTANCES_MM[0] / slack, WORKING_DISTANCES_MM[1] * slack
    fitting = [g for g in seen if near < photo.focal.px * diameter_mm / (2.0 * g[0].radius) < far]
    if at_px is not None:
        fitting = [g for g in fitting if math.dist(at_px, (g[0].x, g[0].y)) < g[0].radius][:1]
    possible = [fitting[k] for k in could_be_coins([g[0] for g in fitting], diameter_mm)]
    if not possible:
        raise _no_coin(diameter_mm, bool(seen))
    rim = _chosen(photo, possible, diameter_mm)
    if rim is None:
        raise ScaleError(
            "The coin's rim is not clear enough.", "Lay the coin flat on cloth of another colour, in focus."
        )
    return _as_scale(photo, *rim, diameter_mm * factor)


def _chosen(photo: Photo, discs: list[list[Ring]], diameter_mm: float) -> tuple[Ring, RimPoints] | None:
    """The rim of the disc that is the coin, ``None`` where it is not clear.

    Raises
    ------
    ScaleError
        If more than one disc can be the coin.
    """
    rims = [_rim(photo, rings) for rings in discs]
    real = [k for k, rim in enumerate(rims) if rim is not None or discs[k][0].share >= _WELL_SEEN]
    rims, discs = [rims[k] for k in real], [discs[k] for k in real]
    if len(discs) < 2:
        return rims[0] if rims else None
    rings = [g[0] if rim is None else rim[0] for rim, g in zip(rims, discs, strict=True)]
    clear = [rim is not None for rim in rims]
    chance = probability_of_each(rings, clear, photo.focal.px, diameter_mm, _currency_of(diameter_mm))
    best = int(np.argmax(chance))
    if chance[best] < _SURE:
        raise ScaleError(
            f"The photo shows {len(rings)} discs, and more than one could be the coin of {diameter_mm:g} mm.",
            f"Leave one coin in the picture, or give a point on it: coin:{diameter_mm:g}@X,Y.",
        )
    return rims[best]


def _rim(photo: Photo, rings: Sequence[Ring]) -> tuple[Ring, RimPoints] | None:
    """The rim of a disc whose rings on the reduced picture these are, best seen first; ``None`` if it is not clear.

    The largest found from any of them; none if something steps outside it for most of the way round.
    """
    best: tuple[Ring, RimPoints] | None = None
    for ring in rings[:_TRIED]:
        if best is None or ring.radius > best[0].radius:
            rim = outermost_rim(photo, ring)
            best = rim if rim is not None and (best is None or rim[0].radius > best[0].radius) else best
    return None if best is None or is_doubtful(photo, best[0]) else best


def _currency_of(diameter_mm: float) -> tuple[float, ...]:
    """Diameters of the coins that may lie beside one: those of its currency, or of all where it is in none."""
    table = (*coins(), *coins("beside"))
    own = {c.source for c in table if abs(c.diameter_mm - diameter_mm) < COIN_TOLERANCE_MM}
    beside = {c.diameter_mm for c in table if not own or c.source in own}
    return tuple(sorted({d for d in beside if abs(d - diameter_mm) >= COIN_TOLERANCE_MM} | {diameter_mm}))


def _no_coin(diameter_mm: float, circles: bool) -> ScaleError:
    wrong = f"No circle in the photo has the size of a coin of {diameter_mm:g} mm." if circles else "No coin was found."
    return ScaleError(wrong, "Lay a round coin beside the frets, all of it in the picture, on cloth of another colour.")


def _as_scale(photo: Photo, ring: Ring, points: RimPoints, diameter: float) -> Scale:
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
        tilt_prior_rad=HANDHELD_TILT_RAD,
        outward_mm=out,
        u_outward_mm=math.hypot(U_SHOULDER_MM, U_SHARPENING_PX * diameter / (2.0 * ring.radius)),
    )
