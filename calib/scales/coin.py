"""A coin of known diameter: its rim all round, to a fraction of a pixel.

Circles are looked for on a reduced picture; each is followed round its rim, which has to be there most of the way.
What is left is judged by size: a circle of the given diameter puts the camera at a distance, and an inlay dot or a
sound hole taken for the coin would put it too far away or too near. Rings within one another are one disc, and its rim
is the outermost (`coin_rim`); rings that touch it are its shadow's border or the edge of its face (`coin_shadow`).
Where several discs are left, the person has to point at the coin.

The picture of a circle is an ellipse whatever the perspective, and is the same for two tilts, mirrored about the line
of sight: `calib.plane.fit_plane` prefers the smaller tilt and carries the other. A rim point is known across the rim
only. The bias of a curved edge, sigma^2 / 2R, is below 0.005 px for any coin found here.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto
from importlib import resources

import numpy as np

from calib.photo import Photo
from calib.scales.base import HANDHELD_TILT_RAD, U_SHARPENING_PX, WORKING_DISTANCES_MM, Scale
from calib.scales.coin_rim import RimPoints, is_doubtful, outermost_rim
from calib.scales.coin_rings import WELL_SEEN, Ring, find_rings
from calib.scales.coin_shadow import Rim, settled_rim
from calib.scales.outline import U_OUTLINE_PX
from calib.scales.span import must_be_inside
from shared.errors import ScaleError

__all__ = ["Coin", "coins", "find_coin", "COIN_TOLERANCE_MM"]

COIN_TOLERANCE_MM = 0.1
"""Assumed limit of a coin about its stated diameter, rectangular: no law states it, and worn coins are smaller."""
U_SHOULDER_MM = 0.1
"""Standard uncertainty of a rim's radius: a coin's shoulder is rounded by two or three tenths of a millimetre. On dark
cloth its outer part is as dark as the cloth, on pale cloth the shadow in the gap below it looks like more of it. Rims
of coins of known kinds in one photo scatter by 0.9 % about the ratios of their diameters, which is this much each."""
_LARGEST_COIN_MM = 40.0  # of coins in common use (common practice, no source)
_TRIED = 6  # rings of one disc followed on the full picture, best seen first


class _NoRim(Enum):
    """Why a disc has no rim: nothing can be followed round it, or something farther out may be the rim."""

    FAINT = auto()
    SURROUNDED = auto()


@dataclass(frozen=True, slots=True)
class Coin:
    """A coin of common use: name, diameter in mm, and where that is laid down."""

    name: str
    diameter_mm: float
    source: str


def coins() -> tuple[Coin, ...]:
    """The table of common coins, round ones only."""
    table = tomllib.loads(resources.files("shared").joinpath("tables/coins.toml").read_text(encoding="utf-8"))
    sources = table["sources"]
    return tuple(Coin(c["name"], float(c["diameter_mm"]), sources[c["source"]]) for c in table["coins"])


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
    OptionError
        If the point is outside the photo.
    ScaleError
        If no circle in the photo can be the coin, several can, or its rim is not clear.
    """
    if at_px is not None:
        must_be_inside(photo, at_px)
    rim = _rim_among(photo, find_rings(photo), diameter_mm, at_px)
    if isinstance(rim, ScaleError):
        unclear, rim = rim, _rim_among(photo, find_rings(photo, broken=True), diameter_mm, at_px)
        if isinstance(rim, ScaleError):
            raise unclear
    return _as_scale(rim, diameter_mm * factor)


def _rim_among(
    photo: Photo, seen: list[list[Ring]], diameter_mm: float, at_px: tuple[float, float] | None
) -> Rim | ScaleError:
    """The rim of the only disc among these that can be the coin, or why none can; raised where several can."""
    slack = 1.0 + 2.0 * photo.focal.u_rel
    near, far = WORKING_DISTANCES_MM[0] / slack, WORKING_DISTANCES_MM[1] * slack
    fitting = [g for g in seen if near < photo.focal.px * diameter_mm / (2.0 * g[0].radius) < far]
    if at_px is not None and fitting:
        fitting = [g for g in fitting if math.dist(at_px, (g[0].x, g[0].y)) < g[0].radius][:1]
        if not fitting:
            return ScaleError(
                f"No circle lies at the point given that could be a coin of {diameter_mm:g} mm.",
                "Give a point well within the coin, in pixels of the upright photo.",
            )
    possible = _could_be_the_coin(fitting, diameter_mm)
    if not possible:
        return _no_coin(diameter_mm, bool(seen))
    rim = _only_one(photo, possible, diameter_mm)
    if rim is _NoRim.FAINT and at_px is None and _well_seen(seen) and not _well_seen(possible):
        return _no_coin(diameter_mm, circles=True)  # texture has that size, and what is round has another
    return _unclear(rim) if isinstance(rim, _NoRim) else rim


