"""Pictures of a wire's cut end over the backdrop's small markers, drawn with a known camera: seeded, fast, ours.

Nothing is taken from the code under test but the markers' layout and the plane's own mapping. Everything is painted
`OVER` times larger and reduced by area, blurred and given noise in linear light, then coded as JPEG.
"""

import dataclasses
import math
from dataclasses import dataclass

import cv2
import numpy as np

from calib.photo import Focal, Photo, open_photo
from calib.plane import Plane
from calib.scales.printed import BACKDROP, DICTIONARY
from inspect_app.reading.ask import Ask, ScaleAsk
from tests.inspect_app.measure.filled import fill

OVER = 3
ROW_TOP, ROW_FOOT = -11.6, -16.4  # of the strip of paper, y on the card
MIDDLE_X, MIDDLE_Y = 46.0, -11.8
REACH_X = 11.0
"""Half of what is painted of the card: more than any picture shows."""
PAPER, INK = (0.62, 0.62, 0.62), (0.02, 0.02, 0.02)
PIECES = ("flat", "arc right", "arc left", "underside right", "underside left", "side right", "side left", "bottom")


@dataclass(frozen=True)
class Wire:
    """A wire's section as the tests know it, mm: unworn crown, height filed off, tang, barbs, undercut of the crown.

    `undercut` is how much higher the crown's edges lie than the foot of its underside at the tang.
    """

    width: float = 2.6
    height: float = 1.1
    level: float = 0.0
    tang_width: float = 0.55
    tang_depth: float = 1.8
    barb: float = 0.16
    undercut: float = 0.0

    @property
    def radius(self):
        """Of the circle through the crown's edges and its unworn top: chord and sagitta."""
        rise = self.height - self.undercut
        return (self.width**2 / 4.0 + rise**2) / (2.0 * rise)

    def truth(self):
        r = self.radius
        return {
            "crown_width": self.width,
            "crown_height": self.height - self.level,
            "crown_radius": r,
            "flat_width": 2.0 * math.sqrt(max(0.0, self.level * (2.0 * r - self.level))),
            "tang_width": self.tang_width,
            "tang_depth": self.tang_depth,
        }


@dataclass(frozen=True)
class Scene:
    """A wire, a camera and a light; angles in degrees, lengths in mm, light linear (blue, green, red).

    `marks` are level grinding marks on the face, each how high it lies in the wire's frame, how wide it is and, where
    it does not cross all of the face, from where to where; `mark` is their tone. `nearer` is how far the end stands
    before the card, `tilt` its tilt about the two axes of the card, `aside` moves each piece of the outline outwards
    (pixels), `smear` is where the far end shows beside the near one, `shade` the tone of the body's underside, where it
    is another. `behind` blurs what is behind the face (standard deviation, pixels) but the paper.
    """

    wire: Wire = Wire()
    turn: float = 0.0
    nearer: float = 0.0
    tilt: tuple = (0.0, 0.0)
    aside: tuple = (0.0,) * len(PIECES)
    smear: tuple = (0.0, 0.0)
    length: float = 8.0
    face: tuple = (0.33, 0.34, 0.36)
    body: tuple = (0.21, 0.19, 0.17)
    shade: tuple = ()
    marks: tuple = ()
    mark: tuple = (0.27, 0.28, 0.30)
    ground: tuple = (0.006, 0.006, 0.006)
    distance: float = 190.0
    px_per_mm: float = 90.0
    look: tuple = (2.5, -2.0)
    roll: float = 1.5
    k1: float = -0.02
    print_error: float = 0.0
    focal_error: float = 0.0
    size: tuple = (1200, 920)
    behind: float = 0.0
    blur: float = 0.8
    noise: float = 0.006
    seed: int = 1

    @property
    def focal_px(self):
        return self.px_per_mm * self.distance

    def camera(self, over=1):
        """The true plane of the card."""
        a, b, c = (math.radians(v) for v in (180.0 + self.look[0], self.look[1], self.roll))
        rx, ry, rz = (cv2.Rodrigues(np.array(v))[0] for v in ((a, 0, 0), (0, b, 0), (0, 0, c)))
        r = rz @ ry @ rx
        t = np.array([0.0, 0.0, self.distance]) - r @ np.array([MIDDLE_X, MIDDLE_Y, 0.0])
        middle = [(v * over - 1.0) / 2.0 for v in self.size]
        p = np.concatenate([cv2.Rodrigues(r)[0].ravel(), t, [math.log(self.focal_px * over), self.k1], middle])
        return Plane(p, np.zeros((10, 10)), 0.0, 0.0, 0)


def section_ask(**more):
    return Ask("section", ScaleAsk("backdrop"), first_fret=5, **more)


