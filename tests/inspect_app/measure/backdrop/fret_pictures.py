"""Pictures of a fret in front of the backdrop, drawn from the solid: seeded, fast, ours.

Nothing is taken from the code under test but the markers' layout and the pose's own mapping: the outline comes from
painting the whole surface of the fret.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from calib.photo import Focal, Photo
from calib.plane import Plane
from calib.scales.printed import BACKDROP, BACKDROP_SIZE, DICTIONARY
from inspect_app.instrument.crown import Crown, half_chord
from inspect_app.measure.backdrop.crown_line import crown_line_of
from inspect_app.measure.backdrop.edge_path import EdgePath
from inspect_app.measure.backdrop.pose import BoardPose
from inspect_app.reading.ask import Ask, ScaleAsk
from tests.inspect_app.instrument.fret_solid import FretSolid, outline
from tests.inspect_app.measure.filled import fill

CARD_X = 46.0
"""The board's centre line lies behind the middle of the card."""
MM_PER_PX = 1.0 / 30.0


@dataclass(frozen=True)
class Scene:
    """A fret, a camera and a light. Lengths in mm, angles in degrees; divots are (y, depth, length).

    A card laid over an end, before the backdrop, is (side, place of its edge half-way up the crown, slant inwards from
    upright, tone, its foot and its top over the board): `covers`. The divots' flats are of another tone than the metal
    where `flat` says so."""

    width: float = 2.6
    height: float = 1.2
    radius: float = 300.0
    ends: tuple = (-22.0, 22.0)
    bevels: tuple = (30.0, 27.0)
    divots: tuple = ((-11.0, 0.18, 3.6), (4.0, 0.09, 2.6), (12.0, 0.28, 2.4))
    elevation: float = 5.0
    yaw: float = 1.5
    tilt: float = 0.6
    distance: float = 220.0
    look_y: float = 0.0
    focal_px: float = 6500.0
    size: tuple = (2000, 1500)
    crown_below_top: float = 19.0
    card: int = 225
    metal: int = 120
    flat: int | None = None
    wood: int = 60
    blur: float = 1.0
    noise: float = 1.5
    strings: tuple = ()
    covers: tuple = ()
    near: tuple = ()
    tip: float = 0.0
    widening: float = 0.014
    seed: int = 0

    @property
    def crown(self):
        return Crown(self.width, self.height)

    def removal(self, y):
        d = np.zeros_like(y)
        for at, depth, length in self.divots:
            t = 2.0 * (y - at) / length
            d = np.maximum(d, np.where(np.abs(t) < 1, depth * (1 - t**2) ** 2, 0.0))
        return d

    def pose(self):
        """The true pose: the card leans, the camera looks at the fret from its elevation."""
        e, yaw = math.radians(self.elevation), math.radians(self.yaw)
        top = self.height
        target = np.array([0.0, self.look_y, top])
        camera = target + self.distance * np.array([-math.cos(e) * math.cos(yaw), math.sin(yaw), math.sin(e)])
        forward = (target - camera) / np.linalg.norm(target - camera)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        to_camera = np.stack([right, -np.cross(right, forward), forward])  # board to camera
        tilt = math.radians(self.tilt)
        upright_card = BoardPose(_plane(np.zeros(8), self), tilt=tilt)
        # board origin in the card's frame: CARD_X across, crown_below_top under the card's top edge
        origin = np.array([CARD_X, -(self.crown_below_top + top), upright_card.gap_mm])
        rotation = to_camera @ upright_card.axes.T
        translation = to_camera @ -camera - rotation @ origin
        params = np.concatenate([cv2.Rodrigues(rotation)[0].ravel(), translation, [math.log(self.focal_px), 0.0]])
        shift = tuple(origin - [0.0, 0.0, upright_card.gap_mm])
        return BoardPose(_plane(params, self), tilt=tilt, shift=shift)


def _plane(params, scene):
    centre = [(scene.size[0] - 1) / 2.0, (scene.size[1] - 1) / 2.0]
    u = np.array([3e-4, 3e-4, 1e-4, 0.01, 0.01, 0.5, 2e-3, 1e-3, 1.0, 1.0])
    return Plane(np.concatenate([params, centre]), np.diag(u**2), 5e-4, 0.05, 80, anchor_mm=(CARD_X, -14.0))


