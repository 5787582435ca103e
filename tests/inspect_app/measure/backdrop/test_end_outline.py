"""A fret's end found as a whole: past glare, past a lamp's burnt-out line, and beside plain metal."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from inspect_app.measure import calibrate
from inspect_app.measure.backdrop.bevel import fit_bevel, measure_bevel, measure_end
from inspect_app.measure.backdrop.end_seen import UNSEEN, end_outline_of
from inspect_app.measure.backdrop.fret import detect_fret
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw, scene_ask

pytestmark = pytest.mark.slow


def seen_end(scene, end, painted=None):
    photo, pose = draw(scene)
    if painted is not None:
        bgr = painted(photo.bgr.copy(), pose)
        bgr.flags.writeable = False
        photo = type(photo)(bgr, photo.sha256, photo.name, photo.focal)
    fret = detect_fret(photo, *calibrate(photo, scene_ask(scene)), scene_ask(scene))
    return fret, end_outline_of(photo, fret, end)


def lamp_line(scene, sides=(-1.04, -0.78), white=1.0):
    """Paints a line along the near flank, as far as its rims, so bright that its blur spreads over its ends.

    `white` is the light that processing turns white down to, and all else with it."""

    def edge_of_line(x, pose):
        h = scene.height - scene.crown.radius + math.sqrt(scene.crown.radius**2 - x**2)
        first, last = (math.tan(math.radians(b)) * h for b in scene.bevels)
        y = np.linspace(scene.ends[0] + first, scene.ends[1] - last, 400)
        z = np.sqrt(scene.radius**2 - y**2) - scene.radius + h
        return pose.to_px(np.column_stack([np.full_like(y, x), y, z]))

    def paint(bgr, pose):
        mask = np.zeros(bgr.shape[:2], np.float32)
        outline = np.concatenate([edge_of_line(sides[0], pose), edge_of_line(sides[1], pose)[::-1]])
        cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 1.0, shift=4)
        light = cv2.GaussianBlur(mask, (0, 0), 1.2) * 12.0
        codes = 255.0 * np.clip(light, 0, 1) ** (1 / 2.2)
        return (np.maximum(bgr, codes[:, :, None]) * white ** (1 / 2.2)).astype(np.uint8)

    return paint


DOUBTED_PX = 0.1
"""More than what noise leaves open of how light changes along an end: two thirds of an edge's own definition."""


@pytest.mark.parametrize("end", ["treble", "bass"])
def test_a_plain_end_has_no_part_in_doubt(end):
    scene = Scene(divots=(), seed=1)
    fret, edge = seen_end(scene, end)
    assert edge.u_shared_px.max() < DOUBTED_PX
    assert len(np.unique(edge.part)) == 1
    fit = fit_bevel(edge, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px)
    assert math.degrees(fit.angle) == pytest.approx(scene.bevels[0 if end == "treble" else 1], abs=1.5)


@pytest.mark.parametrize("white", [1.0, 0.6])
@pytest.mark.parametrize("end", ["treble", "bass"])
def test_a_burnt_out_line_is_a_part_in_doubt_and_its_bloom_is_covered(end, white):
    near = {"focal_px": 20000.0, "distance": 220.0, "blur": 1.2, "look_y": -19.0 if end == "treble" else 19.0}
    near["yaw"] = 1.5 if end == "treble" else -1.5  # from where the near rim is the outline
    scene = Scene(divots=(), seed=2, **near)
    fret, edge = seen_end(scene, end, lamp_line(scene, white=white))
    assert (edge.u_shared_px > DOUBTED_PX).any()
    assert not (edge.u_shared_px > DOUBTED_PX).all()
    assert len(np.unique(edge.part)) == 2
    got = measure_bevel(
        edge, fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px, fret.u_elevation, math.radians(0.3)
    )
    assert got, got
    true = scene.bevels[0 if end == "treble" else 1]
    assert abs(got[1].value - true) <= 2.0 * got[1].u
    plain = measure_bevel(
        seen_end(scene, end)[1], fret.pose, fret.line.circle, fret.crown, end, fret.mm_per_px, fret.u_elevation, 0.005
    )
    assert got[1].u > plain[1].u


def nearer_fret(scene, up_to):
    """Paints a brighter nearer fret over all of a fret below a height over the board, mm."""

    def paint(bgr, pose):
        y = np.linspace(scene.ends[0] - 4.0, scene.ends[1] + 4.0, 100)
        z = np.sqrt(scene.radius**2 - y**2) - scene.radius
        top, foot = (pose.to_px(np.column_stack([0.0 * y, y, z + h])) for h in (up_to, up_to - 0.8))
        cv2.fillPoly(bgr, [np.round(np.concatenate([top, foot[::-1]]) * 16).astype(np.int32)], (200,) * 3, shift=4)
        return bgr

    return paint


@pytest.mark.parametrize("up_to", [0.25, 0.45])
@pytest.mark.parametrize("end", ["treble", "bass"])
def test_an_end_that_a_nearer_fret_might_hide_is_read_where_it_likely_does_not(end, up_to):
    """The nearer fret is taken to stand up to 0.35 mm: over it a little of the end is lost, under it a little is seen
    of what is not its outline."""
    scene = Scene(divots=(), seed=6)
    photo, pose = draw(scene)
    bgr = nearer_fret(scene, up_to)(photo.bgr.copy(), pose)
    bgr.flags.writeable = False
    photo = type(photo)(bgr, photo.sha256, photo.name, photo.focal)
    fret = detect_fret(photo, *calibrate(photo, scene_ask(scene)), scene_ask(scene))
    may_hide = replace(fret, hidden_mm=scene.height, likely_hidden_mm=scene.height)
    assert end_outline_of(photo, may_hide, end) == UNSEEN
    got = measure_end(end_outline_of(photo, replace(may_hide, likely_hidden_mm=0.35), end), fret, end, 0.005, 5)
    true = scene.bevels[0 if end == "treble" else 1]
    assert abs(got.angle.value - true) <= 2.0 * got.angle.u


def test_an_end_without_contrast_is_not_found():
    scene = Scene(divots=(), card=150, metal=149, wood=148, noise=3.0, seed=3)
    photo, _ = draw(scene)
    fret = detect_fret(photo, *calibrate(photo, scene_ask(scene)), scene_ask(scene))
    assert not fret or isinstance(end_outline_of(photo, fret, "treble"), str)


def specks(scene, share=0.006, seed=5):
    """Paints bright specks, two pixels across, on what has the card's tone."""

    def paint(bgr, _):
        rng = np.random.default_rng(seed)
        spots = cv2.GaussianBlur((rng.random(bgr.shape[:2]) < share).astype(np.float32), (0, 0), 1.0) * 2.0 * np.pi
        card = cv2.erode((bgr[..., 0] > scene.card - 12).astype(np.uint8), np.ones((3, 3)))
        light = np.where(card > 0, np.clip(spots, 0.0, 1.0), 0.0)[..., None]
        return (bgr + light * (250.0 - bgr)).astype(np.uint8)

    return paint


def test_specks_neither_hide_an_end_close_up_nor_draw_it_aside():
    """Left in, they bend it by five degrees at U 2."""
    scene = Scene(divots=(), card=170, metal=130, seed=4, focal_px=20000.0, blur=1.2, look_y=19.0)
    fret, edge = seen_end(scene, "bass", specks(scene))
    assert fret.grainy
    got = measure_end(edge, fret, "bass", math.radians(0.3), 5)
    assert abs(got.angle.value - scene.bevels[1]) <= 2.0 * got.angle.u <= 1.5