def face_outline(scene):
    """Closed outline of the face in the wire's own frame, its pieces moved aside, (N, 2)."""
    w, r = scene.wire, scene.wire.radius
    out = dict(zip(PIECES, np.array(scene.aside) / scene.px_per_mm, strict=True))
    centre, half, t, d = w.height - r, w.truth()["flat_width"] / 2.0, w.tang_width / 2.0, w.tang_depth
    a = np.linspace(math.asin(min(1.0, half / r)), math.acos((w.undercut - centre) / r), 160)
    top, foot, mid = w.height - w.level, 0.0, -0.55 * d
    lines = []
    for sign, hand in ((1, "right"), (-1, "left")):
        arc = np.column_stack([np.sin(a), np.cos(a)]) * (r + out[f"arc {hand}"]) + [0.0, centre]
        under = -out[f"underside {hand}"]
        side = t + out[f"side {hand}"]
        lines.append(
            np.vstack(
                [
                    [[half, top + out["flat"]]] if w.level > 0 else np.empty((0, 2)),
                    arc,
                    [[arc[-1, 0], w.undercut + under], [side, foot + under]],
                    [[side, mid + 0.35], [side + w.barb, mid], [side, mid - 0.35]],
                    [[side, -d - out["bottom"]]],
                ]
            )
            * [sign, 1]
        )
    return np.vstack([lines[0], lines[1][::-1]])


def draw(scene):
    """The photo of a scene."""
    camera = scene.camera(OVER)
    labels = np.zeros((scene.size[1] * OVER, scene.size[0] * OVER), np.uint8)
    _paper(labels, camera, scene)
    near, far = (_on_photo(scene, camera, z) for z in (0.0, -scene.length))
    cv2.fillPoly(labels, [far.astype(np.int32)], 3)
    for k in range(len(near)):
        quad = np.array([near[k - 1], near[k], far[k], far[k - 1]])
        label = 5 if _looks_down(face_outline(scene)[[k - 1, k]]) else 3
        cv2.fillConvexPoly(labels, cv2.convexHull(quad.astype(np.float32)).astype(np.int32), label)
    behind = _soft_behind(labels, scene) if scene.behind > 0.0 else None
    fill(labels, near, 4)
    _grind(labels, scene, camera)
    light = _light(labels, scene)
    if behind is not None:
        face = _cover((labels == 4) | (labels == 6), scene)
        only = _light(np.where((labels == 4) | (labels == 6), labels, 0), dataclasses.replace(scene, ground=(0.0,) * 3))
        light = only + (1.0 - face) * behind
    return _developed(light, scene)


def _soft_behind(labels, scene):
    """Light of what is behind the face, out of focus; the paper's light is as it is."""
    light, paper = _light(labels, scene), _cover((labels == 1) | (labels == 2), scene)
    return paper * light + (1.0 - paper) * cv2.GaussianBlur(light, (0, 0), scene.behind)


def _cover(mask, scene):
    """Share of each pixel that a mask of the enlarged picture covers, (h, w, 1)."""
    return cv2.resize(mask.astype(np.float32), scene.size, interpolation=cv2.INTER_AREA)[..., None]


def _light(labels, scene):
    """Light of the picture's size from the labels of the enlarged one."""
    shade = scene.shade or scene.body
    tones = np.array([scene.ground, PAPER, INK, scene.body, scene.face, shade, scene.mark], np.float32)
    light = np.zeros((scene.size[1], scene.size[0], 3), np.float32)
    for k, tone in enumerate(tones):
        cover = cv2.resize((labels == k).astype(np.uint8) * 255, scene.size, interpolation=cv2.INTER_AREA)
        light += cover[..., None].astype(np.float32) / 255.0 * tone
    return light


def _grind(labels, scene, camera):
    """The marks, on the face alone."""
    for height, width, *ends in scene.marks:
        low, high = height - width / 2.0, height + width / 2.0
        left, right = ends or (-scene.wire.width, scene.wire.width)
        strip = np.zeros_like(labels)
        fill(strip, _placed(np.array([[left, low], [right, low], [right, high], [left, high]]), scene, camera), 1)
        labels[(strip == 1) & (labels == 4)] = 6


def _looks_down(ends):
    """Whether a piece of the face's outline is part of its underside or the foot: nearly level, below the arc."""
    (x0, y0), (x1, y1) = ends
    return max(y0, y1) < 0.05 and abs(y1 - y0) < 0.2 * abs(x1 - x0)


def _on_photo(scene, camera, depth):
    """Outline in pixels of the enlarged picture, at the near end (0) or behind it."""
    return _placed(face_outline(scene), scene, camera, depth)