def _well_seen(discs: list[list[Ring]]) -> bool:
    return any(rings[0].share >= WELL_SEEN for rings in discs)


def _could_be_the_coin(discs: list[list[Ring]], diameter_mm: float) -> list[list[Ring]]:
    """Those discs with which as the coin none of the others would be larger than any coin.

    Inlay dots are ruled out by that: taken for the coin, they would make the coin beside them a plate.
    """
    largest = max((rings[0].radius for rings in discs if rings[0].share >= WELL_SEEN), default=0.0)
    plate = max(_LARGEST_COIN_MM, diameter_mm)  # a token or medal may serve as the coin
    return [rings for rings in discs if diameter_mm * largest / rings[0].radius <= plate]


def _only_one(photo: Photo, discs: list[list[Ring]], diameter_mm: float) -> Rim | _NoRim:
    """The rim of the only disc among these that is one, or why it is not clear.

    Raises
    ------
    ScaleError
        If there are several: which one is meant, their sizes can't tell, for coins of neighbouring kinds differ by less
        than a tilted camera makes of them.
    """
    rims = [_rim(photo, rings) for rings in discs]
    real = [rim for rim, rings in zip(rims, discs, strict=True) if isinstance(rim, Rim) or rings[0].share >= WELL_SEEN]
    if len(real) > 1:
        raise ScaleError(
            f"The photo shows {len(real)} discs that could be the coin of {diameter_mm:g} mm.",
            f"Leave one coin in the picture, or give a point on it: coin:{diameter_mm:g}@X,Y.",
        )
    return real[0] if real else _NoRim.SURROUNDED if _NoRim.SURROUNDED in rims else _NoRim.FAINT


def _rim(photo: Photo, rings: Sequence[Ring]) -> Rim | _NoRim:
    """The rim of a disc whose rings on the reduced picture these are, best seen first.

    The largest found from any of them; none if something steps outside it for most of the way round.
    """
    best: tuple[Ring, RimPoints] | None = None
    for ring in rings[:_TRIED]:
        if best is None or ring.radius > best[0].radius:
            rim = outermost_rim(photo, ring)
            best = rim if rim is not None and (best is None or rim[0].radius > best[0].radius) else best
    if best is None:
        return _NoRim.FAINT
    return _NoRim.SURROUNDED if is_doubtful(photo, best[0]) else settled_rim(photo, *best)


def _unclear(why: _NoRim) -> ScaleError:
    if why is _NoRim.FAINT:
        return ScaleError(
            "Nothing round in the photo has a clear rim.", "Lay a coin flat on cloth of another colour, in focus."
        )
    return ScaleError(
        "Round the coin lies something that may be its rim: a shadow, another coin, or a pattern.",
        "Lay the coin on its own on plain cloth of another colour, and light it from all sides.",
    )


def _no_coin(diameter_mm: float, circles: bool) -> ScaleError:
    wrong = f"No circle in the photo has the size of a coin of {diameter_mm:g} mm." if circles else "No coin was found."
    return ScaleError(wrong, "Lay a round coin beside the frets, all of it in the picture, on cloth of another colour.")


def _as_scale(rim: Rim, diameter: float) -> Scale:
    ring, points = rim.ring, rim.points
    turn = np.arctan2(points.normal[:, 1], points.normal[:, 0])
    u_px = np.column_stack([np.hypot(points.u, U_OUTLINE_PX), np.full(len(points.u), np.inf)])
    u_px[0, 1] = 1.0  # a circle looks the same however it is turned: one point is held, to give the frame a direction
    out = np.column_stack([np.cos(points.azimuth), -np.sin(points.azimuth)])
    in_photo = math.hypot(U_SHARPENING_PX, rim.u_radius) * diameter / (2.0 * ring.radius)
    return Scale(
        "coin",
        points.px,
        out * diameter / 2.0,
        u_px,
        COIN_TOLERANCE_MM / math.sqrt(3.0) / diameter,
        ring.points(np.linspace(0.0, 2.0 * math.pi, 48, endpoint=False))[0],
        flags=("RIM_UNCLEAR",) if rim.u_radius > 0.0 else (),
        turn_rad=turn,
        tilt_prior_rad=HANDHELD_TILT_RAD,
        u_flat_mm=0.0,  # stiff
        outward_mm=out,
        u_outward_mm=math.hypot(U_SHOULDER_MM, in_photo),
    )
