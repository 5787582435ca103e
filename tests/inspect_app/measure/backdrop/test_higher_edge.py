"""An outline fainter than a line below it: found from that line, left alone where it was followed itself."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from inspect_app.measure.backdrop.crown_line import find_crown_line
from inspect_app.measure.backdrop.higher_edge import highest_line
from inspect_app.measure.backdrop.pose import BoardPose
from tests.inspect_app.measure.backdrop.fret_pictures import MM_PER_PX, Scene, draw

TOP_MM, BELOW_MM = 2.0, 0.5
SCENE = Scene(card=110, metal=90, size=(1600, 700), crown_below_top=20.0, divots=((4.0, 0.09, 2.6),))


@pytest.fixture(scope="module")
def seen():
    """A dark crown before a card in its own shadow; photo, pose, columns and the crown line."""
    photo, pose = draw(SCENE)
    y = np.arange(-24.0, 24.0, 4.0 * MM_PER_PX)
    line = find_crown_line(photo, pose, y, SCENE.height + TOP_MM, SCENE.crown.radius, MM_PER_PX)
    assert line is not None
    return photo, pose, y, line


def higher(seen, line):
    photo, pose, y, _ = seen
    assert isinstance(pose, BoardPose)
    return highest_line(photo, pose, line, y, SCENE.height, MM_PER_PX, SCENE.height + TOP_MM)


def test_the_outline_above_a_line_on_the_metal_is_followed_instead(seen):
    line = seen[3]
    circle = replace(line.circle, at=(line.circle.at[0], line.circle.at[1] - BELOW_MM))
    found, under = higher(seen, replace(line, circle=circle, z=line.z - BELOW_MM))
    assert np.abs(found.circle.z(found.span) - line.circle.z(found.span)).max() < MM_PER_PX
    assert found.span == pytest.approx(line.span, abs=0.6)
    assert under < BELOW_MM


def test_an_outline_with_plain_card_above_it_is_left_alone(seen):
    assert higher(seen, seen[3])[0] is seen[3]


def shadowed(photo, pose, line, high, wave):
    """The card darker above a crown, up to an edge that waves along it, as the shadows of other things make it."""
    y = np.linspace(-23.0, 23.0, 400)
    z = line.circle.z(y)
    top, foot = (
        pose.to_px(np.column_stack([0.0 * y, y, at])) for at in (z + high + 0.1 * np.sin(2 * np.pi * y / wave), z)
    )
    inside = np.zeros(photo.bgr.shape[:2], np.float32)
    cv2.fillPoly(inside, [np.round(np.vstack([top, foot[::-1]])).astype(np.int32)], 1.0)
    dark = 25.0 * cv2.GaussianBlur(inside, (0, 0), 2.0)[..., None]
    return replace(photo, bgr=np.where(photo.bgr > 150, photo.bgr - dark, photo.bgr).astype(np.uint8))


@pytest.mark.parametrize(("high", "wave"), [(0.35, 17.0), (0.3, 17.0)])
def test_a_shadow_above_a_crown_line_does_not_take_its_place(high, wave):
    bright = replace(SCENE, card=200, divots=(), noise=1.0)
    photo, pose = draw(bright)
    y = np.arange(-24.0, 24.0, 4.0 * MM_PER_PX)
    line = find_crown_line(photo, pose, y, SCENE.height + TOP_MM, SCENE.crown.radius, MM_PER_PX)
    assert higher((shadowed(photo, pose, line, high, wave), pose, y, line), line)[0] is line
