"""Instruments, wear, lamps and cameras drawn at random from a seed, for check photos nobody has looked at before."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from calib.scales.printed import BACKDROP_SIZE, TONGUE_SIZE
from sample_images.board_wear import draw_wear
from sample_images.camera import Sensor
from sample_images.instrument import Board, Fret, Spot, Wire, fret_position
from sample_images.section_shot import SectionPose, section
from sample_images.shots import (
    LIGHTS,
    Look,
    LowPose,
    PlanPose,
    Shot,
    elevation,
    is_whole,
    plan,
    plan_camera,
)
from sample_images.side_shot import SidePose, StringLine, side
from sample_images.textures import WOODS

__all__ = ["Wish", "draw", "CONDITIONS", "frame_size"]

CONDITIONS = {
    "fresh": (0.0, 0.0),
    "light": (0.02, 0.06),
    "worn": (0.06, 0.2),
    "heavy": (0.2, 0.36),
    "levelled": (0.0, 0.0),
}
"""Range of a divot's depth, mm, for a board in this condition."""
_FLAT_MM = 1e6
"""Radius a flat board is drawn with: its edges fall away by a quarter of a thousandth of a millimetre."""
STRING_INSET = 3.4
"""Outer strings to the board's edge, mm (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is fixed of a drawn photo; ``None`` is drawn. A board radius of ``inf`` is a flat board."""

    wood: str | None = None
    light: str | None = None
    condition: str | None = None
    scale: str = "strip"
    used: float | None = None
    end: str | None = None
    nut_right: bool = False
    elevation: float | None = None
    board_radius: float | None = None
    facets: str = "ggx"
    tint: str | None = None
    grime: float | None = None
    strings: bool = False
    shapes: bool = False
    board_wear: float | None = None
    held: tuple[int, ...] | None = None
    high: float = 0.0


def frame_size(megapixels: float) -> tuple[int, int]:
    """Width and height, 4:3, both multiples of 16."""
    unit = math.sqrt(megapixels * 1e6 / 12.0)
    return 16 * round(4 * unit / 16), 16 * round(3 * unit / 16)


def _spots(
    rng: np.random.Generator,
    board: Board,
    x: float,
    ends: tuple[float, float],
    depth: tuple[float, float],
    shapes: bool = False,
) -> tuple[Spot, ...]:
    """Wear under some of six strings, each kept clear of the bevelled ends; with `shapes`, not all bell-shaped."""
    reach = float(board.half_width(x)) - STRING_INSET
    out = []
    for y in np.linspace(-reach, reach, 6):
        if rng.random() > 0.8:
            continue
        y += rng.normal(0.0, 0.3)
        length = min(rng.uniform(1.9, 5.6), 2.0 * (y - ends[0] - 1.0), 2.0 * (ends[1] - 1.0 - y))
        shape = _shape(rng, bool(y < 0.0)) if shapes else ()
        if shape and shape[2] > 2.5:  # a notch as a plain string wears it is short
            length = min(length, rng.uniform(1.0, 1.8))
        out.append(Spot(float(y), float(rng.uniform(*depth)), float(length), *shape))
    return tuple(out)


def _shape(rng: np.random.Generator, plain: bool) -> tuple[float, float, float]:
    """Skew, power and edge of a hollow: lopsided, flat-bottomed, or narrow under a plain string."""
    kind = rng.choice(["bell", "lopsided", "flat", "narrow" if plain else "flat"])
    skew = float(rng.uniform(-0.5, 0.5)) if kind != "bell" else 0.0
    power, edge = {"bell": (2.0, 2.0), "lopsided": (2.0, 2.0), "flat": (4.0, 2.0), "narrow": (2.0, 3.0)}[str(kind)]
    return skew, power, edge


def _frets(rng: np.random.Generator, board: Board, count: int, condition: str, shapes: bool = False) -> list[Fret]:
    width = rng.uniform(2.0, 2.95)
    height = rng.uniform(0.9, min(1.4, 0.49 * width))
    level = float(rng.uniform(0.04, 0.16)) if condition == "levelled" else 0.0
    out = []
    for n in range(1, count + 1):
        x = fret_position(board.scale_length, n)
        half = float(board.half_width(x)) - rng.uniform(0.05, 0.4, 2)
        worn = CONDITIONS[condition]
        wear = _spots(rng, board, x, (-half[0], half[1]), worn, shapes) if worn[1] else ()
        bevel = rng.uniform(18.0, 38.0, 2)
        w, h = width + rng.normal(0, 0.012), height + rng.normal(0, 0.008)
        out.append(Fret(n, x, w, h, -half[0], half[1], bevel[0], bevel[1], level, wear))
    return out


def _board(rng: np.random.Generator, asked: float | None) -> Board:
    compound = rng.random() < 0.35
    radius = rng.uniform(185.0, 330.0 if compound else 430.0)
    slope = rng.uniform(0.1, 0.3) if compound else 0.0
    if asked is not None:
        radius, slope = min(asked, _FLAT_MM), 0.0
    return Board(rng.uniform(605.0, 655.0), rng.uniform(40.5, 46.0), radius, slope, rng.uniform(0.022, 0.03))


