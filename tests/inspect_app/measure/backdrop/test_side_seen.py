"""What light alone does not show across the neck: by colour, from the part that a string leaves free, or elsewhere."""

from dataclasses import replace

import numpy as np
import pytest

from inspect_app.measure import measure
from tests.inspect_app.measure.backdrop.side_pictures import SideScene, draw_side, side_ask

BROWN = np.array([0.75, 0.9, 1.0])
"""Codes of wood over those of grey: light of two to one, red to blue."""


def errors(scene, answer):
    true = scene.gaps()
    return {f.number: f.string_gap.value - true[f.number] for f in answer.frets if f.string_gap}


def shares(scene, answer):
    """Errors over U."""
    off = errors(scene, answer)
    return [abs(off[f.number]) / f.string_gap.expanded for f in answer.frets if f.string_gap]


def with_brown_wood(scene):
    """The scene drawn with its wood brown: where it is drawn otherwise when only the wood's tone is another."""
    grey, other = (draw_side(s).bgr.astype(float) for s in (scene, replace(scene, wood=scene.wood // 2)))
    share = np.clip((grey - other) / np.maximum(scene.wood / 2.0, 1.0), 0.0, 1.0)
    bgr = np.round(grey * (1.0 - share + share * BROWN)).clip(0, 255).astype(np.uint8)
    bgr.flags.writeable = False
    return replace(draw_side(scene), bgr=bgr)


@pytest.mark.slow
def test_ends_as_bright_as_the_wood_are_told_by_colour():
    scene = SideScene(face=120, metal=95, wood=120, seed=21)
    ask = side_ask(scene)
    assert not measure(draw_side(scene), ask).frets
    answer = measure(with_brown_wood(scene), ask)
    assert set(errors(scene, answer)) == set(scene.numbers)
    assert all(
        abs(e) < f.string_gap.expanded for f, e in zip(answer.frets, errors(scene, answer).values(), strict=True)
    )


@pytest.mark.slow
def test_wood_as_bright_as_the_card_ends_it_in_blue_light():
    scene = SideScene(wood=235, seed=22)
    found = errors(scene, measure(with_brown_wood(scene), side_ask(scene)))
    assert set(found) == set(scene.numbers)
    assert max(map(abs, found.values())) < 0.06


def test_a_foot_that_a_string_hides_at_one_end_goes_on_straight():
    scene = SideScene(under=(-0.25, 0.55), seed=23)
    answer = measure(draw_side(scene), side_ask(scene))
    assert set(errors(scene, answer)) >= set(scene.numbers[1:])
    assert max(shares(scene, answer)) < 1.0


@pytest.mark.parametrize("behind", [1.0, 2.0, 4.8])
def test_a_card_is_found_where_it_stands_asked_for_or_not(behind):
    """Asked for at 1 to 2 mm; one pushed back to the next string is believed to stand where the ends' spacing says."""
    scene = SideScene(behind=behind, under=(1.6, 1.9), seed=24)
    answer = measure(draw_side(scene), side_ask(scene))
    off = answer.checks["behind_string_mm"] - scene.behind
    assert abs(off) < 2.0 * answer.checks["behind_string_mm_u"] < 1.2
    assert all(
        abs(e) < f.string_gap.expanded for f, e in zip(answer.frets, errors(scene, answer).values(), strict=True)
    )
