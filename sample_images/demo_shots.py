"""The demo job's photos as shots to render: one instrument, worn at intake, its frets new or crowned again after."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from sample_images import SCENARIO
from sample_images.camera import Sensor
from sample_images.draws import STRING_INSET, frame_size
from sample_images.instrument import Board, Fret, Spot, Wire, fret_position
from sample_images.section_shot import SectionPose, section
from sample_images.shots import Look, LowPose, PlanPose, Shot, elevation, plan
from sample_images.side_shot import SidePose, StringLine, side

__all__ = ["demo_shots", "BOARD", "FRETS", "worn_frets", "finished_frets"]

BOARD = Board(scale_length=630.0, nut_width=43.0, radius_nut=300.0)
FRETS = 20
_WIRE = (2.40, 1.12)  # mm, crown width and height of the wire when new
_WIDE, _CLOSE = frame_size(6.0), frame_size(4.2)
_WEAR = {1: 0.17, 2: 0.26, 3: 0.24, 4: 0.18, 5: 0.15, 6: 0.09, 7: 0.10, 8: 0.07, 9: 0.08, 10: 0.06, 12: 0.07}
"""Deepest divot of a fret, mm: open chords wear the first frets most."""
_BY_STRING = (0.55, 1.0, 0.9, 0.6, 0.35, 0.25)  # share of it under each string, treble first


def _ends(n: int) -> tuple[float, float]:
    half = float(BOARD.half_width(fret_position(BOARD.scale_length, n)))
    return -half + 0.2, half - 0.2


def worn_frets() -> list[Fret]:
    """The frets at intake."""
    rng = np.random.default_rng(70)
    out = []
    for n in range(1, FRETS + 1):
        x, ends = fret_position(BOARD.scale_length, n), _ends(n)
        reach = float(BOARD.half_width(x)) - STRING_INSET
        spots = []
        for y, share in zip(np.linspace(-reach, reach, 6), _BY_STRING, strict=True):
            depth = _WEAR.get(n, 0.0) * share * rng.uniform(0.85, 1.1)
            if depth > 0.02:
                spots.append(Spot(float(y + rng.normal(0.0, 0.2)), float(depth), float(rng.uniform(2.8, 4.2))))
        bevel = (float(rng.uniform(21.0, 26.0)), float(rng.uniform(21.0, 26.0)))
        out.append(Fret(n, x, *_WIRE, *ends, *bevel, spots=tuple(spots)))
    return out


def finished_frets() -> list[Fret]:
    """The frets after the work: all on one surface, new wire too, crowned as wide as before, bevels as agreed."""
    rng = np.random.default_rng(71)
    out = []
    for n in range(1, FRETS + 1):
        bevel = (
            SCENARIO.agreed_bevel + float(rng.normal(0.0, 0.4)),
            SCENARIO.agreed_bevel + float(rng.normal(0.0, 0.4)),
        )
        x = fret_position(BOARD.scale_length, n)
        out.append(Fret(n, x, _WIRE[0], SCENARIO.finished_height, *_ends(n), *bevel))
    return out


_SENSOR = Sensor(blur_px=0.7, shot=0.006, read=0.0015, quality=90)


def _plan(frets: list[Fret], between: tuple[int, int], light: str, visit: str, seed: int) -> Shot:
    a, b = (fret_position(BOARD.scale_length, n) for n in between)
    rng = np.random.default_rng(seed)
    pose = PlanPose(
        aim_x=(a + b) / 2.0,
        frame_width=max(b - a + 14.0, 136.0) * 1.06,
        distance=rng.uniform(320.0, 380.0),
        tilt_x=rng.uniform(-2.0, 2.0),
        tilt_y=rng.uniform(-3.0, 3.0),
        roll=rng.uniform(-1.5, 1.5),
        k1=-0.02,
        aperture=1.0,
        scale_turn=rng.uniform(-1.5, 1.5),
        scale_gap=1.5,
    )
    look = Look("rosewood", light, 0.0, 0.10, 0.3, True, _SENSOR)
    return _tagged(plan(BOARD, frets, look, pose, "strip", _WIDE, rng), visit)


def _low(frets: list[Fret], number: int, light: str, visit: str, seed: int, end: str | None = None) -> Shot:
    rng = np.random.default_rng(seed)
    fret = frets[number - 1]
    near = {"treble": fret.y_treble + 2.5, "bass": fret.y_bass - 2.5}
    aim_y = near[end] if end else 0.0
    sunk = float(BOARD.height(fret.x, aim_y))
    pose = LowPose(
        frame_width=18.0 if end else 2.0 * float(BOARD.half_width(fret.x)) + 18.0,
        distance=rng.uniform(230.0, 280.0),
        elevation=rng.uniform(3.0, 4.5),
        yaw=rng.uniform(-1.5, 1.5),
        roll=rng.uniform(-1.0, 1.0),
        aim_y=aim_y,
        aim_z=sunk + 2.2 if end else 3.5,
        k1=-0.01,
        aperture=1.0,
        behind=1.5,
        lean=rng.uniform(-1.0, 1.0),
        card_top=20.0 + (sunk if end else 0.0),
    )
    look = Look("rosewood", light, 0.0, 0.10, 0.35, True, Sensor(0.7, 0.006, 0.0015, meter=85.0))
    return _tagged(elevation(BOARD, frets, number, look, pose, _CLOSE, rng, end), visit)


def _across(frets: list[Fret], number: int, height: float, visit: str, seed: int) -> Shot:
    """The treble string, open, over the frets about a fret; `height` over the twelfth, mm."""
    rng = np.random.default_rng(seed)
    pose = SidePose(
        aim_x=fret_position(BOARD.scale_length, number) + rng.uniform(-3.0, 3.0),
        frame_width=92.0,
        distance=rng.uniform(230.0, 260.0),
        elevation=rng.uniform(1.5, 3.0),
        yaw=rng.uniform(-1.0, 1.0),
        roll=rng.uniform(-0.8, 0.8),
        k1=-0.01,
        aperture=0.8,
        behind=1.5,
        lean=rng.uniform(-0.6, 0.6),
    )
    look = Look("rosewood", "front", 0.0, 0.10, 0.35, True, Sensor(0.7, 0.006, 0.0015, meter=85.0))
    return _tagged(side(BOARD, frets, StringLine((0.5, height)), look, pose, _WIDE, rng), visit)


def _section(visit: str, seed: int) -> Shot:
    rng = np.random.default_rng(seed)
    wire = Wire(*_WIRE, 0.12, 0.52, 1.75, 0.15, 4.0, 6.0)
    pose = SectionPose(15.0, 190.0, 1.0, 0.6, 0.8, -0.01, 0.6, 0.1, 0.6, white=False)
    look = Look("rosewood", "front", 0.0, 0.12, 0.35, True, Sensor(0.7, 0.006, 0.0015, meter=85.0))
    return _tagged(section(wire, BOARD, look, pose, _CLOSE, rng), visit)


def _tagged(shot: Shot, visit: str) -> Shot:
    shot.truth["visit"] = visit
    return shot


def demo_shots() -> dict[str, Callable[[], Shot]]:
    """Shots by name, each built when called, in the order a person would take them."""
    worn, done = worn_frets(), finished_frets()
    return {
        "intake-plan-1": partial(_plan, worn, (1, 5), "two", "intake", 701),
        "intake-plan-6": partial(_plan, worn, (6, 11), "overhead", "intake", 708),
        "intake-plan-12": partial(_plan, worn, (12, 18), "two", "intake", 710),
        "intake-elevation-2": partial(_low, worn, 2, "front", "intake", 702),
        "intake-elevation-3": partial(_low, worn, 3, "top", "intake", 709),
        "intake-end-2-treble": partial(_low, worn, 2, "top", "intake", 703, "treble"),
        "intake-section": partial(_section, "intake", 707),
        "intake-side-12": partial(_across, worn, 12, SCENARIO.string_height, "intake", 712),
        "after-plan-1": partial(_plan, done, (1, 5), "two", "after", 704),
        "after-elevation-2": partial(_low, done, 2, "front", "after", 705),
        "after-end-2-treble": partial(_low, done, 2, "top", "after", 706, "treble"),
        "after-end-2-bass": partial(_low, done, 2, "front", "after", 711, "bass"),
        "after-side-12": partial(_across, done, 12, SCENARIO.finished_string_height, "after", 715),
    }