def surface(scene, x0=0.0, worn=True, n_y=1000, n_x=61):
    """Points of the fret's surface, shape (n_y, n_x, 3): crown cut by wear, ends cut by the bevels."""
    y = np.linspace(scene.ends[0], scene.ends[1], n_y)
    r, h = scene.crown.radius, scene.height
    x = np.linspace(-scene.width / 2, scene.width / 2, n_x)
    cut = h - (scene.removal(y) if worn else 0.0 * y)
    rise = np.minimum((h - r + np.sqrt(r**2 - x**2))[None, :], cut[:, None])
    low = (y - scene.ends[0])[:, None] / math.tan(math.radians(scene.bevels[0]) + 1e-9)
    high = (scene.ends[1] - y)[:, None] / math.tan(math.radians(scene.bevels[1]) + 1e-9)
    rise = np.minimum(rise, np.minimum(low, high))
    rise = np.minimum(rise, np.minimum(*(_tip(scene, y, i) for i in (0, 1)))[:, None])
    board = np.sqrt(scene.radius**2 - y**2) - scene.radius
    return np.stack(
        [np.broadcast_to(x + x0, rise.shape), np.broadcast_to(y[:, None], rise.shape), board[:, None] + rise], axis=-1
    )


def _tip(scene, y, i):
    """Height that rounding leaves at the treble (0) or bass (1) tip: a circle that touches top and bevel."""
    level = np.full_like(y, scene.height)
    if scene.tip == 0.0:
        return level
    inward = (1.0, -1.0)[i]
    b = math.radians(scene.bevels[i])
    corner = scene.height * math.tan(b)
    run = inward * (y - scene.ends[i]) - corner  # from the sharp corner inward
    centre = scene.tip * math.tan((math.pi / 2.0 - b) / 2.0)
    round_ = (run > centre - scene.tip * math.cos(b)) & (run < centre)
    return np.where(
        round_, scene.height - scene.tip + np.sqrt(np.maximum(scene.tip**2 - (run - centre) ** 2, 0.0)), level
    )


def _fill(picture, pose, points, tone):
    """Paint a surface, strip by strip: pixels whose middle lies in the convex hull of a strip."""
    px = pose.to_px(points.reshape(-1, 3)).reshape(*points.shape[:2], 2)
    for a, b in pairwise(px):
        hull = cv2.convexHull(np.concatenate([a, b]).astype(np.float32))[:, 0]
        fill(picture, hull, tone)


def draw(scene, over=2):
    """A photo of the scene, and the true pose.

    Drawn `over` times larger, reduced and blurred in linear light, then given noise.
    """
    big = Scene(**{**scene.__dict__, "size": tuple(v * over for v in scene.size), "focal_px": scene.focal_px * over})
    pose = big.pose()
    canvas = np.full((big.size[1], big.size[0]), 90, np.uint8)
    _card(canvas, pose, scene)
    board = np.stack([_board_row(scene, x) for x in np.linspace(1.4, -60.0, 25)], axis=1)
    _fill(canvas, pose, board, scene.wood)
    for distance in sorted((0.0, *scene.near)):
        _fret(canvas, pose, scene, distance)
    for cover in scene.covers:
        _cover(canvas, pose, scene, cover)
    for y, thick in scene.strings:
        line = pose.to_px([[1.4, y, scene.height + 1.5], [-40.0, y, scene.height + 1.2]])
        cv2.line(canvas, *[tuple(int(v) for v in p) for p in line], 30, max(1, int(thick * over)))
    return Photo(*_developed(canvas, scene, over)), scene.pose()


def _fret(canvas, pose, scene, distance):
    points = surface(scene, x0=-distance, worn=distance == 0.0)
    _fill(canvas, pose, points, scene.metal)
    if scene.flat is not None and distance == 0.0:
        _fill(canvas, pose, _flats(scene), scene.flat)
    if scene.near:  # a lamp's line along the crown, so that frets can be told to be alike
        i = points.shape[1]
        _fill(canvas, pose, points[:, int(0.22 * i) : int(0.3 * i)], min(250, scene.metal * 2))