def _sensor(rng: np.random.Generator, view: str) -> Sensor:
    return Sensor(
        blur_px=rng.uniform(0.55, 1.0),
        shot=rng.uniform(0.003, 0.010),
        read=rng.uniform(0.001, 0.003),
        vignette=rng.uniform(0.02, 0.3),
        sharpen=rng.uniform(0.2, 0.8),
        white=rng.uniform(0.55, 0.8),
        quality=int(rng.integers(86, 95)),
        meter=97.0 if view == "plan" else 85.0,
    )


def _look(rng: np.random.Generator, view: str, wish: Wish) -> Look:
    wood, light = str(rng.choice(list(WOODS))), str(rng.choice(LIGHTS[view]))
    used = float(rng.choice([0.0, 0.0, 0.4, 0.8])) if wish.used is None else wish.used
    return Look(
        wish.wood or wood,
        wish.light or light,
        used,
        rng.uniform(0.06, 0.16),
        rng.uniform(0.15, 0.5),
        bool(rng.random() < 0.7),
        _sensor(rng, view),
        wish.facets,
        wish.tint or "nickel",
        wish.grime or 0.0,
        wish.strings,
    )


def draw(view: str, seed: int, wish: Wish = Wish(), megapixels: float = 12.0) -> Shot:
    """The photo of this view and seed.

    Raises
    ------
    ValueError
        If there is no such view.
    """
    rng = np.random.default_rng(seed)
    size, board, look = frame_size(megapixels), _board(rng, wish.board_radius), _look(rng, view, wish)
    condition = wish.condition or str(rng.choice(list(CONDITIONS)))
    if view == "section":
        shot = _draw_section(rng, board, look, condition, size)
    elif view == "plan":
        shot = _draw_plan(rng, board, look, condition, wish, size)
    elif view in ("elevation", "end"):
        shot = _draw_low(rng, board, look, condition, wish, view, size)
    elif view == "side":
        shot = _draw_side(rng, board, look, condition, wish, size)
    else:
        raise ValueError(f"there is no view {view!r}")
    shot.truth.update({"seed": seed, "condition": condition})
    return shot


def _draw_plan(
    rng: np.random.Generator, board: Board, look: Look, condition: str, wish: Wish, size: tuple[int, int]
) -> Shot:
    frets = _frets(rng, board, 22, condition, wish.shapes)
    first = int(rng.integers(1, 15))
    wanted = frets[first - 1 : first + int(rng.integers(3, 6))]
    pose = _plan_pose(rng, wanted, wish)
    for _ in range(50):  # a fret cut by the picture's edge is fine, one that touches it is not
        camera = plan_camera(board, pose, wish.scale, size)
        if all(is_whole(f, board, camera, -0.8) == is_whole(f, board, camera, 0.8) for f in frets):
            break
        pose = _plan_pose(rng, wanted, wish)
    wear = None
    if wish.board_wear is not None:  # drawn by itself, so that a seed's other draws stay as they are
        wear = draw_wear(np.random.default_rng([int(rng.integers(2**31)), 1]), board, frets, wish.board_wear)
    return plan(board, frets, look, pose, wish.scale, size, rng, wear)


def _plan_pose(rng: np.random.Generator, wanted: list[Fret], wish: Wish) -> PlanPose:
    across = wanted[-1].x - wanted[0].x + 12.0
    return PlanPose(
        aim_x=(wanted[0].x + wanted[-1].x) / 2.0 + rng.uniform(-4.0, 4.0),
        frame_width=max(across, 134.0, 150.0 if wish.scale == "id1" else 0.0) * rng.uniform(1.04, 1.25),
        distance=rng.uniform(260.0, 420.0),
        tilt_x=rng.normal(0.0, 2.5),
        tilt_y=rng.normal(0.0, 3.0),
        roll=rng.normal(0.0, 2.0),
        k1=rng.uniform(-0.06, 0.04),
        aperture=rng.uniform(0.6, 1.6),
        scale_turn=rng.uniform(-3.0, 3.0),
        scale_gap=rng.uniform(0.8, 3.0) if wish.scale != "coin" else rng.uniform(3.0, 8.0),
        scale_shift=rng.uniform(-4.0, 4.0),
        nut_right=wish.nut_right,
    )