def _placed(xz, scene, camera, depth=0.0):
    """Points of the wire's own frame (N, 2) in pixels of the enlarged picture."""
    c, s = math.cos(math.radians(scene.turn)), math.sin(math.radians(scene.turn))
    p = xz @ np.array([[c, s], [-s, c]])
    a, b = (math.radians(v) for v in scene.tilt)
    share = -depth / scene.length
    x, y = p[:, 0] * math.cos(a) + share * scene.smear[0], p[:, 1] * math.cos(b) + share * scene.smear[1]
    z = scene.nearer + p[:, 0] * math.sin(a) + p[:, 1] * math.sin(b) + depth
    foot = ROW_TOP + 1.2 + scene.wire.tang_depth
    return camera.to_px(np.column_stack([MIDDLE_X + x, foot + y, z]))


def _paper(labels, camera, scene):
    def on_photo(x, y, w, h):
        mm = np.array([(x, y), (x + w, y), (x + w, y - h), (x, y - h)])
        mm[:, 0] = MIDDLE_X + (mm[:, 0] - MIDDLE_X) * (1.0 + scene.print_error)
        return camera.to_px(np.column_stack([mm, np.zeros(4)]))

    sheet = on_photo(MIDDLE_X - REACH_X, ROW_TOP, 2.0 * REACH_X, ROW_TOP - ROW_FOOT)
    cv2.fillPoly(labels, [sheet.astype(np.int32)], 1)  # nothing is measured on its edges
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    for m in (m for m in BACKDROP if m.id >= 30 and abs(m.left + m.side / 2.0 - MIDDLE_X) < REACH_X):
        cells = cv2.aruco.generateImageMarker(dictionary, m.id, 6)
        fill(labels, on_photo(m.left, -m.top, m.side, m.side), 2)
        for row, column in zip(*np.nonzero(cells > 127), strict=True):
            cell = m.side / 6.0
            fill(labels, on_photo(m.left + column * cell, -m.top - row * cell, cell, cell), 1)


def _developed(light, scene) -> Photo:
    rng = np.random.default_rng(scene.seed)
    light = cv2.GaussianBlur(light, (0, 0), scene.blur)
    light = np.clip(light + scene.noise * rng.standard_normal(light.shape, np.float32), 0, 1)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    ok, data = cv2.imencode(".jpg", np.rint(codes * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 94])
    assert ok
    photo = open_photo(data.tobytes(), "wire.jpg")
    return dataclasses.replace(photo, focal=Focal(scene.focal_px * (1.0 + scene.focal_error), 0.02, "EXIF"))


def drawn_by_chance(seed):
    """A scene whose every input is drawn from the uncertainty stated for it, with tones and wires as they come."""
    rng = np.random.default_rng(seed)
    width = rng.uniform(2.0, 2.95)
    wire = Wire(
        width,
        rng.uniform(0.9, min(1.4, 0.49 * width)),
        float(rng.choice([0.0, rng.uniform(0.06, 0.25)])),
        rng.uniform(0.48, 0.62),
        rng.uniform(1.5, 2.1),
        rng.uniform(0.08, 0.2),
        float(rng.choice([0.0, 0.0, rng.uniform(0.1, 0.3)])),
    )
    light = rng.uniform(0.22, 0.5)
    tint = np.array([1.0, 1.0, 1.0]) + rng.normal(0.0, 0.04, 3)
    shade = rng.uniform(0.35, 0.85) * (np.array([1.0, 1.0, 1.0]) + rng.normal(0.0, 0.04, 3))
    ground = rng.uniform(0.55, 0.75) if rng.random() < 0.5 else rng.uniform(0.004, 0.03)
    aside = rng.normal(0.0, 0.1, len(PIECES)) + rng.uniform(-0.3, 0.3)
    return Scene(
        wire,
        turn=rng.uniform(-15.0, 15.0),
        nearer=rng.uniform(-0.8, 0.8),
        tilt=tuple(rng.normal(0.0, 2.0, 2)),
        aside=tuple(aside),
        smear=tuple(rng.normal(0.0, 0.15, 2)),
        face=tuple(light * tint),
        body=tuple(light * tint * shade),
        ground=(ground,) * 3,
        distance=rng.uniform(150.0, 240.0),
        px_per_mm=rng.uniform(75.0, 105.0),
        look=tuple(rng.normal(0.0, 2.0, 2)),
        roll=rng.normal(0.0, 1.5),
        k1=rng.uniform(-0.05, 0.03),
        print_error=rng.normal(0.0, 5e-4),
        focal_error=rng.normal(0.0, 0.02),
        blur=rng.uniform(0.6, 1.4),
        noise=rng.uniform(0.002, 0.008),
        seed=seed,
    )
