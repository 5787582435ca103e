"""A fret's end by its colour: as bright as the card, beside a shadow on it, or without any colour of its own."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from inspect_app.measure import calibrate
from inspect_app.measure.backdrop.bevel import measure_end
from inspect_app.measure.backdrop.end_colour import in_colour
from inspect_app.measure.backdrop.end_seen import end_outline_of
from inspect_app.measure.backdrop.fret import detect_fret
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw, scene_ask

pytestmark = pytest.mark.slow

SCENE = Scene(divots=(), seed=1, card=170, metal=130)
WARMER = 12
"""Codes by which the metal's red lies above its green, and its blue below."""
SHADOW_MM = 0.45
"""How far a shadow as dark as the metal reaches beyond the end's foot: the edge it has there lies nine degrees flatter
than the bevel's, and begins where that does."""


@pytest.fixture(scope="module")
def pictures():
    """The fret, and its photo in colour."""
    tints = [draw(replace(SCENE, metal=SCENE.metal + k * WARMER, seed=k + 2), over=1)[0] for k in (-1, 0, 1)]
    photo = replace(tints[1], bgr=np.stack([t.gray for t in tints], axis=2))
    return detect_fret(photo, *calibrate(photo, scene_ask(SCENE)), scene_ask(SCENE)), photo


def shaded(fret, photo):
    """The photo with a sharp shadow on the card beside the treble end."""
    bevel = math.tan(math.radians(SCENE.bevels[0]))
    y = fret.line.span[0] - SCENE.height * bevel + np.array([0.0, SCENE.height * bevel, -SHADOW_MM])
    z = fret.line.circle.z(y) + np.array([-SCENE.height, 0.0, -SCENE.height])
    corners = fret.pose.to_px(np.column_stack([np.zeros(3), y, z]))
    mask = np.zeros(photo.gray.shape, np.float32)
    cv2.fillPoly(mask, [np.round(corners * 16).astype(np.int32)], 1.0, shift=4)
    share = cv2.GaussianBlur(mask, (0, 0), SCENE.blur) * (photo.gray > SCENE.metal)
    bgr = photo.bgr * (1.0 - share * (1.0 - SCENE.metal / SCENE.card))[..., None]
    return replace(photo, bgr=np.round(bgr).astype(np.uint8))


def told(photo, fret):
    edge = end_outline_of(photo, fret, "treble")
    return None if isinstance(edge, str) else measure_end(edge, fret, "treble", math.radians(0.3), 5).angle


def in_gray(photo):
    return replace(photo, bgr=np.repeat(photo.bgr[..., 1:2], 3, axis=2))


def test_a_shadow_taken_for_the_end_is_told_by_its_colour(pictures):
    fret, photo = pictures
    true = SCENE.bevels[0]
    angle = told(photo, fret)
    assert abs(angle.value - true) <= 2.0 * angle.u
    by_tone = told(in_gray(shaded(fret, photo)), fret)
    assert by_tone is not None
    assert abs(by_tone.value - true) > 2.0 * by_tone.u
    both = told(shaded(fret, photo), fret)
    assert both is None or abs(both.value - true) <= 2.0 * both.u


def tinted(fret, photo):
    """The photo with cooler light on the card beside the treble end, no darker than the rest of it."""
    gray = photo.gray.astype(float)
    share = 1.0 - shaded(fret, photo).gray / np.maximum(gray, 1.0)
    cooler = np.array([2.62, 0.0, -1.0]) * 25.0  # of blue and red, so that their gray stays
    return replace(photo, bgr=np.clip(np.round(photo.bgr + share[..., None] * cooler), 0, 255).astype(np.uint8))


def test_an_outline_that_colour_shows_as_well_is_kept_whatever_else_has_colour(pictures):
    """Of 264 ends five right ones had been declined for what colour made of them."""
    fret, photo = pictures
    angle = told(tinted(fret, photo), fret)
    assert abs(angle.value - SCENE.bevels[0]) <= 2.0 * angle.u


def test_what_has_no_colour_of_its_own_is_not_looked_for_by_it(pictures):
    fret, photo = pictures
    assert in_colour(in_gray(photo), fret, "treble") is None


def test_a_shadow_on_the_card_is_still_card(pictures):
    fret, photo = pictures
    last = fret.line.span[0]
    at = np.array([[0.0, last + inward, float(fret.line.circle.z(last)) - 0.4] for inward in (-1.8, 0.6)])
    card, metal = fret.pose.to_px(at).round().astype(int)
    assert card[0] > metal[0] + 40  # the treble side is at the right
    half_lit = photo.bgr.copy()
    half_lit[:, card[0] - 12 :] = np.round(half_lit[:, card[0] - 12 :] * 0.7)  # in codes
    lit, dark = (in_colour(replace(photo, bgr=p), fret, "treble").gray.astype(float) for p in (photo.bgr, half_lit))

    def around(light, px):
        return float(np.median(light[px[1] - 6 : px[1] + 7, px[0] - 6 : px[0] + 7]))

    assert around(lit, metal) - around(lit, card) > 30.0
    assert around(dark, card) == pytest.approx(around(lit, card), abs=6.0)
