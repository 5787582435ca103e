"""Photos to be taken: an instrument or a wire, a view of it, a lamp, a camera; and the truth that goes beside each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib.scales.printed import BACKDROP_SIZE, STRIP_SIZE
from sample_images import textures
from sample_images.board_wear import KINDS, FingerWear, hollowed, truth_of_wear, weights, worn_tone
from sample_images.camera import Camera, Sensor
from sample_images.instrument import INSET_MM, Board, Fret
from sample_images.scene import Lamp, Scene, Thing, etched_steel, matt, metal, paper, wood_material, worn_wood
from sample_images.solids import (
    Mesh,
    board_meshes,
    disc_mesh,
    fret_meshes,
    grime_meshes,
    rounded_sheet_mesh,
    sheet_mesh,
    string_mesh,
)

__all__ = [
    "Look",
    "Shot",
    "PlanPose",
    "LowPose",
    "plan",
    "plan_camera",
    "is_whole",
    "elevation",
    "camera_body",
    "lamps",
    "truth_of",
    "LIGHTS",
]

Array = NDArray[np.float64]
Triple = tuple[float, float, float]
ID1_SIZE = (85.60, 53.98)
"""ISO/IEC 7810 ID-1, mm."""
_ID1_CORNER = 3.18  # ISO/IEC 7810: corner radius 2.88 to 3.48 mm
LIGHTS = {
    "plan": ("overhead", "window", "rake", "two"),
    "elevation": ("front", "top", "side", "back"),
    "end": ("front", "top", "side", "back"),
    "section": ("front", "side"),
    "side": ("front", "top", "side"),
}


@dataclass(frozen=True, slots=True)
class Look:
    """What does not change the geometry: wood, lamp, how much the metal is scratched, roughness, inlays, sensor.

    `facets` is the law of the metal's roughness, as `scene.metal` has it.
    """

    wood: str
    light: str
    used: float = 0.0
    polish: float = 0.10
    ambient: float = 0.3
    inlays: bool = True
    sensor: Sensor = field(default_factory=Sensor)
    facets: str = "ggx"
    tint: str = "nickel"
    grime: float = 0.0
    strings: bool = False


@dataclass(frozen=True)
class Shot:
    """One photo to take: the scene, the camera, the sensor, and the truth beside it."""

    scene: Scene
    camera: Camera
    sensor: Sensor
    truth: dict[str, Any]


def lamps(light: str, at: Array, rng: np.random.Generator) -> list[Lamp]:
    """The lamps of a named light about the point `at`; sides and distances vary with `rng`."""
    side = float(rng.choice([-1.0, 1.0]))
    j = rng.uniform(-1.0, 1.0, 3)
    warm, cool = (1.0, 0.92, 0.80), (0.90, 0.96, 1.0)
    places: dict[str, list[tuple[Triple, tuple[float, float], float, Triple]]] = {
        "overhead": [((90 * j[0], 120 * j[1], 750 + 100 * j[2]), (260, 180), 5.0, (1.0, 0.97, 0.93))],
        "window": [((150 * j[0], side * 900, 550 + 150 * j[1]), (450, 380), 6.0, cool)],
        "rake": [((side * 480, 120 * j[0], 190 + 50 * j[1]), (60, 40), 90.0, warm)],
        "two": [
            ((-360, 160 + 60 * j[0], 420), (70, 70), 40.0, warm),
            ((340, -180 + 60 * j[1], 460), (70, 70), 32.0, warm),
        ],
        "front": [((-330 + 40 * j[0], 160 * j[1], 330 + 60 * j[2]), (120, 90), 14.0, (1.0, 0.97, 0.93))],
        "top": [((-60 + 40 * j[0], 80 * j[1], 520), (180, 130), 9.0, (1.0, 0.97, 0.93))],
        "side": [((-170 + 40 * j[0], side * 460, 260 + 60 * j[1]), (120, 120), 14.0, cool)],
        "back": [((230 + 40 * j[0], 90 * j[1], 420), (160, 110), 12.0, warm)],
    }
    return [Lamp(tuple(at + p), tuple(at), half, strength, tint) for p, half, strength, tint in places[light]]


def camera_body(camera: Camera) -> Thing:
    """The dark back of whatever holds the lens, 2 mm behind it: polished metal mirrors it."""
    pos, aim, up = (np.array(v) for v in (camera.position, camera.aim, camera.up))
    back = (pos - aim) / np.linalg.norm(pos - aim)
    across = np.cross(up, back)
    across /= np.linalg.norm(across)
    along, centre = np.cross(back, across), pos + 2.0 * back
    corners = [centre + a * across * 75 + b * along * 38 for a, b in ((-1, 1), (1, 1), (1, -1), (-1, -1))]
    return Thing(sheet_mesh(np.array(corners)), matt((0.02, 0.02, 0.02)))


def frets_things(frets: Sequence[Fret], board: Board, look: Look, rng: np.random.Generator) -> list[Thing]:
    """All frets; three reliefs take turns, so that no neighbours share their scratches."""
    reliefs = [textures.scratches(rng, look.used) for _ in range(3)]
    things = [t for i, f in enumerate(frets) for t in _fret_things(f, board, look, reliefs[i % 3])]
    if look.grime > 0.0:
        dirt = matt(tuple(float(c) for c in rng.uniform(0.01, 0.05) * np.array([1.0, 0.8, 0.6])))
        things += [Thing(m, dirt) for f in frets for m in grime_meshes(f, board, look.grime, rng).values()]
    return things


def _fret_things(fret: Fret, board: Board, look: Look, relief: NDArray[np.float32]) -> list[Thing]:
    flanks, worn, filed = (
        metal(look.polish * rougher, scratched, along, look.facets, look.tint)
        for rougher, scratched, along in ((1.0, relief, 1.0), (1.5, relief, 1.3), (2.0, None, 1.0))
    )
    kinds = {"flat": worn, "end_treble": filed, "end_bass": filed}
    return [Thing(mesh, kinds.get(name, flanks)) for name, mesh in fret_meshes(fret, board).items()]


def board_things(
    board: Board,
    span: tuple[float, float],
    look: Look,
    rng: np.random.Generator,
    wear: FingerWear | None = None,
) -> list[Thing]:
    """Board and, where it begins at the nut, the nut."""
    x0, x1 = span
    width = 2.0 * float(board.half_width(x1))
    picture = textures.wood(look.wood, (x1 - x0, width), rng)
    alpha = textures.WOODS[look.wood][1]
    material, hollow = wood_material, None
    if wear is not None:
        x = np.linspace(x0, x1, picture.shape[1])
        y = np.linspace(-1.0, 1.0, picture.shape[0])[:, None] * board.half_width(x)[None, :]
        worn = np.asarray(weights(wear, np.broadcast_to(x, y.shape), y), dtype=np.float32)
        picture = worn_tone(wear, picture, worn)
        material = partial(worn_wood, worn=wear.strength * worn, worn_alpha=KINDS[wear.kind][2])
        hollow = partial(hollowed, wear)
    if look.inlays:
        _inlay(picture, board, x0, x1)
    wood = material(picture, alpha)
    things = [Thing(mesh, wood) for mesh in board_meshes(board, x0, x1, hollow=hollow).values()]
    if x0 == 0.0:
        bone = matt((0.72, 0.66, 0.53))
        nut = board_meshes(board, -4.5, 0.0)
        things += [Thing(_raised(m, 1.3), bone) for m in nut.values()]
    return things


STRING_DIAMETERS = (0.25, 0.33, 0.43, 0.66, 0.91, 1.17)
"""mm, treble first: a common set for a steel-strung instrument, the last three wound (common practice, no source)."""


def _strings(board: Board, span: tuple[float, float], crown: float) -> list[Thing]:
    """Six strings over the crowns, higher towards the body."""
    out = []
    for i, diameter in enumerate(STRING_DIAMETERS):
        ends = []
        for x in span:
            y = (2.0 * i / 5.0 - 1.0) * (float(board.half_width(x)) - INSET_MM)
            over = 0.35 + 0.0035 * x
            ends.append(np.array([x, y, float(board.height(x, y)) + crown + over + diameter / 2.0]))
        out.append(Thing(string_mesh(*ends, diameter), metal(0.2 if i < 3 else 0.35)))
    return out


def _raised(mesh: Mesh, by: float) -> Mesh:
    return Mesh(mesh.vertices + np.array([0.0, 0.0, by]), mesh.normals, mesh.uv, mesh.faces)


def _inlay(picture: NDArray[np.float32], board: Board, x0: float, x1: float) -> None:
    """Round 6 mm position dots, two at the octave, painted into the board's picture."""
    import cv2

    rows, cols = picture.shape[:2]
    k = cols / (x1 - x0)
    for n in (3, 5, 7, 9, 12, 15, 17, 19, 21):
        x = board.scale_length * (1.0 - (2.0 ** (-n / 12) + 2.0 ** (-(n - 1) / 12)) / 2.0)
        for v in (0.27, 0.73) if n == 12 else (0.5,):
            at = (round((x - x0) * k), round(v * rows))
            across = rows / (2.0 * float(board.half_width(x)))
            cv2.ellipse(picture, at, (round(3 * k), round(3 * across)), 0, 0, 360, (0.66, 0.66, 0.62), -1, cv2.LINE_AA)


