"""A piece of wire photographed end-on, with the backdrop's small markers below it; and the truth beside the photo."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calib.scales.printed import BACKDROP_SIZE
from sample_images import textures
from sample_images.camera import Camera
from sample_images.instrument import Board, Wire
from sample_images.scene import Scene, Thing, matt, metal, paper
from sample_images.shots import Look, Shot, camera_body, lamps, truth_of
from sample_images.solids import sheet_mesh, wire_meshes

__all__ = ["SectionPose", "section"]


@dataclass(frozen=True, slots=True)
class SectionPose:
    """Where a section photo is taken from, and how far the marker row stands out towards the camera."""

    frame_width: float
    distance: float
    elevation: float
    yaw: float
    roll: float
    k1: float
    aperture: float
    row_nearer: float
    row_shift: float
    white: bool


_ROW = (11.6, 16.4)  # mm below the backdrop's top edge: the small-marker row with a white margin


def section(
    wire: Wire, board: Board, look: Look, pose: SectionPose, size: tuple[int, int], rng: np.random.Generator
) -> Shot:
    """A piece of wire end-on with the small-marker row of the backdrop below it, about flush with its face."""
    low = -wire.tang_depth - 1.2
    aim = np.array([0.0, 0.0, low / 2.0 - 0.8])
    e, a, r = (math.radians(v) for v in (pose.elevation, pose.yaw, pose.roll))
    pos = aim + pose.distance * np.array([-math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
    fov = 2.0 * math.degrees(math.atan(pose.frame_width / 2.0 / pose.distance))
    camera = Camera(tuple(pos), tuple(aim), (0.0, math.sin(r), math.cos(r)), fov, pose.k1, pose.aperture, size)
    top_left = np.array([-pose.row_nearer, BACKDROP_SIZE[0] / 2.0 + pose.row_shift, low])
    right, down = np.array([0.0, -BACKDROP_SIZE[0], 0.0]), np.array([0.0, 0.0, _ROW[0] - _ROW[1]])
    corners = np.array([top_left, top_left + right, top_left + right + down, top_left + down])
    parts = wire_meshes(wire)
    filing = textures.scratches(rng, 0.25, (1200, 1200))
    things = [Thing(parts["face"], metal(0.28, filing)), Thing(parts["mantle"], metal(look.polish))]
    things.append(Thing(sheet_mesh(corners), paper(textures.marker_row(*_ROW))))
    wall = np.array([[60.0, 300, 300], [60.0, -300, 300], [60.0, -300, -300], [60.0, 300, -300]])
    things.append(Thing(sheet_mesh(wall), matt((0.8, 0.8, 0.79) if pose.white else (0.02, 0.02, 0.022))))
    things.append(camera_body(camera))
    scene = Scene(things, lamps(look.light, np.zeros(3), rng), textures.room(rng), look.ambient)
    truth = truth_of("section", board, look, camera, {"view": "section", "scale": "backdrop"})
    truth |= {"background": "white" if pose.white else "dark", "section": wire.truth()}
    truth["scale"] = {
        "kind": "backdrop small row",
        "offset_towards_camera": pose.row_nearer,
        "corners": corners.tolist(),
        "rows_mm": list(_ROW),
    }
    truth["frets"] = []
    return Shot(scene, camera, look.sensor, truth)