def _draw_low(
    rng: np.random.Generator, board: Board, look: Look, condition: str, wish: Wish, view: str, size: tuple[int, int]
) -> Shot:
    frets = _frets(rng, board, 22, condition, wish.shapes)
    number = int(rng.integers(2, 20))
    fret, close = frets[number - 1], view == "end"
    end = (wish.end or str(rng.choice(["treble", "bass"]))) if close else None
    inward = {"treble": (fret.y_treble, 1.0), "bass": (fret.y_bass, -1.0)}
    aim_y = inward[end][0] + inward[end][1] * rng.uniform(1.0, 3.5) if end else rng.uniform(-2.0, 2.0)
    edge_z = float(board.height(fret.x, aim_y))
    full = 2.0 * float(board.half_width(fret.x))
    pose = LowPose(
        frame_width=rng.uniform(16.0, 22.0) if close else full + rng.uniform(14.0, 24.0),
        distance=rng.uniform(180.0, 300.0),
        elevation=rng.uniform(2.2, 8.0) if wish.elevation is None else wish.elevation,
        yaw=rng.normal(0.0, 2.0),
        roll=rng.normal(0.0, 1.5),
        aim_y=aim_y,
        aim_z=edge_z + rng.uniform(1.8, 2.6) if close else rng.uniform(2.0, 5.0),
        k1=rng.uniform(-0.05, 0.03),
        aperture=rng.uniform(0.8, 1.6),
        behind=max(rng.uniform(1.1, 1.9), fret.width / 2.0 + 0.15),
        lean=rng.uniform(-1.5, 1.5),
        card_shift=rng.uniform(-3.0, 3.0),
        card_top=20.0 + (edge_z if close else 0.0) + rng.uniform(-1.0, 0.5),
    )
    return elevation(board, frets, number, look, pose, size, rng, end)


def _draw_side(
    rng: np.random.Generator, board: Board, look: Look, condition: str, wish: Wish, size: tuple[int, int]
) -> Shot:
    """A bowed neck, its tongue rising or not; the string open, or held where the neck begins and where the body holds
    it; `wish.high` lifts one fret in the photo off the board."""
    board = replace(
        board,
        relief=float(rng.uniform(0.05, 0.45)),  # a neck that bends backwards has the held string on its crowns
        bows_to=fret_position(board.scale_length, 16),
        tongue=float(rng.choice([0.0, rng.uniform(0.1, 0.5)])),
    )
    frets = _frets(rng, board, 22, wish.condition or "fresh", wish.shapes)
    held = wish.held if wish.held is not None else ((1, 16) if rng.random() < 0.4 else ())
    number = int(rng.integers(7, 10) if held else rng.choice([1, 2, 10, 11, 12, 13, 16, 17]))
    if wish.high:
        frets = [replace(f, lift=wish.high) if f.n == number else f for f in frets]
    x = frets[number - 1].x
    pose = SidePose(
        aim_x=max(x + rng.uniform(-8.0, 8.0), 36.0),
        frame_width=rng.uniform(72.0, 105.0),
        distance=rng.uniform(180.0, 280.0),
        elevation=rng.uniform(0.0, 6.0),
        yaw=rng.normal(0.0, 2.0),
        roll=rng.normal(0.0, 1.5),
        k1=rng.uniform(-0.05, 0.02),
        aperture=rng.uniform(0.5, 1.1),
        behind=rng.uniform(1.1, 1.8),
        lean=rng.uniform(-1.5, 1.5),
        card_shift=rng.uniform(-3.0, 3.0),
    )
    low = float(rng.uniform(0.3, 0.7))
    line = StringLine((low, low + float(rng.uniform(0.6, 1.6))), held)
    if wish.scale == "tongue":  # touches the string, but for the last tenths
        pose = replace(
            pose,
            card="tongue",
            aim_x=(x + frets[number].x) / 2.0 + pose.card_shift,  # between the two crowns it stands on
            frame_width=pose.frame_width * TONGUE_SIZE[0] / BACKDROP_SIZE[0],
            behind=line.diameter / 2.0 + float(rng.uniform(0.0, 0.2)),
        )
    return side(board, frets, line, look, pose, size, rng)


def _draw_section(rng: np.random.Generator, board: Board, look: Look, condition: str, size: tuple[int, int]) -> Shot:
    width = rng.uniform(2.0, 2.95)
    level = float(rng.uniform(0.06, 0.25)) if condition in ("worn", "heavy", "levelled") else 0.0
    wire = Wire(
        width,
        rng.uniform(0.9, min(1.4, 0.49 * width)),
        level,
        rng.uniform(0.48, 0.62),
        rng.uniform(1.5, 2.1),
        rng.uniform(0.1, 0.22),
        rng.uniform(-12.0, 12.0),
        rng.uniform(3.0, 12.0),
    )
    pose = SectionPose(
        rng.uniform(13.0, 22.0),
        rng.uniform(150.0, 240.0),
        rng.normal(0.0, 2.5),
        rng.normal(0.0, 1.5),
        rng.normal(0.0, 1.5),
        rng.uniform(-0.05, 0.03),
        rng.uniform(0.4, 1.0),
        rng.uniform(-0.4, 0.6),
        rng.uniform(-4.0, 4.0),
        bool(rng.random() < 0.5),
    )
    return section(wire, board, look, pose, size, rng)