def truth_of(view: str, board: Board, look: Look, camera: Camera, ask: dict[str, Any]) -> dict[str, Any]:
    return {
        "view": view,
        "units": "mm, degrees",
        "wood": look.wood,
        "light": look.light,
        "used": look.used,
        "tint": look.tint,
        "grime": look.grime,
        "strings": look.strings,
        "board": {
            "scale_length": board.scale_length,
            "nut_width": board.nut_width,
            "width_per_mm": board.width_per_mm,
            "radius_nut": board.radius_nut,
            "radius_per_mm": board.radius_per_mm,
            "relief": board.relief,
            "relief_to": board.bows_to,
            "tongue": board.tongue,
        },
        "camera_distance": math.dist(camera.position, camera.aim),
        "size": list(camera.size),
        "camera": camera.truth(),
        "ask": ask,
    }


@dataclass(frozen=True, slots=True)
class PlanPose:
    """Where a plan photo is taken from, relative to its aim, and where its scale lies."""

    aim_x: float
    frame_width: float
    distance: float
    tilt_x: float
    tilt_y: float
    roll: float
    k1: float
    aperture: float
    scale_turn: float
    scale_gap: float
    scale_shift: float = 0.0
    nut_right: bool = False


def _treble_edge(board: Board, pose: PlanPose) -> float:
    """The outermost y of the board's treble edge in the photo."""
    return -float(board.half_width(pose.aim_x + pose.frame_width / 2.0))