def _flats(scene):
    """The flats that wear has cut, from their near edge to their far one, along the whole fret; (n_y, n_x, 3)."""
    y = np.linspace(*scene.ends, 1000)
    removed = scene.removal(y)
    x = half_chord(removed, scene.crown.radius)[:, None] * np.linspace(-1.0, 1.0, 7)
    z = np.sqrt(scene.radius**2 - y**2) - scene.radius + scene.height - removed
    return np.stack([x, np.broadcast_to(y[:, None], x.shape), np.broadcast_to(z[:, None], x.shape)], axis=-1)


def _cover(canvas, pose, scene, cover):
    side, at, slant, tone, foot, top = cover
    level = math.sqrt(scene.radius**2 - at**2) - scene.radius
    z = np.linspace(foot, top, 20)
    edge = at - side * (z - scene.height / 2.0) * math.tan(math.radians(slant))
    y, z = np.concatenate([edge, [at + side * 12.0] * 2]), np.concatenate([z, [top, foot]])
    fill(canvas, pose.to_px(np.column_stack([np.full_like(y, -1.4), y, level + z])), tone)


def _board_row(scene, x):
    beyond = 0.3 + scene.widening * x  # wider towards the body
    y = np.linspace(scene.ends[0] - beyond, scene.ends[1] + beyond, 60)
    return np.stack([np.full_like(y, x), y, np.sqrt(scene.radius**2 - y**2) - scene.radius], axis=-1)


def _card(canvas, pose, scene, dots=24):
    """Warp the printed sheet, white below, into the picture."""
    w, h = BACKDROP_SIZE
    sheet = np.full((int((h + 20) * dots), int(w * dots)), scene.card, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    for m in BACKDROP:
        tile = cv2.aruco.generateImageMarker(dictionary, m.id, int(m.side * dots))
        tile = np.where(tile > 127, scene.card, 12).astype(np.uint8)
        x, y = round(m.left * dots), round(m.top * dots)
        sheet[y : y + tile.shape[0], x : x + tile.shape[1]] = tile
    corners = np.array([[0, 0], [w, 0], [w, -(h + 20)], [0, -(h + 20)]], float)
    to = pose.plane.to_px(np.column_stack([corners, np.zeros(4)]))
    at = np.column_stack([corners[:, 0] * dots - 0.5, -corners[:, 1] * dots - 0.5])
    warp = cv2.getPerspectiveTransform(at.astype(np.float32), to.astype(np.float32))
    size = (canvas.shape[1], canvas.shape[0])
    inside = cv2.warpPerspective(np.full_like(sheet, 255), warp, size)
    np.copyto(canvas, cv2.warpPerspective(sheet, warp, size, flags=cv2.INTER_AREA), where=inside > 127)


def _developed(canvas, scene, over):
    light = cv2.LUT(canvas, ((np.arange(256) / 255.0) ** 2.2).astype(np.float32))
    light = cv2.resize(light, scene.size, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), scene.blur)
    codes = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055) * 255.0
    noise = np.random.default_rng(scene.seed).normal(0.0, scene.noise, codes.shape)
    gray = np.clip(np.round(codes + noise), 0, 255).astype(np.uint8)
    bgr = np.repeat(gray[:, :, None], 3, axis=2)
    bgr.flags.writeable = False
    return bgr, f"{scene.seed:064x}", "drawn.png", Focal(scene.focal_px, 0.005, "EXIF")


def scene_ask(scene, view="elevation", **more):
    return Ask(view, ScaleAsk("backdrop"), first_fret=5, crown_width=scene.width, crown_height=scene.height, **more)


__all__ = ["CARD_X", "Scene", "draw", "scene_ask", "surface"]


def seen(scene, pose: BoardPose, noise_px=0.1, seed=0, crown=None, true_pose=None):
    """The crown line as `pose` sees the outline that `true_pose` projected, with noise pooled over five points."""
    rng = np.random.default_rng(seed)
    y = np.linspace(-19.5, 19.5, 1200)
    real = true_pose or pose
    solid = FretSolid(scene.crown, scene.radius, y, scene.removal(y), scene.ends, scene.bevels)
    px = real.to_px(outline(solid, y, real.camera))
    noise = np.convolve(rng.normal(0.0, noise_px, len(y) + 4), np.ones(5) / 5.0, "valid")
    px[:, 1] += noise
    edge = EdgePath.plain(px, np.full(len(y), noise_px / math.sqrt(5.0)), np.full(len(y), 50.0), 5.0)
    line = crown_line_of(edge, pose, (crown or scene.crown).radius, MM_PER_PX)
    assert line is not None
    return line
