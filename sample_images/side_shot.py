"""Photos across the neck: the backdrop on the crowns behind the outer string, and what the gaps under it are."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.scales.printed import SHEETS
from sample_images import textures
from sample_images.camera import Camera
from sample_images.instrument import INSET_MM, Board, Fret
from sample_images.scene import Lamp, Scene, Thing, metal, paper
from sample_images.shots import (
    STRING_DIAMETERS,
    Look,
    Shot,
    board_things,
    camera_body,
    frets_things,
    lamps,
    truth_of,
)
from sample_images.solids import sheet_mesh, string_mesh

__all__ = ["SidePose", "StringLine", "side"]

Array = NDArray[np.float64]
CARDS = {"backdrop": textures.backdrop, "tongue": textures.tongue}
"""What is printed on the cards that stand across the neck."""


@dataclass(frozen=True, slots=True)
class StringLine:
    """The treble outer string: its gap over the first and the twelfth fret where open, or the frets it is held on."""

    gaps: tuple[float, float] = (0.5, 1.8)
    held: tuple[int, ...] = ()
    diameter: float = STRING_DIAMETERS[0]


@dataclass(frozen=True, slots=True)
class SidePose:
    """Where the photo is taken from, relative to `aim_x` on the string, and how the card (backdrop or tongue) stands
    behind it."""

    aim_x: float
    frame_width: float
    distance: float
    elevation: float
    yaw: float
    roll: float
    k1: float
    aperture: float
    behind: float
    lean: float
    card_shift: float = 0.0
    aim_z: float = 4.5
    card: str = "backdrop"


def _y_string(board: Board, x: float) -> float:
    return -(float(board.half_width(x)) - INSET_MM)


def _string(board: Board, frets: Sequence[Fret], line: StringLine) -> tuple[float, float]:
    """Height of the string's underside as a line: at x = 0, and its slope."""
    a, b = line.held if len(line.held) == 2 else (1, 12)
    over = (0.0, 0.0) if len(line.held) == 2 else line.gaps
    at = [next(f for f in frets if f.n == n) for n in (a, b)]
    z = [float(f.top(board, _y_string(board, f.x))) + g for f, g in zip(at, over, strict=True)]
    slope = (z[1] - z[0]) / (at[1].x - at[0].x)
    return z[0] - slope * at[0].x, slope


def _foot(board: Board, frets: Sequence[Fret], pose: SidePose) -> tuple[Array, Array]:
    """Left and right end of the backdrop's foot, standing on the two crowns about its middle that hold it."""
    middle, half = pose.aim_x + pose.card_shift, SHEETS[pose.card].size[0] / 2.0
    y = [_y_string(board, middle + s * half) + pose.behind for s in (-1, 1)]

    def across(x: float) -> float:
        return float(np.interp(x, [middle - half, middle + half], y))

    under = [f for f in frets if abs(f.x - middle) < half - 0.5]
    tops = [(f.x, float(f.top(board, across(f.x)))) for f in under]
    for (x0, z0), (x1, z1) in itertools.combinations(tops, 2):
        slope = (z1 - z0) / (x1 - x0)
        over = all(z <= z0 + slope * (x - x0) + 1e-9 for x, z in tops)
        if over and x0 <= middle <= x1:
            ends = [middle - half, middle + half]
            return tuple(np.array([x, across(x), z0 + slope * (x - x0)]) for x in ends)  # type: ignore[return-value]
    raise ValueError("the backdrop would tip over: no two crowns hold it")


def _card(board: Board, frets: Sequence[Fret], pose: SidePose) -> Array:
    """Corners of the backdrop, its face towards the treble side; it leans about its foot."""
    left, right = _foot(board, frets, pose)
    along = (right - left) / np.linalg.norm(right - left)
    reach = along * SHEETS[pose.card].size[0] / 2.0
    left, right = (left + right) / 2.0 - reach, (left + right) / 2.0 + reach
    upright = np.cross(along, [0.0, -1.0, 0.0])
    upright *= np.sign(upright[2]) / np.linalg.norm(upright)
    facing = np.cross(along, upright)
    lean = math.radians(pose.lean)
    up = (math.cos(lean) * upright + math.sin(lean) * facing) * SHEETS[pose.card].size[1]
    return np.array([left + up, right + up, right, left])