def plan_camera(board: Board, pose: PlanPose, scale: str, size: tuple[int, int]) -> Camera:
    """The camera of a plan photo, aimed so that board and scale share the height of the picture."""
    aim_y = _treble_edge(board, pose) + (-5.0 if scale == "id1" else 17.0)  # a card is as high as the neck is wide
    a, b = math.radians(pose.tilt_x), math.radians(pose.tilt_y)
    aim = np.array([pose.aim_x, aim_y, 0.0])
    back = np.array([math.tan(a), math.tan(b), 1.0])
    pos = aim + back / np.linalg.norm(back) * pose.distance
    roll = math.radians(pose.roll + (180.0 if pose.nut_right else 0.0))
    up = (math.sin(roll), math.cos(roll), 0.0)
    fov = 2.0 * math.degrees(math.atan(pose.frame_width / 2.0 / pose.distance))
    return Camera(tuple(pos), tuple(aim), up, fov, pose.k1, pose.aperture, size)


def _lying(centre: Array, size: tuple[float, float], turn: float) -> Array:
    """Corners top left, top right, bottom right, bottom left of a sheet lying flat, its top towards the bass."""
    a = math.radians(turn)
    ex, ey = np.array([math.cos(a), math.sin(a), 0.0]), np.array([-math.sin(a), math.cos(a), 0.0])
    w, h = size[0] / 2.0, size[1] / 2.0
    return np.array([centre + s * w * ex + t * h * ey for s, t in ((-1, 1), (1, 1), (1, -1), (-1, -1))])


