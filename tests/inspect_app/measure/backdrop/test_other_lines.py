"""Lines as straight and as sharp as the card's foot, a string's edge or an end's top, that are none of these."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.scales.printed import SHEETS
from inspect_app.measure import calibrate, measure
from inspect_app.measure.backdrop import side
from inspect_app.measure.backdrop.card_foot import card_light, find_feet
from inspect_app.measure.backdrop.covered_foot import is_as_printed, printed_foot
from inspect_app.measure.backdrop.fret_faces import find_faces
from inspect_app.measure.backdrop.string_edge import find_string
from tests.inspect_app.measure.backdrop.side_pictures import FOOT, SideScene, draw_side, side_ask
from tests.inspect_app.measure.backdrop.test_side_seen import errors


def with_codes(photo, codes):
    bgr = np.round(codes).clip(0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return replace(photo, bgr=bgr)


def with_line(photo, scene, below, thick, share):
    """The photo with a line along the card, so far below the foot and so thick (mm), of that share of what is there."""
    x = np.linspace(-40.0, 140.0, 200)
    edges = [np.column_stack([x, np.full_like(x, FOOT - y), np.zeros_like(x)]) for y in (below, below + thick)]
    outline = np.concatenate([scene.plane().to_px(edges[0]), scene.plane().to_px(edges[1])[::-1]])
    mask = np.zeros(photo.bgr.shape[:2], np.float32)
    cv2.fillPoly(mask, [np.round(outline * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    soft = cv2.GaussianBlur(mask, (0, 0), scene.blur)[:, :, None]
    return with_codes(photo, photo.bgr * (1.0 - soft * (1.0 - share)))


def test_a_line_in_wood_as_bright_as_the_card_is_not_taken_for_the_foot():
    """A dark year ring 0.7 mm lower, where card goes over into wood: so much would the gaps be too large."""
    scene = SideScene(wood=225, face=120, metal=95, seed=51)
    photo, ask = with_line(draw_side(scene), scene, 0.7, 0.9, 0.85), side_ask(scene)
    scale, plane = calibrate(photo, ask)
    sheet = SHEETS["backdrop"]
    lines = find_feet(card_light(photo, plane, sheet))
    assert lines
    assert not any(is_as_printed(line, sheet) for line in lines)
    answer = side.measure_detected(side.detect(photo, scale, plane, ask), ask)
    assert not answer.frets
    assert "where its print puts it" in answer.not_measured[0].reason


@pytest.mark.parametrize(("up", "slope", "as_printed"), [(0.2, 0.0, True), (-0.7, 0.0, False), (0.0, 0.02, False)])
def test_a_foot_is_cut_along_its_marks(up, slope, as_printed):
    sheet = SHEETS["backdrop"]
    foot = printed_foot(sheet)
    assert is_as_printed(replace(foot, at=foot.at + up, slope=slope), sheet) == as_printed


CLOSE = SideScene(
    under=(1.9, 2.0), shade=(1.75, 1.5, 0.9), focal_px=3300.0, size=(1600, 650), noise=0.6, string=0.25, seed=52
)
"""The string's soft shadow on the card begins right under the string."""


def test_a_shadow_that_begins_at_the_string_is_not_taken_for_it():
    answer = measure(draw_side(CLOSE, over=4), side_ask(CLOSE))
    found = errors(CLOSE, answer)
    assert set(found) == set(CLOSE.numbers)
    assert max(map(abs, found.values())) < 0.06


def sharpened(photo, amount=1.1, sigma=1.3):
    """As phones do it: what a blur takes away is added once more."""
    codes = photo.bgr.astype(float)
    return with_codes(photo, codes + amount * (codes - cv2.GaussianBlur(codes, (0, 0), sigma)))


def string_over_foot(photo, scene):
    """Height of the string's underside over the foot in the middle, mm, and a pixel there."""
    _, plane = calibrate(photo, side_ask(scene))
    card = card_light(photo, plane, SHEETS["backdrop"])
    lines = find_string(card, find_feet(card)[0])
    return float(lines.under.y(scene.middle) - lines.foot.y(scene.middle)), card.pitch


@pytest.mark.parametrize("tones", [(70, 250, 40), (90, 60, 40)], ids=["lit", "dull"])
def test_the_halo_of_sharpening_is_not_taken_for_the_strings_edge(tones):
    """Its outer side is as straight, two pixels from the edge."""
    scene = SideScene(string=0.25, string_tones=tones, card=190, blur=0.7, seed=53)
    photo = draw_side(scene, over=4)
    plain, pitch = string_over_foot(photo, scene)
    sharp, _ = string_over_foot(sharpened(photo), scene)
    assert abs(sharp - plain) < 0.5 * pitch


def test_a_straight_line_across_a_crown_is_not_its_ends_top():
    """As a string's lower edge crosses it, or a shadow's, in more contrast than the end has with its crown."""
    scene = SideScene(seed=54)
    photo = with_line(draw_side(scene), scene, 0.12, 0.08, 0.1)
    _, plane = calibrate(photo, side_ask(scene))
    foot, width = printed_foot(SHEETS["backdrop"]), SHEETS["backdrop"].size[0]
    plain, crossed = (
        find_faces(p, plane, foot, width, scene.scale_length, scene.first, "left")[0] for p in (draw_side(scene), photo)
    )
    assert [f.number for f in crossed] == list(scene.numbers)
    assert all(f.top is not None for f in (*plain, *crossed))
    assert max(abs(f.top - p.top) for f, p in zip(crossed, plain, strict=True)) < 0.03
