"""A coin of known diameter: its rim all round, to a fraction of a pixel.

Circles are looked for on a reduced picture; each is followed round its rim, which has to be there most of the way.
What is left is judged by size: a circle of the given diameter puts the camera at a distance, and an inlay dot or a
sound hole taken for the coin would put it too far away or too near. The coin is the largest of those left, so that
the raised border inside its rim is not taken for the rim.

The picture of a circle is an ellipse whatever the perspective, and is the same for two tilts, mirrored about the line
of sight: `calib.plane.fit_plane` prefers the smaller tilt and carries the other. A rim point is known across the rim
only. The bias of a curved edge, sigma^2 / 2R, is below 0.005 px for any coin found here.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from importlib import resources

import numpy as np

from calib.photo import Photo
from calib.scales.base import HANDHELD_TILT_RAD, U_SHARPENING_PX, WORKING_DISTANCES_MM, Scale
from calib.scales.coin_rim import RimPoints, outermost_rim
from calib.scales.coin_rings import Ring, find_rings
from calib.scales.outline import U_OUTLINE_PX
from shared.errors import ScaleError

__all__ = ["Coin", "coins", "find_coin", "COIN_TOLERANCE_MM"]

COIN_TOLERANCE_MM = 0.1
"""Assumed limit of a coin about its stated diameter, rectangular: no law states it, and worn coins are smaller."""


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


def find_coin(photo: Photo, diameter_mm: float, factor: float = 1.0) -> Scale:
    """Find a coin.

    Parameters
    ----------
    diameter_mm : float
        Of the coin's outline.
    factor : float
        True diameter over `diameter_mm`, if the coin was measured.

    Raises
    ------
    ScaleError
        If no circle in the photo can be the coin.
    """
    rings = find_rings(photo)
    slack = 1.0 + 2.0 * photo.focal.u_rel
    near, far = WORKING_DISTANCES_MM[0] / slack, WORKING_DISTANCES_MM[1] * slack
    fitting = [r for r in rings if near < photo.focal.px * diameter_mm / (2.0 * r.radius) < far]
    unclear: ScaleError | None = None
    for ring in fitting:
        try:
            return _as_scale(photo, *outermost_rim(photo, ring), diameter_mm * factor)
        except ScaleError as e:
            unclear = unclear or e
    raise unclear or _no_coin(diameter_mm, bool(rings))


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
        u_outward_mm=U_SHARPENING_PX * diameter / (2.0 * ring.radius),
    )