def _plan_scale(
    kind: str, edge: float, z: float, pose: PlanPose, rng: np.random.Generator
) -> tuple[list[Thing], dict[str, Any]]:
    """The scale beside the treble edge in the plane `z`, and what the truth says of it."""
    name, _, rest = kind.partition(":")
    sizes = {"strip": STRIP_SIZE, "rule": (200.0, 22.0), "id1": ID1_SIZE, "coin": (float(rest or 0.0),) * 2}
    w, h = sizes[name]
    drop = 0.0 if name == "coin" else w / 2.0 * abs(math.sin(math.radians(pose.scale_turn)))
    centre = np.array([pose.aim_x + pose.scale_shift, edge - pose.scale_gap - drop - h / 2.0, z])
    corners = _lying(centre, (w, h), pose.scale_turn)
    truth: dict[str, Any] = {"kind": name, "plane_z": z}
    if name == "coin":
        relief = textures.coin_relief(rng)
        coin = disc_mesh(centre, w, 1.9)
        alloy = metal(0.22, relief)
        return [Thing(coin["face"], alloy), Thing(coin["rim"], metal(0.3))], truth | {
            "centre": centre.tolist(),
            "diameter": w,
        }
    truth["corners"] = corners.tolist()
    if name == "id1":
        red, green, blue = (float(c) for c in rng.uniform(0.05, 0.6, 3))
        return [Thing(rounded_sheet_mesh(corners, _ID1_CORNER), matt((red, green, blue)))], truth
    material = paper(textures.strip()) if name == "strip" else etched_steel(textures.rule(w, h))
    return [Thing(sheet_mesh(corners), material)], truth


def plan(
    board: Board,
    frets: Sequence[Fret],
    look: Look,
    pose: PlanPose,
    scale: str,
    size: tuple[int, int],
    rng: np.random.Generator,
    wear: FingerWear | None = None,
) -> Shot:
    """A photo from above; `frets` are all of the instrument's, the truth keeps those whole in the photo.

    `wear` is what fingers have worn off the board.
    """
    span = (max(0.0, pose.aim_x - 240.0), min(pose.aim_x + 240.0, frets[-1].x + 12.0))
    middle = min(frets, key=lambda f: abs(f.x - pose.aim_x))
    crown = float(board.height(middle.x, middle.y_treble + middle.height * math.tan(math.radians(middle.bevel_treble))))
    z = crown + middle.height
    camera = plan_camera(board, pose, scale, size)
    things, scale_truth = _plan_scale(scale, _treble_edge(board, pose), z, pose, rng)
    things += board_things(board, span, look, rng, wear)
    near = [f for f in frets if span[0] <= f.x <= span[1]]
    things += frets_things(near, board, look, rng)
    if look.strings:
        things += _strings(board, span, middle.height)
    mat = _lying(np.array([pose.aim_x, 0.0, -45.0]), (900.0, 900.0), 7.0)
    things += [Thing(sheet_mesh(mat), matt(textures.bench(rng))), camera_body(camera)]
    scene = Scene(things, lamps(look.light, np.array([pose.aim_x, 0.0, 0.0]), rng), textures.room(rng), look.ambient)
    whole = [f for f in near if is_whole(f, board, camera)]
    ask: dict[str, Any] = {
        "view": "plan",
        "scale": scale,
        "scale_plane": "crown",
        "scale_length": board.scale_length,
        "first_fret": whole[0].n,
    }
    if pose.nut_right:
        ask |= {"nut": "right", "treble": "top"}
    truth = truth_of("plan", board, look, camera, ask)
    truth["frets"] = [f.truth() for f in whole]
    truth["scale"] = scale_truth | {"crown_top_z_centre": middle.height}
    truth["board_wear"] = truth_of_wear(wear, board, whole)
    truth["board_wear_look"] = None if wear is None else [wear.kind, wear.strength, wear.soft_mm]
    return Shot(scene, camera, look.sensor, truth)


def _extremes(fret: Fret, board: Board, grow: float) -> Array:
    w = fret.width / 2.0 + grow
    ends = [(fret.y_treble - grow, 0.0), (fret.y_bass + grow, 0.0)]
    return np.array([[fret.x + s * w, y, float(board.height(fret.x, y)) + z] for s in (-1, 1) for y, z in ends])