def _camera(board: Board, pose: SidePose, size: tuple[int, int]) -> Camera:
    e, a = math.radians(pose.elevation), math.radians(pose.yaw)
    aim = np.array([pose.aim_x, _y_string(board, pose.aim_x), pose.aim_z])
    pos = aim + pose.distance * np.array([math.cos(e) * math.sin(a), -math.cos(e) * math.cos(a), math.sin(e)])
    r = math.radians(pose.roll)
    fov = 2.0 * math.degrees(math.atan(pose.frame_width / 2.0 / pose.distance))
    return Camera(tuple(pos), tuple(aim), (math.sin(r), 0.0, math.cos(r)), fov, pose.k1, pose.aperture, size)


def _turned(lamp: Lamp, at: Array) -> Lamp:
    """A lamp of a photo along the neck, about the camera's side as there."""
    x, y, z = (p - a for p, a in zip(lamp.position, at, strict=True))
    return replace(lamp, position=(float(at[0] - y), float(at[1] + x), float(at[2] + z)))


def side(
    board: Board,
    frets: Sequence[Fret],
    line: StringLine,
    look: Look,
    pose: SidePose,
    size: tuple[int, int],
    rng: np.random.Generator,
) -> Shot:
    """A photo from the treble side: the outer string and the crowns before it against the backdrop."""
    x0, x1 = max(0.0, pose.aim_x - 90.0), min(pose.aim_x + 90.0, frets[-1].x + 12.0)
    near = [f for f in frets if x0 + 3.0 < f.x < x1 - 3.0]
    things = board_things(board, (x0, x1), look, rng) + frets_things(near, board, look, rng)
    start, slope = _string(board, frets, line)
    ends = [np.array([x, _y_string(board, x), start + slope * x + line.diameter / 2.0]) for x in (x0 - 40.0, x1 + 60.0)]
    things.append(Thing(string_mesh(ends[0], ends[1], line.diameter), metal(0.2)))
    corners = _card(board, frets, pose)
    camera = _camera(board, pose, size)
    things += [Thing(sheet_mesh(corners), paper(CARDS[pose.card]())), camera_body(camera)]
    at = np.array([pose.aim_x, 0.0, 0.0])
    scene = Scene(things, [_turned(lamp, at) for lamp in lamps(look.light, at, rng)], textures.room(rng), look.ambient)
    seen = [f for f in near if _whole(f, board, camera, corners)]
    ask: dict[str, Any] = {
        "view": "side",
        "scale": pose.card,
        "first_fret": seen[0].n,
        "scale_length": board.scale_length,
        "string": "first",
    }
    if line.held:
        ask["held"] = ",".join(str(n) for n in line.held)
    truth = truth_of("side", board, look, camera, ask)
    truth["string"] = {"kind": "held" if line.held else "open", "diameter": line.diameter, "held_at": list(line.held)}
    truth["scale"] = {
        "kind": pose.card,
        "behind_first_string": pose.behind,
        "lean_deg": pose.lean,
        "corners": corners.tolist(),
    }
    truth["frets"] = [
        f.truth() | {"lift": f.lift, "string_gap": start + slope * f.x - float(f.top(board, _y_string(board, f.x)))}
        for f in seen
    ]
    truth["elevation_deg"] = pose.elevation
    return Shot(scene, camera, look.sensor, truth)


def _whole(fret: Fret, board: Board, camera: Camera, card: Array) -> bool:
    """Whether a fret's near end is in the photo and the card behind it."""
    w = fret.width / 2.0
    if not card[:, 0].min() + w < fret.x < card[:, 0].max() - w:
        return False
    z = float(board.height(fret.x, fret.y_treble))
    seen = camera.project([[fret.x + s * w, fret.y_treble, z] for s in (-1.0, 1.0)])
    return bool(np.all(seen > 0) and np.all(seen < np.array(camera.size) - 1))