def is_whole(fret: Fret, board: Board, camera: Camera, grow: float = 0.0) -> bool:
    """Whether all of the fret's foot, grown by `grow` mm, is inside the photo."""
    p = camera.project(_extremes(fret, board, grow))
    return bool(np.all(p >= 0) and np.all(p[:, 0] <= camera.size[0] - 1) and np.all(p[:, 1] <= camera.size[1] - 1))


@dataclass(frozen=True, slots=True)
class LowPose:
    """Where an elevation or end photo is taken from, relative to its fret, and how the backdrop stands."""

    frame_width: float
    distance: float
    elevation: float
    yaw: float
    roll: float
    aim_y: float
    aim_z: float
    k1: float
    aperture: float
    behind: float
    lean: float
    card_shift: float = 0.0
    card_top: float = 20.0


def _low_camera(fret: Fret, pose: LowPose, size: tuple[int, int]) -> Camera:
    e, a = math.radians(pose.elevation), math.radians(pose.yaw)
    aim = np.array([fret.x, pose.aim_y, pose.aim_z])
    back = np.array([-math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
    pos = aim + pose.distance * back
    r = math.radians(pose.roll)
    fov = 2.0 * math.degrees(math.atan(pose.frame_width / 2.0 / pose.distance))
    return Camera(tuple(pos), tuple(aim), (0.0, math.sin(r), math.cos(r)), fov, pose.k1, pose.aperture, size)


def _standing(fret: Fret, pose: LowPose) -> Array:
    """Corners of the backdrop as read from the nut: its left is the bass side; it leans about the board's plane."""
    w, h = BACKDROP_SIZE
    lean = math.radians(pose.lean)
    down = np.array([-math.sin(lean), 0.0, -math.cos(lean)])
    foot = np.array([fret.x + pose.behind, pose.card_shift, 0.0])
    top = foot - down * pose.card_top
    left = np.array([0.0, w / 2.0, 0.0])
    return np.array([top + left, top - left, top - left + down * h, top + left + down * h])


def elevation(
    board: Board,
    frets: Sequence[Fret],
    number: int,
    look: Look,
    pose: LowPose,
    size: tuple[int, int],
    rng: np.random.Generator,
    end: str | None = None,
) -> Shot:
    """A low photo along the neck of one fret with the backdrop behind it; with `end`, a close-up of that end."""
    fret = next(f for f in frets if f.n == number)
    camera = _low_camera(fret, pose, size)
    x0 = max(0.0, fret.x - min(150.0, pose.distance * 0.7))
    things = board_things(board, (x0, fret.x + 30.0), look, rng)
    near = [f for f in frets if x0 + 3.0 < f.x <= fret.x]
    things += frets_things(near, board, look, rng)
    corners = _standing(fret, pose)
    things += [Thing(sheet_mesh(corners), paper(textures.backdrop())), camera_body(camera)]
    scene = Scene(things, lamps(look.light, np.array([fret.x, 0.0, 0.0]), rng), textures.room(rng), look.ambient)
    view = "end" if end else "elevation"
    ask: dict[str, Any] = {
        "view": view,
        "scale": "backdrop",
        "first_fret": number,
        "scale_length": board.scale_length,
        "crown_width": round(fret.width, 2),
        "crown_height": round(fret.height, 2),
    }
    truth = truth_of(view, board, look, camera, ask | ({"end": end} if end else {}))
    truth |= {"end": end} if end else {}
    truth["near_frets"] = [{"n": f.n, "x": f.x} for f in near if f is not fret]
    truth["frets"] = [fret.truth()]
    truth |= {"board_radius_at_fret": board.radius(fret.x), "crown_line_radius": board.radius(fret.x)}
    truth["scale"] = {
        "kind": "backdrop",
        "x_card_minus_x_fret": pose.behind,
        "lean_deg": pose.lean,
        "corners": corners.tolist(),
    }
    truth |= {"elevation_deg": pose.elevation, "yaw_deg": pose.yaw}
    return Shot(scene, camera, look.sensor, truth)
